"""How much the parameters of a fit are in doubt: curvature, and dependence within clusters."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.numerics.maximum import Slopes
from kit.numerics.typing import Floats

_NEAR = 1e-4  # so near to an end of its range a parameter lies at it
_STEP = 1e-4  # of the differences of slopes


def inverse_information(hessian: Floats, free: ArrayLike | None = None) -> Floats:
    """Return the covariance that the curvature at a maximum gives.

    Parameters
    ----------
    hessian : ndarray, shape (n, n)
        Second derivatives of the log-likelihood by the fitted parameters.
    free : array_like of bool, shape (m,), optional
        Which of m parameters are fitted, n of them. Default: all.

    Returns
    -------
    ndarray, shape (m, m)
        Inverse of the negative Hessian, symmetric; 0 for parameters that are given.
    """
    inverse = np.linalg.inv(-np.asarray(hessian))
    inverse = (inverse + inverse.T) / 2
    if free is None:
        return inverse
    which = np.asarray(free, dtype=bool)
    out = np.zeros((which.size, which.size))
    out[np.ix_(which, which)] = inverse
    return out


def second_derivatives(
    gradient: Callable[[Floats], Floats], point: Floats, which: ArrayLike, step: ArrayLike
) -> Floats:
    """Differences of a gradient to both sides.

    Parameters
    ----------
    gradient : callable
        First derivatives by all parameters.
    point : ndarray, shape (n,)
        Where.
    which : array_like of int, shape (m,)
        Parameters wanted.
    step : array_like of float, shape (m,) or ()
        How far to go to each side.

    Returns
    -------
    ndarray, shape (m, m)
        Row i holds the change of the slopes with parameter i.
    """
    at = np.asarray(which, dtype=np.int64)
    rows = np.empty((at.size, at.size))
    for row, i, h in zip(rows, at, np.broadcast_to(step, at.shape), strict=True):
        high, low = point.copy(), point.copy()
        high[i] += h
        low[i] -= h
        row[:] = (gradient(high)[at] - gradient(low)[at]) / (2 * h)
    return rows


def cluster_covariance(scores: Floats, code: NDArray[np.int64], covariance: Floats) -> Floats:
    """Covariance that allows for dependence within clusters.

    Parameters
    ----------
    scores : ndarray, shape (n_rows, n)
        First derivatives of the log-likelihood of each row.
    code : ndarray of int, shape (n_rows,)
        Number of each row's cluster, from 0.
    covariance : ndarray, shape (n, n)
        Inverse of the negative Hessian.

    Returns
    -------
    ndarray, shape (n, n)
        With the small-sample factor G/(G-1) for G clusters.

    Raises
    ------
    ValueError
        If there is one cluster only.
    """
    groups = int(code.max()) + 1
    if groups < 2:
        raise ValueError(f"`cluster` must name at least 2 clusters. Got {groups}. Leave it out.")
    sums = np.stack([np.bincount(code, weights=line, minlength=groups) for line in scores.T], axis=1)
    return covariance @ (sums.T @ sums * groups / (groups - 1)) @ covariance


def is_inside(value: float, limits: tuple[float, float]) -> bool:
    """Return whether a parameter is not at an end of its range.

    Parameters
    ----------
    value : float
        The parameter.
    limits : tuple of float
        Its range.

    Returns
    -------
    bool
        Whether it is inside.
    """
    return limits[0] + _NEAR < value < limits[1] - _NEAR


def covariance_within(
    surface: Slopes,
    point: Floats,
    free: Sequence[int],
    limits: Sequence[tuple[float, float]],
    names: Sequence[str],
) -> pd.DataFrame:
    """Inverse of the second derivatives, of the parameters that are not at the end of their range.

    Parameters
    ----------
    surface : callable
        Log-likelihood and gradient of all parameters.
    point : ndarray, shape (n,)
        The maximum.
    free : sequence of int
        Parameters that were fitted.
    limits : sequence of tuple of float
        Range of each parameter.
    names : sequence of str
        Their names.

    Returns
    -------
    DataFrame
        By name on both axes; nan where there is no inverse.
    """
    inside = [i for i in free if is_inside(point[i], limits[i])]
    hess = -second_derivatives(lambda p: surface(p)[1], point, inside, _STEP)
    try:
        inverse = np.linalg.inv((hess + hess.T) / 2)
    except np.linalg.LinAlgError:
        inverse = np.full_like(hess, np.nan)
    labels = [names[i] for i in inside]
    return pd.DataFrame(inverse, index=labels, columns=labels)
