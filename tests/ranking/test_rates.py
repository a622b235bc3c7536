"""Ranking of zones: exact Poisson bounds, exposure counted by hand, damage counted once."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from kit.numerics.poisson import poisson_bounds
from kit.ranking import rank_zones
from kit.ranking.rates import zone_exposure, zone_hours


def test_poisson_bounds_garwood_1936():
    """Table values to three decimals: 95 % for 10 events, and the upper one for none."""
    lower, upper = poisson_bounds([10, 0])
    assert lower[0] == pytest.approx(4.795, abs=5e-4)
    assert upper[0] == pytest.approx(18.390, abs=5e-4)
    assert lower[1] == 0
    assert upper[1] == pytest.approx(3.689, abs=5e-4)


@given(st.integers(1, 5000), st.floats(0.01, 0.999))
def test_poisson_bounds_are_the_chi_square_ones(count, level):
    lower, upper = poisson_bounds(count, level=level)
    tail = (1 - level) / 2
    assert float(lower) == pytest.approx(chi2.ppf(tail, 2 * count) / 2, rel=1e-9)
    assert float(upper) == pytest.approx(chi2.isf(tail, 2 * count + 2) / 2, rel=1e-9)
    assert lower < count < upper or level < 0.5


@pytest.mark.parametrize("level", [0, 1, -0.1, 1.5, np.nan])
def test_an_impossible_level_is_refused(level):
    with pytest.raises(ValueError, match=rf"^`level` must be above 0 and below 1\. Got {level!r}\.$"):
        poisson_bounds(3, level=level)


def test_a_negative_count_is_refused():
    with pytest.raises(
        ValueError, match=r"^`count` must not be negative\. Got -2; check what was counted\.$"
    ):
        poisson_bounds([3, -2])


def test_exposure_counted_by_hand(hand):
    """Two aircraft at 10 hours a day; A2's records begin on day 1000; Z1 of A1 is bare for 100 days."""
    hand.aircraft("A1").aircraft("A2", records_from=1000)
    hand.panel("P1", "A1", until=500).panel("P2", "A1", on=600).panel("P3", "A2")
    hand.panel("P4", "A1", zone="Z2")
    hand.clean("A1", 400, 700).card("A2", 1200).clean("A2", 1300, method="visual")
    exposure = zone_hours(hand.load())
    assert exposure.loc["Z1", "panel_flight_hours"] == pytest.approx(
        10 * (500 + (4017 - 600) + (4017 - 1000))
    )
    assert exposure.loc["Z2", "panel_flight_hours"] == pytest.approx(40170)
    assert exposure["looks"].to_dict() == {"Z1": 3, "Z2": 0}
    assert exposure["positions"].to_dict() == {"Z1": 2, "Z2": 1}
    # Z1 is 1000 by 500 mm, Z2 400 by 200 mm
    assert exposure["area_m2"].to_dict() == pytest.approx({"Z1": 1.0, "Z2": 0.08})


def test_hours_flown_count_where_the_readings_of_an_aircraft_end_long_before_the_cut_off(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.set("usage", "R2", read_on="2012-09-27", flight_hours="10000", flight_cycles="5000")  # day 1000
    hours = zone_hours(hand.load()).loc["Z1", "panel_flight_hours"]
    assert 10000 <= hours <= 10600  # usage is carried on for at most 60 days


def by_zone(fleet, kind="all", **options):
    frame = rank_zones(fleet, by="zone", **options)
    return frame.loc[frame["kind"] == kind].set_index("zone")


def test_damage_mapped_again_counts_once_and_damage_after_a_repair_anew(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 400)
    hand.find("A1", 800, size=40)  # the same damage, larger
    hand.find("A1", 800, at=(700, 300))  # another one
    hand.repair(hand.find("A1", 1200, size=50), 1200, 0.0)
    hand.find("A1", 1600)  # at the same place, after the repair
    hand.find("A1", 2000, at=(500, 400), disposition="not_confirmed")
    table = by_zone(hand.load())
    assert table.loc["Z1", ["finds", "findings"]].tolist() == [3, 5]
    assert table.loc["Z1", "per_1000_fh"] == pytest.approx(3 / 40.17)


def test_rates_are_finds_over_exposure_with_their_bounds(hand):
    hand.aircraft("A1").panel("P1", "A1").panel("P2", "A1", zone="Z2").clean("A1", 400).clean(
        "A1", 400, zone="Z2"
    )
    hand.find("A1", 800)
    table = by_zone(hand.load(), level=0.9)
    row = table.loc["Z1"]
    low, high = (float(x) for x in poisson_bounds(1, level=0.9))
    for name, base in (("per_1000_fh", 40.17), ("per_look", 2), ("per_m2", 0.5)):
        assert row[[name, f"{name}_lower", f"{name}_upper"]].tolist() == pytest.approx(
            [1 / base, low / base, high / base]
        )


def test_zones_without_finds_stay_in_the_table_with_an_upper_bound(hand):
    hand.aircraft("A1").panel("P1", "A1").panel("P2", "A1", zone="Z2").clean("A1", 400).clean(
        "A1", 400, zone="Z2"
    )
    table = by_zone(hand.load())
    assert table["finds"].to_dict() == {"Z1": 0, "Z2": 0}
    assert table["per_1000_fh_lower"].to_dict() == {"Z1": 0, "Z2": 0}
    assert (table["per_1000_fh_upper"] > 0).all()
    assert table["rank_by_rate"].tolist() == [1, 1]
    assert table["p_worst"].isna().all()  # nothing was found: no zone leads


def test_a_zone_without_any_exposure_has_no_rate_and_comes_last(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 400)
    table = by_zone(hand.load())
    assert table.index.tolist() == ["Z1", "Z2"]
    assert np.isnan(table.loc["Z2", "per_1000_fh"])
    assert np.isnan(table.loc["Z2", "p_worst"])


def damages(hand, zone, n, *, first_day=100):
    for k in range(n):
        hand.find("A1", first_day + k, zone=zone, at=(50 + 30 * (k % 10), 40 + 25 * (k // 10)), size=8)


@pytest.mark.parametrize(("few", "least", "most"), [(1, 0.95, 1.0), (18, 0.4, 0.75)])
def test_the_chance_to_lead_is_near_one_where_a_zone_leads_clearly_and_shared_where_it_does_not(
    hand, few, least, most
):
    """20 finds against 1, and against 18, over equal hours: overlap of bounds is no test, a chance is."""
    hand.aircraft("A1").panel("P1", "A1").panel("P2", "A1", zone="Z2")
    damages(hand, "Z1", 20)
    damages(hand, "Z2", few)
    table = by_zone(hand.load())
    assert table["finds"].to_dict() == {"Z1": 20, "Z2": few}
    assert least < table.loc["Z1", "p_worst"] <= most
    assert table["p_worst"].sum() == pytest.approx(1)
    assert table["rank_by_rate"].to_dict() == {"Z1": 1, "Z2": 2}


def test_rank_by_rate_is_not_rank_by_count(hand):
    """Z1 has more finds, on three aircraft; Z2 is on one."""
    for name in ("A1", "A2", "A3"):
        hand.aircraft(name).panel(f"P{name}", name)
    hand.panel("PZ", "A1", zone="Z2")
    damages(hand, "Z1", 4)
    damages(hand, "Z2", 3)
    table = by_zone(hand.load())
    assert table["rank_by_count"].to_dict() == {"Z1": 1, "Z2": 2}
    assert table["rank_by_rate"].to_dict() == {"Z1": 2, "Z2": 1}
    assert table.index.tolist() == ["Z2", "Z1"]


def test_kinds_add_up_to_all_and_groups_to_their_zones(small_evidence):
    fleet = small_evidence.fleet
    zones, groups = rank_zones(fleet, by="zone"), rank_zones(fleet, by="group")
    group_of = fleet.tables["zones"].set_index("zone")["group"]
    for name in ("finds", "findings", "panel_flight_hours", "looks", "area_m2"):
        every = zones[zones["kind"] == "all"]
        by_group = every.groupby(every["zone"].map(group_of))[name].sum()
        table = groups[groups["kind"] == "all"].set_index("group")[name]
        assert by_group.to_dict() == pytest.approx(table.to_dict())
    finds = zones.groupby(zones["kind"].where(zones["kind"] == "all", "each"))["finds"].sum()
    # Water has looks of its own; it stands beside, and is no part of what tapping finds.
    assert finds["all"] == finds["each"] - zones.loc[zones["kind"] == "moisture", "finds"].sum()
    assert zones.loc[zones["kind"] == "moisture", "finds"].sum() > 0


def test_kinds_asked_for_come_beside_all(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 400, kind="moisture_disbond")
    frame = rank_zones(hand.load(), kinds=["disbond", "moisture_disbond"])
    assert frame["kind"].tolist() == ["all", "disbond", "moisture_disbond"]
    assert frame["finds"].tolist() == [1, 0, 1]


def test_all_counts_the_kinds_asked_for_and_none_besides(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 400, kind="disbond")
    hand.find("A1", 600, kind="core_damage", at=(700, 300))
    hand.find("A1", 800, kind="moisture", method="thermography", at=(500, 400))
    fleet = hand.load()

    def count(kinds):
        return by_zone(fleet, kinds=kinds).loc["Z1", "finds"]

    assert (count(None), count([]), count(["disbond"]), count(["moisture"])) == (2, 2, 1, 1)
    assert count(["disbond", "core_damage", "moisture"]) == 3


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"by": "panel"}, r"^`by` must be zone or group\. Got 'panel'\.$"),
        ({"kinds": ["dent", "rust"]}, r"^`kinds` must be among disbond, moisture.*\. Got rust\.$"),
    ],
)
def test_what_is_unknown_is_refused(hand, options, message):
    with pytest.raises(ValueError, match=message):
        rank_zones(hand.aircraft("A1").panel("P1", "A1").load(), **options)


def test_the_earlier_name_of_the_hours_still_works_and_says_the_new_one(hand):
    fleet = hand.aircraft("A1").panel("P1", "A1").load()
    with pytest.warns(DeprecationWarning, match="`zone_exposure` is now `zone_hours`"):
        earlier = zone_exposure(fleet)
    pd.testing.assert_frame_equal(earlier, zone_hours(fleet))
