"""Programmes: which panels first, what a change does, what will be found, what it costs, what moves the interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from kit.figures.style import BLUE, INK, ORANGE, PALE, SKY, UNITS, YELLOW, axes_of, key_below, thousands
from kit.numerics.words import number, percent
from kit.programmes import PARTS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from kit.programmes import (
        BackTest,
        CostCurve,
        Extension,
        Forecast,
        PresentState,
        ProgrammeChange,
        Tornado,
    )

_WORDS = {
    "looks": "Looks at one panel",
    "finds": "Damage found",
    "finds_beyond": "Damage found beyond the limit",
    "repairs": "Repairs at once",
    "exceedances": "Damage beyond the limit unfound",
    "exposure": "Panel flight hours beyond the limit",
    "hours": "Working hours",
    "cost": "Cost",
}
_HATCH = ("", "///", "...", "xxx")
_AREAS = (BLUE, SKY, ORANGE, YELLOW)


def plot_panels(state: PresentState, *, top: int = 20, ax: Axes | None = None) -> Axes:
    """Draw the panels to tap first with the chance of unfound damage beyond the limit and its bounds.

    Parameters
    ----------
    state : PresentState
        What `kit.programmes.present_state` gave.
    top : int
        How many.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        The first one on top; the dark part of each bar is what a look today takes away.
    """
    ax = axes_of(ax, layout="constrained")
    rows = state.frame.head(top).iloc[::-1]
    y = np.arange(len(rows))
    ax.barh(y, rows["beyond"], color=PALE, height=0.7, label="unfound damage beyond the limit")
    ax.barh(
        y,
        rows["removed"],
        color=INK,
        height=0.7,
        hatch="//",
        edgecolor="white",
        label="taken away by a look today",
    )
    reach = np.abs(np.stack([rows["beyond"] - rows["beyond_lower"], rows["beyond_upper"] - rows["beyond"]]))
    ax.errorbar(
        rows["beyond"], y, xerr=reach, fmt="none", ecolor="0.25", capsize=2, label="5 % to 95 % of draws"
    )
    names = [
        f"{row.panel} ({row.aircraft} {row.zone}{'' if row.is_age_known else ', age unknown'})"
        for row in rows.itertuples()
    ]
    ax.set_yticks(y, names, fontsize="small")
    ax.set(xlabel="Chance [-]", xlim=(0, None))
    ax.set_title(
        f"{state.group.ask.group}: panels to tap first on {state.group.living.cut_off:%Y-%m-%d}",
        fontsize="medium",
    )
    key_below(ax, ncols=1)
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    return ax


def plot_change(change: ProgrammeChange, *, quantity: str = "exposure", ax: Axes | None = None) -> Axes:
    """Draw a quantity by year under both programmes, with bounds of the difference.

    Parameters
    ----------
    change : ProgrammeChange
        What `kit.programmes.compare_programmes` gave.
    quantity : str
        looks, finds, finds_beyond, repairs, exceedances, exposure, and with costs hours or cost.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Bars are what is to be expected; the line from the present one shows where the difference may lead.

    Raises
    ------
    ValueError
        If the quantity is unknown.
    """
    known = [name for name in _WORDS if f"{name}_difference" in change.frame.columns]
    if quantity not in known:
        raise ValueError(f"`quantity` must be one of {', '.join(known)}. Got {quantity!r}.")
    ax = axes_of(ax, layout="constrained")
    rows = change.frame.iloc[:-1]
    x = np.arange(len(rows))
    now, then = (rows[f"{quantity}_{name}"].to_numpy() for name in ("present", "proposed"))
    ax.bar(x - 0.2, now, 0.38, color=PALE, label=change.present.name)
    ax.bar(x + 0.2, then, 0.38, color=INK, hatch="//", edgecolor="white", label=change.proposed.name)
    low, high = (np.maximum(now + rows[f"{quantity}_{end}"].to_numpy(), 0.0) for end in ("lower", "upper"))
    if quantity != "looks":
        ax.vlines(
            x + 0.2,
            low,
            high,
            color="0.25",
            linewidth=1.2,
            label="90 % bounds of the difference, luck included",
        )
        ax.scatter(np.r_[x, x] + 0.2, np.r_[low, high], marker="_", color="0.25")
    ax.set_xticks(x, [f"year {name}" for name in rows["year"]])
    unit = change.costs.currency if quantity == "cost" and change.costs is not None else ""
    ax.set(
        ylabel=f"{_WORDS[quantity]}{f' [{unit}]' if unit else ' [a year]'}",
        ylim=(0, max(high.max(), now.max(), then.max()) * 1.05 or 1),
    )
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.5g}"))
    ax.set_title(f"{change.group.ask.group}: {_WORDS[quantity].lower()}", fontsize="medium")
    key_below(ax, ncols=1)
    return ax


def plot_forecast(forecast: Forecast, *, quantity: str = "finds", ax: Axes | None = None) -> Axes:
    """Draw finds, repairs or hours by quarter with their limits.

    Parameters
    ----------
    forecast : Forecast
        What `kit.programmes.forecast_finds` gave.
    quantity : str
        finds, repairs, or with costs hours.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Bars are what is to be expected.

    Raises
    ------
    ValueError
        If the quantity is unknown.
    """
    known = [name for name in ("finds", "repairs", "hours") if name in forecast.frame.columns]
    if quantity not in known:
        raise ValueError(f"`quantity` must be one of {', '.join(known)}. Got {quantity!r}.")
    ax = axes_of(ax, layout="constrained")
    rows = forecast.frame.iloc[:-1]
    x, value = np.arange(len(rows)), rows[quantity].to_numpy()
    ax.bar(x, value, 0.7, color=PALE, label="to be expected")
    low, high = rows[f"{quantity}_lower"].to_numpy(), rows[f"{quantity}_upper"].to_numpy()
    ax.vlines(x, low, high, color=INK, linewidth=1.5, label=f"{percent(forecast.level)} limits")
    ax.scatter(np.r_[x, x], np.r_[low, high], marker="_", color=INK)
    ax.set_xticks(x, [f"to {day:%b %Y}" for day in rows["ends"]], rotation=40, ha="right", fontsize="small")
    ax.set(ylabel=f"{_WORDS[quantity]} [a quarter]", ylim=(0, high.max() * 1.05 + 0.5))
    ax.set_title(f"{forecast.group.ask.group}: {_WORDS[quantity].lower()} to come", fontsize="medium")
    key_below(ax, ncols=2, below=0.36)
    return ax


def plot_back_test(test: BackTest, *, ax: Axes | None = None) -> Axes:
    """Draw what was forecast at past year-ends beside what came.

    Parameters
    ----------
    test : BackTest
        What `kit.programmes.back_test` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        A limit and a dot for each year; a year outside its limits has an open square.
    """
    ax = axes_of(ax, layout="constrained")
    rows = test.frame
    x = rows["known_on"].dt.year.to_numpy() + 1
    low, high, came = (rows[name].to_numpy() for name in ("finds_lower", "finds_upper", "came"))
    ax.vlines(
        x,
        low,
        high,
        color=PALE,
        linewidth=9,
        label=f"{percent(test.level)} limits, as known the year-end before",
    )
    ax.scatter(x, rows["finds"], marker="_", s=120, color="0.25", label="expected")
    inside = rows["inside"].to_numpy(bool)
    ax.scatter(x[inside], came[inside], color=INK, zorder=3, label="came")
    if (~inside).any():
        ax.scatter(
            x[~inside],
            came[~inside],
            marker="s",
            facecolor="white",
            edgecolor=INK,
            zorder=3,
            label="came, outside the limits",
        )
    ax.set_xticks(x)
    ax.tick_params(axis="x", labelsize="small")
    ax.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    ax.set(xlabel="Year", ylabel="Damage found [a year]", ylim=(0, max(high.max(), came.max()) * 1.05 + 0.5))
    ax.set_title(f"{test.group_name}: forecasts and what came", fontsize="medium")
    key_below(ax, ncols=2)
    return ax


def plot_tornado(result: Tornado, *, top: int = 12, ax: Axes | None = None) -> Axes:
    """Draw how far each stated or assumed value moves the interval.

    Parameters
    ----------
    result : Tornado
        What `kit.programmes.tornado` gave.
    top : int
        How many values.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        The one that moves it most on top.
    """
    ax = axes_of(ax, layout="constrained")
    rows = result.frame.head(top).iloc[::-1].reset_index(drop=True)
    for end, colour, hatch, words in (
        ("low", PALE, "", "with the low value"),
        ("high", INK, "//", "with the high value"),
    ):
        width = rows[f"interval_{end}"].fillna(result.base) - result.base
        ax.barh(
            rows.index,
            width,
            left=result.base,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            height=0.7,
            label=words,
        )
    ax.axvline(result.base, color="0.25", linewidth=1)
    names = [
        f"{name} ({number(low)} to {number(high)})"
        for name, low, high in zip(rows["name"], rows["low"], rows["high"], strict=True)
    ]
    ax.set_xlabel(f"Interval of the risk rule [{UNITS[result.ask.clock]}]")
    thousands(ax)
    ax.set_yticks(rows.index, names, fontsize="small")
    ax.set_title(f"{result.ask.name}: what moves the interval", fontsize="medium")
    key_below(ax, ncols=2)
    return ax


def plot_cost(curve: CostCurve, *, ax: Axes | None = None) -> Axes:
    """Draw the cost per flight hour against the repeat interval, with its parts.

    Parameters
    ----------
    curve : CostCurve
        What `kit.programmes.cost_curve` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Parts are stacked; the flat range is marked.
    """
    ax = axes_of(ax, layout="constrained")
    rows = curve.frame
    areas = ax.stackplot(rows["repeat"], *(rows[name] for name in PARTS), colors=_AREAS, labels=PARTS)
    for area, hatch in zip(areas, _HATCH, strict=True):
        area.set(hatch=hatch, edgecolor="white")
    ax.plot(
        rows["repeat"], rows["total_lower"], color="0.2", linestyle=":", label="5 % to 95 % of draws, total"
    )
    ax.plot(rows["repeat"], rows["total_upper"], color="0.2", linestyle=":")
    ax.axvspan(*curve.flat, color="0.5", alpha=0.15, label="at most 5 % above the least")
    ax.axvline(curve.least, color="0.2", linewidth=1)
    unit = f" [{curve.costs.currency}]" if curve.costs.currency else ""
    ax.set(
        xlabel=f"Repeat interval [{UNITS[curve.group.ask.clock]}]",
        ylabel=f"Cost per panel flight hour{unit}",
        ylim=(0, float(np.quantile(rows["total_upper"], 0.9)) * 1.1),
        xlim=(rows["repeat"].min(), rows["repeat"].max()),
    )
    thousands(ax)
    ax.set_title(f"{curve.group.ask.group}: what the interval costs", fontsize="medium")
    key_below(ax, ncols=2, below=0.2)
    return ax


def plot_extension(extension: Extension, *, ax: Axes | None = None) -> Axes:
    """Draw the share of the draws that meet the target against clean looks to come.

    Parameters
    ----------
    extension : Extension
        What `kit.programmes.extension_evidence` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        With the share that must, and the chance that all these looks are clean.
    """
    ax = axes_of(ax, layout="constrained")
    rows = extension.frame
    looks = np.r_[0, rows["looks"]]
    ax.plot(
        looks,
        np.r_[extension.share_now, rows["share"]],
        color=INK,
        marker="o",
        markersize=3,
        label="share of draws that meet the target",
    )
    ax.plot(
        looks,
        np.r_[1.0, rows["chance_clean"]],
        color="0.4",
        linestyle=":",
        marker="s",
        markersize=3,
        label="chance that all looks are clean",
    )
    ax.axhline(extension.share_needed, color="0.2", linestyle="--", linewidth=1, label="share that must")
    ax.set(
        xlabel="Clean looks from today on, none of which finds damage",
        ylabel="Share, chance [-]",
        ylim=(0, 1),
    )
    ax.set_title(
        f"{extension.group.ask.group}: evidence for a repeat of {extension.repeat:,.0f} {UNITS[extension.group.ask.clock]}",
        fontsize="medium",
    )
    key_below(ax, ncols=1)
    return ax
