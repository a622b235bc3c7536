"""How does a dataset on disk become a fleet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings.check.check import check_tables
from kit.findings.check.counts import count_problems
from kit.findings.check.problems import TableError, empty_problems, one_problem, sorted_problems, table_error
from kit.findings.check.set_aside import FILE_NAME as REJECTED_FILE
from kit.findings.check.set_aside import write_rejected
from kit.findings.fleet import Fleet
from kit.findings.read.columns import RawTable, blank_table, type_table
from kit.findings.read.dataset import FILE_NAME as DESCRIPTION
from kit.findings.read.dataset import Dataset, region_file
from kit.findings.read.lazy_text import given_cells
from kit.findings.read.region_files import region_rows
from kit.findings.read.size_limits import shortened
from kit.findings.read.source_table import SourceTable, declared_cells
from kit.findings.read.sources import Source, open_source
from kit.findings.read.tap_files import with_tap_files
from kit.findings.stated import DATES, KEYS, PACKAGES, TARGETS, USAGE, in_force
from kit.findings.tables import TABLES


def load_fleet(source: str | Path, *, set_aside: bool | str | Path = False) -> Fleet:
    """Read a dataset, check every row, and return what can be used.

    Rows are sorted into accepted, accepted with a warning, and rejected; each problem says
    file, row, column, value, reason, what was expected and how to correct it.

    Parameters
    ----------
    source : str or Path
        A folder that holds dataset.toml and a CSV or Parquet file for each table; an Excel
        workbook (.xlsx, .xlsm) with a sheet for each table and a sheet ``dataset``, or
        dataset.toml beside it; or the address of an SQL database as SQLAlchemy takes it
        (``sqlite:///fleet.db``), with a table ``dataset``.
    set_aside : bool, str or Path
        False: any rejected row stops the loading. True: rejected rows are written with their
        reasons to ``<source>/set_aside/rejected_rows.csv``, or beside a workbook to
        ``<its name>_rejected_rows.csv``, and loading goes on. A path does the same and writes
        there: a file that ends in .csv, or a folder. A database needs a path.

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
        If there is no such folder or file.
    NotImplementedError
        If `source` is a file of another kind.
    MissingPackage
        If a package that the source needs is not installed; names the extra that installs it.
    ValueError
        If `source` is a database and `set_aside` is True.
    OSError
        If the rejected rows cannot be written.

    Notes
    -----
    The checks and their results are the same whatever the source. Where tap_grid of a finding names a
    CSV file in the folder (x, y, mark, contact_time), its taps join the table of taps. Where nothing is rejected no file is written; a file that an earlier loading left is then
    emptied down to its heading.
    """
    opened = open_source(source)
    try:
        dataset = opened.dataset
        if set_aside is True and opened.rejected_file is None:
            raise ValueError(
                f"`set_aside` must be a path where `source` is a database. Got True for {opened.name}; "
                "give a file that ends in .csv, or a folder: load_fleet(source, set_aside='rejected_rows.csv')."
            )
        raw, row_problems, warnings = _read(opened)
    finally:
        opened.close()
    for name, table in TABLES.items():
        if name not in raw:
            raw[name] = blank_table(table)
    cut_off = pd.Timestamp(dataset.cut_off)
    raw, lines, columns = with_tap_files(raw, opened.folder, length_unit=dataset.length_unit, cut_off=cut_off)
    row_problems, warnings = row_problems + lines, warnings + columns
    latest = pd.Timestamp.today().floor("D") + _AHEAD
    row_problems += [_from_the_future(name, table, latest) for name, table in raw.items()]
    if dataset.guessed:
        warnings.append(_not_confirmed(dataset.guessed))
    every = {
        PACKAGES: dataset.packages_frame(),
        USAGE: dataset.usage_frame(),
        TARGETS: dataset.targets_frame(),
    }
    days = [table.typed["recorded_on"] for table in raw.values()] + [
        rows["recorded_on"] for rows in every.values()
    ]
    recorded = [one[one <= latest].max() for one in days if len(one)]
    known_on = max([cut_off, *(day for day in recorded if pd.notna(day))])
    checked = check_tables(raw, cut_off=cut_off, known_on=known_on)
    rejected = sorted_problems([*row_problems, checked.rejected])
    if len(rejected) and set_aside is False:
        raise _rejects_error(rejected, dataset.name)
    if set_aside is not False:
        target = _target(opened.rejected_file, set_aside)
        if len(rejected) or target.exists():
            write_rejected(rejected, raw, target)
    stated = {
        name: in_force(rows, KEYS[name], known_on=known_on, cut_off=cut_off).drop(columns=list(DATES))
        for name, rows in every.items()
    }
    stated[USAGE] = stated[USAGE].set_index(KEYS[USAGE])
    return Fleet(
        name=dataset.name,
        notice=dataset.notice,
        tables=checked.tables,
        rejected=rejected,
        warnings=sorted_problems(
            [*warnings, checked.warnings, count_problems(stated[USAGE], checked.tables["aircraft"])]
        ),
        cut_off=cut_off,
        known_on=known_on,
        packages=stated[PACKAGES],
        planned_usage=stated[USAGE],
        targets=stated[TARGETS],
        clocks=tuple(dataset.clocks),
        source=opened.name,
        as_read=raw,
        unusable=checked.unusable,
        file_problems=(sorted_problems(row_problems), sorted_problems(warnings)),
        stated=every,
    )


_AHEAD = pd.Timedelta(366, "D")
"""How far after today a row may be recorded: clocks of machines are wrong too."""


def _from_the_future(name: str, table: RawTable, latest: pd.Timestamp) -> pd.DataFrame:
    """Return the problems of rows recorded after any day that has come: one would date all that is known."""
    is_ahead = (table.typed["recorded_on"] > latest).to_numpy()
    if not is_ahead.any():
        return empty_problems()
    future = table.typed[is_ahead]
    return sorted_problems(
        [
            one_problem(
                name,
                row.file,
                row=int(row.row),
                column="recorded_on",
                value=f"{row.recorded_on:%Y-%m-%d}",
                reason="recorded_on is after the day of loading; the row is not used",
                expected="a day up to today",
                mend="correct recorded_on",
            )
            for row in future[["file", "row", "recorded_on"]].itertuples(index=False)
        ]
    )


def _read(opened: Source) -> tuple[dict[str, RawTable], list[pd.DataFrame], list[pd.DataFrame]]:
    """Return the tables typed, the problems of rows that were not read, and the warnings."""
    dataset = opened.dataset
    regions = region_file(opened.folder, dataset)
    raw: dict[str, RawTable] = {}
    fatal, row_problems, warnings = [], [], []
    for name, table in TABLES.items():
        if name not in dataset.tables:
            continue
        given, unusable = opened.given(name)
        fatal.append(unusable)
        if given is None:
            continue
        row_problems.append(given.problems)
        renamed = dataset.map_of(name)
        cells, unusable, columns = declared_cells(table, given, renamed)
        fatal.append(unusable)
        warnings.append(columns)
        if cells is None:
            continue
        if name == "findings" and regions is not None:
            cells, lost = _with_regions(cells, regions, dataset)
            row_problems.append(lost)
        if (
            name == "findings"
            and "size_unit" not in renamed.made
            and renamed.heading("size_unit") not in given.heading
            and not renamed.size_unit()
        ):
            renamed = renamed.with_sizes_in(dataset.length_unit)
            warnings.append(_sizes_without_column(given, dataset.length_unit))
        raw[name] = type_table(table, cells, length_unit=dataset.length_unit, renamed=renamed)
    stop = sorted_problems(fatal)
    if len(stop):
        raise table_error(stop, name=dataset.name)
    return raw, row_problems, warnings


_SHOWN = 4


def _not_confirmed(guessed: list[str]) -> pd.DataFrame:
    """Return the warning that entries of the description are still guesses."""
    n = len(guessed)
    rest = f" and {n - _SHOWN} more" if n > _SHOWN else ""
    return one_problem(
        "dataset",
        DESCRIPTION,
        column="guessed",
        value="; ".join(guessed[:_SHOWN]) + rest,
        reason=f"{n} guess{'es' if n > 1 else ''} of the draft not confirmed",
        expected="entries that somebody who knows the extract has looked at",
        mend="look at each entry that guessed names, correct it where it is wrong, and take its line out of guessed",
    )


def _sizes_without_column(given: SourceTable, unit: str) -> pd.DataFrame:
    """Return the warning that sizes are read in the dataset's unit, since no column says theirs."""
    return one_problem(
        "findings",
        given.file,
        row=given.first_row,
        column="size_unit",
        reason=f"there is no column with the unit of sizes: they are read in {unit}, length_unit of the dataset",
        expected="a unit beside the sizes, or under map.findings.units",
        mend=f'write [map.findings.units] default = "{unit}" if that is right, or the unit that is',
    )


def _with_regions(cells: pd.DataFrame, path: Path, dataset: Dataset) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return findings with the outlines of a region file, and the regions that fit no finding."""
    stated = dataset.regions
    regions, problems = region_rows(path, stated.file, unit=stated.unit or dataset.length_unit)
    at = pd.Index(regions["finding"]).get_indexer(pd.Index(cells["finding"]))
    drawn = given_cells(cells["outline"])
    take = (at >= 0) & ~drawn
    outlines = cells["outline"].to_numpy(dtype=object).copy()
    outlines[take] = regions["geometry"].to_numpy(dtype=object)[at[take]]
    is_known = np.zeros(len(regions), dtype=bool)
    is_known[at[at >= 0]] = True
    is_double = np.zeros(len(regions), dtype=bool)
    is_double[at[(at >= 0) & drawn]] = True
    parts = [problems]
    for mask, reason, expected, mend in (
        (
            ~is_known,
            "no such row in findings",
            "the id of a finding",
            "correct the id, or add the finding",
        ),
        (
            is_double,
            "the finding has an outline in its table too, which stands",
            "one outline of each finding",
            "take out the region, or the outline in findings",
        ),
    ):
        parts += [
            one_problem(
                "findings",
                stated.file,
                row=int(row),
                column="finding",
                value=shortened(name),
                reason=reason,
                expected=expected,
                mend=mend,
            )
            for name, row in regions.loc[mask, ["finding", "row"]].itertuples(index=False, name=None)
        ]
    if take.any():
        cells = cells.assign(outline=pd.Series(outlines, index=cells.index, dtype=object))
    return cells, sorted_problems(parts)


def _target(beside: Path | None, set_aside: bool | str | Path) -> Path:
    """Return the file for the rejected rows."""
    if set_aside is True:
        return beside
    path = Path(set_aside)
    return path if path.suffix.lower() == ".csv" else path / REJECTED_FILE


def _rejects_error(rejected: pd.DataFrame, name: str) -> TableError:
    """Return the error for rejected rows, which says how to go on without them."""
    error = table_error(rejected, name=name)
    return TableError(
        f"{error}\nOr load it with set_aside=True, which writes these rows to a file and goes on.", rejected
    )
