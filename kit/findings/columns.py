"""What does each cell mean: text of a table turned into dates, numbers, lengths, polygons."""

from __future__ import annotations

import difflib
import functools
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from kit.findings.dates import day_advice, order_reason
from kit.findings.problems import Ledger
from kit.findings.tables import MM_PER_UNIT, TABLES, Column, Table

_REAL_BY_TYPE = ("number", "length")


@dataclass(frozen=True)
class RawTable:
    """One table as read: text and typed cells of the same rows, and what is wrong with cells.

    Parameters
    ----------
    text : DataFrame
        Cells as written, with `file` and `row`.
    typed : DataFrame
        The same cells typed, a cell that cannot be read as blank; lengths in mm.
    rejected : DataFrame
        Problems of single cells, labelled by row.
    """

    text: pd.DataFrame
    typed: pd.DataFrame
    rejected: pd.DataFrame


def type_table(table: Table, text: pd.DataFrame, *, length_unit: str) -> RawTable:
    """Type the columns of a table and check each cell by itself.

    Parameters
    ----------
    table : Table
        What the table should hold.
    text : DataFrame
        Cells as text, with `file` and `row`.
    length_unit : str
        Unit of lengths and polygons in the file: mm, cm or in.

    Returns
    -------
    RawTable
        Dates as datetime64 (NaT where blank), numbers and lengths as float64 (nan where
        blank, lengths in mm), flags as bool, polygons as shapely geometries in mm (None where
        blank), everything else as text; and the problems of single cells.

    Notes
    -----
    A cell that cannot be read counts as blank in `typed`; its row is rejected. The sizes of
    findings come in a unit of their own and are converted by it.
    """
    ledger, columns, unread = Ledger(), {}, {}
    factor = MM_PER_UNIT[length_unit]
    for column in table.all_columns:
        cells = text[column.name]
        columns[column.name], unread[column.name] = _typed_cells(
            table.name, column, cells, text, factor, ledger
        )
    typed = pd.DataFrame(columns | {"file": text["file"], "row": text["row"]})
    _check_cells(table, text, typed, unread, ledger)
    if table.name == "findings":
        scale = text["size_unit"].map(MM_PER_UNIT).astype("float64")
        for name in ("length", "width", "rounding"):
            typed[name] = typed[name] * scale
    if table.name == "inspections":
        _type_coverage(text, typed, length_unit, ledger)
    return RawTable(text, typed, ledger.labelled())


def blank_table(table: Table) -> RawTable:
    """Return a table without rows, for a table that the dataset does not have.

    Parameters
    ----------
    table : Table
        Which table.

    Returns
    -------
    RawTable
        Typed columns, no rows.
    """
    text = pd.DataFrame({column.name: pd.Series(dtype="str") for column in table.all_columns})
    text["file"], text["row"] = pd.Series(dtype="str"), pd.Series(dtype="int64")
    return type_table(table, text, length_unit="mm")


def _typed_cells(
    table: str, column: Column, cells: pd.Series, rows: pd.DataFrame, factor: float, ledger: Ledger
) -> tuple[pd.Series, np.ndarray]:
    """Return the typed cells of a column and which of them could not be read."""
    given = (cells != "").to_numpy(dtype=bool)
    unread = np.zeros(len(cells), dtype=bool)
    if column.type == "date":
        shaped = cells.str.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}").to_numpy(dtype=bool)
        values = pd.to_datetime(cells.where(shaped, ""), format="%Y-%m-%d", errors="coerce").astype(
            "datetime64[us]"
        )
        unread = given & values.isna().to_numpy()
        _report_dates(table, column, cells, rows, unread, ledger)
        return values, unread
    if column.type in _REAL_BY_TYPE:
        values = pd.to_numeric(cells, errors="coerce").astype("float64")
        unread = given & ~np.isfinite(values.to_numpy())
        values = values.mask(unread)
        if column.type == "length":
            values = values * factor
        expected, mend = (
            "a finite number with a decimal point",
            "write digits and a decimal point, no unit, no comma",
        )
        reason = f"{column.name} is not a number"
    elif column.type == "flag":
        values = cells == "yes"
        unread = given & ~values.to_numpy(dtype=bool)
        reason, expected, mend = (
            f"{column.name} is not a flag",
            "yes, or a blank cell",
            "write yes or leave it blank",
        )
    elif column.type == "polygon":
        values, unread, whys = _polygons(cells, given, factor)
        reason = f"{column.name} is not a polygon in WKT"
        expected, mend = whys, "write POLYGON ((x y, x y, x y, x y)) with the first point again at the end"
    else:
        return cells, unread
    if unread.any():
        expected = expected[unread] if isinstance(expected, np.ndarray) else expected
        ledger.add(
            table, rows[unread], column.name, cells[unread], reason=reason, expected=expected, mend=mend
        )
    return values, unread


def _polygons(cells: pd.Series, given: np.ndarray, factor: float) -> tuple[pd.Series, np.ndarray, np.ndarray]:
    """Return geometries in mm, which cells are no polygon, and what was expected of each."""
    shapes = np.full(len(cells), None, dtype=object)
    shapes[given] = shapely.from_wkt(cells[given].to_numpy(dtype=object), on_invalid="ignore")
    is_polygon = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    is_sound = np.zeros(len(cells), dtype=bool)
    is_sound[is_polygon] = np.isfinite(shapely.bounds(shapes[is_polygon])).all(axis=1)
    unread = given & ~is_sound
    whys = np.full(len(cells), "a closed POLYGON in WKT, which can be read", dtype=object)
    other = given & ~is_polygon & ~shapely.is_missing(shapes)
    names = {kind.value: kind.name for kind in shapely.GeometryType}
    whys[other] = [f"one POLYGON, not a {names[kind]}" for kind in shapely.get_type_id(shapes[other])]
    whys[is_polygon & ~is_sound] = "a POLYGON with points that are finite numbers"
    shapes[unread] = None
    have = ~shapely.is_missing(shapes)
    if have.any():
        shapes[have] = shapely.force_2d(shapes[have])
        if factor != 1.0:
            shapes[have] = shapely.transform(shapes[have], lambda points: points * factor)
    return pd.Series(shapes, index=cells.index, dtype="object"), unread, whys


def _report_dates(
    table: str, column: Column, cells: pd.Series, rows: pd.DataFrame, unread: np.ndarray, ledger: Ledger
) -> None:
    """Report the cells that are no day, saying which orders of day and month are mixed."""
    if unread.any():
        reason = order_reason(column.name, cells, rows["row"], unread)
        mends = [day_advice(cell) for cell in cells[unread]]
        expected = "a day that exists, as YYYY-MM-DD"
        ledger.add(
            table, rows[unread], column.name, cells[unread], reason=reason, expected=expected, mend=mends
        )


def _type_coverage(text: pd.DataFrame, typed: pd.DataFrame, length_unit: str, ledger: Ledger) -> None:
    """Check coverage and turn a part looked at into WKT in mm."""
    cells = text["coverage"]
    given = ((cells != "") & (cells.str.lower() != "full")).to_numpy(dtype=bool)
    if not given.any():
        return
    shapes, unread, _ = _polygons(cells, given, MM_PER_UNIT[length_unit])
    ledger.add(
        "inspections",
        text[unread],
        "coverage",
        cells[unread],
        reason="coverage is neither full nor a polygon in WKT",
        expected="full, or the part looked at as a POLYGON in WKT",
        mend="write full, or the outline of the part",
    )
    read = given & ~unread
    if length_unit != "mm":
        typed["coverage"] = typed["coverage"].astype("object")
        typed.loc[read, "coverage"] = shapely.to_wkt(shapes[read].to_numpy(), rounding_precision=-1)
        typed["coverage"] = typed["coverage"].astype("str")


def _check_cells(
    table: Table, text: pd.DataFrame, typed: pd.DataFrame, unread: dict[str, np.ndarray], ledger: Ledger
) -> None:
    """Check blanks, choices and ranges through the pandera schema of the table."""
    from pandera.errors import SchemaErrors

    if not len(typed):
        return
    try:
        cell_schema(table.name).validate(typed, lazy=True)
    except SchemaErrors as found:
        error = found
    else:
        return
    cases = error.failure_cases
    declared = {column.name: column for column in table.all_columns}
    for (name, check), found in cases.groupby(["column", "check"], sort=False):
        if name not in declared:
            raise error
        labels = pd.Index(found["index"].astype("int64"))
        labels = labels[~unread[name][typed.index.get_indexer(labels)]]
        rows = text.loc[labels]
        reason, expected, mend = _in_words(declared[name], check, rows[name])
        ledger.add(table.name, rows, name, rows[name], reason=reason, expected=expected, mend=mend)


@functools.cache
def cell_schema(table: str) -> Any:
    """Return the pandera schema of the typed cells of a table, made from its declaration.

    Parameters
    ----------
    table : str
        Name of the table.

    Returns
    -------
    pandera.pandas.DataFrameSchema
        Checks named required, choice, minimum and maximum, each over a whole column.
    """
    import pandera.pandas as pa

    def check(rule: Any, name: str) -> Any:
        return pa.Check(rule, name=name, error=name, ignore_na=False)

    columns = {}
    for column in TABLES[table].all_columns:
        checks = []
        if column.required:
            checks.append(check(_is_given, "required"))
        if column.choices:
            allowed = ("", *column.choices)
            checks.append(check(lambda cells, allowed=allowed: cells.isin(allowed), "choice"))
        if column.minimum is not None:
            checks.append(check(lambda cells, least=column.minimum: ~(cells < least), "minimum"))
        if column.maximum is not None:
            checks.append(check(lambda cells, most=column.maximum: ~(cells > most), "maximum"))
        columns[column.name] = pa.Column(None, nullable=True, checks=checks)
    return pa.DataFrameSchema(columns, strict=False)


def _is_given(cells: pd.Series) -> pd.Series:
    """Return which cells are not blank, whatever their type."""
    return cells.notna() if cells.dtype.kind in "fMO" and not _is_text(cells) else cells != ""


def _is_text(cells: pd.Series) -> bool:
    """Return whether a column holds text."""
    return isinstance(cells.dtype, pd.StringDtype)


def _in_words(column: Column, check: str, cells: pd.Series) -> tuple[str, str, Any]:
    """Return reason, expected and mends of a check, in the words of the trade."""
    if check == "required":
        return f"{column.name} is blank", column.meaning, f"write the {column.name}"
    if check == "choice":
        choices = ", ".join(column.choices)
        reason = (
            "unknown size unit" if column.name == "size_unit" else f"{column.name} is not one of its choices"
        )
        return reason, f"one of {choices}", [_nearest(cell, column.choices) for cell in cells]
    unit = f" {column.unit}" if column.unit not in ("", "-") else ""
    if check == "minimum":
        return f"{column.name} is too small", f"at least {column.minimum:g}{unit}", "check sign and unit"
    return f"{column.name} is too large", f"at most {column.maximum:g}{unit}", "check the number and its unit"


def _nearest(cell: str, choices: tuple[str, ...]) -> str:
    """Return what to write instead of a word that is none of the choices."""
    words = cell.lower().replace(" ", "_").replace("-", "_")
    near = difflib.get_close_matches(words, choices, n=1)
    return f"write {near[0]}" if near else f"write one of {', '.join(choices)}"
