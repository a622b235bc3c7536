"""Which zones lie outside what chance allows: limits of a funnel plot, and false discoveries among many zones."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import gammaincc, gammaln, ndtri

from kit.numerics.gamma_poisson import check_counts
from kit.numerics.typing import Floats

LEVELS = (0.95, 0.998)
"""Levels of the limits, as in the paper on funnel plots [-]."""


def funnel_limits(expected: ArrayLike, *, level: float = 0.95, target: float = 1.0) -> tuple[Floats, Floats]:
    r"""Return the limits between which the ratio of found to expected lies where a zone does not differ from the target.

    Parameters
    ----------
    expected : array_like of float
        Expected finds, above 0 [-].
    level : float
        Chance to lie between the limits [-].
    target : float
        Ratio about which they lie [-].

    Returns
    -------
    lower, upper : ndarray of float
        Limits of the ratio [-].

    Raises
    ------
    ValueError
        If an expected count or the target is not above 0, or the level not between 0 and 1.

    Notes
    -----
    For a tail p and mean :math:`\mu`, with r the least count for which the Poisson distribution function F reaches p, the limit is
    :math:`(r - \alpha)/E`, :math:`\alpha = (F(r) - p)/(F(r) - F(r-1))`: counts have steps, and the limits run smoothly through
    them.

    References
    ----------
    .. [1] D. J. Spiegelhalter, "Funnel plots for comparing institutional performance", *Statist. Med.*, vol. 24,
       2005, pp. 1185-1202, appendix A.1 (formula from memory).
    """
    e = np.asarray(expected, np.float64)
    if not ((e > 0).all() and np.isfinite(e).all() and target > 0 and 0 < level < 1):
        raise ValueError(
            "`expected` and `target` must be above 0 and `level` between 0 and 1. Leave out zones without exposure."
        )
    tail = (1 - level) / 2
    return _limit(e, tail, target), _limit(e, 1 - tail, target)


def _limit(e: Floats, p: float, target: float) -> Floats:
    mean = np.atleast_1d(e * target)
    # F(r) = Q(r + 1, mean). The count is near its normal value, from which it is searched step by step.
    low = np.floor(np.maximum(mean + ndtri(p) * np.sqrt(mean) - 5 - 3 * np.sqrt(mean), -1.0))
    high = np.ceil(mean + ndtri(p) * np.sqrt(mean) + 10 + 3 * np.sqrt(mean))
    for _ in range(64):
        middle = np.floor((low + high) / 2)
        reached = gammaincc(middle + 1, mean) >= p
        high, low = np.where(reached, middle, high), np.where(reached, low, middle)
        if (high - low <= 1).all():
            break
    r = np.maximum(high, 0.0)
    at = gammaincc(r + 1, mean)
    step = np.exp(r * np.log(mean) - mean - gammaln(r + 1))
    out = np.maximum(r - (at - p) / step, 0.0) / np.atleast_1d(e)
    return out.reshape(np.shape(e))


def poisson_p_values(found: ArrayLike, expected: ArrayLike) -> Floats:
    """Exact two-sided p values of counts against their expected values.

    Parameters
    ----------
    found, expected : array_like of float, shape (n,)
        Finds and expected finds [-].

    Returns
    -------
    ndarray, shape (n,)
        Twice the smaller tail, at most 1; it is below 1 - level exactly where the exact bounds of that level leave out
        the expected value [-].
    """
    x, e = check_counts(found, expected)
    below = gammaincc(x + 1, e)  # at most so many
    above = np.where(x > 0, 1 - gammaincc(np.maximum(x, 1.0), e), 1.0)  # at least so many
    return np.minimum(1.0, 2 * np.minimum(below, above))


def step_up(p: ArrayLike, *, rate: float = 0.05) -> tuple[np.ndarray, Floats]:
    """Return which of many tests to call, with the share of wrong calls controlled.

    Parameters
    ----------
    p : array_like of float, shape (n,)
        p values [-].
    rate : float
        Greatest share of wrong calls, in the mean [-].

    Returns
    -------
    called : ndarray of bool, shape (n,)
        Whether it is called.
    q : ndarray, shape (n,)
        Least rate at which it would be [-].

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, "Controlling the false discovery rate", *J. R. Statist. Soc. B*, vol. 57,
       1995, pp. 289-300.

    Examples
    --------
    >>> step_up([0.01, 0.04, 0.03, 0.5])[1].round(4).tolist()
    [0.04, 0.0533, 0.0533, 0.5]
    """
    value = np.asarray(p, np.float64)
    n = value.size
    order = np.argsort(value, kind="stable")
    raised = np.minimum.accumulate((value[order] * n / np.arange(1, n + 1))[::-1])[::-1]
    q = np.empty(n)
    q[order] = np.minimum(raised, 1.0)
    return q <= rate, q


def funnel_table(
    names: Sequence[str],
    found: ArrayLike,
    expected: ArrayLike,
    *,
    levels: Sequence[float] = LEVELS,
    rate: float = 0.05,
) -> pd.DataFrame:
    """Return found over expected with the limits of a funnel plot.

    Parameters
    ----------
    names : sequence of str
        Zones.
    found, expected : array_like of float, shape (n,)
        Finds, and finds to be expected, false calls included [-].
    levels : sequence of float
        Levels of the limits [-].
    rate : float
        Greatest share of wrong calls among the zones called [-].

    Returns
    -------
    DataFrame
        Index name; found, expected, ratio, lower_95 and upper_95 (and so on for each level), p_value (exact,
        two-sided), q_value, called (by the step-up rule), side (high, low or blank).
    """
    x, e = check_counts(found, expected)
    some = np.maximum(e, 1e-12)
    out = pd.DataFrame({"found": x, "expected": e, "ratio": x / some}, index=pd.Index(names, name="name"))
    for level in levels:
        low, high = funnel_limits(some, level=level)
        word = f"{100 * level:g}".replace(".", "_")
        out[f"lower_{word}"], out[f"upper_{word}"] = low, high
    p = poisson_p_values(x, some)
    out["p_value"] = p
    out["called"], out["q_value"] = step_up(p, rate=rate)
    out["side"] = np.where(out["called"], np.where(out["ratio"] > 1, "high", "low"), "")
    return out


def overdispersion(found: ArrayLike, expected: ArrayLike, *, pulled_in: float = 0.1) -> float:
    r"""How much more found over expected varies between zones than chance allows.

    Parameters
    ----------
    found, expected : array_like of float, shape (n,)
        Finds and expected finds [-].
    pulled_in : float
        Share of the zones at each end whose z value is drawn in to that of the next, so that few that truly stand out do not
        widen the limits [-].

    Returns
    -------
    float
        Mean square of the z values, :math:`2(\sqrt{O} - \sqrt{E})`; 1 where chance alone is at work [-].

    References
    ----------
    .. [1] D. J. Spiegelhalter, "Funnel plots for comparing institutional performance", *Statist. Med.*, vol. 24,
       2005, pp. 1185-1202, section on over-dispersion (from memory).
    """
    x, e = check_counts(found, expected)
    z = 2 * (np.sqrt(x) - np.sqrt(e))
    low, high = np.quantile(z, [pulled_in, 1 - pulled_in])
    return float(np.mean(np.clip(z, low, high) ** 2))
