"""How fast damage grows: the mappings, and the growth fitted to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from kit.figures.style import INK, LINES, PALE, UNITS, axes_of, key_below, thousands
from kit.findings import need_columns
from kit.growth import GrowthComparison

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from kit.growth import TrackFit

_SHARES = (0.05, 0.95)


def plot_growth(
    result: TrackFit | GrowthComparison, tracks: pd.DataFrame, ax: Axes | None = None, *, most: int = 60
) -> Axes:
    """Draw mappings of the same damage over time, and the fitted growth of damage of median size.

    Parameters
    ----------
    result : TrackFit or GrowthComparison
        The fit, or several forms side by side.
    tracks : DataFrame
        What it was fitted to: columns track, age [clock units], diameter_mm.
    ax : Axes, optional
        Where to draw.
    most : int
        At most so many damages are drawn, evenly over the names of their tracks; the legend says of how
        many. Damage mapped at one age only is not drawn.

    Returns
    -------
    Axes
        Time since the first mapping against the size. A bar is what one measurement may be off by
        (95 %); lines are the median of the growing damage of each form, from the median size at first;
        the band holds 5 to 95 % of its rates, drawn for one fit and left out where forms are compared.

    Raises
    ------
    ValueError
        If a column is missing, or no damage was mapped at two ages.
    """
    need_columns(tracks, ("track", "age", "diameter_mm"), "tracks")
    frame = tracks.sort_values(["track", "age"], kind="stable")
    begin = frame.groupby("track")["age"].transform("min")
    frame = frame.assign(time=frame["age"] - begin)
    frame = frame.loc[frame.groupby("track")["time"].transform("max") > 0]
    if frame.empty:
        raise ValueError("`tracks` must hold damage mapped at two ages or more. Got none.")
    names = frame["track"].unique()
    drawn = names[np.unique(np.linspace(0, names.size - 1, min(most, names.size)).round().astype(int))]
    some = frame.loc[frame["track"].isin(drawn)]
    is_one = not isinstance(result, GrowthComparison)
    fits = {result.form.name: result} if is_one else result.fits
    first = next(iter(fits.values()))
    ax = axes_of(ax)
    words = (
        f"{drawn.size:,} damages" if drawn.size == names.size else f"{drawn.size:,} of {names.size:,} damages"
    )
    paths = [part[["time", "diameter_mm"]].to_numpy(float) for _, part in some.groupby("track")]
    ax.add_collection(LineCollection(paths, colors="0.6", linewidths=0.7, label=words))
    off = np.exp(1.96 * first.size_log_sd)
    size = some["diameter_mm"].to_numpy(float)
    ax.errorbar(
        some["time"], size, yerr=[size - size / off, size * off - size], fmt="o", color="0.45", markersize=2,
        elinewidth=0.5, label="mapping, and how far it may be off (95 %)",
    )  # fmt: skip
    time = np.linspace(0.0, float(frame["time"].max()), 120)
    top = 1.1 * float((size * off).max())
    growing = "" if all(fit.no_growth_share == 0 for fit in fits.values()) else " of what grows"
    if is_one:
        low, high = (
            np.minimum(first.size_after(time, start=first.first_median, share=share), 10 * top)
            for share in _SHARES
        )
        ax.fill_between(
            time, low, high, color=PALE, alpha=0.5, linewidth=0, label=f"{100 * _SHARES[0]:.0f} to {100 * _SHARES[1]:.0f} % of the rates{growing}"
        )  # fmt: skip
    least = min(fit.aic for fit in fits.values())
    for i, (name, fit) in enumerate(fits.items()):
        colour, dash, _ = LINES[i % len(LINES)]
        line = np.minimum(fit.size_after(time, start=fit.first_median), 10 * top)
        label = f"median{growing}, {name}" + ("" if is_one else f" (AIC +{fit.aic - least:.1f})")
        ax.plot(time, line, color=colour, linestyle=dash, linewidth=1.8, label=label, zorder=2.3)
    unit = UNITS.get(first.clock, first.clock)
    ax.set(
        xlabel=f"Time since the first mapping [{unit}]", ylabel="Equivalent diameter [mm]", xlim=(0, time[-1] * 1.03),
        ylim=(0, top),
    )  # fmt: skip
    thousands(ax)
    key_below(ax, ncols=1)
    return ax


def plot_tracks(
    fit: TrackFit, tracks: pd.DataFrame, *, most: int = 9, limit_mm: float | None = None, columns: int = 3
) -> Figure:
    """Draw the damages with most mappings one by one, all to one scale, each mapping with how far it may be off.

    Parameters
    ----------
    fit : TrackFit
        What says how far a mapping may be off.
    tracks : DataFrame
        Columns track, age [clock units], diameter_mm.
    most : int
        At most so many damages: those mapped at most ages, not those that seem to have grown most, which would show the
        largest errors of measurement.
    limit_mm : float, optional
        Drawn as a dashed line [mm].
    columns : int
        Pictures in a row.

    Returns
    -------
    Figure
        Age of the panel against equivalent diameter; bars are 95 % of one measurement.

    Raises
    ------
    ValueError
        If a column is missing, or no damage was mapped at two ages.
    """
    need_columns(tracks, ("track", "age", "diameter_mm"), "tracks")
    ages = tracks.groupby("track")["age"].nunique()
    names = ages[ages > 1].sort_values(ascending=False, kind="stable").index[:most]
    if not len(names):
        raise ValueError("`tracks` must hold damage mapped at two ages or more. Got none.")
    columns = min(columns, len(names))
    rows = -(-len(names) // columns)
    figure, axes = plt.subplots(
        rows, columns, figsize=(3.4 * columns, 2.3 * rows + 0.5), sharex=True, sharey=True, squeeze=False,
        layout="constrained",
    )  # fmt: skip
    off = np.exp(1.96 * fit.size_log_sd)
    for ax, name in zip(axes.flat, names, strict=False):
        part = tracks.loc[tracks["track"] == name].sort_values("age", kind="stable")
        size = part["diameter_mm"].to_numpy(float)
        ax.errorbar(
            part["age"], size, yerr=[size - size / off, size * off - size], color=INK, marker="o", markersize=3.5,
            linewidth=0.8, elinewidth=0.9, capsize=2, label="mapping, and how far it may be off (95 %)",
        )  # fmt: skip
        if limit_mm is not None and np.isfinite(limit_mm):
            ax.axhline(
                limit_mm, color="black", linestyle=(0, (6, 3)), linewidth=1, label=f"limit {limit_mm:g} mm"
            )
        ax.set_title(f"damage {name}: {len(part)} mappings", fontsize="small")
        thousands(ax)
    for ax in axes.flat[len(names) :]:
        ax.set_visible(False)
    axes[0, 0].set_ylim(bottom=0)
    figure.supxlabel(f"Panel age [{UNITS.get(fit.clock, fit.clock)}]", fontsize="medium")
    figure.supylabel("Equivalent diameter [mm]", fontsize="medium")
    handles, words = axes[0, 0].get_legend_handles_labels()
    figure.legend(
        handles, words, loc="outside upper center", ncols=2, frameon=False, fontsize="small",
        title=f"{len(names)} of {int((ages > 1).sum())} damages mapped again: those with most mappings", title_fontsize="small",
    )  # fmt: skip
    return figure
