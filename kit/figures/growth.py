"""How fast damage grows: the mappings, and the growth fitted to them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.collections import LineCollection

from kit.figures.life import LINES, PALE, UNITS, key, thousands
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
    if ax is None:
        _, ax = plt.subplots()
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
        ylim=(0, top * 1.35),
    )  # fmt: skip
    thousands(ax)
    key(ax)
    return ax
