"""How likely looks and sizes at first find are, by age at onset, size at onset and growth."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.detection import DetectionCurve
from kit.growth.forms import GrowthForm
from kit.life import WEIBULL, Histories, gaps_before_looks, looks_with_entries
from kit.numerics.covariance import covariance_within
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import profile_limit
from kit.numerics.quadrature import unit_nodes
from kit.numerics.typing import Floats

NAMES = ("scale", "shape", "onset_median", "onset_log_sd", "rate_median", "rate_log_sd")
"""Parameters of a joint fit; each is fitted on the scale of its log."""

SCALE, SHAPE, ONSET, ONSET_SD, RATE, RATE_SD = range(6)
LEAST_SD = (0.1, 0.25)
"""Least log spreads of size at onset and rate: narrower ones fall between the nodes."""

_SIZE_STEP, _RATE_STEP = 0.14, 0.4  # of the nodes of log size and log rate
_HELD_NODES = np.linspace(-4.0, 4.0, 17)  # in standard deviations, where a distribution is held
_AGES = 3  # Gauss points of the age at onset in each gap, as in `fit_weibull`
_BLOCK = 1_500_000  # chances worked out at once


class Gaps(NamedTuple):
    """Gaps between looks in which onset may have come: for each the chances of what the looks showed.

    Parameters
    ----------
    low, high : ndarray, shape (n_gaps,)
        Where each gap begins and ends [clock units].
    row : ndarray of int, shape (n_gaps,)
        Row of each: a life, or one that entered late up to its entry.
    chance : ndarray, shape (n_gaps, n_nodes)
        For each node of size at onset and rate [-], times the density of the log of a size.
    survivor_age : ndarray, shape (n_survivors,)
        Last look of rows without a find [clock units].
    survivor_row : ndarray of int, shape (n_survivors,)
        Those rows.
    """

    low: Floats
    high: Floats
    row: NDArray[np.int64]
    chance: Floats  # (n_gaps, n_nodes)
    survivor_age: Floats
    survivor_row: NDArray[np.int64]


class Nodes(NamedTuple):
    """Nodes of size at onset and rate; the last rate stands still where a share does.

    Parameters
    ----------
    log_start, log_rate : ndarray
        Logs of sizes at onset [log mm] and of rates, evenly spaced.
    is_held : tuple of bool
        Whether the size at onset, and the rate, are given.
    still : bool
        Whether a share stands still.
    """

    log_start: Floats
    log_rate: Floats
    is_held: tuple[bool, bool]
    still: bool


def place_nodes(
    size: Floats,
    widths: Floats,
    oldest: float,
    error: float,
    held: Mapping[str, float],
    law: GrowthForm,
    still: bool,
) -> Nodes:
    """Choose nodes that hold what sizes and looks can tell.

    Parameters
    ----------
    size : ndarray, shape (n,)
        Sizes at first find; nan where there is none [mm].
    widths : ndarray
        Times between looks [clock units].
    oldest : float
        Age at the last look of all [clock units].
    error : float
        Standard deviation of the log of a measured size [-].
    held : mapping of str to float
        Parameters that are given.
    law : GrowthForm
        Form of growth.
    still : bool
        Whether a share stands still.

    Returns
    -------
    Nodes
        The nodes.
    """
    sizes = size[np.isfinite(size)]
    step = float(np.clip(1.2 * error, 0.05, _SIZE_STEP))
    held_start = {"onset_median", "onset_log_sd"} <= held.keys()
    if held_start:
        log_start = _held(held["onset_median"], held["onset_log_sd"])
    else:
        low, high = (sizes.min() / 6, sizes.max() * 1.3) if sizes.size else (3.0, 300.0)
        centre = held.get("onset_median")
        if centre is not None:
            low, high = min(low, centre / 6), max(high, centre * 6)
        log_start = np.arange(np.log(low), np.log(high) + step, step)
    held_rate = {"rate_median", "rate_log_sd"} <= held.keys()
    if held_rate:
        log_rate = _held(held["rate_median"], held["rate_log_sd"])
    else:
        typical = float(np.median(sizes)) if sizes.size else 30.0
        typical /= float(law.speed(typical))
        low, high = 0.02 * typical / oldest, 6.0 * typical / float(np.median(widths))
        centre = held.get("rate_median")
        if centre is not None:
            low, high = min(low, centre / 12), max(high, centre * 12)
        log_rate = np.arange(np.log(low), np.log(high) + _RATE_STEP, _RATE_STEP)
    return Nodes(log_start, log_rate, (held_start, held_rate), still)


def _held(median: float, log_sd: float) -> Floats:
    return np.log(median) + (log_sd * _HELD_NODES if log_sd > 0 else np.zeros(1))


def gap_chances(
    histories: Histories,
    log_size: Floats,
    curves: dict[str, DetectionCurve],
    law: GrowthForm,
    nodes: Nodes,
    error: float,
) -> Gaps:
    """Work out the chances of what the looks of every life showed, for onset in every gap and every node.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    log_size : ndarray, shape (n_lives,)
        Logs of the sizes at first find; nan where there is none [log mm].
    curves : dict of str to DetectionCurve
        POD by method.
    law : GrowthForm
        Form of growth.
    nodes : Nodes
        Sizes at onset and rates.
    error : float
        Standard deviation of the log of a measured size [-].

    Returns
    -------
    Gaps
        The chances.
    """
    n = len(histories)
    ages, owner, method, start = looks_with_entries(histories)
    which = None
    if len(curves) > 1:
        which = np.full(method.size, -1)
        for i, name in enumerate(curves):
            which[method == name] = i
    found = np.isfinite(histories.upper)
    before = np.bincount(owner[ages <= histories.entry[owner]], minlength=n) * (histories.entry > 0)
    late = np.flatnonzero(histories.entry > 0)
    first = np.r_[start[:-1], start[late]]
    last = np.r_[start[1:], start[late] + before[late]]
    is_found = np.r_[found, np.zeros(late.size, bool)]
    size = np.r_[log_size, np.full(late.size, np.nan)]

    m = last - first
    gap_row, gap, low, high = gaps_before_looks(ages, first, last)
    kept = high > low
    gap_row, gap, high, low = gap_row[kept], gap[kept], high[kept], low[kept]
    n_after = m[gap_row] - gap

    starts = np.exp(nodes.log_start)
    rates = np.r_[np.exp(nodes.log_rate), 0.0] if nodes.still else np.exp(nodes.log_rate)
    position = np.repeat(law.position(starts), rates.size)
    rate = np.tile(rates, starts.size)
    chance = np.empty((gap_row.size, rate.size))
    node, weight = unit_nodes(_AGES)
    ends = np.cumsum(n_after)
    at = 0
    while at < gap_row.size:
        done = ends[at - 1] if at else 0
        to = int(
            np.clip(np.searchsorted(ends, done + _BLOCK // rate.size, side="right"), at + 1, gap_row.size)
        )
        some = slice(at, to)
        count = n_after[some]
        pair = np.repeat(np.arange(to - at), count)
        pair_start = np.cumsum(count) - count
        look = first[gap_row[some]][pair] + gap[some][pair] + np.arange(pair.size) - pair_start[pair]
        finds = is_found[gap_row[some]]
        finding = pair_start[finds] + count[finds] - 1  # the look that found it
        measured = size[gap_row[some]][finds]
        has_size = np.isfinite(measured)
        total = np.zeros((to - at, rate.size))
        for x, wx in zip(node, weight, strict=True):
            onset = low[some] + x * (high[some] - low[some])
            delay = ages[look] - onset[pair]
            a = law.size_at(position + rate * delay[:, None])
            seen = np.zeros_like(total)
            for share, pod in _pods(tuple(curves.values()), a, None if which is None else which[look]):
                miss = 1.0 - pod
                miss[finding] = pod[finding]
                seen += share * np.multiply.reduceat(miss, pair_start, axis=0)
            with np.errstate(divide="ignore", invalid="ignore"):
                z = (measured[has_size, None] - np.log(a[finding[has_size]])) / error
            density = np.exp(-0.5 * z * z) / (error * np.sqrt(2 * np.pi))
            rows = np.flatnonzero(finds)[has_size]
            seen[rows] *= density
            total += wx * seen
        chance[some] = total
        at = to
    survivors = np.flatnonzero(~is_found)
    age = np.where(m > 0, ages[np.clip(last - 1, 0, max(ages.size - 1, 0))], 0.0)[survivors]
    return Gaps(low, high, gap_row, chance, age, survivors)


def _pods(
    curves: tuple[DetectionCurve, ...], size: Floats, which: NDArray[np.int64] | None
) -> Iterator[tuple[float, Floats]]:
    """Yield the share of each side and the POD of every look there; a look without a method is the worst."""
    if which is None:
        relative = curves[0].relative(size)
        yield from ((share, plateau * relative) for share, plateau in curves[0].sides)
        return
    each = [curve.relative(size) for curve in curves]
    for side, (share, _) in enumerate(curves[0].sides):
        pods = [curve.sides[side][1] * relative for curve, relative in zip(curves, each, strict=True)]
        out = np.min(pods, axis=0)
        for i, pod in enumerate(pods):
            out[which == i] = pod[which == i]
        yield share, out


@dataclass
class JointProblem:
    """Likelihood of lives with sizes, its priors, and which parameters are free."""

    gaps: Gaps
    nodes: Nodes
    weight: Floats
    still_share: float
    free: list[int]
    limits: list[tuple[float, float]]
    priors: dict[int, tuple[float, float]]

    def __post_init__(self) -> None:
        """Sort the terms by row."""
        g = self.gaps
        row = np.r_[g.row, g.survivor_row]
        self._order = np.argsort(row, kind="stable")
        row = row[self._order]
        with np.errstate(divide="ignore"):
            self._log_low = np.log(np.r_[g.low, g.survivor_age][self._order])
            self._log_high = np.log(np.r_[g.high, np.full(g.survivor_age.size, np.inf)][self._order])
        self._starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
        self._row = row

    def _shares(self, values: Floats, centre: float, log_sd: float, held: bool):
        """Weights of nodes that add up to 1, and their derivatives by centre and log spread."""
        if held and values.size == 1:
            return np.ones(1), np.zeros(1), np.zeros(1)
        sd = np.exp(log_sd)
        z = (values - centre) / sd
        w = np.exp(-0.5 * (z * z - (z * z).min()))
        w /= w.sum()
        by_centre, by_spread = z / sd, z * z
        return w, w * (by_centre - w @ by_centre), w * (by_spread - w @ by_spread)

    def value(self, p: Floats) -> tuple[float, Floats]:
        """Log-likelihood with priors, and its gradient."""
        wx, wx_mu, wx_sd = self._shares(self.nodes.log_start, p[ONSET], p[ONSET_SD], self.nodes.is_held[0])
        wv, wv_mu, wv_sd = self._shares(self.nodes.log_rate, p[RATE], p[RATE_SD], self.nodes.is_held[1])
        if self.nodes.still:
            grow = 1.0 - self.still_share
            wv, wv_mu, wv_sd = (
                np.r_[grow * wv, self.still_share],
                np.r_[grow * wv_mu, 0],
                np.r_[grow * wv_sd, 0],
            )
        pairs = ((wx, wv), (wx_mu, wv), (wx_sd, wv), (wx, wv_mu), (wx, wv_sd))
        # Derivatives are worked out by parameters that are fitted, alone.
        by = [i for i in range(ONSET, len(NAMES)) if i in self.free]
        weights = np.stack([np.outer(*pairs[i]).ravel() for i in (0, *(i - 1 for i in by))])
        # Few rows by many columns: so turned, the product takes half the time.
        product = (weights @ self.gaps.chance.T).T
        n_survivors = self.gaps.survivor_age.size
        coefficient = np.r_[product[:, 0], np.ones(n_survivors)][self._order]
        others = np.concatenate([product[:, 1:], np.zeros((n_survivors, len(by)))])[self._order]
        k = np.exp(p[SHAPE])
        parts = []
        for log_age in (self._log_low, self._log_high):
            inside = np.isfinite(log_age)
            z = np.where(inside, (log_age - p[SCALE]) * k, 0.0)
            with np.errstate(over="ignore"):
                h, slope, _ = WEIBULL.cumulative_hazard(z)
            parts.append(
                (np.where(inside, h, np.where(log_age > 0, np.inf, 0.0)), np.where(inside, slope, 0.0), z)
            )
        (h_low, slope_low, z_low), (h_high, slope_high, z_high) = parts
        base = np.minimum.reduceat(h_low, self._starts)
        shift = base[np.cumsum(np.r_[0, np.diff(self._row) > 0])]
        s_low = np.exp(-(h_low - shift))
        finite = np.isfinite(h_high)
        s_high = np.where(finite, np.exp(-np.where(finite, h_high - shift, 0.0)), 0.0)
        gap = np.where(finite, -s_low * np.expm1(-np.where(finite, h_high - h_low, 0.0)), s_low)
        by_scale = k * (s_low * slope_low - s_high * slope_high)
        by_shape = -(s_low * z_low * slope_low - s_high * z_high * slope_high)
        total = np.add.reduceat(coefficient * gap, self._starts)
        with np.errstate(divide="ignore", invalid="ignore"):
            per_row = self.weight / total
            value = float(self.weight @ (np.log(total) - base))
        gradient = np.zeros(len(NAMES))
        gradient[SCALE] = per_row @ np.add.reduceat(coefficient * by_scale, self._starts)
        gradient[SHAPE] = per_row @ np.add.reduceat(coefficient * by_shape, self._starts)
        gradient[by] = per_row @ np.add.reduceat(others * gap[:, None], self._starts, axis=0)
        for i, (centre, width) in self.priors.items():
            off = (p[i] - centre) / width
            value -= 0.5 * off**2
            gradient[i] -= off / width
        return value, gradient

    def penalty(self, p: Floats) -> float:
        """Return what the priors take from the log-likelihood."""
        return sum(0.5 * ((p[i] - centre) / width) ** 2 for i, (centre, width) in self.priors.items())

    def maximise(
        self,
        point: Floats,
        *,
        held: int | None = None,
        w: float | None = None,
        target: float = 0.0,
    ) -> tuple[Floats, float]:
        """Highest value with a parameter held, or the log age at position `w` of the life."""
        free = [i for i in self.free if i != (SCALE if w is not None else held)]

        def full(q: Floats) -> Floats:
            p = point.copy()
            p[free] = q
            if w is not None:
                p[SCALE] = target - w * np.exp(-p[SHAPE])
            return p

        def surface(q: Floats) -> tuple[float, Floats]:
            p = full(q)
            value, gradient = self.value(p)
            if not np.isfinite(value):
                return -1e12, np.zeros(len(free))
            if w is not None:
                gradient[SHAPE] += gradient[SCALE] * w * np.exp(-p[SHAPE])
            return value, gradient[free]

        limits = np.array([self.limits[i] for i in free], np.float64).reshape(-1, 2)
        top = maximise(Followed(surface, limits), point[free], limits=limits)
        return full(top.point), top.value

    def covariance(self, point: Floats) -> pd.DataFrame:
        """Inverse of the second derivatives, of the parameters that are not at the end of their range."""
        return covariance_within(self.value, point, self.free, self.limits, NAMES)

    def profile_bound(
        self,
        best: Floats,
        centre: float,
        error: float,
        sign: float,
        drop: float,
        *,
        held: int | None,
        w: float | None,
    ) -> float:
        """Where the highest value has dropped, or the end of the range."""
        low, high = self.limits[held] if held is not None else (-np.inf, np.inf)

        state = [best]  # each search begins where the last one ended

        def height(x: float) -> float:
            p = state[0].copy()
            if held is not None:
                p[held] = x
            state[0], found = self.maximise(p, held=held, w=w, target=x)
            return found

        end = low if sign < 0 else high
        return profile_limit(
            height, centre, top=self.value(best)[0], drop=drop, sign=sign,
            reach=1.1 * (error if np.isfinite(error) else 0.3) * float(np.sqrt(2 * drop)),
            end=end if np.isfinite(end) else None, tolerance=1e-4,
        )  # fmt: skip
