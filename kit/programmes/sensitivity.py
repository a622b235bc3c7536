"""What would change the answer: each stated or assumed value re-run low and high, and what more evidence is worth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, gammaln, logit

from kit.cautions import CAUTIONS
from kit.findings import Fleet
from kit.intervals import (
    DAYS_PER_YEAR,
    Evidence,
    Problem,
    Question,
    QuestionError,
    Usage,
    beliefs,
    monte_carlo_error,
    problem_of,
    read_question,
    risk_rule,
    risks,
    shortest_look,
    threshold_rule,
    with_numbers,
)
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.numerics.words import number, percent
from kit.programmes.change import simulate_programme
from kit.programmes.group import Group, Progress, group_of
from kit.programmes.programme import Programme, events_of, look_days
from kit.programmes.result import Tabled
from kit.programmes.usage import PanelUsage

DRAWS = 96
"""Joint draws of each re-run; all share their random numbers, so that differences are told by fewer than a recommendation."""

_Z = 1.645  # standard deviations on either side that a stated spread is followed: 5 % and 95 %
_STEP = 0.25
"""Change on either side of a value that states no spread of its own (common practice, no source)."""
_USAGE_STEP = 0.10
_REPEATS = 14
_OUTCOMES = 64
_TRIAL = {"flaws": 30, "inspectors": 3}


def _after(unit: str) -> str:
    """Write a unit after a number; what has none gets none."""
    return "" if unit == "-" else f" {unit}"


@dataclass(frozen=True, kw_only=True)
class Varied:
    """One stated or assumed value with a low and a high one in its place.

    Parameters
    ----------
    name, unit : str
        In words.
    base, low, high : float
        As stated, and on either side.
    basis : str
        Why these.
    apply : callable
        Makes the question with another value.
    moves : str
        What it bears on: ``evidence`` (all is drawn again), ``problem`` (the same draws are judged otherwise), or
        ``usage``, which is no part of a question.
    """

    name: str
    unit: str
    base: float
    low: float
    high: float
    basis: str
    apply: Callable[[Question, float], Question]
    moves: str = "evidence"


def stated_values(ask: Question, *, limit_mm: float) -> tuple[Varied, ...]:
    """List every value of a question that is stated or assumed and does not come from data.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    limit_mm : float
        Limit that is in force [mm].

    Returns
    -------
    tuple of Varied
        With low and high values from the spread that is stated beside them, or 25 % on either side.
    """
    pod, in_words = ask.detection, ask.clock.replace("_", " ")
    stated = "5 % and 95 % of the stated spread"
    assumed = "logit 0.5 on either side, assumed"
    out = [
        _times("POD: a50", "mm", pod.a50_mm, pod.log_a50_sd, "detection.a50_mm", stated),
        _times("POD: slope", "-", pod.slope, pod.log_slope_sd, "detection.slope", stated),
        _share("POD: plateau", pod.plateau, pod.logit_plateau_sd or 0.3, "detection.plateau", stated),
    ]
    if any(mode.far_side_share for mode in ask.modes):
        out.append(
            _share("POD: far-side plateau", pod.far_side_plateau, 0.3, "detection.far_side_plateau", assumed)
        )
    sure = ask.log_measured_to_true_sd
    out.append(_times("true over mapped size", "-", ask.measured_to_true, sure, "measured_to_true", stated))
    for i, mode in enumerate(ask.modes):
        kind, at, growth, onset = mode.kind.replace("_", " "), f"modes.{i}", mode.growth, mode.onset
        far = pod.logit_far_share_sd or 0.3
        out.append(
            _share(f"{kind}: far-side share", mode.far_side_share, far, f"{at}.far_side_share", stated)
        )
        if mode.assumed_shape is not None:
            prior, sd = "5 % and 95 % of its prior", mode.shape_log_sd or 0.35
            out.append(_times(f"{kind}: shape", "-", mode.assumed_shape, sd, f"{at}.assumed_shape", prior))
        if mode.restoration is not None and mode.restoration != "fit":
            left = float(mode.restoration)
            out.append(
                Varied(
                    name=f"{kind}: left of the age by a repair",
                    unit="-",
                    base=left,
                    low=max(left - _STEP, 0.0),
                    high=min(left + _STEP, 1.0),
                    basis="0.25 on either side, as no spread is stated",
                    apply=_sets(f"{at}.restoration"),
                    moves="problem",
                )
            )
        if growth != "fit":
            rate, spread, still = (
                f"{at}.growth.{name}" for name in ("rate_median", "rate_log_sd", "no_growth_share")
            )
            out += [
                _times(
                    f"{kind}: growth rate",
                    "mm per clock unit",
                    growth.rate_median,
                    growth.log_rate_sd,
                    rate,
                    stated,
                ),
                _times(f"{kind}: spread of rates", "-", growth.rate_log_sd, 0.0, spread, stated),
                _share(f"{kind}: share that stands still", growth.no_growth_share, 0.5, still, assumed),
            ]
        if onset != "fit":
            size, spread = f"{at}.onset.median_mm", f"{at}.onset.log_sd"
            out += [
                _times(f"{kind}: size at onset", "mm", onset.median_mm, onset.log_median_sd, size, stated),
                _times(f"{kind}: spread of sizes at onset", "-", onset.log_sd, 0.0, spread, stated),
            ]
    out += [
        Varied(
            name="limit",
            unit="mm",
            base=limit_mm,
            low=limit_mm * 0.9,
            high=limit_mm * 1.1,
            basis="10 % on either side: how it is measured",
            apply=_sets("limit_mm"),
            moves="problem",
        ),
        replace(_times("horizon", in_words, ask.horizon, 0.0, "horizon", stated), moves="problem"),
        Varied(
            name="planned usage",
            unit="times",
            base=1.0,
            low=1 - _USAGE_STEP,
            high=1 + _USAGE_STEP,
            basis="10 % on either side",
            apply=lambda one, _: one,
            moves="usage",
        ),
    ]
    return tuple(one for one in out if one is not None)


def _times(name: str, unit: str, base: float, log_sd: float, path: str, basis: str) -> Varied:
    """Vary a positive value by a factor either way."""
    sd = log_sd if log_sd > 0 else np.log1p(_STEP) / _Z
    low, high = (float(base * np.exp(z * sd)) for z in (-_Z, _Z))
    why = basis if log_sd > 0 else "25 % on either side, as no spread is stated"
    return Varied(name=name, unit=unit, base=float(base), low=low, high=high, basis=why, apply=_sets(path))


def _share(name: str, base: float, sd: float, path: str, basis: str) -> Varied | None:
    """Vary a share by its odds; one that is none or all stays."""
    if not 0 < base < 1:
        return None
    low, high = (float(expit(logit(base) + z * sd)) for z in (-_Z, _Z))
    return Varied(name=name, unit="-", base=float(base), low=low, high=high, basis=basis, apply=_sets(path))


def _sets(path: str) -> Callable[[Question, float], Question]:
    """Return what makes a question with another value at a dotted path."""

    def put(part, names: list[str], value: float):
        if not names:
            return value
        head, *rest = names
        if isinstance(part, tuple):
            at = int(head)
            return (*part[:at], put(part[at], rest, value), *part[at + 1 :])
        return part.model_copy(update={head: put(getattr(part, head), rest, value)})

    return lambda ask, value: put(ask, path.split("."), value)


@dataclass(frozen=True, eq=False, kw_only=True)
class Tornado(Tabled):
    """How far each stated or assumed value moves the interval of the risk rule.

    Parameters
    ----------
    ask : Question
        The question.
    base : float
        Interval as stated, before cap and packages; 0 where none meets the target [units of the schedule's clock].
    error : float
        Relative standard error of that interval from the number of draws alone; nan where it cannot be told [-].
    frame : DataFrame
        A row a value, that moves the interval most on top: name, unit, base, low, high, basis, interval_low,
        interval_high (intervals with the low and the high value), moves (between the two).
    worth : DataFrame
        A row for each kind of further evidence: evidence, now, after (interval, on average over what it may show),
        after_lower, after_upper, longer (chance that the interval gets longer).
    assumptions : tuple of str
        What does not come from data.
    notes : tuple of str
        What the reader must know of this case.
    """

    ask: Question
    base: float
    error: float
    frame: pd.DataFrame
    worth: pd.DataFrame
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = (
            "each value is moved by itself: what moves together moves the interval further",
            f"{self.ask.draws} joint draws leave the interval sure to about {percent(self.error)} (one standard error): re-runs share "
            "their random numbers, yet a change by less than twice that can be chance",
        )
        return (*own, *self.notes, *CAUTIONS)

    @property
    def _noise(self) -> float:
        """Relative change below which nothing is said to hang on a value."""
        return max(2 * self.error, 0.05) if np.isfinite(self.error) else 0.05

    def __repr__(self) -> str:
        """Return one line."""
        first = self.frame.iloc[0]
        return f"Tornado({self.ask.name}: {self.base:,.0f}, most by {first['name']} ({first['interval_low']:,.0f} to {first['interval_high']:,.0f}))"

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            What moves the interval most, what does not, and what more evidence is worth.
        """
        unit = self.ask.clock.replace("_", " ")
        out = [
            f"As stated, the risk rule of {self.ask.name} allows {self.base:,.0f} {unit} before not-to-exceed limit and packages."
            if self.base
            else f"As stated, no interval of {self.ask.name} meets the target."
        ]
        for row in self.frame.head(3).itertuples():
            out.append(
                f"{row.name}: {number(row.low)}{_after(row.unit)} gives {row.interval_low:,.0f}, {number(row.high)} gives {row.interval_high:,.0f} ({row.basis})."
            )
        still = self.frame.loc[self.frame["moves"] <= self._noise * max(self.base, 1.0), "name"]
        if len(still):
            out.append(f"No more than chance hangs on {', '.join(still)}.")
        for row in self.worth.itertuples():
            out.append(
                f"{row.evidence}: {row.after:,.0f} {unit} on average ({row.after_lower:,.0f} to {row.after_upper:,.0f}) in place of "
                f"{row.now:,.0f}; longer with {row.longer:.0%} chance."
            )
        return tuple(out)


def tornado(
    fleet: Fleet | Evidence,
    question: Question | str | Path,
    *,
    draws: int = DRAWS,
    worth: bool = True,
    run: Mapped = map,
    say: Progress | None = None,
) -> Tornado:
    """Re-run a question with each stated or assumed value low and high.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    question : Question, str or Path
        The question.
    draws : int
        Joint draws of each re-run.
    worth : bool
        Whether the value of one more year of data and of one POD trial is worked out too.
    run : callable
        How re-runs are made: `map`, one after the other; `kit.numerics.forked.forked_map`, on all cores.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    Tornado
        Ranked by how far each value moves the interval.

    Raises
    ------
    QuestionError
        If the question as it stands cannot be answered.
    """
    tell = say or (lambda _: None)
    ask = read_question(question)
    evidence = (fleet if isinstance(fleet, Evidence) else Evidence(fleet)).as_known_on(ask.known_on)
    ask = with_numbers(ask, evidence.fleet).model_copy(update={"draws": max(int(draws), 50), "packages": ()})
    tell("as stated")
    problem = _problem(ask, evidence)
    base = _interval(problem)
    error = monte_carlo_error(problem, base, threshold_rule(problem).interval) if base else float("nan")
    values = stated_values(ask, limit_mm=problem.limit_mm)

    def answered(one: Varied | None) -> tuple:
        if one is not None:
            return _both_ways(problem, evidence, one, base)
        group = group_of(evidence, ask, draws=max(draws, 256), shared=False)
        return value_of_evidence(group), group.assumptions

    # What takes longest comes first.
    results = iter(run(answered, [*([None] if worth else []), *values]))
    gains = pd.DataFrame(columns=["evidence", "now", "after", "after_lower", "after_upper", "longer"])
    assumptions: tuple[str, ...] = ()
    if worth:
        tell("value of more evidence")
        gains, assumptions = next(results)
    rows, notes = [], []
    for one in values:
        tell(one.name)
        intervals, said = next(results)
        notes += said
        rows.append(
            {
                "name": one.name,
                "unit": one.unit,
                "base": one.base,
                "low": one.low,
                "high": one.high,
                "basis": one.basis,
                "interval_low": intervals[0],
                "interval_high": intervals[1],
                "moves": float(np.nanmax([*intervals, base]) - np.nanmin([*intervals, base])),
            }
        )
    frame = pd.DataFrame(rows).sort_values(["moves", "name"], ascending=[False, True], kind="stable")
    return Tornado(
        ask=ask,
        base=base,
        error=error,
        frame=frame.reset_index(drop=True),
        worth=gains,
        assumptions=assumptions,
        notes=tuple(notes),
    )


def _both_ways(
    problem: Problem, evidence: Evidence, one: Varied, base: float
) -> tuple[tuple[float, float], list[str]]:
    """Intervals with the low and the high value in place of the stated one; nan, and why, where there is none."""
    intervals, notes = [], []
    for value in (one.low, one.high):
        try:
            intervals.append(base if value == one.base else _interval(_moved(problem, evidence, one, value)))
        except (QuestionError, ValueError) as error:
            notes.append(f"{one.name} at {number(value)} has no answer: {error}")
            intervals.append(np.nan)
    return (intervals[0], intervals[1]), notes


def _problem(ask: Question, evidence: Evidence) -> Problem:
    try:
        believed = beliefs(ask, evidence)
    except ValueError as error:
        if isinstance(error, QuestionError):
            raise
        raise QuestionError(f"question {ask.name}: {error}") from None
    kinds = tuple(one.draws for one in believed)
    return problem_of(ask, evidence, kinds, zones={one.draws.kind: one.zones for one in believed})


def _moved(problem: Problem, evidence: Evidence, one: Varied, value: float) -> Problem:
    """Return the problem with one value in another's place; what it does not bear on is not worked out again."""
    if one.moves == "usage":
        return _flown(problem, value)
    ask = one.apply(problem.ask, value)
    if one.moves == "evidence":
        return _problem(ask, evidence)
    kinds = tuple(
        draws
        if mode.restoration is None or mode.restoration == "fit"
        else replace(draws, restoration=np.full(draws.n, float(mode.restoration)))
        for draws, mode in zip(problem.kinds, ask.modes, strict=True)
    )
    return problem_of(ask, evidence, kinds, zones=problem.zones)


def _interval(problem: Problem) -> float:
    """Interval of the risk rule; 0 where not even the shortest meets the target."""
    found = risk_rule(problem).interval
    return 0.0 if found is None else float(found)


def _flown(problem: Problem, times: float) -> Problem:
    """Return the same with another planned usage: on a clock of use, days go by faster or slower."""
    clock = problem.ask.clock

    def changed(per_unit: dict[str, float]) -> dict[str, float]:
        if clock == "calendar_days":
            return {name: value if name == clock else value * times for name, value in per_unit.items()}
        return {name: value / times if name == "calendar_days" else value for name, value in per_unit.items()}

    usages = tuple(
        Usage(name=u.name, share=u.share, clock_per_unit=changed(u.clock_per_unit)) for u in problem.usages
    )
    per_day = {
        name: value if name == "calendar_days" else value * times
        for name, value in problem.units_per_day.items()
    }
    return problem.changed(usages=usages, units_per_day=per_day)


def value_of_evidence(
    group: Group,
    *,
    flaws: int = _TRIAL["flaws"],
    inspectors: int = _TRIAL["inspectors"],
    outcomes: int = _OUTCOMES,
) -> pd.DataFrame:
    """Work out what the interval would be after one more year of finds, or after one POD trial, on average.

    Parameters
    ----------
    group : Group
        The group.
    flaws, inspectors : int
        Known flaws of the trial, from a third of a50 to three times that, and inspectors who look at each.
    outcomes : int
        Outcomes that are simulated for each.

    Returns
    -------
    DataFrame
        Columns evidence, now, after, after_lower, after_upper, longer.

    Notes
    -----
    Each outcome is drawn from one of the joint draws, and makes the others more or less likely by its chance under them; the
    interval is then sought with the target met in the asked share of the draws so weighted. A year is its number of finds
    of each kind; that it also brings sizes and repeat mappings is left out, which errs to the small side.
    """
    ask, problem = group.ask, group.problem
    latest = threshold_rule(problem).interval
    repeats = np.geomspace(shortest_look(problem), ask.horizon / 2, _REPEATS)
    target = ask.target
    values = np.array([risks(problem, min(latest, r), r)[target.column][1:] for r in repeats])
    meets = np.minimum.accumulate((values <= target.per_10000_flight_hours).astype(float), axis=0)

    def supported(log_weight: Floats) -> float:
        weight = np.exp(log_weight - log_weight.max())
        share = meets @ (weight / weight.sum())
        enough = share >= target.share_of_draws - 1e-9
        if not enough[0]:
            return 0.0
        last = int(np.argmin(enough)) if not enough.all() else enough.size
        if last == enough.size:
            return float(repeats[-1])
        # Between two repeats by a straight line in the share.
        part = (share[last - 1] - target.share_of_draws) / max(share[last - 1] - share[last], 1e-12)
        return float(repeats[last - 1] * (repeats[last] / repeats[last - 1]) ** np.clip(part, 0, 1))

    rng = np.random.default_rng(np.random.SeedSequence([ask.seed, 53]))
    n = group.n_draws
    now, rows = supported(np.zeros(n)), []
    sources = rng.integers(0, n, outcomes)
    finds = _finds_of_a_year(group)
    simulated = rng.poisson(finds[sources])
    year = [(y[None] * np.log(finds) - finds - gammaln(y + 1)[None]).sum(axis=1) for y in simulated]
    pod = next(iter(group.draws.values())).pod
    sizes = np.repeat(ask.detection.a50_mm * np.geomspace(1 / 3, 3, flaws), inspectors)
    chance = pod.plateau[:, None] / (1 + (pod.a50[:, None] / sizes) ** pod.slope[:, None])
    chance = np.clip(chance, 1e-9, 1 - 1e-9)
    hits = rng.random((outcomes, sizes.size)) < chance[sources]
    trial = [(np.where(hit, np.log(chance), np.log1p(-chance))).sum(axis=1) for hit in hits]
    for words, weights in (
        ("one more year of finds", year),
        (f"one POD trial, {flaws} flaws by {inspectors} inspectors", trial),
    ):
        after = np.array([supported(one) for one in weights])
        low, high = np.quantile(after, [0.05, 0.95])
        rows.append(
            {
                "evidence": words,
                "now": now,
                "after": float(after.mean()),
                "after_lower": float(low),
                "after_upper": float(high),
                "longer": float(np.mean(after > now * 1.001)),
            }
        )
    return pd.DataFrame(rows)


def _finds_of_a_year(group: Group) -> Floats:
    """Work out the finds to be expected in the next year under each draw, by kind."""
    living = group.living
    usage = PanelUsage.of(living, None)
    ends = np.array([np.round(DAYS_PER_YEAR)])
    looks = look_days(Programme.in_force(group.evidence, group.ask), living, usage, days=float(ends[0]))
    expected, _ = simulate_programme(
        living,
        group.draws,
        events_of([looks], usage, ends),
        [dict.fromkeys(group.draws)],
        limit=group.limit_mm,
        multipliers=group.multipliers,
        seed=group.ask.seed,
        by_panel=True,
        measures=("finds",),
        lucky=False,
    )
    by_kind = (
        expected["finds"][0].sum(axis=2).reshape(group.n_draws, len(group.draws), len(living)).sum(axis=2)
    )
    return np.maximum(by_kind, 1e-9)
