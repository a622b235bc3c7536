"""At which points, and with what weights, integrals are taken; worked out once for each number of points."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from kit.numerics.typing import Floats


def _shared(*arrays: Floats) -> tuple[Floats, ...]:
    """Return arrays that callers share and so cannot change."""
    for array in arrays:
        array.flags.writeable = False
    return arrays


@lru_cache(maxsize=64)
def unit_nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss–Legendre nodes and weights on (0, 1).

    Parameters
    ----------
    n : int
        Number of nodes.

    Returns
    -------
    nodes, weights : ndarray, shape (n,)
        The weights sum to 1.
    """
    x, w = np.polynomial.legendre.leggauss(n)
    return _shared((x + 1) / 2, w / 2)


@lru_cache(maxsize=64)
def normal_nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss–Hermite points and weights of a standard normal distribution.

    Parameters
    ----------
    n : int
        Number of points.

    Returns
    -------
    points, weights : ndarray, shape (n,)
        The weights sum to 1.
    """
    points, weights = np.polynomial.hermite_e.hermegauss(n)
    return _shared(points, weights / weights.sum())


@lru_cache(maxsize=64)
def line_nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss–Hermite points of the whole line, for an integrand shaped like a normal density about 0.

    Parameters
    ----------
    n : int
        Number of points.

    Returns
    -------
    points, log_weights : ndarray, shape (n,)
        Logs of weights that carry the normal density's own decrease: their sum of exp(log weight + log
        integrand) is the integral.
    """
    points, weights = np.polynomial.hermite_e.hermegauss(n)
    return _shared(points, np.log(weights) + points**2 / 2)
