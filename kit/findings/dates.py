"""Which order do the dates of a column come in, and what could a date mean."""

from __future__ import annotations

import datetime as dt
import re

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

NO_DAY = np.iinfo(np.int64).min
"""What stands for a missing day among whole days."""

_YEAR_LAST = re.compile(r"(\d{1,2})[/.\- ](\d{1,2})[/.\- ](\d{4})")
_YEAR_FIRST = re.compile(r"(\d{4})[/.\- ](\d{1,2})[/.\- ](\d{1,2})")


def day_advice(cell: str) -> str:
    """Return how to write a date that is not of the form YYYY-MM-DD.

    Parameters
    ----------
    cell : str
        The date as written.

    Returns
    -------
    str
        The date in the right form where only one reading gives a day that exists, else both
        readings, else general advice.

    Examples
    --------
    >>> day_advice("25/03/2015")
    'write 2015-03-25'
    >>> day_advice("04/03/2015")
    'write 2015-03-04 if the day comes first, 2015-04-03 if the month does'
    """
    day_first, month_first = _readings(cell)
    if day_first and month_first and day_first != month_first:
        return f"write {day_first} if the day comes first, {month_first} if the month does"
    if day_first or month_first:
        return f"write {day_first or month_first}"
    return "write the year, the month and the day as digits, such as 2015-03-25"


def order_reason(column: str, cells: pd.Series, lines: pd.Series, unread: np.ndarray) -> str:
    """Return why dates were not read, naming the orders in which they come.

    Parameters
    ----------
    column : str
        Heading of the column.
    cells : Series of str
        All cells of the column.
    lines : Series of int
        Line of each cell in the file.
    unread : ndarray of bool
        Which cells were not read.

    Returns
    -------
    str
        The reason, the same for all cells of the column: not a date, or the order of day and
        month is mixed and on which rows.
    """
    orders: dict[str, list[int]] = {}
    for cell, line in zip(cells[unread], lines[unread], strict=True):
        day_first, month_first = _readings(cell)
        if day_first and month_first:
            order = "either way" if day_first != month_first else ""
        else:
            order = "day first" if day_first else "month first" if month_first else ""
        if order:
            orders.setdefault(order, []).append(int(line))
    n_read = int((~unread & (cells != "").to_numpy(dtype=bool)).sum())
    if not orders:
        return f"{column} is not a date"
    found = [f"{order}: {_rows(rows)}" for order, rows in orders.items()]
    if n_read:
        found.append(f"YYYY-MM-DD: {n_read} other row{'' if n_read == 1 else 's'}")
    mixed = (
        "the order of day and month is mixed"
        if len(found) > 1
        else "day and month are not in the order YYYY-MM-DD"
    )
    return f"{column}: {mixed} ({'; '.join(found)})"


def _rows(lines: list[int], limit: int = 10) -> str:
    """Return line numbers in words, no more than a few."""
    text = ", ".join(str(line) for line in lines[:limit])
    more = f" and {len(lines) - limit} more" if len(lines) > limit else ""
    return f"row{'' if len(lines) == 1 else 's'} {text}{more}"


def _readings(cell: str) -> tuple[str, str]:
    """Return the day that a cell means with the day first and with the month first."""
    if match := _YEAR_LAST.fullmatch(cell):
        first, second, year = match.groups()
    elif match := _YEAR_FIRST.fullmatch(cell):
        year, first, second = match.groups()
    else:
        return "", ""
    return _day(year, second, first), _day(year, first, second)


def _day(year: str, month: str, day: str) -> str:
    """Return a day as YYYY-MM-DD, or "" where there is no such day."""
    try:
        return dt.date(int(year), int(month), int(day)).isoformat()
    except ValueError:
        return ""


def day_numbers(dates: ArrayLike) -> NDArray[np.int64]:
    """Return dates as whole days since 1970-01-01.

    Parameters
    ----------
    dates : array_like of datetime64 or str
        Days; a missing one is NaT.

    Returns
    -------
    ndarray of int
        Days; `NO_DAY` for a missing one.
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    return np.where(np.isnat(days), NO_DAY, days.astype(np.int64))


def swapped_days(days: pd.Series) -> pd.Series:
    """Return days with day and month exchanged.

    Parameters
    ----------
    days : Series of datetime64
        Days.

    Returns
    -------
    Series of datetime64
        The same with the other order; NaT where there is no such day or it is the same.
    """
    parts = pd.DataFrame({"year": days.dt.year, "month": days.dt.day, "day": days.dt.month})
    can = days.notna() & (days.dt.day <= 12) & (days.dt.day != days.dt.month)
    other = pd.Series(pd.NaT, index=days.index, dtype="datetime64[us]")
    other[can] = pd.to_datetime(parts[can].astype("int64")).astype("datetime64[us]")
    return other
