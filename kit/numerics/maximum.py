"""Where a smooth log-likelihood of any number of parameters is highest: one search for all fits."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kit.numerics.typing import Floats

Surface = Callable[[Floats], tuple[float, Floats, "Floats | Callable[[], Floats]"]]
"""Log-likelihood, gradient and Hessian at a point; in place of the Hessian what works it out, where that is dear."""

Slopes = Callable[[Floats], tuple[float, Floats]]
"""Log-likelihood and gradient at a point."""

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
    limits: Floats | None = None,
    steps: int = _MOST_STEPS,
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
        shows; where only the height is wanted they are of no use, and they are not taken within `limits`.
    limits : ndarray, shape (n, 2), optional
        Range of each parameter: one at an end of it, where the likelihood rises beyond, stays there.
    steps : int
        Most steps.

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
    low, high = (None, None) if limits is None else np.asarray(limits, np.float64).T
    if limits is not None:
        point = np.clip(point, low, high)
    with np.errstate(all="ignore"):
        value, grad, hess = _worked_out(surface(point))
        if point.size == 0:
            return Maximum(point, value, hess, None)
        if not np.isfinite(value):
            return Maximum(point, value, hess, np.ones_like(point))
        stalled, decrement, has_ended, step = 0, 0.0, False, np.zeros_like(point)
        for _ in range(steps):
            u = unit(point)
            left = -hess / np.outer(u, u)
            if not (np.isfinite(left).all() and np.isfinite(grad).all()) or is_beyond(point):
                return Maximum(point, value, hess, np.nan_to_num(grad))
            slope, free = grad / u, _free(point, grad, low, high)
            if not free.all():
                left, slope = left[np.ix_(free, free)], slope[free]
            if not slope.size:
                decrement, has_ended = 0.0, True
                break
            size, axes = np.linalg.eigh(left)
            # Where the surface is not bowl-shaped the curvature's size still gives a sensible step.
            size = np.maximum(np.abs(size), 1e-10 * max(float(np.abs(size).max()), 1e-300))
            move = axes @ ((axes.T @ slope) / size)
            decrement = float(slope @ move)
            step = np.zeros_like(point)
            step[free] = move * (min(1.0, _LONGEST / max(float(np.abs(move).max()), 1e-300)) / u[free])
            for _half in range(_MOST_HALVINGS):
                to = point + step if limits is None else np.clip(point + step, low, high)
                trial = surface(to)
                if np.isfinite(trial[0]) and trial[0] >= value - 1e-13 * (1 + abs(value)):
                    break
                step = step / 2
            else:
                has_ended = True
                break
            point = to
            stalled = stalled + 1 if trial[0] - value < 1e-12 * (1 + abs(value)) else 0
            value, grad, hess = _worked_out(trial)
            if decrement < 1e-11 * (1 + abs(value)) ** 0.5 or stalled == _STALLED:
                has_ended = True
                break
        if not decrement <= _STILL_RISING:
            return Maximum(point, value, hess, step * unit(point), has_ended)
        for _ in range(3 * (polished and limits is None)):
            try:
                step = np.linalg.solve(-hess, grad)
            except np.linalg.LinAlgError:
                break
            if not 1e-14 < np.abs(step).max() < 1e-3:
                break
            trial = _worked_out(surface(point + step))
            if not np.isfinite(trial[0]):
                break
            point, (value, grad, hess) = point + step, trial
            if np.abs(step).max() < 1e-9:
                break
        u = unit(point)
        left = -hess / np.outer(u, u)
        if not np.isfinite(left).all():
            return Maximum(point, value, hess, np.nan_to_num(grad), has_ended)
        free = _free(point, grad, low, high)
        if not free.any():
            return Maximum(point, value, hess, None, has_ended)
        size, axes = np.linalg.eigh(left[np.ix_(free, free)])
    flat = np.zeros_like(point)
    flat[free] = axes[:, 0]
    return Maximum(point, value, hess, flat if size[0] < _LEAST_CURVATURE else None, has_ended)


def _worked_out(
    found: tuple[float, Floats, Floats | Callable[[], Floats]],
) -> tuple[float, Floats, Floats]:
    value, grad, hess = found
    return value, grad, hess() if callable(hess) else hess


def _free(point: Floats, grad: Floats, low: Floats | None, high: Floats | None) -> NDArray[np.bool_]:
    """Parameters that are not at an end of their range beyond which the likelihood rises."""
    if low is None:
        return np.ones(point.size, bool)
    return ~(((point <= low) & (grad < 0)) | ((point >= high) & (grad > 0)))


class Followed:
    """A surface that has slopes only, with bends that are followed from point to point.

    Parameters
    ----------
    surface : callable
        Log-likelihood and gradient at a point.
    limits : ndarray, shape (n, 2), optional
        Range of each parameter, out of which no slope is asked for.
    step : float
        How far apart the slopes are of which the first bends are made.
    bends : ndarray, shape (n, n), optional
        Bends to begin with. Default: differences of slopes at the first point.

    Notes
    -----
    Between two points each bend is corrected by what the slopes have changed beyond what was foreseen (symmetric rank
    one), which takes no further look at the likelihood.
    """

    def __init__(
        self,
        surface: Slopes,
        limits: Floats | None = None,
        *,
        step: float = 1e-4,
        bends: Floats | None = None,
    ) -> None:
        """Keep what is asked for."""
        self.surface, self.limits, self.step, self.bends = surface, limits, step, bends
        self._at: Floats | None = None
        self._slope: Floats | None = None

    def __call__(self, point: Floats) -> tuple[float, Floats, Callable[[], Floats]]:
        """Log-likelihood, gradient, and what works the bends out there."""
        value, slope = self.surface(point)
        return value, slope, lambda: self._followed(point, slope)

    def _followed(self, point: Floats, slope: Floats) -> Floats:
        if self.bends is None:
            self.bends = self._differences(point, slope)
        elif self._at is not None:
            moved = point - self._at
            missed = slope - self._slope - self.bends @ moved
            along = float(missed @ moved)
            if abs(along) > 1e-8 * float(np.linalg.norm(missed) * np.linalg.norm(moved)):
                self.bends = self.bends + np.outer(missed, missed) / along
        self._at, self._slope = point, slope
        return self.bends

    def _differences(self, point: Floats, slope: Floats) -> Floats:
        rows = np.empty((point.size, point.size))
        for i in range(point.size):
            other = point.copy()
            step = (
                self.step if self.limits is None or point[i] + self.step < self.limits[i, 1] else -self.step
            )
            other[i] += step
            rows[i] = (self.surface(other)[1] - slope) / step
        return (rows + rows.T) / 2
