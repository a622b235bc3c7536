"""What would another repeat interval cost? In words and as a picture.

All numbers are read from an answer; nothing is worked out anew.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from kit.cautions import caution_section
from kit.figures import plot_risk, shown_measures
from kit.numerics.words import in_words, spelled

if TYPE_CHECKING:
    from kit.intervals import Answer


_WIDTH = 95  # letters of a line


def _examined(answer: Answer, repeat: float) -> pd.Series:
    """Row of the curve for a repeat interval that was examined."""
    curve = answer.curve
    at = np.flatnonzero(np.isclose(curve["repeat"].to_numpy(np.float64), repeat, rtol=1e-6, atol=0.0))
    if not at.size:
        near = curve["repeat"].iloc[(curve["repeat"] - repeat).abs().argsort()[:3]].sort_values()
        raise ValueError(
            f"`repeat` must be one of the {len(curve)} intervals that the answer examined. Got {repeat:g}. "
            f"The nearest are {', '.join(f'{x:,.6g}' for x in near)}; nothing is read between them."
        )
    return curve.iloc[int(at[0])]


def _cap(answer: Answer) -> float:
    """Longest interval that the programme's cap leaves; infinite without one."""
    return min(
        (rule.interval for rule in answer.rules if rule.rule == "cap" and rule.interval), default=float("inf")
    )


def risk_text(answer: Answer, *repeats: float, cautions: bool = True) -> str:
    """Say what repeat intervals mean: risk, exposure, and whether the target is met.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    *repeats : float
        Some of the intervals in the answer's curve [units of the question's clock].
    cautions : bool
        Whether the standing cautions follow; without them only where they are printed beside it.

    Returns
    -------
    str
        For each, some lines of plain text, one more where the programme has a cap that is shorter; then the cautions.

    Raises
    ------
    ValueError
        If the interval was not examined.
    """
    parts = [_text(answer, repeat) for repeat in repeats]
    return "\n".join(["\n\n".join(parts), *(caution_section("Cautions")[:-1] if cautions else ())])


def _text(answer: Answer, repeat: float) -> str:
    """Say what one repeat interval means."""
    row, target = _examined(answer, repeat), answer.question.target
    unit = in_words(answer.question.clock)
    per = "per 10,000 panel flight hours"
    measure = target.column
    meets = row["share_meeting"] >= target.share_of_draws - 1e-9

    def band(name: str, form: str) -> str:
        return f"{row[name]:{form}} (5 % to 95 % of draws: {row[f'{name}_lower']:{form}} to {row[f'{name}_upper']:{form}})"

    lines = [
        f"Repeat interval: {row['repeat']:,.0f} {unit}",
        f"Preventable exceedances: {band('preventable', '.4f')} {per}",
        f"Undetected hours beyond limits: {band('exposure', ',.1f')} {per}",
        f"Target, {target.words}: {'met' if meets else 'NOT met'}",
        f"Assurance {row['share_meeting']:.1%} (share of draws that meet it), "
        f"{target.share_of_draws:.1%} is asked (middle of the draws {row[measure]:.4g})",
    ]
    if row["repeat"] > _cap(answer) * (1 + 1e-9):
        lines.append(
            f"Longer than the not-to-exceed limit of {_cap(answer):,.0f} {unit}: never allowed, whatever the risk"
        )
    # No page parts a word of them, as it does with what is printed and too long.
    wrapped = (textwrap.wrap(spelled(line), _WIDTH, subsequent_indent="  ") for line in lines)
    return "\n".join(line for some in wrapped for line in some)


def risk_picture(answer: Answer, repeats: Sequence[float]) -> Figure:
    """Draw risk and exposure against the repeat interval, with some intervals marked.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    repeats : sequence of float
        Intervals of the answer's curve [units of the question's clock].

    Returns
    -------
    Figure
        The target's measure beside the exposure; each interval marked by a ring and its length.

    Raises
    ------
    ValueError
        If an interval was not examined.
    """
    figure = Figure(figsize=(9.6, 4.0), layout="constrained")
    names = shown_measures(answer.question.target)
    rows = [_examined(answer, repeat) for repeat in repeats]
    for name, ax in zip(names, figure.subplots(1, 2), strict=True):
        plot_risk(answer, name, ax)
        for row in rows:
            at = (row["repeat"], row[name])
            ax.plot(
                *at, "o", markersize=13, markerfacecolor="none", markeredgecolor="black", markeredgewidth=1.6
            )
            right = row["repeat"] > 0.7 * ax.get_xlim()[1]
            ax.annotate(
                f"{row['repeat']:,.0f}",
                at,
                xytext=(-9 if right else 9, -13),
                textcoords="offset points",
                ha="right" if right else "left",
                fontsize="small",
                fontweight="bold",
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8},
            )
    return figure
