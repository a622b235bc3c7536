"""Finds that an average zone should show, from its own looks."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.detection import DetectionCurve
from kit.growth import Growth, SizeDetection
from kit.life import ConstantDetection
from kit.ranking import expected_damage, expected_of_zones, sampled_lives, watches_from_looks
from kit.simulate.ranking_study import GROWTH, HORIZON, SKINS, WORLDS, simulate_zones


def test_finds_of_three_looks_counted_by_hand():
    """Damage of the three gaps is 1, 3 and 5 of 25; at a chance of a half its looks find 7/8, 3/4 and 1/2 of it."""
    watches = watches_from_looks(["a"] * 3, [1000.0, 2000.0, 3000.0])
    table = expected_damage(watches, ConstantDetection(0.5), scale=5000.0, shape=2.0)
    assert table.loc[0].tolist() == pytest.approx([9 / 25, (7 / 8 + 3 * 3 / 4 + 5 / 2) / 25, 3000.0])


def test_damage_from_before_the_entry_counts_where_looks_up_to_it_missed_it():
    """Entry at 1000, looks at 1000 and 2000: of the first gap half is missed at the entry, and half of that found."""
    watches = watches_from_looks(["a"] * 2, [1000.0, 2000.0], entry=[1000.0] * 2)
    table = expected_damage(watches, ConstantDetection(0.5), scale=5000.0, shape=2.0)
    assert table.loc[0, "expected"] == pytest.approx((1 / 4 + 3 / 2) / 25)
    assert table.loc[0, "arose"] == pytest.approx(3 / 25)


def test_perfect_looks_find_all_that_arises_before_the_last():
    watches = watches_from_looks([1, 1, 2], [500.0, 900.0, 2000.0])
    table = expected_damage(watches, ConstantDetection(1.0), scale=3000.0, shape=1.4)
    assert table["expected"].to_numpy() == pytest.approx(table["arose"].to_numpy())


def test_expected_finds_agree_with_damage_played_event_by_event():
    """Zones that do not differ: finds of 12 fleets against the sum of the terms, within 3.5 standard errors."""
    world = replace(WORLDS[0], spread=1e-3, zones=8)
    found, expected = 0.0, 0.0
    for i in range(12):
        fleet = simulate_zones(world, np.random.default_rng([i, 4]))
        watches = watches_from_looks(fleet.look_life, fleet.look_age)
        table = expected_damage(watches, SizeDetection(SKINS[0], GROWTH), scale=HORIZON, shape=2.0)
        found += fleet.found.sum()
        expected += fleet.level * table["expected"].sum()
    assert expected > 1000
    assert abs(found - expected) < 3.5 * np.sqrt(expected)


@settings(max_examples=20, deadline=None)
@given(st.floats(15, 60), st.floats(1.05, 2.0))
def test_a_poorer_pod_never_expects_more_finds(a50, factor):
    watches = watches_from_looks([1, 1, 1, 2, 2], [4000.0, 8000.0, 12_000.0, 6000.0, 10_000.0])
    growth = Growth(18.0, 0.4, 2e-3, 0.5, 0.2)
    good, poor = (
        expected_damage(
            watches, SizeDetection(DetectionCurve(a, 4.0, 0.95), growth), scale=20_000.0, shape=2.0
        )
        for a in (a50, a50 * factor)
    )
    assert (poor["expected"] <= good["expected"] + 1e-12).all()


def test_a_sample_of_lives_stands_for_all_lives_of_its_zone():
    zone = np.repeat(["a", "b"], [1000, 30])
    weight = sampled_lives(zone, np.full(1030, 10.0), most=2000)
    assert weight[zone == "a"].sum() == pytest.approx(1000)
    assert weight[zone == "b"].sum() == pytest.approx(30)
    assert (weight > 0).sum() < 250
    assert (sampled_lives(zone, np.full(1030, 10.0)) == 1).all()


def test_expected_finds_of_a_sample_lie_near_those_of_all_within_their_stated_error():
    rng = np.random.default_rng(4)
    life = np.repeat(np.arange(3000), 5)
    age = np.tile(np.arange(1, 6) * 3000.0, 3000) * rng.uniform(0.6, 1.4, 3000).repeat(5)
    zone = rng.integers(0, 3, 3000)
    ask = {"detection": ConstantDetection(0.7), "scale": 20_000.0, "shape": 2.0, "n_zones": 3}
    whole = expected_of_zones(life, age, zone, **ask)
    part = expected_of_zones(life, age, zone, most=3000, **ask)
    assert (whole["standard_error"] == 0).all()
    assert (part["sampled"] < part["lives"]).all()
    assert ((part["expected"] - whole["expected"]).abs() < 3.5 * part["standard_error"]).all()


def test_a_look_at_a_panel_of_unknown_age_is_refused():
    with pytest.raises(ValueError, match=r"1 of 2 looks are not, first row 1 \(age=nan\)"):
        watches_from_looks(["a", "a"], [1.0, np.nan])
