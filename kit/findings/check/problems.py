"""Where is a row wrong, why, and how is it corrected: problems as rows of a table."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
import pandas as pd

from kit.findings.report.report import problems_text
from kit.findings.tables import TABLES

PROBLEM_COLUMNS = ("table", "file", "row", "column", "value", "reason", "expected", "mend")
"""Columns of a table of problems."""


class TableError(ValueError):
    """Say that a dataset cannot be used as it is.

    Parameters
    ----------
    message : str
        What is wrong, readable as it stands.
    problems : DataFrame
        Every problem, one a row, with the columns of `PROBLEM_COLUMNS`.
    """

    def __init__(self, message: str, problems: pd.DataFrame | None = None) -> None:
        super().__init__(message)
        self.problems = empty_problems() if problems is None else problems


def empty_problems() -> pd.DataFrame:
    """Return a table of problems without rows.

    Returns
    -------
    DataFrame
        The columns of `PROBLEM_COLUMNS`; `row` is a whole number, the others are text.
    """
    return _no_problems().copy()


@functools.cache
def _no_problems() -> pd.DataFrame:
    """Return the empty table that is copied for each use."""
    columns = {name: pd.Series(dtype="int64" if name == "row" else "str") for name in PROBLEM_COLUMNS}
    return pd.DataFrame(columns)


def one_problem(
    table: str,
    file: str,
    *,
    reason: str,
    expected: str,
    mend: str,
    row: int = 0,
    column: str = "",
    value: str = "",
) -> pd.DataFrame:
    """Return a table that holds one problem, of a file as a whole or of one row.

    Parameters
    ----------
    table, file : str
        Table and file that it is in.
    reason, expected, mend : str
        Why it is a problem, what was expected, what to do.
    row : int
        Line of the file; 0 where the problem is not of one line.
    column, value : str
        Heading and cell.

    Returns
    -------
    DataFrame, 1 row
        The columns of `PROBLEM_COLUMNS`.
    """
    cells = (table, file, row, column, value, reason, expected, mend)
    return pd.DataFrame({name: [cell] for name, cell in zip(PROBLEM_COLUMNS, cells, strict=True)})


def sorted_problems(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Put problems together: by table as declared, then by row, then as found.

    Parameters
    ----------
    parts : list of DataFrame
        Tables of problems; further columns are dropped.

    Returns
    -------
    DataFrame
        The columns of `PROBLEM_COLUMNS`.
    """
    parts = [part for part in parts if len(part)]
    if not parts:
        return empty_problems()
    frame = pd.concat(parts, ignore_index=True)[list(PROBLEM_COLUMNS)]
    order = {name: k for k, name in enumerate(TABLES)}
    frame["_table"] = frame["table"].map(order).fillna(-1)
    frame = frame.sort_values(["_table", "file", "row"], kind="stable").drop(columns="_table")
    return frame.astype(dict.fromkeys(set(PROBLEM_COLUMNS) - {"row"}, "str") | {"row": "int64"}).reset_index(
        drop=True
    )


def table_error(problems: pd.DataFrame, *, name: str) -> TableError:
    """Make the error that says what is wrong with a dataset.

    Parameters
    ----------
    problems : DataFrame
        All problems.
    name : str
        What to call the dataset in the message.

    Returns
    -------
    TableError
        The error, to be raised.
    """
    return TableError(f"The dataset {name} cannot be used as it is.\n{problems_text(problems)}", problems)


class ProblemLog:
    """Collect the problems of many tables, remembering which rows they are about.

    Rows are remembered by their label in the table as read, so that rejected rows can be
    taken out when all checks are done.
    """

    def __init__(self) -> None:
        self._parts: dict[str, list[pd.DataFrame]] = {"rejected": [], "warning": []}

    def add(
        self,
        table: str,
        rows: pd.DataFrame,
        column: str,
        value: Any,
        *,
        reason: Any,
        expected: Any,
        mend: Any,
        warn: bool = False,
    ) -> None:
        """Add one problem for each of some rows.

        Parameters
        ----------
        table : str
            Name of the table.
        rows : DataFrame
            The rows, with columns `file` and `row`.
        column : str
            Column that holds the problem.
        value, reason, expected, mend : str or array_like of str
            One for all rows, or one each.
        warn : bool
            Whether the rows are accepted all the same.
        """
        if not len(rows):
            return
        cells = {"table": table, "file": rows["file"], "row": rows["row"], "column": column, "value": value}
        cells |= {"reason": reason, "expected": expected, "mend": mend}
        frame = pd.DataFrame(
            {name: np.asarray(cell, dtype=object) if np.ndim(cell) else cell for name, cell in cells.items()},
            index=rows.index,
        )
        self._parts["warning" if warn else "rejected"].append(frame)

    def include(self, frame: pd.DataFrame, *, warn: bool = False) -> None:
        """Add problems that are a table already, labelled by row.

        Parameters
        ----------
        frame : DataFrame
            Problems of one table; the labels are those of the rows.
        warn : bool
            Whether the rows are accepted all the same.
        """
        if len(frame):
            self._parts["warning" if warn else "rejected"].append(frame)

    def labelled(self) -> pd.DataFrame:
        """Return the problems of rejected rows, labelled by row.

        Returns
        -------
        DataFrame
            The columns of `PROBLEM_COLUMNS`; no columns where there are no problems.
        """
        parts = self._parts["rejected"]
        return pd.concat(parts) if parts else pd.DataFrame()

    def rejected_labels(self, table: str) -> pd.Index:
        """Return the labels of the rows of a table that are rejected so far.

        Parameters
        ----------
        table : str
            Name of the table.

        Returns
        -------
        Index
            Labels, each once.
        """
        return _each_once([part.index for part in self._parts["rejected"] if part["table"].iloc[0] == table])

    def warned_labels(self, table: str, columns: tuple[str, ...]) -> pd.Index:
        """Return the labels of the rows of a table of which columns are warned of so far.

        Parameters
        ----------
        table : str
            Name of the table.
        columns : tuple of str
            Columns of it.

        Returns
        -------
        Index
            Labels, each once.
        """
        return _each_once(
            [
                part.index[part["column"].isin(columns).to_numpy()]
                for part in self._parts["warning"]
                if part["table"].iloc[0] == table
            ]
        )

    def frame(self, *, warn: bool = False) -> pd.DataFrame:
        """Return the problems collected.

        Parameters
        ----------
        warn : bool
            Whether to return those of accepted rows.

        Returns
        -------
        DataFrame
            The columns of `PROBLEM_COLUMNS`.
        """
        return sorted_problems(self._parts["warning" if warn else "rejected"])


def _each_once(found: list[pd.Index]) -> pd.Index:
    """Return all labels, each once."""
    return found[0].append(found[1:]).unique() if found else pd.Index([], dtype="int64")
