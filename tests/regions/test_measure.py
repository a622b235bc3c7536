"""Sizes of regions against closed forms, and laws that any region keeps."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from kit.regions import equivalent_diameter, measure

COLUMNS = ["area_mm2", "length_mm", "width_mm", "chord_mm", "diameter_mm"]
# Edges 4, 1, 3, 2, 1, 3; the two ends of the legs and the corner are a triangle of 3, 4 and 5.
L_SHAPE = shapely.from_wkt("POLYGON ((0 0, 4 0, 4 1, 1 1, 1 3, 0 3, 0 0))")
RING = shapely.from_wkt("POLYGON ((0 0, 4 0, 4 4, 0 4, 0 0), (2 2, 3 2, 3 3, 2 3, 2 2))")


def one(shape):
    return measure([shape]).iloc[0]


def test_a_rectangle_is_its_sides_and_its_diagonal():
    found = one(shapely.box(10, 20, 50, 50))
    assert found[["area_mm2", "length_mm", "width_mm", "chord_mm"]].tolist() == [1200.0, 40.0, 30.0, 50.0]
    assert found["diameter_mm"] == pytest.approx(np.sqrt(4 * 1200 / np.pi))


@pytest.mark.parametrize("angle", [0, 17, 30, 45, 90, 135, 200])
def test_a_rotated_rectangle_keeps_its_sides(angle):
    shape = affinity.rotate(shapely.box(0, 0, 6, 2), angle)
    assert one(shape)[COLUMNS[:4]].tolist() == pytest.approx([12, 6, 2, np.sqrt(40)], rel=1e-12)


def test_l_shape_f3_derived_area_6_chord_5_rectangle_12():
    """Reference case F3 (derived): the hull's 3-4-5 edge carries the smallest rectangle, 5 by 2.4."""
    found = one(L_SHAPE)
    assert found["area_mm2"] == pytest.approx(6, abs=1e-12)
    assert found["chord_mm"] == pytest.approx(5, abs=1e-12)
    assert found["length_mm"] * found["width_mm"] == pytest.approx(12, abs=1e-9)


def test_triangle_345_f3_derived_chord_5_rectangle_12():
    found = one(shapely.from_wkt("POLYGON ((0 0, 3 0, 0 4, 0 0))"))
    assert found["chord_mm"] == pytest.approx(5, abs=1e-12)
    assert found["length_mm"] * found["width_mm"] == pytest.approx(12, abs=1e-9)


def test_a_hole_is_no_damage_but_does_not_shorten_the_chord():
    """Reference case F3 (derived): a square of 4 with a hole of 1."""
    found = one(RING)
    assert found["area_mm2"] == pytest.approx(15, abs=1e-12)
    assert found[["length_mm", "width_mm"]].tolist() == pytest.approx([4, 4])
    assert found["chord_mm"] == pytest.approx(4 * np.sqrt(2), abs=1e-12)


def test_area_f3_postgis_manual_st_area_example():
    """Printed in the manual as 928.625 square feet."""
    wkt = "POLYGON ((743238 2967416, 743238 2967450, 743265 2967450, 743265.625 2967416, 743238 2967416))"
    assert one(shapely.from_wkt(wkt))["area_mm2"] == pytest.approx(928.625, abs=1e-6)


def test_a_circle_of_64_corners_f3_derived():
    """Area n/2 sin(2 pi/n); chord 2, between opposite corners."""
    corner = 2 * np.pi * np.arange(64) / 64
    found = one(shapely.Polygon(np.column_stack([np.cos(corner), np.sin(corner)])))
    assert found["area_mm2"] == pytest.approx(3.136548490546, abs=1e-9)
    assert found["chord_mm"] == pytest.approx(2, abs=1e-12)
    assert found["diameter_mm"] == pytest.approx(2, rel=1e-3)


def test_two_parts_are_one_region():
    parts = shapely.multipolygons([shapely.box(0, 0, 1, 1), shapely.box(3, 3, 4, 4)])
    found = one(parts)
    assert found["area_mm2"] == 2
    assert found["chord_mm"] == pytest.approx(4 * np.sqrt(2))


def test_a_flat_region_has_length_and_no_width():
    found = one(shapely.LineString([(0, 0), (3, 4)]))
    assert found[COLUMNS].tolist() == [0, 5, 0, 5, 0]
    assert one(shapely.box(0, 0, 7, 0))[COLUMNS].tolist() == [0, 7, 0, 7, 0]  # a polygon without area
    point = one(shapely.Point(3, 4))
    assert point[COLUMNS].tolist() == [0, 0, 0, 0, 0]


@pytest.mark.parametrize(("shape", "area"), [(None, np.nan), (shapely.Polygon(), 0.0)])
def test_a_missing_or_empty_region_has_no_sides_and_does_not_shift_the_others(shape, area):
    found = measure([shapely.box(0, 0, 1, 1), shape, shapely.box(0, 0, 3, 4)])
    assert found.loc[1, ["length_mm", "width_mm", "chord_mm"]].isna().all()
    assert found["chord_mm"].tolist()[2] == 5
    np.testing.assert_array_equal(found["area_mm2"], [1, area, 12])


def test_only_missing_and_no_regions_at_all():
    assert measure([None, None])["area_mm2"].isna().all()
    empty = measure([])
    assert empty.shape == (0, 5)
    assert empty.columns.tolist() == COLUMNS


def test_a_single_geometry_is_a_table_of_one_row():
    assert measure(L_SHAPE).equals(measure([L_SHAPE]))


def test_what_is_no_geometry_is_refused_with_its_row():
    with pytest.raises(TypeError, match=r"^`geometries` must be shapely geometries\. Got str in row 1\.$"):
        measure([L_SHAPE, "POLYGON ((0 0, 1 0, 0 1, 0 0))"])


def test_equivalent_diameter_of_a_circle_is_its_diameter():
    assert equivalent_diameter(np.pi * np.array([1.0, 25.0]) / 4).tolist() == pytest.approx([1, 5])
    assert float(equivalent_diameter(0.0)) == 0


coordinate = st.floats(-500, 500, allow_nan=False).map(lambda x: round(x, 1))
hulls = st.lists(st.tuples(coordinate, coordinate), min_size=3, max_size=9, unique=True).map(
    lambda points: shapely.convex_hull(shapely.multipoints(points))
)
regions = hulls.filter(lambda hull: hull.geom_type == "Polygon" and hull.area > 50)


@given(regions, st.floats(0, 360), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3))
def test_turning_and_moving_change_nothing(shape, angle, dx, dy):
    before = one(shape)
    after = one(affinity.translate(affinity.rotate(shape, angle, origin=(0, 0)), dx, dy))
    assert after[["area_mm2", "chord_mm", "diameter_mm"]].tolist() == pytest.approx(
        before[["area_mm2", "chord_mm", "diameter_mm"]].tolist(), rel=1e-7
    )
    # Two rectangles on different edges can be equally small: their area is what does not change.
    assert after["length_mm"] * after["width_mm"] == pytest.approx(
        before["length_mm"] * before["width_mm"], rel=1e-6
    )


@given(regions, st.floats(0.01, 100))
def test_scaling_scales_lengths_and_squares_areas(shape, factor):
    before, after = one(shape), one(affinity.scale(shape, factor, factor, origin=(0, 0)))
    assert after["area_mm2"] == pytest.approx(before["area_mm2"] * factor**2, rel=1e-9)
    for name in ("chord_mm", "diameter_mm"):
        assert after[name] == pytest.approx(before[name] * factor, rel=1e-9)


@given(regions)
def test_the_chord_is_the_longest_distance_of_all_pairs_and_bounds_the_rest(shape):
    corners = shapely.get_coordinates(shape)
    far = max(np.hypot(*(a - b)) for a in corners for b in corners)
    found = one(shape)
    assert found["chord_mm"] == pytest.approx(far, rel=1e-12)
    assert found["width_mm"] <= found["length_mm"] <= found["chord_mm"] * (1 + 1e-9)
    assert found["diameter_mm"] <= found["chord_mm"] * (1 + 1e-9)  # the isodiametric inequality
    assert found["length_mm"] * found["width_mm"] >= found["area_mm2"] * (1 - 1e-9)


@given(st.lists(st.one_of(regions, st.none()), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_each_row_is_measured_by_itself(shapes, random):
    order = list(range(len(shapes)))
    random.shuffle(order)
    together = measure(shapes)
    for row, k in enumerate(order):
        left = measure([shapes[i] for i in order]).iloc[row].to_numpy()
        np.testing.assert_array_equal(left, together.iloc[k].to_numpy())
        np.testing.assert_array_equal(left, one(shapes[k]).to_numpy())
