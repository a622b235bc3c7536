"""Evenly spread random points: the same draws from the same seed, for any number of processes."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from kit.numerics.typing import Floats

_BITS = 30
_DIRECTIONS = """
3:1 7:1.3 11:1.3.1 13:1.1.1 19:1.1.3.3 25:1.3.5.13 37:1.1.5.5.17 41:1.1.5.5.5 47:1.1.7.11.19 55:1.1.5.1.1
59:1.1.1.3.11 61:1.3.5.5.31 67:1.3.3.9.7.49 91:1.1.1.15.21.21 97:1.3.1.13.27.49 103:1.1.1.15.7.5
109:1.3.1.15.13.25 115:1.1.5.5.19.61 131:1.3.7.11.23.15.103 137:1.3.7.13.13.15.69 143:1.1.3.13.7.35.63
145:1.3.5.9.1.25.53 157:1.3.1.13.9.35.107 167:1.3.1.5.27.61.31 171:1.1.5.11.19.41.61 185:1.3.5.3.3.13.69
191:1.1.7.13.1.19.1 193:1.3.7.5.13.19.59 203:1.1.3.9.25.29.41 211:1.3.5.13.23.1.55 213:1.3.7.3.13.59.17
229:1.3.1.3.5.53.69 239:1.1.5.5.23.33.13 241:1.1.7.7.1.61.123 247:1.1.7.9.13.61.49 253:1.3.3.5.3.55.33
285:1.3.1.15.31.13.49.245 299:1.3.5.15.31.59.63.97 301:1.3.1.11.11.11.77.249
"""
"""Primitive polynomials, each with the numbers that its dimension begins with; the first dimension needs none [2]_."""


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
    .. [2] S. Joe and F. Y. Kuo, "Constructing Sobol sequences with better two-dimensional projections", *SIAM J. Sci.
       Comput.*, vol. 30, 2008, pp. 2635-2654; the numbers as scipy has them.
    .. [3] J. Matousek, "On the L2-discrepancy for anchored boxes", *J. Complexity*, vol. 14, 1998, pp. 527-556 (the
       scrambling by random lower triangular matrices and a shift).
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, stream]))
    doublings = int(np.ceil(np.log2(max(n, 2))))
    points = _scrambled(dimensions, doublings, rng)[:n]
    return np.clip(points[rng.permutation(n)] if shuffled else points, 1e-9, 1 - 1e-9)


def _scrambled(dimensions: int, doublings: int, rng: np.random.Generator) -> Floats:
    """Return 2 to some power of scrambled Sobol points, those of scipy from the same generator, which takes long to load."""
    table = _DIRECTIONS.split()
    if dimensions > len(table) + 1:
        from scipy.stats import qmc

        return qmc.Sobol(dimensions, scramble=True, rng=rng).random_base2(doublings)
    (rng,) = rng.spawn(1)
    ones = np.uint32(1)
    powers = ones << np.arange(_BITS - 1, -1, -1, dtype=np.uint32)
    plain = np.stack([powers, *(_directions(one) * powers for one in table[: dimensions - 1])])
    shift = (rng.integers(2, size=(dimensions, _BITS), dtype=np.uint32) * powers[::-1]).sum(
        axis=1, dtype=np.uint32
    )
    mixed = np.tril(rng.integers(2, size=(dimensions, _BITS, _BITS), dtype=np.uint32))
    mixed[:, np.arange(_BITS), np.arange(_BITS)] = 1
    digits = (plain[:, :, None] & powers != 0).astype(np.float64)  # sums of 30 are exact
    parity = np.matmul(digits, mixed.astype(np.float64).transpose(0, 2, 1)).astype(np.uint32) & ones
    steps = (parity * powers).sum(axis=2, dtype=np.uint32)
    points = shift[None, :]
    for k in range(
        doublings
    ):  # in the order of the reflected Gray code each differs from the last by one step
        points = np.concatenate([points, points[::-1] ^ steps[:, k]])
    return points / 2.0**_BITS


def _directions(entry: str) -> np.ndarray:
    """Return the odd numbers that a dimension's points are made of, from its line in the table."""
    polynomial, start = entry.split(":")
    code, numbers = int(polynomial), [int(one) for one in start.split(".")]
    degree = len(numbers)
    for i in range(degree, _BITS):
        new = numbers[i - degree]
        for k in range(degree):
            if code >> (degree - 1 - k) & 1:
                new ^= numbers[i - k - 1] << (k + 1)
        numbers.append(new)
    return np.array(numbers, dtype=np.uint32)


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
