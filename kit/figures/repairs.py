"""Repairs: how much of the age stays, and how soon damage comes again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kit.figures.style import INK, UNITS, axes_of, thousands

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kit.life import AfterRepair


def plot_after_repair(result: AfterRepair, ax: Axes | None = None) -> Axes:
    """Draw the time until a share has damage again, by repair, beside that of a new panel.

    Parameters
    ----------
    result : AfterRepair
        What `kit.life.after_repair` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A point with bounds for each repair, the new panel as a dashed line.
    """
    ax = axes_of(ax, layout="constrained")
    rows = result.table.sort_values("after", kind="stable")
    y = np.arange(len(rows))
    reach = np.abs(np.stack([rows["after"] - rows["after_lower"], rows["after_upper"] - rows["after"]]))
    ax.errorbar(rows["after"], y, xerr=reach, fmt="o", color=INK, ecolor="0.45", capsize=3, clip_on=False)
    ax.axvline(result.new, color="0.2", linestyle=(0, (6, 3)), linewidth=1)
    ax.annotate(
        f"new panel, {result.new:,.0f}",
        (result.new, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        fontsize="small",
    )
    ax.set_yticks(
        y, [f"{name}\n({row.finds:g} finds in {row.lives:g} lives)" for name, row in rows.iterrows()]
    )
    unit = UNITS.get(result.fit.life.clock, result.fit.life.clock)
    ax.set(
        xlabel=f"Time after the repair until {100 * result.share:g} % have damage again [{unit}]",
        ylim=(-0.6, len(rows) - 0.4),
    )
    ax.set_xlim(0, 1.15 * max(rows["after_upper"].max(), result.new))
    thousands(ax)
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    return ax
