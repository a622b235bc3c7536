"""What chance a grid of taps has to land on a damage."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from kit.numerics.typing import Floats

GRIDS = ("square", "triangular")
"""Patterns of taps."""

_ANGLES = 360  # equal steps over half a turn; the mean of a periodic function


def tap_grid_chance(
    length: ArrayLike,
    width: ArrayLike,
    pitch: ArrayLike,
    angle: ArrayLike | None = None,
    *,
    grid: str = "square",
) -> Floats:
    r"""Chance that at least one tap of a regular grid lands on an elliptical damage.

    Parameters
    ----------
    length, width : array_like of float
        Full axes of the ellipse; equal for a circle [mm].
    pitch : array_like of float
        Distance between neighbouring taps [mm].
    angle : array_like of float, optional
        Angle between the length and a row of the grid [degrees]. Default: any angle, all alike.
    grid : str
        ``square`` or ``triangular``.

    Returns
    -------
    ndarray of float
        Chance over all positions of the damage relative to the grid [-]; 1 where a tap always lands on it.

    Raises
    ------
    ValueError
        If a size or pitch is not positive, or `grid` is unknown.

    See Also
    --------
    tap_grid_pitch : The pitch that a size and a chance need.

    Notes
    -----
    Stretched so that the ellipse becomes a circle, the grid is still a lattice. A circle about each of
    its points covers of the plane what it covers of its own Voronoi cell, a hexagon at most, and that
    area has a closed form. While the damage is smaller than the pitch this is
    :math:`\pi\,ab/p^2` with the half axes a and b.

    References
    ----------
    .. [1] D. A. Singer and F. E. Wickman, *Probability Tables for Locating Elliptical Targets with
       Square, Rectangular and Hexagonal Point-Nets*. Pennsylvania State University, 1969.
    .. [2] R. O. Gilbert, *Statistical Methods for Environmental Pollution Monitoring*. New York: Van
       Nostrand Reinhold, 1987, ch. 10.

    Examples
    --------
    >>> tap_grid_chance([10.0, 25.0, 36.0], [10.0, 25.0, 36.0], 25.0).round(4)
    array([0.1257, 0.7854, 1.    ])
    """
    if grid not in GRIDS:
        raise ValueError(f"`grid` must be one of {', '.join(GRIDS)}. Got {grid!r}.")
    sizes = [np.asarray(x, np.float64) for x in (length, width, pitch)]
    for name, values in zip(("length", "width", "pitch"), sizes, strict=True):
        good = np.isfinite(values) & (values > 0)
        if not good.all():
            raise ValueError(f"`{name}` must be positive and finite [mm]. Got {values[~good].flat[0]:g}.")
    if angle is None:
        every = np.arange(_ANGLES) * (180.0 / _ANGLES)
        stretched = [x[..., None] for x in np.broadcast_arrays(*sizes)]
        return _covered(*stretched, every, grid).mean(axis=-1)
    return _covered(*np.broadcast_arrays(*sizes, np.asarray(angle, np.float64)), grid)


def _covered(length: Floats, width: Floats, pitch: Floats, angle: Floats, grid: str) -> Floats:
    """Share of the plane that unit circles about the points of the stretched grid cover."""
    rows = np.array([[1.0, 0.0], [0.0, 1.0]] if grid == "square" else [[1.0, 0.0], [0.5, np.sqrt(0.75)]])
    turn = np.radians(angle)
    cos, sin = np.cos(turn), np.sin(turn)
    vectors = []
    for x, y in rows:
        along, across = (x * cos + y * sin) * pitch, (y * cos - x * sin) * pitch
        vectors.append(np.stack(np.broadcast_arrays(along / (length / 2), across / (width / 2)), axis=-1))
    u, v = _reduced(*vectors)
    area = np.abs(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])
    # Neighbours in turn; the corners of the cell are the centres of the circles through 0 and two of them.
    around = [u, v, v - u, -u, -v, u - v]
    total = np.zeros(area.shape)
    for before, here, after in zip(around[-1:] + around[:-1], around, around[1:] + around[:1], strict=True):
        total += _sector(here, _centre(before, here), _centre(here, after))
    return np.minimum(total / area, 1.0)


def _reduced(u: Floats, v: Floats) -> tuple[Floats, Floats]:
    """Shortest basis of a lattice, turned so that its vectors meet at no more than a right angle."""
    for _ in range(64):
        swap = (u**2).sum(axis=-1) > (v**2).sum(axis=-1)
        u, v = np.where(swap[..., None], v, u), np.where(swap[..., None], u, v)
        steps = np.rint((u * v).sum(axis=-1) / (u**2).sum(axis=-1))
        if not steps.any():
            break
        v = v - steps[..., None] * u
    return u, np.where(((u * v).sum(axis=-1) < 0)[..., None], -v, v)


def _centre(a: Floats, b: Floats) -> Floats:
    """Centre of the circle through 0, a and b."""
    cross = 2 * (a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
    aa, bb = (a**2).sum(axis=-1), (b**2).sum(axis=-1)
    x = (b[..., 1] * aa - a[..., 1] * bb) / cross
    y = (a[..., 0] * bb - b[..., 0] * aa) / cross
    return np.stack([x, y], axis=-1)


def _sector(neighbour: Floats, first: Floats, last: Floats) -> Floats:
    """Area that the unit circle shares with the triangle from 0 to the edge towards a neighbour."""
    size = np.sqrt((neighbour**2).sum(axis=-1))
    distance = size / 2
    normal = neighbour / size[..., None]
    ends = []
    for corner in (first, last):
        along = corner[..., 1] * normal[..., 0] - corner[..., 0] * normal[..., 1]
        ends.append(np.arctan2(along, distance))
    half = np.arccos(np.minimum(distance, 1.0))  # within this angle of the normal the edge cuts the circle
    parts = []
    for end in ends:
        inner = np.clip(end, -half, half)
        parts.append((distance**2 * np.tan(inner) + (end - inner)) / 2)
    return np.abs(parts[1] - parts[0])


def tap_grid_pitch(
    length: float, width: float, chance: float, angle: float | None = None, *, grid: str = "square"
) -> float:
    """Widest pitch at which a grid of taps lands on a damage with a wanted chance.

    Parameters
    ----------
    length, width : float
        Full axes of the ellipse [mm].
    chance : float
        Wanted chance, above 0 and at most 1 [-].
    angle : float, optional
        Angle between the length and a row of the grid [degrees]. Default: any angle, all alike.
    grid : str
        ``square`` or ``triangular``.

    Returns
    -------
    float
        Pitch [mm].

    Raises
    ------
    ValueError
        If `chance` is not above 0 and at most 1, or another argument is refused by `tap_grid_chance`.

    Examples
    --------
    >>> round(tap_grid_pitch(25.0, 25.0, 0.9), 2)
    22.42
    """
    if not 0 < chance <= 1:
        raise ValueError(f"`chance` must be above 0 and at most 1. Got {chance!r}.")
    # Certain below half the width; never more than the area over the area of a cell.
    low, high = width / 4, 2 * np.sqrt(length * width / chance)

    def excess(pitch: float) -> float:
        return float(tap_grid_chance(length, width, pitch, angle, grid=grid)) - chance

    if chance == 1:
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if excess(middle) >= -1e-12 else (low, middle)
        return low
    return float(brentq(excess, low, high, xtol=1e-10))
