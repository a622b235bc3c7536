"""How far a parameter can go before the likelihood has dropped: profile bounds."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from kit.life.likelihood.families import Family
from kit.numerics.maximum import maximise
from kit.numerics.profile import profile_limit
from kit.numerics.refusals import NoProfileLimit
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from kit.life.fits.fit import LifeFit

_CORNERS = 64  # points of a contour at which the likelihood is solved for
_BETWEEN = 16  # points between two of them, on the cubic with their directions


def profile_bound(
    fit: LifeFit, centre: float, reach: float, sign: float, w: float | None, drop: float
) -> float:
    """Log of a bound: where the likelihood, highest over the other parameter, has dropped by `drop`.

    The log scale (w = 0), a log age (at position w) or the log shape (None) is followed.
    """
    terms = fit.terms
    begin = np.array([np.log(fit.shape if w is not None else fit.scale)])

    def held(target: float) -> Callable[[Floats], tuple[float, Floats, Floats]]:
        def surface(other: Floats) -> tuple[float, Floats, Floats]:
            x = float(other[0])
            if w is None:
                value, g, h = terms.value(x, target)
                return value, g[:1], h[:1, :1]
            slope = w * np.exp(-x)
            value, g, h = terms.value(target - slope, x)
            bend = h[0, 0] * slope**2 + 2 * h[0, 1] * slope + h[1, 1] - g[0] * slope
            return value, np.array([g[0] * slope + g[1]]), np.array([[bend]])

        return surface

    def height(target: float) -> float:
        nonlocal begin
        if fit.shape_assumed:
            return float(terms.value(target - w / fit.shape, np.log(fit.shape))[0])
        unit = (
            np.exp(target) if w is None else 1.0
        )  # a unit of the log scale counts as much as the shape is large
        top = maximise(
            held(target),
            begin,
            lambda other: np.array([unit]),
            lambda other: abs(other[0]) > 60,
            polished=False,
        )
        # Far out the other parameter may run away, so every search begins from the last top inside the bound.
        if top.flat is None and top.value >= fit.log_likelihood - drop:
            begin = top.point
        return top.value

    with np.errstate(all="ignore"):
        return profile_limit(
            height, centre, top=fit.log_likelihood, drop=drop, sign=sign, reach=min(reach, 2.0)
        )


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
    if np.isnan(value):
        raise NoProfileLimit(
            f"No profile band: the likelihood cannot be worked out {radius:.3g} standard errors from its top. What can be "
            "had: bounds with method='wald', or a fit under an assumed shape."
        )
    return radius, gradient


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
        later = family.cumulative_hazard((np.log(age) - points[:, :1]) * shape)[0]
        if given <= 0:
            return later
        before = family.cumulative_hazard((np.log(given) - points[:, :1]) * shape)[0]
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
        h, rate, _ = family.cumulative_hazard(z)
        sums += sign * np.stack([h, -shape * rate, z * rate])
    return np.log(sums[0]), (sums[1:] / sums[0]).T
