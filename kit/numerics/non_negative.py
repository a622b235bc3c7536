"""The lowest point of a bowl over numbers that are not negative."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from kit.numerics.typing import Floats


def least_on_non_negative(matrix: Floats, target: Floats, inside: NDArray[np.bool_]) -> Floats:
    """Solve min x'Mx/2 - t'x with x >= 0 by exchanging whole blocks, which takes a few solutions only.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Positive definite M.
    target : ndarray, shape (n,)
        The vector t.
    inside : ndarray of bool, shape (n,)
        Which are thought to be above 0.

    Returns
    -------
    ndarray, shape (n,)
        The solution.
    """
    best = np.zeros(target.size)
    fewest, chances = target.size + 1, 5
    for _ in range(100):
        best[:] = 0.0
        if inside.any():
            best[inside] = np.linalg.solve(matrix[np.ix_(inside, inside)], target[inside])
        slope = matrix @ best - target
        wrong = np.where(inside, best < 0, slope < -1e-12 * (1 + np.abs(target)))
        n = int(wrong.sum())
        if n == 0:
            return best
        if n < fewest:
            fewest, chances = n, 5
        else:
            chances -= 1
        if chances < 0:
            break
        inside = inside ^ wrong
    # Exchanging blocks may go round in circles; the slower method cannot.
    root = np.linalg.cholesky(matrix).T
    return nnls(root, np.linalg.solve(root.T, target), maxiter=30 * target.size + 100)[0]
