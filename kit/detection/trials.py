"""Hits and misses of a trial, checked, and whether they allow a fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import xlogy

from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

REMEDY = (
    "What can be had: a bound on the POD of the largest sizes from the hits alone (`pod_bounds`, "
    "`demonstration_plan`), or a fit once the trial holds more damage of the sizes between, with some missed."
)
"""What to do where no POD by size can be fitted."""


@dataclass(frozen=True, eq=False)
class Trials:
    """Hits and misses on known damage.

    Parameters
    ----------
    size : ndarray, shape (n,)
        Equivalent diameters; 0 for a place without damage [mm].
    hit, count : ndarray, shape (n,)
        Hits, and trials.
    group : ndarray of int, shape (n,)
        Number of each row's group.
    groups : tuple
        Their names; one empty name where there are none.
    inspector : ndarray of int, shape (n,) or None
        Number of each row's inspector.
    log_size : bool
        Whether the line is in the log of size.
    """

    size: Floats
    hit: Floats
    count: Floats
    group: NDArray[np.int64]
    groups: tuple
    inspector: NDArray[np.int64] | None
    log_size: bool

    @property
    def blank(self) -> NDArray[np.bool_]:
        """Rows without damage."""
        return self.size == 0 if self.log_size else np.zeros(self.size.size, bool)

    @property
    def x(self) -> Floats:
        """Size or its log; 0 for blanks, which have no place on the line."""
        return np.log(np.where(self.blank, 1.0, self.size)) if self.log_size else self.size


def check_trials(
    size: ArrayLike,
    hit: ArrayLike,
    group: ArrayLike | None,
    trials: ArrayLike | None,
    inspector: ArrayLike | None,
    log_size: bool,
    blanks_allowed: bool,
) -> Trials:
    """Check the rows of a trial.

    Parameters
    ----------
    size, hit, group, trials, inspector : array_like
        As `fit_hit_miss` takes them.
    log_size : bool
        Whether the line is in the log of size.
    blanks_allowed : bool
        Whether rows of size 0 have a part, the false calls.

    Returns
    -------
    Trials
        Rows of one inspector stand together.

    Raises
    ------
    ValueError
        If lengths differ or a value is out of range.
    """
    a = np.atleast_1d(np.asarray(size, np.float64))
    y = np.atleast_1d(np.asarray(hit, np.float64))
    n = np.ones(a.size) if trials is None else np.atleast_1d(np.asarray(trials, np.float64))
    columns = {"hit": y, "trials": n}
    labels = {}
    for name, values in (("group", group), ("inspector", inspector)):
        if values is not None:
            columns[name] = labels[name] = np.atleast_1d(np.asarray(values, dtype=object))
    for name, values in columns.items():
        if values.shape != a.shape:
            raise ValueError(
                f"`{name}` must have one value for each size. Got {values.size} values and {a.size} sizes."
            )
    if a.size == 0:
        raise ValueError("`size` must hold at least one trial. Got none.")
    _refuse("size", a, np.isfinite(a) & (a >= 0), "at least 0 and finite [mm]")
    _refuse("trials", n, np.isfinite(n) & (n >= 1) & (n == np.rint(n)), "whole numbers of at least 1")
    what = (
        "0 for a miss or 1 for a hit" if trials is None else "whole numbers from 0 to the trials of the row"
    )
    _refuse("hit", y, (y >= 0) & (y <= n) & (y == np.rint(y)), what)
    if log_size and not blanks_allowed:
        _refuse(
            "size", a, a > 0, "positive where it enters as its log; places without damage need `false_calls`"
        )
    codes = {}
    for name, values in labels.items():
        missing = np.array([v is None or v != v or v == "" for v in values])
        _refuse(name, values, ~missing, "given for every row")
        names = sorted(set(values.tolist()), key=lambda v: (str(type(v)), v))
        number = {v: i for i, v in enumerate(names)}
        codes[name] = (np.array([number[v] for v in values], np.int64), tuple(names))
    g, groups = codes.get("group", (np.zeros(a.size, np.int64), ("",)))
    who = codes["inspector"][0] if inspector is not None else None
    if who is not None:
        if len(codes["inspector"][1]) < 2:
            raise ValueError(
                "`inspector` must name at least two, or no spread between them can be seen. Got one."
            )
        order = np.argsort(who, kind="stable")
        a, y, n, g, who = a[order], y[order], n[order], g[order], who[order]
    return Trials(a, y, n, g, groups, who, log_size)


def highest_step(data: Trials, plateau: float | None, false_calls: float | None) -> float:
    """Return the highest log-likelihood of a POD that leaps from nothing to its plateau at one size.

    Parameters
    ----------
    data : Trials
        The trials of one group.
    plateau, false_calls : float or None
        As given; None to fit [-].

    Returns
    -------
    float
        The value; minus infinity where there is one size only.
    """
    sizes, number = np.unique(data.size, return_inverse=True)
    hit = np.bincount(number, weights=data.hit)
    miss = np.bincount(number, weights=data.count - data.hit)
    below_hit, below_miss = np.cumsum(hit)[:-1], np.cumsum(miss)[:-1]
    above_hit, above_miss = hit.sum() - below_hit, miss.sum() - below_miss
    if sizes.size < 2:
        return -np.inf
    low = (
        below_hit / (below_hit + below_miss) if false_calls is None else np.full(sizes.size - 1, false_calls)
    )
    high = above_hit / (above_hit + above_miss) if plateau is None else low + (1 - low) * plateau
    value = (
        xlogy(below_hit, low)
        + xlogy(below_miss, 1 - low)
        + xlogy(above_hit, high)
        + xlogy(above_miss, 1 - high)
    )
    return float(np.where(high >= low, value, -np.inf).max())


def _refuse(name: str, values, good, what: str) -> None:
    bad = np.flatnonzero(~np.asarray(good))
    if bad.size:
        raise ValueError(
            f"`{name}` must be {what}. {bad.size} of {values.size} rows are not, first row {bad[0]} "
            f"(Got {values[bad[0]]!s}). Correct or leave out those rows."
        )


def refuse_without_maximum(data: Trials, common_slope: bool) -> None:
    """Refuse trials in which hits and misses do not overlap in size.

    Parameters
    ----------
    data : Trials
        The trials.
    common_slope : bool
        Whether all groups share one slope.

    Raises
    ------
    NoFiniteMaximum
        If all are hits or all are misses, if one size parts hits from misses, or if sizes do not differ.
    """
    rising, falling, n_sizes = [], [], []
    for number, name in enumerate(data.groups):
        rows = (data.group == number) & ~data.blank
        where = f" in group {name}" if len(data.groups) > 1 else ""
        hits, misses = (data.size[rows & (count > 0)] for count in (data.hit, data.count - data.hit))
        if not hits.size or not misses.size:
            what = "misses" if not hits.size else "hits"
            total = data.count[rows].sum()
            raise NoFiniteMaximum(
                f"No fit: all {total:g} trials{where} are {what}, so the likelihood keeps rising as the curve moves away "
                f"and no finite maximum exists. {REMEDY}"
            )
        n_sizes.append(np.unique(data.size[rows]).size)
        rising.append(misses.max() <= hits.min())
        falling.append(hits.max() <= misses.min())
        if (rising[-1] or falling[-1]) and not common_slope:
            break
    if (max(n_sizes) if common_slope else min(n_sizes)) < 2:
        raise NoFiniteMaximum(f"No fit: all damage has one size, so no slope in size can be fitted. {REMEDY}")
    if (all(rising) or all(falling)) if common_slope else (rising[-1] or falling[-1]):
        where = (
            f" in group {data.groups[len(rising) - 1]}" if len(data.groups) > 1 and not common_slope else ""
        )
        if rising[-1]:
            what = f"every hit is at {hits.min():g} or more and every miss at {misses.max():g} or less"
        else:
            what = f"every miss is at {misses.min():g} or more and every hit at {hits.max():g} or less"
        raise NoFiniteMaximum(
            f"No fit: {what}{where}, so hits and misses do not overlap in size, the likelihood keeps rising as the curve "
            f"steepens and no finite maximum exists. {REMEDY}"
        )
