"""Which grid of taps a wanted size needs, where its taps lie, and to which scale a panel fits the page."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import shapely

from kit.numerics.typing import Floats
from kit.regions import tap_grid_pitch

SCALES: tuple[float, ...] = tuple(step * 10.0**power for power in range(4) for step in (1, 2, 2.5, 4, 5))
"""Scales of a drawing, 1 to so many: whole steps that a rule divides well (common practice, no source)."""
_COARSEST = 1e3  # mm; a wider pitch is no grid
_MOST_TAPS = 1_000_000


def tap_pitch(size_mm: float, *, bounds: str, aspect: float, chance: float) -> float:
    """Return the widest whole pitch at which a square grid meets damage of a size with a wanted chance.

    Parameters
    ----------
    size_mm : float
        The size [mm].
    bounds : str
        What the size is: ``longest_extent`` or ``equivalent_diameter``.
    aspect : float
        Length over width of the damage, at any angle to the grid [-].
    chance : float
        Wanted chance that a tap lands on it, above 0 and at most 1 [-].

    Returns
    -------
    float
        Pitch, rounded down to 1 mm, below 5 mm to 0.5 mm [mm].

    Raises
    ------
    ValueError
        If a value is out of range, or the pitch would be below 0.5 mm.

    Examples
    --------
    >>> tap_pitch(25.0, bounds="equivalent_diameter", aspect=1.0, chance=0.9)
    22.0
    """
    if not 0 < size_mm < np.inf:
        raise ValueError(f"wanted size: must be positive and finite. Got {size_mm!r}; give it in mm.")
    if not 1 <= aspect < np.inf:
        raise ValueError(f"aspect: length over width must be at least 1 and finite. Got {aspect!r}.")
    if not 0 < chance <= 1:
        raise ValueError(f"chance: must be above 0 and at most 1. Got {chance!r}.")
    if bounds == "longest_extent":
        length, width = size_mm, size_mm / aspect
    else:  # the ellipse with the area of the circle
        length, width = size_mm * np.sqrt(aspect), size_mm / np.sqrt(aspect)
    exact = min(_exact_pitch(float(length), float(width), float(chance)), _COARSEST)
    step = 1.0 if exact >= 5 else 0.5
    pitch = float(np.floor(exact / step + 1e-9) * step)
    if pitch <= 0:
        raise ValueError(
            f"wanted size: {size_mm:g} mm needs taps {exact:.2f} mm apart, closer than any tool. Give a larger size, or another method."
        )
    return pitch


@lru_cache(maxsize=1024)
def _exact_pitch(length: float, width: float, chance: float) -> float:
    """Pitch of the grid; the panels of a check mostly ask for the same few."""
    return float(tap_grid_pitch(length, width, chance))


def tap_lattice(outline: shapely.Polygon, pitch: float) -> Floats:
    """Return the places of the taps of a square grid on a panel.

    Parameters
    ----------
    outline : Polygon
        The panel [mm].
    pitch : float
        Distance between neighbouring taps [mm].

    Returns
    -------
    ndarray, shape (n, 2)
        Forward and up, in rows from the lower aft corner [mm]; the grid lies in the middle of the panel, so that the
        outermost taps are at most a pitch from its bounds.

    Raises
    ------
    ValueError
        If there would be more than a million.

    Examples
    --------
    >>> len(tap_lattice(shapely.box(0, 0, 100, 40), 20.0))
    10
    """
    low_x, low_y, high_x, high_y = shapely.bounds(outline)
    numbers = [
        max(round(np.ceil((high - low) / pitch - 1e-9)), 1)
        for low, high in ((low_x, high_x), (low_y, high_y))
    ]
    if numbers[0] * numbers[1] > _MOST_TAPS:
        raise ValueError(
            f"tap grid: {numbers[0]:,} by {numbers[1]:,} taps at {pitch:g} mm are more than a sheet can hold. "
            "Give a larger wanted size, or divide the panel."
        )
    x, y = (
        (low + high) / 2 + (np.arange(n) - (n - 1) / 2) * pitch
        for n, low, high in zip(numbers, (low_x, low_y), (high_x, high_y), strict=True)
    )
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return grid[shapely.intersects_xy(outline, grid[:, 0], grid[:, 1])]


def drawing_scale(width: float, height: float, *, room: tuple[float, float]) -> float:
    """Return the scale, 1 to so many, of the largest drawing that fits.

    Parameters
    ----------
    width, height : float
        Of what is drawn [mm].
    room : tuple of float
        Width and height of its place on the page [mm].

    Returns
    -------
    float
        One of `SCALES`; never larger than life [-].

    Raises
    ------
    ValueError
        If it fits at none.

    Examples
    --------
    >>> drawing_scale(1500.0, 800.0, room=(186.0, 110.0))
    10.0
    """
    need = max(width / room[0], height / room[1])
    fit = [scale for scale in SCALES if scale >= need * (1 - 1e-9)]
    if not fit:
        raise ValueError(
            f"outline: {width:,.0f} by {height:,.0f} mm fits the page at no scale. Correct its unit of length."
        )
    return fit[0]
