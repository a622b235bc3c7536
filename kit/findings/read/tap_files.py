"""Which taps stand in the CSV files that findings name, and how they join the table of taps."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path, PurePosixPath, PureWindowsPath

import numpy as np
import pandas as pd

from kit.findings.check.problems import ProblemLog, one_problem
from kit.findings.read.columns import RawTable, type_table
from kit.findings.read.dataset import tap_file
from kit.findings.read.lazy_text import column_text
from kit.findings.read.read import read_csv
from kit.findings.read.size_limits import shortened
from kit.findings.read.source_table import SourceTable
from kit.findings.report.report import NOT_READ
from kit.findings.tables import TABLES

ENDING = ".csv"
"""What the name of a tap file ends in."""

_READ = ("x", "y", "mark", "contact_time")
_HEADING = "the heading x,y,mark or x,y,mark,contact_time"


def with_tap_files(
    raw: dict[str, RawTable], folder: Path | None, *, length_unit: str, cut_off: pd.Timestamp
) -> tuple[dict[str, RawTable], list[pd.DataFrame], list[pd.DataFrame]]:
    """Return tables to which the taps of files have been added that findings name in tap_grid.

    Parameters
    ----------
    raw : dict of str to RawTable
        Every table as read, findings and taps among them.
    folder : Path or None
        Folder that holds the dataset; None where there is none.
    length_unit : str
        Unit of x and y in the files: mm, cm or in.
    cut_off : Timestamp
        Day on which taps became known where no finding that names them has a readable one.

    Returns
    -------
    raw : dict of str to RawTable
        The tables, a new dictionary where files were named. A tap of a file has the name
        ``<tap_grid>:<row>``, its grid is tap_grid as written, and it became known with the first
        finding that names it. A finding whose file cannot be used has a problem of its own.
    problems : list of DataFrame
        Lines of files that are not handed over.
    warnings : list of DataFrame
        Columns of files that are not read.

    Notes
    -----
    A name that the table of taps has as a grid is that grid, and no file is looked for. Other names
    that end in .csv are files in the folder of the dataset; other names are left to the checks.
    """
    grids = raw["findings"].typed["tap_grid"]
    is_file = grids.str.lower().str.endswith(ENDING) & ~grids.isin(raw["taps"].typed["grid"])
    if not is_file.any():
        return raw, [], []
    named = raw["findings"].typed.loc[is_file.to_numpy(), ["tap_grid", "recorded_on"]]
    known_on = named.groupby("tap_grid", sort=True)["recorded_on"].min().fillna(cut_off)
    log, texts, problems, warnings = ProblemLog(), [], [], []
    findings = raw["findings"].text
    for name, day in known_on.items():
        given, words = _opened(folder, name)
        if given is None:
            labels = named.index[named["tap_grid"] == name]
            rows = findings.loc[labels]
            log.add("findings", rows, "tap_grid", shortened(name), **words)
            continue
        problems.append(given.problems)
        warnings += _unread_columns(name, given)
        texts.append(_taps(name, given, f"{day:%Y-%m-%d}"))
    out = dict(raw)
    own = log.labelled()
    if len(own):
        before = [part for part in (raw["findings"].rejected, own) if len(part)]
        out["findings"] = replace(raw["findings"], rejected=pd.concat(before))
    if texts:
        text = pd.concat(texts, ignore_index=True)
        out["taps"] = _joined(raw["taps"], text, length_unit)
    return out, problems, warnings


def _opened(folder: Path | None, name: str) -> tuple[SourceTable | None, dict[str, str]]:
    """Return a tap file, or the words about why it cannot be used."""
    expected = "a CSV file in the folder of the dataset, such as taps/TG-1.csv"
    if folder is None:
        reason = "a database has no folder in which the file could be"
        return None, {
            "reason": reason,
            "expected": "a grid in taps",
            "mend": "write the taps to the table taps",
        }
    if PurePosixPath(name).is_absolute() or PureWindowsPath(name).is_absolute():
        mend = "write the path from the folder of the dataset on"
        return None, {"reason": "the path of the tap file is absolute", "expected": expected, "mend": mend}
    path, words = tap_file(folder, name)
    if path is None:
        return None, words | {"reason": f"the tap file cannot be used: {words['reason']}"}
    given, fatal = read_csv("taps", path, name)
    if given is None:
        return None, fatal.iloc[0][["reason", "expected", "mend"]].to_dict()
    heading = given.heading
    lacks = [column for column in ("x", "y") if column not in heading]
    if not {"mark", "contact_time"} & set(heading):
        lacks.append("mark")
    twice = [column for column in _READ if heading.count(column) > 1]
    if lacks or twice:
        reason = (
            f"the tap file has no column {', '.join(lacks)}"
            if lacks
            else f"{twice[0]} stands twice in its heading"
        )
        return None, {"reason": reason, "expected": _HEADING, "mend": "correct the first line of the file"}
    if not given.n_rows:
        return None, {
            "reason": "the tap file has no taps",
            "expected": "a line for each tap",
            "mend": "add the taps",
        }
    return given, {}


def _unread_columns(name: str, given: SourceTable) -> list[pd.DataFrame]:
    """Return a warning for each column that is not read."""
    return [
        one_problem(
            "taps",
            name,
            row=given.first_row,
            column=column,
            reason=NOT_READ,
            expected=_HEADING,
            mend="take it out, or correct its spelling",
        )
        for column in dict.fromkeys(given.heading)
        if column not in _READ
    ]


def _taps(name: str, given: SourceTable, day: str) -> pd.DataFrame:
    """Return the lines of a file as rows of the table of taps, as text."""
    found = given.read([column for column in _READ if column in given.heading]).reset_index(drop=True)
    columns = {column.name: "" for column in TABLES["taps"].all_columns}
    rows = np.asarray(given.rows, dtype=np.int64)
    columns |= {"grid": name, "recorded_on": day, "file": name}
    columns |= {column: column_text(found[column]).str.strip() for column in found}
    columns["tap"] = [f"{name}:{row}" for row in rows]
    columns["row"] = rows
    text = pd.DataFrame(columns, index=range(len(rows)))
    return text.astype(dict.fromkeys(set(text.columns) - {"row"}, "str"))


def _joined(taps: RawTable, text: pd.DataFrame, length_unit: str) -> RawTable:
    """Return the table of taps with further rows."""
    table = TABLES["taps"]
    if not len(taps.typed):
        return type_table(table, text, length_unit=length_unit)
    text = text.set_axis(range(len(taps.typed), len(taps.typed) + len(text)))
    more = type_table(table, text, length_unit=length_unit)
    written = taps.text if isinstance(taps.text, pd.DataFrame) else taps.text.frame()
    rejected = [part for part in (taps.rejected, more.rejected) if len(part)]
    return replace(
        taps,
        text=pd.concat([written, text[list(written.columns)]]),
        typed=pd.concat([taps.typed, more.typed.astype(taps.typed.dtypes.to_dict())]),
        rejected=pd.concat(rejected) if rejected else taps.rejected,
    )
