"""What stands in a table file, cell by cell, and on which line."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings.check.problems import one_problem, sorted_problems
from kit.findings.read.size_limits import MOST_COLUMNS, shortened
from kit.findings.read.source_table import SourceTable


def read_csv(table: str, path: Path, file: str) -> tuple[SourceTable | None, pd.DataFrame]:
    """Read a CSV file as text.

    Parameters
    ----------
    table : str
        Name of the table.
    path : Path
        The file.
    file : str
        What to call it in problems and in the column `file`.

    Returns
    -------
    given : SourceTable or None
        Every column as text; a row is numbered by the line on which it begins (the heading is
        line 1), and lines with too many or too few cells are among its problems. None where
        the file as a whole cannot be used.
    fatal : DataFrame
        Problems of the file as a whole.
    """
    contents, fatal = _decoded(table, path, file)
    if contents is None:
        return None, fatal
    try:
        records, lines = _records(contents)
    except csv.Error as error:
        fatal = one_problem(
            table,
            file,
            reason=f"the file is not CSV: {error}",
            expected="cells with commas between them; a quote that is opened is closed",
            mend="look for a cell with a single double quote",
        )
        return None, fatal
    if not records:
        return SourceTable(file, [], 0, lambda names: pd.DataFrame()), fatal
    heading = [cell.strip() for cell in records[0]]
    if len(heading) > MOST_COLUMNS:  # refused by its heading; making so many columns would take minutes
        return SourceTable(file, heading, 0, lambda names: pd.DataFrame()), fatal
    widths = np.fromiter(map(len, records), dtype=np.int64, count=len(records))
    ragged = _ragged_problems(table, file, records, lines, widths)
    text = None if len(ragged) else _frame(contents)
    if text is None or len(text) != len(records) - 1:
        kept = io.StringIO()
        csv.writer(kept).writerows(record for record in records if len(record) == len(heading))
        text, lines = _frame(kept.getvalue()), lines[widths == len(heading)]
    text.columns = heading
    return SourceTable(file, heading, len(text), lambda names: text[names], lines[1:], problems=ragged), fatal


def _decoded(table: str, path: Path, file: str) -> tuple[str | None, pd.DataFrame]:
    """Return the contents of a file, or the problem that keeps it from being read."""
    raw = path.read_bytes()
    reason = ""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or raw[:1024].count(0) > len(raw[:1024]) // 20:
        reason = "the file is not UTF-8 text (it looks like UTF-16 or a binary file)"
    else:
        try:
            return raw.decode("utf-8-sig"), sorted_problems([])
        except UnicodeDecodeError as error:
            line = raw.count(b"\n", 0, error.start) + 1
            reason = f"the file is not UTF-8 text (byte {raw[error.start]:#04x} on line {line})"
    problem = one_problem(
        table, file, reason=reason, expected="text in UTF-8", mend="save the file again as CSV UTF-8"
    )
    return None, problem


def _records(contents: str) -> tuple[list[list[str]], np.ndarray]:
    """Return the records that are not blank lines, and the line on which each begins."""
    records, lines, start = [], [], 1
    before = csv.field_size_limit(len(contents) + 1)  # how long a cell may be is checked with its meaning
    try:
        reader = csv.reader(io.StringIO(contents), strict=True)
        for record in reader:
            if len(record) > 1 or (record and record[0].strip()):
                records.append(record)
                lines.append(start)
            start = reader.line_num + 1
    finally:
        csv.field_size_limit(before)
    return records, np.asarray(lines, dtype=np.int64)


def _frame(contents: str) -> pd.DataFrame:
    """Return the cells as text, a blank one as ""."""
    return pd.read_csv(
        io.StringIO(contents), dtype="str", keep_default_na=False, na_filter=False, index_col=False, header=0
    )


def _ragged_problems(
    table: str, file: str, records: list[list[str]], lines: np.ndarray, widths: np.ndarray
) -> pd.DataFrame:
    """Return a problem for each line that has more or fewer cells than the heading."""
    problems = [
        one_problem(
            table,
            file,
            row=int(lines[k]),
            value=shortened(",".join(records[k])),
            reason="too many or too few cells",
            expected=f"{widths[0]} cells, as in the heading (there are {widths[k]})",
            mend="put a cell that holds a comma between double quotes, or add the cells that are missing",
        )
        for k in np.flatnonzero(widths != widths[0])
    ]
    return sorted_problems(problems)
