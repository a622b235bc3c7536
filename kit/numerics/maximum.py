"""Where a smooth log-likelihood of any number of parameters is highest: one search for all fits."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from kit.numerics.typing import Floats

Surface = Callable[[Floats], tuple[float, Floats, Floats]]
"""Log-likelihood, gradient and Hessian at a point."""

_MOST_STEPS = 200
_MOST_HALVINGS = 60
_LONGEST = 1.5  # longest step, in units in which the cumulative hazard changes by a factor e
_STILL_RISING = 1e-6  # gain that a last step promised, beyond the noise of any quadrature
_STALLED = 6  # steps without a gain, after which noise is all that is left
_LEAST_CURVATURE = 1e-7  # a likelihood that levels out towards infinity bends less than this


class Maximum(NamedTuple):
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
        Direction in which the likelihood still rises, is flat or cannot be worked out; None at a maximum.
    has_ended : bool
        Whether the search came to rest before its steps were used up.
    """

    point: Floats
    value: float
    hessian: Floats
    flat: Floats | None
    has_ended: bool = True


def maximise(
    surface: Surface,
    begin: Floats,
    unit: Callable[[Floats], Floats] = np.ones_like,
    is_beyond: Callable[[Floats], bool] = lambda point: False,
    *,
    polished: bool = True,
) -> Maximum:
    """Find the maximum by Newton's method with halved steps.

    Parameters
    ----------
    surface : callable
        Log-likelihood with its first and second derivatives.
    begin : ndarray, shape (n,)
        Where to begin.
    unit : callable
        For a point, how much a unit step in each parameter changes the log of the cumulative hazard.
    is_beyond : callable
        Whether a point is so far out that the search is to be given up.
    polished : bool
        Whether to take the last steps, which change digits of the point that the likelihood itself no longer
        shows; where only the height is wanted they are of no use.

    Returns
    -------
    Maximum
        The maximum, or where the search was given up with the direction in which it led.

    Notes
    -----
    At most 200 steps of at most 60 halvings: a point whose likelihood, slopes or bends are not finite is never
    stepped from, so that the search always ends.
    """
    point = np.array(begin, dtype=np.float64)
    with np.errstate(all="ignore"):
        value, grad, hess = surface(point)
        if point.size == 0:
            return Maximum(point, value, hess, None)
        if not np.isfinite(value):
            return Maximum(point, value, hess, np.ones_like(point))
        stalled, decrement, has_ended, step = 0, 0.0, False, np.zeros_like(point)
        for _ in range(_MOST_STEPS):
            u = unit(point)
            left = -hess / np.outer(u, u)
            if not (np.isfinite(left).all() and np.isfinite(grad).all()) or is_beyond(point):
                return Maximum(point, value, hess, np.nan_to_num(grad))
            size, axes = np.linalg.eigh(left)
            # Where the surface is not bowl-shaped the curvature's size still gives a sensible step.
            size = np.maximum(np.abs(size), 1e-10 * max(float(np.abs(size).max()), 1e-300))
            step = axes @ ((axes.T @ (grad / u)) / size)
            decrement = float((grad / u) @ step)
            step *= min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-300)) / u
            for _half in range(_MOST_HALVINGS):
                trial = surface(point + step)
                if np.isfinite(trial[0]) and trial[0] >= value - 1e-13 * (1 + abs(value)):
                    break
                step = step / 2
            else:
                has_ended = True
                break
            point = point + step
            stalled = stalled + 1 if trial[0] - value < 1e-12 * (1 + abs(value)) else 0
            value, grad, hess = trial
            if decrement < 1e-11 * (1 + abs(value)) ** 0.5 or stalled == _STALLED:
                has_ended = True
                break
        if not decrement <= _STILL_RISING:
            return Maximum(point, value, hess, step * unit(point), has_ended)
        for _ in range(3 * polished):
            try:
                step = np.linalg.solve(-hess, grad)
            except np.linalg.LinAlgError:
                break
            if not 1e-14 < np.abs(step).max() < 1e-3:
                break
            trial = surface(point + step)
            if not np.isfinite(trial[0]):
                break
            point, (value, grad, hess) = point + step, trial
            if np.abs(step).max() < 1e-9:
                break
        u = unit(point)
        left = -hess / np.outer(u, u)
        if not np.isfinite(left).all():
            return Maximum(point, value, hess, np.nan_to_num(grad), has_ended)
        size, axes = np.linalg.eigh(left)
    return Maximum(point, value, hess, axes[:, 0] if size[0] < _LEAST_CURVATURE else None, has_ended)
