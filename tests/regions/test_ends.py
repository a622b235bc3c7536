"""What became of each damage after its last mapping."""

import pandas as pd
import pytest
from support import day

from kit.regions import track_ends, track_graph, tracked_regions


def ends_of(hand):
    fleet = hand.load()
    return track_ends(track_graph(tracked_regions(fleet)), fleet).set_index("finding")


def only(hand):
    frame = ends_of(hand)
    assert len(frame) == 1
    row = frame.iloc[0]
    return (
        row["why"],
        None if pd.isna(row["why_on"]) else f"{row['why_on']:%Y-%m-%d}",
        int(row["looks_after"]),
    )


@pytest.fixture
def one(hand):
    """Return a panel with a damage mapped on days 100 and 200."""
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100)
    hand.last = hand.find("A1", 200)
    return hand


def test_a_damage_found_at_the_last_look_is_seen_at_the_last_look(one):
    assert only(one) == ("seen at the last look", None, 0)


def test_a_lasting_repair_ends_it_and_a_temporary_one_does_not(one):
    one.repair(one.last, 210, 1.0)
    one.clean("A1", 300)
    assert only(one) == ("repaired", day(210), 1)
    one.rows["repairs"][0]["repair_class"] = "temporary"
    assert only(one) == ("not found again", day(300), 1)


def test_a_repair_before_the_last_mapping_is_not_its_end(one):
    one.repair("D1", 110, 1.0)
    assert only(one) == ("seen at the last look", None, 0)


def test_the_repair_of_another_damage_counts_where_its_outline_touches(one):
    other = one.find("A1", 200, at=(800, 400))
    one.repair(other, 210, 1.0)
    assert ends_of(one)["why"].tolist() == ["seen at the last look", "repaired"]
    one.rows["repairs"][0]["region"] = "POLYGON ((150 50, 900 50, 900 450, 150 450, 150 50))"
    assert ends_of(one)["why"].tolist() == ["repaired", "repaired"]


def test_a_later_look_that_covers_the_place_says_not_found_again_and_one_that_does_not_says_nothing(one):
    one.clean("A1", 300)
    one.rows["inspections"][-1]["coverage"] = "POLYGON ((500 0, 900 0, 900 400, 500 400, 500 0))"
    assert only(one) == ("not looked at since", None, 0)
    one.clean("A1", 400)
    one.rows["inspections"][-1]["coverage"] = "POLYGON ((0 0, 900 0, 900 400, 0 400, 0 0))"
    assert only(one) == ("not found again", day(400), 1)
    one.clean("A1", 350)  # the whole panel
    assert only(one) == ("not found again", day(350), 2)


def test_a_removed_panel_says_so_unless_it_is_fitted_again(one):
    one.rows["panels"][0].update(removed_on=day(500), recorded_on=day(500))
    assert only(one) == ("panel removed", day(500), 0)
    one.panel("P1", "A1", on=600, state="unknown")
    assert only(one) == ("seen at the last look", None, 0)
    one.clean("A1", 700)
    assert only(one) == ("not found again", day(700), 1)


def test_damage_mapped_again_in_a_later_life_or_as_another_kind_goes_on(one):
    other = one.find("A1", 200, at=(800, 400))
    one.repair(other, 210, 0.0)
    again = one.find("A1", 300)
    frame = ends_of(one)
    assert frame.loc[one.last, ["why", "why_on"]].tolist() == [
        "mapped again in a later life",
        pd.Timestamp(day(300)),
    ]
    assert frame.loc[again, "why"] == "seen at the last look"
    one.rows["findings"][-1]["kind"] = "moisture_disbond"
    assert ends_of(one).loc[one.last, "why"] == "found as another kind"


def test_the_part_of_a_split_that_is_not_mapped_again_ends_before_its_track(one):
    left = one.find("A1", 300, at=(190, 100), size=8)
    one.find("A1", 300, at=(210, 100), size=8)
    right = one.find("A1", 400, at=(210, 100), size=8)
    frame = ends_of(one)
    assert sorted(frame.index) == sorted([left, right])
    assert frame["track"].nunique() == 1
    assert frame.loc[left, ["ends_track", "why"]].tolist() == [False, "not found again"]
    assert frame.loc[right, ["ends_track", "why"]].tolist() == [True, "seen at the last look"]


def test_regions_without_tracks_are_refused(one):
    graph = track_graph(tracked_regions(one.load()).drop(columns="finding"))
    with pytest.raises(
        ValueError,
        match=r"^`regions` must have a column finding\. Got panel, .*; take them from `tracked_regions`\.$",
    ):
        track_ends(graph, one.load())


def test_every_track_of_the_demo_has_one_end_at_least(demo_fleet):
    graph = track_graph(tracked_regions(demo_fleet))
    ends = track_ends(graph, demo_fleet)
    assert set(ends["track"]) == set(graph.regions["track"])
    assert set(ends.loc[ends["ends_track"], "track"]) == set(ends["track"])
    assert ends["why"].notna().all()
