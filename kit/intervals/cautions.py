"""What the trade would check first of a recommended interval, and which aircraft it finds already late."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from kit.growth import delay_to
from kit.intervals.beliefs import kind_asked
from kit.intervals.by_part import PartAnswer
from kit.intervals.class_target import is_looser
from kit.intervals.evidence import DAYS_PER_YEAR, Evidence
from kit.intervals.held import meets, share_meeting
from kit.intervals.problem import Problem, central, summary
from kit.intervals.question import Target
from kit.intervals.rules import NO_ANSWER, Schedule, sizes_found
from kit.intervals.slack import Slack, slack_words
from kit.intervals.structure import CLASS_BASIS
from kit.numerics.words import in_words
from kit.posterior import KindDraws

LARGEST_STEP = 1.34
"""A longer step than this from one interval to the next gets a caution (common practice, no source)."""
RELIABLY = 0.9
"""POD of a size that is said to be found reliably (common practice, no source) [-]."""
_FAST = 0.9  # percentile of the growth rate that a window is worked out for
_MOST_NAMED = 6


def own_cautions(
    problem: Problem,
    schedule: Schedule,
    *,
    current: float,
    flown: float,
    parts: Sequence[PartAnswer] = (),
    slack: Slack | None = None,
    of_class: Target | None = None,
) -> dict[str, str]:
    """Check a schedule as the trade would, one caution a check that it fails.

    Parameters
    ----------
    problem : Problem
        The problem.
    schedule : Schedule
        What the rules come to.
    current, flown : float
        Repeat of the programme, and longest time between two looks at one panel that was flown; infinite and nan where
        there is none [units of the schedule's clock].
    parts : sequence of PartAnswer
        What each part of the fleet would have alone.
    slack : Slack, optional
        Intervals as flown against nominal ones.
    of_class : Target, optional
        Target that the dataset states for the structure class, where the question has its own.

    Returns
    -------
    dict of str to str
        By the name that a gate of a question has: preventable, limit, growth_window, flown, step, present; and
        class, target, worst_zone, part, slack and limit_sure, which are no gates.
    """
    repeat, unit, out = schedule.repeat, problem.unit, {}
    risk = summary(problem, *schedule.at)
    beyond, prevented = risk["not_preventable"][0], risk["preventable"][0]
    if beyond > prevented:
        out["preventable"] = (
            f"{beyond / (beyond + prevented):.0%} of the damage beyond the limit arises beyond it or on the side that is not "
            "tapped: no interval prevents it. What could: a method that finds smaller damage or reaches both sides, a larger "
            "limit, replacement at an age"
        )
    out |= _set_aside(problem, schedule) | _looser(problem, schedule, of_class)
    out |= _who_misses(problem, schedule, parts) | _slack(problem, schedule, slack)
    windows = {}
    for kind in problem.kinds:
        growth, curve = central(problem, kind)
        size = curve.size_at(RELIABLY)
        surely = _found_surely(kind, RELIABLY)
        if not size < problem.limit_mm:
            found = f"{size:.0f} mm" if np.isfinite(size) else "no size at all"
            out["limit"] = (
                f"{kind.kind}: the limit of {problem.limit_mm:g} mm is not above the size found with POD {RELIABLY:g} ({found}); "
                "there is no detectable-growth interval to inspect in"
            )
        else:
            rate = float(growth.rate_quantile(_FAST))
            windows[kind.kind] = float(delay_to(growth.form, size, rate, problem.limit_mm))
            if surely is not None and not surely < problem.limit_mm:
                found = f"{surely:.0f} mm" if np.isfinite(surely) else "no size at all"
                out["limit_sure"] = (
                    f"{kind.kind}: the limit of {problem.limit_mm:g} mm is above the size found with POD {RELIABLY:g} ({size:.0f} "
                    f"mm), but not above what that is with 95 % confidence ({found})"
                )
    if repeat is not None and windows:
        name = min(windows, key=windows.get)
        if repeat > windows[name]:
            out["growth_window"] = (
                f"the repeat is {repeat / windows[name]:.1f} times the detectable-growth interval of {name} ({windows[name]:,.0f} {unit} from "
                f"the size found with POD {RELIABLY:g} to the limit at the {_FAST:.0%} rate): fast damage can pass between two looks"
            )
    if repeat is not None and repeat > flown * (1 + 1e-9):
        out["flown"] = (
            f"the repeat is longer than the longest time between two looks at one panel that was flown ({flown:,.0f} {unit})"
        )
    if repeat is not None and repeat > current * LARGEST_STEP:
        out["step"] = (
            f"the repeat interval is {repeat / current:.1f} times the present one: common practice (no source) is to "
            "step up by 10 % to 33 % and to watch one full new interval before the next step"
        )
    now = present_programme(problem, schedule, current)
    if now is not None and not now["meets"]:
        out["present"] = (
            f"the present repeat of {current:,.0f} {unit} misses the target: {now['share_meeting']:.0%} of draws meet it, "
            f"{problem.ask.target.share_of_draws:.0%} must"
        )
    return out


def _found_surely(kind: object, pod: float) -> float | None:
    """Size that is found with a POD in 95 % of the draws; infinite where there is none, None where POD is not drawn."""
    if not isinstance(kind, KindDraws):
        return None
    sizes = sizes_found(kind, pod)[1:]
    return float(np.quantile(sizes, 0.95, method="higher"))


def short_of(share: float, asked: float) -> str:
    """Return a share below another one in per cent, with as many digits as it takes to tell them apart.

    Parameters
    ----------
    share, asked : float
        What is met, and what was to be met [-].

    Returns
    -------
    str
        In per cent.

    Examples
    --------
    >>> short_of(0.397, 0.4), short_of(0.25, 0.4)
    ('39.7%', '25%')
    """
    words = (f"{share:.{digits}%}" for digits in range(6))
    asked_in = (f"{asked:.{digits}%}" for digits in range(6))
    return next((one for one, other in zip(words, asked_in, strict=True) if one != other), f"{share:.6%}")


def _who_misses(problem: Problem, schedule: Schedule, parts: Sequence[PartAnswer]) -> dict[str, str]:
    """Say where the mean of the fleet meets the target and a part of it, or its worst zone, does not."""
    if schedule.repeat is None or not problem.is_drawn:
        return {}
    out, asked = {}, problem.ask.target.share_of_draws
    if problem.held_against == "mean" and problem.zones:
        share = share_meeting(problem, *schedule.at, against="worst_zone")
        if share < asked - 1e-9:
            out["worst_zone"] = (
                f"the target is held against the mean of the group's zones; its worst zone, whichever that is, meets it in "
                f"{short_of(share, asked)} of draws, not in {asked:.0%}"
            )
    missing = [one for one in parts if one.share_meeting < asked - 1e-9]
    if missing:
        each = " and ".join(
            f"{one.name} ({one.share:.0%} of the panels) {short_of(one.share_meeting, asked)}, which alone would have "
            + (
                "no repeat interval"
                if one.repeat is None
                else f"its initial inspection at {one.first:,.0f} and repeat every {one.repeat:,.0f} {problem.unit}"
            )
            for one in missing
        )
        out["part"] = f"the target is met by the fleet as a whole, but not in {asked:.0%} of draws by {each}"
    return out


def _slack(problem: Problem, schedule: Schedule, slack: Slack | None) -> dict[str, str]:
    """Say where intervals are flown longer than they are named, and what that does to this one."""
    if slack is None or not slack.matters or schedule.repeat is None:
        return {}
    first, repeat = schedule.at
    flown = repeat * slack.upper
    share = share_meeting(problem, first, flown)
    words = slack_words(slack, flown, share, problem.ask.target.share_of_draws, problem.unit)
    return {"slack": words}


def _looser(problem: Problem, schedule: Schedule, of_class: Target | None) -> dict[str, str]:
    """Say where a question asks less than the dataset does for the structure class."""
    if of_class is None or (looser := is_looser(problem.ask.target, of_class)) is False:
        return {}
    asked = problem.with_target(of_class)
    share = share_meeting(asked, *schedule.at)
    how = "asks less than" if looser else "bounds another thing than"
    return {
        "target": f"the target of the question {how} that which the dataset states for structure of class {of_class.structure_class} "
        f"({of_class.words}, in {of_class.share_of_draws:.0%} of draws; {of_class.basis}): here {share:.0%} of draws meet that one"
    }


def _set_aside(problem: Problem, schedule: Schedule) -> dict[str, str]:
    """Say where a question leaves out a rule that its structure class asks for, and which would be shorter."""
    ask, by_class = problem.ask, problem.govern_by_class
    if ask.govern is None or schedule.repeat is None:
        return {}
    left_out = [
        f"{in_words(rule.rule)} ({'no interval will do' if rule.interval is None else f'{rule.interval:,.0f}'})"
        for rule in schedule.rules
        if rule.rule in by_class
        and rule.rule not in ask.govern
        and (rule.interval is None or rule.interval < schedule.repeat * (1 - 1e-9))
    ]
    if not left_out:
        return {}
    return {
        "class": f"structure of class {problem.structure_class or 'unknown'} asks for the smallest answer of all rules that bear on "
        f"safety ({CLASS_BASIS}); the question lets only {', '.join(ask.govern)} govern, and {' and '.join(left_out)} would be "
        "shorter"
    }


def held(schedule: Schedule, cautions: dict[str, str], gates: tuple[str, ...]) -> Schedule:
    """Hold a recommendation back where a check fails that the question made a gate.

    Parameters
    ----------
    schedule : Schedule
        What the rules come to.
    cautions : dict of str to str
        As `own_cautions` gives them.
    gates : tuple of str
        Checks that must hold.

    Returns
    -------
    Schedule
        Without a repeat where one fails.
    """
    failed = [cautions[name] for name in gates if name in cautions]
    if not failed or schedule.repeat is None:
        return schedule
    notes = tuple(f"held back, as the question asks: {words}" for words in failed)
    return replace(
        schedule, repeat=None, repeat_words="none", governed_by=NO_ANSWER, notes=notes + schedule.notes
    )


def present_programme(problem: Problem, schedule: Schedule, current: float) -> dict[str, object] | None:
    """Judge the repeat of the programme in force, with the schedule's first look and the POD of the looks that were made.

    Parameters
    ----------
    problem : Problem
        The problem.
    schedule : Schedule
        What the rules come to.
    current : float
        Repeat of the programme; infinite without one [units of the schedule's clock].

    Returns
    -------
    dict or None
        repeat, first, share_meeting, meets and risk, as of a proposal; None without a programme.
    """
    if not np.isfinite(current):
        return None
    return judged(as_looked(problem), schedule.at[0], current)


def as_looked(problem: Problem) -> Problem:
    """Put the same problem with looks to come made as past ones were.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    Problem
        The same one where nothing else is planned.
    """
    if all(not isinstance(kind, KindDraws) or kind.past_pod is None for kind in problem.kinds):
        return problem
    kinds = tuple(replace(kind, pod=kind.looked_with, past_pod=None) for kind in problem.kinds)
    return problem.changed(kinds=kinds)


def judged(problem: Problem, first: float, repeat: float) -> dict[str, object]:
    """Judge a schedule by the target.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    dict
        repeat, first, share_meeting, meets, and risk by measure with its band.
    """
    repeat = _not_shorter(problem, repeat)
    return {
        "repeat": repeat,
        "first": first,
        "share_meeting": share_meeting(problem, first, repeat),
        "meets": meets(problem, first, repeat),
        "risk": summary(problem, first, repeat),
    }


def share_judged(problem: Problem, first: float, repeat: float) -> float:
    """Return the share of draws that meet the target at a schedule, as `judged` gives it.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    float
        Share [-].
    """
    return share_meeting(problem, first, _not_shorter(problem, repeat))


def _not_shorter(problem: Problem, repeat: float) -> float:
    return max(repeat, problem.ask.horizon / 400)  # what is shorter has no more risk


def longest_flown(problem: Problem, evidence: Evidence) -> float:
    """Longest time between two looks at one panel of the group.

    Parameters
    ----------
    problem : Problem
        The problem.
    evidence : Evidence
        The fleet as known on the question's day.

    Returns
    -------
    float
        On the schedule's clock; that of the kind of damage whose looks were closest; nan where no panel was looked
        at twice [clock units].
    """
    longest = []
    for looks in _looks(problem, evidence):
        gaps = looks.sort_values(["panel", "age"], kind="stable").groupby("panel")["age"].diff()
        longest.append(float(gaps.max()) if len(gaps) else float("nan"))
    return float(np.min(longest))


def _looks(problem: Problem, evidence: Evidence) -> list[pd.DataFrame]:
    """Return panel and age of every look at the group that bears on each kind of damage, on the schedule's clock."""
    ask, out = problem.ask, []
    zones = evidence.zones_of((ask.group,))
    for mode in ask.modes:
        looks = evidence.all_looks(kind_asked(ask, mode), ask.basis)
        looks = looks.loc[looks["zone"].isin(zones)]
        age = evidence.ages(ask.clock).at(looks["panel"].to_numpy(object), looks["looked_on"].to_numpy())
        out.append(pd.DataFrame({"panel": looks["panel"].to_numpy(object), "age": age}).dropna())
    return out


def next_due(problem: Problem, evidence: Evidence, first: float, repeat: float) -> pd.DataFrame:
    """List when each panel of the group is due under a schedule.

    Parameters
    ----------
    problem : Problem
        The problem.
    evidence : Evidence
        The fleet as known on the question's day.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    DataFrame
        Columns aircraft, zone, panel, age, last_look, due_age [units of the clock; nan where unknown], due_on and
        is_late (due before the cut-off); the latest first, panels of unknown age at the end. A panel that was never looked
        at, or only before the first look, is due at the first look.
    """
    ask, fleet = problem.ask, evidence.fleet
    panels = fleet.tables["panels"]
    there = panels["zone"].isin(evidence.zones_of((ask.group,))) & panels["removed_on"].isna()
    out = panels.loc[there, ["aircraft", "zone", "panel"]].reset_index(drop=True)
    day = np.full(len(out), np.datetime64(fleet.cut_off))
    out["age"] = evidence.ages(ask.clock).at(out["panel"].to_numpy(object), day)
    # A look that cannot see one of the kinds does not do for it.
    each = [out["panel"].map(looks.groupby("panel")["age"].max()) for looks in _looks(problem, evidence)]
    last = np.min(np.array(each, np.float64), axis=0)
    out["last_look"] = last
    out["due_age"] = np.where(last >= first, last + repeat, first)
    out.loc[out["age"].isna(), "due_age"] = np.nan
    days = (out["due_age"] - out["age"]) / problem.units_per_day[ask.clock]
    out["due_on"] = fleet.cut_off + pd.to_timedelta(days.round(), unit="D")
    out["is_late"] = out["due_age"] < out["age"]
    return out.sort_values("due_on", kind="stable").reset_index(drop=True)


def due_cautions(due: pd.DataFrame, unit: str) -> list[str]:
    """Say which aircraft are late under the schedule, and of how many panels that cannot be told.

    Parameters
    ----------
    due : DataFrame
        As `next_due` gives it.
    unit : str
        Name of the clock's unit.

    Returns
    -------
    list of str
        None, one or two sentences.
    """
    notes = []
    late = due.loc[due["is_late"]]
    if len(late):
        by = late.assign(by=late["age"] - late["due_age"]).groupby("aircraft")["by"].max()
        by = by.sort_values(ascending=False, kind="stable")
        named = ", ".join(f"{aircraft} by {over:,.0f}" for aircraft, over in by.head(_MOST_NAMED).items())
        more = f" and {len(by) - _MOST_NAMED} more" if len(by) > _MOST_NAMED else ""
        notes.append(
            f"{len(late)} of {len(due)} panels on {len(by)} aircraft are past their next look under this schedule, the latest "
            f"{named}{more} [{unit}]: say what is done about them before it takes effect"
        )
    unknown = int(due["age"].isna().sum())
    if unknown:
        notes.append(f"{unknown} of {len(due)} panels are of unknown age: when they are due cannot be told")
    return notes


def usage_cautions(problem: Problem, evidence: Evidence) -> list[str]:
    """Say where planned usage lies outside what the aircraft of the group flew.

    Parameters
    ----------
    problem : Problem
        The problem.
    evidence : Evidence
        The fleet as known on the question's day.

    Returns
    -------
    list of str
        One for each subtype and clock whose planned usage lies outside what its aircraft flew over the last three
        years of readings.
    """
    notes, every = [], evidence.flown_per_day(problem.ask.group) * DAYS_PER_YEAR
    subtype = evidence.aircraft_of(problem.ask.group).set_index("aircraft")["subtype"]
    for usage in problem.usages:
        per_unit = usage.clock_per_unit
        of_it = every.loc[subtype.reindex(every.index).eq(usage.name)]
        for clock in every.columns:
            flown = of_it[clock].dropna()
            planned = per_unit[clock] / per_unit["calendar_days"] * DAYS_PER_YEAR
            if len(flown) and not flown.min() * 0.99 <= planned <= flown.max() * 1.01:
                notes.append(
                    f"planned usage of {usage.name}, {planned:,.0f} {clock.replace('_', ' ')} a year, is outside what its aircraft flew over "
                    f"the last three years ({flown.min():,.0f} to {flown.max():,.0f}, mean {flown.mean():,.0f})"
                )
    return notes
