"""How far a parameter can go until the likelihood, highest over all others, has dropped: limits of a profile."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from kit.numerics.confidence import check_level, likelihood_drop
from kit.numerics.maximum import Followed, Slopes, Surface, maximise
from kit.numerics.refusals import NoProfileLimit
from kit.numerics.typing import Floats

_MOST_STEPS = 80  # outwards, and back where the likelihood cannot be worked out
_GROWTH = 1.6  # of the step while the likelihood has not dropped
_BEND = 1e-3  # of a grid's length: how far to each side the bend of a profile is looked at
_STEEPEST = 1e3  # root of a drop beyond all that matter; also of a likelihood of nought


def profile_limit(
    height: Callable[[float], float],
    centre: float,
    *,
    top: float,
    drop: float,
    sign: float,
    reach: float,
    end: float | None = None,
    farthest: float = 60.0,
    tolerance: float = 1e-11,
) -> float:
    """Go from the top to one side until the likelihood, highest over all else, has dropped.

    Parameters
    ----------
    height : callable
        Log-likelihood with the parameter at a place, highest over all others: minus infinity where the data
        are impossible, nan where it cannot be worked out.
    centre : float
        Where the parameter is at the top.
    top : float
        Log-likelihood there [-].
    drop : float
        How much lower the limit is [-].
    sign : float
        Side: 1 or -1.
    reach : float
        First step: how far it would go under a normal likelihood.
    end : float, optional
        End of the range of the parameter on that side.
    farthest : float
        Distance from which on the side counts as without a limit.
    tolerance : float
        How exact the place is.

    Returns
    -------
    float
        The limit; `end` where the likelihood has not dropped there; infinite where it never does.

    Raises
    ------
    NoProfileLimit
        If the likelihood cannot be worked out on the way, or no limit is found within a fixed number of steps.
    """
    goal = float(np.sqrt(2 * drop))

    def excess(x: float) -> float:
        """Root of the fall less that wanted: close to a straight line in x, whatever the level."""
        value = float(height(x))
        if np.isnan(value):
            return value
        return min(float(np.sqrt(2 * max(top - value, 0.0))), _STEEPEST) - goal

    seen: dict[float, float] = {}  # a search begun elsewhere may end elsewhere: what was seen once stays

    def known(x: float) -> float:
        value = seen[x] if x in seen else excess(x)
        if np.isnan(value):
            raise _no_limit(x)
        return value

    step = max(min(float(reach) if np.isfinite(reach) else 0.2, 10.0), 1e-6)
    inner, unknown = float(centre), np.nan
    seen[inner] = -goal
    for _ in range(_MOST_STEPS):
        outer = inner + sign * step
        if end is not None and sign * (outer - end) >= 0:
            outer = float(end)
        elif abs(outer - centre) > farthest:
            return float(sign * np.inf)
        beyond = seen[outer] = excess(outer)
        if np.isnan(beyond):
            unknown, step = outer, step / 4
            continue
        if beyond > 0:
            try:
                return float(brentq(known, inner, outer, xtol=tolerance, rtol=1e-13, maxiter=200))
            except RuntimeError:
                raise _no_limit(outer) from None
        if outer == end:
            return outer
        inner, step = outer, step * _GROWTH
    raise _no_limit(unknown if np.isfinite(unknown) else inner)


def _no_limit(at: float) -> NoProfileLimit:
    return NoProfileLimit(
        f"No profile bound: the likelihood cannot be worked out near {at:.6g} (as the search measures it), before it has "
        "dropped by what the level allows. What can be had: bounds with method='wald', or a fit under an assumed shape."
    )


def held_limits(
    surface: Surface,
    best: Floats,
    at: int,
    *,
    drop: float,
    covariance: Floats,
    ends: tuple[float | None, float | None] = (None, None),
    tolerance: float = 1e-9,
) -> tuple[float, float]:
    """Return how far one parameter of a likelihood can go to both sides, the others highest each time.

    Parameters
    ----------
    surface : callable
        Log-likelihood with its first and second derivatives.
    best : ndarray, shape (n,)
        Its maximum.
    at : int
        Which parameter.
    drop : float
        How much lower the limits are [-].
    covariance : ndarray, shape (n, n)
        Covariance at the maximum: where to look first, and how the others go with the parameter.
    ends : tuple of float or None
        Ends of its range.
    tolerance : float
        How exact the limits are.

    Returns
    -------
    tuple of float
        As `profile_limit` gives them.

    Raises
    ------
    NoProfileLimit
        As `profile_limit` does; so too where the search over the others does not come to rest.
    """
    others = np.delete(np.arange(best.size), at)
    error, lead = float(np.sqrt(covariance[at, at])), covariance[others, at] / covariance[at, at]
    top = surface(best)[0]
    limits = []
    for sign, end in zip((-1.0, 1.0), ends, strict=True):
        last = [float(best[at]), best[others]]  # where the last search ended

        def height(x: float, last: list = last) -> float:
            def rest(q: Floats) -> tuple[float, Floats, Floats]:
                value, grad, hess = surface(np.insert(q, at, x))
                return value, grad[others], hess[np.ix_(others, others)]

            # Near the top the others go with the parameter; far off, such as towards a share of 1, they stay.
            starts = [last[1] + lead * (x - last[0]), last[1]]
            with np.errstate(all="ignore"):
                starts.sort(key=lambda q: np.nan_to_num(rest(q)[0], nan=-np.inf))
            found = maximise(rest, starts.pop(), polished=False)
            if found.flat is not None:
                # A share of the others may run to its end, or the search was lost where nothing changes any more.
                found = max(found, maximise(rest, starts.pop(), polished=False), key=lambda top: top.value)
            if not np.isfinite(found.value):
                return -np.inf
            last[:] = x, found.point
            return found.value if found.has_ended else np.nan

        limits.append(
            profile_limit(
                height, float(best[at]), top=top, drop=drop, sign=sign, reach=error * float(np.sqrt(2 * drop)),
                end=end, tolerance=tolerance,
            )
        )  # fmt: skip
    return limits[0], limits[1]


def limits_within(
    surface: Slopes,
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
    ranges = np.array([limits[k] for k in others], np.float64).reshape(-1, 2)
    top, ends = surface(best)[0], []
    for sign, end in zip((-1.0, 1.0), limits[at], strict=True):
        last: list = [best[others], None]  # each search begins where the last one ended, with its bends

        def height(x: float, last: list = last) -> float:
            def rest(q: Floats) -> tuple[float, Floats]:
                value, slope = surface(np.insert(q, at, x))
                return value, slope[others]

            found = maximise(Followed(rest, ranges, bends=last[1]), last[0], limits=ranges)
            last[:] = found.point, found.hessian
            return found.value

        ends.append(
            profile_limit(
                height, float(best[at]), top=top, drop=drop, sign=sign, reach=1.1 * error * float(np.sqrt(2 * drop)),
                end=end if np.isfinite(end) else None, tolerance=tolerance,
            )
        )  # fmt: skip
    return ends[0], ends[1]


@dataclass(frozen=True, eq=False, kw_only=True)
class GridProfile:
    """A log-likelihood along one parameter, all others highest at each place, followed from point to point of a grid.

    Parameters
    ----------
    value : callable
        Height of the profile at a place; minus infinity where there is none.
    grid, height : ndarray, shape (n,)
        Places, rising, and the heights there.
    best, highest : float
        Place and height of the top, between the neighbours of the highest point of the grid.
    tolerance : float
        How exact the places are.
    """

    value: Callable[[float], float] = field(repr=False)
    grid: Floats = field(repr=False)
    height: Floats = field(repr=False)
    best: float
    highest: float
    tolerance: float

    def limits(self, drop: float) -> tuple[float, float]:
        """Return how far the parameter can be from the top until the profile has dropped.

        Parameters
        ----------
        drop : float
            How much lower the limits are [-].

        Returns
        -------
        tuple of float
            Where the profile first falls so low to each side, the end of the grid where it does not.
        """
        goal = self.highest - drop
        below = np.flatnonzero(self.grid < self.best)[::-1]
        above = np.flatnonzero(self.grid > self.best)
        return self._limit(goal, below, self.grid[0]), self._limit(goal, above, self.grid[-1])

    def _limit(self, goal: float, side: NDArray[np.int64], end: float) -> float:
        inside = self.best
        for i in side:
            if self.height[i] < goal:
                # Where there is no fit the height is minus infinity, which no root search takes.
                found = brentq(
                    lambda x: max(self.value(float(x)) - goal, -1e6),
                    inside,
                    self.grid[i],
                    xtol=self.tolerance,
                )
                return float(found)
            inside = float(self.grid[i])
        return float(end)

    def variance(self) -> float:
        """Variance of the parameter by the bend of its profile at the top: that of the inverse of the whole information.

        Returns
        -------
        float
            Nan at an end of the grid, and where the profile does not bend down.
        """
        step = _BEND * float(self.grid[-1] - self.grid[0])
        if not self.grid[0] + step < self.best < self.grid[-1] - step:
            return float("nan")
        sides = self.value(self.best - step) + self.value(self.best + step)
        bend = (2 * self.highest - sides) / step**2
        return 1 / bend if 0 < bend < np.inf else float("nan")


def profile_on_grid(
    value: Callable[[float], float], grid: Floats, height: Floats, *, tolerance: float
) -> GridProfile:
    """Follow a profile whose heights on a grid are known.

    Parameters
    ----------
    value : callable
        Height of the profile at a place; minus infinity where there is none.
    grid : ndarray, shape (n,)
        Places, rising.
    height : ndarray, shape (n,)
        Heights there, at least one of them finite.
    tolerance : float
        How exact the places are.

    Returns
    -------
    GridProfile
        With its top; its limits are searched when they are asked for.
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
    return GridProfile(value=value, grid=grid, height=height, best=best, highest=highest, tolerance=tolerance)
