"""Sizes and distances of regions against closed forms, and laws that any region keeps."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import affinity

from kit.regions import ellipses, equivalent_diameter, measure, panel_share

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


def polygon(*, corners, a=1.0, b=1.0):
    """Corners on an ellipse with these half axes."""
    turn = 2 * np.pi * np.arange(corners) / corners
    return shapely.Polygon(np.column_stack([a * np.cos(turn), b * np.sin(turn)]))


REFERENCES = Path(__file__).parents[1] / "data" / "references"
SHAPES = pd.read_csv(REFERENCES / "F3_shapes.csv").set_index("name")["wkt"].map(shapely.from_wkt).to_dict()
SHAPES |= {
    "triangle": SHAPES["triangle_345"],
    "postgis": SHAPES["postgis_area_example"],
    "rectangle_6x2_rotated_30": affinity.rotate(shapely.box(0, 0, 6, 2), 30),
    "unit_circle_64gon": polygon(corners=64),
    "ellipse_3x2_64gon": polygon(corners=64, a=3, b=2),
}
SHAPES["ellipse_3x2"] = ellipses(*(np.array([v]) for v in (0.0, 0.0, 6.0, 4.0, 25.0)))[0]
QUANTITIES = {
    "area": lambda shape: measure([shape])["area_mm2"][0],
    "max_chord": lambda shape: measure([shape])["chord_mm"][0],
    "min_rotated_rectangle_area": lambda shape: measure([shape])[["length_mm", "width_mm"]].iloc[0].prod(),
    "convex_hull_area": lambda shape: shapely.convex_hull(shape).area,  # what length, width and chord rest on
}
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").query("case == 'F3'")
USED = [
    (row.quantity, name, what, row.expected, row.tol_abs)
    for row in EXPECTED.itertuples()
    for what in QUANTITIES
    for name in [row.quantity.removesuffix(f"_{what}")]
    if row.quantity.endswith(f"_{what}") and name in SHAPES
]


def test_the_shapes_of_reference_f3_are_found():
    assert len(USED) == 12


@pytest.mark.parametrize(("quantity", "name", "what", "expected", "tolerance"), USED)
def test_shapes_of_reference_f3(quantity, name, what, expected, tolerance):
    """Reference F3, derived; the area of the PostGIS manual is printed as 928.625 square feet."""
    assert QUANTITIES[what](SHAPES[name]) == pytest.approx(expected, abs=tolerance), quantity


def test_a_hole_is_no_damage_but_does_not_shorten_the_chord():
    """Reference shape F3: a square of 4 with a hole of 1."""
    found = one(RING)
    assert found[["length_mm", "width_mm"]].tolist() == pytest.approx([4, 4])
    assert found["chord_mm"] == pytest.approx(4 * np.sqrt(2), abs=1e-12)


def test_a_circle_of_64_corners_has_the_chord_between_opposite_ones():
    found = one(polygon(corners=64))
    assert found["chord_mm"] == pytest.approx(2, abs=1e-12)
    assert found["diameter_mm"] == pytest.approx(2, rel=1e-3)


def test_of_rectangles_equally_small_the_longest_is_given_at_any_angle():
    """All three rectangles on the edges of a triangle without an obtuse angle have twice its area."""
    for angle in np.linspace(0, 350, 36):
        found = one(affinity.rotate(SHAPES["triangle_345"], angle))
        assert found[["length_mm", "width_mm"]].tolist() == pytest.approx([5, 2.4], rel=1e-12)


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


@given(regions)
def test_a_mirrored_region_is_as_large(shape):
    mirrored = affinity.scale(shape, -1, 1, origin=(0, 0))
    assert one(mirrored).to_numpy() == pytest.approx(one(shape).to_numpy(), rel=1e-7)


PANEL = shapely.box(0, 0, 200, 100)
ROW = shapely.LineString([(20, 90), (180, 90)])


def test_distances_to_edge_fasteners_repairs_and_neighbours_by_hand():
    found = measure(
        [shapely.box(10, 20, 30, 40), shapely.box(35, 20, 60, 60), shapely.box(0, 80, 20, 90)],
        outlines=PANEL,
        place=["P1", "P1", "P2"],
        fastener_rows=ROW,
        repairs=shapely.box(63, 64, 100, 90),
    )
    assert found.columns[5:].tolist() == [
        "edge_distance_mm", "neighbour_distance_mm", "fastener_distance_mm", "repair_distance_mm",
    ]  # fmt: skip
    np.testing.assert_allclose(found["edge_distance_mm"], [10, 20, 0])
    np.testing.assert_allclose(found["neighbour_distance_mm"], [5, 5, np.nan])
    np.testing.assert_allclose(
        found["fastener_distance_mm"], [50, 30, 0]
    )  # the last one ends at its first rivet
    np.testing.assert_allclose(found["repair_distance_mm"], [np.hypot(33, 24), 5, 43])


def test_the_edge_is_also_that_of_a_cut_out_and_is_at_0_where_a_region_touches_or_crosses_it():
    outline = shapely.Polygon(
        shapely.get_coordinates(PANEL), [shapely.get_coordinates(shapely.box(90, 40, 110, 60))]
    )
    shapes = [
        shapely.box(70, 45, 80, 50),
        shapely.box(110, 60, 120, 70),
        shapely.box(-5, 10, 5, 20),
        shapely.box(205, 0, 210, 9),
    ]
    assert measure(shapes, outlines=outline)["edge_distance_mm"].tolist() == [10, 0, 0, 5]


def test_parts_on_both_sides_of_a_row_do_not_touch_it():
    parts = shapely.multipolygons([shapely.box(50, 70, 60, 88), shapely.box(70, 93, 80, 95)])
    assert measure([parts], fastener_rows=ROW)["fastener_distance_mm"].tolist() == [2]


def test_each_region_has_its_own_panel_and_none_has_no_distance():
    small = shapely.box(0, 0, 50, 50)
    shape = shapely.box(20, 20, 25, 25)
    found = measure(
        [shape, shape, shape, None, shapely.Polygon()],
        outlines=[PANEL, small, None, small, small],
        fastener_rows=[None, ROW, ROW, ROW, ROW],
        repairs=[None] * 5,
        place=["P1", "P1", None, "P1", "P1"],
    )
    np.testing.assert_allclose(found["edge_distance_mm"], [20, 20, np.nan, np.nan, np.nan])
    np.testing.assert_allclose(found["fastener_distance_mm"], [np.nan, 65, 65, np.nan, np.nan])
    np.testing.assert_allclose(found["neighbour_distance_mm"], [0, 0, np.nan, np.nan, np.nan])
    assert found["repair_distance_mm"].isna().all()


def test_what_does_not_fit_the_regions_is_refused():
    with pytest.raises(
        ValueError,
        match=r"^`outlines` must be one geometry, or one for each of the 1 regions\. Got the shape \(2,\)",
    ):
        measure([L_SHAPE], outlines=[PANEL, PANEL])
    with pytest.raises(
        ValueError, match=r"^`place` must have one value for each of the 1 regions\. Got the shape \(2,\)\.$"
    ):
        measure([L_SHAPE], place=["P1", "P2"])
    with pytest.raises(TypeError, match=r"^`repairs` must be shapely geometries\. Got str in row 0\.$"):
        measure([L_SHAPE], repairs=["R1"])


coarse = st.integers(0, 12).map(float)
some_lines = st.lists(st.tuples(coarse, coarse), min_size=2, max_size=5, unique=True).map(shapely.LineString)
outlines = st.one_of(
    st.just(shapely.box(0, 0, 12, 12)),
    st.just(affinity.rotate(shapely.box(1, 1, 11, 11), 30)),
    st.just(shapely.from_wkt("POLYGON ((0 0, 12 0, 12 6, 6 6, 6 12, 0 12, 0 0), (2 2, 3 2, 3 3, 2 3, 2 2))")),
)
small_regions = st.tuples(
    coarse, coarse, st.integers(1, 4), st.integers(1, 4), st.sampled_from([0, 20, 45])
).map(lambda t: affinity.rotate(shapely.box(t[0], t[1], t[0] + t[2], t[1] + t[3]), t[4]))


@given(st.lists(st.tuples(small_regions, outlines, some_lines), min_size=1, max_size=12))
def test_distances_are_those_of_shapely_pair_by_pair(rows):
    shapes, panels, lines = zip(*rows, strict=True)
    for given_panels, given_lines in (
        (list(panels), list(lines)),
        ([panels[0]] * len(rows), [lines[0]] * len(rows)),
    ):
        found = measure(shapes, outlines=given_panels, fastener_rows=given_lines, place=np.zeros(len(rows)))
        edge = [shape.distance(panel.boundary) for shape, panel in zip(shapes, given_panels, strict=True)]
        row = [shape.distance(line) for shape, line in zip(shapes, given_lines, strict=True)]
        near = [
            min((a.distance(b) for k, b in enumerate(shapes) if k != i), default=np.nan)
            for i, a in enumerate(shapes)
        ]
        np.testing.assert_allclose(found["edge_distance_mm"], edge, rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(found["fastener_distance_mm"], row, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(found["neighbour_distance_mm"], near)


@given(st.lists(small_regions, min_size=2, max_size=6), st.floats(0, 360), st.floats(-900, 900))
def test_turning_and_moving_panel_and_regions_together_changes_no_distance(shapes, angle, dx):
    def moved(shape):
        return affinity.translate(affinity.rotate(shape, angle, origin=(0, 0)), dx, -dx)

    panel, line = shapely.box(-10, -10, 30, 30), shapely.LineString([(0, 6), (12, 6)])
    before = measure(shapes, outlines=panel, place=np.zeros(len(shapes)), fastener_rows=line).to_numpy()
    after = measure(
        [moved(s) for s in shapes],
        outlines=moved(panel),
        place=np.zeros(len(shapes)),
        fastener_rows=moved(line),
    ).to_numpy()
    # A touch can come apart by the rounding of the coordinates.
    np.testing.assert_allclose(after[:, 5:], before[:, 5:], rtol=1e-9, atol=1e-9)


def test_a_share_counts_what_overlaps_once_and_only_what_is_on_the_panel():
    shapes = [
        shapely.box(0, 0, 20, 10),
        shapely.box(10, 0, 30, 10),
        shapely.box(190, 90, 210, 100),
        shapely.box(0, 0, 10, 10),
    ]
    found = panel_share(shapes, ["P2", "P2", "P2", "P1"], PANEL)
    assert found["place"].tolist() == ["P2", "P1"]
    assert found["n_regions"].tolist() == [3, 1]
    assert found["union_area_mm2"].tolist() == [400, 100]
    assert found["sum_area_mm2"].tolist() == [500, 100]
    assert found["share"].tolist() == pytest.approx([400 / 20000, 100 / 20000])


def test_a_share_without_an_outline_is_not_known_and_no_regions_share_nothing():
    found = panel_share([L_SHAPE, RING], ["P1", "P2"], [PANEL, None])
    assert np.isnan(found.loc[1, ["union_area_mm2", "share"]].astype(float)).all()
    assert found.loc[0, "share"] == 6 / 20000
    assert panel_share([], [], PANEL).columns.tolist() == found.columns.tolist()


def test_a_panel_with_two_outlines_and_a_region_without_a_panel_are_refused():
    with pytest.raises(
        ValueError,
        match=r"^`outlines` must be the same for all regions of a place\. Got 1 mm² in row 1 and 20000 mm²",
    ):
        panel_share([L_SHAPE, L_SHAPE], ["P1", "P1"], [PANEL, shapely.box(0, 0, 1, 1)])
    with pytest.raises(ValueError, match=r"^`place` must name the panel of each region\. Got none in row 1"):
        panel_share([L_SHAPE, L_SHAPE], ["P1", None], PANEL)


@given(
    st.lists(st.tuples(small_regions, st.sampled_from("AB")), min_size=1, max_size=10),
    st.randoms(use_true_random=False),
)
def test_the_union_is_never_above_the_sum_nor_the_panel_whatever_the_order(rows, random):
    panel = shapely.box(0, 0, 9, 9)
    mixed = list(rows)
    random.shuffle(mixed)
    found, again = (
        panel_share([shape for shape, _ in some], [place for _, place in some], panel)
        .set_index("place")
        .sort_index()
        for some in (rows, mixed)
    )
    np.testing.assert_allclose(found.to_numpy(float), again.to_numpy(float), rtol=1e-12, atol=1e-12)
    assert (found["union_area_mm2"] <= found["sum_area_mm2"]).all()
    assert (found["share"] <= 1).all()
    for place, row in found.iterrows():
        union = shapely.union_all([shape for shape, where in rows if where == place]) & panel
        assert row["union_area_mm2"] == pytest.approx(union.area, rel=1e-9, abs=1e-9)
