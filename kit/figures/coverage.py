"""What was tapped when, and what went without a look while it was fitted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.patches import Patch

from kit.figures.style import INK, axes_of
from kit.numerics.words import percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_LABELS = 40


def plot_coverage(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw which panels or positions were looked at in which period.

    Parameters
    ----------
    table : DataFrame
        What `kit.findings.coverage_table` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A row for each panel or position, a column for each period: a dot for recorded looks, a ring
        for implied ones, a hatched cell where it was fitted and not looked at, blank where it was
        not fitted or no records were kept.

    Raises
    ------
    ValueError
        If the table is empty.
    """
    if not len(table):
        raise ValueError(
            "`table` must have rows. Got none: nothing was fitted at these zones while records were kept; name others."
        )
    ax = axes_of(ax)
    labels = pd.Index(table["label"].unique())
    periods = pd.Index(table["period"].drop_duplicates().sort_values())
    x, y = periods.get_indexer(table["period"]), labels.get_indexer(table["label"])
    bare = table["without_look"].to_numpy(dtype=bool)
    ax.bar(
        x[bare], height=0.9, width=0.9, bottom=y[bare] - 0.45,
        facecolor="0.93", edgecolor="0.6", hatch="////", linewidth=0,
    )  # fmt: skip
    many = len(labels) > _MOST_LABELS
    recorded, implied = (table[name].to_numpy() > 0 for name in ("recorded", "implied"))
    ax.plot(
        x[implied],
        y[implied],
        "o",
        markersize=5 if many else 8,
        markerfacecolor="none",
        color=INK,
        label="implied",
    )
    ax.plot(x[recorded], y[recorded], "o", markersize=2.5 if many else 4, color=INK, label="recorded")
    step = -(-len(labels) // _MOST_LABELS)
    ax.set_yticks(np.arange(len(labels))[::step], labels[::step], fontsize="x-small" if many else "small")
    form = "%Y" if (periods.month == 1).all() else "%Y-%m"
    every = -(-len(periods) // 12)
    ax.set_xticks(np.arange(len(periods))[::every], periods.strftime(form)[::every])
    ax.set(xlim=(-0.6, len(periods) - 0.4), ylim=(len(labels) - 0.4, -0.6))
    word = "Panel [serial]" if "panel" in table.columns else "Position [aircraft and zone]"
    ax.set(ylabel=word, xlabel="Period [year]" if form == "%Y" else "Period [year and month of its start]")
    ax.set_title(f"without a look in {percent(bare.mean())} of the periods fitted", fontsize="medium")
    handles, names = ax.get_legend_handles_labels()
    handles.append(Patch(facecolor="0.93", edgecolor="0.6", hatch="////", linewidth=0))
    ax.legend(
        handles, [*names, "fitted, no look"], loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False,
        fontsize="small",
    )  # fmt: skip
    return ax
