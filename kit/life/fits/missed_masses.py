"""Which masses are likeliest where looks may have missed what was there: the estimate of Turnbull with misses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.likelihood import SumTerms
from kit.numerics.non_negative import least_on_non_negative
from kit.numerics.typing import Floats

_SLACK = 1e-9  # largest gain in log-likelihood that may be left
_MOST_ROUNDS = 1000
_MORE = 30  # intervals taken in at once
_LONGER = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)  # multiples of a step that are tried


@dataclass(frozen=True, eq=False)
class _Cells:
    """Chance of what each row shows for an onset in each interval between two ages of the fleet."""

    ends: Floats  # of the intervals, rising; the last one is infinite
    low: NDArray[np.int64]  # the intervals low..high-1 have a term's chance
    high: NDArray[np.int64]
    chance: Floats
    row: NDArray[np.int64]
    weight: Floats  # of the rows; below 0 for the chance to come under watch

    def by_interval(self, by_row: Floats) -> Floats:
        """Sum over the rows of chance times a number of the row, for every interval."""
        value = self.chance * by_row[self.row]
        n = self.ends.size
        return np.cumsum(np.bincount(self.low, value, n) - np.bincount(self.high, value, n))[:-1]

    def columns(self, which: NDArray[np.int64]) -> Floats:
        """Chances of some intervals, shape (n_rows, n_intervals)."""
        out = np.zeros((self.weight.size, which.size + 1))
        np.add.at(out, (self.row, np.searchsorted(which, self.low)), self.chance)
        np.add.at(out, (self.row, np.searchsorted(which, self.high)), -self.chance)
        return np.maximum(out.cumsum(axis=1)[:, :-1], 0.0)


def fit_masses(
    terms: SumTerms, ages: Floats, upper: Floats, count: Floats
) -> tuple[Floats, Floats, Floats, float]:
    r"""Find the masses under which what looks showed is likeliest.

    Parameters
    ----------
    terms : SumTerms
        Chances of what the looks of each life showed, for an onset in each gap; one row for each life, and one for
        each that entered late.
    ages : ndarray, shape (n_ages,)
        Ages of all looks and entries, and 0, rising [clock units].
    upper : ndarray, shape (n_lives,)
        Age at the find; infinite where there was none [clock units].
    count : ndarray, shape (n_lives,)
        Lives that each stands for, 0 to leave it out; at least one with a find [-].

    Returns
    -------
    lower, upper : ndarray, shape (n,)
        Ages between which each mass lies [clock units].
    mass : ndarray, shape (n,)
        Shares, which add up to 1 [-].
    log_likelihood : float
        At the maximum [-].

    Notes
    -----
    With :math:`A_{ij}` the chance of what life i shows for an onset in interval j, and :math:`B_{ij}` that of coming
    under watch without a find, :math:`\sum_i n_i[\log(A m)_i - \log(B m)_i]` is maximised over masses
    :math:`m \ge 0`. The second log is replaced by its tangent, which lies above it: each step is one of Newton's on a
    concave function, with masses of at least 0. Intervals that would gain by some mass are taken in. Where nobody
    entered late the largest of the slopes bounds what is left to gain.
    """
    cells = _cells(terms, ages, count)
    found = np.unique(upper[np.isfinite(upper) & (count > 0)])
    inside = np.searchsorted(cells.ends, found) - 1
    which = np.unique(np.r_[inside, cells.ends.size - 2])
    mass = np.full(which.size, 1.0 / which.size)
    plus, less = np.maximum(cells.weight, 0.0), np.maximum(-cells.weight, 0.0)
    rest = float(plus.sum() - less.sum())  # lives watched from the start

    def value(chances: Floats, m: Floats) -> float:
        total = chances @ m
        if (total[plus > 0] <= 0).any():
            return -np.inf
        with np.errstate(divide="ignore", invalid="ignore"):
            each = np.where(cells.weight != 0, cells.weight * np.log(total), 0.0)
        return float(each.sum() - rest * np.log(m.sum()))

    at = -np.inf
    for _ in range(_MOST_ROUNDS):
        chances = cells.columns(which)
        total = np.maximum(chances @ mass, 1e-300)
        slope = cells.by_interval(cells.weight / total) - rest
        at = value(chances, mass)
        if slope.max() < _SLACK:
            break
        more = np.setdiff1d(np.argsort(slope)[-_MORE:], which)
        more = more[slope[more] > 0]
        if more.size:
            both = np.r_[which, more]
            order = np.argsort(both)
            which, mass = both[order], np.r_[mass, np.zeros(more.size)][order]
            chances = cells.columns(which)
        trial = _step(chances, plus, total, slope[which], mass, lambda m, c=chances: value(c, m), at)
        if trial is None:
            break
        mass = trial / trial.sum()
        kept = (mass > 0) | (slope[which] > 0)
        which, mass = which[kept], mass[kept]
    kept = mass > 0
    which, mass = which[kept], mass[kept]
    return cells.ends[which], cells.ends[which + 1], mass, at


def _step(
    chances: Floats, plus: Floats, total: Floats, slope: Floats, mass: Floats, value, at: float
) -> Floats | None:
    """Take a step that gains; None where there is none."""
    half = chances * (np.sqrt(plus) / total)[:, None]
    matrix = half.T @ half
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    matrix /= np.outer(scale, scale)
    matrix[np.diag_indices(mass.size)] += 1e-10
    best = least_on_non_negative(matrix, slope / scale + matrix @ (mass * scale), mass > 0) / scale
    move, step = best - mass, 1.0
    for _ in range(60):
        trial = np.maximum(mass + step * move, 0.0)
        new = value(trial)
        if new > at:
            break
        step /= 2
    else:
        return None
    if step < 1:
        return trial
    # The tangent is a poor guide where much hangs on left truncation: go on while it gains.
    for longer in _LONGER:
        farther = np.maximum(mass + longer * move, 0.0)
        gain = value(farther)
        if not gain > new:
            break
        trial, new = farther, gain
    return trial


def _cells(terms: SumTerms, ages: Floats, count: Floats) -> _Cells:
    """Cut time at all ages at which a chance changes."""
    weight = np.sign(terms.weight) * count[terms.life_of_row]
    keep = weight[terms.row] != 0
    low, high = terms.log_low[keep], terms.log_high[keep]
    cut = np.unique(np.r_[low, high, np.inf])
    with np.errstate(divide="ignore"):
        log_age = np.log(ages)
    # The terms hold logs of ages; the ages themselves are those of the looks.
    ends = np.r_[ages, np.inf][np.searchsorted(log_age, cut - 1e-13)]
    return _Cells(
        ends=ends, low=np.searchsorted(cut, low), high=np.searchsorted(cut, high), chance=terms.coefficient[keep],
        row=terms.row[keep], weight=weight,
    )  # fmt: skip
