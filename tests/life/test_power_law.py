"""Power-law processes and trend tests, against published cases, closed forms and what must not matter."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from kit.life import (
    NoFiniteMaximum,
    fit_power_law,
    fit_power_law_grouped,
    trend_tests,
)

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv").set_index(["case", "quantity"])


def expected(case, quantity):
    row = EXPECTED.loc[(case, quantity)]
    return pytest.approx(row["expected"], abs=max(row["tol_abs"], 1e-12))


def read(case):
    return pd.read_csv(next(REFERENCES.glob(f"{case}_*.csv")))


def events_of(case):
    data = read(case)
    return data.iloc[:, 1].to_numpy(float), float(EXPECTED.loc[(case, "end_of_observation"), "expected"])


@pytest.mark.parametrize("case", ["C2", "C3", "C5"])
def test_power_law_of_published_repairs(case):
    """C2 NIST handbook 8.4.5.2; C3 MIL-HDBK-189 (1981) appendix C; C5 Ascher and Feingold 1984."""
    ages, end = events_of(case)
    fit = fit_power_law(ages, end)
    assert fit.n_events == expected(case, "n")
    assert fit.shape == expected(case, "beta_mle")
    assert fit.rate == expected(case, "lambda_mle")
    assert fit.shape_unbiased == expected(case, "beta_unbiased_time_terminated")
    assert fit.rate_unbiased == expected(case, "lambda_at_beta_unbiased")
    assert float(fit.intensity(end)) == expected(case, "intensity_at_T_mle")
    assert fit.mtbf == expected(case, "mtbf_at_T_mle")
    assert fit.mtbf_unbiased == expected(case, "mtbf_at_T_unbiased")
    assert fit.cramer_von_mises() == expected(case, "cramer_von_mises")
    assert float(fit.expected(end)) == pytest.approx(fit.n_events)


@pytest.mark.parametrize("case", ["C2", "C3", "C5"])
def test_trend_tests_of_published_repairs(case):
    tests = trend_tests(*events_of(case)).set_index("test")
    assert tests.loc["laplace", "statistic"] == expected(case, "laplace_U")
    assert tests.loc["power law", "statistic"] == expected(case, "milhdbk189_chi2")
    low = EXPECTED.loc[(case, "milhdbk189_lower_tail_p"), "expected"]
    assert tests.loc["power law", "p_value"] == pytest.approx(2 * min(low, 1 - low), abs=2e-6)
    assert tests["p_value"].between(0, 1).all()


def test_reversals_nist_handbook_8_2_3_4():
    """33 of 45 pairs of gaps: repairs come less often."""
    tests = trend_tests(*events_of("C2")).set_index("test")
    assert tests.loc["reversals", "statistic"] == expected("C2", "reversals")
    assert tests.loc["reversals", "direction"] == "less often"


def test_ascher_and_feingold_1984_scale_form():
    """C5 also in the form (t / eta)^beta."""
    fit = fit_power_law(*events_of("C5"))
    assert fit.rate ** (-1 / fit.shape) == expected("C5", "eta_kilohours_(t/eta)^beta_form")


def test_grouped_power_law_mil_hdbk_189():
    data = read("C4")
    edges = np.r_[data["start_h"], data["end_h"].iloc[-1]]
    fit = fit_power_law_grouped(edges, data["failures"])
    assert fit.shape == expected("C4", "beta")
    assert fit.rate == expected("C4", "lambda")
    assert float(fit.intensity(100.0)) == expected("C4", "intensity_at_100h")
    assert fit.mtbf == expected("C4", "mtbf_at_100h")
    for i, count in enumerate(np.diff(fit.expected(edges)), start=1):
        assert count == expected("C4", f"expected_count_{i}")


def test_one_event_a_group_comes_near_the_fit_to_ages():
    ages, end = events_of("C3")
    edges = np.linspace(0, end, 3001)
    grouped = fit_power_law_grouped(edges, np.histogram(ages, edges)[0])
    assert grouped.shape == pytest.approx(fit_power_law(ages, end).shape, rel=2e-3)


def test_several_units_with_one_end_are_one_with_all_events():
    """n / sum log(T/t) over all events."""
    units = [[100.0, 700.0], [300.0], []]
    fit = fit_power_law(units, [1000.0, 1000.0, 1000.0])
    every = np.array([100.0, 700.0, 300.0])
    assert fit.shape == pytest.approx(3 / np.log(1000 / every).sum(), rel=1e-12)
    assert fit.rate == pytest.approx(3 / (3 * 1000**fit.shape), rel=1e-12)


def test_several_ends_give_the_highest_likelihood():
    units, ends = [[100.0, 700.0], [300.0, 350.0, 1900.0], []], np.array([1000.0, 2000.0, 500.0])
    fit = fit_power_law(units, ends)
    every = np.concatenate([np.array(one) for one in units])

    def value(shape):
        rate = every.size / (ends**shape).sum()
        return every.size * np.log(rate * shape) + (shape - 1) * np.log(every).sum() - every.size

    assert fit.log_likelihood == pytest.approx(value(fit.shape), rel=1e-12)
    for step in (0.999, 1.001):
        assert value(fit.shape * step) < fit.log_likelihood


def test_bounds_of_the_shape_cover_it_as_often_as_they_say():
    """400 simulated units, shape 1.6, watched until about 12 events."""
    rng, inside = np.random.default_rng(1), 0
    for _ in range(400):
        n = rng.poisson(12.0)
        if n < 2:
            inside += 1
            continue
        low, high = fit_power_law(1000 * rng.random(n) ** (1 / 1.6), 1000.0).bounds(
            "shape", level=0.9, method="exact"
        )
        inside += low <= 1.6 <= high
    assert 0.86 <= inside / 400 <= 0.94


def test_events_at_a_constant_rate_show_a_trend_as_rarely_as_the_level_says():
    rng = np.random.default_rng(2)
    p = np.array(
        [trend_tests(1000 * rng.random(20), 1000.0).set_index("test")["p_value"] for _ in range(300)]
    )
    assert ((p < 0.1).mean(axis=0) < 0.15).all()
    assert ((p < 0.1).mean(axis=0) > 0.05).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100.0))
def test_order_and_unit_do_not_matter(seed, scale):
    ages = np.sort(np.random.default_rng(seed).uniform(1, 99, 8))
    one, other = fit_power_law(ages, 100.0), fit_power_law(ages[::-1] * scale, 100.0 * scale)
    assert other.shape == pytest.approx(one.shape)
    assert other.mtbf == pytest.approx(one.mtbf * scale)


def test_no_events_are_refused_with_what_can_be_had():
    with pytest.raises(NoFiniteMaximum, match="a bound of a constant rate"):
        fit_power_law([], 100.0)
    with pytest.raises(NoFiniteMaximum, match="no event before the end"):
        fit_power_law([100.0], 100.0)
    with pytest.raises(NoFiniteMaximum, match="first or in the last interval"):
        fit_power_law_grouped([0, 10, 20], [4, 0])
    with pytest.raises(ValueError, match="not beyond `end`"):
        fit_power_law([5.0, 200.0], 100.0)
    with pytest.raises(ValueError, match="one of time, event"):
        trend_tests([5.0], 100.0, truncated="failure")


def test_profile_bounds_of_a_power_law_lie_where_the_likelihood_has_dropped():
    units, ends = [[100.0, 700.0], [300.0, 350.0, 1900.0], []], np.array([1000.0, 2000.0, 500.0])
    fit = fit_power_law(units, ends)
    every = np.concatenate([np.array(one) for one in units])

    def value(shape, rate):
        return (
            every.size * np.log(rate * shape) + (shape - 1) * np.log(every).sum() - rate * (ends**shape).sum()
        )

    for shape in fit.bounds("shape"):
        assert fit.log_likelihood - value(shape, every.size / (ends**shape).sum()) == pytest.approx(1.920729)
    for rate in fit.bounds("rate"):
        best = minimize_scalar(lambda b, rate=rate: -value(b, rate), bounds=(0.05, 5), method="bounded")
        assert fit.log_likelihood + best.fun == pytest.approx(1.920729, rel=1e-4)


def test_the_covariance_of_a_power_law_is_that_of_its_curvature():
    ages, end = events_of("C3")
    fit = fit_power_law(ages, end)
    assert fit.standard_error("log_shape") == pytest.approx(1 / np.sqrt(fit.n_events))


def test_exact_bounds_need_one_end_and_the_old_name_still_gives_them():
    fit = fit_power_law([[100.0, 700.0], [300.0]], [1000.0, 2000.0])
    with pytest.raises(ValueError, match="Got shape with several ends or counts"):
        fit.bounds("shape", method="exact")
    one = fit_power_law([100.0, 700.0, 300.0], 1000.0)
    with pytest.warns(DeprecationWarning, match="shape_bounds is now bounds"):
        old = one.shape_bounds(0.9)
    assert old == one.bounds("shape", level=0.9, method="exact")
