"""Notebook 02: where on the panel damage begins, how it grows, and whether it stays within its limits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from matplotlib.figure import Figure

from kit.figures import plot_tracks
from kit.findings import Fleet
from kit.growth import TrackFit, fit_tracks
from kit.numerics.words import in_words
from kit.regions import DamageDensity, EvenSpread, TrackGraph, damage_density, tap_grid_chance

_MAPPED_AGAIN = 8  # damages, fewer of which tell no rate
_DRAWN = 200_000  # damages that are drawn on a grid
_RASTER = 0.5  # distance of the points of a raster [mm]


def basis_words(every: pd.DataFrame) -> str:
    """Say how many regions stay out because their size looks written in another unit.

    Parameters
    ----------
    every : DataFrame
        What `kit.regions.tracked_regions` gave.

    Returns
    -------
    str
        Sentences.
    """
    out = int(every["unit_suspect"].sum())
    return (
        f"{out} findings whose size looks like a mix-up of units stay out of all that follows until they are corrected. What the other "
        f"{len(every) - out:,} regions were made from:"
    )


def most_mapped(here: pd.DataFrame, kind: str) -> tuple[str, int]:
    """Choose the damage of a kind that was mapped at most looks.

    Parameters
    ----------
    here : DataFrame
        Regions of a group.
    kind : str
        Kind of damage.

    Returns
    -------
    tuple of str and int
        Its panel and track.
    """
    tracks = here.groupby("track").agg(
        panel=("panel", "first"),
        looks=("found_on", "nunique"),
        kind=("kind", "last"),
        last=("found_on", "max"),
    )
    chosen = tracks[tracks["kind"] == kind].sort_values(["looks", "last"], kind="stable").iloc[-1]
    return str(chosen["panel"]), int(chosen.name)


def panel_words(one: pd.DataFrame) -> str:
    """Say what is mapped on a panel.

    Parameters
    ----------
    one : DataFrame
        Regions of the panel.

    Returns
    -------
    str
        One sentence.
    """
    return (
        f"The panel of the damage mapped at most looks, **{one['panel'].iloc[0]}**: findings {len(one)}, damages {one['track'].nunique()}, "
        f"{one['found_on'].min():%Y-%m-%d} to {one['found_on'].max():%Y-%m-%d}."
    )


def last_mapped(one: pd.DataFrame) -> pd.DataFrame:
    """Keep each damage as it was last mapped.

    Parameters
    ----------
    one : DataFrame
        Regions.

    Returns
    -------
    DataFrame
        A row a track.
    """
    return one.sort_values("found_on", kind="stable").groupby("track").tail(1)


def field_limit(fleet: Fleet, group: str) -> float | None:
    """Return the limit of a group away from edges and fasteners, as last set.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    group : str
        Zone group.

    Returns
    -------
    float or None
        Size [mm]; None where the dataset has none.
    """
    limits = fleet.tables["limits"]
    sizes = limits.loc[(limits["group"] == group) & (limits["place"] == ""), "size"]
    return float(sizes.iloc[-1]) if len(sizes) else None


def sizes_of_kind(graph: TrackGraph, kind: str) -> pd.DataFrame:
    """Return the sizes of the damages of a kind by age.

    Parameters
    ----------
    graph : TrackGraph
        What `kit.regions.track_graph` gave.
    kind : str
        Kind of damage.

    Returns
    -------
    DataFrame
        Rows with an age and a size.
    """
    sizes = graph.to_frame()
    tracks = graph.regions.loc[graph.regions["kind"] == kind, "track"]
    return sizes[sizes["track"].isin(tracks)].dropna(subset=["age", "diameter_mm"])


def growth_of(sizes: pd.DataFrame, clock: str) -> TrackFit | None:
    """Fit growth where enough damages were mapped again.

    Parameters
    ----------
    sizes : DataFrame
        What `sizes_of_kind` gave.
    clock : str
        Clock of the ages.

    Returns
    -------
    TrackFit or None
        None where fewer than eight were.
    """
    if (sizes.groupby("track")["age"].nunique() > 1).sum() < _MAPPED_AGAIN:
        return None
    return fit_tracks(sizes, clock=clock, may_stand_still=True)


def tracks_picture(growth: TrackFit | None, sizes: pd.DataFrame, limit: float | None) -> Figure | None:
    """Draw the damages with most mappings, where growth could be fitted.

    Parameters
    ----------
    growth : TrackFit or None
        What `growth_of` gave.
    sizes : DataFrame
        What `sizes_of_kind` gave.
    limit : float or None
        Size [mm].

    Returns
    -------
    Figure or None
        As `kit.figures.plot_tracks` draws it.
    """
    return None if growth is None else plot_tracks(growth, sizes, limit_mm=limit)


def growth_words(growth: TrackFit | None, sizes: pd.DataFrame) -> str:
    """Say how fast damage grows, or that too few were mapped again to tell.

    Parameters
    ----------
    growth : TrackFit or None
        What `growth_of` gave.
    sizes : DataFrame
        What `sizes_of_kind` gave.

    Returns
    -------
    str
        Markdown.
    """
    if growth is not None:
        return growth.words()
    again = int((sizes.groupby("track")["age"].nunique() > 1).sum())
    return f"Growth: too few damages of this kind were mapped again ({again}; {_MAPPED_AGAIN} are asked) to tell a rate."


def ends_words(graph: TrackGraph, ends: pd.DataFrame, group: str) -> str:
    """Say how many damages there are and what became of them.

    Parameters
    ----------
    graph : TrackGraph
        What `kit.regions.track_graph` gave.
    ends : DataFrame
        What `kit.regions.track_ends` gave.
    group : str
        Zone group.

    Returns
    -------
    str
        Sentences.
    """
    looks = graph.to_frame().groupby("track")["found_on"].nunique()
    why = ends["why"].value_counts()
    return (
        f"{len(looks)} damages of the group {in_words(group)}, {(looks > 1).sum()} of them mapped at more than one look. "
        f"{why.get('repaired', 0)} ended in a repair, {why.get('seen at the last look', 0)} were there at the last look."
    )


def of_group(panels: pd.DataFrame, fleet: Fleet, group: str) -> pd.DataFrame:
    """Keep the panels of a group.

    Parameters
    ----------
    panels : DataFrame
        With a column zone.
    fleet : Fleet
        As loaded.
    group : str
        Zone group.

    Returns
    -------
    DataFrame
        Those of its zones.
    """
    zones = fleet.tables["zones"]
    return panels[panels["zone"].isin(zones.loc[zones["group"] == group, "zone"])]


def density_by_kind(fleet: Fleet, group: str, *, cell_mm: float) -> Sequence[DamageDensity]:
    """Map where damage of each kind is found on the panels of a group.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    group : str
        Zone group.
    cell_mm : float
        Size of a cell [mm].

    Returns
    -------
    sequence of DamageDensity
        One a kind.
    """
    kinds = sorted(set(fleet.damage["kind"]))
    return [damage_density(fleet, group=group, kind=kind, cell_mm=cell_mm) for kind in kinds]


def area_words(last: pd.DataFrame) -> str:
    """Work out the damaged area from a raster of points, beside that from polygons.

    Parameters
    ----------
    last : DataFrame
        Regions of one panel.

    Returns
    -------
    str
        One sentence.
    """
    union = shapely.union_all(last["geometry"].to_numpy(object))
    low_x, low_y, high_x, high_y = shapely.bounds(union)
    half = _RASTER / 2
    x, y = np.meshgrid(np.arange(low_x, high_x, _RASTER) + half, np.arange(low_y, high_y, _RASTER) + half)
    raster, exact = shapely.contains_xy(union, x, y).sum() * _RASTER**2, shapely.area(union)
    return f"Damaged area {exact:,.0f} mm² from polygons, {raster:,.0f} mm² from points: {100 * (raster / exact - 1):+.2f} %."


def drawn_grid_words(smallest_mm: float, pitch_mm: float, *, seed: int) -> str:
    """Throw round damage on a grid of taps, beside the chance in closed form.

    Parameters
    ----------
    smallest_mm, pitch_mm : float
        Size of the damage and distance between taps [mm].
    seed : int
        Of the draws.

    Returns
    -------
    str
        One sentence.
    """
    place = np.random.default_rng(seed).uniform(0, pitch_mm, (_DRAWN, 2))
    nearest = np.hypot(*(place - pitch_mm * np.round(place / pitch_mm)).T)
    drawn = (nearest <= smallest_mm / 2).mean()
    chance = float(tap_grid_chance(smallest_mm, smallest_mm, pitch_mm))
    return f"Round damage of {smallest_mm:g} mm, taps {pitch_mm:g} mm apart: met with chance {chance:.4f}, {drawn:.4f} of {_DRAWN:,} drawn."


def answer_words(
    fleet: Fleet, spread: EvenSpread, growth: str, panels: str, *, smallest_mm: float, pitch_mm: float
) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    spread : EvenSpread
        What `kit.regions.even_spread_test` gave.
    growth, panels : str
        What is said of growth, and of panels against their limits.
    smallest_mm, pitch_mm : float
        Size of damage and distance between taps [mm].

    Returns
    -------
    tuple of str
        Sentences.
    """
    chance = float(tap_grid_chance(smallest_mm, smallest_mm, pitch_mm))
    return (
        f"As known on {fleet.known_on:%Y-%m-%d}: {spread.words()}",
        growth,
        panels,
        f"A look with taps {pitch_mm:g} mm apart meets a damage of {smallest_mm:g} mm with chance {chance:.2f}, however well it sounds.",
    )
