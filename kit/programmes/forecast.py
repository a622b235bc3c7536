"""What will be found: finds, repairs and hours by quarter with exact limits, and how past forecasts did."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.cautions import CAUTIONS
from kit.findings import Fleet
from kit.intervals import (
    DAYS_PER_YEAR,
    FEW_FINDS,
    Evidence,
    Question,
    QuestionError,
    kind_asked,
    read_question,
)
from kit.numerics.confidence import check_level
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.numerics.words import in_words
from kit.programmes.change import repair_share, simulate_programme
from kit.programmes.cost import Costs
from kit.programmes.group import DRAWS, LEVEL, Group, Progress, group_of, known_and_asked
from kit.programmes.programme import Programme, events_of, look_days, looks_by_period
from kit.programmes.result import Tabled
from kit.programmes.usage import PanelUsage, UsagePlan

_MOST_QUARTERS = 40
_QUARTER = DAYS_PER_YEAR / 4
_OTHER_LOOKS = 1.15
"""Ratio of looks made to looks planned, either way, from which on it is said (common practice, no source)."""
_FAR_OFF = 1.5  # times what came, from which on a caution says so (common practice, no source)


def poisson_binomial(chances: ArrayLike, *, most: int | None = None) -> Floats:
    r"""Chance of each number of successes of independent trials with chances of their own, exactly.

    Parameters
    ----------
    chances : array_like of float, shape (..., n_trials)
        Chance of each trial [-].
    most : int, optional
        Largest number that is distinguished; the last entry holds it and all above. Default: all trials.

    Returns
    -------
    ndarray, shape (..., most + 1)
        Chance of 0, 1, ... [-].

    Raises
    ------
    ValueError
        If a chance is not between 0 and 1.

    Notes
    -----
    One trial after the other: :math:`P_k \leftarrow (1-p)P_k + p P_{k-1}`, which loses no digits, as all terms are
    positive.

    References
    ----------
    .. [1] Y. H. Wang, "On the number of successes in independent trials", *Statistica Sinica*, vol. 3, 1993, pp. 295-312.

    Examples
    --------
    >>> poisson_binomial([0.5, 0.5]).round(3)
    array([0.25, 0.5 , 0.25])
    """
    p = np.asarray(chances, np.float64)
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueError(
            f"`chances` must be between 0 and 1. Got {float(np.min(p)):g} to {float(np.max(p)):g}; check what was summed."
        )
    size = p.shape[-1] if most is None else min(int(most), p.shape[-1])
    out = np.zeros((*p.shape[:-1], size + 1))
    out[..., 0] = 1.0
    for i in range(p.shape[-1]):
        one = p[..., i, None]
        last = out[..., -1].copy()
        out[..., 1:] = out[..., 1:] * (1 - one) + out[..., :-1] * one
        out[..., 0] *= 1 - one[..., 0]
        if size < p.shape[-1] and i >= size:
            out[..., -1] += last * one[..., 0]  # what is past the end stays there
    return out


def count_mass(chances: Floats) -> tuple[Floats, Floats]:
    """Mean of a count and the chance of each number, over draws of its chances.

    Parameters
    ----------
    chances : ndarray, shape (n_draws, n_trials, n_periods)
        Chance of each trial under each draw [-].

    Returns
    -------
    mean : ndarray, shape (n_periods,)
        Mean over the draws [-].
    mass : ndarray, shape (n_periods, n_most + 1)
        Chance of 0, 1, ...; the last entry holds what lies above, which is far out in the tail [-].
    """
    p = np.clip(np.moveaxis(chances, 2, 1), 0.0, 1.0)
    mean = p.sum(axis=2)
    top = float(mean.max(initial=0.0))
    mass = poisson_binomial(p, most=int(np.ceil(top + 8 * np.sqrt(top + 1) + 8))).mean(axis=0)
    return mean.mean(axis=0), mass


def count_limits(chances: Floats, *, level: float = LEVEL) -> tuple[Floats, Floats, Floats]:
    """Mean and exact limits of a count, over draws of its chances.

    Parameters
    ----------
    chances : ndarray, shape (n_draws, n_trials, n_periods)
        Chance of each trial under each draw [-].
    level : float
        Chance that the count lies within the limits, at least [-].

    Returns
    -------
    mean, lower, upper : ndarray, shape (n_periods,)
        Limits are whole numbers: each tail holds at most half of what is left.
    """
    check_level(level)
    mean, mass = count_mass(chances)
    below = np.cumsum(mass, axis=1)
    tail = (1 - level) / 2
    lower = (below < tail).sum(axis=1)
    upper = (below < 1 - tail - 1e-12).sum(axis=1)
    return mean, lower.astype(float), upper.astype(float)


def share_inside(below: float, at: float, *, level: float = LEVEL) -> float:
    """Share of a value of some chance of its own that lies within bounds of exactly a level.

    Parameters
    ----------
    below, at : float
        Chance of less than the value that came, and of that value [-].
    level : float
        Chance between the bounds, half of the rest on each side [-].

    Returns
    -------
    float
        1 well inside and 0 well outside; where a bound cuts through the value, the part of its chance that it takes to
        reach the level [-].

    Notes
    -----
    The mean of the randomised probability integral transform: with :math:`u` even between `below` and `below` + `at`, the chance that
    :math:`u` is between the tails. Over right answers it is `level` on average, however small the counts are; bounds that are whole
    numbers hold at least `level`, and much more where a count is near 1.

    References
    ----------
    .. [1] C. Czado, T. Gneiting and L. Held, "Predictive model assessment for count data", *Biometrics*, vol. 65, 2009, pp. 1254-1261
       (from memory).

    Examples
    --------
    >>> share_inside(0.2, 0.5, level=0.9), share_inside(0.0, 0.1, level=0.9), share_inside(0.97, 0.01, level=0.9)
    (1.0, 0.5, 0.0)
    """
    check_level(level)
    tail = (1 - level) / 2
    if at <= 0:
        return float(tail <= below <= 1 - tail)
    return round(max(min(below + at, 1 - tail) - max(below, tail), 0.0) / at, 12)


@dataclass(frozen=True, eq=False, kw_only=True)
class Forecast(Tabled):
    """What will be found in a group of zones, by quarter.

    Parameters
    ----------
    group : Group
        The group.
    programme : Programme
        Looks that are planned.
    frame : DataFrame
        A row a quarter, and one for all: quarter, begins, ends, looks, and finds, repairs (and hours with costs) with
        _lower and _upper.
    level : float
        Chance that a count lies within its limits [-].
    costs : Costs or None
        What was stated.
    by_kind : dict of str to float
        Expected finds over all quarters, by damage type [-].
    """

    group: Group
    programme: Programme
    frame: pd.DataFrame
    level: float
    costs: Costs | None
    by_kind: dict[str, float]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = (
            "a forecast of finds is no forecast of damage: fewer looks find less of it",
            "limits hold for the planned usage and looks; what is flown or looked at otherwise is outside them",
        )
        return (*own, *self.group.cautions)

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        lines = [f"looks: {self.programme.name}; panels are independent of each other, given the joint draw"]
        lines += [] if self.costs is None else [self.costs.words()]
        return (*lines, *self.group.assumptions)

    def __repr__(self) -> str:
        """Return one line."""
        total = self.frame.iloc[-1]
        return (
            f"Forecast({self.group.ask.group}: {len(self.frame) - 1} quarters, {total['finds']:.1f} finds "
            f"({total['finds_lower']:.0f} to {total['finds_upper']:.0f}))"
        )

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            Finds, repairs and hours over all, and the busiest quarter.
        """
        total, quarters = self.frame.iloc[-1], self.frame.iloc[:-1]
        most = quarters.loc[quarters["finds"].idxmax()]
        out = [
            f"From {self.group.living.cut_off:%Y-%m-%d} over {len(quarters)} quarters, {total['looks']:.0f} looks at panels of "
            f"{self.group.ask.group} are to find {total['finds']:.1f} damages; with {self.level:.0%} chance {total['finds_lower']:.0f} to "
            f"{total['finds_upper']:.0f}. Repairs: {total['repairs']:.1f} ({total['repairs_lower']:.0f} to {total['repairs_upper']:.0f}).",
            f"Most in the quarter to {most['ends']:%Y-%m-%d}: {most['finds']:.1f} ({most['finds_lower']:.0f} to {most['finds_upper']:.0f}).",
        ]
        if "hours" in total:
            out.append(
                f"Working hours: {total['hours']:,.0f} ({total['hours_lower']:,.0f} to {total['hours_upper']:,.0f}), looks included."
            )
        return tuple(out)


def forecast_finds(
    fleet: Fleet | Evidence | Group,
    question: Question | str | Path | None = None,
    *,
    quarters: int = 8,
    programme: Programme | None = None,
    usage: UsagePlan | None = None,
    costs: Costs | None = None,
    level: float = LEVEL,
    draws: int = DRAWS,
    run: Mapped = map,
    say: Progress | None = None,
) -> Forecast:
    """Forecast finds, repairs and hours of a group by quarter.

    Parameters
    ----------
    fleet : Fleet, Evidence or Group
        The findings; a group that was put together already needs no question.
    question : Question, str or Path, optional
        The question.
    quarters : int
        How many, from the cut-off on.
    programme : Programme, optional
        Looks that are planned; default the tap tasks in force.
    usage : UsagePlan, optional
        What departs from planned usage, and aircraft that are parked.
    costs : Costs, optional
        For hours.
    level : float
        Chance that a count lies within its limits [-].
    draws : int
        Joint draws.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for joint draws on all cores; the answer does not depend on it.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    Forecast
        Limits hold what is not known of lives, growth and POD as well as luck.

    Raises
    ------
    QuestionError
        If usage is not planned so far ahead, or the question or programme is wrong.
    """
    if (
        isinstance(quarters, bool)
        or not isinstance(quarters, int | np.integer)
        or not 1 <= quarters <= _MOST_QUARTERS
    ):
        raise QuestionError(
            f"quarters must be a whole number from 1 to {_MOST_QUARTERS}. Got {quarters!r}; correct it."
        )
    check_level(level)
    evidence, asked = known_and_asked(fleet, question)
    ends = np.round(_QUARTER * np.arange(1, quarters + 1))
    plan = usage or UsagePlan()
    plan.check(evidence.fleet, end=evidence.fleet.cut_off + pd.Timedelta(days=int(ends[-1])))
    planned = programme or Programme.in_force(evidence, asked)
    planned.check(evidence, asked)
    group = fleet if isinstance(fleet, Group) else group_of(evidence, asked, draws=draws, run=run, say=say)
    living, ask = group.living, group.ask
    if say is not None:
        say("finds by quarter")
    flown = PanelUsage.of(living, plan)
    present = None if programme is None else Programme.in_force(group.evidence, ask)
    looks = look_days(planned, living, flown, days=float(ends[-1]), present=present)
    pods = [
        {
            kind: planned.pod_draws(drawn, far_side_share=drawn.pod.far_side_share, seed=ask.seed)
            for kind, drawn in group.draws.items()
        }
    ]
    start = 0.0 if planned.starts_on is None else float((planned.starts_on - living.cut_off).days)
    events = events_of([looks], flown, ends, own_from=[np.full(len(living), start)])
    expected, counted = simulate_programme(
        living,
        group.draws,
        events,
        pods,
        limit=group.limit_mm,
        multipliers=group.multipliers,
        seed=ask.seed,
        by_panel=True,
    )
    share = repair_share(group.evidence, ask.group, limit=group.limit_mm, to_true=ask.measured_to_true)
    part = share.draws(group.n_draws, seed=ask.seed)
    finds, beyond = expected["finds"][0], expected["finds_beyond"][0]
    repairs = beyond + part[:, None, None] * (finds - beyond)
    with_all = {
        name: np.concatenate([values, values.sum(axis=2, keepdims=True)], axis=2)
        for name, values in (("finds", finds), ("repairs", repairs))
    }
    begins = living.cut_off + pd.to_timedelta(np.r_[0.0, ends[:-1]], unit="D")
    days = living.cut_off + pd.to_timedelta(ends, unit="D")
    number = looks_by_period(looks, ends)
    frame = pd.DataFrame(
        {
            "quarter": [*(str(i + 1) for i in range(quarters)), "all"],
            "begins": [*begins, begins[0]],
            "ends": [*days, days[-1]],
            "looks": np.r_[number, number.sum()],
        }
    )
    for name, values in with_all.items():
        frame[name], frame[f"{name}_lower"], frame[f"{name}_upper"] = count_limits(values, level=level)
    if costs is not None:
        lucky = {name: counted[name][0] for name in ("finds", "finds_beyond")}
        within = part[:, None] * (lucky["finds"] - lucky["finds_beyond"])
        hours = (
            costs.look_hours * number[None]
            + costs.repair_hours * within
            + costs.repair_beyond_hours * lucky["finds_beyond"]
        )
        hours = np.concatenate([hours, hours.sum(axis=1, keepdims=True)], axis=1)
        tail = (1 - level) / 2
        frame["hours"] = hours.mean(axis=0)
        frame["hours_lower"], frame["hours_upper"] = np.quantile(hours, [tail, 1 - tail], axis=0)
    of_kinds = finds.reshape(group.n_draws, len(group.draws), -1).sum(axis=2).mean(axis=0)
    by_kind = {kind: float(number) for kind, number in zip(group.draws, of_kinds, strict=True)}
    return Forecast(group=group, programme=planned, frame=frame, level=level, costs=costs, by_kind=by_kind)


@dataclass(frozen=True, eq=False, kw_only=True)
class BackTest(Tabled):
    """Forecasts as they would have been made at past year-ends, beside what came.

    Parameters
    ----------
    group_name : str
        Group of zones.
    frame : DataFrame
        A row a year-end: known_on, finds with _lower and _upper (forecast for the year after it), came (finds of that year
        as known today), inside, looks (planned), looks_made, fewest_finds (of the kind that had fewest in its life fit then).
    level : float
        Chance that was promised [-].
    skipped : dict of str to str
        Year-ends at which nothing could be forecast, each with the reason.
    by_kind : DataFrame
        A row a damage type: kind, finds (forecast), came, fewest_finds (in its life fit, at the year-end that had fewest).
    """

    group_name: str
    frame: pd.DataFrame
    level: float
    skipped: dict[str, str]
    by_kind: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def few(self) -> pd.DataFrame:
        """Year-ends at which a kind of damage had few finds."""
        return (
            self.frame.loc[self.frame["fewest_finds"] < FEW_FINDS]
            if "fewest_finds" in self.frame
            else self.frame[:0]
        )

    @property
    def coverage(self) -> float:
        """Share of the years whose finds lay within the limits [-]."""
        return float(self.frame["inside"].mean()) if len(self.frame) else float("nan")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = [f"{day}: no forecast could be made: {why}" for day, why in self.skipped.items()]
        said, came = self.frame["finds"].sum(), self.frame["came"].sum()
        if said > _FAR_OFF * came or came > _FAR_OFF * said:
            side = "more" if said > came else "FEWER"
            own.insert(
                0,
                f"past forecasts of this group were far off: they expected {side} finds ({said:.1f}) than came ({came:.0f}); "
                f"the one to come is to be read accordingly{self._whose()}",
            )
        planned, made = self.frame["looks"].sum(), self.frame["looks_made"].sum()
        if not planned / _OTHER_LOOKS <= made <= planned * _OTHER_LOOKS:
            many, errs = ("more", "low") if made > planned else ("fewer", "high")
            own.append(
                f"{made / max(planned, 1.0):.2f} times as many looks were made ({made:.0f}) as the tasks on record then planned ({planned:.0f}): a "
                f"forecast counts planned looks alone and errs {errs} where {many} are made (finds per 100 looks: forecast "
                f"{100 * said / max(planned, 1.0):.1f}, came {100 * came / max(made, 1.0):.1f})"
            )
        if few := len(self.few):
            own.append(
                f"at {few} of {len(self.frame)} year-ends a damage type had fewer than {FEW_FINDS} finds: the prior of its shape and what clean "
                f"looks leave open carry the forecast then (at those year-ends forecast {self.few['finds'].sum():.1f}, came "
                f"{self.few['came'].sum():.0f})"
            )
        own.append(
            "years of one fleet are few and not independent of each other: their coverage says little by itself"
        )
        return (*own, *CAUTIONS)

    def _whose(self) -> str:
        """Say which damage type most of the difference is of, and what its life rested on."""
        if self.by_kind.empty:
            return ""
        off = self.by_kind["finds"] - self.by_kind["came"]
        row = self.by_kind.loc[off.abs().idxmax()]
        return (
            f"; most of it is {in_words(row['kind'])} ({row['finds']:.1f} expected, {row['came']:.0f} came), whose life rested on "
            f"{row['fewest_finds']:.0f} finds at the year-end that had fewest"
        )

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        return ("past forecasts take the tasks and planned usage that were on record then",)

    def __repr__(self) -> str:
        """Return one line."""
        return f"BackTest({self.group_name}: {int(self.frame['inside'].sum())} of {len(self.frame)} years within {self.level:.0%} limits)"

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            How many years lay within the limits, and on which side the others lay.
        """
        rows = self.frame
        above = int((rows["came"] > rows["finds_upper"]).sum())
        below = int((rows["came"] < rows["finds_lower"]).sum())
        return (
            f"{self.group_name}: in {int(rows['inside'].sum())} of {len(rows)} years the finds lay within the {self.level:.0%} limits of "
            f"the forecast that was possible at the year-end before; {above} lay above and {below} below. Forecast in all "
            f"{rows['finds'].sum():.1f}, came {rows['came'].sum():.0f}; planned looks {rows['looks'].sum():.0f}, made "
            f"{rows['looks_made'].sum():.0f}.",
            *self._by_kind_words(),
        )

    def _by_kind_words(self) -> tuple[str, ...]:
        """Say what was forecast and came of each damage type, where there are several."""
        if len(self.by_kind) < 2:
            return ()
        rows = self.by_kind.itertuples()
        parts = (f"{in_words(row.kind)} {row.finds:.1f} and {row.came:.0f}" for row in rows)
        return (f"By damage type, forecast and came: {'; '.join(parts)}.",)


def back_test(
    fleet: Fleet | Evidence,
    question: Question | str | Path,
    *,
    years: int = 10,
    level: float = LEVEL,
    draws: int = 64,
    run: Mapped = map,
    say: Progress | None = None,
) -> BackTest:
    """Forecast the year after each past year-end from what was known then, and set it beside what came.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    question : Question, str or Path
        The question; its own day is not used.
    years : int
        How many of the last year-ends whose year is over.
    level : float
        Chance that a count lies within its limits [-].
    draws : int
        Joint draws at each year-end.
    run : callable
        How they are worked out: `map`, one after the other; `kit.numerics.forked.forked_map`, on all cores.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    BackTest
        With its coverage.

    Raises
    ------
    QuestionError
        If the question is wrong or no year-end can be tested.
    """
    evidence = fleet if isinstance(fleet, Evidence) else Evidence(fleet)
    ask = read_question(question)
    # What was to come then was looked for as it was until now, whatever is planned from here on.
    ask = ask.model_copy(update={"known_on": None, "detection": ask.looked_with, "past_detection": None})
    if isinstance(years, bool) or not isinstance(years, int | np.integer) or years < 1:
        raise QuestionError(f"years must be a whole number of at least 1. Got {years!r}; correct it.")
    cut_off = evidence.fleet.cut_off
    last = cut_off.year - (0 if (cut_off.month, cut_off.day) == (12, 31) else 1)
    _ = evidence.regions  # what came is read from them in every year: so no forked process makes them again
    days = [pd.Timestamp(year, 12, 31) for year in range(last - years, last)]
    results = iter(run(lambda day: _one_year(evidence, ask, day, draws=draws, level=level), days))
    rows, kinds, skipped = [], [], {}
    for day in days:
        if say is not None:
            say(f"as known on {day:%Y-%m-%d}")
        row = next(results)
        if isinstance(row, str):
            skipped[f"{day:%Y-%m-%d}"] = row
        else:
            rows.append(row[0])
            kinds.append(row[1])
    if not rows:
        why = "; ".join(f"{day}: {reason}" for day, reason in skipped.items())
        raise QuestionError(f"question {ask.name}: no year-end can be tested. {why}")
    by_kind = (
        pd.concat(kinds)
        .groupby("kind", sort=False, as_index=False)
        .agg({"finds": "sum", "came": "sum", "fewest_finds": "min"})
    )
    return BackTest(
        group_name=ask.group, frame=pd.DataFrame(rows), level=level, skipped=skipped, by_kind=by_kind
    )


def _one_year(
    evidence: Evidence, ask: Question, day: pd.Timestamp, *, draws: int, level: float
) -> tuple[dict[str, object], pd.DataFrame] | str:
    """Forecast the year after a day beside what came, in all and by damage type, or say why nothing could be forecast."""
    try:
        group = group_of(evidence.as_known_on(day), ask, draws=draws)
        made = forecast_finds(group, quarters=4, level=level)
    except QuestionError as error:
        return str(error)
    total = made.frame.iloc[-1]
    came, looked = _came(evidence, group, day, total["ends"])
    rested = {one.draws.kind: one.mode.histories.n_finds for one in group.believed}
    kinds = pd.DataFrame({"kind": list(made.by_kind), "finds": list(made.by_kind.values())})
    kinds = kinds.assign(came=kinds["kind"].map(came), fewest_finds=kinds["kind"].map(rested))
    row = {
        "known_on": day,
        "finds": total["finds"],
        "finds_lower": total["finds_lower"],
        "finds_upper": total["finds_upper"],
        "came": sum(came.values()),
        "inside": bool(total["finds_lower"] <= sum(came.values()) <= total["finds_upper"]),
        "looks": total["looks"],
        "looks_made": looked,
        "fewest_finds": min(rested.values()),
    }
    return row, kinds


def _came(
    evidence: Evidence, group: Group, begin: pd.Timestamp, end: pd.Timestamp
) -> tuple[dict[str, int], int]:
    """Count finds, by damage type of the question, and looks of a time as known today, on the panels that were forecast."""
    ask, names = group.ask, group.living.frame["panel"]
    zones = evidence.zones_of((ask.group,))
    kinds = {kind_asked(ask, mode): mode.kind for mode in ask.modes}
    damage = evidence.fleet.damage
    track = evidence.regions.set_index("finding")["track"]
    owner = damage["finding"].map(track[~track.index.duplicated()]).astype(object)
    finds = damage.assign(track=owner.where(owner.notna(), "finding " + damage["finding"]))
    finds = finds.sort_values("found_on", kind="stable").drop_duplicates("track")
    new = (finds["found_on"] > begin) & (finds["found_on"] <= end)
    new &= finds["kind"].isin(kinds) & finds["panel"].isin(names) & finds["zone"].isin(zones)
    new &= finds["method"].str.startswith("tap")
    number = finds.loc[new, "kind"].map(kinds).value_counts()
    came = {mode.kind: int(number.get(mode.kind, 0)) for mode in ask.modes}
    return came, looks_made(evidence, group, begin, end)


def looks_made(evidence: Evidence, group: Group, begin: pd.Timestamp, end: pd.Timestamp) -> int:
    """Count looks that were made at the panels of a group in a time.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known today.
    group : Group
        The group, as it was put together on an earlier day.
    begin, end : Timestamp
        After the one and up to the other.

    Returns
    -------
    int
        Looks by a method that sees the first kind of damage of the question, wherever in the group [-].
    """
    ask = group.ask
    looks = evidence.all_looks(kind_asked(ask, ask.modes[0]), ask.basis)
    made = (looks["looked_on"] > begin) & (looks["looked_on"] <= end)
    made &= looks["panel"].isin(group.living.frame["panel"]) & looks["zone"].isin(
        evidence.zones_of((ask.group,))
    )
    return int(made.sum())
