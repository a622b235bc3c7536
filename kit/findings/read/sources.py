"""Where do the tables of a dataset come from: a folder, a workbook or a database."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Protocol

import pandas as pd

from kit.findings.check.problems import one_problem, table_error
from kit.findings.check.set_aside import FILE_NAME as REJECTED_FILE
from kit.findings.check.set_aside import FOLDER
from kit.findings.read.database import Database
from kit.findings.read.dataset import FILE_NAME, Dataset, described, read_description, table_files, toml_text
from kit.findings.read.parquet import read_parquet
from kit.findings.read.read import read_csv
from kit.findings.read.secrets import without_secrets
from kit.findings.read.source_table import SourceTable
from kit.findings.read.workbook import ENDINGS, Workbook
from kit.findings.tables import TABLES

DESCRIPTION = "dataset"
"""Sheet or table that stands for dataset.toml."""


class Source(Protocol):
    """A dataset that has been opened, whatever it is stored in.

    Attributes
    ----------
    name : str
        What to call it: never holds a password.
    dataset : Dataset
        What its description says.
    folder : Path or None
        Folder in which files that the description names lie.
    rejected_file : Path or None
        Where rejected rows go when no path is given.
    """

    name: str
    dataset: Dataset
    folder: Path | None
    rejected_file: Path | None

    def given(self, table: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a table, and the problems of it as a whole."""

    def close(self) -> None:
        """Let go of the file or the connection."""


class FolderSource:
    """A folder with dataset.toml and a CSV or Parquet file for each table.

    Parameters
    ----------
    folder : Path
        The folder.
    name : str
        The folder as the caller wrote it.
    """

    def __init__(self, folder: Path, name: str) -> None:
        self.name, self.folder = name, folder
        self.dataset = read_description(folder / FILE_NAME, name=folder.name)
        self._files = table_files(folder, self.dataset)
        self.rejected_file = folder / FOLDER / REJECTED_FILE

    def given(self, table: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a table, and the problems of it as a whole.

        Parameters
        ----------
        table : str
            Name of the table.

        Returns
        -------
        given : SourceTable or None
            None where the file cannot be used.
        fatal : DataFrame
            Problems of the file as a whole.
        """
        path, file = self._files[table], self.dataset.tables[table]
        reader = read_parquet if path.suffix.lower() == ".parquet" else read_csv
        return reader(table, path, file)

    def close(self) -> None:
        """Do nothing: files are closed once they are read."""


class WorkbookSource:
    """An Excel workbook with a sheet for each table.

    The sheet ``dataset`` holds keys and values; where there is none, dataset.toml beside the
    workbook describes it. A table is the sheet of its name unless the description says otherwise.

    Parameters
    ----------
    path : Path
        The workbook.
    name : str
        The path as the caller wrote it.
    """

    def __init__(self, path: Path, name: str) -> None:
        self.name, self.folder = name, path.parent
        self.rejected_file = path.with_name(f"{path.stem}_{REJECTED_FILE}")
        self._workbook = Workbook(path)
        try:
            sheets = self._workbook.sheets
            tables = {table: table for table in TABLES if table in sheets}
            if DESCRIPTION in sheets:
                text = toml_text(self._workbook.key_values(DESCRIPTION))
                self.dataset = described(text, name=path.name, tables=tables)
            else:
                self.dataset = read_description(path.parent / FILE_NAME, name=path.name, tables=tables)
            _check_stored(self.dataset, sheets, kind="sheet", name=path.name)
        except BaseException:
            self.close()
            raise

    def given(self, table: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a table, and the problems of it as a whole.

        Parameters
        ----------
        table : str
            Name of the table.

        Returns
        -------
        given : SourceTable or None
            None where the sheet cannot be used.
        fatal : DataFrame
            Problems of the sheet as a whole.
        """
        return self._workbook.given(table, self.dataset.tables[table])

    def close(self) -> None:
        """Close the workbook."""
        self._workbook.close()


class DatabaseSource:
    """An SQL database with the tables, and a table ``dataset`` of keys and values.

    Parameters
    ----------
    url : str
        Address as SQLAlchemy takes it.
    """

    def __init__(self, url: str) -> None:
        self.folder = self.rejected_file = None
        self._database = Database(url)
        self.name = self._database.name
        try:
            stored = self._database.tables
            if DESCRIPTION not in stored:
                problem = one_problem(
                    "dataset",
                    self.name,
                    reason=f"there is no table {DESCRIPTION}",
                    expected=f"a table {DESCRIPTION} with the columns key and value",
                    mend="make it, with a row whose key is toml and whose value is the text of dataset.toml",
                )
                raise table_error(problem, name=self.name)
            text = toml_text(self._database.key_values(DESCRIPTION))
            tables = {table: table for table in TABLES if table in stored}
            self.dataset = described(text, name=self.name, tables=tables)
            _check_stored(self.dataset, stored, kind="table", name=self.name)
        except BaseException:
            self.close()
            raise

    def given(self, table: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a table, and the problems of it as a whole.

        Parameters
        ----------
        table : str
            Name of the table.

        Returns
        -------
        given : SourceTable or None
            None where the table cannot be used.
        fatal : DataFrame
            Problems of the table as a whole.
        """
        key = self.dataset.map_of(table).heading(TABLES[table].id_column)
        return self._database.given(table, self.dataset.tables[table], key)

    def close(self) -> None:
        """End the transaction and the connection."""
        self._database.close()


def open_source(source: str | Path) -> Source:
    """Open a dataset, recognising what it is stored in.

    Parameters
    ----------
    source : str or Path
        A folder, a workbook, or the address of a database.

    Returns
    -------
    Source
        The dataset, to be closed by the caller.

    Raises
    ------
    TypeError
        If `source` is neither a text nor a path.
    FileNotFoundError
        If there is no such folder or file.
    NotImplementedError
        If it is a file of another kind.
    TableError
        If its description cannot be used.
    MissingPackage
        If a package that it needs is not installed.
    """
    if not isinstance(source, str | os.PathLike):
        raise TypeError(
            "`source` must be the path of a folder or a workbook, or the address of a database. "
            f"Got {type(source).__name__}; give a str or a Path."
        )
    if is_url(source):
        return DatabaseSource(str(source))
    path, name = Path(source), without_secrets(str(source))
    if "\0" in str(source):
        raise FileNotFoundError(f"`source` holds the character NUL: {name!r}. Correct the path.")
    if path.is_dir():
        return FolderSource(path, name)
    if not path.exists():
        raise FileNotFoundError(
            f"`source` must be a folder with {FILE_NAME}, a workbook or the address of a database. "
            f"There is no {name!r}; correct the path."
        )
    if path.suffix.lower() in ENDINGS:
        return WorkbookSource(path, name)
    raise NotImplementedError(
        f"`source` must be a folder with {FILE_NAME}, a workbook ({', '.join(ENDINGS)}) or the address of a "
        f"database. Got the file {name!r}; give its folder, or save a workbook as .xlsx; sqlite:/// comes before "
        "the path of an SQLite file."
    )


def is_url(source: str | Path) -> bool:
    """Return whether a source is the address of a database.

    Parameters
    ----------
    source : str or Path
        The source.

    Returns
    -------
    bool
        Whether it has the form of one.
    """
    return isinstance(source, str) and "://" in source


def _check_stored(dataset: Dataset, stored: list[str], *, kind: str, name: str) -> None:
    """Refuse a description that names sheets or tables that are not there."""
    missing = [(table, place) for table, place in dataset.tables.items() if place not in stored]
    if missing:
        problems = [
            one_problem(
                table,
                FILE_NAME,
                column=f"tables.{table}",
                value=place,
                reason=f"there is no {kind} of this name",
                expected=f"one of {', '.join(stored)}",
                mend=f"add the {kind}, or correct its name",
            )
            for table, place in missing
        ]
        raise table_error(pd.concat(problems, ignore_index=True), name=name)
