"""Looks for water and for the bond that it breaks are put together, so that the two stages can be fitted."""

import pandas as pd
import pytest

from kit.life import fit_moisture_then_disbond, moisture_and_disbond_looks


def rows(hand, **kw):
    frame = moisture_and_disbond_looks(hand.load(), **kw)
    return [
        (row.life, row.age, row.disbond, None if pd.isna(row.moisture) else bool(row.moisture))
        for row in frame.itertuples()
    ]


def test_taps_tell_the_bond_and_thermography_the_water(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 300, 900)
    hand.clean("A1", 400, method="thermography")
    hand.find("A1", 600, kind="moisture", method="thermography")
    hand.find("A1", 1200, kind="moisture_disbond")
    assert rows(hand) == [
        ("P1", 300, False, None),
        ("P1", 400, False, False),  # without water its disbond has not come
        ("P1", 600, False, True),  # a later tap is clean
        ("P1", 900, False, None),
        ("P1", 1200, True, None),
    ]


def test_a_day_with_both_is_one_row_and_water_with_no_tap_after_it_says_nothing_of_the_bond(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 300)
    hand.clean("A1", 300, method="moisture_meter")
    hand.find("A1", 600, kind="moisture", method="moisture_meter")
    assert rows(hand) == [("P1", 300, False, False)]


def test_a_find_of_another_kind_ends_the_looks(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 300, 900)
    hand.find("A1", 600, kind="dent")
    assert rows(hand) == [("P1", 300, False, None)]


def test_with_the_dry_route_a_disbond_of_its_own_counts_as_found_dry_and_dry_does_not_tell_the_bond(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 300)
    hand.clean("A1", 400, method="thermography")
    hand.find("A1", 600, kind="disbond")
    assert rows(hand) == [("P1", 300, False, None), ("P1", 400, False, False)]
    assert rows(hand, dry_route=True) == [("P1", 300, False, None), ("P1", 600, True, False)]


def test_the_demo_tells_the_two_stages_apart(demo_fleet):
    """Water enters between 0.4 and 0.8 of the way to the age at which it breaks the bond."""
    frame = moisture_and_disbond_looks(demo_fleet)
    fit = fit_moisture_then_disbond(frame)
    assert fit.n_moisture > 100
    assert fit.n_disbond > 50
    share = fit.shares([4000.0]).iloc[0]
    assert 0 < share["disbond"] < share["moisture"] + share["disbond"] < 1
    assert share[["clean", "moisture", "disbond"]].sum() == pytest.approx(1)
