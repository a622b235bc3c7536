"""What stands in the files of an extract, whatever their separators and letters."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from kit.findings import MissingPackage

SEPARATORS = (",", ";", "\t", "|")
"""What may stand between cells."""

_WORKBOOKS = (".xlsx", ".xlsm")
_TEXTS = (".csv", ".txt", ".tsv")
_NUMBER_WITH_COMMA = r"[-+]?(?:\d+|\d{1,3}(?:\.\d{3})+)(?:,\d+)?"


class ExtractError(ValueError):
    """An extract cannot be read; the message says what to do."""


@dataclass(frozen=True)
class ExtractTable:
    """One table of an extract, as it stands.

    Parameters
    ----------
    name : str
        Name of the file or sheet without its ending.
    cells : DataFrame
        Every cell as text, "" where blank, under the headings of the extract; decimal commas as points.
    how : str
        What was done to read it, in words; "" for plain CSV.
    """

    name: str
    cells: pd.DataFrame
    how: str = ""

    def csv_text(self) -> str:
        """Return the table as CSV with commas.

        Returns
        -------
        str
            Heading and rows, as in `cells`.
        """
        return self.cells.to_csv(index=False, lineterminator="\n")


def read_extract(path: str | Path) -> list[ExtractTable]:
    """Read a folder of CSV files, one such file, or a workbook.

    Parameters
    ----------
    path : str or Path
        What was handed over.

    Returns
    -------
    list of ExtractTable
        Tables with a heading, in the order of their names.

    Raises
    ------
    ExtractError
        If there is nothing, or a file is no table; says which and what to do.
    MissingPackage
        If a workbook is given and what reads it is not installed.
    """
    path = Path(path)
    if path.is_dir():
        files = sorted(one for one in path.iterdir() if one.suffix.lower() in (*_TEXTS, *_WORKBOOKS))
        if not files:
            raise ExtractError(
                f"{path}: no file ending in .csv, .txt, .tsv or .xlsx there. Give the folder of the extract."
            )
        found = [table for one in files for table in _tables(one)]
    elif path.is_file():
        found = _tables(path)
    else:
        raise ExtractError(
            f"{path}: there is no such file or folder. Give the extract: CSV files in a folder, or a workbook."
        )
    names = [table.name for table in found]
    for name in names:
        if names.count(name) > 1:
            raise ExtractError(f"{path}: two tables are called {name!r}. Rename one file or sheet.")
    return [table for table in found if len(table.cells.columns)]


def _tables(path: Path) -> list[ExtractTable]:
    """Return the tables of one file."""
    if path.suffix.lower() in _WORKBOOKS:
        try:
            sheets = pd.read_excel(
                path, sheet_name=None, dtype="str", keep_default_na=False, engine="calamine"
            )
        except ImportError as error:
            raise MissingPackage(
                f"{path}: a workbook needs the extra excel: pip install 'skin-findings-kit[excel]'."
            ) from error
        return [_table(str(name), cells, f"sheet {name} of {path.name}") for name, cells in sheets.items()]
    if path.suffix.lower() not in _TEXTS:
        raise ExtractError(f"{path}: not a file that can be read. Give CSV files or a workbook (.xlsx).")
    raw = path.read_bytes()
    how = []
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
        how.append("letters read as Windows-1252")
    lines = text.splitlines()
    head = next((line for line in lines if line.strip()), "")
    separator = max(SEPARATORS, key=head.count)
    if separator != ",":
        how.append(f"cells parted by {separator!r}")
    records = [
        row for row in csv.reader(io.StringIO(text), delimiter=separator) if any(cell.strip() for cell in row)
    ]
    if not records:
        raise ExtractError(f"{path}: the file is empty. Take it out of the extract, or export it again.")
    width = len(records[0])
    for number, row in enumerate(records, 1):
        if len(row) != width:
            raise ExtractError(
                f"{path} line {number}: {len(row)} cells, the heading has {width}. Put cells that hold {separator!r} between "
                "double quotes, and take out titles above the heading."
            )
    cells = pd.DataFrame(records[1:], columns=records[0], dtype="str")
    if separator != ",":
        how += _points_for_commas(cells)
    return [_table(path.stem, cells, "; ".join(how))]


def _points_for_commas(cells: pd.DataFrame) -> list[str]:
    """Write decimal commas as points, in place, and say where; what may part thousands as well is left, and said."""
    done, open_ones = [], []
    for heading in cells.columns:
        given = cells[heading].str.strip()
        given = given[given != ""]
        if not len(given) or not given.str.fullmatch(_NUMBER_WITH_COMMA).all():
            continue
        commas = given[given.str.contains(",", regex=False)]
        if len(commas) and not commas.str.fullmatch(r"[-+]?\d{1,3},\d{3}").all():
            plain = cells[heading].str.replace(".", "", regex=False).str.replace(",", ".", regex=False)
            cells[heading] = plain
            done.append(heading)
        elif len(commas) or given.str.contains(".", regex=False).any():
            open_ones.append(heading)
    out = [f"decimal commas written as points: {', '.join(done)}"] if done else []
    return out + (
        [f"LOOK AT {', '.join(open_ones)}: its commas or points may part thousands"] if open_ones else []
    )


def _table(name: str, cells: pd.DataFrame, how: str) -> ExtractTable:
    """Return a table with trimmed headings and cells; each heading stands once."""
    headings = [str(heading).strip() for heading in cells.columns]
    for heading in headings:
        if headings.count(heading) > 1:
            raise ExtractError(f"{name}: the heading {heading!r} stands twice. Rename one.")
    cells = cells.set_axis(headings, axis=1).fillna("").astype("str").apply(lambda one: one.str.strip())
    return ExtractTable(name, cells.loc[:, [heading for heading in headings if heading]], how)
