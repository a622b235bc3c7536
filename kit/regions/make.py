"""Which region of the skin each finding covers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings import NO_DAMAGE, Fleet
from kit.regions.measure import equivalent_diameter

_ELLIPSE_CORNERS = 48
_WIDTH_SHARE = 0.6  # width over length where the width was not written down and no finding tells (assumed)


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
    """Return the region of each finding, with its size.

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
        geometry (polygon in panel coordinates, mm), shape_basis (``outline`` or ``ellipse``),
        width_assumed (bool), area_mm2, diameter_mm (equivalent diameter).

    Notes
    -----
    Where there is no outline the region is the ellipse of the length and width as written. A missing
    width is the length times the median ratio of the findings that have both.
    """
    findings = fleet.tables["findings"]
    if damage_only:
        findings = findings.loc[~findings["disposition"].isin(NO_DAMAGE)]
    group = fleet.tables["zones"].set_index("zone")["group"]
    frame = findings[
        ["finding", "panel", "aircraft", "zone", "found_on", "kind", "method", "disposition"]
    ].copy()
    frame.insert(4, "group", frame["zone"].map(group))
    geometry = findings["outline"].to_numpy(object).copy()
    no_outline = shapely.is_missing(geometry)
    length, width = findings["length"].to_numpy(float), findings["width"].to_numpy(float)
    both = np.isfinite(length) & np.isfinite(width) & (length > 0)
    share = float(np.median(width[both] / length[both])) if both.any() else _WIDTH_SHARE
    assumed = ~np.isfinite(width)
    width = np.where(assumed, length * share, width)
    angle = np.nan_to_num(findings["angle"].to_numpy(float))
    centre_x, centre_y = findings["centre_x"].to_numpy(float), findings["centre_y"].to_numpy(float)
    make = no_outline & np.isfinite(length) & np.isfinite(centre_x) & np.isfinite(centre_y)
    geometry[make] = ellipses(centre_x[make], centre_y[make], length[make], width[make], angle[make])
    frame["geometry"] = geometry
    frame["shape_basis"] = np.where(no_outline, "ellipse", "outline")
    frame["width_assumed"] = no_outline & assumed
    frame["area_mm2"] = shapely.area(geometry)
    frame["diameter_mm"] = equivalent_diameter(frame["area_mm2"].to_numpy())
    return frame.reset_index(drop=True)
