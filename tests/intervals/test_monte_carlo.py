"""How far an interval hangs on the number of draws is worked out and said."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

from kit.intervals import monte_carlo
from kit.intervals.answer import RuleAnswer

RISE, SPREAD, ASKED = 1.5, 0.8, 0.95


@pytest.fixture
def problem(monkeypatch):
    """Log-normal risk that rises with a power of the interval."""
    points = norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    monkeypatch.setattr(
        monte_carlo, "held_values", lambda _, first, repeat: repeat**RISE * np.exp(SPREAD * points)
    )

    def with_draws(n):
        ask = SimpleNamespace(target=SimpleNamespace(share_of_draws=ASKED), seed=7, samples=96)
        return SimpleNamespace(ask=ask, n_draws=n, is_drawn=True)

    return with_draws


def schedule(interval, *, is_open=False):
    threshold = RuleAnswer("threshold", 900.0, True, "")
    return SimpleNamespace(rules=(threshold, RuleAnswer("risk", interval, True, "", is_open=is_open)))


@pytest.mark.parametrize(("n", "bend"), [(1024, 0.025), (16384, 0.002)])
def test_the_error_is_that_of_a_quantile_of_independent_draws(problem, n, bend):
    """Standard error of a sample quantile, sqrt(q (1 - q) / n) / f(x_q): David and Nagaraja, Order Statistics, from memory.

    The density is had from quantiles four standard errors apart, between which a normal one bends by the `bend` given.
    """
    z = norm.ppf(ASKED)
    of_log_risk = SPREAD * np.sqrt(ASKED * (1 - ASKED) / n) / norm.pdf(z)
    found = monte_carlo.monte_carlo_error(problem(n), 2000.0, 900.0)
    assert found == pytest.approx(of_log_risk / RISE, rel=bend)


def test_few_draws_are_a_caution_and_many_are_a_statement(problem):
    stated, caution = monte_carlo.draws_words(problem(256), schedule(2000.0))
    assert "256 draws of 96 damages from seed 7" in stated
    assert "ask for more `draws`" in caution
    stated, caution = monte_carlo.draws_words(problem(4096), schedule(2000.0))
    assert "1%" in stated or "2%" in stated
    assert caution == ""


def test_nothing_is_said_where_no_interval_was_limited_by_the_draws(problem):
    assert monte_carlo.draws_words(problem(1024), schedule(None)) == ("", "")
    assert monte_carlo.draws_words(problem(1024), schedule(20_000.0, is_open=True)) == ("", "")
