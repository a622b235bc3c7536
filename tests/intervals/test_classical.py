"""Failure finding, replacement by age and looks needed, against published and re-derived values."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

import kit
from kit.intervals import age_replacement, failure_finding_interval, looks_needed

REFERENCES = Path(__file__).parents[1] / "data" / "references"


@pytest.mark.parametrize(
    "row", list(pd.read_csv(REFERENCES / "E1_failure_finding_interval.csv").itertuples())
)
def test_failure_finding_interval_e1(row):
    """Moubray, RCM II, 1997: the linear rule; the exact root of (1 - exp(-x)) / x = availability."""
    unavailability = 1 - row.availability
    linear = failure_finding_interval(1.0, 1.0, unavailability, method="linear")
    assert linear == pytest.approx(row.ffi_over_mtbf_linear, abs=1e-12)
    exact = failure_finding_interval(1.0, 1.0, unavailability)
    assert exact == pytest.approx(row.ffi_over_mtbf_exact_exponential, rel=1e-7)
    assert linear < exact


@given(st.floats(0.3, 8), st.floats(1e-6, 0.99), st.floats(1, 1e6))
@example(7.0, 0.658282937011819, 1.0)  # nearly all lives end within the interval
def test_mean_unavailability_over_the_interval_is_the_one_asked(shape, unavailability, scale):
    """By nested integration, for any Weibull shape."""
    interval = kit.failure_finding_interval(scale, shape, unavailability) / scale
    failed = quad(lambda u: -np.expm1(-((u * interval) ** shape)), 0, 1, epsabs=0, epsrel=1e-9, limit=200)[0]
    assert failed == pytest.approx(unavailability, rel=1e-6)


@pytest.mark.parametrize("row", list(pd.read_csv(REFERENCES / "E2_pf_interval.csv").itertuples()))
def test_looks_needed_e2(row):
    """NAVAIR 00-25-403: n = ln(accepted) / ln(1 - detection), rounded up."""
    n = looks_needed(row.theta_single_inspection_detection, row.Pacc_acceptable_probability_of_failure)
    assert n == row.n_rounded_up
    assert 1000 / n == pytest.approx(row.interval_for_PF_1000, rel=1e-5)


@pytest.mark.parametrize("row", list(pd.read_csv(REFERENCES / "E4_age_replacement.csv").itertuples()))
def test_age_replacement_e4(row):
    """Barlow and Proschan, Mathematical Theory of Reliability, 1965: age, cost rate, and against running to failure."""
    best = age_replacement(1.0, row.beta, row.cf_over_cp)
    assert best.age == pytest.approx(row.T_star_over_eta, abs=2e-5)
    assert best.cost_rate == pytest.approx(row.cost_rate_times_eta_over_cp, rel=1e-7)
    assert best.relative_cost == pytest.approx(row.cost_relative_to_run_to_failure, rel=1e-6)


@given(st.floats(1.05, 8), st.floats(1.05, 1000))
def test_no_other_age_costs_less(shape, ratio):
    best = kit.age_replacement(1.0, shape, ratio)

    def cost(log_age):
        age = np.exp(log_age)
        failed = -np.expm1(-(age**shape))
        return (1 - failed + ratio * failed) / quad(lambda t: np.exp(-(t**shape)), 0, age)[0]

    assert best.cost_rate == pytest.approx(cost(np.log(min(best.age, 50.0))), rel=1e-6)
    around = minimize_scalar(cost, bounds=(-12, 5), method="bounded", options={"xatol": 1e-8})
    assert best.cost_rate <= around.fun * (1 + 1e-6)


def test_where_the_hazard_does_not_rise_or_failures_cost_no_more_nothing_is_replaced_before():
    for shape, ratio in ((1.0, 10.0), (0.7, 10.0), (3.0, 1.0), (3.0, 0.5)):
        best = age_replacement(1000.0, shape, ratio)
        assert best.age == np.inf
        assert best.relative_cost == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: failure_finding_interval(0.0, 1.0, 0.1), r"`scale` must be positive and finite\. Got 0\.0"),
        (lambda: failure_finding_interval(1.0, 1.0, 1.0), r"`unavailability` must be between 0 and 1\. Got 1\.0"),
        (lambda: failure_finding_interval(1.0, 1.0, 0.1, method="cubic"), r"'exact' or 'linear'\. Got 'cubic'"),
        (lambda: age_replacement(1.0, np.inf, 2.0), r"`shape` must be positive and finite\. Got inf"),
        (lambda: looks_needed(1.0, 0.1), r"`pod` must be between 0 and 1\. Got 1\.0"),
    ],
)  # fmt: skip
def test_bad_arguments_are_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()
