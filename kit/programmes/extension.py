"""What an extension of the interval needs: clean looks, when the fleet has them, and what would reverse it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import betainc, betaincinv, gammaincc

from kit.intervals import DAYS_PER_YEAR, PER_FLIGHT_HOURS, QuestionError, risks, threshold_rule
from kit.numerics.confidence import check_level
from kit.numerics.typing import Floats
from kit.programmes.change import simulate_programme
from kit.programmes.group import Group, Progress
from kit.programmes.programme import Programme, events_of, look_days, looks_by_period
from kit.programmes.result import OfGroup
from kit.programmes.usage import LONGEST_YEARS, PanelUsage, UsagePlan

_MOST_LOOKS = 1_000_000
_FALSE_ALARM = 0.05
"""Chance of an alarm in a year in which all is as expected (common practice, no source) [-]."""
_WORSE = 2.0
"""Times the finds that are expected that a monitoring rule is to detect (common practice, no source)."""


def clean_looks_needed(share: float, *, confidence: float = 0.95, pod: float = 1.0, found: int = 0) -> int:
    r"""Count the looks that show, if no more than so many find damage, that at most a share of panels is damaged.

    Parameters
    ----------
    share : float
        Share of panels that may be damaged [-].
    confidence : float
        Confidence wanted [-].
    pod : float
        Chance that a look finds damage that is there [-].
    found : int
        Looks of them that may find damage.

    Returns
    -------
    int
        Looks at as many panels, rounded up.

    Raises
    ------
    QuestionError
        If a number is impossible, or more than a million looks were needed.

    Notes
    -----
    The least n with :math:`\Pr(\mathrm{Bin}(n, \mathrm{share}\cdot\mathrm{POD}) \le \mathrm{found}) \le 1 -
    \mathrm{confidence}`: a look that misses counts as clean, so the share that is shown is that of what looks find. For
    95 % and no finds: 59 for 5 %, 299 for 1 %.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, *Biometrika*, vol. 26, 1934, pp. 404-413 (exact bounds, from memory).

    Examples
    --------
    >>> clean_looks_needed(0.05), clean_looks_needed(0.01), clean_looks_needed(0.05, pod=0.9)
    (59, 299, 66)
    """
    for name, value in (("share", share), ("confidence", confidence)):
        if not 0 < value < 1:
            raise QuestionError(f"extension: `{name}` must be between 0 and 1. Got {value!r}.")
    if not 0 < pod <= 1:
        raise QuestionError(f"extension: `pod` must be above 0 and at most 1. Got {pod!r}.")
    if isinstance(found, bool) or int(found) != found or found < 0:
        raise QuestionError(f"extension: `found` must be a whole number of at least 0. Got {found!r}.")
    p = share * pod

    def may_be(n: int) -> float:
        """Chance of no more finds than those, if the share were what is allowed."""
        return 1.0 if n <= found else float(1 - betainc(found + 1, n - found, p))

    low, high = found, _MOST_LOOKS
    if may_be(high) > 1 - confidence:
        raise QuestionError(f"extension: more than {_MOST_LOOKS:,} looks are needed. Allow a larger share.")
    for _ in range(64):
        if high - low <= 1:
            break
        middle = (low + high) // 2
        low, high = (low, middle) if may_be(middle) <= (1 - confidence) * (1 + 1e-12) else (middle, high)
    return high


def share_shown(looks: int, *, found: int = 0, confidence: float = 0.95, pod: float = 1.0) -> float:
    """Largest share of damaged panels that looks leave open.

    Parameters
    ----------
    looks, found : int
        Looks at as many panels, and those that found damage.
    confidence : float
        One-sided confidence [-].
    pod : float
        Chance that a look finds damage that is there [-].

    Returns
    -------
    float
        Exact upper bound, divided by the POD, at most 1 [-].

    Raises
    ------
    QuestionError
        If a number is impossible.
    """
    check_level(confidence)
    if not 0 <= found <= looks or not 0 < pod <= 1:
        raise QuestionError(
            f"extension: `found` must be from 0 to `looks`, and `pod` above 0. Got {found!r}, {looks!r}, {pod!r}."
        )
    return 1.0 if found == looks else float(min(betaincinv(found + 1, looks - found, confidence) / pod, 1.0))


@dataclass(frozen=True, kw_only=True)
class MonitoringRule:
    """A number of finds in a year at which an extension is taken back.

    Parameters
    ----------
    alarm : int
        Finds in a year from which on it is.
    expected : float
        Finds that are expected in a year [-].
    false_alarm : float
        Chance of an alarm where all is as expected [-].
    detection : float
        Chance of an alarm in a year in which twice as many are to be expected [-].
    """

    alarm: int
    expected: float
    false_alarm: float
    detection: float

    def words(self) -> str:
        """Say the rule.

        Returns
        -------
        str
            One sentence.
        """
        return (
            f"Reconsider the interval at {self.alarm} finds or more in a year: expected are {self.expected:.1f}; a false alarm has "
            f"{self.false_alarm:.1%} chance a year, and a doubled rate is noticed within a year with {self.detection:.0%}."
        )


def monitoring_rule(
    expected: Floats, *, false_alarm: float = _FALSE_ALARM, worse: float = _WORSE
) -> MonitoringRule:
    """Find the number of finds in a year at which an extension is to be taken back.

    Parameters
    ----------
    expected : ndarray, shape (n_draws,)
        Finds to be expected in a year under each draw [-].
    false_alarm : float
        Largest chance of an alarm where all is as expected [-].
    worse : float
        Times the expected finds that the detection is stated for [-].

    Returns
    -------
    MonitoringRule
        The smallest number with few enough false alarms. Counts are Poisson about the mean of each draw.

    Raises
    ------
    QuestionError
        If a number is impossible.
    """
    if not 0 < false_alarm < 1 or not worse > 1:
        raise QuestionError(
            f"extension: `false_alarm` must be between 0 and 1 and `worse` above 1. Got {false_alarm!r}, {worse!r}."
        )
    mean = np.maximum(np.atleast_1d(np.asarray(expected, np.float64)), 1e-9)

    def at_least(n: int, times: float) -> float:
        return float(np.mean(1 - gammaincc(n, times * mean))) if n > 0 else 1.0

    for alarm in range(1, 100_000):
        if at_least(alarm, 1.0) <= false_alarm:
            break
    return MonitoringRule(
        alarm=alarm,
        expected=float(mean.mean()),
        false_alarm=at_least(alarm, 1.0),
        detection=at_least(alarm, worse),
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class Extension(OfGroup):
    """What a longer repeat needs.

    Parameters
    ----------
    group : Group
        The group.
    repeat : float
        The longer repeat [units of the schedule's clock].
    share_now, share_needed : float
        Share of the draws that meet the target with it today, and that must [-].
    frame : DataFrame
        A row a quarter from today: day, looks (so far, under the present programme), share (of the draws that would meet the
        target if all of them were clean), chance_clean (that they all are).
    needed : int or None
        Clean looks that are still needed; 0 where none are, None where those of the frame do not do.
    ready_on : Timestamp or None
        When the fleet has them.
    simple : int
        Clean looks that show the share which the target allows for one repeat, by the exact binomial and the POD.
    rule : MonitoringRule
        What would take it back.
    """

    group: Group
    repeat: float
    share_now: float
    share_needed: float
    frame: pd.DataFrame
    needed: int | None
    ready_on: pd.Timestamp | None
    simple: int
    rule: MonitoringRule

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = ["clean looks count only if they are made as well as those that the POD stands for"]
        cap = self.group.problem.cap
        if self.repeat > cap * (1 + 1e-9):
            own.append(
                f"the repeat of {self.repeat:,.0f} {self.group.problem.unit} exceeds the not-to-exceed limit of {cap:,.0f} "
                f"({self.group.problem.cap_basis}): no evidence of this kind lifts it"
            )
        if self.needed:
            clean = self.frame.loc[self.frame["day"] >= self.ready_on, "chance_clean"].iloc[0]
            own.append(
                f"that all these looks are clean has {clean:.1%} chance, as far as is known: a single find changes the count"
            )
        return (*own, *self.group.cautions)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"Extension({self.group.ask.group}: repeat {self.repeat:,.0f}, clean looks needed {self.needed})"
        )

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            What is supported today, what is missing, when it is there, and what reverses it.
        """
        unit = self.group.problem.unit
        out = [
            f"A repeat of {self.repeat:,.0f} {unit} meets the target in {self.share_now:.0%} of the draws today; {self.share_needed:.0%} must."
        ]
        if self.needed == 0:
            out.append("No further clean looks are needed for it by this target.")
        elif self.needed is None:
            last = self.frame.iloc[-1]
            out.append(
                f"Even if all {last['looks']:.0f} looks up to {last['day']:%Y-%m-%d} are clean, only {last['share']:.0%} of the draws meet it."
            )
        else:
            out.append(
                f"{self.needed} clean looks more, and none that finds damage, would show it; under the present programme the fleet has "
                f"them by {self.ready_on:%Y-%m-%d}."
            )
        out.append(
            f"By the exact binomial alone, {self.simple:,} clean looks each one new interval after the last show the share that the target "
            "allows."
        )
        return (*out, self.rule.words())


def extension_evidence(
    group: Group,
    repeat: float,
    *,
    years: float = LONGEST_YEARS,
    usage: UsagePlan | None = None,
    present: Programme | None = None,
    say: Progress | None = None,
) -> Extension:
    """Work out which clean looks a longer repeat needs, and when the fleet has them.

    Parameters
    ----------
    group : Group
        The group.
    repeat : float
        The longer repeat [units of the schedule's clock].
    years : float
        How far ahead looks are counted [years].
    usage : UsagePlan, optional
        What departs from planned usage.
    present : Programme, optional
        Programme whose looks are counted; default the tap tasks in force.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    Extension
        A look that finds nothing makes draws under which it would have found damage less likely, each by its own chance;
        with enough of them the target is met in the asked share of the draws.

    Raises
    ------
    QuestionError
        If the repeat is not positive, or the programme or usage is impossible.
    """
    ask, living, problem = group.ask, group.living, group.problem
    if not 0 < repeat < np.inf:
        raise QuestionError(f"extension: the repeat must be positive and finite. Got {repeat!r}; correct it.")
    if not 0 < years <= LONGEST_YEARS:
        raise QuestionError(
            f"extension: `years` must be above 0 and at most {LONGEST_YEARS:g}. Got {years!r}; correct it."
        )
    meets = _meets(group, repeat)
    needed_share = ask.target.share_of_draws
    ends = np.round(np.arange(1, int(np.ceil(years * 4)) + 1) * DAYS_PER_YEAR / 4)
    plan = usage or UsagePlan()
    plan.check(group.fleet, end=living.cut_off + pd.Timedelta(days=int(years * DAYS_PER_YEAR)))
    ends = np.minimum(ends, np.floor(years * DAYS_PER_YEAR))
    now = present or Programme.in_force(group.evidence, ask)
    if say is not None:
        say("clean looks to come")
    flown = PanelUsage.of(living, plan)
    looks = look_days(now, living, flown, days=float(ends[-1]))
    longer = Programme.every(group.evidence, ask, repeat)
    ahead = look_days(longer, living, flown, days=float(ends[-1]), present=now)
    expected, _ = simulate_programme(
        living,
        group.draws,
        events_of([looks, ahead], flown, ends),
        [dict.fromkeys(group.draws)] * 2,
        limit=group.limit_mm,
        multipliers=group.multipliers,
        seed=ask.seed,
        by_panel=True,
        measures=("finds",),
        lucky=False,
    )
    # The chance that a panel is clean up to a day is one less its finds; panels are independent under a draw.
    finds = np.minimum(np.cumsum(expected["finds"][0], axis=2), 1 - 1e-9)
    log_clean = np.log1p(-finds).sum(axis=1)
    number = np.cumsum(looks_by_period(looks, ends))
    share = np.array([_weighted(meets, column) for column in log_clean.T])
    frame = pd.DataFrame(
        {
            "day": living.cut_off + pd.to_timedelta(ends, unit="D"),
            "looks": number,
            "share": share,
            "chance_clean": np.exp(log_clean).mean(axis=0),
        }
    )
    share_now = float(meets.mean())
    enough = np.flatnonzero(share >= needed_share - 1e-9)
    needed, ready = None, None
    if share_now >= needed_share - 1e-9:
        needed = 0
    elif enough.size:
        needed, ready = int(number[enough[0]]), frame["day"].iloc[enough[0]]
    pod = ask.detection
    allowed = ask.target.per_10000_flight_hours / PER_FLIGHT_HOURS * repeat * problem.hours_per_unit
    allowed = min(allowed, 0.5) if ask.target.measure != "exposure" else ask.threshold.allowed_share
    per_year = expected["finds"][1].sum(axis=(1, 2)) / (ends[-1] / DAYS_PER_YEAR)
    return Extension(
        group=group,
        repeat=float(repeat),
        share_now=share_now,
        share_needed=needed_share,
        frame=frame,
        needed=needed,
        ready_on=ready,
        simple=clean_looks_needed(allowed, pod=pod.plateau),
        rule=monitoring_rule(per_year),
    )


def _meets(group: Group, repeat: float) -> Floats:
    """Which draws meet the target with a repeat."""
    problem, target = group.problem, group.ask.target
    latest = threshold_rule(problem).interval
    found = risks(problem, min(latest, repeat), repeat)
    zone = group.ask.held_against == "worst_zone" and f"{target.column}_zone" in found
    values = found[f"{target.column}_zone" if zone else target.column][1:]
    return (values <= target.per_10000_flight_hours).astype(float)


def _weighted(values: Floats, log_weight: Floats) -> float:
    weight = np.exp(log_weight - log_weight.max())
    return float((values * weight).sum() / weight.sum())
