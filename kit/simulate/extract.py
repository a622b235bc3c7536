"""The demo fleet as a records office would hand it over: other headings, days, units and codes, no names of rows."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from kit.findings import MM_PER_UNIT
from kit.simulate.scenario import Scenario
from kit.simulate.write import make_demo

EXTRACT_UNITS = {"inch": "in", "mm": "mm"}
"""Units in which an extract may be handed over."""

_HEADINGS = {
    "aircraft": {"aircraft": "A/C REG", "subtype": "MODEL", "entry_into_service": "DELIVERED", "records_from": "RECORDS FROM"},
    "zones": {
        "zone": "ZONE NO", "subtypes": "EFFECTIVITY", "group": "PANEL GROUP", "side": "LH/RH", "outline": "WKT",
        "outer_material": "SKIN MATL", "outer_thickness": "SKIN THK", "structure_class": "STRUCT CLASS", "removable": "REMOVABLE",
        "former_label": "FORMER LABEL", "former_label_until": "FORMER LABEL UNTIL",
    },
    "panels": {
        "panel": "SERIAL NO", "aircraft": "A/C REG", "zone": "ZONE NO", "fitted_on": "ON", "removed_on": "OFF", "state": "COND",
        "prior_flight_hours": "PRIOR HRS", "prior_flight_cycles": "PRIOR CYC", "prior_days": "PRIOR DAYS", "build_lot": "LOT",
    },
    "usage": {"aircraft": "A/C REG", "read_on": "AS OF", "flight_hours": "TOTAL HRS", "flight_cycles": "TOTAL CYC", "meter_change": "METER CHANGE"},
    "tasks": {
        "task": "TASK NO", "zones": "ZONES", "method": "METHOD", "threshold_flight_hours": "INITIAL HRS", "threshold_flight_cycles": "INITIAL CYC",
        "threshold_days": "INITIAL DAYS", "repeat_flight_hours": "REPEAT HRS", "repeat_flight_cycles": "REPEAT CYC",
        "repeat_days": "REPEAT DAYS", "cap_flight_hours": "CAP FLIGHT HOURS", "cap_basis": "CAP BASIS", "valid_from": "EFFECTIVE FROM",
        "valid_to": "EFFECTIVE TO",
    },
    "cards": {
        "card": "WORK ORDER", "task": "TASK NO", "aircraft": "A/C REG", "closed_on": "CLOSED", "station": "STATION",
        "method": "METHOD", "zones_not_done": "NOT DONE", "why_not_done": "REASON NOT DONE", "recorded_on": "DATE KEYED",
    },
    "inspections": {
        "inspection": "INSP NO", "card": "WORK ORDER", "aircraft": "A/C REG", "zone": "ZONE NO", "panel": "SERIAL NO",
        "inspected_on": "DATE INSPECTED", "method": "METHOD", "outcome": "RESULT", "inspector": "STAMP", "recorded_on": "DATE KEYED",
    },
    "findings": {
        "finding": "REPORT NO", "inspection": "INSP NO", "aircraft": "A/C REG", "zone": "ZONE NO", "panel": "SERIAL NO",
        "found_on": "DATE FOUND", "method": "METHOD", "kind": "DMG TYPE", "cause": "CAUSE", "centre_x": "X {unit}", "centre_y": "Y {unit}",
        "length": "LEN {unit}", "width": "WID {unit}", "disposition": "DISP", "remarks": "REMARKS", "recorded_on": "DATE KEYED",
    },
    "repairs": {
        "repair": "REPAIR NO", "finding": "REPORT NO", "repaired_on": "DATE REPAIRED", "repair_class": "REPAIR CLASS",
        "repair_method": "HOW REPAIRED", "recorded_on": "DATE KEYED",
    },
    "limits": {
        "limit": "LIMIT NO", "group": "PANEL GROUP", "revision": "REV", "valid_from": "EFFECTIVE FROM",
        "place": "PLACE", "kind": "DMG TYPE", "size": "ADL {unit}",
        "repairable_size": "RDL {unit}", "bounds": "BOUNDS",
    },
}  # fmt: skip
_FILES = {
    "aircraft": "FLEET LIST", "zones": "ZONES", "panels": "PANEL FITTINGS", "usage": "HOURS AND CYCLES", "tasks": "TASK LIST",
    "cards": "WORK ORDERS", "inspections": "INSPECTION LOG", "findings": "DAMAGE REPORTS", "repairs": "REPAIR LOG", "limits": "DAMAGE LIMITS",
}  # fmt: skip
_CODES = {
    "disbond": "DSB", "moisture_disbond": "WET DISBOND", "moisture": "WATER", "delamination": "DLM", "dent": "DNT", "core_damage": "CORE",
    "puncture": "HOLE", "tap_manual": "TAP", "tap_instrumented": "INSTRUMENTED TAP", "visual": "GVI", "moisture_meter": "METER",
    "thermography": "IR", "ultrasonic": "UT", "x_ray": "RT", "clean": "NIL", "found": "DEFECT", "left": "LH", "right": "RH", "centre": "CTR",
    "monitor": "MON", "temporary_repair": "TEMP REPAIR", "permanent_repair": "PERM", "panel_replaced": "REPL", "within_limits": "WL",
    "engineering_disposition": "ENG", "not_confirmed": "NFF", "duplicate": "DUP", "void": "VOID", "unknown": "UNK", "yes": "Y",
}  # fmt: skip
_CODED = ("kind", "method", "outcome", "side", "disposition", "state", "removable", "meter_change")
_LENGTHS = ("centre_x", "centre_y", "size", "repairable_size", "outer_thickness")
_STEP = {"in": 0.125, "mm": 1.0}


def make_extract(
    folder: str | os.PathLike[str],
    *,
    unit: str = "inch",
    seed: int = 20260630,
    scenario: Scenario | None = None,
) -> Path:
    """Write the invented demo fleet as an extract with headings, days, units and codes of its own.

    Parameters
    ----------
    folder : path
        New folder.
    unit : str
        One of `EXTRACT_UNITS`: unit of all lengths and outlines.
    seed : int
        Seed of the fleet.
    scenario : Scenario, optional
        The scenario; that of the demo fleet if left out.

    Returns
    -------
    Path
        The folder: a CSV file for each table, no dataset.toml.

    Notes
    -----
    Days are written day/month/year; sizes are rounded to eighths of an inch or to millimetres, as they are read off a tape; both days of a
    fitting stand on one line; rows of meters and fittings have no name. A row that was corrected stands once, as corrected.
    """
    target, short = Path(folder), EXTRACT_UNITS[unit]
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent) as place:
        demo = make_demo(Path(place) / "demo", seed=seed, scenario=scenario)
        out = Path(place) / "extract"
        out.mkdir()
        for table, headings in _HEADINGS.items():
            cells = pd.read_csv(demo / f"{table}.csv", dtype="str", keep_default_na=False)
            cells = _handed_over(table, cells, short)
            named = {name: heading.format(unit=short.upper()) for name, heading in headings.items()}
            text = cells[list(named)].rename(columns=named).to_csv(index=False, lineterminator="\n")
            (out / f"{_FILES[table]}.csv").write_text(text, encoding="utf-8", newline="\n")
        if target.is_dir():
            target.rmdir()
        shutil.move(out, target)
    return target


def _handed_over(table: str, cells: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Return a table as a records office writes it."""
    cells = _as_corrected(cells)
    size = (
        cells.get("size_unit", pd.Series("mm", index=cells.index)).map(MM_PER_UNIT).fillna(1.0)
        / MM_PER_UNIT[unit]
    )
    factor = 1.0 / MM_PER_UNIT[unit]
    for name in cells.columns:
        if name in ("length", "width"):
            written = pd.to_numeric(cells[name], errors="coerce") * size
            cells[name] = _number(((written / _STEP[unit]).round().clip(lower=1)) * _STEP[unit], cells[name])
        elif name in _LENGTHS:
            cells[name] = _number(
                (pd.to_numeric(cells[name], errors="coerce") * factor).round(3), cells[name]
            )
        elif name == "outline" and table == "zones":
            shapes = shapely.transform(
                shapely.from_wkt(cells[name].to_numpy(dtype=object)), lambda points: points * factor
            )
            cells[name] = shapely.to_wkt(shapes, rounding_precision=3, trim=True)
        elif name in _CODED:
            cells[name] = cells[name].map(lambda word: _CODES.get(word, word.upper()))
    if table == "findings":  # the centre of what is drawn, since the office keeps no outlines
        drawn = [cell or None for cell in cells["outline"]]
        shapes = shapely.from_wkt(np.array(drawn, dtype=object), on_invalid="ignore")
        middle = shapely.centroid(shapes)
        for name, way in (("centre_x", shapely.get_x(middle)), ("centre_y", shapely.get_y(middle))):
            at = pd.Series(way * factor, index=cells.index).round(2)
            cells[name] = cells[name].where(cells[name] != "", _number(at, cells[name]))
    for name in cells.columns:
        if cells[name].str.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}").any():
            cells[name] = cells[name].str.replace(
                r"^([0-9]{4})-([0-9]{2})-([0-9]{2})$", r"\3/\2/\1", regex=True
            )
    return cells


def _as_corrected(cells: pd.DataFrame) -> pd.DataFrame:
    """Return each row once, as last corrected, under the name that it had first."""
    key = cells.columns[0]
    first: dict[str, str] = {}
    for name, target in cells.loc[cells["replaces"] != "", [key, "replaces"]].itertuples(
        index=False, name=None
    ):
        first[name] = first.get(target, target)
    named = cells.assign(**{key: cells[key].map(lambda name: first.get(name, name))})
    return named.drop_duplicates(key, keep="last").sort_index()


def _number(values: pd.Series, written: pd.Series) -> pd.Series:
    """Return numbers as text; a cell that is none stays as it is written."""
    return pd.Series(
        [f"{value:.10g}" if value == value else cell for value, cell in zip(values, written, strict=True)],
        index=values.index,
        dtype="str",
    )
