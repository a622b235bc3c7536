"""How a posterior of two parameters moves with what stands before it: its mean and spread as smooth functions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kit.numerics.typing import Floats

_FEWEST = 20  # draws of a label that are worked out exactly, below which it does not follow by itself
_RIDGE = 1e-3  # of the regression, in units of the spread of the design
_SMOOTHING = 0.3  # of the splines
_WIDEST = 3.0  # standard deviations of the design beyond which the functions are held


@dataclass(frozen=True, eq=False, kw_only=True)
class GridPosterior:
    """A posterior of two parameters on a grid.

    Parameters
    ----------
    first, second : ndarray, shape (n_first,) or (n_second,)
        Evenly spaced values of the two parameters.
    share : ndarray, shape (n_first, n_second)
        Posterior mass of each point; sums to 1 [-].
    """

    first: Floats
    second: Floats
    share: Floats

    def moments(self) -> tuple[Floats, Floats]:
        """Return mean and covariance.

        Returns
        -------
        mean : ndarray, shape (2,)
            Means.
        covariance : ndarray, shape (2, 2)
            Covariance.
        """
        mean, covariance = moments_on_grid(self.first, self.second, self.share[None])
        return mean[0], covariance[0]

    def sample(self, uniform: Floats) -> Floats:
        """Carry points of the unit square to the posterior.

        Parameters
        ----------
        uniform : ndarray, shape (n, 2)
            Between 0 and 1 [-].

        Returns
        -------
        ndarray, shape (n, 2)
            Draws, spread evenly within the cells of the grid.
        """
        column = self.share.sum(axis=1)
        edge = np.concatenate([[0.0], np.cumsum(column)])
        edge /= edge[-1]
        i = np.clip(np.searchsorted(edge, uniform[:, 0], side="right") - 1, 0, column.size - 1)
        within = (uniform[:, 0] - edge[i]) / np.maximum(edge[i + 1] - edge[i], 1e-300)
        rows = self.share[i]
        cumulative = np.concatenate([np.zeros((i.size, 1)), np.cumsum(rows, axis=1)], axis=1)
        cumulative /= np.maximum(cumulative[:, -1:], 1e-300)
        j = np.clip((cumulative <= uniform[:, 1:]).sum(axis=1) - 1, 0, rows.shape[1] - 1)
        at = np.arange(i.size)
        up = (uniform[:, 1] - cumulative[at, j]) / np.maximum(
            cumulative[at, j + 1] - cumulative[at, j], 1e-300
        )
        return np.stack(
            [
                self.first[i] + (within - 0.5) * (self.first[1] - self.first[0]),
                self.second[j] + (up - 0.5) * (self.second[1] - self.second[0]),
            ],
            axis=1,
        )


def moments_on_grid(first: Floats, second: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Means and covariances of posteriors on one grid.

    Parameters
    ----------
    first, second : ndarray
        Values of the two parameters.
    share : ndarray, shape (n, n_first, n_second)
        Posterior masses [-].

    Returns
    -------
    mean : ndarray, shape (n, 2)
        Means.
    covariance : ndarray, shape (n, 2, 2)
        Covariances.
    """
    a, b = share.sum(axis=2), share.sum(axis=1)
    mean = np.stack([a @ first, b @ second], axis=1)
    covariance = np.empty((share.shape[0], 2, 2))
    covariance[:, 0, 0] = a @ first**2 - mean[:, 0] ** 2
    covariance[:, 1, 1] = b @ second**2 - mean[:, 1] ** 2
    covariance[:, 0, 1] = np.einsum("nij,i,j->n", share, first, second) - mean[:, 0] * mean[:, 1]
    covariance[:, 1, 0] = covariance[:, 0, 1]
    return mean, covariance


@dataclass(frozen=True, eq=False, kw_only=True)
class ConditionalDraws:
    """Draws of two parameters given what stands before them.

    Parameters
    ----------
    value : ndarray, shape (n_draws, 2)
        The draws.
    residual : float
        Standard deviation that the smooth functions leave unexplained, over that of the posterior;
        it is added to the spread of the draws [-].
    mean, within : ndarray, shape (2,)
        Mean of the posteriors that were worked out, and the standard deviation that one of them has: what is left where
        all that stands before is known.
    """

    value: Floats
    residual: float
    mean: Floats
    within: Floats


def follow(
    posterior: Callable[[int], GridPosterior],
    upstream: Floats,
    uniform: Floats,
    *,
    design: int,
    label: np.ndarray | None = None,
    widen: float = 1.0,
) -> ConditionalDraws:
    """Draw two parameters given draws of what stands before them.

    Parameters
    ----------
    posterior : callable
        Gives the posterior on a grid for a draw's number.
    upstream : ndarray, shape (n_draws, p)
        Draws of what stands before, in coordinates in which they are nearly normal.
    uniform : ndarray, shape (n_draws, 2)
        Points of the unit square, one for each draw [-].
    design : int
        How many of the first draws are worked out exactly; all where there are no more.
    label : ndarray, shape (n_draws,), optional
        What draws have to share to follow one another, such as the form of growth.
    widen : float
        Factor on the spread, such as that of clustered lives [-].

    Returns
    -------
    ConditionalDraws
        The draws.

    Notes
    -----
    The posterior is worked out at the first draws. Its mean and the Cholesky factor of its covariance, in
    units of the middle one, are then smooth functions of the upstream draws: a quadratic trend and splines.
    What they leave unexplained of draws that were held back is added as a further spread. The shape of the
    posterior (its skewness with few finds) is that of the middle one.
    """
    n = upstream.shape[0]
    design = min(design, n)
    grids = [posterior(i) for i in range(design)]
    found = [grid.moments() for grid in grids]
    mean = np.array([m for m, _ in found])
    root = np.array([np.linalg.cholesky(c + 1e-12 * np.eye(2)) for _, c in found])
    centre = mean.mean(axis=0)
    typical = np.linalg.cholesky(np.mean([c for _, c in found], axis=0))
    middle = int(np.argmin((np.linalg.solve(typical, (mean - centre).T) ** 2).sum(axis=0)))
    shape = grids[middle].sample(uniform)
    z = np.linalg.solve(root[middle], (shape - mean[middle]).T).T
    targets = np.concatenate(
        [np.linalg.solve(typical, (mean - centre).T).T, np.linalg.solve(typical, root).reshape(design, 4)],
        axis=1,
    )
    residual = 0.0
    if design == n:
        fitted = targets
    else:
        fitted, left = np.empty((n, targets.shape[1])), []
        for name in np.unique(label) if label is not None else [None]:
            rows = np.flatnonzero(label == name) if name is not None else np.arange(n)
            known = rows[rows < design]
            if known.size < _FEWEST:  # too few of their kind: all follow together
                known = np.arange(design)
            # One draw in four is held back to measure what the functions leave unexplained.
            held = np.arange(known.size) % 4 == 3
            ends = known[held], known[~held]
            left.append(targets[ends[0]] - _smooth(upstream[ends[1]], targets[ends[1]], upstream[ends[0]]))
            fitted[rows] = _smooth(upstream[known], targets[known], upstream[rows])
        residual = float(np.sqrt((np.concatenate(left)[:, :2] ** 2).mean()))
        fitted[:design] = targets
    factor = np.einsum("ij,njk->nik", typical, fitted[:, 2:].reshape(n, 2, 2))
    widened = np.full(n, np.sqrt(1.0 + residual**2) * widen)
    widened[:design] = widen
    value = centre + fitted[:, :2] @ typical.T + widened[:, None] * np.einsum("nij,nj->ni", factor, z)
    within = np.sqrt(np.mean([np.diag(c) for _, c in found], axis=0))
    return ConditionalDraws(value=value, residual=residual, mean=centre, within=within)


def _smooth(x: Floats, y: Floats, at: Floats) -> Floats:
    """Follow values through points: a quadratic trend, and splines of what it leaves."""
    from scipy.interpolate import RBFInterpolator  # takes long to load

    centre, spread = x.mean(axis=0), x.std(axis=0)
    vary = spread > 1e-9
    if not vary.any():
        return np.broadcast_to(y.mean(axis=0), (at.shape[0], y.shape[1])).copy()

    def basis(points: Floats) -> tuple[Floats, Floats]:
        z = np.clip((points[:, vary] - centre[vary]) / spread[vary], -_WIDEST, _WIDEST)
        terms = [np.ones((points.shape[0], 1)), z]
        p = z.shape[1]
        if x.shape[0] >= 3 * (1 + 2 * p):
            terms.append(z**2 - 1.0)
        if x.shape[0] >= 5 * (1 + 2 * p + p * (p - 1) // 2):
            terms += [z[:, [i]] * z[:, i + 1 :] for i in range(p - 1)]
        return np.concatenate(terms, axis=1), z

    inner, z = basis(x)
    gram = inner.T @ inner + _RIDGE * x.shape[0] * np.diag(np.r_[0.0, np.ones(inner.shape[1] - 1)])
    weight = np.linalg.solve(gram, inner.T @ y)
    outer, z_at = basis(at)
    left = y - inner @ weight
    # Coordinates that matter more count for more in how near two points are.
    matter = np.sqrt((weight[1 : 1 + z.shape[1]] ** 2).sum(axis=1)) + 1e-3
    scale = matter / matter.max()
    spline = RBFInterpolator(z * scale, left, kernel="linear", degree=0, smoothing=_SMOOTHING)
    return outer @ weight + spline(z_at * scale)
