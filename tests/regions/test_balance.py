"""Water on a control surface is balance before it is payload."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from kit.regions import hinge_arm, water_and_patch
from kit.regions.weight.balance import moment

PANEL = shapely.box(0, 0, 1000, 400)
UPPER = shapely.LineString([(0, 400), (1000, 400)])


def test_the_arm_is_the_distance_of_the_centroid_from_the_hinge_line():
    boxes = [shapely.box(0, 0, 100, 100), shapely.box(500, 300, 600, 400)]
    assert hinge_arm(boxes, UPPER, PANEL).tolist() == [350, 50]
    assert hinge_arm(boxes, shapely.reverse(UPPER), PANEL).tolist() == [350, 50]
    assert hinge_arm(boxes, shapely.LineString([(1100, 0), (1100, 1)]), PANEL).tolist() == [1050, 550]
    assert np.isnan(hinge_arm([None, boxes[0]], [UPPER, None], PANEL)).all()


def test_beyond_the_hinge_the_arm_is_negative():
    """A horn ahead of the hinge line balances what lies behind it."""
    assert hinge_arm([shapely.box(0, 500, 100, 600)], UPPER, PANEL).tolist() == [-150]


@given(st.floats(0, 6.28), st.floats(-500, 500), st.floats(-500, 500))
def test_turning_and_moving_the_panel_changes_no_arm(turn, dx, dy):
    def moved(shape):
        def go(xy):
            c, s = np.cos(turn), np.sin(turn)
            return np.column_stack([c * xy[:, 0] - s * xy[:, 1] + dx, s * xy[:, 0] + c * xy[:, 1] + dy])

        return shapely.transform(shape, go)

    part = shapely.box(200, 50, 260, 110)
    assert hinge_arm([moved(part)], moved(UPPER), moved(PANEL)) == pytest.approx(320, abs=1e-6)


def test_the_moment_of_water_and_patches_stands_by_surface(hand):
    hand.aircraft("A1").panel("P1", "A1")
    zone = {"core_thickness": "20", "core_density": "69", "core_material": "aramid"}
    hand.set("zones", "Z1", hinge_line="LINESTRING (0 500, 1000 500)", **zone)
    hand.find("A1", 500, kind="moisture", method="thermography", at=(200, 100), size=80)
    result = water_and_patch(hand.load())
    row = result.by_surface().iloc[0]
    water = result.to_frame().set_index("aircraft").loc["A1", "water_kg"]
    assert row[["aircraft", "zone", "panel"]].tolist() == ["A1", "Z1", "P1"]
    assert row["water_kg"] == pytest.approx(water)
    assert row["largest_arm_mm"] == pytest.approx(400, abs=1e-6)
    assert row["moment_kg_m"] == pytest.approx(water * 0.4)
    assert moment([2.0], [500.0]).tolist() == [1.0]
    assert "flutter" in " ".join(result.cautions)
    assert repr(result).startswith("<AddedMass on 2020-12-31: largest moment about a hinge line")


def test_a_zone_without_a_hinge_line_is_no_control_surface(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, kind="moisture", method="thermography")
    assert len(water_and_patch(hand.load()).by_surface()) == 0


def test_a_hinge_line_that_is_bent_is_refused(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.set("zones", "Z1", hinge_line="LINESTRING (0 500, 500 600, 1000 500)")
    with pytest.raises(ValueError, match="the hinge line is not one straight line"):
        hand.load()
