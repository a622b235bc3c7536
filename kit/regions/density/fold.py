"""Which panels of a group can be laid on one another, and how left and right ones then lie."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings import Fleet

SAME_OUTLINE = 1e-3
"""Largest share of the area in which the outlines of a group may differ [-]."""


def zones_of(fleet: Fleet, group: str, *, mirror: bool, side: str | None) -> pd.DataFrame:
    """Return the zones of a group that are laid on one another.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    group : str
        Zone group.
    mirror : bool
        Whether left and right panels may be laid on one another.
    side : str or None
        left, right or centre: only zones of this side.

    Returns
    -------
    DataFrame
        Rows of the table zones.

    Raises
    ------
    ValueError
        If the group or the side is not there, or both sides are and neither is chosen without `mirror`.
    """
    zones = fleet.tables["zones"]
    own = zones[zones["group"] == group]
    if not len(own):
        groups = ", ".join(sorted(zones["group"].unique()))
        raise ValueError(f"`group` must be one of {groups}. Got {group!r}; correct the name.")
    if side is not None:
        sided = own[own["side"] == side]
        if not len(sided):
            raise ValueError(
                f"`side` must be a side of group {group}: {', '.join(sorted(own['side'].unique()))}. Got {side!r}."
            )
        return sided
    if not mirror and {"left", "right"} <= set(own["side"]):
        raise ValueError(f"`side` must be left or right where `mirror` is off. Group {group} has both.")
    return own


def common_outline(zones: pd.DataFrame, flipped: frozenset[str]) -> tuple[shapely.Polygon, float]:
    """Return the outline that all zones share.

    Parameters
    ----------
    zones : DataFrame
        Columns zone, group and outline [mm].
    flipped : frozenset of str
        Zones that are turned over.

    Returns
    -------
    outline : Polygon
        That of the first zone [mm].
    middle : float
        The x about which panels are turned over [mm].

    Raises
    ------
    ValueError
        If outlines differ by more than `SAME_OUTLINE` of the area.
    """
    shapes = zones["outline"].to_numpy(object)
    left, _, right, _ = shapely.bounds(shapes[0])
    middle = 0.5 * (left + right)
    shapes = turned(shapes, zones["zone"].isin(flipped).to_numpy(), middle)
    differ = shapely.area(shapely.symmetric_difference(shapes, shapes[0])) / shapely.area(shapes[0])
    bad = zones["zone"].to_numpy()[differ > SAME_OUTLINE]
    if bad.size:
        raise ValueError(
            f"zones of group {zones['group'].iloc[0]} must share an outline to be laid on one another. "
            f"{', '.join(bad)} differ from {zones['zone'].iloc[0]} (by up to {100 * differ.max():.3g} % of the area). "
            "Give them groups of their own, or choose a `side`."
        )
    return shapes[0], middle


def common_rows(zones: pd.DataFrame, flipped: frozenset[str], middle: float) -> shapely.Geometry | None:
    """Return the rows of fasteners that all zones share.

    Parameters
    ----------
    zones : DataFrame
        Columns zone and fastener_rows [mm].
    flipped : frozenset of str
        Zones that are turned over.
    middle : float
        The x about which they are [mm].

    Returns
    -------
    LineString, MultiLineString or None
        None where a zone has none, or its own lie over 1 mm elsewhere [mm].
    """
    rows = turned(zones["fastener_rows"].to_numpy(object), zones["zone"].isin(flipped).to_numpy(), middle)
    if shapely.is_missing(rows).any():
        return None
    same = shapely.hausdorff_distance(rows, rows[0]) <= 1.0
    return rows[0] if same.all() else None


def turned(shapes: NDArray[np.object_], flip: NDArray[np.bool_], middle: float) -> NDArray[np.object_]:
    """Return shapes with some turned over, so that x runs the other way.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        Shapes [mm].
    flip : ndarray of bool, shape (n,)
        Which to turn over.
    middle : float
        The x that stays where it is [mm].

    Returns
    -------
    ndarray of Geometry, shape (n,)
        The shapes [mm].
    """
    out = shapes.copy()
    if flip.any():
        out[flip] = shapely.transform(out[flip], lambda points: points * [-1, 1] + [2 * middle, 0])
    return out
