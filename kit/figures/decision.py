"""What a repeat interval costs in risk, and which one is recommended."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont
from PIL import Image, ImageDraw, ImageFont

from kit.cautions import CAUTIONS
from kit.figures.life import plot_modes
from kit.figures.style import INK, LINES, PALE, UNITS, as_written, axes_of, key_below, thousands
from kit.numerics.words import in_words, spelled

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.text import Text

    from kit.decisions import Causes, DecisionRecord, Rerun
    from kit.intervals import Answer
    from kit.intervals.question import Target

_WORDS = {
    "preventable": "Preventable exceedances",
    "exceedances": "Exceedances",
    "exposure": "Undetected hours beyond limits",
    "preventable_exposure": "Preventable undetected hours beyond limits",
}
_PARTS = {
    "exceedances": ("exceedances", "preventable", "not_preventable", "no interval prevents"),
    "preventable": ("exceedances", "preventable", "not_preventable", "no interval prevents"),
    "exposure": ("exposure", "preventable_exposure", None, "begins beyond, or far side"),
    "preventable_exposure": ("exposure", "preventable_exposure", None, "begins beyond, or far side"),
}
"""Of each measure: the whole, its preventable part, and the rest (None: the difference) with its words."""
_SHORT = {
    "exceedances": "in all",
    "preventable": "preventable",
    "exposure": "in all",
    "preventable_exposure": "preventable",
}
_PLOTS, _LINE, _KEYS = (
    4.6,
    0.124,
    1.0,
)  # height of the plots with title and axes, of a line of small words, and of the keys [inch]
_SPACING = 1.2  # of lines of small print, over the size of their letters
_HEAD = 0.2  # of a line of the title [inch]


def _words(measure: str) -> str:
    """Name a measure; with ``_worst`` it is that of the worst window of age."""
    name = measure.removesuffix("_worst")
    return _WORDS[name] + (", at the worst age" if name != measure else "")


def shown_measures(target: Target) -> tuple[str, str]:
    """Choose the count and the exposure that are drawn side by side for a target.

    Parameters
    ----------
    target : Target
        Target of a question.

    Returns
    -------
    tuple of str
        Measures of an answer's curve; what the target bounds is one of them.
    """
    column = target.column
    worst = "_worst" if column.endswith("_worst") else ""
    return (
        ("exceedances" + worst if worst else "preventable", column)
        if "exposure" in column
        else (column, "exposure" + worst)
    )


def plot_risk(answer: Answer, measure: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw a risk against the repeat interval, in all and by what an interval can prevent, with its band and the target.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    measure : str, optional
        ``preventable``, ``exceedances``, ``exposure`` or ``preventable_exposure``, or one of these with ``_worst``
        after it for the worst window of age; default what the target bounds.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Per 10,000 panel flight hours. Three lines, medians of the draws: in all, what an interval can prevent, what none
        prevents; the band and the target belong to the measure.
    """
    ax = axes_of(ax)
    curve, measure = answer.curve, measure or answer.question.target.column
    x = curve["repeat"]
    name, worst = measure.removesuffix("_worst"), measure[len(measure.removesuffix("_worst")) :]
    low, high = curve[f"{measure}_lower"], curve[f"{measure}_upper"]
    total, preventable, rest, rest_words = _PARTS[name]
    band = f"5–95 % of draws, {_SHORT[name]}"
    if len(x) > 1:
        ax.fill_between(x, low, high, color=PALE, alpha=0.45, linewidth=0, label=band)
    else:  # a band of one point would not be seen
        ax.vlines(x, low, high, color=PALE, linewidth=7, label=band)
    parts = {
        "in all": curve[total + worst],
        "preventable": curve[preventable + worst],
        # Where damage counts by its hours, shorter intervals find the rest sooner, so that it falls with them.
        rest_words: curve[total + worst] - curve[preventable + worst]
        if rest is None
        else curve[rest + worst],
    }
    for (words, height), (colour, dash, marker) in zip(parts.items(), LINES, strict=False):
        held = {"linewidth": 1.3} | ({"linewidth": 2.2} if words == _SHORT[name] else {})
        ax.plot(x, height, color=colour, linestyle=dash, marker=marker, markersize=3, label=words, **held)
    target = answer.question.target
    top = max(float(high.max()), *(float(height.max()) for height in parts.values()))
    if target.column == measure:
        top = max(top, target.per_10000_flight_hours)
        label = f"target {target.per_10000_flight_hours:g}, {_SHORT[name]}"
        ax.axhline(
            target.per_10000_flight_hours, color="black", linestyle=(0, (6, 3)), linewidth=1, label=label
        )
    now, repeat = answer.current_repeat, answer.repeat
    same = now is not None and repeat is not None and bool(np.isclose(now, repeat))
    if now is not None and not same:
        ax.axvline(now, color="0.35", linestyle="-.", label=f"programme now {now:,.0f}")
    if repeat is not None:
        words = "recommended = now" if same else "recommended"
        ax.axvline(repeat, color=INK, linewidth=1.8, label=f"{words} {repeat:,.0f}")
    right = 1.05 * max(float(x.max()), now or 0.0)
    cap = min((rule.interval for rule in answer.rules if rule.rule == "cap" and rule.interval), default=right)
    if cap < right:
        words = f"beyond the {in_words('cap')} of {cap:,.0f}"
        ax.axvspan(cap, right, facecolor="none", edgecolor="0.6", hatch="///", linewidth=0, label=words)
    ax.set(
        xlabel=f"Repeat interval [{UNITS[answer.question.clock]}]",
        ylabel=f"{_words(total + worst)}\n[per 10,000 panel flight hours]",
        xlim=(0, right),
        ylim=(0, 1.05 * top if top > 0 else None),
    )
    thousands(ax)
    key_below(ax)
    return ax


def plot_answer(answer: Answer) -> Figure:
    """Draw one page for one question: lives, risk and exposure.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    Figure
        To be saved with `savefig`; it belongs to no window.
    """
    return _page(answer)[0]


def save_answer(answer: Answer, path: Path, *, dpi: int = 100) -> None:
    """Write the page of one question as a PNG file, as `plot_answer` draws it.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    path : Path
        The file.
    dpi : int
        Dots per inch.

    Notes
    -----
    The small print holds most of the letters of the page. Set line by line it takes a tenth of the time that it takes
    letter by letter.
    """
    figure, small = _page(answer)
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    place = figure.transFigure.transform(small.get_position())
    lines, colour = small.get_text().split("\n"), to_hex(small.get_color())
    small.set_visible(False)
    canvas.draw()
    image = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    size = small.get_fontsize() * dpi / 72
    font = ImageFont.truetype(
        findfont(small.get_fontproperties()), size, layout_engine=ImageFont.Layout.BASIC
    )
    pen, spacing = ImageDraw.Draw(image), _SPACING * size
    top = image.height - place[1] - spacing * len(lines)
    for number, line in enumerate(lines):
        pen.text((place[0], top + spacing * number), line, fill=colour, font=font)
    image.save(path, compress_level=3)


def _page(answer: Answer) -> tuple[Figure, Text]:
    """Draw the page; give its small print, too."""
    told = (
        [f"! {one}" for one in answer.special_cautions]
        + [f"- {answer.confidence_words}"]
        + [f"- {one}" for one in CAUTIONS]
    )
    cautions = [line for one in told for line in textwrap.wrap(spelled(one), 215, subsequent_indent="  ")]
    unit = UNITS[answer.question.clock]
    if answer.repeat is None:
        reasons = [rule.reason for rule in answer.rules if rule.governs and rule.interval is None]
        words = f"initial inspection at {answer.threshold:,.0f} {unit}; no repeat is recommended" + "".join(
            f": {x}" for x in reasons[:1]
        )
    else:
        words = (
            f"initial inspection at {answer.threshold:,.0f}, then every {answer.repeat_words}; "
            f"governed by {in_words(answer.governed_by)}"
        )
    title = f"{answer.question.group.replace('_', ' ')}: {words}"
    notice = str(answer.dataset["notice"]).split(".")[0]
    rest = (
        f"known on {answer.dataset['known_on']}, limit {answer.limit_mm:g} mm; {answer.question.target.words}: "
        f"met with an assurance of {answer.share_meeting:.0%} (share of draws). {notice + '.' if notice else ''}"
    )
    lines = [*textwrap.wrap(spelled(title), 150), *textwrap.wrap(spelled(rest), 150)]
    # Fixed margins: a layout engine would draw every page twice.
    below = 0.75 + _KEYS + _LINE * len(cautions)
    head = 0.45 + _HEAD * len(lines)
    figure = Figure(figsize=(12.5, _PLOTS + below + max(head - 0.95, 0.0)))
    height = figure.get_figheight()
    figure.subplots_adjust(
        left=0.05, right=0.98, top=1 - max(head, 0.95) / height, bottom=below / height, wspace=0.34
    )
    left, middle, right = figure.subplots(1, 3)
    plot_modes(answer.modes, answer.question.clock, answer.question.horizon, left)
    left.set_title("Onset of damage", fontsize="medium")
    count, exposure = shown_measures(answer.question.target)
    plot_risk(answer, count, middle)
    middle.set_title("How many pass the limit undetected", fontsize="medium")
    plot_risk(answer, exposure, right)
    right.set_title("Undetected time beyond limits", fontsize="medium")
    figure.suptitle("\n".join(lines), fontsize="medium")
    small = figure.supxlabel("\n".join(cautions), x=0.02, ha="left", fontsize="x-small", color="0.3")
    as_written(figure)
    return figure, small


def plot_rerun(result: Rerun, measure: str | None = None, ax: Axes | None = None) -> Axes:
    """Draw a risk against the repeat interval as it was decided, with what is known now, and to date.

    Parameters
    ----------
    result : Rerun
        What `kit.rerun` gave; of runs made without curves nothing is drawn.
    measure : str, optional
        As in `plot_risk`; default what the target then bounded.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Per 10,000 panel flight hours; the band belongs to the record, a cross marks each answer.
    """
    ax = axes_of(ax)
    then = result.then
    measure = measure or then.question.target.column
    runs = (
        ("as decided", then),
        ("known now of that time", result.known_now),
        ("known to date", result.today),
    )
    top = 0.0
    for (words, record), (colour, dash, marker) in zip(runs, LINES, strict=False):
        if record is None or not record.curve:
            continue
        curve = pd.DataFrame(record.curve)
        if record is then:
            low, high = curve[f"{measure}_lower"], curve[f"{measure}_upper"]
            ax.fill_between(
                curve["repeat"],
                low,
                high,
                color=PALE,
                alpha=0.45,
                linewidth=0,
                label="5 % to 95 % of draws then",
            )
            top = float(high.max())
        style = {"color": colour, "linestyle": dash, "marker": marker, "markersize": 4}
        ax.plot(curve["repeat"], curve[measure], label=f"{words}: {_every(record)}", **style)
        top = max(top, float(curve[measure].max()))
        if record.recommendation.repeat is not None:
            at = np.interp(record.recommendation.repeat, curve["repeat"], curve[measure])
            ax.plot(record.recommendation.repeat, at, "x", color=colour, markersize=11, markeredgewidth=2)
    target = then.question.target
    if target.column == measure:
        label = f"target {target.per_10000_flight_hours:g}"
        ax.axhline(
            target.per_10000_flight_hours, color="0.35", linestyle=(0, (6, 3)), linewidth=1, label=label
        )
        top = max(top, target.per_10000_flight_hours)
    if then.question.proposed_repeat is not None:
        label = f"proposed then {then.question.proposed_repeat:,.0f}"
        ax.axvline(then.question.proposed_repeat, color="0.5", linestyle=":", label=label)
    ax.set(
        xlabel=f"Repeat interval [{UNITS[then.question.clock]}]",
        ylabel=f"{_words(measure)}\n[per 10,000 panel flight hours]",
        xlim=(0, None),
        ylim=(0, 1.05 * top if top > 0 else None),
    )
    thousands(ax)
    key_below(ax)
    return ax


def plot_causes(causes: Causes, ax: Axes | None = None) -> Axes:
    """Draw what the risk rule allows with each cause and all before it let in.

    Parameters
    ----------
    causes : Causes
        What `kit.decisions.causes_of` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A bar a cause, a cross for the repeat that was recommended.
    """
    ax = axes_of(ax)
    rows = causes.to_frame()
    names = [textwrap.fill(cause, 30) for cause in rows["cause"]]
    ax.barh(
        names, rows["rule risk"], color="0.85", edgecolor="0.2", label="longest interval of the risk rule"
    )
    ax.plot(
        rows["repeat"],
        names,
        "kx",
        markersize=8,
        markeredgewidth=2,
        clip_on=False,
        label="repeat recommended",
    )
    ax.invert_yaxis()
    unit = UNITS[causes.steps[0][2].question.clock]
    ax.set(xlabel=f"Interval with the cause and all above it let in [{unit}]", xlim=(0, None))
    thousands(ax)
    key_below(ax)
    return ax


def _every(record: DecisionRecord) -> str:
    repeat = record.recommendation.repeat
    return "no interval" if repeat is None else f"every {repeat:,.0f}"
