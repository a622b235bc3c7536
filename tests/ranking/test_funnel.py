"""Limits of chance, and many tests at once."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import false_discovery_control, poisson

from kit.numerics.poisson import poisson_bounds
from kit.ranking import funnel_limits, funnel_table, overdispersion, poisson_p_values, step_up


@given(st.floats(0.05, 3000), st.sampled_from([0.8, 0.95, 0.998]))
def test_funnel_limits_spiegelhalter_2005(expected, level):
    """Appendix A.1 (from memory): the count at which the distribution passes the tail, drawn back by the part of its step."""
    for p, limit in zip(
        ((1 - level) / 2, (1 + level) / 2), funnel_limits([expected], level=level), strict=True
    ):
        r = poisson.ppf(p, expected)
        back = (poisson.cdf(r, expected) - p) / poisson.pmf(r, expected)
        assert float(limit[0]) == pytest.approx(max(r - back, 0) / expected, rel=1e-6, abs=1e-9)


def test_limits_close_in_as_more_is_expected_and_widen_with_the_level():
    low, high = funnel_limits(np.geomspace(5, 5000, 40))
    assert (np.diff(low) > 0).all()
    assert (np.diff(high) < 0).all()
    assert (funnel_limits([20.0], level=0.998)[1] > funnel_limits([20.0])[1]).all()


@given(st.integers(0, 60), st.floats(0.1, 60))
def test_a_p_value_says_what_the_exact_bounds_say(found, expected):
    """The fault of the former table: a p of .043 beside bounds that held the value."""
    p = float(poisson_p_values([found], [expected])[0])
    low, high = poisson_bounds([found], level=0.95)
    if abs(p - 0.05) > 1e-6:
        assert (p < 0.05) == (expected < low[0] or expected > high[0])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12))
def test_step_up_benjamini_hochberg_1995_as_another_library_has_it(p):
    assert step_up(p)[1] == pytest.approx(false_discovery_control(p), abs=1e-12)


def test_the_table_names_the_zone_that_stands_out_and_its_side():
    table = funnel_table(list("abc"), [60, 20, 3], [20.0, 20.0, 20.0])
    assert table["side"].tolist() == ["high", "", "low"]
    assert table["lower_95"].iloc[0] < 1 < table["upper_99_8"].iloc[0]


def test_overdispersion_is_about_one_by_chance_and_more_where_zones_differ():
    rng = np.random.default_rng(2)
    e = np.full(400, 25.0)
    assert overdispersion(rng.poisson(e), e, pulled_in=0.0) == pytest.approx(1.0, abs=0.2)
    assert overdispersion(rng.poisson(e * rng.gamma(4, 0.25, 400)), e) > 2
