"""Bounds against fleets simulated event by event: the study of docs/programmes.md, with fewer fleets."""

import numpy as np
import pytest

from kit.simulate.programmes_study import (
    draw_world,
    one_fleet,
    page,
    schedules,
    simulate_ahead,
    simulate_records,
    study,
)


@pytest.fixture(scope="module")
def simulated():
    return simulate_records(draw_world(3), 3)


def test_the_play_repeats_itself_and_the_same_looks_meet_the_same_damage(simulated):
    present, proposed = schedules(simulated)
    again = simulate_ahead(simulated, present, seed=3)
    for name, values in simulate_ahead(simulated, present, seed=3).items():
        np.testing.assert_array_equal(values, again[name])
    longer = simulate_ahead(simulated, proposed, seed=3)
    assert longer["finds"].sum() <= again["finds"].sum()
    assert longer["exposure"].sum() >= again["exposure"].sum()


@pytest.mark.long
def test_bounds_hold_the_truth_of_simulated_fleets():
    """Of 20 fleets at 90 %, 14 or fewer inside have a chance below 1 % for bounds that hold what they promise."""
    rows = study(20, seed=400)
    for name in (
        "damage",
        "beyond",
        "finds",
        "finds_difference",
        "exceedances_difference",
        "exposure_difference",
    ):
        assert rows[f"{name}_inside"].sum() >= 15, name
    assert rows["quarters_inside"].mean() >= 0.85
    said, true = rows["damage_top_said"].mean(), rows["damage_top_true"].mean()
    assert abs(said - true) < 4 * np.sqrt(true * (1 - true) / (20 * 25)) + 0.05
    assert true > 1.5 * rows["damage_all_true"].mean()
    assert "| panels with unfound damage today |" in page(rows)


@pytest.mark.long
def test_one_fleet_is_answered_alike_twice():
    assert one_fleet(5, draws=64) == one_fleet(5, draws=64)
