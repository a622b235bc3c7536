"""Does an outline hold, and does a written size fit its panel and its outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings.check.problems import ProblemLog
from kit.findings.read.lazy_text import LazyText
from kit.findings.read.size_limits import shortened
from kit.findings.tables import MM_PER_UNIT
from kit.findings.units import suspect_units

FARTHEST = 1e6
"""Largest coordinate on a panel that is worked with: a kilometre [mm]."""

REPAIR_SHARE = 0.05
"""Largest change of area by which a self-crossing outline may be repaired [-]."""

NO_AREA = 1e-6
"""Share of an outline that may lie outside its panel unnoticed: rounding of the file [-]."""


def panel_outlines(zones: pd.DataFrame, labels: pd.Series) -> NDArray:
    """Return the outlines of zones.

    Parameters
    ----------
    zones : DataFrame
        Columns zone and outline [mm].
    labels : Series of str
        Zones.

    Returns
    -------
    ndarray of Polygon or None, shape (n_labels,)
        None where there is no such zone [mm].
    """
    where = pd.Index(zones["zone"]).get_indexer(pd.Index(labels))
    outlines = np.append(zones["outline"].to_numpy(dtype=object), None)
    return outlines[where]


def sound_outlines(
    log: ProblemLog, table: str, column: str, rows: pd.DataFrame, text: pd.DataFrame
) -> NDArray:
    """Return outlines with the self-crossing ones repaired, reporting each.

    Parameters
    ----------
    log : ProblemLog
        Where problems go.
    table, column : str
        Where the outlines are from.
    rows : DataFrame
        Typed rows.
    text : DataFrame
        The same rows as written.

    Returns
    -------
    ndarray of Polygon or None, shape (n_rows,)
        None where the outline is blank or cannot be repaired by rule: one polygon whose area
        differs by less than `REPAIR_SHARE`.
    """
    shapes = rows[column].to_numpy(dtype=object).copy()
    have = ~shapely.is_missing(shapes)
    bad = have & ~(shapely.is_valid(shapes) & (shapely.area(shapes) > 0))
    if not bad.any():
        return shapes
    where = np.flatnonzero(bad)
    why = shapely.is_valid_reason(shapes[where])
    repaired = np.array([_only_polygon(shape) for shape in shapely.make_valid(shapes[where])], dtype=object)
    before, after = shapely.area(shapes[where]), shapely.area(repaired)
    with np.errstate(divide="ignore", invalid="ignore"):
        good = np.abs(after - before) < REPAIR_SHARE * before
    good &= table != "zones"
    shapes[where] = np.where(good, repaired, None)
    mended, lost = where[good], where[~good]
    log.add(
        table,
        rows.iloc[mended],
        column,
        _as_written(text, column, mended),
        reason=f"{column} crosses itself, repaired",
        expected=[f"an outline that does not cross itself ({text})" for text in why[good]],
        mend="draw the outline again, if the repaired one is not what was meant",
        warn=True,
    )
    log.add(
        table,
        rows.iloc[lost],
        column,
        _as_written(text, column, lost),
        reason=f"{column} crosses itself or has no area",
        expected=[f"an outline that does not cross itself ({_reason(text)})" for text in why[~good]],
        mend="draw the outline again",
    )
    return shapes


def clipped_to_panel(
    log: ProblemLog,
    table: str,
    column: str,
    rows: pd.DataFrame,
    text: pd.DataFrame,
    shapes: NDArray,
    panels: NDArray,
) -> NDArray:
    """Return outlines clipped to their panels, reporting each that leaves its panel.

    Parameters
    ----------
    log : ProblemLog
        Where problems go.
    table, column : str
        Where the outlines are from.
    rows, text : DataFrame
        Typed rows, and as written.
    shapes : ndarray of Polygon or None, shape (n_rows,)
        Sound outlines [mm].
    panels : ndarray of Polygon or None, shape (n_rows,)
        Outline of the zone of each; where it is None nothing is checked [mm].

    Returns
    -------
    ndarray of Polygon or None, shape (n_rows,)
        Outlines of which over half is inside are clipped; the others become None and their
        rows are rejected.
    """
    shapes = shapes.copy()
    both = ~shapely.is_missing(shapes) & ~shapely.is_missing(panels)
    out = np.flatnonzero(both)
    shapely.prepare(panels[out])
    out = out[~shapely.covers(panels[out], shapes[out])]
    if not out.size:
        return shapes
    inside = shapely.intersection(shapes[out], panels[out])
    share = shapely.area(inside) / shapely.area(shapes[out])
    pieces = np.array([_only_polygon(shape) for shape in inside], dtype=object)
    one = ~shapely.is_missing(pieces)
    percent = np.array([f"{100 * part:.0f} % of it is" for part in share], dtype=object)
    clip = one & (share > 0.5)
    for mask, reason, mend, warn in (
        (
            clip & (share < 1 - NO_AREA),
            f"{column} leaves the panel, clipped",
            "check datum and unit; draw the outline again if the clipped one is not meant",
            True,
        ),
        (share == 0, f"{column} is outside the panel", "check the zone, the datum and the unit", False),
        (
            (share > 0) & (share <= 0.5),
            f"{column} is mostly outside the panel",
            "check the zone, the datum and the unit",
            False,
        ),
        (
            (share > 0.5) & ~one,
            f"{column} falls into pieces on the panel",
            "draw one outline for each damage",
            False,
        ),
    ):
        log.add(
            table,
            rows.iloc[out[mask]],
            column,
            _as_written(text, column, out[mask]),
            reason=reason,
            expected=[f"an outline inside its panel ({part})" for part in percent[mask]],
            mend=mend,
            warn=warn,
        )
    shapes[out] = np.where(clip, pieces, None)
    return shapes


def lines_on_panel(
    log: ProblemLog, table: str, column: str, rows: pd.DataFrame, text: pd.DataFrame
) -> NDArray:
    """Return lines clipped to the outline beside them, reporting each that leaves it.

    Parameters
    ----------
    log : ProblemLog
        Where problems go.
    table, column : str
        Where the lines are from.
    rows, text : DataFrame
        Typed rows with the column `outline`, and as written.

    Returns
    -------
    ndarray of LineString, MultiLineString or None, shape (n_rows,)
        Lines of which over half the length is inside are clipped; the others become None and
        their rows are rejected. Where there is no outline nothing is clipped.
    """
    shapes = rows[column].to_numpy(dtype=object).copy()
    panels = rows["outline"].to_numpy(dtype=object)
    both = ~shapely.is_missing(shapes) & ~shapely.is_missing(panels)
    out = np.flatnonzero(both)
    length = shapely.length(shapes)
    inside = shapely.intersection(shapes[out], panels[out])
    share = np.zeros(len(shapes))
    with np.errstate(divide="ignore", invalid="ignore"):
        share[out] = np.nan_to_num(shapely.length(inside) / length[out])
    leaves = both & ((share < 1 - NO_AREA) | (length == 0))
    pieces = np.full(len(shapes), None, dtype=object)
    pieces[out] = [_only_lines(shape) for shape in inside]
    for mask, reason, mend, warn in (
        (
            leaves & (share > 0.5),
            f"{column} leaves the panel, clipped",
            "check datum and unit; draw the lines again if the clipped ones are not meant",
            True,
        ),
        (leaves & (length == 0), f"{column} has no length", "draw the lines again", False),
        (
            leaves & (share <= 0.5) & (length > 0),
            f"{column} is mostly outside the panel",
            "check the zone, the datum and the unit",
            False,
        ),
    ):
        where = np.flatnonzero(mask)
        log.add(
            table,
            rows.iloc[where],
            column,
            _as_written(text, column, where),
            reason=reason,
            expected=[
                f"lines with a length, inside the outline ({100 * part:.0f} % of it is)"
                for part in share[where]
            ],
            mend=mend,
            warn=warn,
        )
    kept = np.where(share > 0.5, pieces, None)
    shapes[leaves] = kept[leaves]
    return shapes


def check_sizes(log: ProblemLog, rows: pd.DataFrame, text: pd.DataFrame, zones: pd.DataFrame) -> None:
    """Report sizes of findings that exceed the panel, or whose unit is in doubt.

    Parameters
    ----------
    log : ProblemLog
        Where problems go.
    rows, text : DataFrame
        Typed findings with sizes in mm, and as written.
    zones : DataFrame
        Accepted zones.
    """
    bounds = shapely.bounds(panel_outlines(zones, rows["zone"]))
    extent = np.hypot(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1])
    for column in ("length", "width"):
        size = rows[column].to_numpy()
        large = np.flatnonzero(size > extent)
        units = text.iloc[large]["size_unit"]
        mends = [
            _unit_hint(float(size[k]), unit, float(extent[k])) for k, unit in zip(large, units, strict=True)
        ]
        log.add(
            "findings",
            rows.iloc[large],
            column,
            text.iloc[large][column] + " " + units,
            reason=f"{column} is larger than the panel",
            expected=[
                f"at most {extent[k]:.0f} mm, the diagonal of the panel (it is {size[k]:.0f} mm)"
                for k in large
            ],
            mend=mends,
        )
    doubt = suspect_units(rows[~(rows["length"].to_numpy() > extent)], zones)
    at = rows.index.get_indexer(doubt.index)
    fits = [f"{unit} would fit" if unit else "which unit fits is not clear" for unit in doubt["suggestion"]]
    log.add(
        "findings",
        rows.iloc[at],
        "size_unit",
        text.iloc[at]["length"] + " " + text.iloc[at]["size_unit"],
        reason="unit mix-up suspected",
        expected=[f"a size that fits what else is known ({why})" for why in doubt["found"]],
        mend=[f"check size_unit, which length, width and rounding are in; {hint}" for hint in fits],
        warn=True,
    )


def _as_written(text: pd.DataFrame | LazyText, column: str, where: NDArray[np.int64]) -> NDArray[np.object_]:
    """Return cells of some rows as written, the very long ones cut."""
    return text.iloc[where][column].map(shortened).to_numpy(dtype=object)


def _unit_hint(size: float, unit: str, extent: float) -> str:
    """Return which unit would let a size fit on the panel."""
    written = size / MM_PER_UNIT[unit]
    fits: Sequence[str] = [
        f"{written:g} {other} = {written * factor:.4g} mm"
        for other, factor in MM_PER_UNIT.items()
        if other != unit and written * factor <= extent
    ]
    if not fits:
        return "check the size; no unit makes it fit the panel"
    return f"unit mix-up? {' or '.join(fits)} would fit; correct size_unit or the size"


def _only_polygon(shape: object) -> object:
    """Return the one polygon that a geometry holds, None where it holds none or several."""
    parts = shapely.get_parts(shapely.get_parts([shape]))
    flat = [part for part in parts if shapely.get_type_id(part) == shapely.GeometryType.POLYGON]
    flat = [part for part in flat if shapely.area(part) > 0]
    return flat[0] if len(flat) == 1 else None


def _only_lines(shape: object) -> object:
    """Return the lines that a geometry holds as one geometry, None where it holds none."""
    parts = shapely.get_parts(shapely.get_parts([shape]))
    flat = [part for part in parts if shapely.get_type_id(part) == shapely.GeometryType.LINESTRING]
    flat = [part for part in flat if shapely.length(part) > 0]
    return shapely.line_merge(shapely.multilinestrings(flat)) if flat else None


def _reason(why: str) -> str:
    """Return why an outline does not hold, also where only its area is nought."""
    return "its area is 0" if why == "Valid Geometry" else why
