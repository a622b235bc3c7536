"""How does a dataset on disk become a fleet."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from kit.findings.check import check_tables
from kit.findings.columns import RawTable, blank_table, type_table
from kit.findings.dataset import FILE_NAME, read_dataset
from kit.findings.fleet import Fleet
from kit.findings.problems import TableError, sorted_problems, table_error
from kit.findings.read import read_text
from kit.findings.set_aside import FILE_NAME as REJECTED_FILE
from kit.findings.set_aside import FOLDER, write_rejected
from kit.findings.tables import TABLES


def load_fleet(source: str | Path, *, set_aside: bool | str | Path = False) -> Fleet:
    """Read a dataset, check every row, and return what can be used.

    Rows are sorted into accepted, accepted with a warning, and rejected; each problem says
    file, row, column, value, reason, what was expected and how to mend it.

    Parameters
    ----------
    source : str or Path
        A folder that holds dataset.toml and a CSV file for each table.
    set_aside : bool, str or Path
        False: any rejected row stops the loading. True: rejected rows are written with their
        reasons to ``<source>/set_aside/rejected_rows.csv`` and loading goes on. A path does
        the same and writes there: a file that ends in .csv, or a folder.

    Returns
    -------
    Fleet
        Everything that is known, lengths in mm.

    Raises
    ------
    TableError
        If rows are rejected and not set aside, or if dataset.toml or a table file as a whole
        cannot be used. Its `problems` is a table of all of them.
    FileNotFoundError
        If there is no such folder.
    NotImplementedError
        If `source` is a workbook, a database or a file of another kind.
    OSError
        If the rejected rows cannot be written.

    Notes
    -----
    Where nothing is rejected no file is written; a file that an earlier loading left is then
    emptied down to its heading.
    """
    folder = _folder(source)
    dataset, files = read_dataset(folder)
    raw: dict[str, RawTable] = {}
    fatal, ragged, warnings = [], [], []
    for name, path in files.items():
        text, unusable, lines, columns = read_text(TABLES[name], path, dataset.tables[name])
        fatal.append(unusable)
        ragged.append(lines)
        warnings.append(columns)
        if text is not None:
            raw[name] = type_table(TABLES[name], text, length_unit=dataset.length_unit)
    stop = sorted_problems(fatal)
    if len(stop):
        raise table_error(stop, name=dataset.name)
    for name, table in TABLES.items():
        if name not in raw:
            raw[name] = blank_table(table)
    cut_off = pd.Timestamp(dataset.cut_off)
    recorded = [table.typed["recorded_on"].max() for table in raw.values() if len(table.typed)]
    known_on = max([cut_off, *(day for day in recorded if pd.notna(day))])
    checked = check_tables(raw, cut_off=cut_off, known_on=known_on)
    rejected = sorted_problems([*ragged, checked.rejected])
    if len(rejected) and set_aside is False:
        raise _rejects_error(rejected, dataset.name)
    if set_aside is not False:
        target = _target(folder, set_aside)
        if len(rejected) or target.exists():
            write_rejected(rejected, raw, target)
    return Fleet(
        name=dataset.name,
        notice=dataset.notice,
        tables=checked.tables,
        rejected=rejected,
        warnings=sorted_problems([*warnings, checked.warnings]),
        cut_off=cut_off,
        known_on=known_on,
        packages=dataset.packages_frame(),
        planned_usage=dataset.usage_frame(),
        clocks=tuple(dataset.clocks),
        source=str(source),
        _raw=raw,
        _unusable=checked.unusable,
        _file_problems=(sorted_problems(ragged), sorted_problems(warnings)),
    )


def _folder(source: str | Path) -> Path:
    """Return the folder of a dataset, refusing other kinds of source."""
    if not isinstance(source, str | os.PathLike):
        raise TypeError(
            f"`source` must be the path of a folder. Got {type(source).__name__}; give a str or a Path."
        )
    if "://" in str(source):
        raise NotImplementedError(
            f"`source` must be a folder with {FILE_NAME}. Got {source!r}, which looks like the address of a database; "
            "save its tables as CSV in a folder."
        )
    folder = Path(source)
    if folder.is_dir():
        return folder
    if folder.exists():
        raise NotImplementedError(
            f"`source` must be a folder with {FILE_NAME}. Got the file {str(source)!r}; "
            "give the folder, and save a workbook as one CSV file for each table."
        )
    raise FileNotFoundError(
        f"`source` must be a folder with {FILE_NAME}. There is no {str(source)!r}; mend the path."
    )


def _target(folder: Path, set_aside: bool | str | Path) -> Path:
    """Return the file for the rejected rows."""
    if set_aside is True:
        return folder / FOLDER / REJECTED_FILE
    path = Path(set_aside)
    return path if path.suffix.lower() == ".csv" else path / REJECTED_FILE


def _rejects_error(rejected: pd.DataFrame, name: str) -> TableError:
    """Return the error for rejected rows, which says how to go on without them."""
    error = table_error(rejected, name=name)
    return TableError(
        f"{error}\nOr load it with set_aside=True, which writes these rows to a file and goes on.", rejected
    )
