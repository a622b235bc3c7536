"""What does each cell mean: text of a table turned into dates, numbers, lengths, polygons."""

from __future__ import annotations

import datetime as dt
import difflib
import functools
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.problems import ProblemLog
from kit.findings.dates import day_advice, order_reason
from kit.findings.read import size_limits
from kit.findings.read.column_map import SIZES, TableMap, iso_dates
from kit.findings.read.lazy_text import LazyText, column_text, given_cells
from kit.findings.tables import GEOMETRIES, MM_PER_UNIT, TABLES, Column, Table
from kit.findings.text_bytes import text_bytes

_REAL_BY_TYPE = ("number", "length")


@dataclass(frozen=True)
class RawTable:
    """One table as read: text and typed cells of the same rows, and what is wrong with cells.

    Parameters
    ----------
    text : DataFrame or LazyText
        Cells as written, with `file` and `row`.
    typed : DataFrame
        The same cells typed, a cell that cannot be read as blank; lengths in mm.
    rejected : DataFrame
        Problems of single cells, labelled by row.
    headings : dict of str to str
        Headings in the source of the columns that are called otherwise there.
    """

    text: pd.DataFrame | LazyText
    typed: pd.DataFrame
    rejected: pd.DataFrame
    headings: dict[str, str] = field(default_factory=dict)


def as_headed(problems: pd.DataFrame, raw: dict[str, RawTable]) -> pd.DataFrame:
    """Return problems with the headings of the source in place of the names of columns.

    Parameters
    ----------
    problems : DataFrame
        Columns table and column, among others.
    raw : dict of str to RawTable
        Every table as read.

    Returns
    -------
    DataFrame
        The same, where the source has other headings.
    """
    for name, table in raw.items():
        if table.headings:
            own = problems["table"] == name
            headed = problems["column"].map(table.headings)
            problems["column"] = problems["column"].where(~own | headed.isna(), headed).astype("str")
    return problems


def type_table(
    table: Table, text: pd.DataFrame, *, length_unit: str, renamed: TableMap | None = None
) -> RawTable:
    """Type the columns of a table and check each cell by itself.

    Parameters
    ----------
    table : Table
        What the table should hold.
    text : DataFrame
        Cells as text, with `file` and `row`. Days, numbers, flags and polygons may have their own
        types: they are then taken as they are.
    length_unit : str
        Unit of lengths and polygons in the file: mm, cm or in.
    renamed : TableMap, optional
        Units and orders of dates that differ, by column.

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
    renamed = TableMap() if renamed is None else renamed
    log, columns, unread = ProblemLog(), {}, {}
    if table.name == "findings" and renamed.size_unit():
        text = _with_size_unit(text, renamed.size_unit())
    plain = all(isinstance(text[column.name].dtype, pd.StringDtype) for column in table.all_columns)
    written = text if plain else LazyText(text)
    for column in table.all_columns:
        factor = MM_PER_UNIT[renamed.unit(column.name, length_unit)]
        if not given_cells(text[column.name]).any():
            # Most columns of most tables are blank: there is nothing to read and nothing to refuse.
            columns[column.name] = _blank_cells(column, text[column.name])
            unread[column.name] = np.zeros(len(text), dtype=bool)
            continue
        columns[column.name], unread[column.name] = _typed_cells(
            table.name, column, text[column.name], written, factor, renamed.order(column.name), log
        )
        _check_marks(table.name, column, columns[column.name], written, log)
    # With the index stated, pandas need not hold those of all columns against each other.
    typed = pd.DataFrame(columns | {"file": text["file"], "row": text["row"]}, index=text.index)
    _check_cells(table, written, typed, unread, log)
    if table.name == "findings":
        scale = _scales(text["size_unit"])
        for name in SIZES:
            typed[name] = typed[name] * scale
    if table.name == "inspections":
        _type_coverage(written, typed, length_unit, log)
    headings = {name: heading for name, heading in renamed.columns.items() if name != heading}
    return RawTable(written, typed, log.labelled(), headings)


def _with_size_unit(text: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Return findings with a unit beside the sizes that have none."""
    sized = np.logical_or.reduce([given_cells(text[name]) for name in SIZES])
    blank = ~given_cells(text["size_unit"])
    return text.assign(size_unit=column_text(text["size_unit"]).mask(blank & sized, unit))


def _scales(units: pd.Series) -> np.ndarray:
    """Return how long each unit is [mm], nan where it is none."""
    codes, kinds = pd.factorize(units)
    return np.array([MM_PER_UNIT.get(kind, np.nan) for kind in kinds])[codes] if len(kinds) else np.empty(0)


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


_TEXTS = ("id", "ref", "refs", "text")
_FIRST_DAY = pd.Timestamp("1900-01-01")
_CONTROLS = "[\x00-\x1f\x7f-\x9f]"


def _check_marks(
    table: str, column: Column, cells: pd.Series, rows: pd.DataFrame | LazyText, log: ProblemLog
) -> None:
    """Report what no cell may hold: control characters in ids, NUL in text, more letters than any record has, year 1."""
    if not len(cells):
        return
    if column.type == "date":
        early = (cells < _FIRST_DAY).to_numpy()
        words = (
            f"{column.name} is before there were aircraft",
            "a day from 1900-01-01 on",
            "correct the year",
        )
    elif column.type in _TEXTS and isinstance(cells.dtype, pd.StringDtype):
        most = size_limits.LONGEST_NAME if column.type == "id" else size_limits.LONGEST_TEXT
        held = text_bytes(cells)
        sound = held is not None and (held.all_seen or (column.type != "id" and held.lowest > 0))
        if sound and held.longest <= most:
            return
        long = cells.str.len().to_numpy() > most
        _report_marks(
            table,
            column,
            long,
            rows,
            log,
            (
                f"{column.name} is too long",
                f"at most {most:,} characters",
                "shorten it: a quote that is not closed?",
            ),
        )
        pattern, regex = (_CONTROLS, True) if column.type == "id" else ("\x00", False)
        early = cells.str.contains(pattern, regex=regex).to_numpy(dtype=bool) & ~long
        what = "a control character" if regex else "the character NUL"
        words = (
            f"{column.name} holds {what}",
            "letters, digits and signs that can be seen",
            "write it again by hand",
        )
    else:
        return
    _report_marks(table, column, early, rows, log, words)


def _report_marks(
    table: str,
    column: Column,
    mask: np.ndarray,
    rows: pd.DataFrame | LazyText,
    log: ProblemLog,
    words: tuple[str, str, str],
) -> None:
    """Report the cells of a mask."""
    if mask.any():
        reason, expected, mend = words
        bad = rows[mask]
        shown = bad[column.name].map(size_limits.shortened)
        log.add(table, bad, column.name, shown, reason=reason, expected=expected, mend=mend)


_BLANK = {"date": ("NaT", "datetime64[us]"), "flag": (False, "bool")}
_BLANK |= dict.fromkeys(_REAL_BY_TYPE, (np.nan, "float64")) | dict.fromkeys(GEOMETRIES, (None, "object"))
"""By type of column, what stands for a blank cell, and the type of the typed column; text stays as it is."""


def _blank_cells(column: Column, cells: pd.Series) -> pd.Series:
    """Return a column without a cell that is given."""
    if column.type not in _BLANK:
        return cells
    value, dtype = _BLANK[column.type]
    return pd.Series(np.full(len(cells), value, dtype=dtype), index=cells.index)


def _typed_cells(
    table: str,
    column: Column,
    cells: pd.Series,
    rows: pd.DataFrame | LazyText,
    factor: float,
    order: str,
    log: ProblemLog,
) -> tuple[pd.Series, np.ndarray]:
    """Return the typed cells of a column and which of them could not be read."""
    given = given_cells(cells)
    unread = np.zeros(len(cells), dtype=bool)
    if column.type == "date":
        if cells.dtype.kind == "M":
            return cells, unread
        values = _days(iso_dates(cells, order))
        unread = given & values.isna().to_numpy()
        _report_dates(table, column, cells, rows, unread, order, log)
        return values, unread
    if column.type in _REAL_BY_TYPE:
        values = pd.to_numeric(cells, errors="coerce").astype("float64")
        unread = given & ~np.isfinite(values.to_numpy())
        if unread.any():
            values = values.mask(unread)
        if column.type == "length":
            values = values * factor
        expected, mend = (
            "a finite number with a decimal point",
            "write digits and a decimal point, no unit, no comma",
        )
        reason = f"{column.name} is not a number"
    elif column.type == "flag":
        values = cells if cells.dtype == bool else cells == "yes"
        unread = given & ~values.to_numpy(dtype=bool)
        reason, expected, mend = (
            f"{column.name} is not a flag",
            "yes, or a blank cell",
            "write yes or leave it blank",
        )
    elif column.type in GEOMETRIES:
        values, unread, whys = _shapes(cells, given, factor, kind=column.type)
        expected = whys
        if column.type == "polygon":
            reason = f"{column.name} is not a polygon in WKT"
            mend = "write POLYGON ((x y, x y, x y, x y)) with the first point again at the end"
        else:
            reason = f"{column.name} is not lines in WKT"
            mend = "write LINESTRING (x y, x y), or MULTILINESTRING ((x y, x y), (x y, x y)) for several"
    else:
        return cells, unread
    if unread.any():
        expected = expected[unread] if isinstance(expected, np.ndarray) else expected
        written = column_text(cells[unread]).map(size_limits.shortened)
        log.add(table, rows[unread], column.name, written, reason=reason, expected=expected, mend=mend)
    return values, unread


def _days(cells: pd.Series) -> pd.Series:
    """Return texts as days, NaT where they are not YYYY-MM-DD; there are few days of many rows."""
    codes, kinds = pd.factorize(cells)
    days = np.array(
        [*map(_day, kinds), "NaT"], dtype="datetime64[us]"
    )  # the last of them where a cell is missing
    return pd.Series(days[codes], index=cells.index)


# A day stored as a moment, as tables copied by pandas hold it; any other time of day is refused, not cut.
_DAY = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})(?:[ T]00:00:00(?:\.0+)?)?")


@functools.lru_cache(maxsize=20_000)
def _day(text: str) -> np.datetime64:
    """Return a text as a day, NaT where it is none."""
    found = _DAY.fullmatch(text)
    try:
        return np.datetime64(dt.date.fromisoformat(found[1]) if found else "NaT", "us")
    except ValueError:
        return np.datetime64("NaT", "us")


_KINDS = {
    "polygon": ((shapely.GeometryType.POLYGON,), "POLYGON", "a closed POLYGON"),
    "lines": (
        (shapely.GeometryType.LINESTRING, shapely.GeometryType.MULTILINESTRING),
        "LINESTRING or MULTILINESTRING",
        "a LINESTRING or MULTILINESTRING",
    ),
}
"""Geometries that a column of shapes takes, and their words."""


def _shapes(
    cells: pd.Series, given: np.ndarray, factor: float, *, kind: str = "polygon"
) -> tuple[pd.Series, np.ndarray, np.ndarray]:
    """Return geometries in mm, which cells are none of their kind, and what was expected of each."""
    types, word, words = _KINDS[kind]
    whys = np.full(len(cells), f"{words} in WKT, which can be read", dtype=object)
    shapes = np.full(len(cells), None, dtype=object)
    values = cells.to_numpy(dtype=object)
    if isinstance(cells.dtype, pd.StringDtype):
        is_text, is_shape = given, np.zeros(len(cells), dtype=bool)
    elif set(map(type, values)) <= {bytes}:
        is_text, is_shape = np.zeros((2, len(cells)), dtype=bool)
    else:
        is_text = np.array([isinstance(cell, str) for cell in values], dtype=bool) & given
        is_shape = np.array([isinstance(cell, shapely.Geometry) for cell in values], dtype=bool)
    is_wkb = given & ~is_text & ~is_shape
    large = _too_large(values, is_text | is_wkb)
    whys[large] = (
        f"at most {size_limits.LONGEST_POLYGON:,} characters and {size_limits.MOST_CORNERS:,} corners; "
        "it is too large to be read"
    )
    for mask, read in ((is_text, shapely.from_wkt), (is_wkb, shapely.from_wkb)):
        where = np.flatnonzero(mask & ~large)
        if len(where):
            with np.errstate(invalid="ignore", over="ignore"):  # nan and 1e999 are reported below
                shapes[where] = read(values[where], on_invalid="ignore")
    many = np.isin(shapely.get_type_id(shapes), types)
    many &= shapely.get_num_coordinates(shapes) > size_limits.MOST_CORNERS
    whys[many] = f"at most {size_limits.MOST_CORNERS:,} corners"
    shapes[is_shape] = values[is_shape]
    is_kind = np.isin(shapely.get_type_id(shapes), types)
    is_sound = np.zeros(len(cells), dtype=bool)
    is_sound[is_kind] = np.isfinite(shapely.bounds(shapes[is_kind])).all(axis=1)
    is_sound &= ~many
    unread = given & ~is_sound
    other = given & ~is_kind & ~shapely.is_missing(shapes)
    names = {one.value: one.name for one in shapely.GeometryType}
    whys[other] = [f"one {word}, not a {names[one]}" for one in shapely.get_type_id(shapes[other])]
    whys[is_kind & ~is_sound & ~many] = f"a {word} with points that are finite numbers"
    shapes[unread] = None
    if shapely.has_z(shapes).any():
        shapes = shapely.force_2d(shapes)
    scaled = ~shapely.is_missing(shapes) & ~is_shape  # what a region file gives is in mm already
    if factor != 1.0 and scaled.any():
        shapes[scaled] = shapely.transform(shapes[scaled], lambda points: points * factor)
    return pd.Series(shapes, index=cells.index, dtype="object"), unread, whys


def _too_large(values: np.ndarray, given: np.ndarray) -> np.ndarray:
    """Return which polygons are too long, or have too many corners, to be read."""
    large = np.zeros(len(values), dtype=bool)
    where = np.flatnonzero(given)
    lengths = np.fromiter(map(len, values[where]), dtype=np.int64, count=len(where))
    large[where] = lengths > size_limits.LONGEST_POLYGON
    for k in where[(lengths > 2 * size_limits.MOST_CORNERS) & ~large[where]]:
        large[k] = isinstance(values[k], str) and values[k].count(",") > size_limits.MOST_CORNERS
    return large


def _report_dates(
    table: str,
    column: Column,
    cells: pd.Series,
    rows: pd.DataFrame | LazyText,
    unread: np.ndarray,
    order: str,
    log: ProblemLog,
) -> None:
    """Report the cells that are no day, saying which orders of day and month are mixed."""
    if not unread.any():
        return
    written = cells[unread].map(size_limits.shortened)
    if order:
        reason = f"{column.name} is not a date in the order {order}, which the column map states"
        expected = f"a day that exists, in the order {order} or as YYYY-MM-DD"
        mends: Any = "correct the date, or date_order in the column map"
    else:
        reason = order_reason(column.name, cells, rows["row"], unread)
        expected, mends = "a day that exists, as YYYY-MM-DD", [day_advice(cell) for cell in cells[unread]]
    log.add(table, rows[unread], column.name, written, reason=reason, expected=expected, mend=mends)


def _type_coverage(
    text: pd.DataFrame | LazyText, typed: pd.DataFrame, length_unit: str, log: ProblemLog
) -> None:
    """Check coverage and turn a part looked at into WKT in mm."""
    cells = text["coverage"]
    given = ((cells != "") & (cells != "full")).to_numpy(dtype=bool, copy=True)
    given[given] = (cells[given].str.lower() != "full").to_numpy(dtype=bool)
    if not given.any():
        return
    part = cells[given]
    found, lost, _ = _shapes(part, np.ones(len(part), dtype=bool), MM_PER_UNIT[length_unit])
    unread = np.zeros(len(cells), dtype=bool)
    unread[given] = lost
    log.add(
        "inspections",
        text[unread],
        "coverage",
        cells[unread].map(size_limits.shortened),
        reason="coverage is neither full nor a polygon in WKT",
        expected="full, or the part looked at as a POLYGON in WKT",
        mend="write full, or the outline of the part",
    )
    read, shapes = given & ~unread, found[~lost]
    if length_unit != "mm":
        typed["coverage"] = typed["coverage"].astype("object")
        typed.loc[read, "coverage"] = shapely.to_wkt(shapes.to_numpy(), rounding_precision=-1)
        typed["coverage"] = typed["coverage"].astype("str")


def _check_cells(
    table: Table,
    text: pd.DataFrame | LazyText,
    typed: pd.DataFrame,
    unread: dict[str, np.ndarray],
    log: ProblemLog,
) -> None:
    """Check blanks, choices and ranges through the pandera schema of the table."""
    from pandera.errors import SchemaErrors

    # Asked one by one first: of a table without a fault, the whole report of the schema would only cost time.
    if not len(typed) or all(
        rule(typed[name]).all() for name, rules in cell_rules(table.name).items() for rule in rules.values()
    ):
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
        written = rows[name].map(size_limits.shortened)
        log.add(table.name, rows, name, written, reason=reason, expected=expected, mend=mend)


@functools.cache
def cell_rules(table: str) -> dict[str, dict[str, Callable[[pd.Series], pd.Series]]]:
    """Return what is asked of the typed cells of a table, made from its declaration.

    Parameters
    ----------
    table : str
        Name of the table.

    Returns
    -------
    dict of str to dict of str to callable
        By column, rules named required, choice, minimum and maximum: each says which cells of a column keep it.
        Columns of which nothing is asked are left out.
    """
    by_column = {}
    for column in TABLES[table].all_columns:
        rules: dict[str, Callable[[pd.Series], pd.Series]] = {}
        if column.required:
            rules["required"] = _is_given
        if column.choices:
            rules["choice"] = lambda cells, allowed=("", *column.choices): cells.isin(allowed)
        if column.minimum is not None:
            rules["minimum"] = lambda cells, least=column.minimum: ~(cells < least)
        if column.maximum is not None:
            rules["maximum"] = lambda cells, most=column.maximum: ~(cells > most)
        if rules:
            by_column[column.name] = rules
    return by_column


@functools.cache
def cell_schema(table: str) -> Any:
    """Return the pandera schema of the typed cells of a table: its rules, each over a whole column.

    Parameters
    ----------
    table : str
        Name of the table.

    Returns
    -------
    pandera.pandas.DataFrameSchema
        A check of its name for each of `cell_rules`.
    """
    import pandera.pandas as pa

    def checks(rules: dict[str, Callable[[pd.Series], pd.Series]]) -> list[Any]:
        return [pa.Check(rule, name=name, error=name, ignore_na=False) for name, rule in rules.items()]

    return pa.DataFrameSchema(
        {
            name: pa.Column(None, nullable=True, checks=checks(rules))
            for name, rules in cell_rules(table).items()
        },
        strict=False,
    )


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
