"""What is asked, and what is known and believed of it, as plain data; the risk of a schedule worked out from that."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kit.detection import DetectionCurve
from kit.growth import GrowthModel, LinearGrowth
from kit.intervals.packages import Package
from kit.intervals.question import Question
from kit.intervals.risk import LifeModel, WeibullLife, age_kernel, between, worst_window
from kit.numerics.typing import Floats

Whole = NDArray[np.intp]

PER_FLIGHT_HOURS = 10_000.0
"""Risks are given for this many panel flight hours."""

MEASURES = ("exceedances", "preventable", "not_preventable", "exposure", "preventable_exposure")
"""Risks of a schedule: counts of damage beyond the limit, and hours beyond it and unfound; each as the mean
over the horizon and, with ``_worst`` after its name, in the worst window of age."""

BAND = (0.05, 0.95)
"""Quantiles of the draws between which a risk is given."""

_DRAW_TOLERANCE = 1e-9


@dataclass(frozen=True)
class CurveUpTo(DetectionCurve):
    """POD by size that does not rise beyond a size.

    Parameters
    ----------
    a50, slope, plateau, far_side_share, far_side_plateau, basis : object
        As in `DetectionCurve`.
    largest : float
        Size beyond which the POD stays as it is there [mm].
    """

    largest: float = np.inf

    def relative(self, size: ArrayLike) -> Floats:
        """POD as a share of the plateau.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Between 0 and 1 [-].
        """
        return super().relative(np.minimum(np.asarray(size, np.float64), self.largest))


class Part(NamedTuple):
    """Draws of one kind of damage that share growth and POD, on the clock of the schedule.

    Parameters
    ----------
    at : ndarray of int
        Which they are: 0 for the best estimate, then the draws from 1.
    life : LifeModel
        Age at onset, with arrays of parameters in the order of `at`.
    growth : GrowthModel
        Size at onset and growth.
    detection : DetectionCurve
        POD of the planned looks.
    """

    at: Whole
    life: LifeModel
    growth: GrowthModel
    detection: DetectionCurve


class Kind(Protocol):
    """What a problem needs to know of one kind of damage."""

    kind: str

    def parts(self) -> Iterator[Part]:
        """Best estimate and draws, in portions of equal growth and POD; the best estimate comes first."""


@dataclass(frozen=True, kw_only=True, eq=False)
class KindDraws:
    """Joint draws of all that is believed of one kind of damage: the best estimate, then one entry a draw.

    Parameters
    ----------
    kind, clock : str
        Kind of damage, and the clock that drives it.
    schedule_clock : str
        Clock of the schedule.
    units_per_schedule_unit : float
        Units of `clock` per unit of the schedule's clock [-].
    scale, shape : ndarray, shape (1 + n_draws,)
        Weibull life [units of clock], [-].
    onset_median, onset_log_sd : ndarray, shape (1 + n_draws,)
        Size at onset [mm] and standard deviation of its log [-].
    rate_median, rate_log_sd, no_growth_share : ndarray, shape (1 + n_draws,)
        Growth rate [mm per unit of clock], standard deviation of its log [-], share that does not grow [-].
    a50, slope, plateau, far_side_share, far_side_plateau : ndarray, shape (1 + n_draws,)
        POD of the planned looks, as `DetectionCurve` takes it.
    """

    kind: str
    clock: str
    schedule_clock: str
    units_per_schedule_unit: float
    scale: Floats
    shape: Floats
    onset_median: Floats
    onset_log_sd: Floats
    rate_median: Floats
    rate_log_sd: Floats
    no_growth_share: Floats
    a50: Floats
    slope: Floats
    plateau: Floats
    far_side_share: Floats
    far_side_plateau: Floats

    @classmethod
    def of_lives(
        cls,
        scale: Floats,
        shape: Floats,
        growth: LinearGrowth,
        detection: DetectionCurve,
        *,
        kind: str,
        clock: str,
        schedule_clock: str,
        units_per_schedule_unit: float,
    ) -> KindDraws:
        """Put draws of the life beside one growth and one POD.

        Parameters
        ----------
        scale, shape : ndarray, shape (1 + n_draws,)
            Best estimate and draws of the life [units of clock], [-].
        growth : LinearGrowth
            Size at onset and growth, on `clock`.
        detection : DetectionCurve
            POD of the planned looks.
        kind, clock, schedule_clock : str
            As in the class.
        units_per_schedule_unit : float
            As in the class.

        Returns
        -------
        KindDraws
            With growth and POD the same in every draw.
        """
        same = {
            name: np.full(np.size(scale), getattr(part, name))
            for part, names in ((growth, _GROWTH), (detection, _DETECTION))
            for name in names
        }
        return cls(
            kind=kind,
            clock=clock,
            schedule_clock=schedule_clock,
            units_per_schedule_unit=units_per_schedule_unit,
            scale=np.asarray(scale, np.float64),
            shape=np.asarray(shape, np.float64),
            **same,
        )

    def parts(self) -> Iterator[Part]:
        """Yield best estimate and draws, in portions of equal growth and POD.

        Yields
        ------
        Part
            On the clock of the schedule; the one with the best estimate comes first.
        """
        table = np.column_stack([getattr(self, name) for name in (*_GROWTH, *_DETECTION)])
        _, first, which = np.unique(table, axis=0, return_index=True, return_inverse=True)
        unit = self.units_per_schedule_unit
        for row in np.sort(first):
            at = np.flatnonzero(which == which[row])
            growth = LinearGrowth(
                **{name: float(getattr(self, name)[row]) for name in _GROWTH}, clock=self.clock
            )
            yield Part(
                at,
                WeibullLife(self.scale[at] / unit, self.shape[at]),
                growth.convert(1 / unit, self.schedule_clock),
                DetectionCurve(**{name: float(getattr(self, name)[row]) for name in _DETECTION}),
            )


_GROWTH = ("onset_median", "onset_log_sd", "rate_median", "rate_log_sd", "no_growth_share")
_DETECTION = ("a50", "slope", "plateau", "far_side_share", "far_side_plateau")


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """One question with everything that its rules need, and nothing that needs a fleet or a fit.

    Parameters
    ----------
    ask : Question
        What is asked.
    kinds : tuple of Kind
        Beliefs by kind of damage.
    n_draws : int
        Draws in them, besides the best estimate.
    limit_mm : float
        Largest equivalent diameter that may stay [mm].
    packages : tuple of Package
        Checks that the inspection can ride on, shortest first.
    cap : float
        Longest interval that the programme allows [units of the schedule's clock]; infinite without one.
    cap_basis : str
        Where the cap comes from.
    units_per_day : dict of str to float
        Planned usage by clock.
    """

    ask: Question
    kinds: tuple[Kind, ...]
    n_draws: int
    limit_mm: float
    packages: tuple[Package, ...]
    cap: float
    cap_basis: str
    units_per_day: dict[str, float]
    _risks: dict[tuple[float, float, float], dict[str, Floats]] = field(default_factory=dict, repr=False)

    @property
    def unit(self) -> str:
        """The unit of the schedule in words."""
        return self.ask.clock.replace("_", " ")

    @property
    def hours_per_unit(self) -> float:
        """Flight hours per unit of the schedule's clock [-]."""
        return self.units_per_day["flight_hours"] / self.units_per_day[self.ask.clock]


def best(kind: Kind) -> Part:
    """Return the best estimate of a kind of damage, with the draws that share its growth and POD.

    Parameters
    ----------
    kind : Kind
        Kind of damage.

    Returns
    -------
    Part
        The first of its parts.
    """
    return next(iter(kind.parts()))


def risks(problem: Problem, first: float, repeat: float, *, until: float | None = None) -> dict[str, Floats]:
    """Work out the risk of one schedule: the best estimate, then the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        First look and spacing after it [units of the schedule's clock].
    until : float, optional
        Age up to which damage counts; default the question's horizon [units of the schedule's clock].

    Returns
    -------
    dict of str to ndarray, shape (1 + n_draws,)
        By measure, and by measure with ``_worst`` [per 10,000 panel flight hours]. Kept for the next call.
    """
    horizon, window = until or problem.ask.horizon, problem.ask.target.window_flight_hours
    key = (float(first), float(repeat), float(horizon))
    if key in problem._risks:
        return problem._risks[key]
    ends, gathered = gathered_by_age(problem, first, repeat, horizon)
    knots, out = np.concatenate([[0.0], ends]), {}
    for name, values in gathered.items():
        # Exposure comes in units of the clock, as the time over which it gathers does; counts do not.
        scale = PER_FLIGHT_HOURS / (1.0 if "exposure" in name else problem.hours_per_unit)
        at_horizon = between(knots, np.pad(values, ((0, 0), (1, 0))), np.array([horizon]))[:, 0]
        out[name] = at_horizon * (scale / horizon)
        if window is not None:
            length = window / problem.hours_per_unit
            out[f"{name}_worst"] = scale * worst_window(ends, values, window=length, horizon=horizon)
    problem._risks[key] = out
    return out


def gathered_by_age(
    problem: Problem, first: float, repeat: float, horizon: float
) -> tuple[Floats, dict[str, Floats]]:
    """Work out what one schedule has let through by each of several ages: the best estimate, then the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat, horizon : float
        First look, spacing after it, and the age up to which damage counts [units of the schedule's clock].

    Returns
    -------
    ends : ndarray, shape (n_ends,)
        Ages: some before the first look, then the looks [units of the schedule's clock].
    gathered : dict of str to ndarray, shape (1 + n_draws, n_ends)
        By measure, summed over the kinds of damage [per life], exposures in units of the clock.
    """
    ends, total = np.empty(0), {}
    for kind in problem.kinds:
        for at, life, growth, detection in kind.parts():
            kernel = age_kernel(
                growth=growth,
                detection=as_counted(problem.ask, detection, problem.limit_mm),
                limit=problem.limit_mm,
                first=first,
                repeat=repeat,
                horizon=horizon,
            )
            ends = kernel.ends
            for name, values in kernel.cumulative(life).items():
                total.setdefault(name, np.zeros((1 + problem.n_draws, ends.size)))[at] += values
    return ends, total


def as_counted(ask: Question, detection: DetectionCurve, limit: float) -> DetectionCurve:
    """POD as it counts: damage beyond the limit is taken to be found no more surely than damage at it.

    Parameters
    ----------
    ask : Question
        The question; one of a record of form 1 takes the POD as it is.
    detection : DetectionCurve
        POD by size.
    limit : float
        Largest equivalent diameter that may stay [mm].

    Returns
    -------
    DetectionCurve
        That does not rise beyond the limit.

    Notes
    -----
    Large damage is found sooner than small damage. Without this, damage that begins larger or grows faster could
    allow a longer interval, since it spends less time unfound.
    """
    if ask.target.window_flight_hours is None:
        return detection
    known = {one.name: getattr(detection, one.name) for one in fields(DetectionCurve)}
    return CurveUpTo(**known, largest=limit)


def damaged_share(problem: Problem, ages: Floats) -> Floats:
    """Share of panels with damage of any kind.

    Parameters
    ----------
    problem : Problem
        The problem.
    ages : ndarray, shape (n,)
        Ages [units of the schedule's clock].

    Returns
    -------
    ndarray, shape (1 + n_draws, n)
        Best estimate, then draws [-].
    """
    clean = np.ones((1 + problem.n_draws, ages.size))
    for kind in problem.kinds:
        for part in kind.parts():
            clean[part.at] *= part.life.survival(ages)
    return 1.0 - clean


def share_meeting(problem: Problem, first: float, repeat: float, *, until: float | None = None) -> float:
    """Share of the draws whose risk meets the target.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].
    until : float, optional
        Age up to which damage counts; default the question's horizon [units of the schedule's clock].

    Returns
    -------
    float
        Share [-].
    """
    target = problem.ask.target
    values = risks(problem, first, repeat, until=until)[target.column][1:]
    return float(np.mean(values <= target.per_10000_flight_hours))


def meets(problem: Problem, first: float, repeat: float, *, until: float | None = None) -> bool:
    """Whether a schedule meets the target in the asked share of the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].
    until : float, optional
        Age up to which damage counts; default the question's horizon [units of the schedule's clock].

    Returns
    -------
    bool
        Whether it does.
    """
    share = share_meeting(problem, first, repeat, until=until)
    return share >= problem.ask.target.share_of_draws - _DRAW_TOLERANCE


def summary(problem: Problem, first: float, repeat: float) -> dict[str, tuple[float, float, float]]:
    """Best estimate and band of each measure.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    dict of str to tuple of float
        Best estimate, 5 % and 95 % of the draws [per 10,000 panel flight hours].
    """
    out = {}
    for name, values in risks(problem, first, repeat).items():
        low, high = np.quantile(values[1:], BAND)
        out[name] = (float(values[0]), float(low), float(high))
    return out
