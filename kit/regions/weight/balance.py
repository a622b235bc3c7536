"""How far from the hinge line does a mass lie on a control surface, and what moment has it."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def hinge_arm(shapes: ArrayLike, hinge_lines: ArrayLike, outlines: ArrayLike) -> Floats:
    r"""Return the distance of the centroid of each region from the hinge line of its panel.

    Parameters
    ----------
    shapes : array_like of Polygon, shape (n,)
        Regions in panel coordinates [mm].
    hinge_lines : array_like of LineString, shape (n,) or ()
        Line about which the panel turns, by two points; it goes on beyond them [mm].
    outlines : array_like of Polygon, shape (n,) or ()
        Outlines of the panels: the arm is positive on the side on which the panel lies [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Arms [mm]; nan where a region or a hinge line is missing.

    Notes
    -----
    For a hinge line from :math:`p` in the direction :math:`u` the arm of :math:`c` is :math:`|u \times (c - p)|`, with
    the sign of the same product for the centroid of the outline.

    Examples
    --------
    >>> panel = shapely.box(0, 0, 1000, 400)
    >>> hinge = shapely.LineString([(0, 400), (1000, 400)])
    >>> hinge_arm([shapely.box(0, 0, 100, 100)], hinge, panel).tolist()
    [350.0]
    """
    shapes, lines, outlines = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(value, dtype=object)) for value in (shapes, hinge_lines, outlines))
    )
    out = np.full(len(shapes), np.nan)
    known = ~(shapely.is_missing(shapes) | shapely.is_missing(lines) | shapely.is_missing(outlines))
    if not known.any():
        return out
    first, last = shapely.get_point(lines[known], 0), shapely.get_point(lines[known], -1)
    start = np.column_stack([shapely.get_x(first), shapely.get_y(first)])
    along = np.column_stack([shapely.get_x(last), shapely.get_y(last)]) - start
    along /= np.hypot(along[:, 0], along[:, 1])[:, None]

    def aside(geometries: NDArray[np.object_]) -> Floats:
        """Return the signed distance of centroids from the line."""
        middle = shapely.centroid(geometries)
        off = np.column_stack([shapely.get_x(middle), shapely.get_y(middle)]) - start
        return along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]

    side = np.where(aside(outlines[known]) < 0, -1.0, 1.0)
    out[known] = aside(shapes[known]) * side
    return out


def moment(mass_kg: ArrayLike, arm_mm: ArrayLike) -> Floats:
    """Return the static moment of masses about a hinge line.

    Parameters
    ----------
    mass_kg : array_like of float, shape (n,)
        Masses [kg].
    arm_mm : array_like of float, shape (n,)
        Arms [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Mass times arm [kg m]; nan where one is not known.

    Examples
    --------
    >>> moment([0.4], [350.0]).round(3).tolist()
    [0.14]
    """
    return np.asarray(mass_kg, np.float64) * np.asarray(arm_mm, np.float64) * 1e-3
