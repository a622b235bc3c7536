"""How does an extract differ from the declared tables: headings, units, orders of dates, codes."""

from __future__ import annotations

import re
from typing import Annotated, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field

from kit.findings.tables import GEOMETRIES, TABLES, Column

DEFAULT = "default"
"""Key that stands for all columns of a table that are not named."""

SIZES = ("length", "width", "rounding")
"""Columns of findings of which the unit stands in size_unit."""

DateOrder = Literal["year-month-day", "day-month-year", "month-day-year"]
"""Orders in which a date may be written."""

Unit = Literal["mm", "cm", "in"]
"""Units in which a length may be written."""

ROW = "row"
"""Stands, in a column that is made, for the number of the row in its file."""

_HEADING = re.compile(r"\{([^{}]+)\}")
_NAMES = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
_MONTHS = {name: f"{k:02d}" for k, name in enumerate(_NAMES, 1)}
_PATTERNS = {  # a digit month needs something between the parts, a month in letters does not
    r"[/.\- ]": {"year": "([0-9]{4})", "month": "([0-9]{1,2})", "day": "([0-9]{1,2})"},
    r"[/.\- ]?": {"year": "([0-9]{4})", "month": "([A-Za-z]{3})", "day": "([0-9]{1,2})"},
}


class TableMap(BaseModel):
    """What stands in one table of an extract for what the kit expects."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)
    columns: dict[str, Annotated[str, Field(min_length=1)]] = Field(
        {}, description="by column of the kit: the heading under which it stands"
    )
    date_order: dict[str, DateOrder] = Field(
        {}, description="by column of dates, or default: the order in which days are written"
    )
    units: dict[str, Unit] = Field(
        {}, description="by column of lengths or polygons, or default: the unit in which they are written"
    )
    codes: dict[str, dict[str, str]] = Field({}, description="by column: code = word of the kit")
    made: dict[str, Annotated[str, Field(min_length=1)]] = Field(
        {},
        description="by column that the extract does not have: text in which {HEADING} stands for the cell under a heading "
        "and {row} for the number of the row; without either, one value for every row",
    )

    def headings_used(self) -> list[str]:
        """Return the headings out of which columns are made that the extract does not have.

        Returns
        -------
        list of str
            Each once, in their order.
        """
        found = [name for text in self.made.values() for name in _HEADING.findall(text)]
        return list(dict.fromkeys(name for name in found if name != ROW))

    def made_cells(self, column: str, given: pd.DataFrame) -> pd.Series:
        """Return the cells of a column that is made out of others.

        Parameters
        ----------
        column : str
            Its name in the kit; one of `made`.
        given : DataFrame
            Text under each of `headings_used`, and the numbers of the rows under `ROW`.

        Returns
        -------
        Series of str
            A cell is blank where one that it is made out of is.
        """
        parts = _HEADING.split(self.made[column])  # text and headings in turn
        cells = pd.Series(parts[0], index=given.index, dtype="str")
        blank = pd.Series(False, index=given.index)
        for name, text in zip(parts[1::2], parts[2::2], strict=True):
            cells = cells + given[name] + text
            blank |= given[name] == ""
        return cells.mask(blank, "").astype("str")

    def heading(self, column: str) -> str:
        """Return the heading under which a column stands.

        Parameters
        ----------
        column : str
            Its name in the kit.

        Returns
        -------
        str
            The heading in the source; the name itself where the map does not name it.
        """
        return self.columns.get(column, column)

    def order(self, column: str) -> str:
        """Return the order in which the dates of a column are written.

        Parameters
        ----------
        column : str
            Its name in the kit.

        Returns
        -------
        str
            One of `DateOrder`, or "" for YYYY-MM-DD alone.
        """
        return self.date_order.get(column, self.date_order.get(DEFAULT, ""))

    def unit(self, column: str, default: str) -> str:
        """Return the unit in which a length is written.

        Parameters
        ----------
        column : str
            Its name in the kit.
        default : str
            Unit of lengths in the dataset.

        Returns
        -------
        str
            mm, cm or in.
        """
        return self.units.get(column, self.units.get(DEFAULT, default))

    def size_unit(self) -> str:
        """Return the unit of sizes of findings that have no unit beside them.

        Returns
        -------
        str
            mm, cm or in: that of a size, else that of all lengths of the table; "" where the map does not say.
        """
        named = [self.units[name] for name in (*SIZES, DEFAULT) if name in self.units]
        return named[0] if named else ""

    def with_sizes_in(self, unit: str) -> TableMap:
        """Return the map of a table that has no column for the unit of its sizes.

        Parameters
        ----------
        unit : str
            Unit of lengths in the dataset.

        Returns
        -------
        TableMap
            With that unit for sizes, where the map names none.
        """
        return self if self.size_unit() else self.model_copy(update={"units": self.units | {SIZES[0]: unit}})

    def decoded(self, column: str, cells: pd.Series) -> pd.Series:
        """Return cells with codes in the place of which the kit's words are put.

        Parameters
        ----------
        column : str
            Name of the column in the kit.
        cells : Series
            Cells of the column.

        Returns
        -------
        Series
            A cell that is no code stays as it is.
        """
        codes = self.codes.get(column)
        if not codes or not isinstance(cells.dtype, pd.StringDtype):
            return cells
        mapped = cells.map(codes)
        return mapped.where(mapped.notna(), cells).astype("str")


def check_map(table: str, entries: TableMap) -> str:
    """Return what a map says about columns that it cannot say.

    Parameters
    ----------
    table : str
        Name of the table.
    entries : TableMap
        What the map says of it.

    Returns
    -------
    str
        What is wrong, naming the key; "" where nothing is.
    """
    if table not in TABLES:
        return f"map.{table}: no table is called {table}; tables are {', '.join(TABLES)}"
    declared = {column.name: column for column in TABLES[table].all_columns}
    sizes = SIZES if table == "findings" else ()
    for part, fits, kinds in (
        ("columns", lambda column: True, "columns"),
        ("date_order", lambda column: column.type == "date", "columns of dates"),
        (
            "units",
            lambda column: column.type in ("length", *GEOMETRIES) or column.name in sizes,
            "columns of lengths and polygons",
        ),
        (
            "codes",
            lambda column: column.type in ("id", "ref", "text", "choice", "flag"),
            "columns of words and flags",
        ),
        ("made", lambda column: True, "columns"),
    ):
        good = [name for name, column in declared.items() if fits(column)]
        extra = [DEFAULT] if part in ("date_order", "units") else []
        for name in getattr(entries, part):
            if name not in [*good, *extra]:
                return f"map.{table}.{part}.{name}: {kinds} of {table} are {', '.join([*good, *extra])}"
    if both := [name for name in entries.made if name in entries.columns]:
        return f"map.{table}.made.{both[0]}: it has a heading under columns too; a column is read or made, not both"
    taken = {name: heading for name, heading in entries.columns.items() if name != heading}
    for name, heading in taken.items():
        if heading in declared and heading not in entries.columns:
            return (
                f"map.{table}.columns.{name}: {heading!r} is the heading of a column of its own; "
                f"say under columns.{heading} where that one stands"
            )
    if len({entries.units[name] for name in sizes if name in entries.units}) > 1:
        return f"map.{table}.units: {', '.join(SIZES)} share the unit in size_unit; write the same for them"
    return _wrong_code(table, declared, entries)


def _wrong_code(table: str, declared: dict[str, Column], entries: TableMap) -> str:
    """Return which code stands for a word that the column may not hold."""
    for name, codes in entries.codes.items():
        column = declared[name]
        allowed = ("yes",) if column.type == "flag" else column.choices
        for code, word in codes.items():
            if allowed and word not in ("", *allowed):
                return (
                    f"map.{table}.codes.{name}.{code}: {word!r} is not one of {', '.join(allowed)}, or blank"
                )
    return ""


def iso_dates(cells: pd.Series, order: str) -> pd.Series:
    """Return dates written in a known order as YYYY-MM-DD.

    Parameters
    ----------
    cells : Series of str
        Dates as written: digits or the first three letters of the English month, with a slash,
        point, hyphen, blank or (beside letters) nothing between them; years have four digits.
    order : str
        One of `DateOrder`, or "".

    Returns
    -------
    Series of str
        A cell that is YYYY-MM-DD already, or in no such form, stays as it is.

    Examples
    --------
    >>> iso_dates(pd.Series(["5/1/2014", "05JAN2014", "2014-01-05"], dtype="str"), "day-month-year").tolist()
    ['2014-01-05', '2014-01-05', '2014-01-05']
    """
    if not order:
        return cells
    codes, kinds = pd.factorize(cells)
    texts = pd.Series(kinds, dtype="str")
    iso = texts.to_numpy(dtype=object)
    names = order.split("-")
    for between, parts in _PATTERNS.items():
        found = texts.str.extract("^" + between.join(parts[name] for name in names) + "$")
        found.columns = names
        month = found["month"].str.upper()
        month = month.map(_MONTHS).where(month.isin(list(_MONTHS)), month.str.zfill(2))
        read = (found["year"].notna() & month.str.fullmatch("[0-9]{2}").fillna(False)).to_numpy(dtype=bool)
        written = found["year"] + "-" + month + "-" + found["day"].str.zfill(2)
        iso[read] = written[read]
    is_iso = texts.str.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}").to_numpy(dtype=bool)
    iso[is_iso] = texts[is_iso]
    return pd.Series(iso[codes], index=cells.index, dtype="str")
