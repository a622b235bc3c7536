"""A limit bounds the longest extent unless its row says otherwise."""

import numpy as np
import pytest
import shapely

from kit.regions import bounded_size, limits_in_force, tier_findings, tier_panels

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long


def judged(hand, **cells):
    """A damage of 60 by 30 mm: 60 mm long, 42.4 mm across, 1,413.7 mm²."""
    hand.set("limits", "M1", **cells)
    fleet = hand.load()
    row = tier_findings(fleet).iloc[0]
    assert tier_panels(fleet).set_index("panel").loc["P1", "tier"] == row["tier"]
    return row


@pytest.fixture
def one(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, size=60)
    return hand


def test_each_measure_of_a_box():
    box = [shapely.box(0, 0, 30, 40)] * 4
    sizes = bounded_size([*box, None], ["longest_extent", "equivalent_diameter", "area", "", "area"])
    assert sizes[:4] == pytest.approx([50, np.sqrt(4 * 1200 / np.pi), 1200, 50])
    assert np.isnan(sizes[4])


def test_the_longest_extent_is_bounded_where_the_row_says_nothing(one):
    row = judged(one, size="50", bounds="")
    assert (row["bounds"], row["tier"]) == ("longest_extent", "beyond")
    assert row["size"] == pytest.approx(60, rel=0.01)
    assert limits_in_force(one.load().tables["limits"], ["flap"], ["field"], ["2015-01-01"])[
        "bounds"
    ].tolist() == ["longest_extent"]


def test_an_equivalent_diameter_is_bounded_where_it_says_so(one):
    row = judged(one, size="50", bounds="equivalent_diameter")
    assert row["tier"] == "allowable"
    assert row["size"] == pytest.approx(np.sqrt(60 * 30), rel=1e-6)


@pytest.mark.parametrize(("unit", "limit", "tier"), [("mm", "1400", "beyond"), ("mm", "1500", "allowable")])
def test_an_area_is_bounded_in_the_unit_squared(one, unit, limit, tier):
    one.unit = unit
    row = judged(one, size=limit, bounds="area")
    assert row["tier"] == tier
    assert row["size"] == pytest.approx(np.pi / 4 * 60 * 30, rel=1e-6)


def test_an_area_of_a_dataset_in_inches_is_in_square_inches(tiny):
    """2 square inches are 1,290 mm²."""
    tiny.unit = "in"
    tiny.set("limits", "M1", size="2", bounds="area")
    for zone in tiny.rows["zones"]:
        zone["outline"] = "POLYGON((0 0, 40 0, 40 20, 0 20, 0 0))"
        zone["core_thickness"] = "0.5"
    for table in ("findings", "repairs", "taps"):
        tiny.rows[table].clear()
    tiny.rows["inspections"].clear()

    limits = tiny.load().tables["limits"]
    assert limits["size"].tolist() == pytest.approx([2 * 25.4**2])


def test_a_repairable_limit_below_the_allowable_one_is_warned_of(one):
    one.set("limits", "M1", size="50", repairable_size="40")
    assert "the repairable damage limit is below the allowable one" in one.load().warnings["reason"].tolist()
