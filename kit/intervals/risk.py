"""What an inspection schedule lets through: exceedances and exposure, by quadrature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.detection import DetectionCurve, as_detection
from kit.growth import Case, GrowthModel, unit_nodes
from kit.life import WEIBULL
from kit.numerics.typing import Floats

_MOST_LOOKS = 500
_MOST_CELLS = 400_000  # cells of the largest array that is made at once
_MOST_CUTS = 36  # of a gap between looks; where more jumps fall into it, even pieces do as well
_EVEN_PIECES = 12
_EARLY = 8  # parts of the time before the first look, in which risk gathers unevenly


class Nodes(NamedTuple):
    """How many Gauss points a risk takes; the default is exact to about 1 in 1000.

    Where all damage grows nearly alike (log spread of the rate below 0.2) it is exact to 1 in 100. Where
    growth is so slow against the spacing of the looks that only damage which starts close to the limit
    passes it, risks below 1 in 1000 lives are exact to a few in 100.

    Parameters
    ----------
    first_gap, gap : int
        In the age at onset before the first look, and between two looks.
    start, beyond : int
        In the size at onset within and beyond the limit.
    delay : int
        In the delay, between two cuts.
    """

    first_gap: int = 20
    gap: int = 6
    start: int = 24
    beyond: int = 4
    delay: int = 4


DEFAULT_NODES = Nodes()
"""Fineness that risks are worked out with."""

COARSE_NODES = Nodes(8, 2, 6, 2, 2)
"""Fineness for many looks, over which errors average out: exposure to 1 in 100, counts to 4 in 100."""

_BY_LOOKS = ((16, DEFAULT_NODES), (40, Nodes(10, 3, 8, 3, 2)), (np.inf, COARSE_NODES))


class LifeModel(Protocol):
    """A life for which a risk can be computed, such as `LifeFit`."""

    def density(self, age: ArrayLike) -> Floats:
        """Density of the age at onset [1/clock unit]."""

    def survival(self, age: ArrayLike) -> Floats:
        """Share still without damage [-]."""


@dataclass(frozen=True)
class WeibullLife:
    """A Weibull life given by its parameters; they may be arrays of draws.

    Parameters
    ----------
    scale, shape : float or ndarray, shape (n_draws,)
        Scale [clock units] and shape [-].
    """

    scale: float | Floats
    shape: float | Floats

    def density(self, age: ArrayLike) -> Floats:
        """Density of the age at onset.

        Parameters
        ----------
        age : array_like, shape (n,)
            Ages above 0 [clock units].

        Returns
        -------
        ndarray, shape (n,) or (n_draws, n)
            Density [1/clock unit].
        """
        t = np.asarray(age, np.float64)
        scale, shape = (np.asarray(x, np.float64)[..., None] for x in (self.scale, self.shape))
        return WEIBULL.density(t, scale, shape)

    def survival(self, age: ArrayLike) -> Floats:
        """Share still without damage.

        Parameters
        ----------
        age : array_like, shape (n,)
            Ages [clock units].

        Returns
        -------
        ndarray, shape (n,) or (n_draws, n)
            S(age) [-].
        """
        t = np.asarray(age, np.float64)
        scale, shape = (np.asarray(x, np.float64)[..., None] for x in (self.scale, self.shape))
        return WEIBULL.survival(t, scale, shape)


@dataclass(frozen=True)
class ScheduleKernel:
    """What one schedule does with an onset at each age; weights of a quadrature over the age at onset.

    Parameters
    ----------
    age : ndarray, shape (n,)
        Ages at onset [clock units].
    near, far : ndarray, shape (n,)
        Weight times the chance that damage which starts within the limit passes it unfound, on the
        tapped side and on the other one [clock units].
    near_exposure, far_exposure, born_exposure : ndarray, shape (n,)
        Weight times the expected time beyond the limit and unfound, for damage that starts within the
        limit on either side, and for damage born beyond it [clock units squared].
    born : float
        Chance that damage is beyond the limit the moment it arises [-].
    first, repeat, horizon : float
        The schedule [clock units].
    n_looks : int
        Looks up to the horizon.
    """

    age: Floats
    near: Floats
    far: Floats
    near_exposure: Floats
    far_exposure: Floats
    born_exposure: Floats
    born: float
    first: float
    repeat: float
    horizon: float
    n_looks: int

    def risk(self, life: LifeModel) -> dict[str, Floats]:
        """Work out the expected exceedances and exposure of one life up to the horizon.

        Parameters
        ----------
        life : LifeModel
            Age at onset; with arrays of parameters the results are arrays of draws.

        Returns
        -------
        dict of str to ndarray
            exceedances, preventable, born, far_side [per life]; exposure, preventable_exposure
            [clock units per life].
        """
        f = life.density(self.age)
        begun = 1.0 - np.asarray(life.survival(np.array([self.horizon])))[..., 0]
        near, far, born = f @ self.near, f @ self.far, begun * self.born
        near_exposure = f @ self.near_exposure
        return {
            "exceedances": near + far + born,
            "preventable": near,
            "born": born,
            "far_side": far,
            "exposure": near_exposure + f @ self.far_exposure + f @ self.born_exposure,
            "preventable_exposure": near_exposure,
        }


def schedule_kernel(
    *,
    growth: GrowthModel,
    detection: float | DetectionCurve,
    limit: float,
    first: float,
    repeat: float,
    horizon: float,
    nodes: Nodes = DEFAULT_NODES,
) -> ScheduleKernel:
    r"""Work out what a schedule does with an onset at each age.

    Parameters
    ----------
    growth : GrowthModel
        Size at onset and growth after it, on the clock of the schedule.
    detection : float or DetectionCurve
        POD by size, or one chance for all sizes.
    limit : float
        Largest equivalent diameter that may stay [mm].
    first, repeat, horizon : float
        First look, spacing after it, and the age up to which damage counts [clock units].
    nodes : Nodes
        Fineness of the quadrature.

    Returns
    -------
    ScheduleKernel
        To be combined with any life.

    Raises
    ------
    ValueError
        If an argument is not positive, or the schedule has more than 500 looks.

    Notes
    -----
    Onset at T and limit reached at T + D: the chance that all looks between them miss is
    :math:`\prod_{T<t_j<T+D} (1 - \mathrm{POD}(a(t_j - T)))`. Only the time φ from onset to the next look
    matters, not the age, so the product is worked out once over φ and shared by all gaps between looks.
    For each φ and size at onset the delay D is cut at every look and where it meets the horizon; between
    the cuts everything is smooth, so that few Gauss points in the probability of D are exact to about 1e-6.
    """
    curve, n_looks, last = _schedule(detection, limit, first, repeat, horizon)
    rest = max(horizon - last, 0.0)  # time from the last look to the horizon
    parts = []
    if n_looks:
        before, between = _gaps(growth, curve, limit, first, repeat, n_looks, rest, nodes)
        age, weight, values = before
        parts.append((age, weight, *(v[:, -1] for v in values)))
        if between is not None:
            ages, weights, values = between
            # Gap m ends at look m; n_looks - m looks follow that one.
            follow = np.arange(n_looks - 1)[::-1]
            parts.append((ages.ravel(), weights.ravel(), *(v[:, follow].ravel() for v in values)))
    if rest > 0:
        jumps = growth.jumps(limit, nodes.start)
        cuts = 1 - jumps[jumps < rest] / rest
        x, w = _cut_nodes(cuts if n_looks else np.cbrt(cuts), nodes.first_gap)
        age, weight = (last + rest * x, w * rest) if n_looks else (rest * x**3, w * 3 * x**2 * rest)
        parts.append((age, weight, *_never_seen(growth, curve, limit, horizon - age, nodes)))
    age, weight, near, far, near_exposure, far_exposure, born_exposure = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return ScheduleKernel(
        age,
        weight * near,
        weight * far,
        weight * near_exposure,
        weight * far_exposure,
        weight * born_exposure,
        growth.born_beyond(limit),
        float(first),
        float(repeat),
        float(horizon),
        n_looks,
    )


@dataclass(frozen=True)
class AgeKernel:
    """What one schedule lets through up to each of several ages; weights of a quadrature over the age at onset.

    Parameters
    ----------
    age : ndarray, shape (n,)
        Ages at onset [clock units].
    ends : ndarray, shape (n_ends,)
        Ages up to which damage counts: some before the first look, then every look to the first one that
        does not lie before the horizon, or the horizon where no look does [clock units].
    near, far : ndarray, shape (n, n_ends)
        Weight times the chance that damage which starts within the limit passes it unfound by then, on the
        tapped side and on the other one [clock units].
    near_exposure, other_exposure : ndarray, shape (n, n_ends)
        Weight times the expected time beyond the limit and unfound by then, for damage that starts within
        the limit on the tapped side, and for all other [clock units squared].
    born : float
        Chance that damage is beyond the limit the moment it arises [-].
    """

    age: Floats
    ends: Floats
    near: Floats
    far: Floats
    near_exposure: Floats
    other_exposure: Floats
    born: float

    def cumulative(self, life: LifeModel) -> dict[str, Floats]:
        """Work out the expected exceedances and exposure of one life up to each age.

        Parameters
        ----------
        life : LifeModel
            Age at onset; with arrays of parameters the results are arrays of draws.

        Returns
        -------
        dict of str to ndarray, shape (n_ends,) or (n_draws, n_ends)
            exceedances, preventable, not_preventable [per life]; exposure, preventable_exposure [clock
            units per life].
        """
        f = life.density(self.age)
        near, near_exposure = f @ self.near, f @ self.near_exposure
        other = f @ self.far + self.born * (1.0 - np.asarray(life.survival(self.ends)))
        return {
            "exceedances": near + other,
            "preventable": near,
            "not_preventable": other,
            "exposure": near_exposure + f @ self.other_exposure,
            "preventable_exposure": near_exposure,
        }


def age_kernel(
    *,
    growth: GrowthModel,
    detection: float | DetectionCurve,
    limit: float,
    first: float,
    repeat: float,
    horizon: float,
    nodes: Nodes | None = None,
) -> AgeKernel:
    """Work out what a schedule has let through by each of several ages.

    Parameters
    ----------
    growth : GrowthModel
        Size at onset and growth after it, on the clock of the schedule.
    detection : float or DetectionCurve
        POD by size, or one chance for all sizes.
    limit : float
        Largest equivalent diameter that may stay [mm].
    first, repeat, horizon : float
        First look, spacing after it, and the age up to which damage counts [clock units].
    nodes : Nodes, optional
        Fineness of the quadrature; default `DEFAULT_NODES` up to 16 looks, and down to `COARSE_NODES` beyond 40.

    Returns
    -------
    AgeKernel
        At each of its ends equal to `schedule_kernel` with that end as horizon.

    Raises
    ------
    ValueError
        If an argument is not positive, or the schedule has more than 500 looks.

    Notes
    -----
    Between looks risk gathers mostly before the next one. What passes between two looks is best spread evenly
    over the gap, so that no schedule gains by a look that happens to fall just before the horizon, or an
    age of interest; schedules can then be compared fairly.
    """
    curve, n_looks, last = _schedule(detection, limit, first, repeat, horizon)
    if n_looks == 0 or horizon - last > 1e-12 * horizon:
        n_looks += 1
    nodes = nodes or next(fine for most, fine in _BY_LOOKS if n_looks <= most)
    looks = first + repeat * np.arange(n_looks)
    if first > horizon:
        looks = np.array([float(horizon)])  # no look before it
    before, between = _gaps(growth, curve, limit, looks[0], repeat, n_looks, 0.0, nodes)
    early = looks[0] * np.arange(1, _EARLY) / _EARLY
    ends = np.concatenate([early, looks])
    parts = []
    age, weight, values = before
    parts.append((age, weight, [_columns(v, early.size) for v in values]))
    if between is not None:
        ages, weights, values = between
        # Gap g lies between look g and the next; up to look j there are j - g - 1 looks after that one.
        after = np.arange(n_looks) - np.arange(1, n_looks)[:, None]
        shape = (ages.size, n_looks)
        parts.append(
            (
                ages.ravel(),
                weights.ravel(),
                [
                    _columns(np.where(after >= 0, v[:, np.maximum(after, 0)], 0.0).reshape(shape), early.size)
                    for v in values
                ],
            )
        )
    # Before the first look nothing is found: onsets up to each early end, each with its own ages.
    jumps = growth.jumps(limit, nodes.start)
    grids = [_cut_nodes(np.cbrt(1 - jumps[jumps < end] / end), nodes.first_gap) for end in early]
    which = np.repeat(np.arange(early.size), [x.size for x, _ in grids])
    x, w = (np.concatenate(column) for column in zip(*grids, strict=True))
    age = early[which] * x**3
    values = _never_seen(growth, curve, limit, early[which] - age, nodes)
    own = which[:, None] == np.arange(ends.size)
    parts.append((age, w * 3 * x**2 * early[which], [v[:, None] * own for v in values]))
    age = np.concatenate([part[0] for part in parts])
    weight = np.concatenate([part[1] for part in parts])[:, None]
    near, far, near_exposure, far_exposure, born_exposure = (
        weight * np.concatenate([part[2][k] for part in parts]) for k in range(5)
    )
    return AgeKernel(
        age, ends, near, far, near_exposure, far_exposure + born_exposure, growth.born_beyond(limit)
    )


def _columns(values: Floats, n_early: int) -> Floats:
    """Put empty columns for the ages before the first look in front."""
    return np.concatenate([np.zeros((values.shape[0], n_early)), values], axis=1)


def _schedule(
    detection: float | DetectionCurve, limit: float, first: float, repeat: float, horizon: float
) -> tuple[DetectionCurve, int, float]:
    """Check a schedule; return the curve, the number of looks up to the horizon and the age at the last."""
    for name, value in (("limit", limit), ("first", first), ("repeat", repeat), ("horizon", horizon)):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"`{name}` must be positive and finite. Got {value!r}.")
    n_looks = 0 if first > horizon else int(np.floor((horizon - first) / repeat * (1 + 1e-12))) + 1
    if n_looks > _MOST_LOOKS:
        raise ValueError(
            f"`repeat` must leave at most {_MOST_LOOKS} looks up to the horizon. Got {n_looks} looks with "
            f"repeat={repeat:g} and horizon={horizon:g}. Check that both are on one clock."
        )
    return as_detection(detection), n_looks, first + (n_looks - 1) * repeat if n_looks else 0.0


def _gaps(
    growth: GrowthModel,
    curve: DetectionCurve,
    limit: float,
    first: float,
    repeat: float,
    n_looks: int,
    rest: float,
    nodes: Nodes,
) -> tuple[tuple, tuple | None]:
    """Ages, weights and values of `_after_onset` for onsets before the first look, and between looks."""
    # Onset before the first look; the cubic map keeps densities that rise steeply from age 0 smooth.
    # With all but one delay the count jumps where the limit is reached at a look, and at the horizon.
    jumps = growth.jumps(limit, nodes.start)
    jumps = np.concatenate([jumps, jumps[jumps > rest] - rest])
    steps = jumps[:, None] - repeat * np.arange(n_looks)
    x, w = _cut_nodes(np.cbrt(1 - steps[(steps > 0) & (steps < first)] / first), nodes.first_gap)
    age, weight = first * x**3, w * 3 * x**2 * first
    before = age, weight, _after_onset(growth, curve, limit, first - age, repeat, n_looks, rest, nodes)
    if n_looks == 1:
        return before, None
    x, w = _cut_nodes(np.mod(jumps, repeat) / repeat, nodes.gap)
    values = _after_onset(growth, curve, limit, x * repeat, repeat, n_looks - 1, rest, nodes)
    ends = first + repeat * np.arange(1, n_looks)
    ages = ends[None, :] - (x * repeat)[:, None]
    return before, (ages, np.repeat((w * repeat)[:, None], n_looks - 1, axis=1), values)


def _cut_nodes(cuts: Floats, n: int) -> tuple[Floats, Floats]:
    """Gauss–Legendre nodes on (0, 1), or on each part between the cuts."""
    x, w = unit_nodes(n)
    if cuts.size == 0:
        return x, w
    ends = np.unique(np.concatenate([[0.0], np.round(cuts, 12), [1.0]]))
    if ends.size > _MOST_CUTS + 2:
        ends = np.linspace(0.0, 1.0, _EVEN_PIECES + 1)
    width = np.diff(ends)[:, None]
    return (ends[:-1, None] + width * x).ravel(), (width * w).ravel()


def _never_seen(
    growth: GrowthModel, curve: DetectionCurve, limit: float, left: Floats, nodes: Nodes
) -> tuple[Floats, ...]:
    """Chances and exposures for onsets after the last look, `left` before the horizon."""
    count, exposure = np.zeros_like(left), np.zeros_like(left)
    x, w = unit_nodes(8)
    for case in growth.cases(limit, nodes.start):
        below = growth.delay_chance(left, case.start, limit)
        count += case.weight * below
        delay = growth.delay_at(below[:, None] * x, case.start, limit)
        exposure += case.weight * below * ((left[:, None] - np.minimum(delay, left[:, None])) @ w)
    near, far = 1.0 - curve.far_side_share, curve.far_side_share
    return near * count, far * count, near * exposure, far * exposure, growth.born_beyond(limit) * left


def _after_onset(
    growth: GrowthModel,
    curve: DetectionCurve,
    limit: float,
    to_next: Floats,
    repeat: float,
    n_looks: int,
    rest: float,
    nodes: Nodes,
) -> tuple[Floats, ...]:
    """Chances and exposures against the time to the next look and the looks that follow that one.

    Every result has the shape (to_next.size, n_looks); column n is for n further looks after the next
    one and `rest` from the last of them to the horizon.
    """
    looks = to_next[:, None] + repeat * np.arange(n_looks)  # delay at each look (n_phi, n_looks)
    # Cut the delay at every look, and at `rest` after every look, where the horizon falls for some gap.
    meets = [looks, looks + rest] if rest > 0 else [looks]
    cuts = np.sort(np.concatenate([np.zeros((to_next.size, 1)), *meets], axis=1), axis=1)
    shape = (to_next.size, n_looks)
    near, far, near_exposure, far_exposure, born = (np.zeros(shape) for _ in range(5))
    x, w = unit_nodes(nodes.delay)
    middle = (cuts[:, 1:] + cuts[:, :-1]) / 2
    ends = looks + rest
    span = np.diff(looks, axis=1, prepend=0.0)
    every = [np.array(column) for column in zip(*growth.cases(limit, nodes.start), strict=True)]
    # All sizes at onset at once, in as many portions as keep the arrays small.
    n_cases = every[0].size if every else 0
    portions = min(n_cases, 1 + n_cases * cuts.size * n_looks * nodes.delay // _MOST_CELLS)
    for part in np.array_split(np.arange(n_cases), portions) if portions else ():
        start, share_of_start, largest = (column[part] for column in every)
        chance = growth.delay_chance(cuts[:, None, :], start[:, None], limit)
        piece = np.diff(chance, axis=2)
        row, which, col = np.nonzero(piece > 1e-14)
        if row.size == 0:
            continue
        mass = piece[row, which, col][:, None]
        u = chance[row, which, col][:, None] + mass * x
        low, high = cuts[row, col][:, None], cuts[row, col + 1][:, None]
        delay = np.clip(growth.delay_at(u, start[which][:, None], limit), low, high)[:, :, None]
        weight = share_of_start[which][:, None] * mass * w
        look = looks[row][:, None, :]
        before = looks[row] < middle[row, col][:, None]  # looks before the limit is reached (k, n_looks)
        counts = ends[row] > middle[row, col][:, None]  # columns whose horizon lies after it
        n_before = before.sum(axis=1)
        cases = Case(start[which][:, None, None], 1.0, largest[which][:, None, None])
        relative = curve.relative(growth.size(look, cases, delay, limit))
        # Time beyond the limit up to each look, and from the last look to the horizon.
        wait = np.where(before[:, None, :], 0.0, np.minimum(look - delay, span[row][:, None, :]))
        after = np.minimum(rest, ends[row][:, None, :] - delay)
        first_of_row = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
        unseen = np.ones((*relative.shape[:2], n_looks + 1))
        for (share, plateau), count_out, exposure_out in zip(
            curve.sides, (near, far), (near_exposure, far_exposure), strict=False
        ):
            # Chance that the looks before each look missed, and after the last one.
            np.cumprod(1.0 - plateau * relative, axis=2, out=unseen[:, :, 1:])
            at_limit = np.take_along_axis(unseen, n_before[:, None, None], axis=2)[:, :, 0]
            passed = share * (weight * at_limit).sum(axis=1)[:, None] * counts
            exposure = np.cumsum(wait * unseen[:, :, :-1], axis=2) + after * unseen[:, :, 1:]
            unfound = share * np.einsum("kg,kgn->kn", weight, exposure) * counts
            count_out[row[first_of_row]] += np.add.reduceat(passed, first_of_row, axis=0)
            exposure_out[row[first_of_row]] += np.add.reduceat(unfound, first_of_row, axis=0)
    for start, weight, rate in growth.beyond_cases(limit, nodes.beyond):
        relative = curve.relative(growth.grown(start, rate, looks))
        for share, plateau in curve.sides:
            missed = np.cumprod(1.0 - plateau * relative, axis=1)
            unseen = np.concatenate([np.ones((to_next.size, 1)), missed[:, :-1]], axis=1)
            born += weight * share * (np.cumsum(span * unseen, axis=1) + rest * missed)
    return near, far, near_exposure, far_exposure, born


@dataclass(frozen=True, eq=False)
class IntervalRisk:
    """Exceedances and exposure of one panel life under inspection schedules.

    Parameters
    ----------
    first, repeat : ndarray
        The schedules [clock units].
    horizon : float
        Age up to which damage counts [clock units].
    exceedances : ndarray
        Expected regions that pass the limit unfound, or arise beyond it [per life].
    preventable, born, far_side : ndarray
        Parts of it: started within the limit on the tapped side; arisen beyond the limit; on the side
        that is not tapped [per life].
    exposure : ndarray
        Expected time beyond the limit and unfound [clock units per life].
    preventable_exposure : ndarray
        The part from damage started within the limit on the tapped side [clock units per life].
    """

    first: Floats
    repeat: Floats
    horizon: float
    exceedances: Floats
    preventable: Floats
    born: Floats
    far_side: Floats
    exposure: Floats
    preventable_exposure: Floats

    @property
    def not_preventable(self) -> Floats:
        """Exceedances that no interval prevents: born beyond the limit, or on the side not tapped [per life]."""
        return self.born + self.far_side

    def to_frame(self) -> pd.DataFrame:
        """Return one row a schedule.

        Returns
        -------
        DataFrame
            Columns first, repeat, exceedances, preventable, born, far_side, exposure, preventable_exposure.
        """
        names = (
            "first",
            "repeat",
            "exceedances",
            "preventable",
            "born",
            "far_side",
            "exposure",
            "preventable_exposure",
        )
        return pd.DataFrame({name: np.ravel(getattr(self, name)) for name in names})

    def __repr__(self) -> str:
        """Return one line."""
        return f"IntervalRisk({self.repeat.size} schedules, horizon={self.horizon:g})"


def interval_risk(
    *,
    life: LifeModel,
    growth: GrowthModel,
    detection: float | DetectionCurve,
    limit: float,
    first: ArrayLike,
    repeat: ArrayLike,
    horizon: float,
) -> IntervalRisk:
    """Work out the expected exceedances and exposure of inspection schedules.

    Parameters
    ----------
    life : LifeModel
        Age at onset, such as a `LifeFit`.
    growth : GrowthModel
        Size at onset and growth after it.
    detection : float or DetectionCurve
        POD by size, or one chance for all sizes.
    limit : float
        Largest equivalent diameter that may stay [mm].
    first, repeat : array_like of float
        First look and spacing after it; broadcast against each other [clock units].
    horizon : float
        Age up to which damage counts [clock units].

    Returns
    -------
    IntervalRisk
        Arrays of the broadcast shape.

    Raises
    ------
    ValueError
        If an argument is not positive or the schedule has more than 500 looks.

    Notes
    -----
    Life, growth, schedule and horizon must be on one clock. The first onset of a life counts; see
    `schedule_kernel` for the integral.

    References
    ----------
    .. [1] A. H. Christer and W. M. Waller, "Delay time models of industrial inspection maintenance
       problems", *J. Opl Res. Soc.*, vol. 35, 1984, pp. 401-406 (the special case of a constant chance of
       detection and a given delay time).
    """
    firsts, repeats = np.broadcast_arrays(np.asarray(first, np.float64), np.asarray(repeat, np.float64))
    names = ("exceedances", "preventable", "born", "far_side", "exposure", "preventable_exposure")
    out = {name: np.empty(firsts.shape) for name in names}
    for index in np.ndindex(firsts.shape):
        kernel = schedule_kernel(
            growth=growth,
            detection=detection,
            limit=limit,
            first=float(firsts[index]),
            repeat=float(repeats[index]),
            horizon=horizon,
        )
        risk = kernel.risk(life)
        for name in names:
            out[name][index] = risk[name]
    return IntervalRisk(firsts.copy(), repeats.copy(), float(horizon), **out)
