"""Which region became which over repeat looks, with merges, splits and other kinds."""

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from kit.regions import equivalent_diameter, finding_regions, track, track_graph


def mapped(*rows, **columns):
    """Boxes of a panel by look: age, west, south, east, north."""
    frame = pd.DataFrame({"geometry": [shapely.box(*box) for _, *box in rows]}, dtype=object)
    frame["age"] = np.array([age for age, *_ in rows], dtype=float)
    return frame.assign(panel="P1", **columns)


def edges(graph):
    return {(a, b): how for a, b, how in graph.edges[["earlier", "later", "how"]].itertuples(index=False)}


def test_a_chain_is_joined_look_by_look_and_not_across():
    graph = track_graph(mapped((1, 0, 0, 10, 10), (2, 0, 0, 12, 10), (3, 0, 0, 20, 10)))
    assert edges(graph) == {(0, 1): "same", (1, 2): "same"}
    assert graph.edges["overlap_mm2"].tolist() == [100, 120]
    assert graph.edges["share_of_earlier"].tolist() == [1, 1]
    assert graph.edges["share_of_later"].tolist() == pytest.approx([100 / 120, 0.6])


def test_two_that_merge_and_one_that_splits():
    merge = mapped((1, 0, 0, 10, 10), (1, 20, 0, 30, 10), (2, 5, 0, 25, 10))
    assert edges(track_graph(merge)) == {(0, 2): "merge", (1, 2): "merge"}
    split = mapped((1, 5, 0, 25, 10), (2, 0, 0, 10, 10), (2, 20, 0, 30, 10))
    assert edges(track_graph(split)) == {(0, 1): "split", (0, 2): "split"}
    both = mapped((1, 0, 0, 10, 10), (1, 20, 0, 30, 10), (2, 5, 0, 25, 10), (2, 28, 0, 40, 10))
    assert edges(track_graph(both)) == {(0, 2): "merge", (1, 2): "merge and split", (1, 3): "split"}
    assert track_graph(both).regions["track"].tolist() == [0] * 4


def test_a_damage_that_one_look_passed_over_is_joined_to_its_next_mapping():
    """The right one is missing at the second look; the third shows both grown together."""
    graph = track_graph(mapped((1, 0, 0, 10, 10), (1, 20, 0, 30, 10), (2, 0, 0, 12, 10), (3, 0, 0, 30, 10)))
    assert edges(graph) == {(0, 2): "same", (2, 3): "merge", (1, 3): "merge"}


def test_regions_of_one_look_that_overlap_are_no_edge_but_one_track_and_one_size():
    graph = track_graph(mapped((1, 0, 0, 10, 10), (1, 5, 0, 15, 10), (2, 0, 0, 16, 10)))
    assert edges(graph) == {(0, 2): "merge", (1, 2): "merge"}
    frame = graph.to_frame()
    assert frame["n_regions"].tolist() == [2, 1]
    assert frame["area_mm2"].tolist() == [150, 160]
    np.testing.assert_allclose(frame["diameter_mm"], equivalent_diameter([150, 160]))


def test_bounds_of_a_size_go_with_the_union():
    rows = mapped((1, 0, 0, 10, 10), (1, 5, 0, 15, 10), (2, 0, 0, 16, 10))
    rows["diameter_lower_mm"] = equivalent_diameter([80, 80, 150])
    rows["diameter_upper_mm"] = equivalent_diameter([120, 120, 170])
    frame = track_graph(rows).to_frame()
    np.testing.assert_allclose(frame["diameter_lower_mm"], equivalent_diameter([160 * 0.75, 150]))
    np.testing.assert_allclose(frame["diameter_upper_mm"], equivalent_diameter([240 * 0.75, 170]))


def test_kinds_are_not_joined_but_their_first_contact_is_told():
    rows = mapped(
        (1, 0, 0, 20, 20), (2, 0, 0, 22, 20), (2, 5, 5, 10, 10), (3, 5, 5, 12, 12), (3, 0, 0, 23, 20),
        kind=["moisture", "moisture", "disbond", "disbond", "moisture"],
    )  # fmt: skip
    graph = track_graph(rows)
    assert graph.regions["track"].tolist() == track(rows)["track"].tolist() == [0, 0, 1, 1, 0]
    assert edges(graph) == {(0, 1): "same", (1, 4): "same", (2, 3): "same", (0, 2): "other kind"}
    together = track_graph(rows, across_kinds=True)
    assert together.regions["track"].tolist() == track(rows, across_kinds=True)["track"].tolist() == [0] * 5
    assert "other kind" not in set(together.edges["how"])


def test_other_lives_and_panels_share_no_edge():
    rows = mapped((1, 0, 0, 9, 9), (2, 0, 0, 9, 9), (3, 0, 0, 9, 9), life=[0, 1, 1])
    assert edges(track_graph(rows)) == {(1, 2): "same"}
    assert edges(track_graph(rows.assign(panel=["P1", "P2", "P3"]))) == {}


def test_no_regions_and_missing_shapes_have_no_edges():
    assert len(track_graph(mapped()).edges) == 0
    assert track_graph(mapped()).to_frame().empty
    rows = mapped((1, 0, 0, 9, 9), (2, 0, 0, 9, 9))
    rows.loc[1, "geometry"] = None
    graph = track_graph(rows)
    assert edges(graph) == {}
    assert np.isnan(graph.to_frame()["area_mm2"][1])


def test_its_short_form_counts():
    graph = track_graph(mapped((1, 0, 0, 10, 10), (1, 20, 0, 30, 10), (2, 5, 0, 25, 10)))
    assert repr(graph) == "TrackGraph(3 regions, 1 tracks, 2 edges: 2 merge)"


def test_sizes_are_shown_against_the_age_of_the_panel(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, size=30)
    hand.find("A1", 200, size=40)
    fleet = hand.load()
    frame = track_graph(finding_regions(fleet), fleet=fleet, clock="flight_hours").to_frame()
    assert frame["age"].tolist() == [1000, 2000]
    assert frame["panel"].tolist() == ["P1", "P1"]
    np.testing.assert_allclose(frame["diameter_mm"], np.array([30, 40]) / np.sqrt(2))


def test_a_clock_that_cannot_be_used_is_refused(hand):
    rows = mapped((1, 0, 0, 9, 9))
    with pytest.raises(
        ValueError, match=r"^`clock` must be one of flight_hours, .* Got 'hours'; correct the name\.$"
    ):
        track_graph(rows, clock="hours")
    with pytest.raises(
        ValueError,
        match=r"^`clock` must come with `fleet` .* Got fleet=None and the columns geometry, age, panel\.$",
    ):
        track_graph(rows, clock="flight_hours")


looks = st.lists(
    st.tuples(
        st.integers(1, 4), st.integers(0, 40), st.integers(0, 12), st.sampled_from(["disbond", "moisture"])
    ),
    min_size=1,
    max_size=16,
)


@pytest.mark.long
@given(looks, st.randoms(use_true_random=False), st.booleans())
def test_the_graph_is_that_of_all_triples_whatever_the_order_of_the_rows(rows, random, across_kinds):
    frame = mapped(*[(age, x, y, x + 8, y + 8) for age, x, y, _ in rows], kind=[kind for *_, kind in rows])
    order = list(range(len(frame)))
    random.shuffle(order)
    graph = track_graph(frame, across_kinds=across_kinds)
    again = track_graph(frame.iloc[order], across_kinds=across_kinds)
    # Which of several first contacts of two kinds on one day is named goes by the rows; that there is one does not.
    own = graph.edges["how"] != "other kind"
    own_again = again.edges["how"] != "other kind"
    keys = ["earlier", "later", "how"]
    assert set(graph.edges.loc[own, keys].itertuples(index=False, name=None)) == set(
        again.edges.loc[own_again, keys].itertuples(index=False, name=None)
    )
    assert (~own).sum() == (~own_again).sum()
    shape, age, kind = frame["geometry"].tolist(), frame["age"].tolist(), frame["kind"].tolist()
    n = range(len(frame))

    def link(i, j):
        return age[i] < age[j] and (across_kinds or kind[i] == kind[j]) and shape[i].intersects(shape[j])

    expected = {(i, j) for i in n for j in n if link(i, j) and not any(link(i, k) and link(k, j) for k in n)}
    assert set(graph.edges.loc[own, ["earlier", "later"]].itertuples(index=False, name=None)) == expected
    tracks = graph.regions["track"].to_numpy()
    for i, j in expected:
        assert tracks[i] == tracks[j]
    np.testing.assert_array_equal(tracks, track(frame, across_kinds=across_kinds)["track"])


@given(looks)
def test_equal_rows_are_one_damage_with_the_same_sizes(rows):
    frame = mapped(*[(age, x, y, x + 8, y + 8) for age, x, y, _ in rows])
    twice = pd.concat([frame, frame], ignore_index=True)
    tracks = track(twice)["track"].to_numpy().reshape(2, -1)
    np.testing.assert_array_equal(tracks[0], tracks[1])
    once, double = (track_graph(some).to_frame() for some in (frame, twice))
    np.testing.assert_array_equal(double["n_regions"], 2 * once["n_regions"])
    np.testing.assert_allclose(double["area_mm2"], once["area_mm2"], rtol=1e-12)


def test_a_thousand_looks_at_overlapping_damage_are_one_chain():
    """No look is joined past the next one, however long the chain of overlaps."""
    graph = track_graph(mapped(*[(age, 0, 0, 100 + age, 100) for age in range(300)]))
    assert len(graph.edges) == 299
    assert set(graph.edges["how"]) == {"same"}
