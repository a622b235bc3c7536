"""Evenly spread random points: the same draws from the same seed, for any number of processes."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from kit.numerics.typing import Floats


def uniform_points(n: int, dimensions: int, *, seed: int, stream: int = 0, shuffled: bool = True) -> Floats:
    """Return scrambled Sobol points in the unit cube.

    Parameters
    ----------
    n : int
        Points; a power of 2 keeps them even.
    dimensions : int
        Dimensions of the cube.
    seed, stream : int
        Seed of the scrambling, and which of its independent streams.
    shuffled : bool
        Whether the points stand in a random order. In the order of the sequence the first of them are even too; of the
        streams that stand side by side one at most may do so.

    Returns
    -------
    ndarray, shape (n, dimensions)
        Between 0 and 1, never an end [-].

    Notes
    -----
    A scrambled sequence gives estimates without bias whose error falls faster than that of independent
    draws, so that an answer hangs less on its seed.

    Each stream stands in a random order of its own. Two scramblings of one dimension have the same leading bits up to a
    flip: side by side in the order of the sequence, draws of two streams that should know nothing of each other would lie
    in two quarters of the square alone, with a sign that hangs on the seed.

    References
    ----------
    .. [1] A. B. Owen, "Scrambled net variance for integrals of smooth functions", *Ann. Statist.*,
       vol. 25, 1997, pp. 1541-1562.
    """
    from scipy.stats import qmc  # takes long to load

    rng = np.random.default_rng(np.random.SeedSequence([seed, stream]))
    bits = int(np.ceil(np.log2(max(n, 2))))
    points = qmc.Sobol(dimensions, scramble=True, rng=rng).random_base2(bits)[:n]
    return np.clip(points[rng.permutation(n)] if shuffled else points, 1e-9, 1 - 1e-9)


def normal_points(n: int, dimensions: int, *, seed: int, stream: int = 0) -> Floats:
    """Return scrambled Sobol points carried to the standard normal distribution.

    Parameters
    ----------
    n, dimensions : int
        Points and dimensions.
    seed, stream : int
        As for `uniform_points`.

    Returns
    -------
    ndarray, shape (n, dimensions)
        Standard normal [-].
    """
    return ndtri(uniform_points(n, dimensions, seed=seed, stream=stream))


def rotated_lattice(n: int, shift: Floats) -> Floats:
    """Return one lattice of points for each draw, turned by an offset of its own.

    Parameters
    ----------
    n : int
        Points of each draw.
    shift : ndarray, shape (n_draws, dimensions)
        Offsets between 0 and 1 [-].

    Returns
    -------
    ndarray, shape (dimensions, n_draws, n)
        Points in the unit cube; their error differs from draw to draw, so that it averages out [-].

    Notes
    -----
    The steps are powers of the root of :math:`x^{d+1} = x + 1`, which spread points evenly in d dimensions
    (a generalisation of the golden ratio).
    """
    dimensions = shift.shape[1]
    root = 2.0
    for _ in range(64):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    steps = np.mod(root ** -np.arange(1.0, dimensions + 1), 1.0)
    grid = np.outer(steps, np.arange(n) + 0.5)
    return np.clip(np.mod(grid[:, None, :] + shift.T[:, :, None], 1.0), 1e-9, 1 - 1e-9)
