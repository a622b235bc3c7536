"""How long until damage begins: Weibull lives from what inspections can know."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtri

from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.likelihood.families import WEIBULL
from kit.life.likelihood.imperfect import DetectionInput
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows


def fit_weibull(
    histories: Histories | pd.DataFrame | None = None,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | None = None,
    detection: DetectionInput = 1.0,
    shape: float | None = None,
) -> LifeFit:
    r"""Fit a Weibull life to interval-censored, left-truncated histories by maximum likelihood.

    Give either `histories`, or the ages `lower` and `upper`.

    Parameters
    ----------
    histories : Histories or DataFrame, optional
        What the looks say of each life: histories, or one row a life with the columns of `Histories.to_frame`
        (lower, upper; optional entry, count, cluster).
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.
    cluster : sequence, shape (n,), optional
        Name of each row's cluster, for the robust covariance.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it (`kit.detection`). Below 1 it
        needs `histories` with the ages of all looks.
    shape : float, optional
        Shape to assume instead of fitting it.

    Returns
    -------
    LifeFit
        The maximum, exact to about 1e-12 in its parameters.

    Raises
    ------
    NoFiniteMaximum
        If no finite maximum exists; the message says which condition is not met and what can be had
        instead.
    ValueError
        If rows are impossible, or the arguments do not go together.

    See Also
    --------
    weibayes_bound : What few or no finds support under an assumed shape.

    Notes
    -----
    A row with entry v and onset in (l, u] adds :math:`\log[S(l) - S(u)] - \log S(v)`. With detection
    chance s the find at look k has the chance
    :math:`\sum_{i \le k} [F(t_i) - F(t_{i-1})] (1 - s)^{k-i} s`, and a life never found
    :math:`S(t_m) + \sum_i [F(t_i) - F(t_{i-1})] (1 - s)^{m-i+1}`. A life that entered late is
    conditioned on the looks that it passed before, one at its entry at least.

    A finite maximum exists unless nothing was found, or some age lies in every find's interval and
    no clean look goes beyond it, or the likelihood keeps rising towards a shape of 0.

    References
    ----------
    .. [1] W. Nelson, *Applied Life Data Analysis*. New York: Wiley, 1982, ch. 8 and 9.
    .. [2] W. Q. Meeker and L. A. Escobar, *Statistical Methods for Reliability Data*. New York:
       Wiley, 1998, ch. 7, 8 and 11.

    Examples
    --------
    >>> fit = fit_weibull(lower=[0, 1000, 1000, 2000], upper=[1000, 2000, np.inf, np.inf], count=[2, 9, 30, 20])
    >>> print(f"{fit.scale:.1f} {fit.shape:.4f}")
    2570.6 3.6024
    """
    return fit_family(
        WEIBULL,
        histories,
        lower=lower,
        upper=upper,
        entry=entry,
        count=count,
        cluster=cluster,
        detection=detection,
        shape=shape,
    )


def weibayes_bound(
    histories: Histories | pd.DataFrame | None = None,
    *,
    shape: float,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    level: float = 0.95,
) -> float:
    r"""Weibayes: one-sided lower bound of the scale under an assumed shape; no finds are needed.

    Parameters
    ----------
    histories : Histories or DataFrame, optional
        What the looks say of each life, as in `fit_weibull`.
    shape : float
        Assumed shape [-].
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`, as in `fit_weibull` [clock units].
    entry, count : array_like of float, shape (n,), optional
        Age at which each life came under watch, and lives that a row stands for.
    level : float
        Confidence, one-sided [-].

    Returns
    -------
    float
        Lower bound of the scale [clock units].

    Notes
    -----
    :math:`(2 \sum n_i (l_i^\beta - v_i^\beta) / \chi^2_{2r+2})^{1/\beta}` with r finds. A find whose age
    is not known exactly adds exposure only up to its last clean look, which lowers the bound. Without finds [1]_ it is
    the scale at which the chance of no find, :math:`\exp[-\sum n_i (l_i^\beta - v_i^\beta) /
    \mathrm{scale}^\beta]`, is 1 - `level`, and so can be checked without a source. With finds it is common practice [2]_.

    References
    ----------
    .. [1] W. Nelson, "Weibull analysis of reliability data with few or no failures", *Journal of Quality Technology* 17, 1985,
       140-146 (that it describes the procedure is verified in the manual of a statistics package, which cites it; title, volume and
       pages from memory).
    .. [2] R. B. Abernethy et al., *Weibull Analysis Handbook*, AFWAL-TR-83-2079, 1983, ch. 6 (from memory).
    """
    if not (shape > 0 and np.isfinite(shape)):
        raise ValueError(f"`shape` must be positive. Got {shape!r}.")
    rows = life_rows(histories, lower=lower, upper=upper, entry=entry, count=count)
    start, low, up, number = rows.entry, rows.lower, rows.upper, rows.count
    finds = float(number[np.isfinite(up)].sum())
    top = float(low.max()) if low.size else 0.0
    exposure = float(number @ ((low / top) ** shape - (start / top) ** shape)) if top > 0 else 0.0
    if exposure <= 0:
        raise ValueError(
            "`lower` must hold clean time after entry. Got none: there is no evidence for any bound."
        )
    return float(top * (2 * exposure / chdtri(2 * finds + 2, 1 - level)) ** (1 / shape))


scale_lower_bound = weibayes_bound
"""Old name, for one release."""
