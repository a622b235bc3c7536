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
    hand.find("A1", 300, kind="moisture")
    hand.set("findings", "D3", outline=POLYGON, length="77", width="66")
    regions = finding_regions(hand.load())
    assert regions["finding"].tolist() == ["D1", "D3"]
    assert regions["shape_basis"].tolist() == ["ellipse", "outline"]
    assert regions["area_mm2"].tolist() == pytest.approx([np.pi / 4 * 40 * 20, 50 * 30])
    assert regions["diameter_mm"].tolist() == pytest.approx([np.sqrt(40 * 20), np.sqrt(4 * 1500 / np.pi)])
    assert regions[["panel", "zone", "group", "kind"]].iloc[1].tolist() == ["P1", "Z1", "flap", "moisture"]
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


def test_regions_do_not_depend_on_the_order_of_the_rows(hand, tmp_path):
    hand.aircraft("A1").panel("P1", "A1")
    for n in (100, 200, 300):
        hand.find("A1", n, at=(n, 100))
    before = finding_regions(hand.load())
    for table in ("findings", "inspections"):
        hand.rows[table].reverse()
    after = finding_regions(hand.load())
    assert before.drop(columns="geometry").equals(after.drop(columns="geometry"))
    assert shapely.equals_exact(before["geometry"].to_numpy(), after["geometry"].to_numpy()).all()


def test_a_fleet_without_findings_has_no_regions(hand):
    regions = finding_regions(hand.aircraft("A1").panel("P1", "A1").load())
    assert len(regions) == 0
    assert {"geometry", "area_mm2", "diameter_mm", "shape_basis"} <= set(regions.columns)
