"""Several causes, each on its own clock: shares by hand, by simulation and on the demo."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from kit.life import CompetingLives, NoFiniteMaximum, build_histories, fit_competing, fit_weibull

INF = np.inf


def a_fit(scale, shape, clock, seed=1, n=4000):
    """A fit near a wanted scale and shape, from exact ages."""
    ages = scale * np.random.default_rng(seed).weibull(shape, n)
    return dataclasses.replace(fit_weibull(lower=ages, upper=ages), clock=clock)


@pytest.fixture(scope="module")
def two():
    """Moisture by the calendar, disbond by cycles; 5 cycles a day."""
    fits = {
        "moisture_disbond": a_fit(4000, 2.0, "calendar_days"),
        "disbond": a_fit(30000, 1.5, "flight_cycles", 2),
    }
    return CompetingLives(fits, {}, {})


def test_shares_of_two_exponential_causes_have_a_closed_form():
    """I_k = rate_k / total (1 - exp(-total t)) where both hazards are constant."""
    slow = fit_weibull(lower=[0, 1000], upper=[1000, INF], count=[10, 90], shape=1.0)
    fast = fit_weibull(lower=[0, 1000], upper=[1000, INF], count=[30, 70], shape=1.0)
    table = CompetingLives({"dent": slow, "disbond": fast}, {}, {}).cumulative_incidence(
        [500.0, 4000.0], clock="age", n=0
    )
    rates = {"dent": 1 / slow.scale, "disbond": 1 / fast.scale}
    total = sum(rates.values())
    for row in table[table["kind"] != "none"].itertuples():
        assert row.share == pytest.approx(rates[row.kind] / total * -np.expm1(-total * row.age), rel=1e-10)


def test_shares_are_those_of_simulated_first_damage(two):
    rng, n = np.random.default_rng(5), 400_000
    wet, cycles = two.fits["moisture_disbond"], two.fits["disbond"]
    first = wet.scale * rng.weibull(wet.shape, n)
    other = cycles.scale * rng.weibull(cycles.shape, n) / 5
    table = two.cumulative_incidence(
        [2000.0, 6000.0], clock="calendar_days", usage={"flight_cycles": 5.0}, n=0
    )
    for age in (2000.0, 6000.0):
        share = table[table["age"] == age].set_index("kind")["share"]
        assert share["moisture_disbond"] == pytest.approx(
            ((first < other) & (first <= age)).mean(), abs=0.003
        )
        assert share["disbond"] == pytest.approx(((other < first) & (other <= age)).mean(), abs=0.003)
        assert share["none"] == pytest.approx(wet.survival(age) * cycles.survival(5 * age), abs=1e-12)


def test_shares_add_up_to_one_and_lie_within_their_bounds(two):
    ages = [100.0, 1000.0, 5000.0, 20000.0]
    table = two.cumulative_incidence(ages, clock="calendar_days", usage={"flight_cycles": 5.0}, n=200, seed=3)
    assert table.groupby("age")["share"].sum().to_numpy() == pytest.approx(np.ones(4), abs=1e-12)
    assert (table["lower"] <= table["share"]).all()
    assert (table["share"] <= table["upper"]).all()
    again = two.cumulative_incidence(ages, clock="calendar_days", usage={"flight_cycles": 5.0}, n=200, seed=3)
    pd.testing.assert_frame_equal(table, again)


def test_the_clock_of_the_answer_does_not_matter(two):
    days = two.cumulative_incidence([3000.0], clock="calendar_days", usage={"flight_cycles": 5.0}, n=0)
    cycles = two.cumulative_incidence([15000.0], clock="flight_cycles", usage={"calendar_days": 0.2}, n=0)
    assert days["share"].to_numpy() == pytest.approx(cycles["share"].to_numpy(), abs=1e-10)


def test_a_plain_one_minus_survival_says_too_much_for_each_cause(two):
    """Taking the other causes away counts panels that had already gone by them."""
    table = two.cumulative_incidence([8000.0], clock="calendar_days", usage={"flight_cycles": 5.0}, n=0)
    share = table.set_index("kind")["share"]
    assert share["moisture_disbond"] < 1 - two.fits["moisture_disbond"].survival(8000.0)
    assert share["disbond"] < 1 - two.fits["disbond"].survival(40000.0)


@pytest.mark.long
def test_each_kind_is_fitted_on_its_own_clock_and_ended_by_the_others(demo_fleet):
    clocks = {"moisture_disbond": "calendar_days", "disbond": "flight_cycles", "core_damage": "flight_cycles"}
    lives = fit_competing(demo_fleet, clocks)
    for kind, clock in clocks.items():
        alone = fit_weibull(build_histories(demo_fleet, kind=kind, clock=clock))
        assert lives.fits[kind].scale == alone.scale
        assert lives.fits[kind].clock == clock
    table = lives.to_frame()
    assert table["finds"].gt(0).all()
    assert (table["scale_lower"] < table["scale"]).all()


def test_a_kind_without_a_fit_is_named_with_its_reason(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 400, 2000)
    hand.aircraft("A2").panel("P2", "A2").clean("A2", 400)
    hand.find("A2", 800)
    lives = fit_competing(hand.load(), {"disbond": "calendar_days", "moisture_disbond": "calendar_days"})
    assert list(lives.fits) == ["disbond"]
    assert "no finds" in lives.refused["moisture_disbond"]
    assert any("moisture disbond has no fit" in caution for caution in lives.cautions)
    with pytest.raises(NoFiniteMaximum, match="no finds"):
        fit_competing(hand.load(), {"moisture_disbond": "calendar_days"})


def test_what_is_missing_is_said(two):
    with pytest.raises(
        ValueError, match="how many units of flight_cycles go with one of calendar_days, since disbond"
    ):
        two.cumulative_incidence([100.0], clock="calendar_days")
    with pytest.raises(ValueError, match="`age` must be above 0 and rise"):
        two.cumulative_incidence([100.0, 50.0], clock="calendar_days", usage={"flight_cycles": 5.0})
    with pytest.raises(ValueError, match="must name at least one damage type"):
        fit_competing(None, {})
