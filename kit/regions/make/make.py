"""Which region of the skin each finding covers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings import Fleet, suspect_units
from kit.regions.make.tapped import tapped_regions
from kit.regions.measure.measure import equivalent_diameter

_ELLIPSE_CORNERS = 48
_WIDTH_SHARE = 0.6  # width over length where the width was not written down and no finding tells (assumed)
_WIDTH_SHARES = (0.2, 1.0)  # and the range that it may lie in (assumed)


def ellipses(
    centre_x: np.ndarray, centre_y: np.ndarray, length: np.ndarray, width: np.ndarray, angle: np.ndarray
) -> np.ndarray:
    """Make ellipses, as polygons of the exact area.

    Parameters
    ----------
    centre_x, centre_y : ndarray of float, shape (n,)
        Centres [mm].
    length, width : ndarray of float, shape (n,)
        Full axes [mm].
    angle : ndarray of float, shape (n,)
        Angle of the length from forward, turning up [degrees].

    Returns
    -------
    ndarray of Polygon, shape (n,)
        With 48 corners, each enlarged so that its area is that of the ellipse.
    """
    corner = 2 * np.pi * np.arange(_ELLIPSE_CORNERS) / _ELLIPSE_CORNERS
    # The polygon inscribed in an ellipse has sin(2 pi/n) n/(2 pi) of its area.
    grow = np.sqrt(2 * np.pi / _ELLIPSE_CORNERS / np.sin(2 * np.pi / _ELLIPSE_CORNERS))
    turn = np.radians(angle)[:, None]
    u = grow * length[:, None] / 2 * np.cos(corner)
    v = grow * width[:, None] / 2 * np.sin(corner)
    x = centre_x[:, None] + u * np.cos(turn) - v * np.sin(turn)
    y = centre_y[:, None] + u * np.sin(turn) + v * np.cos(turn)
    return shapely.polygons(np.stack([x, y], axis=-1))


def finding_regions(fleet: Fleet, *, damage_only: bool = True) -> pd.DataFrame:
    """Return the region of each finding, with its size and what the uncertain outline allows.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    damage_only : bool
        Leave out findings that turned out to be no damage.

    Returns
    -------
    DataFrame
        One row a finding: finding, panel, aircraft, zone, group, found_on, kind, method, disposition,
        unit_suspect (bool; the written size fits another unit better), rounding_mm (step to which the size was
        written where the region is the ellipse of it, else 0), geometry (in panel coordinates, None where nothing tells it; mm), shape_basis (``outline``,
        ``taps``, ``contact_time`` or ``ellipse``), width_assumed (bool), area_mm2, diameter_mm (equivalent
        diameter), area_lower_mm2, area_upper_mm2, diameter_lower_mm, diameter_upper_mm (bounds),
        geometry_inner, geometry_outer (bounds of taps, None elsewhere) and open_edge (bool; the dull area
        reaches the border of what was tapped, so that there is no upper bound: area_upper_mm2 is then
        that of the outer shape only).

    See Also
    --------
    tap_mark_outlines : How taps become a region with bounds.

    Notes
    -----
    The region is the outline where one is drawn; else that of the tap grid, of which a tap counts as
    dull by its mark or, where it has none, by its contact time over the background of the grid; else
    the ellipse of the length and width as written. A missing width is the length times the median
    ratio of the findings that have both.

    The bounds of an ellipse are length and width half a step of rounding less and more; of a missing
    width, the length times the smallest and the largest ratio of width to length among the findings
    that have both (0.2 and 1 where none has, assumed), and never more than the length. A drawn outline
    carries no statement of how exact it is: its bounds are its own size. Of several findings that share
    a grid on one panel and day, each takes the parts of it that are nearest to its centre; one without
    a centre takes all.
    """
    findings = fleet.damage if damage_only else fleet.tables["findings"]
    zones = fleet.tables["zones"].set_index("zone")
    frame = findings[
        ["finding", "panel", "aircraft", "zone", "found_on", "kind", "method", "disposition"]
    ].copy()
    frame.insert(4, "group", frame["zone"].map(zones["group"]))
    geometry = findings["outline"].to_numpy(object).copy()
    basis = np.where(shapely.is_missing(geometry), "ellipse", "outline").astype(object)
    taps = tapped_regions(findings[shapely.is_missing(geometry)], fleet.tables.get("taps"), zones["outline"])
    at = findings.index.get_indexer(taps.index)
    geometry[at], basis[at] = taps["best"], taps["basis"]
    no_outline = basis == "ellipse"
    length, width = findings["length"].to_numpy(float), findings["width"].to_numpy(float)
    both = np.isfinite(length) & np.isfinite(width) & (length > 0)
    shares = width[both] / length[both]
    share = float(np.median(shares)) if both.any() else _WIDTH_SHARE
    assumed = ~np.isfinite(width)
    full_width = np.where(assumed, length * share, width)
    angle = np.nan_to_num(findings["angle"].to_numpy(float))
    centre_x, centre_y = findings["centre_x"].to_numpy(float), findings["centre_y"].to_numpy(float)
    make = no_outline & np.isfinite(length) & np.isfinite(centre_x) & np.isfinite(centre_y)
    geometry[make] = ellipses(centre_x[make], centre_y[make], length[make], full_width[make], angle[make])
    frame["geometry"] = geometry
    frame["shape_basis"] = pd.Series(basis, index=frame.index, dtype="str")
    frame["width_assumed"] = no_outline & assumed
    doubt = suspect_units(findings, fleet.tables["zones"])
    frame["unit_suspect"] = findings.index.isin(doubt.index[doubt["suggestion"] != ""])
    frame["rounding_mm"] = np.where(make, np.nan_to_num(findings["rounding"].to_numpy(float)), 0.0)
    area = shapely.area(geometry)
    low_share, high_share = (shares.min(), shares.max()) if both.any() else _WIDTH_SHARES
    half_step = np.nan_to_num(findings["rounding"].to_numpy(float)) / 2
    frame["area_mm2"], frame["diameter_mm"] = area, equivalent_diameter(area)
    for side, sign, edge in (("lower", -1, low_share), ("upper", 1, high_share)):
        bound = area.copy()
        long = np.maximum(length + sign * half_step, 0)
        wide = np.where(assumed, long * min(edge, 1.0), np.maximum(width + sign * half_step, 0))
        bound[make] = (np.pi / 4 * long * wide)[make]
        bound[at] = shapely.area(taps["inner" if sign < 0 else "outer"].to_numpy(object))
        frame[f"area_{side}_mm2"] = bound
    for side in ("lower", "upper"):
        frame[f"diameter_{side}_mm"] = equivalent_diameter(frame[f"area_{side}_mm2"].to_numpy())
    for side in ("inner", "outer"):
        shapes = np.full(len(frame), None, dtype=object)
        shapes[at] = taps[side]
        frame[f"geometry_{side}"] = shapes
    is_open = np.zeros(len(frame), dtype=bool)
    is_open[at] = taps["open_edge"]
    frame["open_edge"] = is_open
    return frame.reset_index(drop=True)
