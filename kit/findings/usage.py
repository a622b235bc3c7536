"""How much had an aircraft flown by a day: meters turned into clocks."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.check.meters import METERS
from kit.findings.dates import NO_DAY, day_numbers
from kit.findings.fittings import SPAN
from kit.findings.tables import CLOCKS

DAYS_BEYOND = 60
"""Longest time after the last reading for which usage is extrapolated [days]."""

_YEAR = 365


class Meters:
    """Flight hours and cycles of each aircraft since its entry into service, by day.

    Parameters
    ----------
    usage : DataFrame
        Readings: aircraft, read_on, flight_hours, flight_cycles, meter_change.
    aircraft : DataFrame
        Columns aircraft, entry_into_service.
    cut_off : Timestamp
        Last day up to which usage is extrapolated.

    Notes
    -----
    Usage is linear between readings. A meter change takes no usage: the reading of the new
    meter is of the same moment as the row before it, and what the old meter had counted is
    carried on.

    Before the first reading, usage rises in a straight line from nought on the day of entry to
    that reading; before entry it is nan. After the last reading it goes on at the rate of the
    last year of readings (since entry, where there is less), up to the cut-off and for at most
    60 days; later it is nan. An aircraft without readings has nan throughout.
    """

    def __init__(self, usage: pd.DataFrame, aircraft: pd.DataFrame, *, cut_off: pd.Timestamp) -> None:
        self._aircraft = pd.Index(aircraft["aircraft"])
        self._entry = day_numbers(aircraft["entry_into_service"])
        code = self._aircraft.get_indexer(pd.Index(usage["aircraft"]))
        order = usage[["read_on", "meter_change", *METERS]].assign(code=code)
        order = order.sort_values(["code", "read_on", "meter_change", *METERS], kind="stable")
        code, day = order["code"].to_numpy(), day_numbers(order["read_on"])
        same = np.r_[False, code[1:] == code[:-1]]
        changed = same & order["meter_change"].to_numpy(dtype=bool)
        total = np.column_stack(
            [_without_changes(order[meter].to_numpy(), same, changed) for meter in METERS]
        )
        last_of_day = np.r_[
            (code[1:] != code[:-1]) | (day[1:] != day[:-1]), np.ones(min(len(code), 1), dtype=bool)
        ]
        code, day, total = code[last_of_day], day[last_of_day], total[last_of_day]
        self._set_knots(code, day, total, int(day_numbers([cut_off])[0]))

    def _set_knots(self, code: NDArray, day: NDArray, total: NDArray, cut_off: int) -> None:
        """Put the points between which usage is linear into one rising row for all aircraft."""
        n = len(self._aircraft)
        first = np.r_[True, code[1:] != code[:-1]] if len(code) else np.empty(0, dtype=bool)
        last = np.r_[code[1:] != code[:-1], True] if len(code) else first
        start_code, start_day = code[first], self._entry[code[first]]
        starts = start_day < day[first]
        ends, end_day, end_total = code[last], day[last], total[last]
        at = np.r_[code * SPAN + day, (start_code * SPAN + start_day)[starts]]
        values = np.vstack([total, np.zeros((int(starts.sum()), len(METERS)))])
        order = np.argsort(at)
        at, values = at[order].astype(float), values[order]
        year = np.maximum(np.minimum(self._entry[ends], end_day), end_day - _YEAR)
        year = np.where(end_day - year > 0, year, end_day - 1)
        self._from = np.full(n, np.inf)
        self._to = np.full(n, -np.inf)
        self._from[start_code] = np.minimum(start_day, day[first])
        beyond = np.clip(cut_off - end_day, 0, DAYS_BEYOND)
        self._to[ends] = end_day + beyond
        columns = []
        for k in range(len(METERS)):
            back = np.interp(ends * SPAN + year, at, values[:, k]) if len(at) else np.empty(0)
            columns.append(end_total[:, k] + (end_total[:, k] - back) / (end_day - year) * beyond)
        grown = beyond > 0
        at = np.r_[at, (ends * SPAN + end_day + beyond)[grown]]
        values = np.vstack([values, np.column_stack(columns)[grown]])
        order = np.argsort(at)
        self._at, self._values = at[order].astype(float), values[order]

    def at(self, aircraft: ArrayLike, dates: ArrayLike, clock: str) -> NDArray[np.float64]:
        """Return usage since entry into service.

        Parameters
        ----------
        aircraft : array_like of str, shape (n,)
            Aircraft; one name stands for all days.
        dates : array_like of datetime64, shape (n,)
            Days.
        clock : str
            flight_hours, flight_cycles or calendar_days.

        Returns
        -------
        ndarray of float, shape (n,)
            Usage [clock units]; nan before entry, too long after the last reading, and for an
            aircraft that is unknown or has no readings.

        Raises
        ------
        ValueError
            If `clock` is none of the three.
        """
        if clock not in CLOCKS:
            raise ValueError(f"`clock` must be one of {', '.join(CLOCKS)}. Got {clock!r}; correct the name.")
        days = day_numbers(dates)
        code = self._aircraft.get_indexer(pd.Index(np.atleast_1d(aircraft)))
        code, days = np.broadcast_arrays(code, days)
        missing = (code < 0) | (days == NO_DAY)
        if clock == "calendar_days":
            since = (days - self._entry[code]).astype(float)
            return np.where(missing | (since < 0), np.nan, since)
        outside = missing | (days < self._from[code]) | (days > self._to[code])
        if not len(self._at):
            return np.full(days.shape, np.nan)
        asked = np.where(outside, 0, code * SPAN + days)
        usage = np.interp(asked, self._at, self._values[:, METERS.index(clock)])
        return np.where(outside, np.nan, usage)


def _without_changes(meter: NDArray, same: NDArray, changed: NDArray) -> NDArray[np.float64]:
    """Return a meter that goes on where it was changed, for aircraft one after the other."""
    if not len(meter):
        return meter
    jump = np.where(changed, np.r_[0.0, meter[:-1]] - meter, 0.0)
    total = np.cumsum(jump)
    starts = np.maximum.accumulate(np.where(~same, np.arange(len(meter)), 0))
    return meter + total - (total - jump)[starts]
