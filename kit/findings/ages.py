"""How old was a panel on a day, wherever it was fitted, and since when is it watched."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.dates import NO_DAY, day_numbers
from kit.findings.fittings import FOREVER, SPAN
from kit.findings.tables import CLOCKS
from kit.findings.usage import Meters

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

_PRIOR = {
    "flight_hours": "prior_flight_hours",
    "flight_cycles": "prior_flight_cycles",
    "calendar_days": "prior_days",
}


class PanelAges:
    """Ages of physical panels on one clock, followed from aircraft to aircraft.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    clock : str
        flight_hours, flight_cycles or calendar_days.
    assumed : Series of float, optional
        Ages at the first fitting, by serial, of panels of which it is not known [clock units].

    Raises
    ------
    ValueError
        If `clock` is none of the three.

    Notes
    -----
    A panel that is first fitted new has age nought then; one first fitted repaired or of
    unknown state has the prior age that the fitting names, else nan. A later fitting goes on
    from the age at the one before, unless it names a prior age, which then holds. Flight
    clocks run only while the panel is fitted; calendar days run on in the store.
    """

    def __init__(self, fleet: Fleet, clock: str, *, assumed: pd.Series | None = None) -> None:
        if clock not in CLOCKS:
            raise ValueError(f"`clock` must be one of {', '.join(CLOCKS)}. Got {clock!r}; correct the name.")
        self._clock = clock
        tables = fleet.tables
        panels = tables["panels"].sort_values(["panel", "fitted_on", "fitting"], kind="stable")
        self._panel = pd.Index(panels["panel"].unique())
        self._code = self._panel.get_indexer(pd.Index(panels["panel"]))
        self._fitted, removed = day_numbers(panels["fitted_on"]), day_numbers(panels["removed_on"])
        self._removed = np.where(removed == NO_DAY, FOREVER, removed)
        self._keys = self._code * SPAN + self._fitted
        self._aircraft = panels["aircraft"].to_numpy(dtype=object)
        first = np.r_[True, self._code[1:] != self._code[:-1]] if len(panels) else np.empty(0, dtype=bool)
        prior = panels[_PRIOR[clock]].to_numpy(dtype=float)
        is_new = (panels["state"] == "new").to_numpy()
        base = np.where(np.isnan(prior), np.where(is_new, 0.0, np.nan), prior)
        if assumed is not None:
            base = np.where(first & np.isnan(base), assumed.reindex(panels["panel"]).to_numpy(float), base)
        anchored = first | ~np.isnan(prior)
        self._anchor = np.maximum.accumulate(np.where(anchored, np.arange(len(panels)), 0))
        self._base = base[self._anchor] if len(panels) else base
        if clock == "calendar_days":
            return
        self._meters = Meters(tables["usage"], tables["aircraft"], cut_off=fleet.cut_off)
        self._start = self._meters.at(self._aircraft, panels["fitted_on"], clock)
        ended = panels["removed_on"].to_numpy()
        flown = self._meters.at(self._aircraft, ended, clock) - self._start
        missing = np.isnan(flown)
        before = np.cumsum(np.where(missing, 0.0, flown)) - np.where(missing, 0.0, flown)
        holes = np.cumsum(missing) - missing
        carried = before - before[self._anchor]
        self._base = np.where(holes > holes[self._anchor], np.nan, self._base + carried)

    def at(self, panel: ArrayLike, dates: ArrayLike) -> NDArray[np.float64]:
        """Return ages of panels on days.

        Parameters
        ----------
        panel : array_like of str, shape (n,)
            Serials; one stands for all days.
        dates : array_like of datetime64, shape (n,)
            Days.

        Returns
        -------
        ndarray of float, shape (n,)
            Ages [clock units]; nan before the first fitting, for an unknown panel, where the
            prior age is unknown or the usage of an aircraft is.
        """
        days = day_numbers(dates)
        code = self._panel.get_indexer(pd.Index(np.atleast_1d(panel)))
        code, days = np.broadcast_arrays(code, days)
        if not len(self._keys):
            return np.full(days.shape, np.nan)
        wanted = np.where(days == NO_DAY, -1, code * SPAN + days)
        slot = np.searchsorted(self._keys, wanted, side="right") - 1
        row = np.maximum(slot, 0)
        known = (slot >= 0) & (code >= 0) & (days != NO_DAY) & (self._code[row] == code)
        if self._clock == "calendar_days":
            age = self._base[row] + (days - self._fitted[self._anchor[row]])
            return np.where(known, age, np.nan)
        until = np.where(known, np.minimum(days, self._removed[row]), 0).astype("datetime64[D]")
        usage = self._meters.at(self._aircraft[row], until, self._clock)
        return np.where(known, self._base[row] + (usage - self._start[row]), np.nan)


def panel_ages(fleet: Fleet, panel: ArrayLike, dates: ArrayLike, clock: str) -> NDArray[np.float64]:
    """Return the ages of physical panels on days.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    panel : array_like of str, shape (n,)
        Serials; one stands for all days.
    dates : array_like of datetime64, shape (n,)
        Days.
    clock : str
        flight_hours, flight_cycles or calendar_days.

    Returns
    -------
    ndarray of float, shape (n,)
        Age from new [clock units]: prior age when first fitted, and usage while fitted on
        each aircraft; calendar days run always. nan where it is not known, and before the
        first fitting.

    Raises
    ------
    ValueError
        If `clock` is none of the three.

    See Also
    --------
    PanelAges : The same, kept for many calls.
    """
    return PanelAges(fleet, clock).at(panel, dates)


class AgeBounds(NamedTuple):
    """Ages of panels of which the age may be unknown [clock units].

    Parameters
    ----------
    for_limits : ndarray of float
        The age to schedule by: the oldest possible.
    youngest, oldest : ndarray of float
        Between them the age lies; for fitting, an interval, or the panel is left out.
    """

    for_limits: NDArray[np.float64]
    youngest: NDArray[np.float64]
    oldest: NDArray[np.float64]


def panel_age_bounds(fleet: Fleet, panel: ArrayLike, dates: ArrayLike, clock: str) -> AgeBounds:
    """Return two ages of panels of which the age may be unknown: for limits, and for fitting.

    What is careful for a schedule, the oldest age possible, would mislead a fit: it would make
    damage look late. So the two are kept apart. No analysis uses them by itself; the histories
    leave panels of unknown age out.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    panel : array_like of str, shape (n,)
        Serials; one stands for all days.
    dates : array_like of datetime64, shape (n,)
        Days.
    clock : str
        flight_hours, flight_cycles or calendar_days.

    Returns
    -------
    AgeBounds
        for_limits, youngest and oldest [clock units], all three the age where it is known. nan
        before the first fitting and where usage, not the prior age, is what is missing.

    Raises
    ------
    ValueError
        If `clock` is none of the three.

    Notes
    -----
    Public rule for a removable structural part of unknown age [1]_: the aircraft's times where its
    records show no change of the part, else those of the oldest aircraft in the same programme.
    The records show no change where they reach back to the entry into service of the aircraft and
    name no earlier panel at the place; programme means all aircraft of the dataset, on the day of
    the first fitting. The rule's third step, the world's fleet, is not in the dataset: for_limits
    may be too young where a panel came from outside. The youngest age takes the panel as new when
    first fitted, the oldest is that for limits. From either the panel ages with what it flew.

    References
    ----------
    .. [1] EASA, AMC 20-20A, appendix 3, annex 3 (as the project's trade notes have it).
    """
    known = PanelAges(fleet, clock).at(panel, dates)
    panels = fleet.tables["panels"].sort_values(["panel", "fitted_on", "fitting"], kind="stable")
    first = panels.drop_duplicates("panel")
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    own = meters.at(first["aircraft"].to_numpy(object), first["fitted_on"].to_numpy(), clock)
    days, place = np.unique(day_numbers(first["fitted_on"]), return_inverse=True)
    of_programme = np.full(len(days), np.nan)
    for name in aircraft.index:
        of_programme = np.fmax(of_programme, meters.at(name, days.astype("datetime64[D]"), clock))
    earliest = panels.groupby(["aircraft", "zone"])["fitted_on"].min()
    at_place = pd.MultiIndex.from_frame(first[["aircraft", "zone"]])
    is_first = first["fitted_on"].to_numpy() <= earliest.reindex(at_place).to_numpy()
    plane = aircraft.reindex(first["aircraft"])
    from_entry = ~(plane["records_from"] > plane["entry_into_service"]).to_numpy()
    no_change = is_first & from_entry & ~np.isnan(own)
    oldest_at_first = pd.Series(
        np.where(no_change, own, of_programme[place]), index=first["panel"].to_numpy(object)
    )
    oldest = PanelAges(fleet, clock, assumed=oldest_at_first).at(panel, dates)
    youngest = PanelAges(fleet, clock, assumed=oldest_at_first * 0).at(panel, dates)
    is_known = ~np.isnan(known)
    return AgeBounds(
        np.where(is_known, known, oldest),
        np.where(is_known, known, youngest),
        np.where(is_known, known, oldest),
    )


def record_starts(fleet: Fleet) -> pd.Series:
    """Return the day from which looks at each panel would be in the records.

    A panel keeps its age where it comes from an aircraft without records, but what was found
    on it before that day is not known: its record starts late.

    Parameters
    ----------
    fleet : Fleet
        The dataset.

    Returns
    -------
    Series of datetime64
        First day on which the panel was fitted on an aircraft with records, by serial; NaT
        where there is none. Later times on an aircraft without records are not marked.
    """
    panels = fleet.tables["panels"]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    begins = aircraft["records_from"].fillna(aircraft["entry_into_service"])
    since = begins.reindex(panels["aircraft"]).to_numpy()
    start = panels["fitted_on"].where(
        panels["fitted_on"].to_numpy() >= since, pd.Series(since, index=panels.index)
    )
    start = start.mask((start > panels["removed_on"]).to_numpy())
    return start.groupby(panels["panel"]).min().rename("record_start")
