"""How large a region is and how far from what is near it; and how much of a panel regions take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from kit.regions.measure.blocks import over
from kit.regions.measure.distances import Others, check_geometries, distance_jobs
from kit.regions.measure.extents import extents
from kit.regions.measure.pairs import joined, neighbour_distance, touching

Geometries = shapely.Geometry | Sequence[shapely.Geometry | None] | NDArray[np.object_]


def equivalent_diameter(area_mm2: ArrayLike) -> NDArray[np.float64]:
    """Diameter of the circle of the same area.

    Parameters
    ----------
    area_mm2 : array_like of float
        Areas [mm²].

    Returns
    -------
    ndarray of float
        Diameters [mm].

    Examples
    --------
    >>> float(equivalent_diameter(np.pi * 10.0**2))
    20.0
    """
    return np.sqrt(4 * np.asarray(area_mm2, np.float64) / np.pi)


def measure(
    geometries: Geometries,
    *,
    outlines: Geometries | None = None,
    place: ArrayLike | None = None,
    fastener_rows: Geometries | None = None,
    repairs: Geometries | None = None,
) -> pd.DataFrame:
    """Measure regions: how large they are, and how far from edge, neighbour, fasteners and repairs.

    Parameters
    ----------
    geometries : sequence of Polygon or MultiPolygon, shape (n,)
        Regions, each in the plane of its panel [mm].
    outlines : Polygon or sequence of Polygon, shape (n,), optional
        Outline of the panel: one for all regions or one for each, None where it is not known [mm]. Many
        regions may share one object; that is fastest.
    place : array_like, shape (n,), optional
        Where each region is (such as the serial of its panel): only regions of one place are neighbours.
        A region whose place is missing has none.
    fastener_rows : LineString or MultiLineString, or sequence of them, shape (n,), optional
        Fastener rows of the panel, likewise [mm].
    repairs : Polygon or MultiPolygon, or sequence of them, shape (n,), optional
        Outlines of the repairs of the panel, all of a panel as one MultiPolygon, likewise [mm].

    Returns
    -------
    DataFrame
        One row a region: area_mm2; length_mm and width_mm, the sides of the smallest rectangle around
        it at any angle (of several equally small ones the longest); chord_mm, the longest distance
        between two of its points; diameter_mm, the equivalent diameter. With `outlines`,
        edge_distance_mm, to the nearest point of the outline's boundary; with `place`,
        neighbour_distance_mm, to the nearest other region of its place; with `fastener_rows`,
        fastener_distance_mm; with `repairs`, repair_distance_mm: 0 where they touch or overlap, nan
        where there is none. A missing region has nan throughout, an empty one an area of 0 and no more.

    Raises
    ------
    TypeError
        If something other than geometries is given.
    ValueError
        If an argument is neither one value nor one for each region.

    See Also
    --------
    panel_share : What regions take together of their panel.

    Notes
    -----
    A region that lies outside its outline has a distance to it too: loading refuses such a region.

    Examples
    --------
    >>> measure([shapely.box(0, 0, 40, 30)]).round(2).to_dict("records")
    [{'area_mm2': 1200.0, 'length_mm': 40.0, 'width_mm': 30.0, 'chord_mm': 50.0, 'diameter_mm': 39.09}]
    >>> two = [shapely.box(10, 10, 40, 30), shapely.box(45, 20, 60, 40)]
    >>> found = measure(two, outlines=shapely.box(0, 0, 200, 100), place=["P1", "P1"])
    >>> found[["edge_distance_mm", "neighbour_distance_mm"]].to_numpy().tolist()
    [[10.0, 5.0], [20.0, 5.0]]
    """
    shapes = np.atleast_1d(np.asarray(geometries, dtype=object))
    check_geometries(shapes, "geometries")
    n = len(shapes)
    area = np.empty(n)
    columns = {"area_mm2": area}
    sizes = np.empty((n, 3))
    jobs = []

    def size() -> None:
        area[:] = shapely.area(shapes)
        sizes[:] = extents(shapes)

    # The rectangles are numpy's work in small steps, the distances shapely's in large ones: side by side.
    jobs.append(size)
    code = None if place is None else _codes(place, n)
    neighbour = np.full(n, np.nan)
    if code is not None:

        def neighbours() -> None:
            there = np.flatnonzero(code >= 0)
            neighbour[there] = neighbour_distance(shapes[there], code[there])

        jobs.append(neighbours)
    box = np.empty((0, 4))
    if any(given is not None for given in (outlines, fastener_rows)):
        box = shapely.bounds(shapes)
    distances = {}
    for name, argument, given in (
        ("edge_distance_mm", "outlines", outlines),
        ("fastener_distance_mm", "fastener_rows", fastener_rows),
        ("repair_distance_mm", "repairs", repairs),
    ):
        if given is None:
            continue
        others = Others(given, n, argument)
        if name == "edge_distance_mm":
            others.unique = shapely.boundary(others.unique)
        distances[name] = np.full(n, np.nan)
        jobs += distance_jobs(distances[name], shapes, box, others, lines=name != "repair_distance_mm")
    over(lambda job: job(), jobs if n > 1_000 else [lambda: [job() for job in jobs]])
    columns |= dict(zip(("length_mm", "width_mm", "chord_mm"), sizes.T, strict=True))
    columns["diameter_mm"] = equivalent_diameter(area)
    for name in ("edge_distance_mm", "neighbour_distance_mm", "fastener_distance_mm", "repair_distance_mm"):
        if name in distances:
            columns[name] = distances[name]
        elif name == "neighbour_distance_mm" and code is not None:
            columns[name] = neighbour
    return pd.DataFrame(columns)


def panel_share(geometries: Geometries, place: ArrayLike, outlines: Geometries) -> pd.DataFrame:
    """Return how much of each panel its regions take, what overlaps counted once.

    Parameters
    ----------
    geometries : sequence of Polygon or MultiPolygon, shape (n,)
        Regions, each in the plane of its panel [mm].
    place : array_like, shape (n,)
        The panel of each region.
    outlines : Polygon or sequence of Polygon, shape (n,)
        Outline of the panel: one for all, or one for each region, the same for all of a panel [mm].

    Returns
    -------
    DataFrame
        One row a panel, by its first region: place, n_regions, union_area_mm2, sum_area_mm2 (overlaps
        counted each time), outline_area_mm2 and share, the union over the outline [-]. Only what lies
        within the outline counts. nan where there is no outline.

    Raises
    ------
    TypeError
        If something other than geometries is given.
    ValueError
        If an argument does not have one value for each region, a place is missing, or regions of one
        place have outlines of different areas.

    Examples
    --------
    >>> two = [shapely.box(0, 0, 10, 10), shapely.box(5, 0, 15, 10)]
    >>> panel_share(two, ["P1", "P1"], shapely.box(0, 0, 100, 10)).to_dict("records")
    [{'place': 'P1', 'n_regions': 2, 'union_area_mm2': 150.0, 'sum_area_mm2': 200.0,
      'outline_area_mm2': 1000.0, 'share': 0.15}]
    """
    shapes = np.atleast_1d(np.asarray(geometries, dtype=object))
    check_geometries(shapes, "geometries")
    n = len(shapes)
    code = _codes(place, n)
    if (code < 0).any():
        raise ValueError(
            f"`place` must name the panel of each region. Got none in row {int(np.argmin(code))}; "
            "leave such regions out."
        )
    others = Others(outlines, n, "outlines")
    whole = shapely.area(others.unique)[others.code]
    n_places = int(code.max(initial=-1)) + 1
    first = np.zeros(n_places, np.intp)
    first[code[::-1]] = np.arange(n)[::-1]
    differs = np.flatnonzero(~np.isclose(whole, whole[first[code]], rtol=1e-9, equal_nan=True))
    if differs.size:
        row = int(differs[0])
        raise ValueError(
            f"`outlines` must be the same for all regions of a place. Got {whole[row]:g} mm² in row {row} and "
            f"{whole[first[code[row]]]:g} mm² in row {int(first[code[row]])}. Correct one of them."
        )
    outline = others.each(slice(None))
    usable = shapely.is_geometry(shapes) & shapely.is_geometry(outline)
    out_of = np.flatnonzero(usable)[~shapely.covers(outline[usable], shapes[usable])]
    inside = shapes.copy()
    inside[out_of] = shapely.intersection(shapes[out_of], outline[out_of])
    area = np.nan_to_num(shapely.area(inside))
    total = np.bincount(code, weights=area, minlength=n_places)
    # Regions that touch no other one add up; the others are united, each heap of them by itself.
    label = joined(*touching(inside, code), n)
    heap = np.bincount(label, minlength=n)[label] > 1
    union = np.zeros(n_places)
    np.add.at(union, code[~heap], area[~heap])
    rows = np.flatnonzero(heap)
    rows = rows[np.argsort(label[rows], kind="stable")]
    if rows.size:
        for part in np.split(rows, np.flatnonzero(np.diff(label[rows])) + 1):
            # Rounding alone must not make the union larger than its parts.
            union[code[part[0]]] += min(
                float(shapely.area(shapely.union_all(inside[part]))), area[part].sum()
            )
    union = np.minimum(union, total)
    outline_area = whole[first]
    known = np.isfinite(outline_area)
    frame = pd.DataFrame(
        {
            "place": pd.Series(np.asarray(place, dtype=object)[first]).infer_objects(),
            "n_regions": np.bincount(code, minlength=n_places),
            "union_area_mm2": np.where(known, union, np.nan),
            "sum_area_mm2": np.where(known, total, np.nan),
            "outline_area_mm2": outline_area,
        }
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return frame.assign(share=np.minimum(union / outline_area, 1.0))


def _codes(place: ArrayLike, n: int) -> NDArray[np.intp]:
    """Return a number for each place, -1 where it is missing."""
    labels = place.array if isinstance(place, pd.Series) else np.asarray(place)
    if labels.shape != (n,):
        raise ValueError(
            f"`place` must have one value for each of the {n} regions. Got the shape {labels.shape}."
        )
    return pd.factorize(labels)[0].astype(np.intp)
