"""Exact bounds of the mean of a Poisson count."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from kit.numerics.confidence import check_level
from kit.numerics.typing import Floats


def poisson_bounds(count: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
    r"""Exact two-sided bounds of the mean of a Poisson count.

    Parameters
    ----------
    count : array_like of float
        Counts; nan stays nan [-].
    level : float
        Confidence of both sides together [-].

    Returns
    -------
    lower, upper : ndarray of float
        Bounds of the mean; the lower one is 0 where nothing was counted [-].

    Raises
    ------
    ValueError
        If `level` is not between 0 and 1, or a count is negative.

    Notes
    -----
    Quantiles of gamma laws with shapes `count` and `count` + 1. A count that is no whole number, as
    from spreading finds over cells, makes them approximate.

    References
    ----------
    F. Garwood, *Biometrika* 28, 1936, 437-442.

    Examples
    --------
    >>> [float(b.round(4)) for b in poisson_bounds(0, level=0.9)]
    [0.0, 2.9957]
    """
    check_level(level)
    n = np.asarray(count, np.float64)
    if (n < 0).any():
        raise ValueError(f"`count` must not be negative. Got {np.nanmin(n):g}; check what was counted.")
    tail = (1 - level) / 2
    lower = np.where(n > 0, gammaincinv(np.where(n > 0, n, 1.0), tail), 0.0)
    return np.where(np.isnan(n), np.nan, lower), gammaincinv(n + 1, 1 - tail)
