"""How far an answer hangs on the finite number of its draws: Monte Carlo standard error of an interval."""

from __future__ import annotations

import numpy as np

from kit.intervals.held import held_values
from kit.intervals.problem import Problem
from kit.intervals.rules import Schedule
from kit.numerics.typing import Floats

_STEP = 1.25  # on both sides of the interval of the rule, to see how fast the risk rises with it
_APART = (
    2.0  # standard errors on both sides of the asked share, between which quantiles of the risk are taken
)
LARGE = 0.05
"""Relative standard error of the interval from which on more draws are asked for [-]."""


def risk_and_rise(problem: Problem, interval: float, latest: float) -> tuple[Floats, float]:
    """Return the risk that is held against the target at an interval, and how fast its asked quantile rises with the interval.

    Parameters
    ----------
    problem : Problem
        The problem.
    interval : float
        What the risk rule allows [units of the schedule's clock].
    latest : float
        Age of the threshold rule [same].

    Returns
    -------
    risk : ndarray, shape (n_draws,)
        In each draw [per 10,000 panel flight hours].
    rise : float
        Power of the interval with which the quantile at the asked share of draws rises [-].
    """
    asked = problem.ask.target.share_of_draws
    below, here, beyond = (
        np.maximum(held_values(problem, min(latest, repeat), repeat), 1e-300)
        for repeat in (interval / _STEP, interval, _STEP * interval)
    )
    rise = np.log(np.quantile(beyond, asked) / np.quantile(below, asked)) / (2 * np.log(_STEP))
    return here, float(rise)


def monte_carlo_error(problem: Problem, interval: float, latest: float) -> float:
    r"""Relative standard error of the interval of the risk rule that comes from the number of draws alone.

    Parameters
    ----------
    problem : Problem
        The problem.
    interval : float
        What the risk rule allows [units of the schedule's clock].
    latest : float
        Age of the threshold rule [same].

    Returns
    -------
    float
        Standard error over the interval; nan where the risk does not rise with the interval [-].

    Notes
    -----
    The share of n independent draws below the target has a standard error of :math:`\sqrt{q (1 - q) / n}`; how far the
    quantiles of the risk lie apart about q, over the slope of the log of the risk by the log of the interval, gives that
    of the interval. Draws that are more even than independent ones err by less.
    """
    asked = problem.ask.target.share_of_draws
    error = float(np.sqrt(asked * (1 - asked) / problem.n_draws))
    here, rise = risk_and_rise(problem, interval, latest)
    ends = np.clip([asked - _APART * error, asked + _APART * error], 0.0, 1.0)
    low, high = np.log(np.quantile(here, ends))
    slope = (high - low) / (ends[1] - ends[0])  # of the log of the risk by the share of the draws
    return float(error * slope / rise) if rise > 0.05 else float("nan")


def draws_words(problem: Problem, schedule: Schedule) -> tuple[str, str]:
    """Say how far the interval of the risk rule hangs on the number of draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    schedule : Schedule
        What is recommended.

    Returns
    -------
    stated, caution : str
        What is said with every answer, and what is said first where the error is large; empty where there is nothing to say.
    """
    rules = {rule.rule: rule for rule in schedule.rules}
    risk, ask = rules.get("risk"), problem.ask
    draws = f"{problem.n_draws:,} draws of {ask.samples:,} damages from seed {ask.seed}"
    if not problem.is_drawn or risk is None or risk.interval is None or risk.is_open:
        return "", ""
    error = monte_carlo_error(problem, risk.interval, rules["threshold"].interval)
    if not np.isfinite(error):
        return "", ""
    stated = f"{draws}: others would give the risk rule an interval that differs by about {error:.0%} (one standard error)"
    if error <= LARGE:
        return stated, ""
    return stated, (
        f"the risk rule's interval hangs on the draws: {draws} leave it sure to about {error:.0%} (one standard error); ask for more `draws` "
        "before it is signed, sixteen times as many for a fourth of that"
    )
