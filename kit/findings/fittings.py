"""Which panel was at a zone of an aircraft on a day."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.dates import NO_DAY, day_numbers
from kit.findings.keys import places

SPAN = 4_000_000
"""More days than any date has; keeps the positions apart in one sorted array."""

FOREVER = np.int64(SPAN // 2)
"""Day of removal of a panel that is still fitted."""


class Fittings:
    """Find the panel fitted at positions on days, for whole arrays at once.

    On the day on which one panel is taken off and another is fitted, the one taken off is
    meant: a look on that day is what led to the change. The serial as written decides
    otherwise where it names the new one.

    Parameters
    ----------
    panels : DataFrame
        Columns panel, aircraft, zone, fitted_on, removed_on.
    """

    def __init__(self, panels: pd.DataFrame) -> None:
        self.panels = panels.reset_index(drop=True)
        self._aircraft = pd.Index(self.panels["aircraft"].unique())
        self._zone = pd.Index(self.panels["zone"].unique())
        self._fitted = day_numbers(self.panels["fitted_on"])
        removed = day_numbers(self.panels["removed_on"])
        self._removed = np.where(removed == NO_DAY, FOREVER, removed)
        keys = self._place(self.panels["aircraft"], self.panels["zone"]) * SPAN + self._fitted
        self._order = np.argsort(keys, kind="stable")
        self._keys = keys[self._order]
        self._serial = self.panels["panel"].to_numpy(dtype=object)
        self._by_place: dict | None = None

    def _place(self, aircraft: ArrayLike, zone: ArrayLike) -> NDArray[np.int64]:
        """Return a number for each position, -1 where no panel was ever fitted."""
        first, second = places(aircraft, self._aircraft), places(zone, self._zone)
        return np.where((first < 0) | (second < 0), -1, first * max(len(self._zone), 1) + second)

    def at(
        self, aircraft: ArrayLike, zone: ArrayLike, dates: ArrayLike, serial: ArrayLike | None = None
    ) -> NDArray[np.int64]:
        """Return which fitting was in place.

        Parameters
        ----------
        aircraft, zone : array_like of str, shape (n,)
            Positions.
        dates : array_like of datetime64, shape (n,)
            Days.
        serial : array_like of str, shape (n,), optional
            Serials as written, which decide on the day of a change.

        Returns
        -------
        ndarray of int, shape (n,)
            Row of `panels`; -1 where no panel was fitted.
        """
        place, days = self._place(aircraft, zone), day_numbers(dates)
        return self._at(place, days, serial)

    def _at(self, place: NDArray, days: NDArray, serial: ArrayLike | None) -> NDArray[np.int64]:
        """Return which fitting was in place, by number of the position and day."""
        if not len(self._keys):
            return np.full(len(place), -1)
        known = (place >= 0) & (days != NO_DAY)
        wanted = np.where(known, place * SPAN + days, -1)
        slot = np.searchsorted(self._keys, wanted, side="right") - 1
        new = self._candidate(slot, place, days, known)
        old = new.copy()
        day_of = np.flatnonzero((slot >= 0) & (self._keys[np.maximum(slot, 0)] == wanted))
        before = (
            np.searchsorted(self._keys, wanted[day_of], side="left") - 1
        )  # what was there until a fitting of that day
        old[day_of] = self._candidate(before, place[day_of], days[day_of], known[day_of])
        chosen = np.where(old >= 0, old, new)
        if serial is not None:
            both = (old >= 0) & (new >= 0) & (old != new)
            named = np.zeros(len(chosen), dtype=bool)
            written = serial.array if isinstance(serial, pd.Series) else np.asarray(serial, dtype=object)
            named[both] = self._serial[new[both]] == np.asarray(written[both], dtype=object)
            chosen = np.where(named, new, chosen)
        return chosen

    def _candidate(self, slot: NDArray, place: NDArray, days: NDArray, known: NDArray) -> NDArray[np.int64]:
        """Return the fitting at a slot of the sorted keys, -1 where it is not in place."""
        row = self._order[np.maximum(slot, 0)]
        key = self._keys[np.maximum(slot, 0)]
        fits = known & (slot >= 0) & (key - self._fitted[row] == place * SPAN) & (days <= self._removed[row])
        return np.where(fits, row, -1)

    def why_none(self, aircraft: str, zone: str, date: pd.Timestamp) -> str:
        """Return in words what was fitted at a position around a day with no panel.

        Parameters
        ----------
        aircraft, zone : str
            The position.
        date : Timestamp
            The day.

        Returns
        -------
        str
            Such as "the first panel was fitted there on 2010-05-01".
        """
        if self._by_place is None:
            self._by_place = self.panels.groupby(["aircraft", "zone"]).indices
        here = self.panels.iloc[self._by_place.get((aircraft, zone), [])]
        if not len(here):
            return f"no panel was ever fitted at {aircraft} {zone}"
        before = here[here["fitted_on"] <= date]
        if not len(before):
            return f"the first panel was fitted there on {here['fitted_on'].min():%Y-%m-%d}"
        last = before.sort_values(["fitted_on", "removed_on"]).iloc[-1]
        return f"panel {last['panel']} was removed there on {last['removed_on']:%Y-%m-%d}"

    def place_of(self, serial: ArrayLike, dates: ArrayLike) -> list[tuple[str, str] | None]:
        """Return where panels were fitted on days.

        Parameters
        ----------
        serial : array_like of str
            Panels.
        dates : array_like of datetime64
            Days.

        Returns
        -------
        list of (aircraft, zone) or None
            None where the panel was nowhere, or is not known.
        """
        if not len(serial):
            return []
        by_panel = self.panels.groupby("panel").indices
        aircraft, zone = (self.panels[name].to_numpy(dtype=object) for name in ("aircraft", "zone"))
        places: list[tuple[str, str] | None] = []
        for name, day in zip(serial, day_numbers(dates), strict=True):
            rows = [k for k in by_panel.get(name, ()) if self._fitted[k] <= day <= self._removed[k]]
            places.append((aircraft[rows[0]], zone[rows[0]]) if rows else None)
        return places


def overlapping(panels: pd.DataFrame, by: list[str]) -> NDArray[np.bool_]:
    """Return which fittings share days with another of the same place, or the same panel.

    Parameters
    ----------
    panels : DataFrame
        Columns fitted_on, removed_on and those of `by`.
    by : list of str
        What may have one fitting at a time.

    Returns
    -------
    ndarray of bool, shape (n_panels,)
        Fittings of which another begins before they end; both are marked. The day of a change
        belongs to both without harm.
    """
    clash = np.zeros(len(panels), dtype=bool)
    if len(panels) < 2:
        return clash
    group = panels.groupby(by, sort=False).ngroup().to_numpy()
    fitted, removed = day_numbers(panels["fitted_on"]), day_numbers(panels["removed_on"])
    removed = np.where(removed == NO_DAY, FOREVER, removed)
    order = np.lexsort((removed, fitted, group))
    group, fitted, removed = group[order], fitted[order], removed[order]
    ends = group * SPAN + removed
    latest = np.maximum.accumulate(ends)
    late = (group[1:] == group[:-1]) & (group[1:] * SPAN + fitted[1:] < latest[:-1])
    clash[1:] |= late
    # the one that runs over it: the fitting that holds the latest end so far
    holder = np.maximum.accumulate(np.where(ends == latest, np.arange(len(ends)), 0))
    clash[holder[:-1][late]] = True
    back = np.empty_like(clash)
    back[order] = clash
    return back
