"""The rules for an interval, each a function of the problem that gives an answer of its own, and how they combine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from kit.growth import delay_to
from kit.intervals.answer import RuleAnswer
from kit.intervals.held import deciding_onset, meets, share_meeting
from kit.intervals.packages import Package, in_packages
from kit.intervals.problem import (
    Problem,
    central,
    damaged_share,
    risks,
)
from kit.intervals.question import RULE_FIELDS, QuestionError
from kit.intervals.schedule_sums import MOST_LOOKS
from kit.intervals.search import SEARCH_STEP, age_at_share, longest_meeting
from kit.intervals.windows import PER_FLIGHT_HOURS
from kit.numerics.typing import Floats
from kit.numerics.words import number
from kit.posterior import KindDraws

_SHORTEST_DAYS = 60.0
"""Shorter spacings than this, or the shortest package, are no inspection programme (assumed, no source) [days]."""
_MOST_EXAMINED = 160  # up to the horizon; what is shorter would take minutes to work out
_COST_POINTS = 16  # repeats whose cost is compared
_SMALL_STEPS = 12  # of the search, that a schedule gives way by before it is sought anew
_START_DAYS = 365.25  # spacing with which a search begins, whatever is asked


NO_ANSWER, LONGEST = "no answer", "longest examined"
"""What governs where a rule that should govern has no answer, and where none was found that is too long."""


class Rule(NamedTuple):
    """One way to an interval.

    Parameters
    ----------
    name : str
        As a question names it in `govern`.
    answer : callable
        From a problem to its answer.
    """

    name: str
    answer: Callable[[Problem], RuleAnswer]


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

    def reached() -> float:
        ages = np.geomspace(ask.horizon / 2000, ask.horizon, 400)
        upper = np.quantile(damaged_share(problem, ages)[1:], rule.confidence, axis=0)
        return min(age_at_share(ages, upper, rule.allowed_share), ask.horizon)

    # The risk rule and every search ask for it again.
    age = problem.held_once(("threshold", rule.allowed_share, rule.confidence), reached)
    words = f"with {rule.confidence:.0%} confidence at most {rule.allowed_share:.1%} of panels have damage"
    if age >= ask.horizon * (1 - 1e-9):
        reason = f"{words} up to the horizon of {age:,.0f} {problem.unit}; no limit found up to there"
    else:
        reason = f"{words} by {age:,.0f} {problem.unit}"
    return RuleAnswer("threshold", age, True, reason)


def shortest_look(problem: Problem) -> float:
    """Shortest repeat interval that is examined.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    float
        60 days of planned usage, or the shortest package where that is less; never so short that more than 160
        looks fall before the horizon [units of the schedule's clock].
    """
    days = _SHORTEST_DAYS * problem.units_per_day[problem.ask.clock]
    return max(min([days, *(one.length for one in problem.packages)]), problem.ask.horizon / _MOST_EXAMINED)


def risk_rule(problem: Problem) -> RuleAnswer:
    """Longest repeat whose risk meets the target in the asked share of the draws.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        With the latest first look that goes with the interval, up to the age of the threshold rule.

    Raises
    ------
    QuestionError
        If the horizon does not hold two of the shortest intervals.

    Notes
    -----
    The interval is sought with the first look after one interval, or at the threshold where that comes first, so
    that a late first look is never paid for by a shorter repeat, nor an early one rewarded by a longer. Neither
    it nor the first look depends on cap and packages.
    """
    ask, target, unit = problem.ask, problem.ask.target, problem.unit
    latest = threshold_rule(problem).interval
    per_day = problem.units_per_day[ask.clock]
    shortest, longest = shortest_look(problem), ask.horizon / 2
    if shortest > longest:
        raise QuestionError(
            f"question {ask.name}: horizon: {ask.horizon:,.0f} {unit} lie inside the first interval: the shortest that is examined is "
            f"{shortest:,.0f}, and none beyond half the horizon can be told. Give at least {2 * shortest:,.0f}."
        )
    grid = {"unit": per_day, "start": _START_DAYS * per_day}
    examined: set[float] = set()

    def is_met(repeat: float) -> bool:
        examined.add(repeat)
        if problem.is_shown:
            risks(problem, min(latest, repeat), repeat)  # all measures at once
        return meets(problem, min(latest, repeat), repeat)

    found = longest_meeting(is_met, shortest=shortest, longest=longest, **grid)
    words = f"{target.words}, in {target.share_of_draws:.0%} of draws"
    tried = tuple(sorted(examined))
    if found is None:
        share = share_meeting(problem, min(latest, tried[0]), tried[0])
        need = f"{share:.0%} of draws meet it, {target.share_of_draws:.0%} must"
        reason = f"{words}: not met even by a look every {tried[0]:,.0f} {unit} ({need})"
        reason += _deciding_words(problem, min(latest, tried[0]), tried[0])
        return RuleAnswer("risk", None, False, reason, examined=tried)
    first = min(latest, latest_first_look(problem, enough=latest))
    if found >= longest * (1 - 1e-9):
        reason = f"{words}: no limit found up to {found:,.0f} {unit}, half the horizon, the longest examined"
    else:
        reason = f"{words}: up to {found:,.0f} {unit}"
    reason += _deciding_words(problem, min(latest, found), found)
    return RuleAnswer(
        "risk",
        found,
        False,
        reason,
        first=first,
        examined=tried,
        is_open=found >= longest * (1 - 1e-9),
    )


def _deciding_words(problem: Problem, first: float, repeat: float) -> str:
    """Say where fewer draws would meet a target on what looks can prevent if damage began smaller."""
    smaller = deciding_onset(problem, first, repeat)
    if smaller == 1:
        return ""
    return (
        f"; as though damage began at {smaller:.2g} times its size: so much begins beyond {problem.limit_mm:.3g} mm or near it that "
        "no look prevents it, and that less can be prevented is never a reason for a longer interval"
    )


def latest_first_look(problem: Problem, *, enough: float = np.inf) -> float:
    """Latest first look that the target allows.

    Parameters
    ----------
    problem : Problem
        The problem.
    enough : float
        Age from which on it does not matter by how much the latest one is later [units of the schedule's clock].

    Returns
    -------
    float
        Longest interval for which looks one, two and so on of it apart from new meet the target up to the age of
        the second look, or of one window where that is later [units of the schedule's clock].

    Notes
    -----
    It rests neither on the threshold nor on the repeat, so that no question gets a later first look for a worse
    input that shortens its repeat. With a target on the mean over the horizon alone there is none: the age of
    the threshold rule stands.
    """
    ask = problem.ask
    window = ask.target.window_flight_hours
    if window is None:
        return ask.horizon
    length = window / problem.hours_per_unit
    per_day = problem.units_per_day[ask.clock]

    def is_met(age: float) -> bool:
        return meets(problem, age, age, until=min(ask.horizon, max(2 * age, length)))

    shortest = shortest_look(problem)
    found = longest_meeting(
        is_met,
        shortest=shortest,
        longest=ask.horizon,
        unit=per_day,
        start=_START_DAYS * per_day,
        enough=enough,
    )
    return shortest if found is None else found


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
    if not problem.is_drawn:
        return RuleAnswer(
            "growth_window", None, False, "no detectable-growth interval: growth is known and not drawn"
        )
    share = problem.ask.target.share_of_draws
    shortest, reason = None, ""
    for kind in problem.kinds:
        windows, sizes = growth_windows(problem, kind, rule.detectable_pod, rule.growth_percentile)
        window, size = float(np.quantile(windows[1:], 1 - share)), float(sizes[0])
        if not window > 0:
            short = float(np.mean(windows[1:] <= 0))
            reason = (
                f"no detectable-growth interval: in {short:.0%} of draws the size of {kind.kind} found with POD {rule.detectable_pod:g} "
                f"({size:.0f} mm in the middle) is not below the limit ({limit:.0f} mm)"
            )
            return RuleAnswer("growth_window", None, False, reason)
        window /= rule.opportunities
        if shortest is None or window < shortest:
            shortest = window
            reason = (
                f"{kind.kind} grows from {size:.0f} to {limit:.0f} mm in {window * rule.opportunities:,.0f} "
                f"{problem.unit} or more in {share:.0%} of draws, at the {rule.growth_percentile:.0%} rate; "
                f"{rule.opportunities} looks wanted"
            )
    return RuleAnswer("growth_window", shortest, False, reason)


def growth_windows(problem: Problem, kind: KindDraws, pod: float, percentile: float) -> tuple[Floats, Floats]:
    """Time that growth needs from a size that is found with some POD to the limit, in each draw.

    Parameters
    ----------
    problem : Problem
        The problem.
    kind : KindDraws
        Kind of damage.
    pod : float
        POD of the detectable size [-].
    percentile : float
        Percentile of the growth rate between damages [-].

    Returns
    -------
    windows : ndarray, shape (1 + n_draws,)
        On the clock of the schedule, of the part of the fleet where it is shortest; 0 where there is none
        [clock units].
    sizes : ndarray, shape (1 + n_draws,)
        The detectable size; infinite where no size is found so surely [mm].
    """
    sizes = sizes_found(kind, pod)
    pace = max(usage.clock_per_unit[kind.clock] for usage in problem.usages)
    rate = kind.rate_median * pace * np.exp(kind.rate_log_sd * ndtri(percentile))
    windows = np.zeros(kind.n)
    for form in np.unique(kind.form):
        rows = (kind.form == form) & (sizes < problem.limit_mm)
        windows[rows] = delay_to(str(form), sizes[rows], rate[rows], problem.limit_mm)
    return windows, sizes


def sizes_found(kind: KindDraws, pod: float) -> Floats:
    """Size that is found with some POD, in each draw.

    Parameters
    ----------
    kind : KindDraws
        Kind of damage.
    pod : float
        POD [-].

    Returns
    -------
    ndarray, shape (1 + n_draws,)
        Infinite where no size is found so surely [mm].
    """
    curve = kind.pod
    with np.errstate(divide="ignore", invalid="ignore"):
        odds = np.where(curve.plateau > pod, pod / (curve.plateau - pod), np.inf)
        return curve.a50 * odds ** (1 / curve.slope)


def detection_chance_rule(problem: Problem) -> RuleAnswer:
    """Repeat with which the looks within the growth window all miss with an accepted chance only.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        The shortest over the kinds of damage; none where the window is empty or no number of looks is enough.
    """
    rule, limit = problem.ask.detection_chance, problem.limit_mm
    shortest, reason = None, ""
    for kind in problem.kinds:
        growth, curve = central(problem, kind)
        size = curve.size_at(rule.detectable_pod)
        if not size < limit:
            reason = f"no window: the size found with POD {rule.detectable_pod:g} is not below the limit"
            return RuleAnswer("detection_chance", None, False, reason)
        rate = float(growth.rate_quantile(rule.growth_percentile))
        window = float(delay_to(growth.form, size, rate, limit))
        # The damage begins to be detectable just after a look, so that the last look is at the limit.
        for n in range(1, _MOST_EXAMINED + 1):
            sizes = np.minimum(growth.grown(size, rate, window * np.arange(1, n + 1) / n), limit)
            missed = float(np.prod(1.0 - curve.pod(sizes)))
            if missed <= rule.accepted_miss:
                break
        else:
            reason = f"{kind.kind}: {n} looks in the window still miss with {missed:.2g}"
            return RuleAnswer("detection_chance", None, False, reason)
        if shortest is None or window / n < shortest:
            shortest = window / n
            reason = (
                f"{kind.kind}: {n} looks in the {window:,.0f} {problem.unit} from {size:.0f} to {limit:.0f} mm all miss with "
                f"{missed:.2g}, {rule.accepted_miss:g} is accepted; looks by one person are not independent of each other"
            )
    return RuleAnswer("detection_chance", shortest, False, reason)


def failure_finding_rule(problem: Problem) -> RuleAnswer:
    """Longest repeat that keeps the share of the time for which damage of any kind stands hidden.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        In the asked share of the draws; every look taken to find what is there, and to leave the panel as new.
    """
    asked, ask = problem.ask.failure_finding.unavailability, problem.ask
    ages = np.geomspace(ask.horizon / 2000, ask.horizon, 400)
    damaged = damaged_share(problem, ages)
    # Below the first age the share grows by a power at least as steep as the first step is.
    steps = np.diff(ages) * (damaged[:, 1:] + damaged[:, :-1]) / 2
    hidden = np.cumsum(np.concatenate([damaged[:, :1] * ages[0], steps], axis=1), axis=1) / ages
    share = np.quantile(hidden[1:], ask.target.share_of_draws, axis=0)
    interval = age_at_share(ages, share, asked)
    middle = age_at_share(ages, np.median(hidden[1:], axis=0), asked)
    is_open = interval >= ask.horizon * (1 - 1e-9)
    words = f"damage stands hidden for at most {asked:.2%} of the time"
    reason = (
        f"{words}: no limit found up to {interval:,.0f} {problem.unit}"
        if is_open
        else f"{words} in {ask.target.share_of_draws:.0%} of draws: up to {interval:,.0f} {problem.unit} (middle of the draws "
        f"{middle:,.0f}), if every look finds what is there"
    )
    return RuleAnswer("failure_finding", interval, False, reason, is_open=is_open)


def cost_rule(problem: Problem) -> RuleAnswer:
    """Repeat of least cost per flight hour, by the middle of the draws.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    RuleAnswer
        With the range of repeats that cost at most 5 % more.
    """
    cost, latest = problem.ask.cost, threshold_rule(problem).interval
    repeats = np.geomspace(shortest_look(problem), problem.ask.horizon / 2, _COST_POINTS)
    onset_rate = float(damaged_share(problem, np.array([problem.ask.horizon]))[0, 0]) / problem.ask.horizon
    totals = []
    for repeat in repeats:
        risk = {
            name: float(np.median(values[1:])) / PER_FLIGHT_HOURS
            for name, values in risks(problem, min(latest, repeat), repeat).items()
        }
        within = max(onset_rate / problem.hours_per_unit - risk["exceedances"], 0.0)
        totals.append(
            cost.look / (repeat * problem.hours_per_unit)
            + cost.repair * within
            + cost.beyond_limit * risk["exceedances"]
            + cost.beyond_hour * risk["exposure"]
        )
    least = int(np.argmin(totals))
    flat = repeats[np.array(totals) <= 1.05 * totals[least]]
    is_open = least == repeats.size - 1
    reason = (
        f"{totals[least]:.3g} per panel flight hour; from {flat[0]:,.0f} to {flat[-1]:,.0f} {problem.unit} it costs at most 5 % "
        "more"
    )
    if is_open:
        reason += f"; no limit found up to {repeats[-1]:,.0f} {problem.unit}"
    return RuleAnswer("cost", float(repeats[least]), False, reason, is_open=is_open)


RULES = (
    Rule("risk", risk_rule),
    Rule("growth_window", growth_window_rule),
    Rule("detection_chance", detection_chance_rule),
    Rule("failure_finding", failure_finding_rule),
    Rule("cost", cost_rule),
)
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


def settle(
    problem: Problem, first: float, repeat: float, *, packages: tuple[Package, ...] | None = None
) -> tuple[float, float | None]:
    """Change a schedule that does not meet the target as little as makes it meet it.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        Latest first look and longest repeat [units of the schedule's clock].
    packages : tuple of Package, optional
        Packages to keep to; default those of the problem.

    Returns
    -------
    first, repeat : float
        A schedule that meets the target, in packages where there are some; never later nor longer than what was
        given. The repeat is None where there is none.

    Notes
    -----
    Looks that fall otherwise than those that a rule examined can find less, above all with a later first look.
    The repeat gives way before the first look, since the first look rests on nothing else; it gives way by small
    steps, so that what just misses the target never costs much more than what just meets it. Where no
    repeat is short enough, the first look moves up, towards looks one repeat apart from new, which the rule examined.
    """
    per_day = problem.units_per_day[problem.ask.clock]
    shortest, packages = shortest_look(problem), problem.packages if packages is None else packages

    def longest(is_met: Callable[[float], bool], low: float, high: float) -> float | None:
        """Return the longest that meets the target, in packages as far as there are some so short."""
        at = high
        while (choice := in_packages(at * (1 - 1e-6), packages, problem.unit))[2] and choice[0] >= low:
            at = choice[0]
            if is_met(at):
                return at
        # Mostly a step or two are enough; what needs many is not worth one trial each.
        for _ in range(_SMALL_STEPS):
            at /= SEARCH_STEP
            if at <= low:
                break
            if is_met(at):
                return at
        return longest_meeting(
            is_met, shortest=low, longest=max(at, low), unit=per_day, start=_START_DAYS * per_day
        )

    if meets(problem, first, repeat):
        return first, repeat
    shorter = longest(lambda every: meets(problem, first, every), min(shortest, repeat), repeat)
    if shorter is not None:
        return first, shorter
    if repeat < first:
        earlier = longest(lambda age: meets(problem, age, repeat), repeat, first)
        if earlier is not None:
            return earlier, repeat
    both = longest(lambda every: meets(problem, every, every), min(shortest, repeat), min(first, repeat))
    return (first, None) if both is None else (both, both)


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
        If a repeat would exceed the cap; it is not printed. If the cap leaves more than 2,000 looks up to the horizon.
    """
    ask, unit, packages, notes = problem.ask, problem.unit, problem.packages, []
    if problem.cap * MOST_LOOKS < ask.horizon:
        raise QuestionError(
            f"question {ask.name}: horizon: under the not-to-exceed limit of {number(problem.cap)} {unit} more than {MOST_LOOKS:,} looks fall "
            f"before {ask.horizon:,.0f}, for which no risk is worked out. Give at most {problem.cap * MOST_LOOKS:,.0f}."
        )
    threshold = threshold_rule(problem)
    answers = [rule.answer(problem) for rule in RULES if getattr(ask, RULE_FIELDS[rule.name]) is not None]
    answers = [_sensible(problem, one) for one in answers]
    asked = [one for one in answers if one.rule in problem.govern]
    earliest = min([threshold.interval, *(one.first for one in asked if one.first is not None)])
    free = _free_schedule(problem, asked, earliest)
    latest = min(earliest, problem.cap, free[0])
    first, first_words, fits = in_packages(latest, packages, unit, once=True)
    if packages and not fits:
        notes.append(f"threshold: no package is as short as {first:,.0f} {unit}")
    if latest < min(threshold.interval, problem.cap) * (1 - 1e-9):
        notes.append(
            f"initial inspection moved up from {min(threshold.interval, problem.cap):,.0f} to {latest:,.0f} {unit}, since the "
            "target is not met otherwise"
        )
    repeat, words, governed = None, "none", NO_ANSWER
    if all(one.interval is not None for one in asked):
        smallest, governed = min((one.interval, LONGEST if one.is_open else one.rule) for one in asked)
        longest, _, _ = in_packages(min(smallest, problem.cap), packages, unit)
        smallest = min(smallest, free[1])
        if problem.cap <= smallest * (1 + 1e-9):
            smallest, governed = problem.cap, "cap"
        wished, (repeat, words, fits) = first, in_packages(smallest, packages, unit)
        if "risk" in problem.govern:
            first, repeat = settle(problem, first, repeat)
        if repeat is None:
            notes.append(
                f"no interval is recommended: with the initial inspection at {first:,.0f} {unit} the target is not met even by a look "
                f"every {shortest_look(problem):,.0f} after it"
            )
            words, governed = "none", NO_ANSWER
        else:
            first, first_words, _ = in_packages(first, packages, unit, once=True)
            repeat, words, fits = in_packages(repeat, packages, unit)
            if first < wished * (1 - 1e-9):
                notes.append(
                    f"initial inspection moved up to {first:,.0f} {unit}, since the target is not met otherwise"
                )
            if repeat < longest * (1 - 1e-9):
                notes.append(
                    f"repeat shortened from {longest:,.0f} to {repeat:,.0f} {unit}, since the target is not met otherwise with "
                    f"the initial inspection at {first:,.0f}"
                )
            if packages and not fits:
                notes.append(f"repeat: no package is as short as {repeat:,.0f} {unit}")
            if repeat > problem.cap * (1 + 1e-9):
                raise QuestionError(
                    f"question {ask.name}: {repeat:,.0f} {unit} exceeds the not-to-exceed limit {problem.cap:,.0f}; it is not printed."
                )
    rules = [threshold, *(_shown(one, governed, one in asked) for one in answers)]
    if np.isfinite(problem.cap):
        reason = f"never longer than {problem.cap:,.0f} {unit}: {problem.cap_basis}"
        rules.append(RuleAnswer("cap", problem.cap, governed == "cap", reason))
    if repeat is not None and packages:
        rules.append(RuleAnswer("package", repeat, False, words))
    shortest = min(repeat for one in answers for repeat in one.examined)
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


def _free_schedule(problem: Problem, asked: list[RuleAnswer], latest: float) -> tuple[float, float]:
    """First look and repeat that no package and no cap may exceed: those of the question without either.

    A schedule that is rounded to packages or cut by a cap can meet the target where the one it comes from does not, since its
    looks fall otherwise. It is no reason for a later first look or a longer repeat than are recommended without them.
    """
    endless = (float("inf"), float("inf"))
    intervals = [one.interval for one in asked]
    if "risk" not in problem.govern or None in intervals:
        return endless
    if not problem.packages and not np.isfinite(problem.cap):
        return endless  # it is the schedule itself
    first, repeat = settle(problem, latest, min(intervals), packages=())
    return endless if repeat is None else (first, repeat)


def _sensible(problem: Problem, one: RuleAnswer) -> RuleAnswer:
    """Take an interval that no programme could follow for none at all, and say so."""
    shortest = shortest_look(problem)
    if one.interval is None or one.interval >= shortest * (1 - 1e-9):
        return one
    reason = (
        f"{one.reason}; {one.interval:,.0f} {problem.unit} is shorter than any programme ({shortest:,.0f}): by this rule no "
        "interval of this method will do"
    )
    return replace(one, interval=None, reason=reason)


def _shown(one: RuleAnswer, governed: str, asked: bool) -> RuleAnswer:
    """Say whether a rule governs; one that has no answer but should governs by that."""
    governs = governed in (one.rule, LONGEST if one.is_open else "") or (asked and one.interval is None)
    words = one.reason if asked else one.reason + " (shown for comparison, not asked to govern)"
    return replace(one, governs=governs, reason=words)
