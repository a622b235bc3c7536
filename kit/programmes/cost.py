"""What looks, repairs and damage beyond the limit cost: rates, cost per flight hour with its parts, replacement by age."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.intervals import (
    PER_FLIGHT_HOURS,
    AgeReplacement,
    QuestionError,
    StatedDetection,
    age_replacement,
    risks,
    shortest_look,
    threshold_rule,
)
from kit.numerics.typing import Floats
from kit.posterior import PodDraws
from kit.programmes.group import LEVEL, Group, band
from kit.programmes.programme import Programme
from kit.programmes.result import OfGroup, Tabled
from kit.programmes.usage import need_fields, read_toml

_COSTS = ("look", "repair", "beyond_limit", "beyond_hour")
_HOURS = ("look", "repair", "repair_beyond")
_POINTS = 16  # repeats whose cost is compared
_FLAT = 1.05
"""Repeats that cost at most 5 % more than the least count as equal (common practice, no source)."""
PARTS = ("looks", "repairs", "beyond the limit", "hours beyond it")
"""What a cost per flight hour is made of."""


@dataclass(frozen=True, kw_only=True)
class Costs:
    """What things cost and how long they take, as somebody stated it.

    Parameters
    ----------
    look, repair : float
        Cost of one look at one panel, and of a repair of damage found within the limit.
    beyond_limit, beyond_hour : float
        Cost of damage that gets beyond the limit unfound, and of each flight hour beyond it.
    look_hours, repair_hours, repair_beyond_hours : float
        Working hours of a look at one panel, of a repair within the limit, and of one beyond it.
    currency : str
        In which costs are.
    basis : str
        Who stated them.
    """

    look: float
    repair: float
    beyond_limit: float
    beyond_hour: float
    look_hours: float
    repair_hours: float
    repair_beyond_hours: float
    currency: str = ""
    basis: str = "stated"

    def __post_init__(self) -> None:
        """Refuse what is no amount."""
        for name in (*_COSTS, "look_hours", "repair_hours", "repair_beyond_hours"):
            value = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < np.inf:
                raise QuestionError(
                    f"costs: `{name}` must be a number of at least 0. Got {value!r}; correct it."
                )

    @classmethod
    def read(cls, path: str | Path) -> Costs:
        """Read costs from a TOML file.

        Parameters
        ----------
        path : str or Path
            With `currency`, `basis`, `[cost]` (look, repair, beyond_limit, beyond_hour) and `[hours]` (look, repair,
            repair_beyond).

        Returns
        -------
        Costs
            As written.

        Raises
        ------
        QuestionError
            If the file cannot be read, or an amount is missing, negative or unknown.
        """
        data = read_toml(path, {"currency", "basis", "cost", "hours"})
        need_fields(path, "[cost]", data.get("cost"), set(_COSTS))
        need_fields(path, "[hours]", data.get("hours"), set(_HOURS))
        cost, hours = data["cost"], data["hours"]
        try:
            return cls(
                **{name: cost[name] for name in _COSTS},
                **{f"{name}_hours": hours[name] for name in _HOURS},
                currency=str(data.get("currency", "")),
                basis=str(data.get("basis", "stated")),
            )
        except QuestionError as error:
            raise QuestionError(f"{path}: {error}") from None

    def words(self) -> str:
        """Say what was stated.

        Returns
        -------
        str
            One line.
        """
        unit = f" {self.currency}" if self.currency else ""
        return (
            f"costs ({self.basis}): {self.look:g} a look, {self.repair:g} a repair, {self.beyond_limit:g} for damage beyond the limit, "
            f"{self.beyond_hour:g} an hour beyond it{unit}; {self.look_hours:g} h a look, {self.repair_hours:g} h a repair, "
            f"{self.repair_beyond_hours:g} h beyond the limit"
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class CostCurve(Tabled):
    """Cost per panel flight hour against the repeat interval.

    Parameters
    ----------
    frame : DataFrame
        A row a repeat: repeat, the parts, total with _lower and _upper.
    least : float
        Repeat of least cost by the middle of the draws [units of the schedule's clock].
    flat : tuple of float
        Repeats between which it costs at most 5 % more.
    group : Group
        Whose.
    costs : Costs
        What was stated.
    """

    frame: pd.DataFrame
    least: float
    flat: tuple[float, float]
    group: Group
    costs: Costs

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = "least cost is no target: the risk rule, the not-to-exceed limit and the approved data govern the interval"
        return (own, *self.group.cautions)

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        return (self.costs.words(), *self.group.assumptions)

    def __repr__(self) -> str:
        """Return one line."""
        return f"CostCurve({self.group.ask.group}: least at {self.least:,.0f}, flat {self.flat[0]:,.0f} to {self.flat[1]:,.0f})"

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            The least cost, its parts and how flat it is.
        """
        unit = self.group.problem.unit
        row = self.frame.loc[(self.frame["repeat"] - self.least).abs().idxmin()]
        parts = ", ".join(f"{name} {row[name]:.3g}" for name in PARTS)
        open_end = self.least >= self.frame["repeat"].max() * (1 - 1e-9)
        end = "; no longer repeat was examined" if open_end else ""
        return (
            f"Least cost at a repeat of {self.least:,.0f} {unit}: {row['total']:.3g} {self.costs.currency} per panel flight hour "
            f"({row['total_lower']:.3g} to {row['total_upper']:.3g} in {LEVEL:.0%} of the draws), of which {parts}{end}.",
            f"From {self.flat[0]:,.0f} to {self.flat[1]:,.0f} {unit} it costs at most 5 % more.",
        )


def cost_curve(group: Group, costs: Costs) -> CostCurve:
    """Work out the cost per panel flight hour of each repeat interval.

    Parameters
    ----------
    group : Group
        The group.
    costs : Costs
        What things cost.

    Returns
    -------
    CostCurve
        With bounds over the joint draws.

    Notes
    -----
    Per life up to the horizon, as the cost rule of an interval has it: looks at their spacing, a repair for every damage
    within the limit, and the cost of damage and hours beyond it.
    """
    problem = group.problem
    latest = threshold_rule(problem).interval
    repeats = np.geomspace(shortest_look(problem), problem.ask.horizon / 2, _POINTS)
    per_hour = problem.hours_per_unit
    rows = []
    for repeat in repeats:
        found = risks(problem, min(latest, repeat), repeat)
        beyond, exposure = (found[name][1:] / PER_FLIGHT_HOURS for name in ("exceedances", "exposure"))
        onsets = onset_rate(group)
        parts = (
            np.full(beyond.shape, costs.look / (repeat * per_hour)),
            costs.repair * np.maximum(onsets - beyond, 0.0),
            costs.beyond_limit * beyond,
            costs.beyond_hour * exposure,
        )
        middle, low, high = band(np.sum(parts, axis=0))
        row = {"repeat": repeat, "total": middle, "total_lower": low, "total_upper": high}
        rows.append(row | {name: float(np.median(part)) for name, part in zip(PARTS, parts, strict=True)})
    frame = pd.DataFrame(rows)
    least = int(frame["total"].idxmin())
    flat = frame.loc[frame["total"] <= _FLAT * frame["total"].iloc[least], "repeat"]
    return CostCurve(
        frame=frame,
        least=float(repeats[least]),
        flat=(float(flat.min()), float(flat.max())),
        group=group,
        costs=costs,
    )


def onset_rate(group: Group) -> Floats:
    """Onsets of damage per panel flight hour, as a mean up to the horizon.

    Parameters
    ----------
    group : Group
        The group.

    Returns
    -------
    ndarray, shape (n_draws,)
        Over all kinds, as first onsets of a life [1/flight hour].
    """
    problem, horizon = group.problem, group.problem.ask.horizon
    total = np.zeros(group.n_draws)
    for kind in problem.kinds:
        for usage in problem.usages:
            age = horizon * usage.clock_per_unit[kind.clock]
            total += usage.share * -np.expm1(-((age / kind.scale[1:]) ** kind.shape[1:]))
    return total / horizon / problem.hours_per_unit


def replacement_ages(group: Group, costs: Costs, *, replacement: float) -> pd.DataFrame:
    """Age at which replacing a panel before damage costs least, for each kind of damage by itself.

    Parameters
    ----------
    group : Group
        The group.
    costs : Costs
        What things cost; a failure is damage that gets beyond the limit unfound.
    replacement : float
        Cost of a replacement before damage.

    Returns
    -------
    DataFrame
        A row a kind: kind, clock, age, age_lower, age_upper [clock units; infinite where replacing never pays],
        pays (share of the draws in which it does).

    Raises
    ------
    QuestionError
        If the cost is not positive.
    """
    if not 0 < replacement < np.inf:
        raise QuestionError(
            f"costs: `replacement` must be positive and finite. Got {replacement!r}; correct it."
        )
    rows = []
    for kind, draws in group.draws.items():
        ratio = max(costs.beyond_limit, 1e-9) / replacement
        ages = np.array([
            _replaced(float(scale), float(shape), ratio).age
            for scale, shape in zip(draws.scale, draws.shape, strict=True)
        ])  # fmt: skip
        low, middle, high = np.quantile(ages, [0.05, 0.5, 0.95], method="nearest")
        rows.append(
            {
                "kind": kind,
                "clock": draws.clock,
                "age": middle,
                "age_lower": low,
                "age_upper": high,
                "pays": float(np.isfinite(ages).mean()),
            }
        )
    return pd.DataFrame(rows)


def _replaced(scale: float, shape: float, ratio: float) -> AgeReplacement:
    with np.errstate(over="ignore"):  # an endless age is one of the answers
        return age_replacement(scale, shape, ratio)


@dataclass(frozen=True, eq=False, kw_only=True)
class MethodChoice(OfGroup):
    """Two methods, each with its own repeat interval, held against each other.

    Parameters
    ----------
    frame : DataFrame
        A row a method: method, repeat, exceedances and exposure per 10,000 panel flight hours with _lower and _upper,
        looks per 10,000 panel flight hours.
    better : float
        Share of the draws in which the second lets less exposure through [-].
    parity : tuple of float
        Size found half as often as the plateau by the second method at which both let the same exposure through: middle,
        lower and upper of the draws; nan where none does [mm].
    group : Group
        Whose.
    """

    frame: pd.DataFrame
    better: float
    parity: tuple[float, float, float]
    group: Group

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        return (
            "the POD of a method is an assumption unless it was measured on like structure",
            *self.group.cautions,
        )

    def __repr__(self) -> str:
        """Return one line."""
        return f"MethodChoice({' against '.join(self.frame['method'])}: second better in {self.better:.0%} of draws)"

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            Which lets less through, and the POD that parity needs.
        """
        unit = self.group.problem.unit
        first, second = self.frame.to_dict("records")
        out = [
            "{method} every {repeat:,.0f} {unit} leaves {exposure:.0f} hours beyond the limit per 10,000 panel flight hours "
            "({exposure_lower:.0f} to {exposure_upper:.0f}).".format(unit=unit, **row)
            for row in (first, second)
        ]
        middle, low, high = self.parity
        verdict = f"{second['method']} leaves less in {self.better:.0%} of the draws"
        if np.isfinite(middle):
            need = f"both leave the same where its a50 is {middle:.1f} mm ({low:.1f} to {high:.1f}): that is the POD to be proved"
        else:
            need = "no a50 makes both leave the same"
        return (*out, f"{verdict}; {need}.")


def method_choice(
    group: Group,
    pod: StatedDetection,
    *,
    repeats: tuple[float, float],
    methods: tuple[str, str] | None = None,
) -> MethodChoice:
    """Hold the question's method at one repeat against another method at another repeat.

    Parameters
    ----------
    group : Group
        The group.
    pod : StatedDetection
        POD of the second method.
    repeats : tuple of float
        Repeat of each [units of the schedule's clock].
    methods : tuple of str, optional
        Names; default those of the PODs.

    Returns
    -------
    MethodChoice
        Over the lives up to the question's horizon, both on the same damage; with the a50 that parity needs.
    """
    problem = group.problem
    programme = Programme(name="second", rules=(), pod=pod)
    latest = threshold_rule(problem).interval

    def exposure(a50_factor: float | None) -> dict[str, Floats]:
        kinds = []
        for kind in problem.kinds:
            if a50_factor is None:
                kinds.append(kind)
                continue
            made = programme.pod_draws(kind, far_side_share=kind.pod.far_side_share, seed=group.ask.seed)
            kinds.append(replace(kind, pod=PodDraws(**(vars(made) | {"a50": made.a50 * a50_factor}))))
        other = problem.changed(kinds=tuple(kinds), zones={})
        repeat = repeats[0] if a50_factor is None else repeats[1]
        return risks(other, min(latest, repeat), repeat)

    names = methods or (group.ask.detection.method, pod.method)
    factors = np.array([0.25, 0.5, 0.75, 1.0, 1.35, 1.8, 2.6])
    results = [exposure(None), *(exposure(float(f)) for f in factors)]
    now, second = results[0], results[1 + int(np.flatnonzero(factors == 1.0)[0])]
    rows = []
    for name, repeat, found in zip(names, repeats, (now, second), strict=True):
        row = {
            "method": name,
            "repeat": repeat,
            "looks": PER_FLIGHT_HOURS / (repeat * problem.hours_per_unit),
        }
        for measure in ("exceedances", "exposure"):
            middle, low, high = band(found[measure][1:])
            row |= {measure: float(middle), f"{measure}_lower": float(low), f"{measure}_upper": float(high)}
        rows.append(row)
    grid = np.array([one["exposure"][1:] for one in results[1:]])
    aim = now["exposure"][1:]
    made = programme.pod_draws(
        problem.kinds[0], far_side_share=problem.kinds[0].pod.far_side_share, seed=group.ask.seed
    )
    parity = np.array([
        np.exp(np.interp(np.log(goal), np.log(np.maximum.accumulate(column)), np.log(factors * a50), left=np.nan, right=np.nan))
        for goal, column, a50 in zip(aim, grid.T, made.a50[1:], strict=True)
    ])  # fmt: skip
    told = np.isfinite(parity)
    bounds = tuple(float(x) for x in band(parity[told])) if told.mean() > 0.5 else (np.nan,) * 3
    return MethodChoice(
        frame=pd.DataFrame(rows),
        better=float(np.mean(second["exposure"][1:] < aim)),
        parity=bounds,
        group=group,
    )
