"""The rules for an interval, each a function of the problem that gives an answer of its own, and how they combine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from kit.growth import delay_to
from kit.intervals.answer import RuleAnswer
from kit.intervals.packages import in_packages
from kit.intervals.problem import Problem, best, damaged_share, excess, meets, share_meeting
from kit.intervals.question import QuestionError
from kit.intervals.search import SEARCH_STEP, age_at_share, longest_meeting

SHORTEST_SHARE = 0.03
"""Shortest repeat interval that is examined, as a share of the horizon [-]."""


class Rule(NamedTuple):
    """One way to an interval.

    Parameters
    ----------
    name : str
        As a question names it in `govern`.
    field : str
        Field of the question that holds its numbers; where that is empty the rule is not asked.
    answer : callable
        From a problem to its answer.
    """

    name: str
    field: str
    answer: Callable[[Problem], RuleAnswer]


def first_look(problem: Problem) -> tuple[float, str, bool]:
    """Latest first look that the allowed share and the cap leave, in packages.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    age : float
        First look [units of the schedule's clock].
    words : str
        The same as packages.
    fits : bool
        Whether a package was short enough.
    """
    age = threshold_rule(problem).interval
    return in_packages(min(age, problem.cap), problem.packages, problem.unit, once=True)


def threshold_rule(problem: Problem) -> RuleAnswer:
    """Age by which, with the asked confidence, the allowed share of panels has damage of any kind.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        It always governs the first look.
    """
    ask, rule = problem.ask, problem.ask.threshold
    ages = np.geomspace(ask.horizon / 2000, ask.horizon, 400)
    upper = np.quantile(damaged_share(problem, ages)[1:], rule.confidence, axis=0)
    age = min(age_at_share(ages, upper, rule.allowed_share), ask.horizon)
    return RuleAnswer(
        "threshold",
        age,
        True,
        f"with {rule.confidence:.0%} confidence at most {rule.allowed_share:.1%} of panels have "
        f"damage by {age:,.0f} {problem.unit}",
    )


def risk_rule(problem: Problem) -> RuleAnswer:
    """Longest repeat whose risk meets the target in the asked share of the draws.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        With the first look where it had to be moved up to one repeat interval.
    """
    ask, target, unit = problem.ask, problem.ask.target, problem.unit
    words = (
        f"{target.measure.replace('_', ' ')} at most {target.per_10000_flight_hours:g} per 10,000 panel flight hours in "
        f"{target.share_of_draws:.0%} of draws"
    )
    first, _, _ = first_look(problem)
    longest = min(ask.horizon / 2, problem.cap)
    middle = min(problem.packages[0].length if problem.packages else ask.horizon / 8, longest)
    found, moved, examined = None, False, []
    for moved in (False, True):
        examined = []

        def over(repeat: float, moved: bool = moved, examined: list[float] = examined) -> float:
            examined.append(repeat)
            return excess(problem, min(first, repeat) if moved else first, repeat)

        found = longest_meeting(over, middle, longest, ask.horizon * SHORTEST_SHARE)
        if found is not None:
            break
    if found is None:
        shortest = min(examined)
        share = share_meeting(problem, min(first, shortest), shortest)
        reason = f"{words}: not met even at {shortest:,.0f} {unit} ({share:.0%} of draws meet it)"
        return RuleAnswer("risk", None, False, reason, examined=tuple(examined))
    # The search stops within 2 %: a package multiple just above its answer is tried itself.
    start = min(first, found) if moved else None
    above, _, fits = in_packages(found * SEARCH_STEP, problem.packages, unit)
    if (
        fits
        and found < above <= longest
        and meets(problem, first if start is None else min(first, above), above)
    ):
        found = above
    ends = " (longest examined)" if found >= longest * (1 - 1e-9) else ""
    return RuleAnswer(
        "risk",
        found,
        False,
        f"{words}: up to {found:,.0f} {unit}{ends}",
        first=start,
        examined=tuple(examined),
    )


def growth_window_rule(problem: Problem) -> RuleAnswer:
    """Repeat from the time that growth needs from the detectable size to the limit.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        The shortest over the kinds of damage; none where the detectable size is not below the limit.
    """
    rule, limit = problem.ask.growth_window, problem.limit_mm
    shortest, reason = None, ""
    for kind in problem.kinds:
        _, _, growth, curve = best(kind)
        size = curve.size_at(rule.detectable_pod)
        rate = float(growth.rate_quantile(rule.growth_percentile))
        if not size < limit:
            reason = (
                f"no window: the size found with POD {rule.detectable_pod:g} ({size:.0f} mm) is not below the limit "
                f"({limit:.0f} mm)"
            )
            return RuleAnswer("growth_window", None, False, reason)
        window = float(delay_to(growth.form, size, rate, limit)) / rule.opportunities
        if shortest is None or window < shortest:
            shortest = window
            reason = (
                f"{kind.kind} grows from {size:.0f} to {limit:.0f} mm in {window * rule.opportunities:,.0f} "
                f"{problem.unit} at the {rule.growth_percentile:.0%} rate; {rule.opportunities} looks wanted"
            )
    return RuleAnswer("growth_window", shortest, False, reason)


RULES = (Rule("risk", "target", risk_rule), Rule("growth_window", "growth_window", growth_window_rule))
"""Every rule for the repeat interval, in the order in which answers are shown."""


@dataclass(frozen=True, kw_only=True)
class Schedule:
    """What the rules come to together.

    Parameters
    ----------
    first, repeat : float or None
        First look and spacing after it [units of the schedule's clock]; None where a rule has no answer.
    first_words, repeat_words : str
        The same as packages.
    governed_by : str
        Rule that set the repeat.
    rules : tuple of RuleAnswer
        Every rule's own answer.
    at : tuple of (float, float)
        First look and repeat whose risk is shown: the schedule, or the shortest examined.
    notes : tuple of str
        What the reader must know of it.
    """

    first: float
    repeat: float | None
    first_words: str
    repeat_words: str
    governed_by: str
    rules: tuple[RuleAnswer, ...]
    at: tuple[float, float]
    notes: tuple[str, ...]


def combine(problem: Problem) -> Schedule:
    """Ask every rule, and put the answers together.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    Schedule
        The smallest answer of the rules that govern, never more than the cap, in packages.

    Raises
    ------
    QuestionError
        If a repeat would exceed the cap; it is not printed.
    """
    ask, unit, packages, notes = problem.ask, problem.unit, problem.packages, []
    threshold = threshold_rule(problem)
    first, first_words, fits = first_look(problem)
    if packages and not fits:
        notes.append(f"threshold: no package is as short as {first:,.0f} {unit}")
    answers = [rule.answer(problem) for rule in RULES if getattr(ask, rule.field) is not None]
    asked = [one for one in answers if one.rule in ask.govern]
    for one in asked:
        if one.first is not None and one.first < first:
            first, first_words, _ = in_packages(one.first, packages, unit, once=True)
            notes.append("threshold moved up to one repeat interval, since the target is not met otherwise")
    repeat, words, governed = None, "none", "no answer"
    if all(one.interval is not None for one in asked):
        smallest, governed = min((one.interval, one.rule) for one in asked)
        if problem.cap <= smallest * (1 + 1e-9):
            smallest, governed = problem.cap, "cap"
        repeat, words, fits = in_packages(smallest, packages, unit)
        if packages and not fits:
            notes.append(f"repeat: no package is as short as {repeat:,.0f} {unit}")
        if repeat > problem.cap * (1 + 1e-9):
            raise QuestionError(
                f"question {ask.name}: {repeat:,.0f} {unit} exceeds the cap {problem.cap:,.0f}; it is not printed."
            )
    rules = [threshold, *(_shown(one, governed, one in asked) for one in answers)]
    if np.isfinite(problem.cap):
        reason = f"never longer than {problem.cap:,.0f} {unit}: {problem.cap_basis}"
        rules.append(RuleAnswer("cap", problem.cap, governed == "cap", reason))
    if repeat is not None and packages:
        rules.append(RuleAnswer("package", repeat, False, words))
    examined = next(one.examined for one in answers if one.rule == "risk")
    shortest = min(examined)
    return Schedule(
        first=first,
        repeat=repeat,
        first_words=first_words,
        repeat_words=words,
        governed_by=governed,
        rules=tuple(rules),
        at=(first, repeat) if repeat is not None else (min(first, shortest), shortest),
        notes=tuple(notes),
    )


def _shown(one: RuleAnswer, governed: str, asked: bool) -> RuleAnswer:
    """Say whether a rule governs; one that has no answer but should governs by that."""
    governs = one.rule == governed or (asked and one.interval is None)
    words = one.reason if asked else one.reason + " (shown for comparison, not asked to govern)"
    return replace(one, governs=governs, reason=words)
