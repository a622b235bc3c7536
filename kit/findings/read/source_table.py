"""What does a source hand over: the cells of one table under the headings of the source."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.findings.check.problems import one_problem, sorted_problems
from kit.findings.read import size_limits
from kit.findings.read.column_map import ROW, TableMap
from kit.findings.read.lazy_text import cell_text, column_text
from kit.findings.report.report import NOT_READ
from kit.findings.tables import GEOMETRIES, Column, Table
from kit.findings.text_bytes import text_bytes


@dataclass(frozen=True)
class SourceTable:
    """One table as a source holds it, whatever the source.

    Parameters
    ----------
    file : str
        What to call it in problems: a file, a sheet or a table.
    heading : list of str
        Headings as they stand, one for each column.
    n_rows : int
        How many rows there are.
    read : callable
        Takes headings, returns a table of those columns, of any type.
    rows : ndarray of int, shape (n_rows,) or None
        Number of each row in the source; None: from 1 on.
    first_row : int
        Number of the row of the heading.
    problems : DataFrame or None
        Problems of rows that are not handed over.
    kind : str
        What the source calls such a thing: file, sheet or table.
    """

    file: str
    heading: list[str]
    n_rows: int
    read: Callable[[list[str]], pd.DataFrame]
    rows: np.ndarray | None = None
    first_row: int = 1
    problems: pd.DataFrame = field(default_factory=lambda: sorted_problems([]))
    kind: str = "file"


def declared_cells(
    table: Table, given: SourceTable, renamed: TableMap
) -> tuple[pd.DataFrame | None, pd.DataFrame, pd.DataFrame]:
    """Return the declared columns of a table.

    Parameters
    ----------
    table : Table
        What the table should hold.
    given : SourceTable
        The table as the source holds it.
    renamed : TableMap
        Headings and codes of the source.

    Returns
    -------
    cells : DataFrame or None
        The declared columns, as text without blanks around it ("" where blank) or typed as in
        the source, then `file` and `row`. None where the table as a whole cannot be used.
    fatal : DataFrame
        Problems of the table as a whole.
    warnings : DataFrame
        Problems that do not matter to the rows: a column that is unknown or missing.
    """
    fatal, warnings = _heading_problems(table, given, renamed)
    if len(fatal):
        return None, fatal, warnings
    headings = {
        column.name: renamed.heading(column.name)
        for column in table.all_columns
        if column.name not in renamed.made
    }
    used = [*headings.values(), *renamed.headings_used()]
    wanted = list(dict.fromkeys(heading for heading in used if heading in given.heading))
    found = given.read(wanted)
    index = pd.RangeIndex(given.n_rows)
    columns = {}
    rows = np.arange(1, given.n_rows + 1) if given.rows is None else given.rows
    blank = _repeated("", index)  # one for all columns that are not there: a frame copies none of it
    parts = {name: column_text(found[name].set_axis(index)).str.strip() for name in renamed.headings_used()}
    if renamed.made:
        parts[ROW] = pd.Series(rows, index=index).astype("str")
    for column in table.all_columns:
        heading = headings.get(column.name)
        if heading is None:
            columns[column.name] = renamed.decoded(
                column.name, renamed.made_cells(column.name, pd.DataFrame(parts, index=index))
            )
        elif heading in wanted:
            cells = _tidy(found[heading].set_axis(index), column)
            columns[column.name] = renamed.decoded(column.name, cells)
        else:
            columns[column.name] = blank.copy()
    columns |= {"file": _repeated(given.file, index), "row": pd.Series(rows, index=index, dtype="int64")}
    return pd.DataFrame(columns, index=index), fatal, warnings


def _repeated(text: str, index: pd.Index) -> pd.Series:
    """Return a column that holds the same text in every row."""
    one = pd.array([text], dtype="str")
    return pd.Series(one.take(np.zeros(len(index), dtype=np.int64)), index=index)


def _tidy(cells: pd.Series, column: Column) -> pd.Series:
    """Return cells as text without blanks around it, or typed where their type suits the column."""
    if isinstance(cells.dtype, pd.CategoricalDtype):
        kinds = _tidy(pd.Series(cells.cat.categories), column)
        if isinstance(kinds.dtype, pd.StringDtype):
            codes = cells.cat.codes.to_numpy()
            texts = kinds.array._from_sequence([*kinds, ""], dtype=kinds.dtype)
            return pd.Series(texts.take(np.where(codes < 0, len(kinds), codes)), index=cells.index)
        cells = cells.astype(cells.cat.categories.dtype)
    kind = cells.dtype.kind
    if isinstance(cells.dtype, pd.StringDtype):
        held = text_bytes(cells)
        if held is not None and held.all_seen:
            return cells
        return (cells.fillna("") if cells.hasnans else cells).str.strip()
    if column.type == "date" and kind == "M" and cells.dt.tz is None and _whole_days(cells):
        return cells.astype("datetime64[us]")
    if column.type in ("number", "length") and kind in "iuf":
        return cells.astype("float64")
    if column.type == "flag" and kind == "b":
        return cells
    if column.type in GEOMETRIES and cells.dtype == object:
        if set(map(type, cells.to_numpy())) == {bytes}:  # shapes as Parquet holds them, every row
            return cells
        cells = cells.where(cells.notna(), "")
        texts = [isinstance(cell, str) for cell in cells]
        return cells.astype("str").str.strip() if all(texts) else _blank_out(cells, np.array(texts))
    if column.type == "flag" and kind in "iuO" and _zero_or_one(cells):
        texts = ["yes" if one else "" for one in (cells.notna() & (cells == 1)).to_numpy(dtype=bool)]
        return pd.Series(texts, index=cells.index, dtype="str")
    if column.type == "flag" and cells.dtype == object:
        return pd.Series([_flag_text(cell) for cell in cells], index=cells.index, dtype="str")
    if kind == "b":
        return pd.Series(np.where(cells.to_numpy(), "TRUE", "FALSE"), index=cells.index, dtype="str")
    return column_text(cells)


def _blank_out(cells: pd.Series, is_text: np.ndarray) -> pd.Series:
    """Return shapes of several kinds: text without blanks around it, bytes as they are."""
    mixed = cells.to_numpy(dtype=object).copy()
    mixed[is_text] = [cell.strip() for cell in mixed[is_text]]
    rest = ~is_text
    mixed[rest] = [
        bytes(cell) if isinstance(cell, bytes | bytearray | memoryview) else cell_text(cell)
        for cell in mixed[rest]
    ]
    return pd.Series(mixed, index=cells.index, dtype="object")


def _zero_or_one(cells: pd.Series) -> bool:
    """Return whether all that is given are the whole numbers 0 and 1, as SQLite keeps truth values."""
    given = cells[cells.notna()]
    kinds = set(map(type, given))
    return (
        bool(kinds)
        and all(issubclass(one, int | np.integer) for one in kinds - {bool})
        and set(given) <= {0, 1}
    )


def _flag_text(cell: object) -> str:
    """Return a flag as text: yes or blank for a truth value."""
    if isinstance(cell, bool | np.bool_):
        return "yes" if cell else ""
    return cell_text(cell)


def _whole_days(cells: pd.Series) -> bool:
    """Return whether no cell has a time of day."""
    return bool((cells.isna() | (cells == cells.dt.floor("D"))).all())


def _heading_problems(
    table: Table, given: SourceTable, renamed: TableMap
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return what is wrong with the heading: what stops the reading, and what does not."""
    heading, file, row = given.heading, given.file, given.first_row
    words = size_limits.too_large(
        len(heading),
        size_limits.MOST_COLUMNS,
        what=f"the heading of the {given.kind}",
        unit="columns",
        mend="take out the columns that are not needed",
    )
    if words:  # before each of them is named
        return one_problem(table.name, file, row=row, **words), sorted_problems([])
    declared = {
        renamed.heading(column.name): column
        for column in table.all_columns
        if column.name not in renamed.made
    }
    expected = f"the columns {', '.join(declared)}"
    fatal, warnings, missing = [], [], []
    if not [name for name in heading if name]:
        mend = f"write the heading: {','.join(declared)}"
        reason = f"the {given.kind} is empty"
        fatal.append(one_problem(table.name, file, reason=reason, expected="a heading", mend=mend))
        return sorted_problems(fatal), sorted_problems([])

    def problem(name: str, **words: str) -> pd.DataFrame:
        return one_problem(table.name, file, row=row, column=name, **words)

    for name, count in Counter(heading).items():
        if count > 1 and (name or given.kind == "file"):
            reason = f"the heading {name!r} stands {count} times"
            fatal.append(problem(name, reason=reason, expected="each heading once", mend="rename one"))
    for column in table.all_columns:
        name = renamed.heading(column.name)
        if name in heading or column.later or column.name in renamed.made:
            continue
        if column.required:
            mend = f"add the column {name}: {column.meaning}"
            fatal.append(problem(name, reason="missing column", expected=expected, mend=mend))
        else:
            missing.append(name)
    for column, text in renamed.made.items():
        for name in TableMap(made={column: text}).headings_used():
            if name not in heading:
                mend = f"correct map.{table.name}.made.{column}, or add the column"
                reason = f"no heading of that name, out of which {column} is to be made"
                fatal.append(problem(name, reason=reason, expected=f"one of {', '.join(heading)}", mend=mend))
    for name in dict.fromkeys(heading):
        if name not in declared and name not in renamed.headings_used():
            mend = "take it out, or correct its spelling"
            warnings.append(problem(name, reason=NOT_READ, expected=expected, mend=mend))
    if missing:  # after what is there and not read, which matters more
        words = {
            "expected": f"nothing, or what is known of {', '.join(missing)}",
            "mend": "add the columns of which something is known; docs/tables.md says what they hold",
        }
        n = len(missing)
        reason = f"{n} optional column{'s are' if n > 1 else ' is'} missing, read as blank"
        warnings.append(problem("", reason=reason, **words))
    if given.n_rows < 1 and not table.may_be_empty and not fatal:
        expected = f"at least one row: {table.row_is}"
        reason, mend = "the table has no rows", "add the rows"
        fatal.append(one_problem(table.name, file, reason=reason, expected=expected, mend=mend))
    return sorted_problems(fatal), sorted_problems(warnings)
