"""What is asked, and what is known and believed of it, as plain data; the risk of a schedule worked out from that."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any, NamedTuple, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kit.detection import DetectionCurve
from kit.growth import Growth, GrowthModel
from kit.intervals.joint_risk import JointRisk, Usage
from kit.intervals.packages import Package, shortest_on_clock
from kit.intervals.question import RULE_FIELDS, Question, Target
from kit.intervals.risk import LifeModel, WeibullLife, age_kernel
from kit.intervals.schedule_sums import SUMMED
from kit.intervals.structure import held_against_of_class, rules_of_class
from kit.intervals.windows import PER_FLIGHT_HOURS, per_flight_hours
from kit.numerics.typing import Floats
from kit.posterior import FrailtyDraws, KindDraws

Whole = NDArray[np.intp]
Held = TypeVar("Held")

BAND = (0.05, 0.95)
"""Quantiles of the draws between which a risk is given."""


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
    """One kind of damage on some of the panels, on the clock of the schedule.

    Parameters
    ----------
    share : float
        Share of the panels [-].
    life : LifeModel
        Age at onset.
    growth : GrowthModel
        Size at onset and growth.
    detection : DetectionCurve
        POD of the planned looks.
    """

    share: float
    life: LifeModel
    growth: GrowthModel
    detection: DetectionCurve


class Kind(Protocol):
    """One kind of damage that is known, not drawn: its risk is worked out by quadrature."""

    kind: str

    def parts(self) -> Iterator[Part]:
        """Parts of the fleet, each with a share of the panels and everything on the clock of the schedule."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """One question with everything that its rules need, and nothing that needs a fleet or a fit.

    Parameters
    ----------
    ask : Question
        What is asked.
    kinds : tuple of KindDraws, or of Kind
        By kind of damage: joint draws, each on its own clock, or what is known.
    usages : tuple of Usage
        Parts of the fleet that fly alike, with units of each clock per unit of the schedule's clock.
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
    zones : dict of str to FrailtyDraws
        By kind: hazard of each zone over the mean of the group; empty where zones are not distinguished.
    structure_class : str
        Class of structure of the zones, the strictest of several; blank where it is not known.
    is_shown : bool
        Whether a curve will show what the rules examine, so that all measures of it are worked out at once.
    """

    ask: Question
    kinds: tuple[KindDraws, ...] | tuple[Kind, ...]
    usages: tuple[Usage, ...]
    limit_mm: float
    packages: tuple[Package, ...]
    cap: float
    cap_basis: str
    units_per_day: dict[str, float]
    zones: dict[str, FrailtyDraws] = field(default_factory=dict)
    structure_class: str = ""
    is_shown: bool = True
    _risks: dict[tuple[str, float, float, float], Floats] = field(default_factory=dict, repr=False)
    _smaller: dict[float, Problem] = field(default_factory=dict, repr=False)
    _known: dict[tuple[float, float, float], tuple] = field(default_factory=dict, repr=False)
    _held: dict[tuple, Any] = field(default_factory=dict, repr=False)

    @property
    def unit(self) -> str:
        """The unit of the schedule in words."""
        return self.ask.clock.replace("_", " ")

    @property
    def govern(self) -> tuple[str, ...]:
        """Rules whose smallest answer sets the repeat: as asked, or as the structure class asks."""
        return self.ask.govern or self.govern_by_class

    @property
    def govern_by_class(self) -> tuple[str, ...]:
        """Rules that the structure class asks for, of those that the question gives numbers for."""
        given = [rule for rule in RULE_FIELDS if getattr(self.ask, RULE_FIELDS[rule]) is not None]
        return rules_of_class(self.structure_class, given)

    @property
    def held_against(self) -> str:
        """What the target is held against: as asked, or as the structure class asks."""
        return self.ask.held_against or held_against_of_class(self.structure_class)

    @property
    def n_draws(self) -> int:
        """Draws, besides the central value."""
        return self.kinds[0].n - 1 if self.is_drawn else 1

    @property
    def is_drawn(self) -> bool:
        """Whether the kinds of damage are joint draws."""
        return isinstance(self.kinds[0], KindDraws)

    @cached_property
    def joint(self) -> JointRisk:
        """Sampled damage that every schedule meets."""
        return JointRisk.prepare(
            self.kinds,
            usages=self.usages,
            clock=self.ask.clock,
            limit=self.limit_mm,
            horizon=self.ask.horizon,
            seed=self.ask.seed,
            samples=self.ask.samples,
            window_hours=self.ask.target.window_flight_hours or PER_FLIGHT_HOURS,
            is_capped=self.ask.target.window_flight_hours is not None,
        )

    def forget_samples(self) -> None:
        """Let go of sampled damage, some hundred megabytes; whoever asks for more samples the same again.

        Risks that were worked out are kept, as they are small.
        """
        vars(self).pop("joint", None)
        self._smaller.clear()

    def changed(self, **changes: object) -> Problem:
        """Return the problem with some of its parts changed, and nothing kept of the risks worked out before.

        Parameters
        ----------
        **changes : object
            Parts by name.

        Returns
        -------
        Problem
            Another one; this one stays as it is.
        """
        return replace(self, **changes, _risks={}, _smaller={}, _known={}, _held={})

    def held_once(self, key: tuple, make: Callable[[], Held]) -> Held:
        """Work out once what several rules ask for.

        Parameters
        ----------
        key : tuple
            What it is, and what it rests on besides the problem: such as target and schedule.
        make : callable
            Works it out.

        Returns
        -------
        object
            As made; kept for the next call.
        """
        if key not in self._held:
            self._held[key] = make()
        return self._held[key]

    def with_smaller_onset(self, times: float) -> Problem:
        """Put the same question with damage that begins smaller, on the same points; kept for the next call unless it is large.

        Parameters
        ----------
        times : float
            How many times smaller [-].

        Returns
        -------
        Problem
            Of joint draws, that no curve shows.
        """
        kept = self._smaller.get(times)
        if kept is None:
            kinds = tuple(replace(one, onset_median=one.onset_median / times) for one in self.kinds)
            kept = self.changed(kinds=kinds, is_shown=False)
            vars(kept)["joint"] = self.joint.with_smaller_onset(times)  # in place of lives sampled anew
            if not self.joint.is_large:
                self._smaller[times] = kept
        return kept if kept.ask is self.ask else kept.with_target(self.ask.target)

    def with_target(self, target: Target) -> Problem:
        """Put the same question with another target, on the same sampled damage.

        Parameters
        ----------
        target : Target
            What is held against the risk.

        Returns
        -------
        Problem
            What was worked out for one of them serves the other, unless its windows of age are others.
        """
        ask = self.ask.model_copy(update={"target": target})
        if not self.is_drawn or target.window_flight_hours != self.ask.target.window_flight_hours:
            return self.changed(ask=ask)
        other = replace(self, ask=ask)
        vars(other)["joint"] = self.joint
        return other

    def of_part(self, name: str) -> Problem:
        """Put the same question for one part of the fleet alone, on the same sampled damage.

        Parameters
        ----------
        name : str
            The part.

        Returns
        -------
        Problem
            With the usage of that part and packages as long as it makes them; the cap is that of the fleet.

        Raises
        ------
        ValueError
            If there is no such part.
        """
        usage = next((one for one in self.usages if one.name == name), None)
        if usage is None:
            raise ValueError(
                f"`name` must be one of {', '.join(one.name for one in self.usages)}. Got {name!r}."
            )
        per_unit = usage.clock_per_unit
        packages = [
            one._replace(length=shortest_on_clock(one.amounts, self.ask.clock, per_unit))
            for one in self.packages
        ]
        alone = self.changed(
            usages=(replace(usage, share=1.0),),
            packages=tuple(sorted(packages, key=lambda one: one.length)),
            units_per_day={unit: value / per_unit["calendar_days"] for unit, value in per_unit.items()},
            is_shown=False,
        )
        if self.is_drawn:
            vars(alone)["joint"] = self.joint.of_part(name)  # in place of damage sampled anew
        return alone

    @property
    def hours_per_unit(self) -> float:
        """Flight hours per unit of the schedule's clock [-]."""
        return self.units_per_day["flight_hours"] / self.units_per_day[self.ask.clock]


def central(problem: Problem, kind: KindDraws | Kind) -> tuple[Growth, DetectionCurve]:
    """Return growth and POD of a kind of damage at its central value, on the clock of the schedule.

    Parameters
    ----------
    problem : Problem
        The problem.
    kind : KindDraws or Kind
        Kind of damage.

    Returns
    -------
    growth : Growth
        Of the part of the fleet where it is fastest.
    detection : DetectionCurve
        POD of the looks to come.
    """
    if not isinstance(kind, KindDraws):
        part = next(iter(kind.parts()))
        return part.growth, part.detection
    pace = max(usage.clock_per_unit[kind.clock] for usage in problem.usages)
    on_schedule = kind.on_clock(pace, problem.ask.clock)
    return on_schedule.growth(0), kind.pod.curve(0)


def risks(problem: Problem, first: float, repeat: float, *, until: float | None = None) -> dict[str, Floats]:
    """Work out the risk of one schedule: the central value, then the draws.

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
        By measure, by measure with ``_worst``, and what is bounded with ``_zone`` for the zone where it is worst
        [per 10,000 panel flight hours].
    """
    ask, names = problem.ask, []
    for name in (*SUMMED, "not_preventable"):
        names += [name] if ask.target.window_flight_hours is None else [name, f"{name}_worst"]
    names += [f"{ask.target.column}_zone"] if has_zones(problem) else []
    if problem.is_drawn:  # every measure at once
        problem.joint.gathered(first=first, repeat=repeat)
    return {name: risk_of(problem, name, first, repeat, until=until) for name in names}


def risk_of(
    problem: Problem, name: str, first: float, repeat: float, *, until: float | None = None
) -> Floats:
    """Work out one measure of the risk of one schedule: the central value, then the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    name : str
        As `risks` names them.
    first, repeat, until : float
        As for `risks`.

    Returns
    -------
    ndarray, shape (1 + n_draws,)
        Per 10,000 panel flight hours. Kept for the next call.
    """
    horizon = float(until or problem.ask.horizon)
    key = (name, float(first), float(repeat), horizon)
    if key not in problem._risks:
        column = name.removesuffix("_zone")
        plain = column.removesuffix("_worst")
        if name == column:
            ends, values = gathered_by_age(problem, plain, first, repeat, horizon)
            problem._risks[key] = _per_hours(problem, column, ends, values, horizon).max(axis=-1)
        else:
            # The zone that is worst in each draw: its rises are those of the kinds, each times its hazard.
            ages, sums = problem.joint.gathered_by_kind(plain, first=first, repeat=repeat)
            each = {
                kind: _per_hours(problem, column, ages[1:], values[:, 1:], horizon)
                for kind, values in sums.items()
            }
            zones = range(next(iter(problem.zones.values())).multiplier.shape[1])
            problem._risks[key] = np.max(
                [
                    sum(problem.zones[kind].multiplier[:, [zone]] * part for kind, part in each.items()).max(
                        axis=-1
                    )
                    for zone in zones
                ],
                axis=0,
            )
    return problem._risks[key]


def has_zones(problem: Problem) -> bool:
    """Whether the hazard of each zone is known for every kind of damage.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    bool
        Whether the worst zone can be told.
    """
    return len(problem.zones) == len(problem.kinds) and problem.is_drawn


def _per_hours(problem: Problem, column: str, ends: Floats, values: Floats, horizon: float) -> Floats:
    """Bring what has gathered by age to its mean, or to every window that may be worst, per 10,000 flight hours."""
    hours, window = problem.hours_per_unit, horizon
    if column.endswith("_worst"):
        window = problem.ask.target.window_flight_hours / hours
    return per_flight_hours(column, ends, values, hours_per_unit=hours, window=window, horizon=horizon)


def gathered_by_age(
    problem: Problem, name: str, first: float, repeat: float, horizon: float
) -> tuple[Floats, Floats]:
    """Work out what one schedule has let through by each of several ages: the central value, then the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    name : str
        Measure.
    first, repeat, horizon : float
        First look, spacing after it, and the age up to which damage counts [units of the schedule's clock].

    Returns
    -------
    ends : ndarray, shape (n_ends,)
        Ages: some before the first look, then the looks [units of the schedule's clock].
    gathered : ndarray, shape (1 + n_draws, n_ends)
        Summed over the kinds of damage [per life], exposures in units of the clock.
    """
    if problem.is_drawn:
        ages, sums = problem.joint.gathered(first=first, repeat=repeat, names=(name,))
        return ages[1:], sums[name][:, 1:]
    key = (float(first), float(repeat), float(horizon))
    if key not in problem._known:
        ends, total = np.empty(0), {}
        for kind in problem.kinds:
            for share, life, growth, detection in kind.parts():
                kernel = age_kernel(
                    growth=growth,
                    detection=as_counted(problem.ask, detection, problem.limit_mm),
                    limit=problem.limit_mm,
                    first=first,
                    repeat=repeat,
                    horizon=horizon,
                )
                ends = kernel.ends
                for measure, values in kernel.cumulative(life).items():
                    # What is known is both the central value and the only draw.
                    total[measure] = total.get(measure, 0.0) + share * np.atleast_2d(values) * np.ones((2, 1))
        problem._known[key] = ends, total
    ends, total = problem._known[key]
    return ends, total[name]


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
        Central value, then draws [-].
    """
    if not problem.is_drawn:
        clean = np.ones((2, ages.size))
        for kind in problem.kinds:
            clean *= sum(part.share * np.atleast_2d(part.life.survival(ages)) for part in kind.parts())
        return 1.0 - clean
    share = np.zeros((1 + problem.n_draws, ages.size))
    for usage in problem.usages:
        clean = np.ones_like(share)
        for kind in problem.kinds:
            life = WeibullLife(kind.scale / usage.clock_per_unit[kind.clock], kind.shape)
            clean *= life.survival(ages)
        share += usage.share * (1.0 - clean)
    return share


def summary(problem: Problem, first: float, repeat: float) -> dict[str, tuple[float, float, float]]:
    """Median and band of each measure.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    dict of str to tuple of float
        Median, 5 % and 95 % of the draws [per 10,000 panel flight hours].
    """
    out = {}
    for name, values in risks(problem, first, repeat).items():
        low, middle, high = np.quantile(values[1:], [BAND[0], 0.5, BAND[1]])
        out[name] = (float(middle), float(low), float(high))
    return out
