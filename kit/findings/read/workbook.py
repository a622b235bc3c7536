"""What stands in the sheets of an Excel workbook."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd

from kit.findings.check.problems import TableError, one_problem, sorted_problems, table_error
from kit.findings.packages import missing_package
from kit.findings.read import size_limits
from kit.findings.read.lazy_text import cell_text
from kit.findings.read.source_table import SourceTable

ENDINGS = (".xlsx", ".xlsm")
"""Endings of the workbooks that are read."""

_PLACE = re.compile(rb'\sr="([A-Z]{0,3})([0-9]{1,7})"')
_UNCALCULATED = re.compile(
    rb'<c r="([A-Z]{1,3}[0-9]{1,7})"[^>]*>\s*<f[^>]*(?:/>|>[^<]*</f>)\s*(?:<v>\s*</v>|<v\s*/>)?\s*</c>'
)
_CHUNK = 1 << 22
_OVERLAP = 4096


class Workbook:
    """The sheets of a workbook, opened once its size is found to be within limits.

    Parameters
    ----------
    path : Path
        The workbook.

    Raises
    ------
    TableError
        If it is no workbook, or larger than `limits` allow: the file, its parts together once
        unpacked, or the cells of a sheet from A1 to the last.
    MissingPackage
        If python-calamine is not installed.
    """

    def __init__(self, path: Path) -> None:
        try:
            import python_calamine  # noqa: F401
        except ImportError as error:
            what = "Reading a workbook"
            raise missing_package("python-calamine", extra="excel", what=what) from error
        self._name = path.name
        self._check_size(path)
        try:
            self._file = pd.ExcelFile(path, engine="calamine")
        except Exception as error:  # calamine has errors of many kinds, one for each part of the format
            raise self._refused(f"the workbook cannot be read: {error}") from None
        self.sheets = [str(name) for name in self._file.sheet_names]

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def given(self, table: str, sheet: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a sheet as a table.

        Parameters
        ----------
        table : str
            Name of the table.
        sheet : str
            Name of the sheet.

        Returns
        -------
        given : SourceTable
            Cells as the sheet holds them; rows have the numbers of the sheet. The heading is the
            first row that is not blank.
        fatal : DataFrame
            Problems of the sheet as a whole.
        """
        file = f"sheet {sheet}"
        raw, cells = self._cells(sheet)
        filled = (cells != "").to_numpy(dtype=bool)
        rows = np.flatnonzero(filled.any(axis=1))
        none = sorted_problems([])
        if not len(rows):
            return SourceTable(file, [], 0, lambda names: pd.DataFrame(), kind="sheet"), none
        first, below = rows[0], rows[1:]
        used = np.flatnonzero(filled.any(axis=0))
        heading = [cells.iat[first, k] for k in used]
        body = raw.iloc[below, used].set_axis(heading, axis=1).reset_index(drop=True)
        given = SourceTable(
            file,
            heading,
            len(body),
            lambda names: body[names],
            below + 1,
            first_row=int(first) + 1,
            kind="sheet",
        )
        return given, none

    def key_values(self, sheet: str) -> list[tuple[str, str]]:
        """Return the first two columns of a sheet, row by row.

        Parameters
        ----------
        sheet : str
            Name of the sheet.

        Returns
        -------
        list of (str, str)
            Rows of which the first cell is not blank.
        """
        _, cells = self._cells(sheet)
        if cells.shape[1] < 2:
            return [(key, "") for key in cells.iloc[:, 0]] if cells.shape[1] else []
        return [(key, value) for key, value in cells.iloc[:, :2].itertuples(index=False, name=None) if key]

    def _cells(self, sheet: str) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return all cells of a sheet from A1 on, as they are and as text."""
        raw = pd.read_excel(
            self._file,
            sheet_name=sheet,
            header=None,
            dtype=object,
            keep_default_na=False,
            na_values=[],
            na_filter=False,
        )
        texts = {k: pd.Series([cell_text(c) for c in raw[k]], index=raw.index, dtype="str") for k in raw}
        return raw, pd.DataFrame(texts, index=raw.index)

    def _check_size(self, path: Path) -> None:
        """Refuse what is larger than the limits, before anything else is done with it."""
        mend = "split the dataset, or save the tables as Parquet in a folder"
        words = size_limits.too_large(
            path.stat().st_size, size_limits.LARGEST_FILE, what="the workbook", unit="bytes", mend=mend
        )
        if words:
            raise self._refused(**words)
        try:
            with zipfile.ZipFile(path) as packed:
                parts = packed.infolist()
                words = size_limits.too_large(
                    sum(part.file_size for part in parts),
                    size_limits.LARGEST_UNPACKED,
                    what="the workbook, unpacked,",
                    unit="bytes",
                    mend=mend,
                )
                if words:
                    raise self._refused(**words)
                for part in parts:
                    with packed.open(part) as opened:
                        self._check_part(part.filename, opened, mend)
        except TableError:
            raise
        except Exception as error:  # a broken archive ends in errors of many kinds, of the system as well
            raise self._refused(f"the file is not a workbook: {error}") from None

    def _check_part(self, name: str, opened: object, mend: str) -> None:
        """Read a part to its end, which shows whether its size is as stated, and count its cells."""
        is_sheet = name.startswith("xl/worksheets/") and name.endswith(".xml")
        most_rows, columns, tail = 0, {b""}, b""
        while chunk := opened.read(_CHUNK):
            if is_sheet:
                found = _PLACE.findall(tail[-32:] + chunk)
                if formula := _UNCALCULATED.search(tail + chunk):
                    raise self._refused(
                        f"the formula in cell {formula[1].decode()} of {name} has no value: it would be read as blank",
                        "values, or formulas that were calculated before saving",
                        "open the workbook in a spreadsheet program, let it calculate, and save it",
                    )
                columns.update({letters for letters, _ in found})
                most_rows = max([most_rows, *(int(row) for row in {number for _, number in found})])
                tail = chunk[-_OVERLAP:]
        n_columns = max(_column_number(letters) for letters in columns)
        words = size_limits.too_large(
            most_rows * n_columns, size_limits.MOST_CELLS, what=f"a sheet ({name})", unit="cells", mend=mend
        )
        if words:
            words["mend"] = "delete the cells far away from the table, or split the dataset"
            raise self._refused(**words)

    def _refused(
        self,
        reason: str,
        expected: str = "a workbook saved as .xlsx",
        mend: str = "open it and save it again as .xlsx, without a password",
    ) -> TableError:
        """Return the error about the workbook as a whole."""
        problem = one_problem(
            "dataset", self._name, reason=size_limits.shortened(reason), expected=expected, mend=mend
        )
        return table_error(problem, name=self._name)


def _column_number(letters: bytes) -> int:
    """Return the number of a column from its letters."""
    number = 0
    for letter in letters:
        number = 26 * number + letter - 64
    return number
