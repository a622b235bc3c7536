"""Multipliers drawn from found and expected."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import gamma

from kit.numerics.gamma_poisson import fit_gamma_poisson
from kit.posterior import frailty_draws
from kit.ranking import shrink

FOUND, EXPECTED = [60, 3, 20, 22, 8, 0], [20.0, 1.0, 20.0, 20.0, 9.0, 4.0]


def test_without_false_calls_draws_given_mean_and_spread_are_the_conjugate_gamma():
    """Gamma of shape 1/v + found and rate 1/(v mean) + expected, checked by its mean and standard deviation."""
    made = shrink(list("abcdef"), FOUND, EXPECTED, n=8192)
    k = 1 / made.spread[:, None] ** 2
    exact = gamma(k + np.array(FOUND), scale=1 / (k / made.mean[:, None] + np.array(EXPECTED)))
    assert made.multiplier.mean(axis=0) == pytest.approx(exact.mean().mean(axis=0), rel=0.02)
    u = exact.cdf(made.multiplier)
    assert u.mean(axis=0) == pytest.approx(np.full(6, 0.5), abs=0.02)
    assert u.std(axis=0) == pytest.approx(np.full(6, 12**-0.5), abs=0.02)


def test_it_agrees_with_maximum_likelihood_and_with_the_frailty_of_the_intervals():
    """Three ways to the same zones: they differ in priors of the spread, so to within a tenth."""
    names = list("abcdef")
    made = shrink(names, FOUND, EXPECTED, n=4096).multiplier.mean(axis=0)
    fitted = fit_gamma_poisson(FOUND, EXPECTED).posterior_mean
    frailty = frailty_draws(names, np.array(FOUND, float), np.array(EXPECTED), n=4096, seed=1)
    many = [0, 2, 3]
    assert made[many] == pytest.approx(fitted[many], rel=0.1)
    assert made[many] == pytest.approx(frailty.multiplier.mean(axis=0)[many], rel=0.12)


def test_false_calls_take_from_a_quiet_zone_what_is_not_its_own():
    plain = shrink(list("abcd"), [4, 30, 28, 33], [10.0] * 4)
    honest = shrink(list("abcd"), [4, 30, 28, 33], [10.0] * 4, false_calls=[4.0, 4.0, 4.0, 4.0])
    fall = honest.to_frame()["multiplier"] / plain.to_frame()["multiplier"]
    assert fall["a"] < 0.7
    assert (fall[["b", "c", "d"]] > 0.8).all()


def test_many_finds_are_as_exact_as_few():
    made = shrink(list("ab"), [40_000, 41_000], [20_000.0, 20_000.0])
    assert made.multiplier.std(axis=0) == pytest.approx(np.sqrt([40_000, 41_000]) / 20_000, rel=0.08)


def test_a_log_normal_spread_gives_nearly_the_same_where_finds_are_many():
    two = [
        shrink(list("abcdef"), FOUND, EXPECTED, prior=p).multiplier.mean(axis=0)
        for p in ("gamma", "log-normal")
    ]
    assert two[0][[0, 2, 3]] == pytest.approx(two[1][[0, 2, 3]], rel=0.1)


def test_a_zone_that_expects_nothing_gets_what_the_others_say():
    made = shrink(list("abc"), [10, 14, 0], [10.0, 10.0, 0.0])
    assert 0.7 < made.multiplier[:, 2].mean() < 1.8


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 25), st.integers(1, 15), st.integers(0, 4))
def test_more_finds_never_make_a_zone_look_better(found, more, where):
    counts = np.array([12.0, 5.0, 20.0, 9.0, 14.0])
    counts[where] = found
    raised = counts.copy()
    raised[where] += more
    base, up = (
        shrink(list("abcde"), x, [10.0] * 5, n=512).multiplier[:, where].mean() for x in (counts, raised)
    )
    assert up > base - 0.02


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"prior": "normal"}, "`prior` must be one of gamma, log-normal. Got 'normal'."),
        ({"found": [0, 0]}, "Got none: zones are indistinguishable without."),
        ({"expected": [np.nan, 1.0]}, "rows are not, first row 0"),
    ],
)
def test_what_cannot_be_is_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        shrink(**{"names": ["a", "b"], "found": [1, 2], "expected": [1.0, 1.0]} | arguments)
