"""Trials of one size: how many, and what they prove."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from kit.detection import demonstration_plan, pod_bounds

REFERENCES = Path(__file__).parents[1] / "data" / "references"
EXPECTED = pd.read_csv(REFERENCES / "expected.csv")
PLANS = pd.read_csv(REFERENCES / "D1_binomial_demo_90_95.csv")
INTERVALS = pd.read_csv(REFERENCES / "D2_binomial_intervals_95.csv")


def d1(quantity):
    if quantity.startswith("n_required"):
        return demonstration_plan(misses=int(quantity[-1])).n_trials
    if quantity.startswith("n_zero_miss"):
        pod, confidence = map(float, quantity.removeprefix("n_zero_miss_").split("/"))
        return demonstration_plan(pod, confidence).n_trials
    if quantity == "0.9^29":
        return demonstration_plan().chance_if_just_met
    assert quantity == "cp_lower95_29_of_29"
    return float(pod_bounds(29, 29, one_sided=True)[0])


@pytest.mark.parametrize(
    "row", list(EXPECTED.query("case == 'D1'").itertuples()), ids=lambda row: row.quantity
)
def test_demonstration_clopper_pearson_1934(row):
    assert d1(row.quantity) == pytest.approx(row.expected, abs=row.tol_abs)


@pytest.mark.parametrize("row", list(PLANS.itertuples(index=False)), ids=lambda row: f"{row.misses}_misses")
def test_plan_table_d1(row):
    """Printed to six decimals."""
    plan = demonstration_plan(misses=row.misses)
    assert (plan.n_trials, plan.hits) == (row.n_required, row.detections)
    assert plan.chance_if_just_met == pytest.approx(row[4], abs=5e-7)
    assert pod_bounds(plan.hits, plan.n_trials, one_sided=True)[0] == pytest.approx(row[3], abs=5e-7)


@pytest.mark.parametrize(
    "row", list(EXPECTED.query("case == 'D2'").itertuples()), ids=lambda row: row.quantity
)
def test_bounds_wilson_1927_and_clopper_pearson_1934(row):
    method, _, rest = (
        row.quantity.partition("_lower_") if "_lower_" in row.quantity else row.quantity.partition("_upper_")
    )
    hits, trials = map(int, rest.split("_of_"))
    bound = pod_bounds(hits, trials, 0.95, method)["_upper_" in row.quantity]
    assert bound == pytest.approx(row.expected, abs=row.tol_abs)


@pytest.mark.parametrize(
    "row", list(INTERVALS.itertuples(index=False)), ids=lambda row: f"{row.x}_of_{row.n}"
)
def test_interval_table_d2(row):
    """Printed to six decimals."""
    for method in ("wilson", "clopper_pearson"):
        got = pod_bounds(row.x, row.n, method=method)
        assert [float(x) for x in got] == pytest.approx(
            [getattr(row, f"{method.replace('clopper_pearson', 'cp')}_{end}") for end in ("lower", "upper")],
            abs=6e-7,
        )


@given(st.integers(1, 200), st.integers(0, 200), st.floats(0.5, 0.999))
def test_bounds_agree_with_another_library(n, x, level):
    x = min(x, n)
    for method, theirs in (("clopper_pearson", "exact"), ("wilson", "wilson")):
        other = binomtest(x, n).proportion_ci(level, method=theirs)
        assert [float(v) for v in pod_bounds(x, n, level, method)] == pytest.approx(
            [other.low, other.high], abs=1e-9
        )


@given(st.floats(0.05, 0.99), st.floats(0.5, 0.99), st.integers(0, 8))
def test_a_plan_is_the_smallest_that_proves_it(pod, confidence, misses):
    plan = demonstration_plan(pod, confidence, misses)
    assert binom.cdf(misses, plan.n_trials, 1 - pod) <= 1 - confidence + 1e-12
    assert (
        plan.n_trials == misses + 1 or binom.cdf(misses, plan.n_trials - 1, 1 - pod) > 1 - confidence - 1e-12
    )


def test_one_sided_bounds_are_those_of_twice_the_tail():
    np.testing.assert_allclose(pod_bounds(20, 25, 0.95, one_sided=True), pod_bounds(20, 25, 0.90))


def test_a_better_method_passes_more_often_and_allowed_misses_help_it():
    none, five = demonstration_plan(), demonstration_plan(misses=5)
    assert none.chance_to_pass(0.98) == pytest.approx(0.98**29)
    assert none.chance_to_pass([0.9, 0.99]).tolist() == pytest.approx([0.9**29, 0.99**29])
    assert five.chance_to_pass(0.98) > none.chance_to_pass(0.98)
    assert none.curve().pod(50.0) == 0.9


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: demonstration_plan(1.0), r"`pod` must be above 0 and below 1. Got 1.0"),
        (lambda: demonstration_plan(level=0), r"`level` .*Got 0"),
        (lambda: demonstration_plan(misses=-1), r"`misses` must be a whole number of at least 0. Got -1"),
        (lambda: demonstration_plan(misses=0.5), r"`misses` .*Got 0.5"),
        (lambda: demonstration_plan(0.999999999), r"needs more than 10,000,000 damages"),
        (lambda: pod_bounds(3, 2), r"1 of 1 are not, first 3 of 2"),
        (lambda: pod_bounds([1, 2.5], 4), r"1 of 2 are not, first 2.5 of 4"),
        (lambda: pod_bounds(0, 0), r"first 0 of 0"),
        (lambda: pod_bounds(1, 2, method="jeffreys"), r"one of clopper_pearson, wilson. Got 'jeffreys'"),
        (lambda: pod_bounds(1, 2, 95), r"`level` .*Got 95"),
    ],
)
def test_wrong_arguments_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
