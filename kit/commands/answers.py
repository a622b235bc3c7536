"""What the command line says of one answer: special cautions first, a year of the fleet, then the evidence by damage type."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from kit.numerics.words import in_words, number

if TYPE_CHECKING:
    from kit.intervals import Answer, ModeAnswer

_SHORT = {"flight_hours": "FH", "flight_cycles": "FC", "calendar_days": "days"}
_DUE_SHOWN = 6  # tails of which the next look is shown


def answer_block(answer: Answer) -> tuple[str, ...]:
    """Say one answer in lines: what must be read first, what is recommended and leaves, and what it rests on.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    tuple of str
        Plain lines, those under a head with two places before them.
    """
    from kit.intervals import yearly_in_words

    asked, known = answer.question.known_on, ""
    if asked is not None:
        held = str(answer.dataset["known_on"])  # never later than the last day that the dataset knows
        known = (
            f" (known {held})"
            if held == str(asked)
            else f" (known {held}, the last day of the data; asked as known on {asked})"
        )
    return (
        f"\n{answer.question.name}{known}",
        *(f"  ! {caution}" for caution in answer.special_cautions),
        *(f"  {line}" for line in _signed_lines(answer)),
        *(f"  {line}" for line in yearly_in_words(answer).replace("**", "").splitlines() if line),
        "  Evidence by damage type; bounds are the middle 95 % of the draws:",
        *(f"  - {_evidence(mode)}" for mode in answer.modes),
    )


SHORT = ("question", "initial", "repeat", "now", "governed by", "draws", "!")
"""Heads of `short_row`: the repeat in force is *now*, ``!`` the number of special cautions."""


def short_row(answer: Answer) -> tuple[str, ...]:
    """Say one answer in the cells of a table that holds many.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    tuple of str
        As `SHORT` names them: initial inspection and repeats on the question's clock; of the draws, the share that meets the target and the share asked.
    """
    question = answer.question
    return (
        question.name,
        f"{answer.threshold:,.0f}",
        "none" if answer.repeat is None else f"{answer.repeat:,.0f} {_SHORT[question.clock]}",
        "–" if answer.present is None else f"{answer.present['repeat']:,.0f}",
        in_words(answer.governed_by),
        f"{'–' if answer.share_meeting != answer.share_meeting else f'{answer.share_meeting:.0%}'} ({question.target.share_of_draws:.0%})",
        str(len(answer.special_cautions)),
    )


def _evidence(mode: ModeAnswer) -> str:
    """Say the life of one kind of damage."""
    low, high = mode.scale_bounds
    least, most = mode.shape_bounds
    prior = "" if mode.fit is not None and not mode.fit.shape_assumed else ", mostly prior"
    return (
        f"{in_words(mode.kind)}: finds/lives {mode.histories.n_finds:g}/{mode.histories.n_lives:g}; characteristic life (scale) "
        f"{_three(mode.scale)} ({_three(low)} to {_three(high)}) {_SHORT[mode.clock]}; slope (shape) {mode.shape:.2f} "
        f"({least:.2f} to {most:.2f}){prior}"
    )


def _three(value: float) -> str:
    """Three leading digits, thousands with commas."""
    return "∞" if value == float("inf") else number(float(f"{value:.3g}"))


def _signed_lines(answer: Answer) -> Iterator[str]:
    """Say what a signature under an answer stands for, besides what it assumes."""
    name, unit = answer.question.name, answer.question.clock.replace("_", " ")
    if answer.repeat is None:
        yield f"{name}: initial inspection at {answer.threshold:,.0f} {unit}; no repeat is recommended"
    else:
        yield (
            f"{name}: initial inspection at {answer.threshold:,.0f}, then every {answer.repeat_words}; "
            f"governed by {in_words(answer.governed_by)}"
        )
    for name, words in answer.planned.items():
        yield f"{'initial inspection' if name == 'first' else 'repeat'} as planned: {words}"
    for part in answer.parts:
        yield part.words(unit)
    if answer.slack is not None and not answer.slack.matters:  # else it is a caution
        yield f"as flown, {answer.slack.words}"
    target = answer.question.target
    yield (
        f"target: {target.words}; assurance {answer.share_meeting:.0%} (share of draws that meet it), "
        f"{target.share_of_draws:.0%} is asked"
    )
    yield f"{answer.confidence_words}"
    for words, judged in (("proposed", answer.proposal), ("present", answer.present)):
        if judged is not None:
            value, low, high = judged["risk"][target.column]
            verdict = "meets" if judged["meets"] else "does NOT meet"
            yield (
                f"the {words} repeat of {judged['repeat']:,.0f} {verdict} the target ({judged['share_meeting']:.0%} of draws; "
                f"{value:.3g}, 5 % to 95 % of draws {low:.3g} to {high:.3g}), as known on {answer.dataset['known_on']}"
            )
    if answer.due is not None and (due := answer.due.dropna(subset="due_on"))["due_on"].size:
        first = due.groupby("aircraft")["due_on"].min().sort_values(kind="stable").head(_DUE_SHOWN)
        yield f"next due, the earliest tails: {', '.join(f'{tail} {day:%Y-%m-%d}' for tail, day in first.items())}"
