"""Left and right, lots, and whom to tap first."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from kit.ranking import left_and_right, lots_that_stand_out, mirror_zones, tap_first
from kit.ranking.sides import exact_two_by_two


@given(*[st.integers(0, 12)] * 4)
def test_the_exact_test_is_that_of_another_library(a, b, c, d):
    assert exact_two_by_two(a, b, c, d) == pytest.approx(fisher_exact([[a, b], [c, d]]).pvalue, abs=1e-9)


def fleet_of_pairs(hand, damaged):
    """Z1 left and Z2 right of one group; `damaged` names the sides found damaged on each aircraft."""
    hand.set("zones", "Z1", group="flap", side="left")
    hand.set("zones", "Z2", group="flap", side="right")
    for i, sides in enumerate(damaged):
        name = f"A{i + 1}"
        hand.aircraft(name).panel(f"L{i}", name).panel(f"R{i}", name, zone="Z2")
        for zone in sides:
            hand.find(name, 400, zone=zone, at=(150, 80), size=20)
    return hand.load()


def test_sides_counted_by_hand(hand):
    fleet = fleet_of_pairs(hand, [("Z1", "Z2"), ("Z1", "Z2"), ("Z1",), ("Z2",), (), ()])
    assert mirror_zones(fleet) == {"Z1": "Z2", "Z2": "Z1"}
    row = left_and_right(fleet).loc["all"]
    assert row[["pairs", "both", "one", "neither"]].tolist() == [6, 2, 2, 2]
    assert row["given_other"] == pytest.approx(4 / 6)
    assert row["without_other"] == pytest.approx(2 / 6)
    assert row["odds_ratio"] == pytest.approx(4.0)


def test_the_other_side_of_a_find_and_long_unseen_panels_come_first(hand):
    fleet = fleet_of_pairs(hand, [("Z1",), ("Z1", "Z2"), ("Z1", "Z2"), (), (), ()])
    first = tap_first(fleet, top=3)
    assert (first["aircraft"][0], first["zone"][0]) == ("A1", "Z2")
    assert "damage found on the other side" in first["why"][0]


def test_a_bad_lot_is_set_against_the_others_of_its_group(hand):
    for i in range(12):
        name = f"A{i + 1}"
        hand.aircraft(name).panel(f"P{i}", name, build_lot="Q" if i < 4 else "N")
        if i < 4:
            for k in range(4):
                hand.find(name, 400 + 50 * k, at=(100 + 200 * k, 200), size=20)
    hand.find("A6", 500)
    table = lots_that_stand_out(hand.load()).set_index("build_lot")
    assert table["finds"].to_dict() == {"Q": 16, "N": 1}
    assert table.loc["Q", "called"]
    assert table.loc["Q", "expected"] == pytest.approx(0.5, rel=0.02)
