"""Which threshold and repeat interval a fleet's evidence supports."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from kit.cautions import CAUTIONS
from kit.findings import TAP_METHODS, Fleet, need_fleet
from kit.intervals.answer import Answer
from kit.intervals.beliefs import Belief, beliefs, share_evidence
from kit.intervals.by_part import parts_side_by_side
from kit.intervals.cautions import (
    as_looked,
    due_cautions,
    held,
    judged,
    longest_flown,
    next_due,
    own_cautions,
    present_programme,
    share_judged,
    usage_cautions,
)
from kit.intervals.class_target import target_of_class
from kit.intervals.evidence import DAYS_PER_YEAR, ONSET_SPREAD, Evidence
from kit.intervals.held import is_on_prevented, share_meeting
from kit.intervals.monte_carlo import draws_words
from kit.intervals.named_pod import kind_asked, need_methods_that_see, with_numbers
from kit.intervals.open_traps import trap_cautions
from kit.intervals.open_warnings import units_that_cannot_be, warning_cautions
from kit.intervals.packages import package_lengths, shortest_on_clock
from kit.intervals.problem import Kind, Problem, damaged_share, summary
from kit.intervals.question import Question, QuestionError, StatedDetection, Target, read_question
from kit.intervals.reference import reference_used, with_pods
from kit.intervals.rules import Schedule, combine
from kit.intervals.slack import package_slack
from kit.intervals.structure import CLASS_BASIS
from kit.life import NoFiniteMaximum
from kit.numerics.forked import Mapped
from kit.posterior import PRIORS, FrailtyDraws, KindDraws
from kit.regions import equivalent_diameter, limits_in_force

_BEYOND_CAP = 1.5  # how far beyond the not-to-exceed limit the risk is shown, in units of it
_MOST_STEPS = 10  # repeats a round step apart of which the risk is shown
_OFTEN = 0.5  # above this share of panels with damage, recurrence matters and gets a caution


def recommend(fleet: Fleet | Evidence, question: Question | str | Path, *, run: Mapped = map) -> Answer:
    """Recommend a threshold and a repeat interval for one group of zones.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings; give an `Evidence` to ask several questions without working things out twice.
    question : Question, str or Path
        The question, or the path of its TOML file.
    run : callable
        How kinds of damage are gone through: `map`, one after the other; `kit.numerics.forked.forked_map`, on all cores,
        not in a notebook. The answer does not depend on it.

    Returns
    -------
    Answer
        The recommendation, each rule's own answer, the risk at and around it, and what it rests on.

    Raises
    ------
    QuestionError
        If the question is wrong, or the data cannot answer it as it stands; the message says what is
        missing and what to state in the question instead.

    Notes
    -----
    Threshold: the longest package multiple by which, with the asked confidence, at most the allowed
    share of panels has damage of any kind, and the target is kept to. Repeat: the longest package multiple
    whose risk meets the target in the asked share of parameter draws, with every shorter one that was
    examined meeting it too. The smallest answer of the rules named in `govern` counts, and never more than
    the cap of the programme. A check of the trade that fails is a caution, and holds the repeat back where
    the question's `gates` name it.
    """
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    with _named(read_question(question)) as ask:
        problem, believed, evidence = _put_together(fleet, ask, run)
        return _answer(problem, combine(problem), believed, evidence, run)


def allowed_by_risk(fleet: Fleet | Evidence, question: Question | str | Path) -> tuple[float, float]:
    """Work out of an answer only what is compared between many states of the data.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    question : Question, str or Path
        The question, or the path of its TOML file.

    Returns
    -------
    interval : float
        What the risk rule allows; nan where no interval meets the target [units of the schedule's clock].
    share : float
        Share of draws that meet the target at the interval that was proposed, else at the present one, else at the
        answer; as `recommend` gives it [-].

    Raises
    ------
    QuestionError
        As `recommend` does.
    """
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    with _named(read_question(question)) as ask:
        problem, _, evidence = _put_together(fleet, ask, map)
        problem = problem.changed(is_shown=False)  # one measure is enough
        schedule = combine(problem)
        found = next((one.interval for one in schedule.rules if one.rule == "risk"), None)
        present, _ = _task_interval(problem.ask, evidence, "repeat")
        if ask.proposed_repeat is not None:
            first, repeat = schedule.first, ask.proposed_repeat
        elif np.isfinite(present):
            first, repeat, problem = schedule.at[0], present, as_looked(problem)
        else:
            first, repeat = schedule.at
        share = share_judged(problem, first, repeat)
        return float("nan") if found is None else found, share


@contextmanager
def _named(ask: Question) -> Iterator[Question]:
    """Name the question in what is wrong with its data."""
    try:
        yield ask
    except QuestionError:
        raise
    except (NoFiniteMaximum, ValueError) as error:
        raise QuestionError(f"question {ask.name}: {error}") from None


def _put_together(
    fleet: Fleet | Evidence, ask: Question, run: Mapped
) -> tuple[Problem, tuple[Belief, ...], Evidence]:
    """Draw what the evidence leaves open, and put it together with what is asked."""
    evidence = (fleet if isinstance(fleet, Evidence) else Evidence(fleet)).as_known_on(ask.known_on)
    ask = with_numbers(ask, evidence.fleet)
    need_methods_that_see(ask)
    if wrong := units_that_cannot_be(evidence.fleet, ask.group):
        raise QuestionError(f"question {ask.name}: {wrong}")
    if run is not map:
        share_evidence(evidence, [ask], run=run)
    believed = beliefs(ask, evidence, run=run)
    draws, zones = (
        tuple(one.draws for one in believed),
        {one.draws.kind: one.zones for one in believed},
    )
    return problem_of(ask, evidence, draws, zones=zones), believed, evidence


def problem_of(
    ask: Question,
    evidence: Evidence,
    kinds: tuple[KindDraws, ...] | tuple[Kind, ...],
    *,
    zones: dict[str, FrailtyDraws] | None = None,
) -> Problem:
    """Put together what the rules need: the question, beliefs, limit, cap, packages and usage.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.
    kinds : tuple of KindDraws, or of Kind
        By kind of damage: joint draws, or what is known.
    zones : dict of str to FrailtyDraws, optional
        By kind: hazard of each zone over the mean of the group.

    Returns
    -------
    Problem
        Plain data.

    Raises
    ------
    QuestionError
        If no limit is in force, or a package is unknown.
    """
    per_day = evidence.units_per_day(ask.group)
    cap, cap_basis = _task_interval(ask, evidence, "cap")
    usages = evidence.usages(ask.group, ask.clock)
    try:
        packages = package_lengths(
            evidence.fleet.packages,
            ask.packages,
            ask.clock,
            [usage.clock_per_unit for usage in usages] + _busiest(ask, evidence),
        )
    except ValueError as problem:
        raise QuestionError(f"question {ask.name}: packages: {problem}") from None
    return Problem(
        ask=ask,
        kinds=kinds,
        usages=usages,
        zones=zones or {},
        limit_mm=_limit(ask, evidence),
        packages=tuple(packages),
        cap=cap,
        cap_basis=cap_basis,
        units_per_day=per_day,
        structure_class=evidence.structure_class(ask.group),
    )


def _busiest(ask: Question, evidence: Evidence) -> list[dict[str, float]]:
    """Return what the busiest aircraft flew, per unit of the schedule's clock: no package is shorter for it."""
    flown = evidence.busiest(ask.group, ask.clock)
    if flown is None or not flown[ask.clock] > 0:
        return []
    return [{clock: value / flown[ask.clock] for clock, value in flown.items()}]


def _limit(ask: Question, evidence: Evidence) -> float:
    """Limit as stated, or the smallest of those in force for the kinds asked about [mm]."""
    return float(_limits(ask, evidence)["diameter_mm"].min() if ask.limit_mm is None else ask.limit_mm)


def _limit_row(ask: Question, evidence: Evidence) -> pd.Series:
    """Row of the limits table that gives the limit."""
    chosen = _limits(ask, evidence).sort_values("diameter_mm", kind="stable")["limit"].iloc[0]
    limits = evidence.fleet.tables["limits"]
    return limits.loc[limits["limit"] == chosen].iloc[-1]


def _limits(ask: Question, evidence: Evidence) -> pd.DataFrame:
    """Return the limit in force for each kind asked about, in the field of the panel, as a diameter.

    Limits for the edge band or a fastener row are narrower than what the risk of a whole panel is about.
    """
    fleet, kinds = evidence.fleet, [kind_asked(ask, mode) for mode in ask.modes]
    n = len(kinds)
    rows = limits_in_force(fleet.tables["limits"], [ask.group] * n, ["field"] * n, [fleet.cut_off] * n, kinds)
    size = rows["size"].to_numpy(np.float64)
    diameter = np.where(rows["bounds"] == "area", equivalent_diameter(size), size)
    if ask.limit_counts == "as_bounded" and (rows["bounds"] == "longest_extent").any():
        longer, _ = evidence.extent_ratio(ask.growth_groups or (ask.group,))
        diameter = np.where(rows["bounds"] == "longest_extent", size / longer, diameter)
    none = [kind for kind, limit in zip(kinds, rows["limit"], strict=True) if limit == ""]
    if none:
        of_kind = "" if (fleet.tables["limits"]["kind"] == "").all() else f" and {', '.join(none)}"
        raise QuestionError(
            f"question {ask.name}: limits: no revision for group {ask.group!r}{of_kind} is in force on "
            f"{fleet.cut_off:%Y-%m-%d}. Add it to the limits table, or state limit_mm in the question."
        )
    return rows.assign(asked=kinds, diameter_mm=diameter)


def _tasks(ask: Question, evidence: Evidence) -> pd.DataFrame:
    """Tasks in force at the cut-off that tap the group."""
    fleet = evidence.fleet
    tasks = fleet.tables["tasks"]
    zones = set(evidence.zones_of((ask.group,)))
    in_force = (tasks["valid_from"] <= fleet.cut_off) & (
        tasks["valid_to"].isna() | (tasks["valid_to"] >= fleet.cut_off)
    )
    named = tasks["zones"].map(lambda cell: bool(zones & {z.strip() for z in cell.split(";")}))
    return tasks.loc[in_force & named & tasks["method"].str.startswith("tap")]


def _task_interval(ask: Question, evidence: Evidence, prefix: str) -> tuple[float, str]:
    """Shortest cap or repeat of the tasks in force on the question's clock, and its basis."""
    per_day = evidence.units_per_day(ask.group)
    shortest, basis = float("inf"), ""
    for row in _tasks(ask, evidence).to_dict("records"):
        amounts = {unit: row[f"{prefix}_{unit}"] for unit in ("flight_hours", "flight_cycles", "days")}
        value = shortest_on_clock(amounts, ask.clock, per_day)
        if value < shortest:
            shortest = value
            basis = f"task {row['task']}" + (f", {row['cap_basis']}" if prefix == "cap" else "")
    return shortest, basis


def _answer(
    problem: Problem, schedule: Schedule, believed: tuple[Belief, ...], evidence: Evidence, run: Mapped
) -> Answer:
    """Put the schedule, its risk and what it rests on together."""
    ask = problem.ask
    current, _ = _task_interval(ask, evidence, "repeat")
    parts, slack = parts_side_by_side(problem, schedule), package_slack(evidence, ask)
    own = own_cautions(
        problem,
        schedule,
        current=current,
        flown=longest_flown(problem, evidence),
        parts=parts,
        slack=slack,
        of_class=_of_class(problem, evidence),
    )
    schedule = held(schedule, own, ask.gates)
    due = None if schedule.repeat is None else next_due(problem, evidence, schedule.first, schedule.repeat)
    # What decides comes first, then what bears on this case, then what was weak in the data.
    notes = [
        f"no interval is recommended: {rule.reason}"
        for rule in schedule.rules
        if rule.interval is None and rule.governs
    ]
    drawn, unsure = draws_words(problem, schedule)
    notes += [*own.values(), *schedule.notes, *([unsure] if unsure else [])]
    notes += [] if due is None else due_cautions(due, problem.unit)
    notes += [note for one in believed for note in one.notes]
    notes += [*usage_cautions(problem, evidence), *_notes(problem, believed, evidence)]
    notes += warning_cautions(evidence.fleet, ask.group)
    notes += trap_cautions(evidence.traps, ask.group, {mode.clock for mode in ask.modes})
    answer = Answer(
        ask,
        _dataset(ask, evidence),
        tuple(one.mode for one in believed),
        problem.limit_mm,
        schedule.first,
        schedule.repeat,
        schedule.repeat_words,
        schedule.first_words,
        schedule.governed_by,
        schedule.rules,
        partial(_risk_curve, problem, schedule, current, run),
        summary(problem, *schedule.at),
        current if np.isfinite(current) else None,
        None if ask.proposed_repeat is None else judged(problem, schedule.first, ask.proposed_repeat),
        problem.units_per_day,
        assumptions=tuple(line for one in believed for line in one.assumptions)
        + _assumptions(problem)
        + ((drawn,) if drawn else ()),
        cautions=tuple(dict.fromkeys(notes)) + CAUTIONS,
        share_meeting=share_meeting(problem, *schedule.at),
        present=present_programme(problem, schedule, current),
        due=due,
        fleet=evidence.fleet,
        busiest_per_day=evidence.busiest(ask.group, ask.clock),
        parts=parts,
        slack=slack,
    )
    problem.forget_samples()  # its curve holds the problem for as long as the answer is held
    return answer


def _of_class(problem: Problem, evidence: Evidence) -> Target | None:
    """Return the target that the dataset states for the structure class, where the question has one of its own."""
    if problem.ask.target.structure_class is not None:
        return None
    return target_of_class(evidence.fleet, problem.structure_class)


def _risk_curve(problem: Problem, schedule: Schedule, current: float, run: Mapped) -> pd.DataFrame:
    """Risk against the repeat: what was examined, what a reader looks for, and even steps to beyond the cap.

    The first look is that of the schedule at its own repeat, elsewhere after one interval or at the threshold. What lies beyond
    the cap is never allowed; it shows what the cap buys.
    """
    ask = problem.ask
    longest = max(min(ask.horizon / 2, _BEYOND_CAP * problem.cap), ask.proposed_repeat or 0.0)
    marks = [times * package.length for package in problem.packages for times in (0.5, 1, 2, 3)]
    marks += [current, ask.proposed_repeat or float("inf"), *even_steps(longest)]
    repeats = {mark for mark in marks if ask.horizon / 60 <= mark <= longest} | {schedule.at[1]}
    repeats |= {repeat for rule in schedule.rules for repeat in rule.examined}
    latest = next(rule.interval for rule in schedule.rules if rule.rule == "threshold")

    def row_of(repeat: float) -> dict[str, float]:
        first = schedule.at[0] if repeat == schedule.at[1] else min(latest, repeat)
        row = {"repeat": repeat, "first": first, "share_meeting": share_meeting(problem, first, repeat)}
        for name, (value, low, high) in summary(problem, first, repeat).items():
            row |= {name: value, f"{name}_lower": low, f"{name}_upper": high}
        return row

    if problem.is_drawn:
        _ = problem.joint  # once, before processes part
    rows = list(run(row_of, sorted(repeats)))
    problem.forget_samples()
    return pd.DataFrame(rows)


def even_steps(longest: float) -> list[float]:
    """Return a few repeats a round step apart, up to the longest of which the risk is shown.

    Parameters
    ----------
    longest : float
        Longest repeat [any unit].

    Returns
    -------
    list of float
        Five to ten of them [same unit].

    Examples
    --------
    >>> even_steps(7500.0)
    [1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0]
    """
    power = 10.0 ** np.floor(np.log10(longest / _MOST_STEPS))
    step = next(
        power * times for times in (1.0, 2.0, 2.5, 5.0, 10.0) if power * times * _MOST_STEPS >= longest
    )
    return [float(step * k) for k in range(1, int(longest / step * (1 + 1e-12)) + 1)]


def _dataset(ask: Question, evidence: Evidence) -> dict[str, object]:
    fleet = evidence.fleet
    limit = None if ask.limit_mm is not None else _limit_row(ask, evidence)
    return {
        "name": fleet.name,
        "notice": fleet.notice,
        "known_on": f"{fleet.known_on:%Y-%m-%d}",
        "cut_off": f"{fleet.cut_off:%Y-%m-%d}",
        "rejected_rows": len(fleet.rejected),
        "warned_rows": len(fleet.warnings),
        "fingerprint": with_pods(evidence.fingerprint, fleet),
        "reference": reference_used(ask, evidence, limit),
    }


def _assumptions(problem: Problem) -> tuple[str, ...]:
    """List what does not come from data, whatever the kinds of damage."""
    ask, pod, per_day = problem.ask, problem.ask.detection, problem.units_per_day
    past = ask.past_detection
    lines = [
        _pod_words(pod) if past is None else f"looks to come: {_pod_words(pod)}",
        *([] if past is None else [f"past looks and the present programme: {_pod_words(past)}"]),
        *(
            f"{mode.far_side_share:.0%} of {mode.kind} is on the far side, found with POD up to "
            f"{pod.far_side_plateau:g} ({pod.basis})"
            for mode in ask.modes
            if mode.far_side_share
        ),
        *(
            [
                "what looks could prevent is counted as though all damage lay on the tapped side, with sizes at onset as they are or smaller: "
                "what cannot be prevented never lengthens an interval"
            ]
            if is_on_prevented(problem)
            else []
        ),
        "looks of one panel miss independently of each other, given its size",
        "one POD for all past looks, whoever made them and by whichever tap method",
        f"planned usage: {per_day['flight_hours'] * DAYS_PER_YEAR:,.0f} flight hours and "
        f"{per_day['flight_cycles'] * DAYS_PER_YEAR:,.0f} flight cycles a year",
        f"how sure they are, as standard deviations: log of a50 {pod.log_a50_sd:g}, log of the slope {pod.log_slope_sd:g}, logit "
        f"of the plateau {pod.logit_plateau_sd:g}, log of the factor from mapped to true size "
        f"{ask.log_measured_to_true_sd:g} (assumed where not stated, no source)",
        "weak priors of growth and of the size at onset (assumed, no source): log spread of rates about "
        f"{PRIORS['rate_log_sd'][0]:g}, of sizes at onset about {ONSET_SPREAD[0]:g}, median size at onset about 20 mm",
        *(
            f"the first onset of {mode.kind} in a panel's life counts, not what comes back after a repair"
            if mode.restoration is None
            else f"damage of {mode.kind} comes back after a repair as the fitted restoration says"
            if mode.restoration == "fit"
            else f"a repair of {mode.kind} leaves {mode.restoration:.0%} of the panel's age: damage comes back accordingly"
            for mode in ask.modes
        ),
        "damage types arise independently of each other",
        _class_words(problem),
        *([f"target: {ask.target.words} ({basis})"] if (basis := _target_basis(ask.target)) else []),
    ]
    if ask.target.window_flight_hours is not None:
        lines.append("damage beyond the limit is found no more surely than damage at the limit")
    if ask.measured_to_true != 1:
        lines.append(f"true size is {ask.measured_to_true:g} times the size as mapped")
    if "implied" in ask.basis:
        lines.append("a closed card means that its zones were tapped and clean unless it says otherwise")
    if ask.growth_groups:
        lines.append("growth and size at onset are shared by the zone groups " + ", ".join(ask.growth_groups))
    return tuple(lines)


def _pod_words(pod: StatedDetection) -> str:
    """Say a POD with its method and basis."""
    return f"POD of {pod.method}: a50 {pod.a50_mm:g} mm, slope {pod.slope:g}, plateau {pod.plateau:g} ({pod.basis})"


def _target_basis(target: Target) -> str:
    """Say where a target comes from; nothing where the question alone states it."""
    if target.structure_class is None:
        return target.basis
    return f"as the dataset states for structure of class {target.structure_class}: {target.basis}"


def _class_words(problem: Problem) -> str:
    """Say what governs and what the target is held against, and where that comes from."""
    ask, structure = problem.ask, problem.structure_class or "unknown"
    rules = f"the smallest answer of {', '.join(name.replace('_', ' ') for name in problem.govern)} governs"
    held = f"the target is held against the {problem.held_against.replace('_', ' ')}"
    by_class = f"as structure of class {structure} asks ({CLASS_BASIS})"
    return (
        f"{rules}, {by_class if ask.govern is None else 'as the question says'}; "
        f"{held}, {by_class if ask.held_against is None else 'as the question says'}"
    )


def _suspect_sizes(ask: Question, evidence: Evidence) -> int:
    """Count the sizes that the answer would rest on, were their unit not in doubt."""
    regions = evidence.regions
    kinds = {kind_asked(ask, mode) for mode in ask.modes if "fit" in (mode.growth, mode.onset)}
    there = regions["zone"].isin(evidence.zones_of(ask.growth_groups or (ask.group,)))
    of_it = there & regions["kind"].isin(kinds) & regions["method"].isin(TAP_METHODS)
    return int((of_it & regions["unit_suspect"]).sum())


def _notes(problem: Problem, believed: tuple[Belief, ...], evidence: Evidence) -> list[str]:
    """List what the reader must know of the data and of the horizon."""
    ask, notes = problem.ask, []
    suspect = _suspect_sizes(ask, evidence)
    if suspect:
        notes.append(
            f"{suspect} sizes of these kinds and groups are left out of growth and size at onset: their unit is suspect"
        )
    for mode in ask.modes:
        if (seen := kind_asked(ask, mode)) != mode.kind:
            notes.append(
                f"{mode.kind} is not seen by {ask.looked_with.method}: it is read as {seen}, the bond that moisture broke"
            )
    if ask.limit_mm is None:
        limits = _limits(ask, evidence)
        if limits["diameter_mm"].nunique() > 1:
            each = ", ".join(f"{row.asked} {row.diameter_mm:g} mm" for row in limits.itertuples())
            notes.append(
                f"the limits differ by kind ({each}): the smallest, {problem.limit_mm:g} mm, is used for all of them"
            )
        long = limits.loc[limits["bounds"] == "longest_extent"]
        if len(long) and ask.limit_counts == "as_diameter":
            notes.append(
                "the limit bounds the longest extent and was taken for a diameter, as records before form 4 did: damage that is "
                "longer than wide reaches the limit before the risk says so"
            )
        elif len(long):
            ratio, basis = evidence.extent_ratio(ask.growth_groups or (ask.group,))
            notes.append(
                f"the limit bounds the longest extent ({long['size'].min():g} mm); sizes here are equivalent diameters, of which "
                f"{long['size'].min() / ratio:.0f} mm counts as that long: the longest extent is {ratio:.2f} times the diameter or less "
                f"in nine of ten damages ({basis})"
            )
    damaged = float(damaged_share(problem, np.array([ask.horizon]))[0, 0])
    if damaged > _OFTEN and any(mode.restoration is None for mode in ask.modes):
        notes.append(
            f"{damaged:.0%} of panels have damage before the horizon; where the question counts only the first of a "
            "kind, the risk from damage that comes back after a repair is not in it"
        )
    oldest = max(
        float(np.max(one.mode.histories.lower, initial=0.0)) / one.mode.units_per_schedule_unit
        for one in believed
    )
    if ask.horizon > oldest * 1.001:
        notes.append(
            f"the horizon of {ask.horizon:,.0f} {ask.clock.replace('_', ' ')} is beyond the oldest age seen "
            f"({oldest:,.0f}): the far end is extrapolated"
        )
    return notes
