"""Where on the skin: a panel at a date, growth look by look, density, size against age; to scale in mm."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import shapely
from matplotlib.colors import LogNorm
from matplotlib.patches import Patch, PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator

from kit.figures.style import (
    BLACK,
    BLUE,
    GREEN,
    INK,
    LINES,
    PURPLE,
    SKY,
    UNITS,
    VERMILION,
    YELLOW,
    axes_of,
    key_below,
    thousands,
)
from kit.findings import need_columns
from kit.numerics.words import in_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from kit.regions import DamageDensity, EvenSpread

KIND_STYLE: dict[str, tuple[str, str]] = {
    "disbond": (VERMILION, "////"),
    "moisture": (SKY, "...."),
    "moisture_disbond": (BLUE, "-///"),
    "delamination": (PURPLE, "\\\\\\\\"),
    "dent": (YELLOW, "oo"),
    "puncture": (BLACK, "xxxx"),
    "core_damage": (GREEN, "++++"),
}
"""Colour and hatch of each kind of damage; the hatch tells them apart in grey."""

_OTHER = ("0.6", "--")


def region_path(shape: shapely.Geometry) -> Path | None:
    """Return outline and holes of a polygon or of several as one path.

    Parameters
    ----------
    shape : Polygon or MultiPolygon
        The region [mm].

    Returns
    -------
    Path or None
        None where there is no area.
    """
    rings = [
        shapely.get_coordinates(ring)
        for part in shapely.get_parts(shapely.orient_polygons([shape])).tolist()
        if shapely.get_type_id(part) == shapely.GeometryType.POLYGON and not shapely.is_empty(part)
        for ring in (part.exterior, *part.interiors)
    ]
    if not rings:
        return None
    codes = [
        np.r_[Path.MOVETO, np.full(len(ring) - 2, Path.LINETO), Path.CLOSEPOLY].astype(Path.code_type)
        for ring in rings
    ]
    return Path(np.concatenate(rings), np.concatenate(codes))


def _draw(ax: Axes, shape: shapely.Geometry | None, **style) -> None:
    """Add a polygon to the axes; nothing where there is none."""
    path = None if shape is None else region_path(shape)
    if path is not None:
        ax.add_patch(PathPatch(path, **style))


def _frame_panel(ax: Axes, outline: shapely.Polygon, *, axes_words: bool = True) -> None:
    """Equal aspect, millimetres, forward and up marked, a little room round the outline."""
    low_x, low_y, high_x, high_y = shapely.bounds(outline)
    room = 0.04 * max(high_x - low_x, high_y - low_y)
    ax.set(xlim=(low_x - room, high_x + room), ylim=(low_y - room, high_y + room), aspect="equal")
    ax.xaxis.set_major_locator(MaxNLocator(4))
    ax.yaxis.set_major_locator(MaxNLocator(3))
    if axes_words:
        ax.set(xlabel="Forward → [mm]", ylabel="Up → [mm]")


def _draw_skin(
    ax: Axes,
    outline: shapely.Polygon,
    fastener_rows: shapely.Geometry | None = None,
    edge_band_mm: float | None = None,
) -> None:
    """Draw what a panel is: outline, edge band and fastener rows."""
    _draw(ax, outline, facecolor="none", edgecolor="black", linewidth=1.4, zorder=3)
    if edge_band_mm is not None and np.isfinite(edge_band_mm) and edge_band_mm > 0:
        inner = shapely.buffer(outline, -edge_band_mm)
        _draw(ax, inner, facecolor="none", edgecolor="0.55", linewidth=0.8, linestyle=(0, (6, 3)), zorder=1)
    if fastener_rows is not None:
        for line in shapely.get_parts(fastener_rows):
            ax.plot(
                *shapely.get_coordinates(line).T, color="0.35", linewidth=1.0, dashes=(1, 2.5), zorder=1.5
            )


def _draw_region(ax: Axes, row: pd.Series | dict, *, label: str = "") -> None:
    """Draw a region in the style of its kind, its bounds dashed, its label beside it."""
    colour, hatch = KIND_STYLE.get(row["kind"], _OTHER)
    _draw(
        ax, row["geometry"], facecolor=colour, alpha=0.45, edgecolor="black", hatch=hatch, linewidth=0.0, zorder=2
    )  # fmt: skip
    _draw(ax, row["geometry"], facecolor="none", edgecolor="black", linewidth=0.9, zorder=2.5)
    for bound in ("geometry_inner", "geometry_outer"):
        _draw(ax, row.get(bound), facecolor="none", edgecolor="0.3", linewidth=0.8, linestyle=":", zorder=2.6)
    if label:
        _, _, high_x, high_y = shapely.bounds(row["geometry"])
        ax.annotate(
            label,
            (high_x, high_y),
            xytext=(2, 2),
            textcoords="offset points",
            fontsize="small",
            zorder=4,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6},
        )


def _kind_handles(kinds: list[str]) -> list[Patch]:
    """Legend entries of kinds."""
    handles = []
    for kind in kinds:
        colour, hatch = KIND_STYLE.get(kind, _OTHER)
        handles.append(
            Patch(facecolor=colour, alpha=0.6, edgecolor="black", hatch=hatch, label=kind.replace("_", " "))
        )
    return handles


def plot_panel(
    outline: shapely.Polygon,
    regions: pd.DataFrame,
    ax: Axes | None = None,
    *,
    label: str | None = None,
    fastener_rows: shapely.Geometry | None = None,
    edge_band_mm: float | None = None,
    limit_mm: float | None = None,
) -> Axes:
    """Draw the regions that stand on a panel, to scale.

    Parameters
    ----------
    outline : Polygon
        Outline of the panel [mm].
    regions : DataFrame
        Columns geometry and kind; optional geometry_inner and geometry_outer, drawn dotted.
    ax : Axes, optional
        Where to draw.
    label : str, optional
        Column whose text stands beside each region.
    fastener_rows : LineString or MultiLineString, optional
        Drawn as dotted lines [mm].
    edge_band_mm : float, optional
        Width of the edge band, drawn as a dashed line [mm].
    limit_mm : float, optional
        Diameter of the largest damage that may stay, drawn as an open circle beside the panel's
        lower aft corner for comparison [mm].

    Returns
    -------
    Axes
        Equal aspect, millimetres, forward to the right and up upwards.

    Raises
    ------
    ValueError
        If a column is missing.
    """
    need_columns(regions, ("geometry", "kind", *([label] if label else [])), "regions")
    ax = axes_of(ax)
    _frame_panel(ax, outline)
    _draw_skin(ax, outline, fastener_rows, edge_band_mm)
    for row in regions.to_dict("records"):
        _draw_region(ax, row, label=str(row[label]) if label else "")
    handles = _kind_handles(list(dict.fromkeys(regions["kind"])))
    if limit_mm is not None and np.isfinite(limit_mm):
        low_x, low_y, high_x, high_y = shapely.bounds(outline)
        inset = 0.02 * max(high_x - low_x, high_y - low_y)
        at = (low_x + inset + limit_mm / 2, low_y + inset + limit_mm / 2)
        ax.add_patch(plt.Circle(at, limit_mm / 2, fill=False, edgecolor="black", linewidth=1.2, zorder=3))
        handles.append(
            plt.Line2D(
                [], [], marker="o", markersize=8, markerfacecolor="none", color="black", linestyle="none",
                label=f"limit, {limit_mm:g} mm across",
            )
        )  # fmt: skip
    if handles:
        ax.legend(
            handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize="small",
            handlelength=2.2, handleheight=1.4, borderaxespad=0.0,
        )  # fmt: skip
    return ax


def plot_growth_strip(
    outline: shapely.Polygon,
    regions: pd.DataFrame,
    *,
    when: str = "found_on",
    columns: int = 4,
    most: int = 12,
    close_up: bool = False,
    fastener_rows: shapely.Geometry | None = None,
) -> Figure:
    """Draw how damage grew: one small panel for each look that mapped it.

    Parameters
    ----------
    outline : Polygon
        Outline of the panel [mm].
    regions : DataFrame
        Columns geometry, kind, track and `when`: mappings of one panel.
    when : str
        Column that tells the looks apart and gives their order.
    columns : int
        Pictures in a row.
    most : int
        At most so many pictures: the first look, the last, and others evenly between; the heading
        says how many there were.
    close_up : bool
        Show only the part of the panel round the regions.
    fastener_rows : LineString or MultiLineString, optional
        Drawn as dotted lines [mm].

    Returns
    -------
    Figure
        All pictures to one scale. What the picture before shows is drawn dashed, so that growth
        can be seen; the number is that of the track.

    Raises
    ------
    ValueError
        If a column is missing, or there is nothing to draw.
    """
    need_columns(regions, ("geometry", "kind", "track", when), "regions")
    if not len(regions):
        raise ValueError("`regions` must have rows. Got none: choose a panel with findings.")
    looks = list(regions.sort_values(when, kind="stable").groupby(when, sort=True))
    n_looks = len(looks)
    if n_looks > most:
        looks = [looks[i] for i in np.unique(np.linspace(0, n_looks - 1, most).round().astype(int))]
    columns = min(columns, len(looks))
    n_rows = -(-len(looks) // columns)
    frame = outline
    if close_up:
        low_x, low_y, high_x, high_y = shapely.total_bounds(regions["geometry"].to_numpy(object))
        room = 0.25 * max(high_x - low_x, high_y - low_y)
        frame = shapely.box(low_x - room, low_y - room, high_x + room, high_y + room)
    low_x, low_y, high_x, high_y = shapely.bounds(frame)
    width = 11.0 / columns
    height = width * (high_y - low_y) / (high_x - low_x) + 0.75
    figure, axes = plt.subplots(
        n_rows, columns, figsize=(11.0, max(height * n_rows, 1.8)), layout="constrained", squeeze=False,
        sharex=True, sharey=True,
    )  # fmt: skip
    kinds: list[str] = []
    before = None
    for i, (ax, (look, rows)) in enumerate(zip(axes.flat, looks, strict=False)):
        _frame_panel(ax, frame, axes_words=False)
        _draw_skin(ax, outline, fastener_rows)
        if before is not None:
            for shape in before["geometry"]:
                _draw(
                    ax, shape, facecolor="none", edgecolor="0.25", linewidth=0.9, linestyle="--", zorder=2.8
                )
        for row in rows.to_dict("records"):
            _draw_region(ax, row, label=str(row["track"]))
            kinds.append(row["kind"])
        word = f"{look:%Y-%m-%d}" if hasattr(look, "strftime") else f"{look:,.0f}"
        total = shapely.area(shapely.union_all(rows["geometry"].to_numpy(object))) / 100
        ax.set_title(f"{word}: {total:,.1f} cm²", fontsize="medium")
        if i % columns == 0:
            ax.set_ylabel("Up → [mm]")
        if i + columns >= len(looks):
            ax.set_xlabel("Forward → [mm]")
            ax.tick_params(labelbottom=True)
        before = rows
    for ax in axes.flat[len(looks) :]:
        ax.set_visible(False)
    figure.legend(
        handles=[
            *_kind_handles(list(dict.fromkeys(kinds))),
            plt.Line2D([], [], color="0.25", linestyle="--", label="as in the picture before"),
        ],
        title=f"{len(looks)} of {n_looks} looks that mapped damage" if len(looks) < n_looks else None,
        title_fontsize="small",
        loc="outside upper right", ncols=4, frameon=False, fontsize="small",
    )  # fmt: skip
    return figure


def plot_density(
    density: DamageDensity,
    ax: Axes | None = None,
    *,
    edge_band_mm: float | None = None,
    darkest: float | None = None,
) -> Axes:
    """Draw where on a panel type damage is found, for how often each place was looked at.

    Parameters
    ----------
    density : DamageDensity
        What `kit.regions.damage_density` gave.
    ax : Axes, optional
        Where to draw.
    edge_band_mm : float, optional
        Width of the edge band [mm].
    darkest : float, optional
        Rate that is drawn black, so that several maps have one scale; default the highest of this one.

    Returns
    -------
    Axes
        Darker where more is found for each look; the number in a cell is its count of finds. A cell
        never looked at is hatched.
    """
    ax = axes_of(ax)
    rate, finds = np.asarray(density.rate, float), np.nan_to_num(np.asarray(density.finds, float))
    _frame_panel(ax, density.outline)
    shown = np.ma.masked_invalid(rate)
    positive = rate[np.isfinite(rate) & (rate > 0)]
    top = darkest or (float(positive.max()) if positive.size else 1.0)
    wide = darkest is None and positive.size > 1 and positive.max() > 30 * positive.min()
    mesh = ax.pcolormesh(
        density.x_edges_mm,
        density.y_edges_mm,
        np.ma.masked_less_equal(shown, 0) if wide else shown,
        cmap="Greys",
        norm=LogNorm(positive.min() / 2, positive.max()) if wide else None,
        vmin=None if wide else 0.0,
        vmax=None if wide else top,
        rasterized=True,
        zorder=0,
    )
    x, y = (
        (density.x_edges_mm[1:] + density.x_edges_mm[:-1]) / 2,
        (density.y_edges_mm[1:] + density.y_edges_mm[:-1]) / 2,
    )
    dark = top / 2
    if finds.size <= 1200:
        for j, i in zip(*np.nonzero(finds), strict=True):
            ax.text(
                x[i], y[j], f"{finds[j, i]:g}", ha="center", va="center", fontsize="x-small",
                color="white" if rate[j, i] > dark else "black", zorder=3.2,
            )  # fmt: skip
    never = np.asarray(density.looks) == 0
    inside = shapely.contains_xy(density.outline, *np.meshgrid(x, y))
    for j, i in zip(*np.nonzero(never & inside), strict=True):
        ax.add_patch(
            plt.Rectangle(
                (density.x_edges_mm[i], density.y_edges_mm[j]),
                density.x_edges_mm[i + 1] - density.x_edges_mm[i],
                density.y_edges_mm[j + 1] - density.y_edges_mm[j],
                facecolor="none", edgecolor="0.6", hatch="xx", linewidth=0.0,
            )
        )  # fmt: skip
    _draw_skin(ax, density.outline, density.fastener_rows, edge_band_mm)
    ax.figure.colorbar(mesh, ax=ax, label=f"Finds for each {density.unit}", shrink=0.8, pad=0.02)
    return ax


def plot_edge_distance(spread: EvenSpread, ax: Axes | None = None) -> Axes:
    """Draw where finds lie by distance from the edge, with what even spreads would show.

    Parameters
    ----------
    spread : EvenSpread
        What `kit.regions.even_spread_test` gave.
    ax : Axes, optional
        Where to draw.

    Returns
    -------
    Axes
        Finds over those of an even spread by distance [mm], in steps; the band holds the middle 95 % of the spreads drawn.
    """
    ax = axes_of(ax)
    bands = spread.by_distance
    at = np.r_[bands["from_mm"], bands["to_mm"].iloc[-1]]
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high, found = (
            np.nan_to_num(bands[name].to_numpy(float) / bands["expected"].to_numpy(float))
            for name in ("lower", "upper", "finds")
        )
    ax.fill_between(
        at, np.r_[low, low[-1]], np.r_[high, high[-1]], step="post", facecolor="0.88", edgecolor="0.6", linewidth=0.8,
        label=f"middle 95 % of {spread.draws:,} even spreads",
    )  # fmt: skip
    ax.axhline(1.0, color="0.35", linestyle=(0, (6, 3)), linewidth=1, label="even spread")
    ax.stairs(
        found,
        at,
        color=INK,
        linewidth=2,
        label=f"{spread.n_finds} first finds of {in_words(spread.kind or 'all kinds')}",
    )
    for left, right, height, n in zip(bands["from_mm"], bands["to_mm"], found, bands["finds"], strict=True):
        ax.annotate(
            f"{n}",
            ((left + right) / 2, height),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            fontsize="small",
        )
    ax.set(
        xlabel="Distance from the edge [mm]",
        ylabel="Finds over those of an even spread [-]",
        xlim=(0, at[-1]),
        ylim=(0, 1.12 * max(found.max(), high.max(), 1.0)),
    )
    ax.set_title(
        f"{in_words(spread.group)}: finds by distance from the edge (number: finds)", fontsize="medium"
    )
    key_below(ax, ncols=1)
    return ax


def plot_densities(
    maps: Sequence[DamageDensity], *, edge_band_mm: float | None = None, most: int = 3
) -> Figure:
    """Draw maps of several kinds of damage below each other on one scale, those with most finds first.

    Parameters
    ----------
    maps : sequence of DamageDensity
        Of one panel type; maps without a find are left out.
    edge_band_mm : float, optional
        Width of the edge band [mm].
    most : int
        Maps drawn.

    Returns
    -------
    Figure
        A map a row.

    Raises
    ------
    ValueError
        If no map holds a find.
    """
    held = sorted((one for one in maps if len(one.points)), key=lambda one: -len(one.points))[:most]
    if not held:
        raise ValueError("`maps` must hold a find in one of them at least. Got none: choose another group.")
    darkest = max(float(np.nanmax(np.where(np.isfinite(one.rate), one.rate, 0.0))) for one in held)
    figure, axes = plt.subplots(
        len(held), 1, figsize=(8.5, 3.5 * len(held)), layout="constrained", squeeze=False, sharex=True
    )
    for one, ax in zip(held, axes[:, 0], strict=True):
        plot_density(one, ax, edge_band_mm=edge_band_mm, darkest=darkest)
        ax.set_title(
            f"{in_words(one.kind or 'all kinds')}: {len(one.points)} first finds at {one.n_looks:,} looks",
            fontsize="medium",
        )
    return figure


def plot_size_by_age(
    sizes: pd.DataFrame,
    ax: Axes | None = None,
    *,
    clock: str = "flight_hours",
    limit_mm: float | None = None,
    most_labels: int = 8,
) -> Axes:
    """Draw the size of each tracked damage against the age of its panel.

    Parameters
    ----------
    sizes : DataFrame
        Columns track, age and diameter_mm; optional diameter_lower_mm and diameter_upper_mm, drawn as
        bars, and kind.
    ax : Axes, optional
        Where to draw.
    clock : str
        Clock of the ages.
    limit_mm : float, optional
        Largest damage that may stay, drawn as a dashed line [mm].
    most_labels : int
        Up to so many tracks have their number beside their last mapping.

    Returns
    -------
    Axes
        A line for each damage mapped more than once, a point for each mapping.

    Raises
    ------
    ValueError
        If a column is missing.
    """
    need_columns(sizes, ("track", "age", "diameter_mm"), "sizes")
    ax = axes_of(ax)
    by_kind = sizes.groupby("kind", sort=False) if "kind" in sizes.columns else [("damage", sizes)]
    labelled = sizes["track"].nunique() <= most_labels
    for i, (kind, rows) in enumerate(by_kind):
        colour, dash, marker = LINES[i % len(LINES)]
        first = True
        for track, damage in rows.sort_values("age", kind="stable").groupby("track", sort=True):
            age, size = damage["age"].to_numpy(float), damage["diameter_mm"].to_numpy(float)
            bounds = None
            if {"diameter_lower_mm", "diameter_upper_mm"} <= set(damage.columns):
                low, high = (damage[f"diameter_{end}_mm"].to_numpy(float) for end in ("lower", "upper"))
                bounds = np.stack([np.maximum(size - low, 0), np.maximum(high - size, 0)])
            ax.errorbar(
                age, size, yerr=bounds, color=colour, linestyle=dash, marker=marker, markersize=4, linewidth=1.0,
                elinewidth=0.8, capsize=2, alpha=0.85, label=str(kind).replace("_", " ") if first else None,
            )  # fmt: skip
            first = False
            if labelled:
                ax.annotate(
                    f"{track}",
                    (age[-1], size[-1]),
                    xytext=(4, 2),
                    textcoords="offset points",
                    fontsize="small",
                )
    if limit_mm is not None and np.isfinite(limit_mm):
        ax.axhline(limit_mm, color=INK, linestyle=(0, (6, 2)), linewidth=1.2, label=f"limit, {limit_mm:g} mm")
    ax.set(xlabel=f"Panel age [{UNITS.get(clock, clock)}]", ylabel="Equivalent diameter [mm]")
    ax.set_ylim(bottom=0)
    thousands(ax)
    key_below(ax)
    return ax
