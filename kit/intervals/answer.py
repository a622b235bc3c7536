"""What was answered to a question, with everything that the answer rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from kit.cautions import CAUTIONS
from kit.findings import Fleet
from kit.growth import Growth
from kit.intervals.covered import covered_words
from kit.intervals.planned import planned_words
from kit.intervals.question import Question
from kit.intervals.words import answer_in_words
from kit.life import Histories, LifeFit
from kit.numerics.words import in_words, interval_in_words
from kit.posterior import KindDraws

if TYPE_CHECKING:
    from kit.intervals.by_part import PartAnswer
    from kit.intervals.slack import Slack


@dataclass(frozen=True, eq=False)
class ModeAnswer:
    """What is known of one kind of damage in the group.

    Parameters
    ----------
    kind, clock : str
        Kind of damage and the clock that drives it.
    histories : Histories
        Lives on that clock.
    fit : LifeFit or None
        Maximum of the likelihood at the central growth and POD; None where there is none.
    scale, shape : float
        Life that was used [clock units], [-].
    scale_bounds, shape_bounds : tuple of float
        95 % of the draws lie between them.
    life_basis : str
        How the life came about.
    growth : Growth
        Size at onset and growth at the central value, on the mode's clock.
    draws : KindDraws
        Joint draws of life, size at onset, growth and POD, on the mode's clock.
    units_per_schedule_unit : float
        Units of the mode's clock per unit of the schedule's clock, by planned usage [-].
    """

    kind: str
    clock: str
    histories: Histories
    fit: LifeFit | None
    scale: float
    shape: float
    scale_bounds: tuple[float, float]
    shape_bounds: tuple[float, float]
    life_basis: str
    growth: Growth
    draws: KindDraws
    units_per_schedule_unit: float


@dataclass(frozen=True)
class RuleAnswer:
    """What one rule says.

    Parameters
    ----------
    rule : str
        ``risk``, ``growth_window``, ``threshold``, ``cap`` or ``package``.
    interval : float or None
        Longest interval that the rule allows [units of the schedule's clock]; None where it has no answer.
    governs : bool
        Whether it set the recommendation.
    reason : str
        Why, in words.
    first : float or None
        First look that the rule needs for its interval; None where it needs no other than the threshold
        [units of the schedule's clock].
    examined : tuple of float
        Intervals that were tried on the way.
    is_open : bool
        Whether the interval is only the longest that was examined, and no limit was found.
    """

    rule: str
    interval: float | None
    governs: bool
    reason: str
    first: float | None = None
    examined: tuple[float, ...] = ()
    is_open: bool = False


@dataclass(frozen=True, eq=False)
class Answer:
    """A recommended threshold and repeat interval, and what they rest on.

    Parameters
    ----------
    question : Question
        What was asked.
    dataset : dict
        Name, notice, known_on, cut_off, rejected and warned rows, fingerprint by table, reference (limit, POD,
        packages and planned usage that it rests on, with their days).
    modes : tuple of ModeAnswer
        Evidence by kind of damage.
    limit_mm : float
        Largest equivalent diameter that may stay [mm].
    threshold, repeat : float or None
        Recommended first look and spacing [units of the question's clock]; no spacing if a rule that should
        govern has no answer, while the first look stays.
    repeat_in_packages : str
        The repeat interval as packages, on every clock that it has.
    threshold_in_packages : str
        The threshold likewise.
    governed_by : str
        Rule that set the repeat interval.
    rules : tuple of RuleAnswer
        Every rule's own answer.
    curve_of : callable
        Works `curve` out when it is first read: no number of the answer needs it.
    risk : dict of str to tuple
        At the recommendation: measure -> (value, 5 %, 95 %) per 10,000 panel flight hours.
    current_repeat : float or None
        Interval that the programme asks now [units of the question's clock].
    proposal : dict or None
        For a proposed interval: repeat, share_meeting, meets, and the risk.
    units_per_day : dict of str to float
        Planned usage by clock.
    cautions, assumptions : tuple of str
        What the reader must know, those special to this answer before the standing ones, and what does not
        come from data.
    share_meeting : float
        Share of the draws that meet the target where the risk is shown [-].
    present : dict or None
        For the interval of the programme now, the same as for a proposal.
    due : DataFrame or None
        When each panel is due under the recommendation, as `kit.intervals.cautions.next_due` gives it.
    fleet : Fleet or None
        The dataset as known on the question's day.
    busiest_per_day : dict or None
        Usage of the aircraft that uses the clock of the schedule most, by clock; None where no meter tells it.
    parts : tuple of PartAnswer
        What each part of the fleet, such as a subtype, would be recommended alone; empty where there is one.
    slack : Slack or None
        Intervals of the tap tasks as flown against nominal ones; None where no cards tell them.
    """

    question: Question
    dataset: dict[str, object]
    modes: tuple[ModeAnswer, ...]
    limit_mm: float
    threshold: float
    repeat: float | None
    repeat_in_packages: str
    threshold_in_packages: str
    governed_by: str
    rules: tuple[RuleAnswer, ...]
    curve_of: Callable[[], pd.DataFrame] = field(repr=False)
    risk: dict[str, tuple[float, float, float]]
    current_repeat: float | None
    proposal: dict[str, object] | None
    units_per_day: dict[str, float]
    cautions: tuple[str, ...] = CAUTIONS
    assumptions: tuple[str, ...] = field(default_factory=tuple)
    share_meeting: float = float("nan")
    present: dict[str, object] | None = None
    due: pd.DataFrame | None = None
    fleet: Fleet | None = None
    busiest_per_day: dict[str, float] | None = None
    parts: tuple[PartAnswer, ...] = ()
    slack: Slack | None = None

    @cached_property
    def curve(self) -> pd.DataFrame:
        """Risk against the repeat interval: repeat, first, measures with _lower and _upper, share_meeting.

        Measures are per 10,000 panel flight hours, their bounds 5 % and 95 % of the draws. The first look is the recommended one
        at the recommended repeat, and elsewhere after one interval, or at the threshold where that comes first.
        """
        return self.curve_of()

    @property
    def special_cautions(self) -> tuple[str, ...]:
        """Cautions of this answer that not every answer carries."""
        return tuple(caution for caution in self.cautions if caution not in CAUTIONS)

    @property
    def confidence_words(self) -> str:
        """What the share of draws covers and what not, with what simulated fleets measured of it."""
        return covered_words(self.question.target.share_of_draws)

    @property
    def planned(self) -> dict[str, str]:
        """First look and repeat as a planner writes them: on every clock, rounded down, with the busiest aircraft."""
        lengths = {"first": self.threshold, "repeat": self.repeat}
        return {
            name: planned_words(length, self.question.clock, self.units_per_day, self.busiest_per_day)
            for name, length in lengths.items()
            if length is not None
        }

    @property
    def repeat_words(self) -> str:
        """The repeat interval with its unit, and as packages where it is one of them or several; empty where there is none."""
        if self.repeat is None:
            return ""
        return interval_in_words(self.repeat, in_words(self.question.clock), self.repeat_in_packages)

    def __repr__(self) -> str:
        """Return one line with the recommendation."""
        if self.repeat is None:
            return f"Answer({self.question.name}: initial inspection at {self.threshold:,.0f}, no repeat interval is recommended)"
        return (
            f"Answer({self.question.name}: threshold {self.threshold:,.0f}, repeat {self.repeat:,.0f} "
            f"{self.question.clock}, governed by {self.governed_by})"
        )

    def words(self) -> str:
        """Say the answer in sentences, special cautions first, a year of this fleet before rates.

        Returns
        -------
        str
            Markdown.
        """
        return answer_in_words(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a kind of damage, with the recommendation repeated.

        Returns
        -------
        DataFrame
            Columns name, group, kind, clock, lives, finds, scale, scale_lower, scale_upper, shape,
            shape_lower, shape_upper, life_bounds (what those of scale and shape are), threshold, repeat,
            governed_by, exceedances, not_preventable and exposure per 10,000 panel flight hours with _lower and
            _upper, and risk_bounds (what those are).
        """
        rows = []
        for mode in self.modes:
            rows.append(
                {
                    "name": self.question.name,
                    "group": self.question.group,
                    "kind": mode.kind,
                    "clock": mode.clock,
                    "lives": mode.histories.n_lives,
                    "finds": mode.histories.n_finds,
                    "scale": mode.scale,
                    "scale_lower": mode.scale_bounds[0],
                    "scale_upper": mode.scale_bounds[1],
                    "shape": mode.shape,
                    "shape_lower": mode.shape_bounds[0],
                    "shape_upper": mode.shape_bounds[1],
                    "life_bounds": "middle 95 % of the draws",
                    "threshold": self.threshold,
                    "repeat": self.repeat,
                    "governed_by": self.governed_by,
                    **{
                        f"{measure}{ending}": value
                        for measure in ("exceedances", "not_preventable", "exposure")
                        for ending, value in zip(("", "_lower", "_upper"), self.risk[measure], strict=True)
                    },
                    "risk_bounds": "5 % to 95 % of the draws",
                }
            )
        return pd.DataFrame(rows)
