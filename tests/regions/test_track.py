"""The same damage mapped again shares a track; other damage does not."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from support import day

from kit.regions import finding_regions, mark_lives, track, tracked_regions


def boxes(*corners, **columns):
    """Regions of 10 by 10 at these lower left corners."""
    frame = pd.DataFrame({"geometry": [shapely.box(x, y, x + 10, y + 10) for x, y in corners]}, dtype=object)
    frame["age"] = np.arange(len(corners), dtype=float)
    frame["panel"] = "P1"
    return frame.assign(**columns)


def groups(tracks) -> set[frozenset]:
    """Rows that share a track, whatever its number."""
    return {frozenset(rows) for rows in pd.Series(tracks).groupby(pd.Series(tracks)).groups.values()}


def test_what_overlaps_shares_a_track_and_what_does_not_has_its_own():
    assert track(boxes((0, 0), (5, 5), (40, 0), (44, 0)))["track"].tolist() == [0, 0, 1, 1]


def test_a_chain_of_overlaps_is_one_damage():
    assert track(boxes((0, 0), (40, 0), (8, 0), (16, 0)))["track"].tolist() == [0, 1, 0, 0]


def test_two_damages_that_merge_share_a_track_from_the_first_on():
    frame = boxes((0, 0), (20, 0), (60, 0))
    frame.loc[3] = [shapely.box(5, 0, 25, 10), 3.0, "P1"]
    assert track(frame)["track"].tolist() == [0, 0, 1, 0]


def test_other_panels_and_other_lives_are_never_joined():
    frame = boxes((0, 0), (0, 0), (0, 0), (0, 0), panel=["P1", "P2", "P1", "P1"], life=[0, 0, 1, 1])
    assert track(frame)["track"].tolist() == [0, 1, 2, 2]


def test_without_panels_the_zone_says_where():
    frame = boxes((0, 0), (0, 0), (5, 5)).drop(columns="panel").assign(zone=["Z1", "Z2", "Z1"])
    assert track(frame)["track"].tolist() == [0, 1, 0]


def test_numbers_go_by_first_sight():
    frame = boxes((0, 0), (40, 0), (80, 0)).assign(age=[30.0, 10.0, 20.0])
    assert track(frame)["track"].tolist() == [2, 0, 1]
    by_date = frame.drop(columns="age").assign(
        found_on=pd.to_datetime(["2013-01-01", "2011-01-01", "2012-01-01"])
    )
    assert track(by_date)["track"].tolist() == [2, 0, 1]


def test_no_regions_have_no_tracks_and_one_has_one():
    assert track(boxes())["track"].tolist() == []
    assert track(boxes((3, 3)))["track"].tolist() == [0]


def test_a_missing_region_is_a_damage_of_its_own():
    frame = boxes((0, 0), (0, 0), (0, 0))
    frame.loc[1, "geometry"] = None
    assert track(frame)["track"].tolist() == [0, 1, 0]


def test_the_input_and_its_index_are_kept():
    frame = boxes((0, 0), (5, 5)).set_axis([7, 3])
    out = track(frame)
    assert "track" not in frame
    assert out.index.tolist() == [7, 3]


def test_a_missing_column_is_named():
    with pytest.raises(ValueError, match=r"^`regions` must have a column found_on\. Got geometry, panel\.$"):
        track(boxes((0, 0)).drop(columns="age"))


corners = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=20)


@given(corners, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(places, random):
    frame = boxes(*places)
    order = list(range(len(frame)))
    random.shuffle(order)
    assert groups(track(frame)["track"]) == groups(track(frame.iloc[order])["track"])


def by_brute_force(frame):
    """Join every pair that overlaps, until nothing changes."""
    shapes, label = frame["geometry"].tolist(), list(range(len(frame)))
    for i in range(len(frame)):
        for j in range(i):
            if shapes[i].intersects(shapes[j]) and label[i] != label[j]:
                old = label[i]
                label = [label[j] if one == old else one for one in label]
    return label


@pytest.mark.parametrize("n", [5, 64, 65, 150])
def test_few_and_many_regions_on_a_panel_are_joined_as_by_brute_force(n):
    rng = np.random.default_rng(n)
    side = np.sqrt(n) * 14
    frame = boxes(*rng.uniform(0, side, (n, 2)))
    assert 1 < len(groups(by_brute_force(frame))) < n
    assert groups(track(frame)["track"]) == groups(by_brute_force(frame))


def test_lives_are_counted_between_repairs_that_change_the_clock(hand):
    hand.aircraft("A1").panel("P1", "A1").panel("P2", "A1", zone="Z2")
    hand.repair(hand.find("A1", 100), 110, 0.0)
    hand.repair(hand.find("A1", 200), 200, 1.0)  # changes nothing
    hand.repair(hand.find("A1", 300), 300, 0.5)
    hand.find("A1", 400)
    hand.find("A1", 250, zone="Z2")
    fleet = hand.load()
    regions = mark_lives(finding_regions(fleet), fleet)
    # A find on the day of its own repair belongs to the life that the repair ended.
    lives = dict(zip(regions["found_on"].dt.strftime("%Y-%m-%d"), regions["life"], strict=True))
    assert lives == {day(100): 0, day(200): 1, day(300): 1, day(400): 2, day(250): 0}
    tracks = track(regions).set_index("found_on")["track"]
    assert tracks[day(200)] == tracks[day(300)]
    assert len(set(tracks)) == 4


def test_without_repairs_there_is_one_life(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100)
    fleet = hand.load()
    assert mark_lives(finding_regions(fleet), fleet)["life"].tolist() == [0]
    assert mark_lives(finding_regions(fleet).iloc[:0], fleet)["life"].tolist() == []


def test_kinds_are_joined_only_when_asked():
    frame = boxes((0, 0), (5, 5), (5, 5), kind=["moisture", "disbond", "moisture"])
    assert track(frame)["track"].tolist() == [0, 1, 0]
    assert track(frame, across_kinds=True)["track"].tolist() == [0, 0, 0]


def test_the_tracks_of_a_fleet_are_those_of_its_regions_by_life(demo_fleet):
    expected = track(mark_lives(finding_regions(demo_fleet), demo_fleet))
    pd.testing.assert_frame_equal(tracked_regions(demo_fleet), expected)
