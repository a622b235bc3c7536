"""What stands in a table file, cell by cell, and on which line."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings.problems import one_problem, sorted_problems
from kit.findings.tables import MAY_BE_EMPTY, Table


def read_text(
    table: Table, path: Path, file: str
) -> tuple[pd.DataFrame | None, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Read a CSV file as text.

    Parameters
    ----------
    table : Table
        What the table should hold.
    path : Path
        The file.
    file : str
        What to call it in problems and in the column `file`.

    Returns
    -------
    text : DataFrame or None
        The declared columns as text without blanks around it ("" where a column that may be
        blank is missing), then `file` and `row`, the line on which the row begins (the
        heading is line 1). None where the file as a whole cannot be used.
    fatal : DataFrame
        Problems of the file as a whole.
    ragged : DataFrame
        Problems of lines with too many or too few cells, which are not in `text`.
    warnings : DataFrame
        Problems that do not matter to the rows: a column that is unknown or missing.
    """
    none = sorted_problems([])
    contents, fatal = _decoded(table, path, file)
    if contents is None:
        return None, fatal, none, none
    try:
        records, lines = _records(contents)
    except csv.Error as error:
        fatal = one_problem(
            table.name,
            file,
            reason=f"the file is not CSV: {error}",
            expected="cells with commas between them; a quote that is opened is closed",
            mend="look for a cell with a single double quote",
        )
        return None, fatal, none, none
    heading = [cell.strip() for cell in records[0]] if records else []
    fatal, warnings = _heading_problems(table, file, heading, n_rows=len(records) - 1)
    if len(fatal):
        return None, fatal, none, none
    widths = np.fromiter(map(len, records), dtype=np.int64, count=len(records))
    ragged = _ragged_problems(table, file, records, lines, widths)
    text = None if len(ragged) else _frame(contents)
    if text is None or len(text) != len(records) - 1:
        kept = io.StringIO()
        csv.writer(kept).writerows(record for record in records if len(record) == len(heading))
        text, lines = _frame(kept.getvalue()), lines[widths == len(heading)]
    del records
    text.columns = heading
    columns = {}
    for column in table.all_columns:
        cells = (
            text[column.name].str.strip()
            if column.name in text
            else pd.Series("", index=text.index, dtype="str")
        )
        columns[column.name] = cells
    columns |= {"file": pd.Series(file, index=text.index, dtype="str"), "row": lines[1:]}
    return pd.DataFrame(columns), fatal, ragged, warnings


def _decoded(table: Table, path: Path, file: str) -> tuple[str | None, pd.DataFrame]:
    """Return the contents of a file, or the problem that keeps it from being read."""
    raw = path.read_bytes()
    reason = ""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in raw[:1024]:
        reason = "the file is not UTF-8 text (it looks like UTF-16 or a binary file)"
    else:
        try:
            return raw.decode("utf-8-sig"), sorted_problems([])
        except UnicodeDecodeError as error:
            line = raw.count(b"\n", 0, error.start) + 1
            reason = f"the file is not UTF-8 text (byte {raw[error.start]:#04x} on line {line})"
    problem = one_problem(
        table.name, file, reason=reason, expected="text in UTF-8", mend="save the file again as CSV UTF-8"
    )
    return None, problem


def _records(contents: str) -> tuple[list[list[str]], np.ndarray]:
    """Return the records that are not blank lines, and the line on which each begins."""
    reader = csv.reader(io.StringIO(contents), strict=True)
    records, lines, start = [], [], 1
    for record in reader:
        if len(record) > 1 or (record and record[0].strip()):
            records.append(record)
            lines.append(start)
        start = reader.line_num + 1
    return records, np.asarray(lines, dtype=np.int64)


def _frame(contents: str) -> pd.DataFrame:
    """Return the cells as text, a blank one as ""."""
    return pd.read_csv(
        io.StringIO(contents), dtype="str", keep_default_na=False, na_filter=False, index_col=False, header=0
    )


def _heading_problems(
    table: Table, file: str, heading: list[str], *, n_rows: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return what is wrong with the heading: what stops the reading, and what does not."""
    declared = [column.name for column in table.all_columns]
    fatal, warnings = [], []
    if not heading:
        mend = f"write the heading: {','.join(declared)}"
        fatal.append(
            one_problem(table.name, file, reason="the file is empty", expected="a heading", mend=mend)
        )
        return sorted_problems(fatal), sorted_problems([])
    for name, count in Counter(heading).items():
        if count > 1:
            reason = f"the heading {name!r} stands {count} times"
            problem = one_problem(
                table.name,
                file,
                row=1,
                column=name,
                reason=reason,
                expected="each heading once",
                mend="rename one",
            )
            fatal.append(problem)
    for column in table.all_columns:
        if column.name in heading:
            continue
        expected = f"the columns {', '.join(declared)}"
        if column.required:
            mend = f"add the column {column.name}: {column.meaning}"
            problem = one_problem(
                table.name,
                file,
                row=1,
                column=column.name,
                reason="missing column",
                expected=expected,
                mend=mend,
            )
            fatal.append(problem)
        else:
            mend = f"add the column {column.name}, or leave it if nothing is known: {column.meaning}"
            problem = one_problem(
                table.name,
                file,
                row=1,
                column=column.name,
                reason="missing column, read as blank",
                expected=expected,
                mend=mend,
            )
            warnings.append(problem)
    for name in heading:
        if name not in declared:
            problem = one_problem(
                table.name,
                file,
                row=1,
                column=name,
                reason="unknown column, not read",
                expected=f"the columns {', '.join(declared)}",
                mend="take it out, or mend its spelling",
            )
            warnings.append(problem)
    if n_rows < 1 and table.name not in MAY_BE_EMPTY and not fatal:
        expected = f"at least one row: {table.row_is}"
        problem = one_problem(
            table.name, file, reason="the table has no rows", expected=expected, mend="add the rows"
        )
        fatal.append(problem)
    return sorted_problems(fatal), sorted_problems(warnings)


def _ragged_problems(
    table: Table, file: str, records: list[list[str]], lines: np.ndarray, widths: np.ndarray
) -> pd.DataFrame:
    """Return a problem for each line that has more or fewer cells than the heading."""
    problems = [
        one_problem(
            table.name,
            file,
            row=int(lines[k]),
            value=",".join(records[k]),
            reason="too many or too few cells",
            expected=f"{widths[0]} cells, as in the heading (there are {widths[k]})",
            mend="put a cell that holds a comma between double quotes, or add the cells that are missing",
        )
        for k in np.flatnonzero(widths != widths[0])
    ]
    return sorted_problems(problems)
