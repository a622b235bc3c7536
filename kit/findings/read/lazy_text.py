"""Cells as they were written, turned into text only when somebody asks for them."""

from __future__ import annotations

import datetime as dt
import decimal
import numbers
from typing import Any

import numpy as np
import pandas as pd
import shapely


def cell_text(cell: Any) -> str:
    """Return the text of one cell of any type, as a CSV file would hold it.

    Parameters
    ----------
    cell : object
        A value from a workbook or a database.

    Returns
    -------
    str
        "" for a missing one, days as YYYY-MM-DD, numbers with the fewest digits that mean the
        same, TRUE and FALSE, polygons as WKT; without blanks around it.

    Examples
    --------
    >>> [cell_text(cell) for cell in (50.0, 0.25, True, None, " a ", dt.datetime(2014, 1, 5))]
    ['50', '0.25', 'TRUE', '', 'a', '2014-01-05']
    """
    if isinstance(cell, str):
        return cell.strip()
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return ""
    if isinstance(cell, bool | np.bool_):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, decimal.Decimal):
        return "" if cell.is_nan() else _plain(cell)
    if isinstance(cell, numbers.Integral):
        return str(int(cell))
    if isinstance(cell, numbers.Real):
        return _number_text(float(cell))
    if isinstance(cell, dt.datetime):
        if cell.tzinfo is None and cell.time() == dt.time():
            return cell.date().isoformat()
        return cell.isoformat(" ")
    if isinstance(cell, dt.date | dt.time):
        return cell.isoformat()
    if isinstance(cell, bytes | bytearray | memoryview):
        return _bytes_text(bytes(cell))
    if isinstance(cell, shapely.Geometry):
        return shapely.to_wkt(cell, rounding_precision=-1)
    return str(cell).strip()


def _number_text(value: float) -> str:
    """Return the shortest text of a number."""
    if np.isnan(value):
        return ""
    if np.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def _plain(value: decimal.Decimal) -> str:
    """Return a decimal number without an exponent and without zeros at its end."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _bytes_text(cell: bytes) -> str:
    """Return WKB as WKT, and other bytes as hexadecimal digits."""
    shape = shapely.from_wkb(cell, on_invalid="ignore")
    return cell.hex() if shape is None else shapely.to_wkt(shape, rounding_precision=-1)


def column_text(cells: pd.Series) -> pd.Series:
    """Return a column of any type as text.

    Parameters
    ----------
    cells : Series
        Text, days, numbers, flags, or objects of any kind.

    Returns
    -------
    Series of str
        As from `cell_text`; a flag is yes or blank.
    """
    if isinstance(cells.dtype, pd.StringDtype):
        return cells
    if cells.dtype == bool:
        texts = np.where(cells.to_numpy(), "yes", "")
    elif cells.dtype == object:
        texts = np.array([cell_text(cell) for cell in cells], dtype=object)
    else:  # few of many days and sizes differ
        codes, values = pd.factorize(cells)
        kinds = np.array([*(cell_text(value) for value in values), ""], dtype=object)
        texts = kinds[codes]
    return pd.Series(texts, index=cells.index, dtype="str")


class LazyText:
    """Rows as written, of which only the cells that are asked for are turned into text.

    It stands where a table of texts stands, and gives texts: a column by its name, rows by a
    mask, by `loc` and by `iloc`. Anything else that is asked of it is asked of `frame`.

    Parameters
    ----------
    given : DataFrame
        Cells of any type, with `file` and `row`.
    places : ndarray of int, optional
        Which rows of it; all by default.
    """

    def __init__(self, given: pd.DataFrame, places: np.ndarray | None = None) -> None:
        self._given, self._places = given, places
        self.index = given.index if places is None else given.index[places]
        self.columns = given.columns

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.index)

    def __contains__(self, name: object) -> bool:
        """Return whether there is such a column."""
        return name in self.columns

    def __iter__(self) -> Any:
        """Return the names of the columns one by one."""
        return iter(self.columns)

    def __getitem__(self, key: Any) -> Any:
        """Return a column, a table of some columns, or the rows of a mask."""
        if isinstance(key, str):
            return column_text(self.typed(key)) if key != "row" else self.typed(key)
        if isinstance(key, list) and all(isinstance(name, str) for name in key):
            return pd.DataFrame({name: self[name] for name in key}, index=self.index)
        return self._at(np.flatnonzero(np.asarray(key, dtype=bool)))

    def __getattr__(self, name: str) -> Any:
        """Return what a table of texts has under a name."""
        if name.startswith("_"):
            raise AttributeError(name)
        return getattr(self.frame(), name)

    def typed(self, name: str) -> pd.Series:
        """Return a column as it was given.

        Parameters
        ----------
        name : str
            The column.

        Returns
        -------
        Series
            Its cells, of the type that they had in the source.
        """
        cells = self._given[name]
        return cells if self._places is None else cells.iloc[self._places]

    def frame(self) -> pd.DataFrame:
        """Return all of it as a table of texts.

        Returns
        -------
        DataFrame
            Every column as text; `row` is a whole number.
        """
        return pd.DataFrame({name: self[name] for name in self.columns}, index=self.index)

    @property
    def loc(self) -> _Loc:
        """Rows by their labels or by a mask."""
        return _Loc(self)

    @property
    def iloc(self) -> _Iloc:
        """Rows by their places or by a mask."""
        return _Iloc(self)

    def _at(self, places: np.ndarray) -> LazyText:
        """Return some of these rows."""
        return LazyText(self._given, places if self._places is None else self._places[places])

    def _places_of(self, labels: Any) -> np.ndarray:
        """Return where labels stand."""
        if np.ndim(labels) and len(labels) == len(self) and np.asarray(labels).dtype == bool:
            return np.flatnonzero(np.asarray(labels))
        if np.ndim(labels) and len(labels) == len(self) and self.index.equals(pd.Index(labels)):
            return np.arange(len(self))
        found = self.index.get_indexer(pd.Index(np.atleast_1d(labels)))
        if (found < 0).any():
            raise KeyError(labels)
        return found


class _Loc:
    """Rows by their labels or by a mask."""

    def __init__(self, written: LazyText) -> None:
        self._written = written

    def __getitem__(self, key: Any) -> Any:
        """Return rows, or a column of rows."""
        labels, column = key if isinstance(key, tuple) else (key, None)
        if not np.ndim(labels):
            return self._written.frame().loc[key]
        rows = self._written._at(self._written._places_of(labels))
        return rows if column is None else rows[column]


class _Iloc:
    """Rows by their places or by a mask."""

    def __init__(self, written: LazyText) -> None:
        self._written = written

    def __getitem__(self, places: Any) -> LazyText:
        """Return rows."""
        if not np.ndim(places):
            return self._written.frame().iloc[places]
        return self._written._at(np.arange(len(self._written))[np.asarray(places)])


def is_given(text: pd.DataFrame | LazyText, name: str) -> np.ndarray:
    """Return which cells of a column are not blank, without turning them into text.

    Parameters
    ----------
    text : DataFrame or LazyText
        Rows as written.
    name : str
        The column.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Whether something stands in the cell.
    """
    cells = text.typed(name) if isinstance(text, LazyText) else text[name]
    return given_cells(cells)


def given_cells(cells: pd.Series) -> np.ndarray:
    """Return which cells are not blank, whatever their type.

    Parameters
    ----------
    cells : Series
        Text, days, numbers, flags or objects.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Whether something stands in the cell; a flag that is not set is blank.
    """
    if isinstance(cells.dtype, pd.StringDtype):
        return np.asarray(cells.array != "", dtype=bool)
    if cells.dtype == bool:
        return cells.to_numpy()
    given = cells.notna().to_numpy()
    return given & (cells != "").to_numpy(dtype=bool) if cells.dtype == object else given
