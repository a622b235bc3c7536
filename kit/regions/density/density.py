"""Where on a panel is damage found, for how often each spot was looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings import BASES, KINDS, TAP_METHODS, Fleet, Meters, build_looks, is_damage
from kit.numerics.poisson import poisson_bounds
from kit.numerics.typing import Floats
from kit.regions.density.fold import common_outline, common_rows, turned, zones_of
from kit.regions.make.make import finding_regions
from kit.regions.track.track import mark_lives, track

COUNTS = ("centroid", "area")
"""How a find is counted: in the cell of its centroid, or spread over cells by area."""

PER = ("look", "flight_hours")
"""What finds are divided by: looks or panel flight hours, times the area of the cell."""


@dataclass(frozen=True, repr=False)
class DamageDensity:
    """Finds and looks by cell of a panel type, across the fleet.

    Arrays of cells have shape (n_rows, n_columns): rows go up, columns forward. A cell off the panel
    has nan throughout; one on it that was never looked at has no rate.

    Parameters
    ----------
    group : str
        Zone group.
    kind : str or None
        Kind of damage; None for all.
    zones : tuple of str
        Zones folded onto one another.
    outline : Polygon
        Their outline [mm].
    x_edges_mm, y_edges_mm : ndarray of float, shape (n_columns + 1,) and (n_rows + 1,)
        Edges of the cells, forward and up [mm].
    cell_area_m2 : ndarray of float, shape (n_rows, n_columns)
        Area of each cell that lies on the panel [m²].
    finds : ndarray of float, shape (n_rows, n_columns)
        First finds of damages [-].
    looks : ndarray of float, shape (n_rows, n_columns)
        Looks at each cell; a look at half of it is half a look [-].
    rate, lower, upper : ndarray of float, shape (n_rows, n_columns)
        Finds for each `unit`, and exact Poisson bounds.
    unit : str
        What the rate is for each of.
    confidence : float
        Confidence of the two bounds together, for each cell by itself [-].
    points : ndarray of float, shape (n_finds, 2)
        Where the finds are, forward and up [mm].
    fastener_rows : LineString, MultiLineString or None
        Rows of fasteners, where they are known and the same for all zones [mm].
    panel_flight_hours : float
        Hours flown by the panels of the group while records were kept [flight hours].
    n_looks : int
        Looks at panels of the group.
    n_again, n_other : int
        Findings left out: the same damage mapped again; found without a look that counts.
    n_unlooked : int
        Finds in cells that no look is recorded for.
    cautions : tuple of str
        What the figures do not tell.
    """

    group: str
    kind: str | None
    zones: tuple[str, ...]
    outline: shapely.Polygon
    x_edges_mm: Floats
    y_edges_mm: Floats
    cell_area_m2: Floats
    finds: Floats
    looks: Floats
    rate: Floats
    lower: Floats
    upper: Floats
    unit: str
    confidence: float
    points: Floats
    fastener_rows: shapely.Geometry | None
    panel_flight_hours: float
    n_looks: int
    n_again: int
    n_other: int
    n_unlooked: int
    cautions: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        """Say what it holds in one line."""
        rows, columns = self.finds.shape
        return (
            f"<DamageDensity {self.group} {self.kind or 'all kinds'}: {len(self.points)} finds at {self.n_looks} looks, "
            f"{rows} x {columns} cells>"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the cells that lie on the panel.

        Returns
        -------
        DataFrame
            A row for each cell: x_mm and y_mm (its middle), area_m2, finds, looks, rate, lower, upper.
        """
        x, y = (0.5 * (edges[1:] + edges[:-1]) for edges in (self.x_edges_mm, self.y_edges_mm))
        x, y = np.meshgrid(x, y)
        on = self.cell_area_m2 > 0
        columns = {"area_m2": self.cell_area_m2, "finds": self.finds, "looks": self.looks}
        columns |= {"rate": self.rate, "lower": self.lower, "upper": self.upper}
        return pd.DataFrame(
            {"x_mm": x[on], "y_mm": y[on]} | {name: cells[on] for name, cells in columns.items()}
        )


def damage_density(
    fleet: Fleet,
    *,
    group: str,
    kind: str | None = None,
    cell_mm: float = 50.0,
    mirror: bool = True,
    side: str | None = None,
    x_axis: str = "forward",
    basis: Sequence[str] = BASES,
    methods: Sequence[str] = TAP_METHODS,
    count: str = "centroid",
    per: str = "look",
    confidence: float = 0.9,
    regions: pd.DataFrame | None = None,
    looks: pd.DataFrame | None = None,
) -> DamageDensity:
    """Count finds by spot of a panel type across the fleet, for how often each spot was looked at.

    A spot that was looked at twice as often yields more finds at the same damage; the rate takes
    that out. Each damage counts once, at its first find; the same damage mapped again does not.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    group : str
        Zone group; its zones share an outline.
    kind : str, optional
        Kind of damage, within which a damage is followed; by default all kinds, and across them.
    cell_mm : float
        Side of a cell; the last ones may reach over the panel [mm].
    mirror : bool
        Lay left and right panels on one another. False: `side` must say which, where there are both.
    side : str, optional
        left, right or centre: only zones of this side.
    x_axis : str
        ``forward``: x runs forward on both sides, as this kit asks. ``outside``: x runs to the right
        as seen from outside on both sides; left panels are then turned over, so that x is forward.
    basis : sequence of str
        Looks that count: recorded, implied or both.
    methods : sequence of str
        Methods whose looks and finds count.
    count : str
        ``centroid``: a find counts in the cell of its centroid; ``area``: it is spread over the cells
        by the share of its area in each.
    per : str
        ``look``: finds for each look and m²; ``flight_hours``: for each 10,000 panel flight hours and
        m², which takes no account of how often a spot was looked at, but for cells never looked at.
    confidence : float
        Confidence of the bounds of each cell [-].
    regions : DataFrame, optional
        What `kit.finding_regions` gave, so that it is not made again.
    looks : DataFrame, optional
        What `kit.findings.build_looks` gave for the same basis and methods.

    Returns
    -------
    DamageDensity
        Finds, looks and rate by cell.

    Raises
    ------
    ValueError
        If the group is unknown or its outlines differ, both sides are there and neither is chosen,
        or a parameter is out of range.

    Notes
    -----
    With x forward and y up on both sides a left and a right panel, which are mirror images of one
    another on the aircraft, have the same coordinates: the spot nearest the leading edge has the
    largest x on both. They fold without a change. Drawn as each is seen from outside, forward is to
    the left on a left panel and to the right on a right one; data kept that way are turned over by
    ``x_axis="outside"``, about the middle of the outline.

    Finds without an inspection, or by a method that does not count, were not found at the looks that
    are counted; they are left out and their number is told.
    """
    _check_choices(kind=kind, count=count, per=per, x_axis=x_axis, side=side)
    if not (np.isfinite(cell_mm) and cell_mm > 0):
        raise ValueError(f"`cell_mm` must be positive. Got {cell_mm!r}; give the side of a cell in mm.")
    zones = zones_of(fleet, group, mirror=mirror, side=side)
    flipped = frozenset(zones.loc[zones["side"] == "left", "zone"]) if x_axis == "outside" else frozenset()
    outline, middle = common_outline(zones, flipped)
    made = build_looks(fleet, methods=methods, basis=basis) if looks is None else looks
    made = made[made["zone"].isin(zones["zone"])]
    found = finding_regions(fleet) if regions is None else regions
    found, n_again, n_other = first_finds(fleet, found[found["zone"].isin(zones["zone"])], kind, methods)
    shapes = turned(found["geometry"].to_numpy(object), found["zone"].isin(flipped).to_numpy(), middle)
    points = _centres(shapes, outline)
    x_edges, y_edges = _edges(outline, cell_mm)
    cells = _cells(x_edges, y_edges)
    area = shapely.area(shapely.intersection(cells, outline))
    on = area > 1e-9 * cell_mm**2
    n_looked = _looks_by_cell(made, flipped, middle, shapely.intersection(cells, outline), area, on)
    finds = _finds_by_cell(points, shapes, cells, x_edges, y_edges, count)
    hours = _flight_hours(fleet, zones)
    exposure = (n_looked if per == "look" else np.full(cells.shape, hours / 1e4)) * area / 1e6
    seen = on & (n_looked > 0) & (exposure > 0)
    low, high = poisson_bounds(np.where(on, finds, np.nan), level=confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate, low, high = (np.where(seen, value / exposure, np.nan) for value in (finds, low, high))
    blank = np.where(on, 0.0, np.nan)
    return DamageDensity(
        group=group,
        kind=kind,
        zones=tuple(zones["zone"]),
        outline=outline,
        x_edges_mm=x_edges,
        y_edges_mm=y_edges,
        cell_area_m2=np.where(on, area / 1e6, np.nan),
        finds=finds + blank,
        looks=n_looked + blank,
        rate=rate,
        lower=low,
        upper=high,
        unit="look and m²" if per == "look" else "10,000 panel flight hours and m²",
        confidence=confidence,
        points=points,
        fastener_rows=common_rows(zones, flipped, middle),
        panel_flight_hours=hours,
        n_looks=len(made),
        n_again=n_again,
        n_other=n_other,
        n_unlooked=round(float(finds[on & (n_looked == 0)].sum())),
        cautions=_CAUTIONS,
    )


_CAUTIONS = (
    "The rate is of finds: where damage is harder to find, under thick skin or at the far bond, it is too low.",
    "Bounds are for each cell by itself; among many cells some lie outside theirs by chance.",
    "Panels of one aircraft share its history, which Poisson bounds leave out.",
)


def first_finds(
    fleet: Fleet, regions: pd.DataFrame, kind: str | None, methods: Sequence[str]
) -> tuple[pd.DataFrame, int, int]:
    """Return the first find of each damage.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    regions : DataFrame
        Regions of findings, as from `kit.finding_regions`.
    kind : str or None
        Kind of damage; None for all.
    methods : sequence of str
        Methods whose finds count.

    Returns
    -------
    found : DataFrame
        The rows of first finds at a look by one of the methods.
    n_again : int
        Findings of the same damage mapped again.
    n_other : int
        First finds without a look, or by another method.
    """
    some = regions[is_damage(regions)]
    some = some if kind is None else some[some["kind"] == kind]
    shapes = some["geometry"].to_numpy(object)
    some = some[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    some = track(mark_lives(some, fleet), across_kinds=kind is None).sort_values(
        ["found_on", "finding"], kind="stable"
    )
    first = some[~some.duplicated("track")]
    looked = fleet.tables["findings"].set_index("finding")["inspection"]
    at_look = (first["finding"].map(looked).fillna("") != "") & first["method"].isin(methods)
    return first[at_look].reset_index(drop=True), len(some) - len(first), int((~at_look).sum())


def _check_choices(*, kind: str | None, count: str, per: str, x_axis: str, side: str | None) -> None:
    for name, value, allowed in (
        ("kind", kind, (None, *KINDS)),
        ("count", count, COUNTS),
        ("per", per, PER),
        ("x_axis", x_axis, ("forward", "outside")),
        ("side", side, (None, "left", "right", "centre")),
    ):
        if value not in allowed:
            words = ", ".join("None" if one is None else one for one in allowed)
            raise ValueError(f"`{name}` must be one of {words}. Got {value!r}; correct the name.")


def _centres(shapes: NDArray[np.object_], outline: shapely.Polygon) -> Floats:
    """Return centroids, or a point on the damage where its centroid lies off the panel [mm]."""
    centre = shapely.centroid(shapes)
    off = ~shapely.covers(outline, centre)
    inside = shapely.intersection(shapes[off], outline)
    centre[off] = shapely.point_on_surface(np.where(shapely.is_empty(inside), shapes[off], inside))
    return np.column_stack([shapely.get_x(centre), shapely.get_y(centre)]).reshape(-1, 2)


def _edges(outline: shapely.Polygon, cell_mm: float) -> tuple[Floats, Floats]:
    left, bottom, right, top = shapely.bounds(outline)
    n_across, n_up = (max(1, int(np.ceil(span / cell_mm - 1e-9))) for span in (right - left, top - bottom))
    if n_across * n_up > 1_000_000:
        raise ValueError(f"`cell_mm` must not give over a million cells. Got {cell_mm:g}; give a larger one.")
    return left + cell_mm * np.arange(n_across + 1), bottom + cell_mm * np.arange(n_up + 1)


def _cells(x_edges: Floats, y_edges: Floats) -> NDArray[np.object_]:
    x, y = np.meshgrid(x_edges[:-1], y_edges[:-1])
    right, top = np.meshgrid(x_edges[1:], y_edges[1:])
    return shapely.box(x, y, right, top)


def _looks_by_cell(
    looks: pd.DataFrame,
    flipped: frozenset[str],
    middle: float,
    cells: NDArray[np.object_],
    area: Floats,
    on: NDArray[np.bool_],
) -> Floats:
    """Return how often each cell was looked at, parts of it as parts of a look."""
    part = (looks["coverage"] != "full").to_numpy(dtype=bool)
    total = np.where(on, float((~part).sum()), 0.0)
    partial = looks[part].assign(flip=lambda rows: rows["zone"].isin(flipped))
    for (text, flip), rows in partial.groupby(["coverage", "flip"], sort=True):
        seen = turned(np.array([shapely.from_wkt(text)], dtype=object), np.array([flip]), middle)[0]
        shapely.prepare(seen)
        touched = on & shapely.intersects(seen, cells)
        total[touched] += len(rows) * shapely.area(shapely.intersection(cells[touched], seen)) / area[touched]
    return total


def _finds_by_cell(
    points: Floats,
    shapes: NDArray[np.object_],
    cells: NDArray[np.object_],
    x_edges: Floats,
    y_edges: Floats,
    count: str,
) -> Floats:
    finds = np.zeros(cells.shape)
    if count == "centroid":
        column = np.clip(np.searchsorted(x_edges, points[:, 0], side="right") - 1, 0, cells.shape[1] - 1)
        row = np.clip(np.searchsorted(y_edges, points[:, 1], side="right") - 1, 0, cells.shape[0] - 1)
        np.add.at(finds, (row, column), 1.0)
        return finds
    flat = cells.ravel()
    which, cell = shapely.STRtree(flat).query(shapes)
    part = shapely.area(shapely.intersection(shapes[which], flat[cell]))
    whole = np.bincount(which, part, minlength=len(shapes))
    share = part / np.where(whole > 0, whole, 1.0)[which]
    return np.bincount(cell, share, minlength=flat.size).reshape(cells.shape)


def _flight_hours(fleet: Fleet, zones: pd.DataFrame) -> float:
    """Return the hours flown by panels at zones while records were kept [flight hours]."""
    panels = fleet.tables["panels"]
    panels = panels[panels["zone"].isin(zones["zone"])]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    since = aircraft["records_from"].fillna(aircraft["entry_into_service"])
    begin = np.maximum(
        panels["fitted_on"].to_numpy(), since.reindex(panels["aircraft"]).to_numpy(dtype="datetime64[us]")
    )
    end = panels["removed_on"].fillna(fleet.cut_off).to_numpy()
    kept = begin < end
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    plane = panels["aircraft"].to_numpy(object)[kept]
    flown = meters.at(plane, end[kept], "flight_hours") - meters.at(plane, begin[kept], "flight_hours")
    return float(np.nansum(flown))
