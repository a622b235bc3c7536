"""Growth models: sizes, delays to the limit, and detection by delay, against closed forms and draws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from kit.detection import DetectionCurve
from kit.growth import Case, DelayTime, Growth, LinearGrowth, SizeDetection, size_after, unit_nodes

GROWTH = LinearGrowth(
    onset_median=25.0,
    onset_log_sd=0.5,
    rate_median=0.02,
    rate_log_sd=0.6,
    no_growth_share=0.2,
    arrest_share=0.3,
    arrest_ratio=2.0,
)
N = 400_000


def draw(growth, seed=1):
    """Size at onset, rate and largest size of N damages, straight from the definition."""
    rng = np.random.default_rng(seed)
    start = growth.onset_median * np.exp(growth.onset_log_sd * rng.standard_normal(N))
    rate = growth.rate_median * np.exp(growth.rate_log_sd * rng.standard_normal(N))
    rate[rng.random(N) < growth.no_growth_share] = 0.0
    largest = np.where(rng.random(N) < growth.arrest_share, growth.arrest_ratio * start, np.inf)
    return start, rate, largest


def close_to_share(value, hits):
    """Within 4 standard errors of a simulated share."""
    return abs(value - hits.mean()) < 4 * hits.std() / np.sqrt(hits.size)


@pytest.mark.parametrize("n", [1, 3, 20])
def test_unit_nodes_integrate_polynomials_exactly(n):
    x, w = unit_nodes(n)
    for power in range(2 * n):
        assert w @ x**power == pytest.approx(1 / (power + 1), rel=1e-12)


def test_born_beyond_is_the_upper_tail_of_the_size_at_onset():
    assert GROWTH.born_beyond(25.0) == pytest.approx(0.5)
    assert GROWTH.born_beyond(60.0) == pytest.approx(ndtr(-np.log(60 / 25) / 0.5))
    assert close_to_share(GROWTH.born_beyond(60.0), draw(GROWTH)[0] > 60)
    steady = LinearGrowth(25.0, 0.0, 0.02, 0.0)
    assert (steady.born_beyond(24.0), steady.born_beyond(26.0)) == (1.0, 0.0)


def test_cases_hold_all_damage_that_starts_within_the_limit_and_can_pass_it():
    """The share in closed form: growing, starts below 60, and if it stops at twice its size, above 30."""
    below = ndtr(np.log(60 / 25) / 0.5)
    half = ndtr(np.log(30 / 25) / 0.5)
    expected = 0.8 * (0.7 * below + 0.3 * (below - half))
    cases = list(GROWTH.cases(60.0, 10))
    assert sum(case.weight for case in cases) == pytest.approx(expected, rel=1e-9)
    assert all(0 < case.start < 60 and case.largest > 60 for case in cases)
    assert {case.largest / case.start for case in cases} == {2.0, np.inf}
    start, rate, largest = draw(GROWTH)
    assert close_to_share(expected, (start < 60) & (rate > 0) & (largest > 60))


@pytest.mark.parametrize("delay", [300.0, 1500.0, 6000.0])
def test_chance_to_reach_the_limit_within_a_delay_agrees_with_draws(delay):
    chance = sum(
        case.weight * float(GROWTH.delay_chance(np.array(delay), case.start, 60.0))
        for case in GROWTH.cases(60.0, 10)
    )
    start, rate, largest = draw(GROWTH, seed=2)
    hits = (start < 60) & (np.minimum(start + rate * delay, largest) >= 60)
    assert close_to_share(chance, hits)


@given(st.floats(0.001, 0.999), st.floats(1.0, 59.0))
def test_delay_at_inverts_delay_chance(chance, start):
    for growth in (GROWTH, DelayTime(2000.0)):
        delay = growth.delay_at(np.array(chance), start, 60.0)
        assert growth.delay_chance(delay, start, 60.0) == pytest.approx(chance, rel=1e-6)


def test_size_is_the_start_at_onset_the_limit_after_the_delay_and_stops_at_the_largest():
    case = Case(20.0, 1.0, 70.0)
    size = GROWTH.size(np.array([0.0, 500.0, 1000.0, 5000.0]), case, np.array(1000.0), 60.0)
    np.testing.assert_allclose(size, [20.0, 40.0, 60.0, 70.0])
    endless = GROWTH.size(np.array(5000.0), Case(20.0, 1.0, np.inf), np.array(1000.0), 60.0)
    assert endless == pytest.approx(220.0)


def test_beyond_cases_share_all_damage_born_beyond_the_limit():
    cases = list(GROWTH.beyond_cases(60.0, 4))
    weights = np.array([weight for _, weight, _ in cases])
    assert weights.sum() == pytest.approx(GROWTH.born_beyond(60.0), rel=1e-12)
    assert all(start >= 60 for start, _, _ in cases)
    still = sum(weight for _, weight, rate in cases if rate == 0)
    assert still == pytest.approx(0.2 * GROWTH.born_beyond(60.0), rel=1e-12)
    assert list(LinearGrowth(20.0, 0.0, 0.02, 0.5).beyond_cases(60.0, 4)) == []


def test_jumps_are_given_only_where_rates_are_all_but_alike():
    assert GROWTH.jumps(60.0, 5).size == 0
    steady = LinearGrowth(20.0, 0.0, 0.02, 0.0)
    np.testing.assert_allclose(steady.jumps(60.0, 5), 2000.0, rtol=1e-6)


def test_steady_growth_without_spread_has_one_delay():
    steady = LinearGrowth(20.0, 0.0, 0.02, 0.0)
    assert sum(case.weight for case in steady.cases(60.0, 5)) == pytest.approx(1.0)
    for case in steady.cases(60.0, 5):
        assert case.start == pytest.approx(20.0)
        np.testing.assert_allclose(
            steady.delay_chance(np.array([0.0, 1999.0, 2001.0]), case.start, 60.0), [0, 0, 1]
        )


def test_convert_changes_the_clock_and_nothing_else():
    """2 cycles an hour: half the growth each cycle, so the same size after the same calendar."""
    other = GROWTH.convert(2.0, "flight_cycles")
    assert (other.rate_median, other.clock) == (0.01, "flight_cycles")
    assert other.delay_at(np.array(0.3), 20.0, 60.0) == pytest.approx(
        2 * GROWTH.delay_at(np.array(0.3), 20.0, 60.0)
    )
    assert other.born_beyond(60.0) == GROWTH.born_beyond(60.0)


def test_mixture_has_all_damage_and_its_moments():
    """5 and 4 Gauss points in the probability scale: means good for a few in 100."""
    weight, start, rate, largest = GROWTH.mixture()
    assert weight.sum() == pytest.approx(1.0, rel=1e-12)
    assert weight @ (rate == 0) == pytest.approx(0.2)
    assert weight @ (np.isfinite(largest) & (rate > 0)) == pytest.approx(0.8 * 0.3)
    assert weight @ np.log(start) == pytest.approx(np.log(25.0), rel=1e-9)
    assert weight @ start == pytest.approx(25 * np.exp(0.5**2 / 2), rel=0.03)
    assert weight @ rate == pytest.approx(0.8 * 0.02 * np.exp(0.6**2 / 2), rel=0.04)
    fine = GROWTH.mixture(40, 40)
    assert fine[0] @ fine[1] == pytest.approx(25 * np.exp(0.5**2 / 2), rel=2e-3)


def test_chance_of_detection_by_delay_averages_over_side_size_and_rate():
    curve = DetectionCurve(a50=30.0, slope=4.0, plateau=0.9, far_side_share=0.2, far_side_plateau=0.3)
    model = SizeDetection(curve, GROWTH)
    delays = np.array([0.0, 500.0, 2000.0, 8000.0])
    pod = model.pod_at_delay(delays) @ model.weights
    start, rate, largest = draw(GROWTH, seed=3)
    side = 0.8 + 0.2 * 0.3 / 0.9
    for delay, value in zip(delays, pod, strict=True):
        hit = curve.pod(np.minimum(start + rate * delay, largest)) * side
        assert value == pytest.approx(hit.mean(), rel=0.02)
    assert model.weights.sum() == pytest.approx(1.0, rel=1e-12)
    assert model.pod_at_delay(delays).shape == (4, model.weights.size)


def test_delay_time_is_exponential_and_has_nothing_else():
    model = DelayTime(2000.0)
    np.testing.assert_allclose(model.delay_chance(np.array([0.0, 2000.0]), 0.0, 60.0), [0.0, 1 - np.exp(-1)])
    assert model.delay_at(np.array(0.5), 0.0, 60.0) == pytest.approx(2000 * np.log(2))
    assert model.born_beyond(60.0) == 0.0
    assert list(model.beyond_cases(60.0, 3)) == []
    assert list(model.cases(60.0, 9)) == [Case(0.0, 1.0, np.inf)]
    assert model.jumps(60.0, 3).size == 0
    assert model.size(np.array(500.0), Case(0.0, 1.0, np.inf), np.array(1000.0), 60.0) == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"onset_median": 0.0}, "`onset_median` must be positive"),
        ({"rate_median": np.inf}, "`rate_median`"),
        ({"onset_log_sd": -0.1}, "`onset_log_sd` must be at least 0"),
        ({"rate_log_sd": np.nan}, "`rate_log_sd`"),
        ({"no_growth_share": 1.1}, "`no_growth_share` must be between"),
        ({"arrest_share": -0.1}, "`arrest_share`"),
        ({"arrest_ratio": 0.9}, "`arrest_ratio` must be at least 1"),
    ],
)
def test_numbers_outside_their_range_are_refused(change, message):
    numbers = {"onset_median": 20.0, "onset_log_sd": 0.4, "rate_median": 0.02, "rate_log_sd": 0.5}
    with pytest.raises(ValueError, match=message):
        LinearGrowth(**{**numbers, **change})


@pytest.mark.parametrize(("form", "rate"), [("proportional", 3e-4), ("pressure", 0.03)])
def test_other_forms_reach_the_limit_when_their_sizes_do(form, rate):
    """Against draws from the definition: chance of the delay, its inverse, the size on the way, detection."""
    growth = Growth(25.0, 0.3, rate, 0.5, 0.2, clock="flight_hours", form=form)
    rng = np.random.default_rng(3)
    rates = rate * np.exp(0.5 * rng.standard_normal(N))
    within = size_after(form, 25.0, rates, 3000.0) > 60.0
    assert close_to_share(float(growth.delay_chance(np.array([3000.0]), 25.0, 60.0)[0]), within)
    delay = growth.delay_at(np.array([0.1, 0.5, 0.9]), 25.0, 60.0)
    np.testing.assert_allclose(growth.delay_chance(delay, 25.0, 60.0), [0.1, 0.5, 0.9])
    np.testing.assert_allclose(growth.size(delay, Case(25.0, 1.0, np.inf), delay, 60.0), 60.0)
    np.testing.assert_allclose(growth.size(0 * delay, Case(25.0, 1.0, np.inf), delay, 60.0), 25.0)
    curve = DetectionCurve(30.0, 4.0, 0.95)
    model = SizeDetection(curve, growth)
    start = 25.0 * np.exp(0.3 * rng.standard_normal(N))
    rates = np.where(rng.random(N) < 0.2, 0.0, rates)
    found = curve.pod(size_after(form, start, rates, 2000.0))
    expected = float((model.weights * model.pod_at_delay(np.array([2000.0]))[0]).sum())
    assert expected == pytest.approx(found.mean(), abs=0.006)
    assert growth.convert(2.0, "flight_cycles").rate_median == rate / 2


def test_an_unknown_form_is_refused():
    with pytest.raises(ValueError, match="`form` must be one of linear, proportional, pressure"):
        Growth(25.0, 0.3, 0.01, 0.5, form="cubic")
