"""Findings become regions: as drawn, or the ellipse of their length and width."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from kit.regions import ellipses, finding_regions, measure

POLYGON = "POLYGON ((100 100, 150 100, 150 130, 100 130, 100 100))"


def one_ellipse(x, y, length, width, angle):
    return ellipses(*(np.array([float(value)]) for value in (x, y, length, width, angle)))[0]


@given(st.floats(1, 500), st.floats(0.05, 1), st.floats(-360, 360), st.floats(-1e3, 1e3))
def test_an_ellipse_has_the_exact_area_and_centre(length, share, angle, x):
    shape = one_ellipse(x, 2 * x, length, length * share, angle)
    assert shape.area == pytest.approx(np.pi / 4 * length**2 * share, rel=1e-9)
    assert shape.centroid.x == pytest.approx(x, abs=1e-6)
    assert shape.centroid.y == pytest.approx(2 * x, abs=1e-6)


def test_the_angle_turns_the_length_up_from_forward():
    box = one_ellipse(0, 0, 100, 20, 90).bounds
    assert box[3] - box[1] == pytest.approx(100, rel=2e-3)
    up = one_ellipse(0, 0, 100, 20, 30)
    tip = np.array([np.cos(np.radians(30)), np.sin(np.radians(30))]) * 49
    assert shapely.intersects_xy(up, *tip)
    assert not shapely.intersects_xy(up, tip[0], -tip[1])


def test_length_and_width_of_an_ellipse_are_those_given_to_the_corners_of_the_polygon():
    found = measure(ellipses(*np.array([[0, 5], [0, 5], [100, 30], [40, 30], [25, 0]], float)))
    assert found["length_mm"].tolist() == pytest.approx([100, 30], rel=3e-3)
    assert found["width_mm"].tolist() == pytest.approx([40, 30], rel=3e-3)


def test_a_finding_is_its_outline_or_its_ellipse_and_no_damage_is_left_out(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, at=(200, 100), size=40)
    hand.find("A1", 200, disposition="not_confirmed", at=(600, 300))
    hand.find("A1", 300, kind="moisture_disbond")
    hand.set("findings", "D3", outline=POLYGON, length="77", width="66")
    regions = finding_regions(hand.load())
    assert regions["finding"].tolist() == ["D1", "D3"]
    assert regions["shape_basis"].tolist() == ["ellipse", "outline"]
    assert regions["area_mm2"].tolist() == pytest.approx([np.pi / 4 * 40 * 20, 50 * 30])
    assert regions["diameter_mm"].tolist() == pytest.approx([np.sqrt(40 * 20), np.sqrt(4 * 1500 / np.pi)])
    assert regions[["panel", "zone", "group", "kind"]].iloc[1].tolist() == [
        "P1",
        "Z1",
        "flap",
        "moisture_disbond",
    ]
    assert regions["width_assumed"].tolist() == [False, False]
    assert finding_regions(hand.load(), damage_only=False)["finding"].tolist() == ["D1", "D2", "D3"]


def test_a_missing_width_is_the_median_share_of_those_that_have_one_and_is_marked(hand):
    hand.aircraft("A1").panel("P1", "A1")
    for n, width in ((100, "10"), (200, "20"), (300, "30"), (400, "")):
        name = hand.find("A1", n, size=40)
        hand.set("findings", name, width=width)
    regions = finding_regions(hand.load())
    assert regions["width_assumed"].tolist() == [False, False, False, True]
    assert regions["area_mm2"].iloc[3] == pytest.approx(np.pi / 4 * 40 * 20)  # the median share is a half


def test_where_no_width_is_known_the_share_is_assumed_and_marked(hand):
    hand.aircraft("A1").panel("P1", "A1")
    name = hand.find("A1", 100, size=40)
    hand.set("findings", name, width="")
    region = finding_regions(hand.load()).iloc[0]
    assert region["width_assumed"]
    assert 0 < region["area_mm2"] < np.pi / 4 * 40**2


SHAPES = ["geometry", "geometry_inner", "geometry_outer"]


def test_regions_do_not_depend_on_the_order_of_the_rows(hand, tmp_path):
    hand.aircraft("A1").panel("P1", "A1")
    for n in (100, 200, 300):
        hand.find("A1", n, at=(n, 100))
    tap(hand, "D2", [(3, 3), (4, 3)])
    before = finding_regions(hand.load())
    for table in ("findings", "inspections", "taps"):
        hand.rows[table].reverse()
    after = finding_regions(hand.load())
    assert before.drop(columns=SHAPES).equals(after.drop(columns=SHAPES))
    for name in SHAPES:
        one, other = before[name].to_numpy(object), after[name].to_numpy(object)
        assert (shapely.equals(one, other) | (shapely.is_missing(one) & shapely.is_missing(other))).all()


def tap(hand, finding, dull, *, step=20, n=10, tau=None, name="G1"):
    """Tap a grid of n by n places from 100, 100 on, and let a finding name it."""
    hand.set("findings", finding, tap_grid=name)
    for i in range(n):
        for j in range(n):
            cells = {"mark": "dull" if (i, j) in dull else "clear"}
            if tau is not None:
                cells = {"mark": "", "contact_time": tau * (1.5 if (i, j) in dull else 1)}
            hand._add("taps", tap=f"{name}-{i}-{j}", grid=name, x=100 + step * i, y=100 + step * j, **cells)


@pytest.mark.parametrize(("tau", "basis"), [(None, "taps"), (310, "contact_time")])
def test_a_tap_grid_gives_the_region_and_its_bounds_before_the_ellipse_does(hand, tau, basis):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, at=(150, 150), size=77)
    hand.find("A1", 200, at=(700, 300), size=40)
    tap(hand, "D1", [(3, 3), (4, 3), (3, 4), (4, 4)], tau=tau)
    regions = finding_regions(hand.load())
    assert regions["shape_basis"].tolist() == [basis, "ellipse"]
    assert regions["width_assumed"].tolist() == [False, False]
    tapped = regions.iloc[0]
    names = ["area_lower_mm2", "area_mm2", "area_upper_mm2"]
    assert (tapped[names] / 400).tolist() == pytest.approx([1, 4, 9])
    assert tapped["geometry"].bounds == pytest.approx((150, 150, 190, 190))
    assert tapped["geometry_inner"].bounds == pytest.approx((160, 160, 180, 180))
    assert tapped["geometry_outer"].bounds == pytest.approx((140, 140, 200, 200))
    assert tapped["diameter_upper_mm"] == pytest.approx(np.sqrt(4 * 3600 / np.pi))
    assert regions["open_edge"].tolist() == [False, False]
    assert regions["geometry_inner"].tolist()[1] is None


def test_a_drawn_outline_stands_before_a_tap_grid(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100)
    hand.set("findings", "D1", outline=POLYGON)
    tap(hand, "D1", [(3, 3)])
    region = finding_regions(hand.load()).iloc[0]
    assert region["shape_basis"] == "outline"
    assert region[["area_lower_mm2", "area_mm2", "area_upper_mm2"]].tolist() == [1500, 1500, 1500]


def test_a_tap_grid_is_clipped_by_the_panel_and_open_where_it_was_not_tapped_on(hand):
    """Z2 is 400 mm wide: the grid ends at its edge on the right and at 100 mm on the left."""
    hand.aircraft("A1").panel("P2", "A1", zone="Z2")
    hand.find("A1", 100, zone="Z2")
    hand.find("A1", 200, zone="Z2")
    tap(hand, "D1", [(9, 3)], step=33)  # the last column is at 397 mm
    for row in hand.rows["taps"]:
        row["y"] = str((float(row["y"]) - 100) / 33 * 20 + 10)
    tap(hand, "D2", [(0, 3)], step=10, name="G2")
    right, left = finding_regions(hand.load()).to_dict("records")
    assert right["geometry_outer"].bounds[2] == pytest.approx(400)
    assert (right["open_edge"], left["open_edge"]) == (False, True)


def test_two_findings_of_one_grid_each_take_the_parts_nearest_to_their_centres(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, at=(120, 120))
    hand.add("findings", "D1", finding="D2", centre_x="260", centre_y="260")
    tap(hand, "D1", [(1, 1), (8, 8), (8, 7), (8, 6)])
    hand.set("findings", "D2", tap_grid="G1")
    regions = finding_regions(hand.load())
    assert regions["area_mm2"].tolist() == pytest.approx([400, 1200])
    assert regions["area_upper_mm2"].tolist() == pytest.approx([1600, 3200])
    hand.set("findings", "D2", centre_x="115", centre_y="110")  # no part is nearest: its ellipse stands
    regions = finding_regions(hand.load())
    assert sorted(regions["shape_basis"]) == ["ellipse", "taps"]


def test_a_grid_of_one_place_or_without_a_dull_reading_leaves_the_ellipse(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, size=40)
    hand.find("A1", 200, size=40)
    tap(hand, "D1", [(0, 0)], n=1)
    tap(hand, "D2", [], tau=300, name="G2")
    regions = finding_regions(hand.load())
    assert regions["shape_basis"].tolist() == ["ellipse", "ellipse"]
    assert regions["area_mm2"].tolist() == pytest.approx([np.pi / 4 * 40 * 20] * 2)


def test_marks_stand_and_a_tap_without_one_is_judged_by_its_contact_time(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100)
    tap(hand, "D1", [(5, 5)], tau=300)
    hand.set("taps", "G1-2-2", mark="dull", contact_time="")
    hand.set("taps", "G1-5-5", mark="clear")
    hand.set("taps", "G1-7-7", contact_time="391")
    hand.set("taps", "G1-7-2", contact_time="389")
    region = finding_regions(hand.load()).iloc[0]
    assert region["shape_basis"] == "taps"
    assert region["area_mm2"] == pytest.approx(800)
    assert region["geometry"].bounds == pytest.approx((130, 130, 250, 250))


def test_bounds_of_an_ellipse_are_half_a_step_of_rounding_less_and_more(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 100, size=40)
    hand.find("A1", 200, size=40)
    hand.set("findings", "D1", rounding="10").set("findings", "D2", rounding="")
    one, other = finding_regions(hand.load()).to_dict("records")
    assert one["area_lower_mm2"] == pytest.approx(np.pi / 4 * 35 * 15)
    assert one["area_upper_mm2"] == pytest.approx(np.pi / 4 * 45 * 25)
    assert one["diameter_lower_mm"] == pytest.approx(np.sqrt(35 * 15))
    assert other["area_lower_mm2"] == pytest.approx(other["area_upper_mm2"])
    assert other["area_mm2"] == pytest.approx(other["area_upper_mm2"])


def test_bounds_of_a_missing_width_are_the_narrowest_and_the_widest_seen(hand):
    hand.aircraft("A1").panel("P1", "A1")
    for n, width in ((100, "10"), (200, "20"), (300, "36"), (400, "")):
        hand.find("A1", n, size=40)
        hand.set("findings", f"D{n // 100}", width=width)
    last = finding_regions(hand.load()).iloc[3]
    names = ["area_lower_mm2", "area_mm2", "area_upper_mm2"]
    assert last[names].tolist() == pytest.approx([np.pi / 4 * 40 * width for width in (10, 20, 36)])


def test_bounds_hold_the_best_size_of_every_finding(hand):
    hand.aircraft("A1").panel("P1", "A1")
    rng = np.random.default_rng(4)
    for n in range(30):
        name = hand.find("A1", 100 + 10 * n, size=round(float(rng.uniform(5, 90)), 1))
        hand.set("findings", name, rounding=str(rng.choice(["", "5", "25"])))
        if n % 5 == 0:
            hand.set("findings", name, width="")
    tap(hand, "D4", [(2, 2), (2, 3)])
    regions = finding_regions(hand.load())
    for size in ("area", "diameter"):
        unit = "mm2" if size == "area" else "mm"
        lower, best, upper = (regions[f"{size}{one}_{unit}"] for one in ("_lower", "", "_upper"))
        assert (lower <= best * (1 + 1e-12)).all()
        assert (best <= upper * (1 + 1e-12)).all()


def test_a_fleet_without_findings_has_no_regions(hand):
    regions = finding_regions(hand.aircraft("A1").panel("P1", "A1").load())
    assert len(regions) == 0
    assert {"geometry", "area_mm2", "diameter_mm", "shape_basis"} <= set(regions.columns)
