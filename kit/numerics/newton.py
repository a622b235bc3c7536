"""Where a smooth log-likelihood of any number of parameters is highest."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kit.numerics.typing import Floats

Surface = Callable[[Floats], tuple[float, Floats, Floats]]
"""Log-likelihood, gradient and Hessian at a point."""

_LONGEST = 1.5  # longest step, in units in which the cumulative hazard changes by a factor e
_STILL_RISING = 1e-6  # gain that a last step promised, beyond the noise of any quadrature
_STALLED = 6  # steps without a gain, after which noise is all that is left
_LEAST_CURVATURE = 1e-7  # a likelihood that levels out towards infinity bends less than this


class Summit(NamedTuple):
    """The highest point that was reached.

    Parameters
    ----------
    point : ndarray, shape (n,)
        The parameters.
    value : float
        Log-likelihood there [-].
    hessian : ndarray, shape (n, n)
        Its second derivatives there.
    flat : ndarray, shape (n,) or None
        Direction in which the likelihood still rises or is flat; None at a maximum.
    """

    point: Floats
    value: float
    hessian: Floats
    flat: Floats | None


def climb(
    surface: Surface,
    begin: Floats,
    unit: Callable[[Floats], Floats],
    is_beyond: Callable[[Floats], bool] = lambda point: False,
) -> Summit:
    """Climb to the maximum by Newton's method with halved steps.

    Parameters
    ----------
    surface : callable
        Log-likelihood with its first and second derivatives.
    begin : ndarray, shape (n,)
        Where to begin.
    unit : callable
        For a point, how much a unit step in each parameter changes the log of the cumulative hazard.
    is_beyond : callable
        Whether a point is so far out that the climb is to be given up.

    Returns
    -------
    Summit
        The maximum, or where the climb was given up with the direction in which it led.
    """
    point = begin.copy()
    with np.errstate(all="ignore"):
        value, grad, hess = surface(point)
        if not np.isfinite(value) or point.size == 0:
            return Summit(point, value, hess, None if point.size == 0 else np.ones_like(point))
        stalled, decrement = 0, 0.0
        for _ in range(200):
            if not np.isfinite(hess).all() or is_beyond(point):
                return Summit(point, value, hess, grad)
            u = unit(point)
            size, axes = np.linalg.eigh(-hess / np.outer(u, u))
            # Where the surface is not bowl-shaped the curvature's size still gives a sensible step.
            size = np.maximum(np.abs(size), 1e-10 * max(float(np.abs(size).max()), 1e-300))
            step = axes @ ((axes.T @ (grad / u)) / size)
            decrement = float((grad / u) @ step)
            step *= min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-300)) / u
            for _half in range(60):
                trial = surface(point + step)
                if np.isfinite(trial[0]) and trial[0] >= value - 1e-13 * (1 + abs(value)):
                    break
                step = step / 2
            else:
                break
            point = point + step
            stalled = stalled + 1 if trial[0] - value < 1e-12 * (1 + abs(value)) else 0
            value, grad, hess = trial
            if decrement < 1e-11 * (1 + abs(value)) ** 0.5 or stalled == _STALLED:
                break
        if decrement > _STILL_RISING:
            return Summit(point, value, hess, step * unit(point))
        # The last steps only change digits that the likelihood itself no longer shows.
        for _ in range(3):
            try:
                step = np.linalg.solve(-hess, grad)
            except np.linalg.LinAlgError:
                break
            if not 1e-14 < np.abs(step).max() < 1e-3:
                break
            point = point + step
            value, grad, hess = surface(point)
            if np.abs(step).max() < 1e-9:
                break
        u = unit(point)
        left = -hess / np.outer(u, u)
    if not np.isfinite(left).all():
        return Summit(point, value, hess, grad)
    size, axes = np.linalg.eigh(left)
    flat = axes[:, 0] if size[0] < _LEAST_CURVATURE else None
    return Summit(point, value, hess, flat)


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
