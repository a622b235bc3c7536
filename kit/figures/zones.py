"""Which zones are damaged most: rates, what shrinkage and detection move, funnel, ranks, shares of the whole, plan view."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
import numpy as np
import shapely
from matplotlib.patches import Polygon
from matplotlib.ticker import MaxNLocator

from kit.figures.style import INK, LINES, axes_of, key_below, thousands
from kit.ranking import RATES, funnel_limits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes

    from kit.life import MeanCumulative
    from kit.ranking import KindRanking, RankDraws

_WORDS = {name: f"Finds [{words}]" for name, words in RATES.items()} | {
    "per_m2": "Finds [per m² of skin in the fleet]"
}
_HATCHES = ("", "..", "//", "xx", "++++")
_NAME_STEP = 0.055  # between names beside points [heights of the axes]


def _plain(name: object) -> str:
    return str(name).replace("_", " ")


def plot_zone_rates(
    ranking: pd.DataFrame, *, kind: str = "all", rate: str = "per_1000_fh", ax: Axes | None = None
) -> Axes:
    """Draw the rates of a ranking with their bounds, highest on top.

    Parameters
    ----------
    ranking : DataFrame
        What `kit.rank_zones` gave.
    kind : str
        Kind of damage.
    rate : str
        One of `kit.ranking.RATES`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        One row a zone or group, its raw count beside its name.
    """
    ax = axes_of(ax)
    rows = ranking.loc[ranking["kind"] == kind].sort_values(rate, ascending=True, kind="stable")
    name = rows.columns[0]
    y = np.arange(len(rows))
    value = rows[rate].to_numpy()
    reach = np.stack([value - rows[f"{rate}_lower"], rows[f"{rate}_upper"] - value])
    ax.errorbar(
        value, y, xerr=reach, fmt="o", color=INK, ecolor="0.55", capsize=3, markersize=5, clip_on=False
    )
    ax.set_yticks(
        y, [f"{_plain(zone)} ({finds})" for zone, finds in zip(rows[name], rows["finds"], strict=True)]
    )
    ax.set(xlabel=_WORDS[rate], xlim=(0, None))
    ax.set_ylabel(f"{name.capitalize()} (finds)")
    ax.set_title(
        f"{'all kinds' if kind == 'all' else _plain(kind)}: rate and exact bounds", fontsize="medium"
    )
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    return ax


def plot_shrinkage(
    ranking: KindRanking, *, level: float = 0.9, truth: pd.Series | None = None, ax: Axes | None = None
) -> Axes:
    """Draw each zone's rate of finds, and by an arrow the rate of damage behind it.

    Parameters
    ----------
    ranking : KindRanking
        One kind of `kit.rank_by_damage`.
    level : float
        Probability within the bars [-].
    truth : Series of float, optional
        True rates by name, of a simulated fleet [per 1,000 panel flight hours].
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Worst on top: open circle the raw rate, full one the rate of damage with its bar, cross the truth.
    """
    ax = axes_of(ax)
    rows = ranking.to_frame(level=level).iloc[::-1]
    y = np.arange(len(rows))
    raw, value = rows["raw_per_1000_fh"].to_numpy(), rows["rate"].to_numpy()
    reach = np.stack([value - rows["rate_lower"], rows["rate_upper"] - value])
    ax.errorbar(
        value, y, xerr=reach, fmt="o", color=INK, ecolor="0.55", capsize=3, label="damage that arises"
    )
    ax.plot(raw, y + 0.25, "o", mfc="white", color=INK, label="finds, nothing corrected")
    for start, end, at in zip(raw, value, y, strict=True):
        ax.annotate(
            "",
            xy=(end, at + 0.04),
            xytext=(start, at + 0.22),
            arrowprops={"arrowstyle": "->", "color": "0.4"},
        )
    if truth is not None and len(truth):
        ax.plot(truth.reindex(rows.index), y, "x", color=INK, markersize=8, label="truth of the simulation")
    ax.set_yticks(
        y,
        [
            f"{_plain(name)} ({found:.0f}; {raw_rank} to {rank})"
            for name, found, raw_rank, rank in zip(
                rows.index, rows["found"], rows["raw_rank"], rows["rank"], strict=True
            )
        ],
    )
    ax.set(xlabel="Damages [per 1,000 panel flight hours]", xlim=(0, None))
    ax.set_ylabel("Zone (first finds; raw rank to rank)")
    ax.set_title(
        f"{'all kinds' if ranking.kind == 'all' else _plain(ranking.kind)}: found and arisen",
        fontsize="medium",
    )
    ax.xaxis.set_major_locator(MaxNLocator(5))
    ax.grid(axis="x", color="0.9")
    ax.set_axisbelow(True)
    key_below(ax, ncols=3, below=0.14)
    return ax


def plot_funnel(table: pd.DataFrame, *, ax: Axes | None = None) -> Axes:
    """Draw found over expected against expected, with the limits that chance allows.

    Parameters
    ----------
    table : DataFrame
        What `kit.ranking.funnel_table` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Zones outside are named; those called with few wrong calls are full.
    """
    ax = axes_of(ax)
    expected = table["expected"].to_numpy()
    grid = np.geomspace(max(expected.min() * 0.7, 0.2), expected.max() * 1.3, 200)
    for level, style in ((0.95, "--"), (0.998, "-")):
        low, high = funnel_limits(grid, level=level)
        ax.plot(grid, low, style, color="0.45", label=f"{100 * level:g} % limits of chance")
        ax.plot(grid, high, style, color="0.45")
    called = table["called"].to_numpy(bool)
    ax.axhline(1.0, color="0.75", linewidth=1)
    ax.plot(expected[~called], table["ratio"].to_numpy()[~called], "o", mfc="white", color=INK, label="zone")
    ax.plot(
        expected[called],
        table["ratio"].to_numpy()[called],
        "s",
        color=INK,
        label="called, 5 % of calls wrong",
    )
    ax.set(xlabel="Finds expected of an average zone [-]", ylabel="Found over expected [-]", ylim=(0, None))
    outside = ~table["ratio"].between(table["lower_95"], table["upper_95"])
    named = table.loc[called | outside].sort_values("ratio")
    # Names keep a line's height between them, so that those of zones close to each other can be read.
    step = _NAME_STEP * (ax.get_ylim()[1] - ax.get_ylim()[0])
    below = -np.inf
    for name, row in named.iterrows():
        at = max(float(row["ratio"]), below + step)
        ax.annotate(
            _plain(name), (row["expected"], row["ratio"]), xytext=(row["expected"] + 0.03 * grid[-1], at), textcoords="data",
            fontsize="small", va="center", arrowprops={"arrowstyle": "-", "color": "0.6", "linewidth": 0.6},
        )  # fmt: skip
        below = at
    key_below(ax)
    return ax


def plot_rank_chances(ranks: RankDraws, *, ax: Axes | None = None) -> Axes:
    """Draw the chance of each rank for each zone, as grey squares with their numbers.

    Parameters
    ----------
    ranks : RankDraws
        Ranks of draws.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Zones in order of expected rank, the worst on top; chances below 1 % are left blank.
    """
    ax = axes_of(ax)
    order = ranks.to_frame()["expected_rank"].sort_values(kind="stable").index
    table = ranks.probabilities().loc[order]
    ax.imshow(table.to_numpy(), cmap="Greys", vmin=0, vmax=1, aspect="auto")
    for i, row in enumerate(table.to_numpy()):
        for j, chance in enumerate(row):
            if chance >= 0.01:
                ax.text(
                    j, i, f"{100 * chance:.0f}", ha="center", va="center", fontsize="small",
                    color="white" if chance > 0.55 else "black",
                )  # fmt: skip
    ax.set_yticks(np.arange(len(table)), [_plain(name) for name in table.index])
    ax.set_xticks(np.arange(table.shape[1]), table.columns.astype(str))
    ax.set(xlabel="Rank, 1 for the worst", title="Chance of each rank [%]")
    return ax


def plot_pareto(values: pd.Series, *, label: str = "Finds", ax: Axes | None = None) -> Axes:
    """Draw what each zone adds to the whole, largest first, with the running share.

    Parameters
    ----------
    values : Series of float
        By zone; at least 0.
    label : str
        What they are.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Bars, and on a second axis the running share [%].
    """
    ax = axes_of(ax)
    order = values.sort_values(ascending=False, kind="stable")
    x = np.arange(len(order))
    ax.bar(x, order.to_numpy(), color="0.8", edgecolor=INK, hatch="//")
    ax.set_xticks(x, [_plain(name) for name in order.index], rotation=45, ha="right")
    ax.set(ylabel=f"{label} [-]")
    share = ax.twinx()
    share.plot(x, 100 * order.cumsum() / max(order.sum(), 1e-12), "o-", color=INK)
    share.set(ylim=(0, 105), ylabel="Running share [%]")
    return ax


def plot_plan_view(
    outlines: pd.DataFrame, values: pd.Series, *, label: str = "Rank, 1 for the worst", ax: Axes | None = None
) -> Axes:
    """Draw the zones on a plan of the aircraft, darker and denser hatched the worse they are.

    Parameters
    ----------
    outlines : DataFrame
        Columns zone, group and outline (WKT in m, nose up, seen from above; a zone may be blank for the aircraft itself).
    values : Series of float
        By zone or group; the highest is the worst.
    label : str
        What the numbers in the zones are: the rank by `values`.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Five classes by fifths of the ranks.
    """
    ax = axes_of(ax)
    rank = values.rank(ascending=False, method="min")
    fifth = np.minimum((5 * (rank - 1) / max(len(rank), 1)).fillna(4).astype(int), 4)
    for row in outlines.itertuples():
        for part in shapely.get_parts(shapely.from_wkt(row.outline)):
            corners = shapely.get_coordinates(part.exterior)
            key = row.zone if row.zone in rank.index else row.group
            if not row.zone or key not in rank.index:
                ax.add_patch(Polygon(corners, facecolor="white", edgecolor="0.6", linewidth=1, zorder=0))
                continue
            k = 4 - int(fifth[key])
            ax.add_patch(
                Polygon(
                    corners,
                    facecolor=str(1 - 0.16 * k),
                    edgecolor="black",
                    hatch=_HATCHES[k],
                    linewidth=0.8,
                    zorder=1,
                )
            )
            centre = part.centroid
            ax.text(
                centre.x, centre.y, f"{rank[key]:.0f}", ha="center", va="center", fontsize="small", zorder=2,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none"},
            )  # fmt: skip
    if outlines.empty:
        ax.text(0.5, 0.5, "no outlines of zones in this dataset", ha="center", transform=ax.transAxes)
    ax.autoscale_view()
    ax.set_aspect("equal")
    ax.set(xlabel="To the right [m]", ylabel="Forward [m]")
    ax.set_title(f"{label} (seen from above, forward up)", fontsize="medium")
    return ax


def plot_zone_counts(curves: dict[str, MeanCumulative], *, most: int = 4, ax: Axes | None = None) -> Axes:
    """Draw the mean number of damages of a position by hours under watch, for the zones with most.

    Parameters
    ----------
    curves : dict of str to MeanCumulative
        What `kit.ranking.zone_mean_cumulative` gave.
    most : int
        How many zones.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Steps, told apart by dash and by a label at their end.
    """
    ax = axes_of(ax)
    some = sorted(curves.items(), key=lambda item: -float(item[1].mcf[-1]))[:most]
    for (name, curve), (colour, dash, _) in zip(some, LINES, strict=False):
        ax.step(curve.age, curve.mcf, linestyle=dash, color=colour, where="post")
        ax.annotate(
            _plain(name),
            (curve.age[-1], curve.mcf[-1]),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize="small",
        )
    ax.set(
        xlabel="Hours under watch [flight hours]", ylabel="Damages found of a position [-]", ylim=(0, None)
    )
    ax.margins(x=0.2)
    thousands(ax)
    return ax


def plot_time_line(
    table: pd.DataFrame, *, marks: Mapping[int, str] | None = None, axes: Sequence[Axes] | None = None
) -> Sequence[Axes]:
    """Draw looks and finds of each year by method and purpose, so that a campaign or another method shows as what it is.

    Parameters
    ----------
    table : DataFrame
        What `kit.ranking.yearly_table` gave.
    marks : mapping of int to str, optional
        Words for years in which something changed.
    axes : sequence of two Axes, optional
        Where to draw looks and finds.

    Returns
    -------
    sequence of Axes
        Looks above, first finds below, stacked; grey and hatches tell method and purpose without colour.
    """
    if axes is None:
        _, axes = plt.subplots(2, 1, sharex=True, layout="constrained")
    years = np.arange(table["year"].min(), table["year"].max() + 1)
    looks = table.groupby(["purpose", "method"])["looks"].sum().sort_values(ascending=False)
    # A purpose has its hatch and a method its shade, so that either can be followed without the key.
    purposes, methods = (
        list(dict.fromkeys(looks.index.get_level_values(name))) for name in looks.index.names
    )
    shades = np.linspace(1.0, 0.7, len(methods))
    for ax, name in zip(axes, ("looks", "finds"), strict=True):
        below = np.zeros(years.size)
        for purpose, method in sorted(
            looks.index, key=lambda one: (purposes.index(one[0]), methods.index(one[1]))
        ):
            some = table.loc[(table["purpose"] == purpose) & (table["method"] == method)]
            height = some.groupby("year")[name].sum().reindex(years, fill_value=0).to_numpy()
            ax.bar(
                years,
                height,
                bottom=below,
                color=str(shades[methods.index(method)]),
                edgecolor=INK,
                linewidth=0.6,
                hatch=_HATCHES[purposes.index(purpose) % len(_HATCHES)],
                label=f"{_plain(method)}, {purpose}",
            )
            below = below + height
        ax.set_ylabel("Looks a year" if name == "looks" else "First finds a year")
        ax.yaxis.set_major_locator(MaxNLocator(4, integer=True))
        ax.set_ylim(0, max(below.max() * 1.05, 1))
        for at, year in enumerate(sorted(marks or {})):
            ax.axvline(year - 0.5, color=INK, linestyle="--", linewidth=1)
            if name == "looks":
                ax.annotate(
                    marks[year],
                    (year - 0.5, 1 - 0.11 * at),
                    xycoords=("data", "axes fraction"),
                    xytext=(-4, -4),
                    textcoords="offset points",
                    ha="right",
                    va="top",
                    fontsize="small",
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
                )
    axes[0].legend(fontsize="x-small", loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    axes[1].xaxis.set_major_locator(MaxNLocator(integer=True))
    axes[1].set_xlabel("Year")
    axes[0].set_title("What was looked for, and what was found, by year", fontsize="medium")
    return axes
