"""False calls per look, and exact bounds of shares."""

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from kit.ranking import binomial_bounds, fit_false_calls

REFERENCES = Path(__file__).parents[1] / "data" / "references"


@given(st.integers(0, 400), st.integers(0, 400), st.sampled_from([0.8, 0.95, 0.99]))
def test_binomial_bounds_are_those_of_clopper_and_pearson_1934_in_another_library(k, rest, level):
    low, high = binomial_bounds(k, k + rest + 1, level=level)
    other = binomtest(k, k + rest + 1).proportion_ci(level, method="exact")
    assert (float(low), float(high)) == pytest.approx((other.low, other.high), abs=1e-9)


def test_binomial_bounds_newcombe_1998_table_1():
    """81 of 263: exact 95 % bounds .25274 and .36762 (reference D2)."""
    assert [round(float(b), 5) for b in binomial_bounds(81, 263)] == [0.25274, 0.36762]


def test_false_calls_counted_by_hand(hand):
    """Of 4 finds 1 was opened and 1 not confirmed, so that half of the 3 left unopened may be false, over 8 looks.

    The look of a find that was taken back counts as a clean one.
    """
    hand.aircraft("A1").panel("P1", "A1")
    hand.clean("A1", 300, 350, 360)
    hand.repair(hand.find("A1", 400), 400, 0.0)
    for k, day in enumerate((800, 900, 1000)):
        hand.find("A1", day, at=(200 + 200 * k, 300))
    hand.find("A1", 1200, at=(500, 100), disposition="not_confirmed")
    table = fit_false_calls(hand.load())
    row = table.loc["tap_manual"]
    assert row[["looks", "first_finds", "not_confirmed"]].tolist() == [8, 4, 1]
    opened = row["opened"]
    share = 1 / (1 + opened)
    assert row["per_look"] == pytest.approx(share * (4 - opened) / 8)
    assert row["per_look_lower"] <= row["per_look"] <= row["per_look_upper"]


def test_reference_d2_is_there():
    assert len(pd.read_csv(REFERENCES / "D2_binomial_intervals_95.csv"))
