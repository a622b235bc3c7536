"""How often damage begins on a panel that is repaired and flies on."""

from __future__ import annotations

import numpy as np

from kit.numerics.typing import Floats


def onsets_by_age(
    scale: Floats, shape: Floats, *, restoration: Floats | float | None, ages: Floats
) -> Floats:
    r"""Count the onsets to be expected up to each age.

    Parameters
    ----------
    scale, shape : ndarray, shape (n_draws,)
        Weibull lives [clock units], [-].
    restoration : float, ndarray of shape (n_draws,) or None
        What a repair leaves of the age: 0 for as new, 1 for as old [-]. None counts the first onset only.
    ages : ndarray, shape (n_ages,)
        Evenly spaced ages from 0 [clock units].

    Returns
    -------
    ndarray, shape (n_draws, n_ages)
        Expected onsets [-].

    Notes
    -----
    A generalised renewal process: after an onset at panel age s the next life starts at the virtual age
    :math:`q s`, so that the chance of no further onset up to t is :math:`S(q s + t - s) / S(q s)`. The time
    from onset to repair, in which a panel cannot begin the same damage again, is left out: the count is
    on the safe side. Onsets are put in the middle of cells of the age.

    References
    ----------
    .. [1] M. Kijima and U. Sumita, "A useful generalization of renewal theory", *J. Appl. Prob.*, vol. 23,
       1986, pp. 71-88.
    """
    scale, shape = np.asarray(scale, np.float64), np.asarray(shape, np.float64)

    def hazard(age: Floats) -> Floats:
        return (age / scale[:, None]) ** shape[:, None]

    first = -np.expm1(-hazard(np.broadcast_to(ages, (scale.size, ages.size))))
    if restoration is None:
        return first
    q = np.broadcast_to(np.asarray(restoration, np.float64), scale.shape)[:, None]
    cell = np.diff(first, axis=1)
    middle = (ages[1:] + ages[:-1]) / 2
    if not q.any():  # as new: what follows an onset is the same for every age of it
        since = np.concatenate([[0.0], ages[1:] - middle[0]])
        anew = -np.diff(np.exp(-hazard(np.broadcast_to(since, (scale.size, since.size)))), axis=1)
    for j in range(middle.size):
        if not q.any():
            _feed_back(cell, j, anew[:, : middle.size - j])
            continue
        virtual = q * middle[j]
        base = hazard(virtual)
        since = np.concatenate([[0.0], ages[j + 1 :] - middle[j]])
        survive = np.exp(base - hazard(virtual + since))
        _feed_back(cell, j, -np.diff(survive, axis=1))
    return np.concatenate([np.zeros((scale.size, 1)), np.cumsum(cell, axis=1)], axis=1)


def _feed_back(cell: Floats, j: int, again: Floats) -> None:
    """Add the onsets that follow those of a cell."""
    # The half cell after the onset itself feeds back into its own cell.
    own = cell[:, j] / np.maximum(1.0 - again[:, 0], 0.05)
    cell[:, j] = own
    cell[:, j + 1 :] += own[:, None] * again[:, 1:]
