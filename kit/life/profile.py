"""How far a parameter can go before the likelihood has dropped: profile bounds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from kit.life.likelihood import Terms

if TYPE_CHECKING:
    from kit.life.weibull import WeibullFit


def profile_bound(
    fit: WeibullFit, centre: float, reach: float, sign: float, w: float | None, drop: float
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
