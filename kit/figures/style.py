"""How figures look: colours, dashes, markers, words of clocks, keys outside the data."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
from matplotlib.text import Text
from matplotlib.ticker import FuncFormatter, MaxNLocator

from kit.numerics.plain_text import plain_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

UNITS = {"flight_hours": "flight hours", "flight_cycles": "flight cycles", "calendar_days": "days"}
"""Clocks in words, for axes."""

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILION, PURPLE = (
    "#000000",
    "#e69f00",
    "#56b4e9",
    "#009e73",
    "#f0e442",
    "#0072b2",
    "#d55e00",
    "#cc79a7",
)
"""Colours that people with every kind of colour vision tell apart (M. Okabe and K. Ito, "Color Universal Design", 2008; from memory)."""

INK, PALE = BLUE, SKY
"""The one colour of a figure with one line, and of what lies behind it."""

TRUTH = {"color": VERMILION, "linestyle": (0, (5, 3)), "linewidth": 1.6}
"""How the truth of a simulation is drawn, where it is known."""

LINES = ((BLUE, "-", "o"), (VERMILION, "--", "s"), (GREEN, "-.", "^"), (PURPLE, ":", "D"))
"""Colour, dash and marker of the first lines of a figure; dash and marker tell them apart in grey."""


def axes_of(ax: Axes | None, *, layout: str | None = None) -> Axes:
    """Return the axes to draw on, those of a new figure where none are given.

    Parameters
    ----------
    ax : Axes or None
        Where to draw.
    layout : str, optional
        How a new figure finds room for what stands beside its axes.

    Returns
    -------
    Axes
        These, or new ones.
    """
    return plt.subplots(layout=layout)[1] if ax is None else ax


def as_written(figure: Figure) -> None:
    """Let every text of a figure stand as it is written: what came with data is no formula and steers nothing.

    Parameters
    ----------
    figure : Figure
        Whose texts are set; the numbers of a logarithmic axis stay powers.
    """
    powers = {
        label
        for ax in figure.axes
        for axis in (ax.xaxis, ax.yaxis)
        if axis.get_scale() == "log"
        for label in axis.get_ticklabels(which="both")
    }
    for text in figure.findobj(Text):
        if isinstance(text, Text) and text not in powers:
            text.set_parse_math(False)
            if (shown := plain_text(text.get_text())) != text.get_text():
                text.set_text(shown)


def thousands(ax: Axes) -> None:
    """Give the x axis few ticks, so that labels never touch, and both axes separators.

    Parameters
    ----------
    ax : Axes
        Whose axes are set.
    """
    if ax.get_ylim()[1] >= 1000:
        ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))


def key_below(ax: Axes, *, ncols: int = 2, below: float = 0.16) -> None:
    """Name the labelled artists below the axes, where they hide nothing and take no room from the data.

    Parameters
    ----------
    ax : Axes
        Whose labelled artists are named.
    ncols : int
        Columns of the key.
    below : float
        How far below the axes it begins, so that it clears their labels [heights of the axes].
    """
    ax.legend(
        loc="upper center", bbox_to_anchor=(0.5, -below), ncols=ncols, fontsize="small", frameon=False, columnspacing=0.8,
        handlelength=1.6, handletextpad=0.5, labelspacing=0.3, borderaxespad=0.0,
    )  # fmt: skip
