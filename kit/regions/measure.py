"""How large a region is: area, length, width, longest chord, equivalent diameter."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray


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


def measure(geometries: Sequence[shapely.Geometry] | NDArray[np.object_]) -> pd.DataFrame:
    """Measure regions.

    Parameters
    ----------
    geometries : sequence of Polygon or MultiPolygon, shape (n,)
        Regions in one plane [mm].

    Returns
    -------
    DataFrame
        One row a region: area_mm2; length_mm and width_mm, the sides of the smallest rectangle around
        it at any angle; chord_mm, the longest distance between two of its points; diameter_mm, the
        equivalent diameter. A missing region has nan throughout, an empty one an area of 0 and no sides.

    Raises
    ------
    TypeError
        If something other than geometries is given.

    Examples
    --------
    >>> measure([shapely.box(0, 0, 40, 30)]).round(2).to_dict("records")
    [{'area_mm2': 1200.0, 'length_mm': 40.0, 'width_mm': 30.0, 'chord_mm': 50.0, 'diameter_mm': 39.09}]
    """
    shapes = np.atleast_1d(np.asarray(geometries, dtype=object))
    good = shapely.is_geometry(shapes) | shapely.is_missing(shapes)
    if not good.all():
        row = int(np.argmin(good))
        raise TypeError(
            f"`geometries` must be shapely geometries. Got {type(shapes[row]).__name__} in row {row}."
        )
    area = shapely.area(shapes)
    sides = _rectangle_sides(shapely.minimum_rotated_rectangle(shapes))
    return pd.DataFrame(
        {
            "area_mm2": area,
            "length_mm": sides.max(axis=1),
            "width_mm": sides.min(axis=1),
            "chord_mm": _longest_chord(shapes),
            "diameter_mm": equivalent_diameter(area),
        }
    )


def _rectangle_sides(rectangles: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return the two side lengths of each rectangle; a flat one has a width of 0."""
    sides = np.full((rectangles.size, 2), np.nan)
    flat = np.isin(
        shapely.get_type_id(rectangles), (shapely.GeometryType.POINT, shapely.GeometryType.LINESTRING)
    )
    sides[flat] = np.column_stack([shapely.length(rectangles[flat]), np.zeros(int(flat.sum()))])
    is_polygon = shapely.get_type_id(rectangles) == shapely.GeometryType.POLYGON
    full = np.flatnonzero(is_polygon & ~shapely.is_empty(rectangles))
    if full.size:
        corners = shapely.get_coordinates(rectangles[full]).reshape(full.size, 5, 2)
        steps = np.diff(corners[:, :3], axis=1)
        sides[full] = np.hypot(steps[..., 0], steps[..., 1])
    return sides


def _longest_chord(shapes: NDArray[np.object_]) -> NDArray[np.float64]:
    """Longest distance between two corners of each hull."""
    coordinates, owner = shapely.get_coordinates(shapely.convex_hull(shapes), return_index=True)
    chord = np.full(shapes.size, np.nan)
    count = np.bincount(owner, minlength=shapes.size)
    start = np.cumsum(count) - count
    # Hulls with the same number of corners are compared together, all pairs at once.
    for n in np.unique(count[count > 0]):
        rows = np.flatnonzero(count == n)
        for part in np.array_split(rows, max(1, rows.size * n * n // 4_000_000)):
            points = coordinates[start[part][:, None] + np.arange(n)]
            gap = points[:, :, None, :] - points[:, None, :, :]
            chord[part] = np.sqrt((gap**2).sum(axis=-1).max(axis=(1, 2)))
    return chord
