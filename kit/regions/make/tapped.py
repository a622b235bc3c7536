"""Which region do the tap grids of findings stand for."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.numerics.typing import Floats
from kit.regions.make.sound_skin import THRESHOLD, background
from kit.regions.make.tap_marks import TapMarkOutlines, tap_mark_outlines


def tapped_regions(findings: pd.DataFrame, taps: pd.DataFrame | None, outlines: pd.Series) -> pd.DataFrame:
    """Return the regions of findings that name a tap grid.

    Parameters
    ----------
    findings : DataFrame
        Findings without a drawn outline: tap_grid, panel, zone, found_on, centre_x and centre_y [mm].
    taps : DataFrame or None
        Accepted taps: grid, x, y [mm], mark and contact_time [µs].
    outlines : Series of Polygon
        Outlines of panels, labelled by zone [mm].

    Returns
    -------
    DataFrame
        Labelled as `findings`, those only whose grid gives a region: inner, best and outer shape [mm],
        basis (``taps`` where the grid has a mark, else ``contact_time``) and open_edge.

    Notes
    -----
    A tap without a mark is dull where its contact time is `THRESHOLD` times the background of its grid.
    A grid of one place has no pitch and gives no region.
    """
    columns = {name: [] for name in ("inner", "best", "outer", "basis", "open_edge")}
    labels: list = []
    if taps is not None and len(taps) and len(findings):
        named = findings[(findings["tap_grid"] != "") & findings["tap_grid"].isin(taps["grid"])]
        of_grid = taps.groupby("grid").indices if len(named) else {}
        panels = outlines.to_dict() if len(named) else {}
        marks, points = taps["mark"].to_numpy(object), taps[["x", "y"]].to_numpy(float)
        times = taps["contact_time"].to_numpy(float)
        centre = dict(zip(named.index, named[["centre_x", "centre_y"]].to_numpy(float), strict=True))
        keys = ["tap_grid", "zone", "panel", "found_on"]
        for (grid, zone, _, _), own in named.groupby(keys, sort=False).groups.items():
            at = of_grid[grid]
            found = _region(marks[at], times[at], points[at], panels.get(zone))
            if found is None:
                continue
            shapes, basis = found
            centres = np.array([centre[label] for label in own])
            for label, (inner, best, outer) in zip(own, _shared(shapes, centres), strict=True):
                if shapely.is_empty(best):
                    continue
                labels.append(label)
                for name, cell in zip(columns, (inner, best, outer, basis, shapes.open_edge), strict=True):
                    columns[name].append(cell)
    frame = {name: pd.Series(cells, index=labels, dtype=object) for name, cells in columns.items()}
    return pd.DataFrame(frame, index=pd.Index(labels, dtype=findings.index.dtype))


def _region(
    mark: NDArray[np.object_], tau: Floats, points: Floats, outline: shapely.Polygon | None
) -> tuple[TapMarkOutlines, str] | None:
    """Return the region of one grid and what it rests on, None where it gives none."""
    dull, tapped = mark == "dull", mark != "not_tapped"
    read = (mark == "") & (tau > 0)
    if read.any():
        sound = background(tau[tapped & (tau > 0)])
        dull = dull | (read & (tau >= THRESHOLD * sound.contact_time_us))
    tapped &= (mark != "") | read
    if not dull.any() or (np.ptp(points[tapped], axis=0) == 0).all():
        return None
    shapes = tap_mark_outlines(points[:, 0], points[:, 1], dull, outline=outline, tapped=tapped)
    return shapes, "taps" if (mark != "").any() else "contact_time"


def _shared(shapes: TapMarkOutlines, centres: Floats) -> list[tuple]:
    """Return inner, best and outer shape for each finding of a grid."""
    three = (shapes.inner, shapes.best, shapes.outer)
    placed = np.isfinite(centres).all(axis=1)
    if placed.sum() < 2:
        return [three] * len(centres)
    parts = shapely.get_parts(shapes.outer)
    to_each = shapely.distance(parts[:, None], shapely.points(centres[placed])[None, :])
    nearest = np.full(len(centres), -1)
    nearest[placed] = np.arange(placed.sum())
    owner = to_each.argmin(axis=1)
    out = []
    for k in nearest:
        if k < 0:
            out.append(three)
            continue
        mine = shapely.union_all(parts[owner == k])
        out.append(tuple(_kept(shape, mine) for shape in three))
    return out


def _kept(shape: shapely.Geometry, within: shapely.Geometry) -> shapely.Geometry:
    """Return the parts of a shape that lie in another."""
    parts = shapely.get_parts(shape)
    inside = parts[shapely.intersects(shapely.point_on_surface(parts), within)] if len(parts) else parts
    return shapely.multipolygons(inside) if len(inside) != 1 else inside[0]
