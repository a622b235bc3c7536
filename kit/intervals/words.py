"""An answer in sentences: what is recommended, what that leaves in a year of this fleet, and what must be known first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kit.numerics.words import in_words, number, percent

if TYPE_CHECKING:
    from kit.intervals.answer import Answer

_DAYS = 365.25


def recommendation_in_words(answer: Answer) -> str:
    """Say what is recommended, as known when, and what governs.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    str
        Markdown.
    """
    group, unit = in_words(answer.question.group), in_words(answer.question.clock)
    begin = f"As known on {answer.dataset['known_on']}, for the {group}: initial inspection at **{answer.threshold:,.0f} {unit}**"
    if answer.repeat is None:
        return f"{begin}; **no repeat interval is recommended**, as no examined one meets the target."
    return (
        f"{begin}, then every **{answer.repeat_words}**; governed by {in_words(answer.governed_by)}. "
        f"Target: {answer.question.target.words}; {percent(answer.share_meeting)} of the draws meet it, "
        f"{percent(answer.question.target.share_of_draws)} is asked."
    )


def yearly_in_words(answer: Answer) -> str:
    """Say what the recommendation leaves in a year of this fleet, then per 10,000 panel flight hours.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    str
        Markdown; the year is left out where the number of panels is not known.
    """
    risk = answer.risk
    parts = [
        (risk["exceedances"], "damages pass the limit undetected"),
        (risk["preventable"], "of these an earlier look would have prevented"),
        (risk["not_preventable"], "no interval prevents (they begin beyond the limit, or lie on the far side)"),
        (risk["exposure"], "panel hours are flown beyond the limit undetected"),
    ]  # fmt: skip
    lines = []
    hours = _panel_hours_a_year(answer)
    if hours is not None:
        lines.append(f"In a year of this fleet ({hours:,.0f} panel flight hours, at the mean age):")
        lines.append("")
        lines += [
            f"- {number(value * hours / 1e4)} ({number(low * hours / 1e4)} to {number(high * hours / 1e4)}) {words}"
            for (value, low, high), words in parts
        ]
        lines.append("")
    per = "; ".join(
        f"{number(value)} ({number(low)} to {number(high)}) {words}" for (value, low, high), words in parts
    )
    lines.append(
        f"Per 10,000 panel flight hours: {per}. Values are medians of the draws with 5 % and 95 % of them, so that parts need not add up."
    )
    return "\n".join(lines)


def _panel_hours_a_year(answer: Answer) -> float | None:
    """Flight hours that the group's fitted panels fly in a year together, by planned usage."""
    if answer.due is None or "flight_hours" not in answer.units_per_day:
        return None
    return len(answer.due) * answer.units_per_day["flight_hours"] * _DAYS


def answer_in_words(answer: Answer) -> str:
    """Say the whole answer: what is recommended, the cautions special to it, then its parts and what it leaves.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    str
        Markdown.
    """
    cautions = [f"- {one}" for one in answer.special_cautions]
    special = (
        ["**Special to this answer, to be read before it is used:**", "", *cautions, ""] if cautions else []
    )
    unit = in_words(answer.question.clock)
    parts = [f"- {part.words(unit)}" for part in answer.parts]
    beside = ["Each part of the fleet alone:", "", *parts, ""] if parts else []
    return "\n".join([recommendation_in_words(answer), "", *special, *beside, yearly_in_words(answer)])
