"""What outline a damage has on its panel: one place and shape for all its finds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from kit.simulate.scenario_parts import Family

_FROM_EDGE = ("M", "W")  # water comes in at edges and seals
_MARGIN = 1.0  # mm kept free inside the panel's outline

FASTENER_INSET = 60.0
"""How far rows of fasteners end before the edge [mm]."""


@dataclass(frozen=True)
class Shape:
    """Place and shape of one damage, at unit area.

    Parameters
    ----------
    centre : tuple of float
        Centre in panel coordinates [mm].
    turns : ndarray of float, shape (n_points,)
        Directions of the points, rising [rad].
    radii : ndarray of float, shape (n_points,)
        Relative distances of the points [-].
    aspect : float
        Length over width [-].
    angle : float
        Angle of the length from forward [rad].
    """

    centre: tuple[float, float]
    turns: NDArray[np.float64]
    radii: NDArray[np.float64]
    aspect: float
    angle: float


def draw_shape(rng: np.random.Generator, family: Family, mode: str, size: float) -> Shape:
    """Draw the place and shape of a damage.

    Parameters
    ----------
    rng : numpy.random.Generator
        Stream of this damage.
    family : Family
        Family of the panel.
    mode : str
        Mode; moisture comes mostly in from the edges, the others strike anywhere.
    size : float
        Equivalent diameter at onset [mm].

    Returns
    -------
    Shape
        The shape, with 12 to 16 points.
    """
    n = int(rng.integers(12, 17))
    turns = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    radii = np.exp(rng.normal(0.0, 0.12, n))
    aspect, angle = float(rng.uniform(1.1, 2.2)), float(rng.uniform(0.0, np.pi))
    u, along, depth, side = rng.random(4)
    offset = size / 2 + 10.0 - 50.0 * math.log(1 - depth)
    if family.is_round:
        radius = family.length / 2
        reach = radius * math.sqrt(along)
        if mode in _FROM_EDGE and u < 0.6:
            reach = max(radius - offset, 0.0)
        turn = 2 * math.pi * side
        centre = (radius + reach * math.cos(turn), radius + reach * math.sin(turn))
    else:
        x, y = along * family.length, depth * family.height
        if mode in _FROM_EDGE and u < 0.6:
            far = min(offset, min(family.length, family.height) / 2)
            if side < family.length / (family.length + family.height):
                y = far if side * (family.length + family.height) < family.length / 2 else family.height - far
            else:
                x, y = (far if u < 0.3 else family.length - far), (1 - side) * (family.length + family.height)
        centre = (x, y)
    return Shape(centre, turns, radii, aspect, angle)


def _points(shape: Shape, size: float) -> NDArray[np.float64]:
    stretch = math.sqrt(shape.aspect)
    x, y = shape.radii * np.cos(shape.turns) * stretch, shape.radii * np.sin(shape.turns) / stretch
    area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
    scale = math.sqrt(math.pi * size**2 / 4 / area)
    cos, sin = math.cos(shape.angle), math.sin(shape.angle)
    return scale * np.column_stack([x * cos - y * sin, x * sin + y * cos])


def _inside(points: NDArray, centre: tuple[float, float], family: Family) -> tuple[float, float] | None:
    """Return the nearest centre at which the points lie inside the outline; None: there is none."""
    if not family.is_round:
        moved = []
        for axis, extent in enumerate((family.length, family.height)):
            low, high = _MARGIN - points[:, axis].min(), extent - _MARGIN - points[:, axis].max()
            if low > high:
                return None
            moved.append(min(max(centre[axis], low), high))
        return moved[0], moved[1]
    radius = family.length / 2
    room = radius * math.cos(math.pi / 64) - _MARGIN
    offset = np.subtract(centre, radius)
    for share in np.linspace(1.0, 0.0, 201):
        if np.hypot(*(points + share * offset).T).max() <= room:
            return float(radius + share * offset[0]), float(radius + share * offset[1])
    return None


def outline_of(
    shape: Shape, family: Family, size: float
) -> tuple[NDArray[np.float64], tuple[float, float], Shape]:
    """Return the outline of a damage at a measured size.

    A shape that would not fit is first turned along the panel and then made rounder; a place too
    near the edge is moved in by as little as it takes.

    Parameters
    ----------
    shape : Shape
        Its place and shape.
    family : Family
        Family of the panel.
    size : float
        Measured equivalent diameter [mm].

    Returns
    -------
    points : ndarray of float, shape (n_points, 2)
        Corners in panel coordinates, rounded to 0.1 mm [mm].
    centre : tuple of float
        Centre [mm].
    shape : Shape
        The shape as used.

    Raises
    ------
    ValueError
        If a damage of this size cannot lie on the panel.
    """
    for used in (shape, replace(shape, angle=0.0), replace(shape, angle=0.0, aspect=1.1)):
        points = _points(used, size)
        centre = _inside(points, shape.centre, family)
        if centre is not None:
            return np.round(points + centre, 1), centre, used
    raise ValueError(
        f"`size` must fit on a panel of group {family.group}, of {family.length:g} by {family.height:g} mm. "
        f"Got {size:.0f} mm instead. Give a smaller size."
    )


def clearances(
    points: NDArray[np.float64], family: Family, inset: float = FASTENER_INSET
) -> tuple[float, float]:
    """Return how far an outline lies from the edge of its panel and from the rows of fasteners.

    Parameters
    ----------
    points : ndarray of float, shape (n_points, 2)
        Corners in panel coordinates [mm].
    family : Family
        Family of the panel.
    inset : float
        How far the rows of fasteners end before the edge [mm].

    Returns
    -------
    tuple of float
        Distance to the edge, and to the nearest row of fasteners; infinite where there is none [mm].
    """
    outline = shapely.Polygon(points)
    edge = shapely.distance(shapely.Polygon(family.outline).exterior, outline)
    rows = [shapely.LineString([(x, inset), (x, family.height - inset)]) for x in family.fastener_rows]
    return float(edge), float(min((shapely.distance(row, outline) for row in rows), default=math.inf))
