"""How far a parameter can go before the likelihood has dropped: profile bounds."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from kit.life.likelihood.families import Family
from kit.life.likelihood.likelihood import Terms
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from kit.life.fits.fit import LifeFit

_CORNERS = 64  # points of a contour at which the likelihood is solved for
_BETWEEN = 16  # points between two of them, on the cubic with their directions


def profile_bound(
    fit: LifeFit, centre: float, reach: float, sign: float, w: float | None, drop: float
) -> float:
    """Log of a bound: where the likelihood, highest over the other parameter, has dropped by `drop`."""
    best = fit.log_likelihood
    start = float(np.log(fit.shape if w is not None else fit.scale))

    def profile(target: float, begin: float) -> tuple[float, float]:
        if fit.shape_assumed:
            return fit.terms.value(target - w / fit.shape, np.log(fit.shape))[0] - best + drop, begin
        value, other = _highest_over_other(fit.terms, target, begin, w)
        return (value - best + drop if np.isfinite(value) else -np.inf), other

    with np.errstate(all="ignore"):
        inner, step = centre, max(min(reach, 2.0), 1e-6)
        for _ in range(60):
            outer = inner + sign * step
            if abs(outer - centre) > 60:
                return sign * np.inf
            value, other = profile(outer, start)
            if value < 0:
                break
            inner, start, step = outer, other, step * 1.6
        else:
            return sign * np.inf
        # Far out the other parameter may run away, so every search starts from the last point inside.
        return float(brentq(lambda x: max(profile(x, start)[0], -1e6), inner, outer, xtol=1e-11, rtol=1e-14))


def _highest_over_other(terms: Terms, target: float, other: float, w: float | None) -> tuple[float, float]:
    """Highest likelihood with the log scale (w = 0), a log age (w) or the log shape (None) held at `target`."""

    def at(x: float) -> tuple[float, float, float]:
        if w is None:
            value, g, h = terms.value(x, target)
            return value, g[0], h[0, 0]
        slope = w * np.exp(-x)
        value, g, h = terms.value(target - slope, x)
        return value, g[0] * slope + g[1], h[0, 0] * slope**2 + 2 * h[0, 1] * slope + h[1, 1] - g[0] * slope

    value, g, h = at(other)
    for _ in range(100):
        step = g / -h if h < 0 else np.sign(g) * 0.5
        step = float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-11 or abs(other) > 60:
            break
        while True:
            new = at(other + step)
            if new[0] >= value - 1e-13 * (1 + abs(value)) or abs(step) < 1e-12:
                break
            step /= 2
        other, (value, g, h) = other + step, new
    return value, other


def likelihood_contour(fit: LifeFit, drop: float) -> Floats:
    """Return the closed curve along which the log-likelihood is lower than the highest by `drop`.

    Parameters
    ----------
    fit : LifeFit
        The fit.
    drop : float
        How much lower [-].

    Returns
    -------
    ndarray, shape (n_points, 2)
        Points (log scale, log shape), with infinite ones where the likelihood never falls so low; two
        points where the shape is assumed.

    Notes
    -----
    Seen from the maximum in units of the standard errors the curve is close to a circle. Along each of
    64 directions the likelihood is solved for; between two of them a cubic follows that has the curve's
    own direction at both ends, so that its error is of the fourth order.
    """
    centre = np.log([fit.scale, fit.shape])
    if fit.shape_assumed:
        reach = np.sqrt(2 * drop * fit.covariance[0, 0])
        ends = [profile_bound(fit, float(centre[0]), float(reach), sign, 0.0, drop) for sign in (-1.0, 1.0)]
        return np.array([[end, centre[1]] for end in ends])
    root = np.linalg.cholesky(fit.covariance)
    turns = 2 * np.pi * np.arange(_CORNERS) / _CORNERS
    radii, slopes = np.empty(_CORNERS), np.empty(_CORNERS)
    guess = float(np.sqrt(2 * drop))
    with np.errstate(all="ignore"):
        for i, turn in enumerate(turns):
            ray = root @ np.array([np.cos(turn), np.sin(turn)])
            across = root @ np.array([-np.sin(turn), np.cos(turn)])
            radii[i], gradient = _along_ray(fit, centre, ray, guess, drop)
            # The change of the radius with the turn keeps the likelihood as it is.
            slopes[i] = -radii[i] * float(gradient @ across) / float(gradient @ ray)
            guess = radii[i] if np.isfinite(radii[i]) else float(np.sqrt(2 * drop))
    step = turns[1]
    x = np.arange(_BETWEEN) / _BETWEEN
    after, slope_after = np.roll(radii, -1), np.roll(slopes, -1)
    with np.errstate(invalid="ignore"):
        radius = (
            np.outer(radii, 1 - 3 * x**2 + 2 * x**3)
            + np.outer(after, 3 * x**2 - 2 * x**3)
            + step * (np.outer(slopes, x - 2 * x**2 + x**3) + np.outer(slope_after, x**3 - x**2))
        )
    open_ended = ~np.isfinite(radii) | ~np.isfinite(after)
    radius[open_ended] = np.inf
    angle = (turns[:, None] + step * x).ravel()
    ray = np.stack([np.cos(angle), np.sin(angle)]) * np.where(
        np.isfinite(radius.ravel()), radius.ravel(), 1e4
    )
    return centre + (root @ ray).T


def _along_ray(fit: LifeFit, centre: Floats, ray: Floats, guess: float, drop: float) -> tuple[float, Floats]:
    """Distance along a ray at which the likelihood has dropped, and the gradient there."""
    goal = fit.log_likelihood - drop
    inner, outer, radius = 0.0, np.inf, guess
    for _ in range(60):
        value, gradient, _ = fit.terms.value(*(centre + radius * ray))
        excess = value - goal
        slope = float(gradient @ ray)
        if np.isfinite(excess) and abs(excess) < 1e-9 * (1 + drop):
            return radius, gradient
        if np.isfinite(excess) and excess > 0:
            inner = max(inner, radius)
        else:
            outer = min(outer, radius)
        # Newton's step on the root of the drop, which is close to a straight line.
        sunk = fit.log_likelihood - value
        new = radius * np.nan
        if np.isfinite(sunk) and sunk > 0 and slope < 0:
            new = radius + 2 * np.sqrt(sunk) * (np.sqrt(drop) - np.sqrt(sunk)) / -slope
        if not inner < new < outer:
            new = 2 * radius if np.isinf(outer) else (inner + outer) / 2
        if new > 1e3 * guess + 1e3:
            return np.inf, gradient
        radius = float(new)
    return radius, gradient


def profile_on_grid(
    value: Callable[[float], float], grid: Floats, height: Floats, drop: float, *, tolerance: float
) -> tuple[float, float, tuple[float, float]]:
    """Return where a profile is highest, and how far it can be from there until it has dropped.

    Parameters
    ----------
    value : callable
        Height of the profile at a point; minus infinity where there is none.
    grid : ndarray, shape (n,)
        Points, rising.
    height : ndarray, shape (n,)
        Heights there, at least one of them finite.
    drop : float
        How much lower the bounds are [-].
    tolerance : float
        How exact the places are.

    Returns
    -------
    best, highest : float
        Place and height of the top, between the neighbours of the highest point of the grid.
    bounds : tuple of float
        Where the profile first falls so low to each side, the end of the grid where it does not.
    """
    top = int(np.argmax(height))
    best, highest = float(grid[top]), float(height[top])
    found = minimize_scalar(
        lambda x: -value(float(x)),
        bounds=(grid[max(top - 1, 0)], grid[min(top + 1, grid.size - 1)]),
        method="bounded",
        options={"xatol": tolerance},
    )
    if -found.fun > highest:
        best, highest = float(found.x), float(-found.fun)
    goal = highest - drop

    def bound(side: NDArray[np.int64], end: float) -> float:
        inside = best
        for i in side:
            if height[i] < goal:
                # Where there is no fit the height is minus infinity, which no root search takes.
                return float(
                    brentq(lambda x: max(value(float(x)) - goal, -1e6), inside, grid[i], xtol=tolerance)
                )
            inside = float(grid[i])
        return end

    below, above = np.flatnonzero(grid < best)[::-1], np.flatnonzero(grid > best)
    return best, highest, (bound(below, float(grid[0])), bound(above, float(grid[-1])))


def hazard_to_come(family: Family, points: Floats, age: Floats, given: float) -> Floats:
    """Cumulative hazard between an age at which there is no damage and later ones.

    Parameters
    ----------
    family : Family
        Family of the life.
    points : ndarray, shape (n_points, 2)
        Log scale and log shape.
    age : ndarray, shape (n,)
        Ages above `given` [clock units].
    given : float
        Age without damage [clock units].

    Returns
    -------
    ndarray, shape (n_points, n)
        H(age) - H(given) [-].
    """
    shape = np.exp(points[:, 1:])
    with np.errstate(over="ignore", invalid="ignore"):
        later = family.cumulative((np.log(age) - points[:, :1]) * shape)[0]
        if given <= 0:
            return later
        before = family.cumulative((np.log(given) - points[:, :1]) * shape)[0]
        return np.where(np.isfinite(later), later - np.where(np.isfinite(later), before, 0.0), np.inf)


def log_hazard_to_come(
    family: Family, scale: float, shape: float, age: Floats, given: float
) -> tuple[Floats, Floats]:
    """Log of the hazard between an age without damage and later ones, with its derivatives.

    Parameters
    ----------
    family : Family
        Family of the life.
    scale, shape : float
        Its parameters [clock units], [-].
    age : ndarray, shape (n,)
        Ages above `given` [clock units].
    given : float
        Age without damage [clock units].

    Returns
    -------
    ndarray, shape (n,)
        log[H(age) - H(given)] [-].
    ndarray, shape (n, 2)
        Derivatives by log scale and log shape.
    """
    sums = np.zeros((3, age.size))
    for t, sign in ((age, 1.0), (np.full_like(age, given), -1.0)):
        if sign < 0 and given <= 0:
            continue
        z = shape * np.log(t / scale)
        h, rate, _ = family.cumulative(z)
        sums += sign * np.stack([h, -shape * rate, z * rate])
    return np.log(sums[0]), (sums[1:] / sums[0]).T
