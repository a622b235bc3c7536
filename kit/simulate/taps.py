"""What an inspector taps round a damage: a grid of marks, or of contact times."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

_PITCH = 12.5  # mm between taps
_ROUND = 3  # taps beyond the damage on every side
_SOUND = 320.0  # µs of contact on a sound bond, before the panel's own factor
_SPREAD = 0.03  # log spread of a contact time from tap to tap


def tap_rows(
    rng: np.random.Generator, points: NDArray[np.float64], outline: shapely.Polygon, *, timed: bool
) -> list[dict[str, str]]:
    """Return the taps round a damage.

    Parameters
    ----------
    rng : numpy.random.Generator
        Stream of this mapping.
    points : ndarray of float, shape (n_points, 2)
        Corners of the damage [mm].
    outline : Polygon
        Outline of the panel; nobody taps beyond it [mm].
    timed : bool
        Whether the tapper takes contact times, or a person marks what sounds dull.

    Returns
    -------
    list of dict
        For each tap the cells x, y, mark and contact_time [mm, µs]; none where no tap met the damage.
    """
    damage = shapely.Polygon(points)
    low, high = points.min(axis=0) - _ROUND * _PITCH, points.max(axis=0) + _ROUND * _PITCH
    start = np.round(low + rng.uniform(0, _PITCH, 2), 1)
    x, y = np.meshgrid(np.arange(start[0], high[0], _PITCH), np.arange(start[1], high[1], _PITCH))
    x, y = x.ravel(), y.ravel()
    on = shapely.contains_xy(outline, x, y)
    x, y = x[on], y[on]
    dull = shapely.contains_xy(damage, x, y)
    if not dull.any():
        return []
    if not timed:
        marks = np.where(dull, "dull", "clear").tolist()
        return [
            {"x": f"{a:.1f}", "y": f"{b:.1f}", "mark": mark, "contact_time": ""}
            for a, b, mark in zip(x, y, marks, strict=True)
        ]
    depth = np.zeros(x.size)
    depth[dull] = shapely.distance(damage.exterior, shapely.points(x[dull], y[dull]))
    longest = float(np.sqrt(shapely.area(damage) / np.pi))
    # Softest in the middle of the damage; at its edge the bond still holds a good part of the skin.
    ratio = np.where(dull, 1.35 + 0.9 * np.minimum(depth / longest, 1.0), 1.0)
    sound = _SOUND * np.exp(rng.normal(0, 0.1))
    times = sound * ratio * np.exp(rng.normal(0, _SPREAD, x.size))
    return [
        {"x": f"{a:.1f}", "y": f"{b:.1f}", "mark": "", "contact_time": f"{time:.0f}"}
        for a, b, time in zip(x, y, times, strict=True)
    ]
