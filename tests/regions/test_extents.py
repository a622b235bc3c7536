"""The smallest rectangle and the longest chord, against shapely, for many shapes at once."""

import numpy as np
import pytest
import shapely

from kit.regions.measure.extents import extents


def radial(rng, n, *, low, corners=(5, 25)):
    """Polygons about a middle, their corners between low and 1 times 30 from it."""
    out = []
    for _ in range(n):
        m = rng.integers(*corners)
        turn = 2 * np.pi * (np.arange(m) + rng.uniform(0, 0.8, m)) / m
        far = 30 * rng.uniform(low, 1, m)
        out.append(
            shapely.Polygon(
                np.column_stack([far * np.cos(turn), far * np.sin(turn)]) + rng.uniform(0, 5000, 2)
            )
        )
    return out


def combs(rng, n):
    """Shapes that no point inside sees whole: a spine with teeth, at any angle."""
    out = []
    for _ in range(n):
        teeth = [shapely.box(5 * k, 0, 5 * k + 2, rng.uniform(5, 40)) for k in range(4)]
        comb = shapely.union_all([shapely.box(0, -3, 17, 0), *teeth])
        out.append(shapely.affinity.rotate(comb, rng.uniform(0, 360)))
    return out


def shapes_of(name):
    rng = np.random.default_rng(7)
    if name == "convex":
        return [shapely.convex_hull(shape) for shape in radial(rng, 300, low=0.8)]
    if name == "bent in":
        return radial(rng, 300, low=0.1)
    if name == "clockwise":
        return [shapely.reverse(shape) for shape in radial(rng, 200, low=0.3)]
    if name == "combs":
        return combs(rng, 200)
    if name == "holes":
        return [shape.difference(shape.centroid.buffer(3)) for shape in radial(rng, 100, low=0.7)]
    if name == "parts":
        return [
            shapely.multipolygons([a, b])
            for a, b in zip(radial(rng, 60, low=0.5), radial(rng, 60, low=0.5), strict=True)
        ]
    return [shape.buffer(8, quad_segs=12) for shape in radial(rng, 60, low=0.5)]


@pytest.mark.parametrize(
    "name", ["convex", "bent in", "clockwise", "combs", "holes", "parts", "many corners"]
)
def test_rectangle_and_chord_are_those_of_shapely_and_of_all_pairs(name):
    shapes = np.array(shapes_of(name), dtype=object)
    length, width, chord = extents(shapes).T
    rectangle = shapely.area(shapely.minimum_rotated_rectangle(shapes))
    np.testing.assert_allclose(length * width, rectangle, rtol=1e-9)
    for shape, found in zip(shapes, chord, strict=True):
        corners = shapely.get_coordinates(shape)
        assert found == pytest.approx(np.hypot(*(corners[:, None] - corners[None]).T).max(), rel=1e-12)


def test_sides_are_those_of_shapely_or_those_of_a_longer_rectangle_as_small():
    """Two edges of a triangle of corners that reaches furthest both ways carry equally small rectangles."""
    shapes = np.array(shapes_of("bent in"), dtype=object)
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapes)).reshape(-1, 5, 2)
    sides = np.sort(np.hypot(*np.diff(corners[:, :3], axis=1).transpose(2, 0, 1)), axis=1)
    length, width, _ = extents(shapes).T
    np.testing.assert_allclose(length * width, sides.prod(axis=1), rtol=1e-9)
    assert (length >= sides[:, 1] * (1 - 1e-9)).all()
    assert np.isclose(length, sides[:, 1], rtol=1e-9).sum() > 250


def test_one_ring_twice_round_and_a_crossed_one_are_measured_by_their_hull():
    turn = 2 * np.pi * 2 * np.arange(5) / 5
    far = np.array([10.0, 4.0, 9.0, 6.0, 8.0])
    star = shapely.Polygon(far[:, None] * np.column_stack([np.cos(turn), np.sin(turn)]))
    bow = shapely.Polygon([(0, 0), (4, 3), (4, 0), (0, 3)])
    found = extents(np.array([star, bow], dtype=object))
    assert found[0, 0] * found[0, 1] == pytest.approx(shapely.minimum_rotated_rectangle(star).area)
    assert found[1] == pytest.approx([4, 3, 5])


def test_many_regions_are_measured_as_each_alone():
    shapes = np.array(
        [shape for name in ("convex", "combs", "holes") for shape in shapes_of(name)] * 9, dtype=object
    )
    assert len(shapes) > 5000  # more than one block
    alone = np.concatenate([extents(shapes[k : k + 1]) for k in range(600)])
    np.testing.assert_array_equal(extents(shapes)[:600], alone)
