"""Intervals that textbooks give for one part by itself: failure finding, replacement by age, looks that are needed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import gamma, gammainc

_SMALL = 0.1  # cumulative hazard up to which a series keeps the digits that a difference from 1 loses


def failure_finding_interval(
    scale: float, shape: float, unavailability: float, method: str = "exact"
) -> float:
    r"""Longest interval between checks of a hidden function that keeps its mean unavailability.

    A hidden failure stays until the next check finds it. Each check finds it and leaves the item as new.

    Parameters
    ----------
    scale, shape : float
        Weibull life of the hidden function [clock units], [-]; shape 1 is the constant failure rate.
    unavailability : float
        Share of the time for which it may be failed, as a mean over the interval [-].
    method : str
        ``exact``, or ``linear``: the failed share taken to grow by the power of the shape, as if none could fail twice;
        it is slightly short, which is safe.

    Returns
    -------
    float
        Interval [clock units].

    Raises
    ------
    ValueError
        If an argument is outside its range or `method` unknown.

    Notes
    -----
    Exact: :math:`1 - \frac{1}{I} \int_0^I e^{-(t/\mathrm{scale})^{\mathrm{shape}}} dt` equals the unavailability.
    Linear: :math:`I = \mathrm{scale}\,[(1 + \mathrm{shape})\,U]^{1/\mathrm{shape}}`, which for shape 1 is twice
    the unavailability times the mean life.

    References
    ----------
    .. [1] J. Moubray, *RCM II*, 2nd ed., 1997 (the linear rule for a constant failure rate).

    Examples
    --------
    >>> round(failure_finding_interval(10.0, 1.0, 0.01, method="linear"), 3)  # years
    0.2
    >>> round(failure_finding_interval(10.0, 1.0, 0.01), 5)
    0.20134
    """
    _check(scale=scale, shape=shape)
    if not 0 < unavailability < 1:
        raise ValueError(f"`unavailability` must be between 0 and 1. Got {unavailability!r}.")
    if method not in ("exact", "linear"):
        raise ValueError(f"`method` must be 'exact' or 'linear'. Got {method!r}.")
    if method == "linear":
        return float(scale * ((1 + shape) * unavailability) ** (1 / shape))
    # The mean failed share is below the share at the end, and above 1 less mean life over interval: to the last digit where
    # hardly any life lasts longer, so that the end of the search lies a little beyond.
    low = np.log(unavailability) / shape
    high = max(np.log(gamma(1 + 1 / shape) / (1 - unavailability)) + 0.01, low + 1.0)
    root = brentq(
        lambda log_x: _mean_failed(float(np.exp(log_x)), shape) - unavailability, low - 1.0, high, xtol=1e-13
    )
    return float(scale * np.exp(root))


def _mean_failed(x: float, shape: float) -> float:
    """Mean of the failed share up to `x` scales."""
    hazard = x**shape
    if hazard < _SMALL:
        total, term = 0.0, 1.0
        for n in range(1, 30):
            term *= -hazard / n
            total -= term / (n * shape + 1)
        return total
    return 1.0 - _mean_life_up_to(x, shape) / x


def _mean_life_up_to(x: float, shape: float) -> float:
    """Work out the expected life, cut at `x` scales [scales]."""
    return float(gamma(1 + 1 / shape) * gammainc(1 / shape, x**shape))


@dataclass(frozen=True, kw_only=True)
class AgeReplacement:
    """Age at which replacing a part before it fails costs least.

    Parameters
    ----------
    scale, shape : float
        Weibull life [clock units], [-].
    cost_ratio : float
        Cost of a failure over that of a replacement before it [-].
    age : float
        Age of least cost; infinite where replacement before failure never pays [clock units].
    cost_rate : float
        Cost there, in replacements before failure [1/clock unit].
    relative_cost : float
        The same over that of running to failure [-].
    """

    scale: float
    shape: float
    cost_ratio: float
    age: float
    cost_rate: float
    relative_cost: float

    def __repr__(self) -> str:
        """Return one line."""
        return f"AgeReplacement(age={self.age:.6g}, relative_cost={self.relative_cost:.4g})"

    def to_frame(self) -> pd.DataFrame:
        """Return one row.

        Returns
        -------
        DataFrame
            Columns scale, shape, cost_ratio, age, cost_rate, relative_cost.
        """
        return pd.DataFrame([{name: getattr(self, name) for name in self.__dataclass_fields__}])


def age_replacement(scale: float, shape: float, cost_ratio: float) -> AgeReplacement:
    r"""Age at which replacing a part before it fails costs least per time in the long run.

    Parameters
    ----------
    scale, shape : float
        Weibull life [clock units], [-].
    cost_ratio : float
        Cost of a failure, everything included, over that of a replacement before it [-].

    Returns
    -------
    AgeReplacement
        With an infinite age where the shape is at most 1 or the failure costs no more: running to failure is best.

    Raises
    ------
    ValueError
        If an argument is not positive.

    Notes
    -----
    Least :math:`[R(T) + r F(T)] / \int_0^T R(t)\,dt`; there
    :math:`h(T) \int_0^T R(t)\,dt - F(T) = 1 / (r - 1)`, whose left side rises with T where the hazard does.

    References
    ----------
    .. [1] R. E. Barlow and F. Proschan, *Mathematical Theory of Reliability*. New York: Wiley, 1965, ch. 4.

    Examples
    --------
    >>> age_replacement(1000.0, 2.5, 5.0)
    AgeReplacement(age=493.047, relative_cost=0.6143)
    """
    _check(scale=scale, shape=shape, cost_ratio=cost_ratio)
    mean = float(gamma(1 + 1 / shape))
    age, rate = float("inf"), cost_ratio / mean
    if shape > 1 and cost_ratio > 1:

        def surplus(log_x: float) -> float:
            x = float(np.exp(log_x))
            return (
                shape * x ** (shape - 1) * _mean_life_up_to(x, shape)
                + np.expm1(-(x**shape))
                - 1 / (cost_ratio - 1)
            )

        # The left side is at least hazard times shape less 1, less what has failed, and at most hazard times shape.
        low = np.log(1 / (shape * (cost_ratio - 1))) / shape - 1.0
        high = max(low + 1.0, np.log((1 + 1 / (cost_ratio - 1)) / (shape * mean * 0.5)) / (shape - 1), 1.0)
        root = brentq(surplus, low, high, xtol=1e-13)
        age = float(np.exp(root))
        # At the least the rate is the extra cost of a failure times the hazard.
        rate = (cost_ratio - 1) * shape * age ** (shape - 1)
    return AgeReplacement(
        scale=float(scale),
        shape=float(shape),
        cost_ratio=float(cost_ratio),
        age=scale * age,
        cost_rate=rate / scale,
        relative_cost=rate * mean / cost_ratio,
    )


def looks_needed(pod: float, accepted_miss: float) -> int:
    """Count the looks of which the chance that all miss is small enough.

    Parameters
    ----------
    pod : float
        Chance that one look finds it; the looks are taken as independent [-].
    accepted_miss : float
        Chance that all may miss [-].

    Returns
    -------
    int
        Looks, rounded up.

    Raises
    ------
    ValueError
        If an argument is not between 0 and 1.

    References
    ----------
    .. [1] NAVAIR 00-25-403, on-condition tasks: n = ln(accepted chance) / ln(1 - chance of detection).

    Examples
    --------
    >>> looks_needed(0.9, 0.001), looks_needed(0.8, 0.001)
    (3, 5)
    """
    for name, value in (("pod", pod), ("accepted_miss", accepted_miss)):
        if not 0 < value < 1:
            raise ValueError(f"`{name}` must be between 0 and 1. Got {value!r}.")
    # ln(0.001) / ln(0.1) comes out a little above 3.
    return int(np.ceil(np.log(accepted_miss) / np.log1p(-pod) * (1 - 1e-12)))


def _check(**values: float) -> None:
    for name, value in values.items():
        if not 0 < value < np.inf:
            raise ValueError(f"`{name}` must be positive and finite. Got {value!r}.")
