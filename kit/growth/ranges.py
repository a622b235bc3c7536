"""Parameters with ranges: where a likelihood is highest within them, its curvature there and how far a bound reaches."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from scipy.optimize import minimize

from kit.numerics.confidence import check_level, likelihood_drop
from kit.numerics.covariance import second_derivatives
from kit.numerics.profile import profile_limit
from kit.numerics.typing import Floats

_NEAR = 1e-4  # so near to an end of its range a parameter lies at it
_STEP = 1e-4  # of the differences of slopes

Surface = Callable[[Floats], tuple[float, Floats]]
"""Log-likelihood and gradient at a point."""


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


def highest_within(
    surface: Surface,
    begin: Floats,
    limits: Sequence[tuple[float, float]],
    *,
    rounds: int = 300,
    ftol: float = 1e-10,
) -> tuple[Floats, float]:
    """Return the highest point within the ranges.

    Parameters
    ----------
    surface : callable
        Log-likelihood and gradient of the free parameters.
    begin : ndarray, shape (n,)
        Where to begin.
    limits : sequence of tuple of float
        Range of each.
    rounds : int
        Most steps.
    ftol : float
        Relative gain at which to stop.

    Returns
    -------
    ndarray, shape (n,)
        The point.
    float
        Log-likelihood there [-].
    """

    def negative(q: Floats) -> tuple[float, Floats]:
        value, gradient = surface(q)
        return -value, -gradient

    best = minimize(
        negative,
        begin,
        jac=True,
        method="L-BFGS-B",
        bounds=list(limits),
        options={"maxiter": rounds, "ftol": ftol, "gtol": 1e-4},
    )
    return best.x, -float(best.fun)


def limits_within(
    surface: Surface,
    best: Floats,
    limits: Sequence[tuple[float, float]],
    at: int,
    *,
    error: float,
    level: float,
    tolerance: float = 1e-4,
) -> tuple[float, float]:
    """Return how far one parameter can go to both sides, the others highest within their ranges each time.

    Parameters
    ----------
    surface : callable
        Log-likelihood and gradient of all parameters.
    best : ndarray, shape (n,)
        The maximum.
    limits : sequence of tuple of float
        Range of each parameter.
    at : int
        Which parameter.
    error : float
        Its standard error, nan where it has none: where to look first.
    level : float
        Confidence [-].
    tolerance : float
        How exact the limits are.

    Returns
    -------
    tuple of float
        The limits; the end of its range where the likelihood has not dropped there.
    """
    check_level(level)
    drop = likelihood_drop(level)
    others = np.delete(np.arange(best.size), at)
    top, ends = surface(best)[0], []
    for sign, end in zip((-1.0, 1.0), limits[at], strict=True):
        last = [best[others]]  # each search begins where the last one ended

        def height(x: float, last: list[Floats] = last) -> float:
            def rest(q: Floats) -> tuple[float, Floats]:
                value, slope = surface(np.insert(q, at, x))
                return value, slope[others]

            last[0], value = highest_within(rest, last[0], [limits[k] for k in others])
            return value

        ends.append(
            profile_limit(
                height, float(best[at]), top=top, drop=drop, sign=sign, reach=1.1 * error * float(np.sqrt(2 * drop)),
                end=end if np.isfinite(end) else None, tolerance=tolerance,
            )
        )  # fmt: skip
    return ends[0], ends[1]


def covariance_within(
    surface: Surface,
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
