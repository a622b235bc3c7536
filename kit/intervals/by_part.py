"""What each part of the fleet would be recommended alone, side by side with what is recommended for all of it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import pandas as pd

from kit.intervals.held import share_meeting
from kit.intervals.problem import Problem
from kit.intervals.question import QuestionError
from kit.intervals.rules import NO_ANSWER, Schedule, combine
from kit.numerics.words import interval_in_words


@dataclass(frozen=True, kw_only=True)
class PartAnswer:
    """The answer for one part of the fleet, such as a subtype, alone.

    Parameters
    ----------
    name : str
        The part.
    share : float
        Share of the panels [-].
    first : float
        Its own first look [units of the schedule's clock].
    repeat : float or None
        Its own repeat; None where no interval will do [units of the schedule's clock].
    repeat_words : str
        The repeat in packages.
    governed_by : str
        Rule that set it.
    share_meeting : float
        Share of the draws in which this part meets the target under the schedule of the whole fleet [-].
    """

    name: str
    share: float
    first: float
    repeat: float | None
    repeat_words: str
    governed_by: str
    share_meeting: float

    def words(self, unit: str) -> str:
        """Say it in one line.

        Parameters
        ----------
        unit : str
            Name of the unit of the schedule's clock.

        Returns
        -------
        str
            Without a full stop.
        """
        then = (
            "no repeat interval will do"
            if self.repeat is None
            else f"then every {interval_in_words(self.repeat, unit, self.repeat_words)}"
        )
        return (
            f"{self.name} alone ({self.share:.0%} of the panels): initial inspection at {self.first:,.0f}, {then}; under the schedule "
            f"of the whole fleet it meets the target in {self.share_meeting:.0%} of draws"
        )


def parts_side_by_side(problem: Problem, schedule: Schedule) -> tuple[PartAnswer, ...]:
    """Answer the same question for each part of the fleet alone, by the same rules on the same damage.

    Parameters
    ----------
    problem : Problem
        The problem.
    schedule : Schedule
        What the rules come to for the whole fleet.

    Returns
    -------
    tuple of PartAnswer
        In the order of the parts; empty where there is one part, or nothing is drawn.
    """
    if len(problem.usages) < 2 or not problem.is_drawn:
        return ()
    out = []
    for usage in problem.usages:
        part = problem.of_part(usage.name)
        try:
            own = combine(part)
        except QuestionError:  # its own shortest interval does not fit twice into the horizon of all
            own = None
        out.append(
            PartAnswer(
                name=usage.name,
                share=usage.share,
                first=schedule.first if own is None else own.first,
                repeat=None if own is None else own.repeat,
                repeat_words="none" if own is None else own.repeat_words,
                governed_by=NO_ANSWER if own is None else own.governed_by,
                share_meeting=share_meeting(part, *schedule.at),
            )
        )
    return tuple(out)


def parts_frame(parts: tuple[PartAnswer, ...]) -> pd.DataFrame:
    """Return parts of the fleet as a table.

    Parameters
    ----------
    parts : tuple of PartAnswer
        The parts.

    Returns
    -------
    DataFrame
        One row a part, its fields as columns.
    """
    return pd.DataFrame([vars(one) for one in parts], columns=[one.name for one in fields(PartAnswer)])
