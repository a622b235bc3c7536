"""Where do rejected rows go when loading goes on without them."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd

from kit.findings.check.problems import PROBLEM_COLUMNS
from kit.findings.files import replace_text
from kit.findings.read.columns import RawTable
from kit.findings.read.size_limits import LONGEST_TEXT, shortened
from kit.findings.tables import TABLES

FOLDER, FILE_NAME = "set_aside", "rejected_rows.csv"
"""Where rejected rows are written inside the folder of a dataset."""

_STARTS_FORMULA = r"^([=+\-@\t\r])"


def write_rejected(rejected: pd.DataFrame, raw: dict[str, RawTable], path: Path) -> None:
    """Write rejected rows with their reasons, as a whole or not at all.

    Parameters
    ----------
    rejected : DataFrame
        Problems of the rows that are set aside.
    raw : dict of str to RawTable
        Every table as read, for the rows as written.
    path : Path
        File to write.

    Raises
    ------
    OSError
        If the file cannot be written; says to give another path.

    Notes
    -----
    A cell that a spreadsheet would take for a formula begins with an apostrophe; one that is longer than a sheet
    holds is cut, since it would be written once for each problem of its row.
    """
    frame = rejected.copy()
    frame["row_as_written"] = ""
    for table, part in rejected.groupby("table"):
        if table in raw:
            frame.loc[part.index, "row_as_written"] = _as_written(raw[table].text, table, part)
    for name in (*PROBLEM_COLUMNS, "row_as_written"):
        if name != "row":
            frame[name] = frame[name].astype("str").str.replace(_STARTS_FORMULA, r"'\1", regex=True)
    contents = frame.to_csv(index=False, lineterminator="\n")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_text(path, contents)
    except OSError as error:
        raise type(error)(
            f"The rejected rows cannot be written to {path} ({error.strerror or error}). "
            "Pass a path where you may write: load_fleet(source, set_aside='elsewhere/rejected_rows.csv')."
        ) from error


def _as_written(text: pd.DataFrame, table: str, problems: pd.DataFrame) -> list[str]:
    """Return rows as they stand in their files, the declared columns only."""
    columns = [column.name for column in TABLES[table].all_columns]
    found = text[text["row"].isin(problems["row"])]
    lines = {}
    for file, row, *cells in found[["file", "row", *columns]].itertuples(index=False, name=None):
        line = io.StringIO()
        csv.writer(line, lineterminator="").writerow([shortened(cell, LONGEST_TEXT) for cell in cells])
        lines[file, row] = line.getvalue()
    return [lines.get(place, "") for place in zip(problems["file"], problems["row"], strict=True)]
