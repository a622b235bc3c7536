"""Where finds go on a probability plot: median ranks and adjusted ranks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from kit.life.lives.censored import Histories, need_histories
from kit.numerics.typing import Floats

_METHODS = ("exact", "benard")


def median_ranks(n: int, method: str = "exact") -> Floats:
    r"""Median ranks of n lives, all with damage.

    Parameters
    ----------
    n : int
        Number of lives.
    method : str
        ``exact``, or ``benard`` for the approximation (i - 0.3) / (n + 0.4), which is within 0.0011
        of it for n from 5 on.

    Returns
    -------
    ndarray of float, shape (n,)
        Share with damage that the i-th onset stands for [-].

    Raises
    ------
    ValueError
        If `n` is not a whole number of at least 1, or `method` is unknown.

    See Also
    --------
    plotting_positions : The same where some lives are clean to the last, or came late.

    Notes
    -----
    The i-th smallest of n shares is distributed as :math:`\mathrm{Beta}(i, n - i + 1)`; its median is given.

    References
    ----------
    .. [1] A. Benard and E. C. Bos-Levenbach, "Het uitzetten van waarnemingen op
       waarschijnlijkheidspapier", *Statistica Neerlandica*, vol. 7, 1953, pp. 163-173.

    Examples
    --------
    >>> median_ranks(3).round(4)
    array([0.2063, 0.5   , 0.7937])
    """
    if int(n) != n or n < 1:
        raise ValueError(f"`n` must be a whole number of at least 1. Got {n!r}.")
    if method not in _METHODS:
        raise ValueError(f"`method` must be one of {', '.join(_METHODS)}. Got {method!r}.")
    rank = np.arange(1, int(n) + 1)
    return _median_of_rank(rank, float(n)) if method == "exact" else (rank - 0.3) / (n + 0.4)


def _median_of_rank(rank: ArrayLike, n: float) -> Floats:
    """Median of Beta(rank, n - rank + 1); the rank may be a fraction."""
    rank = np.asarray(rank, np.float64)
    return betaincinv(rank, n - rank + 1.0, 0.5)


def plotting_positions(histories: Histories) -> pd.DataFrame:
    r"""Place the finds of some histories on a probability plot.

    Positions to look at a fit by, not an estimate of the life: use `fit_weibull` for that.

    Parameters
    ----------
    histories : Histories
        What the looks say of each life.

    Returns
    -------
    DataFrame
        One row for each distinct interval with a find, by `upper`, then `lower`: columns lower, upper
        [clock units] and share [-], the share found by the age `upper`. No rows without finds.

    See Also
    --------
    median_ranks : The same for complete data.

    Notes
    -----
    Finds are taken in the order of the age at which they were found. With N lives in all, of which m
    are under watch at that age (entered before it, not ended before it), d finds move the adjusted
    rank i on by :math:`N + 1 - i' = (N + 1 - i)(m - d + 1)/(m + 1)`, Johnson's increment taken d times.
    The share is the exact median rank of i', with N as sample size. Clean lives leave after their last
    clean look; a life clean at the very age of a find is still under watch there. Where few lives are
    under watch at young ages, the first left-truncated rows weigh heavily and the positions scatter.

    References
    ----------
    .. [1] L. G. Johnson, *The Statistical Treatment of Fatigue Experiments*. Amsterdam: Elsevier, 1964.

    Examples
    --------
    >>> looks = pd.DataFrame({"life": ["a", "b", "c"], "age": [400.0, 500.0, 800.0], "found": [True, False, True]})
    >>> plotting_positions(Histories.from_looks(looks)).round(4)
       lower  upper   share
    0    0.0  400.0  0.2063
    1    0.0  800.0  0.6475
    """
    need_histories(histories)
    found = np.isfinite(histories.upper)
    finds = (
        pd.DataFrame({"lower": histories.lower, "upper": histories.upper, "count": histories.count})
        .loc[found]
        .groupby(["upper", "lower"], as_index=False)["count"]
        .sum()
    )
    age, number = finds["upper"].to_numpy(), finds["count"].to_numpy()
    # Of finds at one age, those with the earlier lower age come first and are no longer under watch.
    earlier = finds.groupby("upper")["count"].cumsum().to_numpy() - number
    finds["share"] = share_of_increments(histories, age, number, earlier=earlier)
    return finds[["lower", "upper", "share"]]


def share_of_increments(
    histories: Histories, age: Floats, finds: Floats, *, earlier: ArrayLike = 0.0
) -> Floats:
    """Place finds at given ages, seen or expected, by Johnson's increments of the adjusted rank.

    Parameters
    ----------
    histories : Histories
        Which lives are under watch when.
    age : ndarray of float, shape (n,)
        Ages, not falling [clock units].
    finds : ndarray of float, shape (n,)
        Finds at each; need not be whole [-].
    earlier : array_like of float, shape (n,)
        Lives found at the very age and no longer under watch [-].

    Returns
    -------
    ndarray of float, shape (n,)
        Median share of the adjusted rank [-].
    """
    end = np.where(np.isfinite(histories.upper), histories.upper, histories.lower)
    watched = _count_below(histories.entry, histories.count, age) - _count_below(end, histories.count, age)
    watched = watched - earlier
    total = histories.n_lives
    left = (total + 1.0) * np.cumprod((watched - finds + 1.0) / (watched + 1.0))
    return _median_of_rank(total + 1.0 - left, total)


def _count_below(values: Floats, count: Floats, age: Floats) -> Floats:
    """Sum of the counts whose value is below each age."""
    order = np.argsort(values, kind="stable")
    sums = np.concatenate([[0.0], np.cumsum(count[order])])
    return sums[np.searchsorted(values[order], age, side="left")]
