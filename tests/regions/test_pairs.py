"""Which regions touch, and the distance to the nearest other one, against all pairs."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from kit.regions.measure.pairs import neighbour_distance, touching


def by_all_pairs(shapes, place):
    """Distances to the nearest other region of the same place, from all of them."""
    out = np.full(len(shapes), np.nan)
    for i in range(len(shapes)):
        others = np.flatnonzero((place == place[i]) & (np.arange(len(shapes)) != i))
        gaps = shapely.distance(shapes[i], shapes[others])
        out[i] = np.nan if np.isnan(gaps).all() else np.nanmin(gaps)
    return out


def blobs(rng, n, *, sizes, side):
    radius = rng.choice(sizes, n) * rng.uniform(0.7, 1.3, n)
    turn = np.linspace(0, 2 * np.pi, 9)[:-1]
    ring = np.stack([np.cos(turn), 0.5 * np.sin(turn)], axis=-1)
    return shapely.polygons(rng.uniform(0, side, (n, 1, 2)) + radius[:, None, None] * ring)


@pytest.mark.parametrize("sizes", [[10.0], [1.0, 80.0], [2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 2.0, 900.0]], ids=str)
@pytest.mark.parametrize("n_places", [1, 7, 150])
def test_the_nearest_other_region_is_found_whatever_the_sizes(sizes, n_places):
    rng = np.random.default_rng(3)
    shapes = blobs(rng, 400, sizes=sizes, side=4000)
    shapes[rng.integers(0, 400, 5)] = None
    place = rng.integers(0, n_places, 400)
    expected = by_all_pairs(shapes, place)
    np.testing.assert_array_equal(neighbour_distance(shapes, place), expected)
    assert (expected > 0).any()


def test_a_region_far_larger_than_its_neighbours_is_near_though_its_middle_is_far():
    """A strip across the panel; ten small regions stand together at one end of it, 3 mm away."""
    small = [shapely.box(30 * k, 13, 30 * k + 20, 33) for k in range(10)]
    strip = shapely.box(0, 0, 5000, 10)
    found = neighbour_distance(np.array([*small, strip], dtype=object), np.zeros(11, int))
    assert found.tolist() == pytest.approx([3.0] * 11, rel=1e-12)


def test_equal_regions_are_neighbours_at_0():
    box = shapely.box(0, 0, 1, 1)
    assert neighbour_distance(np.array([box, box, box], dtype=object), np.array([0, 0, 1]))[:2].tolist() == [
        0,
        0,
    ]


lattice = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(0, 1)), max_size=30)


@given(lattice)
def test_pairs_that_touch_are_those_of_all_pairs(places):
    shapes = np.array([shapely.box(x, y, x + 6, y + 4) for x, y, _ in places], dtype=object)
    where = np.array([p for *_, p in places], dtype=np.intp)
    found = set(zip(*(side.tolist() for side in touching(shapes, where)), strict=True))
    n = len(places)
    assert found == {
        (i, j)
        for i in range(n)
        for j in range(i + 1, n)
        if where[i] == where[j] and shapes[i].intersects(shapes[j])
    }
    np.testing.assert_array_equal(neighbour_distance(shapes, where), by_all_pairs(shapes, where))
