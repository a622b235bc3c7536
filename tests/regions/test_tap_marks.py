"""Dull taps on a grid become a region between two bounds."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.regions import ellipses, tap_mark_outlines
from kit.regions.make.lattice import OFF_GRID

P = 25.0
BASIS = {
    "square": P * np.eye(2),
    "rows": P * np.array([[1.6, 0], [0, 1]]),
    "triangular": P * np.array([[1, 0], [0.5, np.sqrt(0.75)]]),
}


def taps(kind, *, turn=0.0, phase=(0.0, 0.0), n=9, jitter=None):
    """Return taps about the origin on a grid turned and moved."""
    i, j = np.meshgrid(np.arange(-n, n + 1), np.arange(-n, n + 1))
    index = np.stack([i.ravel(), j.ravel()], axis=-1) + np.asarray(phase)
    points = index @ BASIS.get(kind, BASIS["square"])
    if jitter is not None:
        points = points + jitter.uniform(-0.3 * P, 0.3 * P, points.shape)
    cos, sin = np.cos(turn), np.sin(turn)
    return points @ np.array([[cos, sin], [-sin, cos]])


def shapes_of(found):
    return np.array([found.inner, found.best, found.outer], dtype=object)


def areas(found):
    return [found.inner.area, found.best.area, found.outer.area]


def marked(kind, dull, **keywords):
    """Return the outlines of a grid of 5 by 5 taps with the dull ones named by column and row from 0."""
    i, j = np.meshgrid(np.arange(5), np.arange(5))
    index = np.stack([i.ravel(), j.ravel()], axis=-1)
    points = index @ BASIS[kind]
    is_dull = [(a, b) in dull for a, b in index.tolist()]
    return tap_mark_outlines(points[:, 0], points[:, 1], is_dull, **keywords)


@pytest.mark.parametrize(
    ("dull", "expected"),
    [
        ([(2, 2)], [0, 1, 4]),
        ([(1, 1), (2, 1)], [0, 2, 6]),
        ([(1, 1), (2, 1), (1, 2)], [0.5, 3, 8]),
        ([(1, 1), (2, 1), (1, 2), (2, 2)], [1, 4, 9]),
        ([(1, 1), (2, 2)], [0, 2, 7]),
    ],
)
def test_areas_on_a_square_grid_that_can_be_counted(dull, expected):
    found = marked("square", dull)
    assert np.array(areas(found)) / P**2 == pytest.approx(expected)
    assert (found.grid, found.pitch_mm, found.n_dull, found.n_taps) == ("square", P, len(dull), 25)
    assert not found.open_edge
    assert shapely.is_valid(shapes_of(found)).all()


def test_areas_on_a_triangular_grid_that_can_be_counted():
    triangle = np.sqrt(3) / 4 * P**2
    for dull, expected in (([(2, 2)], [0, 2, 6]), ([(2, 2), (3, 2), (2, 3)], [1, 6, 13])):
        found = marked("triangular", dull)
        assert np.array(areas(found)) / triangle == pytest.approx(expected)
        assert found.grid == "triangular"


def test_the_cells_of_rows_and_columns_of_unequal_steps_are_rectangles():
    found = marked("rows", [(2, 2), (3, 2)])
    assert found.best.bounds == pytest.approx((60, 37.5, 140, 62.5))
    assert found.pitch_mm == pytest.approx(np.sqrt(40 * 25))


def test_a_hole_is_kept_and_no_clear_tap_is_within_the_outer_bound():
    ring = [(i, j) for i in (1, 2, 3) for j in (1, 2, 3) if (i, j) != (2, 2)]
    found = marked("square", ring)
    assert np.array([found.inner.area, found.best.area]) / P**2 == pytest.approx([2, 8])
    assert len(found.best.interiors) == 1
    assert found.outer.area / P**2 == pytest.approx(16, abs=1e-3)
    assert not found.outer.contains(shapely.Point(50, 50))
    assert found.outer.contains(shapely.Point(51, 50))


def test_all_three_shapes_are_clipped_by_the_outline():
    panel = shapely.box(-10, -10, 110, 60)
    found = marked("square", [(0, 2), (1, 2), (0, 3), (1, 3)], outline=panel)
    assert all(panel.covers(shape) for shape in shapes_of(found))
    assert areas(found) == pytest.approx([25 * 10, 47.5 * 22.5, 60 * 35])


def test_the_outer_bound_is_open_where_the_dull_area_reaches_the_border_of_what_was_tapped():
    edge = [(0, 2), (1, 2)]
    assert marked("square", edge).open_edge
    assert marked("square", edge, outline=shapely.box(-60, -60, 160, 160)).open_edge
    assert not marked("square", edge, outline=shapely.box(-20, -60, 160, 160)).open_edge
    assert not marked("square", edge, outline=shapely.box(-25, -60, 160, 160)).open_edge
    assert not marked("square", [(1, 2)]).open_edge
    assert "or more" in repr(marked("square", edge))


def test_a_place_in_the_grid_that_was_not_tapped_opens_the_bound():
    points = taps("square", n=3)
    dull = np.hypot(*points.T) < 30
    there = np.hypot(points[:, 0] - 50, points[:, 1]) > 5
    found = tap_mark_outlines(*points.T, dull, tapped=there)
    assert found.open_edge
    assert found.n_taps == 48
    assert not tap_mark_outlines(*points.T, dull).open_edge


def test_no_dull_tap_gives_empty_shapes():
    found = marked("square", [])
    assert shapely.is_empty(shapes_of(found)).all()
    assert (found.n_dull, found.open_edge) == (0, False)
    assert found.to_frame()["area_mm2"].tolist() == [0, 0, 0]


def test_where_all_taps_are_dull_the_bound_is_open_and_ends_a_step_outside():
    found = marked("square", [(i, j) for i in range(5) for j in range(5)])
    assert np.array(areas(found)) / P**2 == pytest.approx([16, 25, 36])
    assert found.open_edge


def test_taps_on_one_line_have_square_cells_and_an_open_bound():
    found = tap_mark_outlines(P * np.arange(7), np.zeros(7), [0, 0, 1, 1, 0, 0, 0])
    assert np.array(areas(found)) / P**2 == pytest.approx([0, 2, 6])
    assert found.open_edge
    uneven = tap_mark_outlines([0.0, 10, 35, 47, 90], np.zeros(5), [0, 1, 1, 0, 0])
    assert uneven.grid == "irregular"
    assert uneven.inner.area == 0
    assert 0 < uneven.best.area < uneven.outer.area


def test_one_tap_needs_a_pitch():
    with pytest.raises(ValueError, match="`pitch` must be given where one place was tapped"):
        tap_mark_outlines([1.0, 1.0], [2.0, 2.0], [True, True])
    assert tap_mark_outlines([1.0], [2.0], [True], pitch=10.0).best.bounds == pytest.approx((-4, -3, 6, 7))


def test_of_two_taps_at_one_place_one_dull_is_enough():
    points = taps("square", n=2)
    x, y = [*points[:, 0], 0.0], [*points[:, 1], 0.0]
    found = tap_mark_outlines(x, y, [False] * 25 + [True])
    assert (found.n_taps, found.n_dull) == (25, 1)
    assert found.best.area == pytest.approx(P**2)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            ([0, np.nan], [0, 1], [True, False]),
            r"`x` and `y` must be finite \[mm\]. 1 of 2 taps are not, first tap 1",
        ),
        (([0, 1], [0, 1], [True, np.nan]), "`dull` must be true or false for each tap"),
        (([0, 1], [0, 1], [True]), "Got 2, 2, 1, 1 values"),
        (([], [], []), "`x` and `y` must have a tap at least"),
    ],
)
def test_taps_that_make_no_sense_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        tap_mark_outlines(*arguments)
    with pytest.raises(ValueError, match="`pitch` must be positive and finite"):
        tap_mark_outlines([0, 1], [0, 1], [True, False], pitch=-1.0)


def truth(rng, what):
    """Return a region that a grid of 25 mm resolves, as a polygon about the origin."""
    if what == "disc":
        size = rng.uniform(40, 160)
        axes = (size, size)
    else:
        axes = (rng.uniform(80, 200), rng.uniform(50, 80))
    turn = rng.uniform(0, 180)
    one = ellipses(*(np.array([float(v)]) for v in (0, 0, *axes, turn)))[0]
    if what != "blobs":
        return one
    far = rng.uniform(-80, 80, (2, 2))
    more = ellipses(*far.T, rng.uniform(50, 100, 2), np.full(2, 50.0), rng.uniform(0, 180, 2))
    return shapely.union_all([one, *more])


@pytest.mark.parametrize("n", [30, pytest.param(150, marks=pytest.mark.long)])
@pytest.mark.parametrize("kind", ["square", "triangular", "irregular"])
@pytest.mark.parametrize("what", ["disc", "ellipse", "blobs"])
def test_the_bounds_hold_the_true_area_of_a_region_that_the_grid_resolves(kind, what, n):
    """Simulation, seed fixed: n regions at random places on grids turned at random."""
    rng = np.random.default_rng(21)
    for _ in range(n):
        jitter = rng if kind == "irregular" else None
        points = taps(kind, turn=rng.uniform(0, np.pi), phase=rng.uniform(-1, 1, 2), jitter=jitter)
        region = truth(rng, what)
        found = tap_mark_outlines(*points.T, shapely.intersects_xy(region, *points.T))
        assert found.grid == kind
        assert found.inner.area <= region.area <= found.outer.area
        assert shapely.is_valid(shapes_of(found)).all()
        assert found.inner.difference(found.best).area < 1e-6
        assert found.best.difference(found.outer).area < 1e-6 + 4e-4 * P**2 * found.n_taps


@pytest.mark.long
@pytest.mark.parametrize("kind", ["square", "triangular", "irregular"])
def test_the_best_area_has_no_bias_over_random_phases(kind):
    """Simulation, seed fixed: 1,000 phases of a disc 2.4 steps across; the mean is within 3 standard errors."""
    rng = np.random.default_rng(5)
    disc = ellipses(*(np.array([float(v)]) for v in (0, 0, 60, 60, 0)))[0]
    ratio = []
    for _ in range(1000 if kind != "irregular" else 300):
        jitter = rng if kind == "irregular" else None
        points = taps(kind, turn=rng.uniform(0, np.pi), phase=rng.uniform(-1, 1, 2), n=4, jitter=jitter)
        found = tap_mark_outlines(*points.T, shapely.intersects_xy(disc, *points.T))
        ratio.append(found.best.area / disc.area)
    error = np.std(ratio) / np.sqrt(len(ratio))
    assert error < 0.015
    assert abs(np.mean(ratio) - 1) < 3 * error


dull_sets = st.sets(st.integers(0, 48), max_size=49)


@settings(max_examples=40)
@given(
    dull_sets, st.sampled_from(["square", "triangular", "rows"]), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)
)
def test_moving_turning_and_scaling_the_taps_moves_turns_and_scales_the_shapes(dull, kind, dx, dy):
    points = taps(kind, n=3)
    is_dull = np.isin(np.arange(49), list(dull))
    one = tap_mark_outlines(*points.T, is_dull)
    ways = (
        (lambda at: at + np.array([dx, dy]), 1.0),
        (lambda at: at @ np.array([[0.0, 1], [-1, 0]]), 1.0),
        (lambda at: at / 25.4, 1 / 25.4),
    )
    for way, scale in ways:
        other = tap_mark_outlines(*way(points).T, is_dull)
        assert (other.grid, other.open_edge, other.n_dull) == (one.grid, one.open_edge, one.n_dull)
        assert other.pitch_mm == pytest.approx(one.pitch_mm * scale)
        moved = shapely.transform(shapes_of(one), way)
        # A spot has corners on its sides where it begins: turned, it is not the same many-sided shape.
        slack = 1e-6 + 1e-4 * (one.pitch_mm * scale) ** 2 * len(points)
        assert (shapely.area(shapely.symmetric_difference(shapes_of(other), moved)) < slack).all()


@settings(max_examples=25)
@given(dull_sets, st.sampled_from(["square", "triangular", "irregular"]), st.permutations(range(49)))
def test_the_order_of_taps_does_not_matter(dull, kind, order):
    jitter = np.random.default_rng(2) if kind == "irregular" else None
    points, is_dull = taps(kind, n=3, jitter=jitter), np.isin(np.arange(49), list(dull))
    one, other = (tap_mark_outlines(*points[at].T, is_dull[at]) for at in (np.arange(49), np.array(order)))
    assert repr(one) == repr(other)
    assert shapely.equals(shapes_of(one), shapes_of(other)).all()


@settings(max_examples=25)
@given(dull_sets, st.floats(0, 3.2), st.integers(0, 2**16))
def test_taps_a_little_off_their_places_are_still_on_the_grid(dull, turn, seed):
    rng = np.random.default_rng(seed)
    points, is_dull = taps("square", turn=turn, n=3), np.isin(np.arange(49), list(dull))
    off = 0.5 * OFF_GRID * P * rng.uniform(-1, 1, points.shape)
    found = tap_mark_outlines(*(points + off).T, is_dull)
    assert found.grid == "square"
    assert found.best.area == pytest.approx(len(dull) * P**2, rel=0.05)


def test_a_pitch_that_is_given_is_that_of_the_cells():
    found = tap_mark_outlines([0.0, 100], [0.0, 0], [True, False], pitch=20.0)
    assert found.best.area == pytest.approx(400)
    assert found.open_edge
