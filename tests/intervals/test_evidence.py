"""What a fleet says to a question is worked out once, as known on its day."""

import numpy as np
import pandas as pd
import pytest
from support import day

from kit.intervals import Evidence
from kit.life import build_histories
from kit.regions import finding_regions

BASIS = ("recorded", "implied")


@pytest.fixture
def two(hand):
    """Two aircraft with a panel each, one damage mapped three times on one of them."""
    hand.aircraft("A1").aircraft("A2").panel("P1", "A1").panel("P2", "A2").card("A1", 300).card(
        "A2", 300, 900
    )
    for n, size in ((600, 30), (900, 40), (1200, 50)):
        hand.find("A1", n, size=size, kind="moisture_disbond")
    return hand


def test_histories_are_those_of_build_histories(small_evidence):
    for groups, kind, clock in (
        (("flap",), "moisture_disbond", "calendar_days"),
        (("flap", "spoiler"), "disbond", "flight_cycles"),
    ):
        zones = small_evidence.zones_of(groups)
        left = small_evidence.histories(groups, kind, clock, BASIS)
        right = build_histories(small_evidence.fleet, kind=kind, clock=clock, zones=zones)
        pd.testing.assert_frame_equal(left.to_frame(), right.to_frame())
        pd.testing.assert_frame_equal(left.excluded, right.excluded)


def test_tracks_are_repeat_mappings_with_ages_on_the_clock_asked_for(two):
    evidence = Evidence(two.load())
    tracks = evidence.tracks(("flap",), "moisture_disbond", "flight_hours")
    assert tracks["track"].nunique() == 1
    assert tracks["age"].tolist() == pytest.approx([6000, 9000, 12000])
    assert tracks["diameter_mm"].tolist() == pytest.approx(np.array([30, 40, 50]) / np.sqrt(2))
    assert evidence.tracks(("flap",), "moisture_disbond", "calendar_days")["age"].tolist() == [600, 900, 1200]
    assert len(evidence.tracks(("flap",), "disbond", "flight_hours")) == 0


def test_a_size_whose_unit_is_suspect_is_left_out_of_growth_and_marked(two):
    two.set("findings", "D3", length="2", width="1")  # inches, perhaps
    evidence = Evidence(two.load())
    marked = evidence.regions.set_index("finding")["unit_suspect"]
    assert marked.to_dict() == {"D1": False, "D2": False, "D3": True}
    assert len(evidence.tracks(("flap",), "moisture_disbond", "flight_hours")) == 2


def test_regions_have_the_sizes_of_the_findings(small_evidence):
    regions = small_evidence.regions
    plain = finding_regions(small_evidence.fleet)
    assert regions["finding"].tolist() == plain["finding"].tolist()
    assert regions["diameter_mm"].tolist() == plain["diameter_mm"].tolist()
    assert regions.groupby("track")["panel"].nunique().max() == 1


def test_what_was_worked_out_once_is_kept(small_evidence):
    assert small_evidence.regions is small_evidence.regions
    assert small_evidence.as_known_on("2019-06-30") is small_evidence.as_known_on("2019-06-30")
    assert small_evidence.up_to("2019-06-30") is small_evidence.up_to("2019-06-30")
    assert small_evidence.as_known_on(None) is small_evidence
    first, again = (
        small_evidence.track_growth(groups, "moisture_disbond", "calendar_days", ("linear",))
        for groups in (("flap", "spoiler", "cowl_door"), ("spoiler", "flap", "cowl_door"))
    )
    assert again is first
    assert first.draws(64, seed=1) is first.draws(64, seed=1)


def test_growth_is_that_of_the_sizes_as_mapped(small_evidence):
    groups = ("flap", "spoiler", "cowl_door")
    like = small_evidence.track_growth(groups, "moisture_disbond", "calendar_days", ("linear",)).likelihoods[
        0
    ]
    tracks = small_evidence.tracks(groups, "moisture_disbond", "calendar_days", 1.0)
    assert like.clock == "calendar_days"
    assert like.n_tracks == (tracks.groupby("track")["age"].nunique() > 1).sum()


def test_sizes_at_onset_come_from_the_first_find_by_tapping_of_each_life(small_evidence):
    groups = ("flap", "spoiler", "cowl_door")
    sizes = small_evidence.found_sizes(groups, "moisture_disbond", "calendar_days", BASIS)
    found = np.isfinite(sizes.histories.upper)
    assert 5 <= np.isfinite(sizes.diameter_mm).sum() <= found.sum()
    assert not np.isfinite(sizes.diameter_mm[~found]).any()


def test_zones_of_lives_are_zones_of_their_group(small_evidence):
    histories = small_evidence.histories(("flap",), "moisture_disbond", "calendar_days", BASIS)
    assert set(small_evidence.zones_of_lives(histories)) <= set(small_evidence.zones_of(("flap",)))


def test_evidence_as_known_on_a_day_and_of_the_events_up_to_it(two):
    two.find("A2", 800, kind="moisture_disbond", recorded=2000)
    evidence = Evidence(two.load())
    known = evidence.as_known_on(day(1000))
    later = evidence.up_to(day(1000))
    assert known.fleet.tables["findings"]["finding"].tolist() == ["D1", "D2"]
    assert later.fleet.tables["findings"]["finding"].tolist() == ["D1", "D2", "D4"]
    finds = [
        e.histories(("flap",), "moisture_disbond", "calendar_days", BASIS).n_finds
        for e in (known, later, evidence)
    ]
    assert finds == [1, 2, 2]


def test_planned_usage_is_averaged_over_the_aircraft_that_have_the_group(small_evidence):
    fleet = small_evidence.fleet
    subtypes = small_evidence.aircraft_of("flap")["subtype"]
    expected = fleet.planned_usage["flight_hours"].loc[subtypes.to_numpy()].mean() / 365.25
    per_day = small_evidence.units_per_day("flap")
    assert per_day["flight_hours"] == pytest.approx(expected)
    assert per_day["calendar_days"] == 1


def test_zones_of_groups(two):
    evidence = Evidence(two.load())
    assert evidence.zones_of(("flap",)) == ["Z1", "Z2"]
    for call in (evidence.zones_of, evidence.units_per_day):
        argument = ("wing",) if call == evidence.zones_of else "wing"
        with pytest.raises(
            ValueError, match=r"^`group` must be a group of the zones table\. Got wing\. Known are flap\.$"
        ):
            call(argument)


def test_the_fingerprint_is_that_of_the_fleet(small_evidence):
    assert small_evidence.fingerprint == small_evidence.fleet.fingerprint()


def test_a_day_before_anything_was_known_is_named_where_a_group_is_asked_for(small_evidence):
    with pytest.raises(
        ValueError, match=r"No zone was known on 1900-01-01: check the day of the question \(`known_on`\)\.$"
    ):
        small_evidence.as_known_on("1900-01-01").zones_of(("flap",))
