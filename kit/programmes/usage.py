"""How much each panel is going to fly: planned usage, aircraft that are parked, and how far ahead that holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from kit.findings import Fleet, read_toml_file
from kit.intervals import DAYS_PER_YEAR, QuestionError
from kit.numerics.typing import Floats
from kit.programmes.panels import LivingPanels

LONGEST_YEARS = 5.0
"""How far ahead planned usage that states no end is taken to hold (common practice, no source) [years]."""

_CLOCKS = ("flight_hours", "flight_cycles")


class Parked(NamedTuple):
    """A time for which an aircraft does not fly.

    Parameters
    ----------
    aircraft : str
        Which.
    begin, end : Timestamp
        First day parked, and first day back.
    """

    aircraft: str
    begin: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True, kw_only=True)
class UsagePlan:
    """What departs from the planned usage of the dataset.

    Parameters
    ----------
    until : Timestamp, optional
        Last day for which usage is planned; default 5 years from the cut-off.
    parked : sequence of Parked
        Aircraft that do not fly for a time; days go on.
    rates : mapping of str to mapping
        By aircraft: flight_hours and flight_cycles a year, in place of those of its subtype.
    """

    until: pd.Timestamp | None = None
    parked: Sequence[Parked] = ()
    rates: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @classmethod
    def read(cls, path: str | Path) -> UsagePlan:
        """Read a plan from a TOML file.

        Parameters
        ----------
        path : str or Path
            With `until`, `[[parked]]` (aircraft, begin, end) and `[[rate]]` (aircraft, flight_hours, flight_cycles).

        Returns
        -------
        UsagePlan
            As written.

        Raises
        ------
        QuestionError
            If the file cannot be read, or a field is missing, unknown or impossible.
        """
        data = read_toml(path, {"until", "parked", "rate"})
        parked, rates = [], {}
        for i, row in enumerate(data.get("parked", ())):
            need_fields(path, f"parked {i + 1}", row, {"aircraft", "begin", "end"})
            begin, end = (as_day(path, f"parked {i + 1}.{name}", row[name]) for name in ("begin", "end"))
            if end <= begin:
                raise QuestionError(
                    f"{path}: parked {i + 1}: `end` must be after `begin`. Got {begin:%Y-%m-%d} to {end:%Y-%m-%d}; "
                    "correct the days."
                )
            parked.append(Parked(str(row["aircraft"]), begin, end))
        for i, row in enumerate(data.get("rate", ())):
            need_fields(path, f"rate {i + 1}", row, {"aircraft", *_CLOCKS})
            for name in _CLOCKS:
                value = row[name]
                if not isinstance(value, int | float) or not 0 <= value < np.inf:
                    raise QuestionError(
                        f"{path}: rate {i + 1}.{name} must be a number of at least 0 [per year]. Got {value!r}; correct it."
                    )
            rates[str(row["aircraft"])] = {name: float(row[name]) for name in _CLOCKS}
        until = None if "until" not in data else as_day(path, "until", data["until"])
        return cls(until=until, parked=tuple(parked), rates=rates)

    def check(self, fleet: Fleet, *, end: pd.Timestamp) -> None:
        """Refuse a plan that names unknown aircraft or does not reach far enough.

        Parameters
        ----------
        fleet : Fleet
            The dataset.
        end : Timestamp
            Day up to which usage is wanted.

        Raises
        ------
        QuestionError
            In one line.
        """
        known = set(fleet.tables["aircraft"]["aircraft"])
        unknown = sorted(({one.aircraft for one in self.parked} | set(self.rates)) - known)
        if unknown:
            raise QuestionError(
                f"usage: aircraft {', '.join(unknown)} are not in the dataset. Known are {', '.join(sorted(known)[:8])} and so on."
            )
        last = self.until or fleet.cut_off + pd.Timedelta(days=round(LONGEST_YEARS * DAYS_PER_YEAR) + 1)
        if end > last:
            why = (
                "the plan's `until`"
                if self.until is not None
                else f"{LONGEST_YEARS:g} years from the cut-off"
            )
            raise QuestionError(
                f"usage is planned up to {last:%Y-%m-%d} ({why}), and {end:%Y-%m-%d} was asked for. Ask for less, or plan usage "
                "further ahead."
            )


def read_toml(path: str | Path, known: set[str]) -> dict[str, object]:
    """Read a small TOML file whose keys are known.

    Parameters
    ----------
    path : str or Path
        The file.
    known : set of str
        Keys that it may have.

    Returns
    -------
    dict
        As written.

    Raises
    ------
    QuestionError
        If it cannot be read or has another key.
    """
    data = read_toml_file(path, of="a TOML file", refuse=QuestionError)
    unknown = sorted(set(data) - known)
    if unknown:
        raise QuestionError(
            f"{path}: unknown key {', '.join(unknown)}. Known are {', '.join(sorted(known))}; correct or leave it out."
        )
    return data


def need_fields(path: str | Path, where: str, row: object, names: set[str]) -> None:
    """Refuse a table that lacks a field or has another one.

    Parameters
    ----------
    path : str or Path
        The file.
    where : str
        Which table.
    row : object
        What was written.
    names : set of str
        Fields that it must have.

    Raises
    ------
    QuestionError
        Naming the fields.
    """
    if not isinstance(row, dict) or set(row) != names:
        got = ", ".join(sorted(row)) if isinstance(row, dict) else repr(row)
        raise QuestionError(
            f"{path}: {where} must have {', '.join(sorted(names))} and no more. Got {got or 'nothing'}; correct it."
        )


def as_day(path: str | Path, where: str, value: object) -> pd.Timestamp:
    """Return a day, or refuse what is none.

    Parameters
    ----------
    path : str or Path
        The file, or where the value comes from.
    where : str
        Which field.
    value : object
        What was written.

    Returns
    -------
    Timestamp
        The day.

    Raises
    ------
    QuestionError
        If it is no day.
    """
    try:
        day = pd.Timestamp(value) if not isinstance(value, bool | int | float) else pd.NaT
    except (TypeError, ValueError):
        day = pd.NaT
    if pd.isna(day):
        raise QuestionError(f"{path}: {where} must be a day (YYYY-MM-DD). Got {value!r}; correct it.")
    return day.normalize()


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelUsage:
    """Planned usage of each panel from the cut-off on.

    Parameters
    ----------
    per_day : dict of str to ndarray, shape (n_panels,)
        By clock, while it flies [clock units per day].
    away : ndarray, shape (n_panels, n_windows, 2)
        First and last day from the cut-off of each time parked, in order; infinite where there is none [days].
    """

    per_day: dict[str, Floats]
    away: Floats

    @classmethod
    def of(cls, living: LivingPanels, plan: UsagePlan | None) -> PanelUsage:
        """Put a plan and the planned usage of the dataset together.

        Parameters
        ----------
        living : LivingPanels
            The panels.
        plan : UsagePlan or None
            What departs from the dataset.

        Returns
        -------
        PanelUsage
            Of these panels.
        """
        per_day = {name: values.copy() for name, values in living.per_day.items()}
        if plan is None:
            return cls(per_day=per_day, away=np.full((len(living), 0, 2), np.inf))
        aircraft = living.frame["aircraft"]
        for name, rates in plan.rates.items():
            for clock in _CLOCKS:
                per_day[clock][(aircraft == name).to_numpy()] = rates[clock] / DAYS_PER_YEAR
        by: dict[str, list[tuple[float, float]]] = {}
        for one in plan.parked:
            begin, end = ((day - living.cut_off).days for day in (one.begin, one.end))
            if end > 0:
                by.setdefault(one.aircraft, []).append((max(begin, 0), end))
        by = {name: _joined(sorted(windows)) for name, windows in by.items()}
        away = np.full((len(living), max(map(len, by.values()), default=0), 2), np.inf)
        for name, windows in by.items():
            rows = np.flatnonzero(aircraft == name)
            away[rows, : len(windows)] = np.array(windows)[None]
        return cls(per_day=per_day, away=away)

    def at(self, day: Floats, clock: str) -> Floats:
        """Usage from the cut-off until a day.

        Parameters
        ----------
        day : ndarray, shape (n_panels, n)
            Days from the cut-off.
        clock : str
            The clock.

        Returns
        -------
        ndarray, shape (n_panels, n)
            Usage [clock units].
        """
        if clock == "calendar_days":
            return np.asarray(day, np.float64)
        return self.per_day[clock][:, None] * self._flown(day)

    def _flown(self, day: Floats) -> Floats:
        out = np.array(day, np.float64)
        for window in range(self.away.shape[1]):
            begin, end = (self.away[:, window, side][:, None] for side in (0, 1))
            with np.errstate(invalid="ignore"):
                gone = np.clip(day, begin, end) - begin
            out -= np.where(np.isfinite(begin), gone, 0.0)
        return out

    def day_of(self, usage: Floats, clock: str, *, after: Floats) -> Floats:
        """Day on which so much more has been used after another day.

        Parameters
        ----------
        usage : ndarray, shape (n_panels,)
            More usage; below 0 gives the day itself [clock units].
        clock : str
            The clock.
        after : ndarray, shape (n_panels,)
            Days from the cut-off.

        Returns
        -------
        ndarray, shape (n_panels,)
            Days from the cut-off; infinite for an aircraft that does not fly.
        """
        more = np.maximum(usage, 0.0)
        if clock == "calendar_days":
            return after + more
        with np.errstate(divide="ignore", invalid="ignore"):
            aim = self._flown(after[:, None])[:, 0] + np.where(more > 0, more / self.per_day[clock], 0.0)
        day = aim.copy()
        for window in range(self.away.shape[1]):
            begin, end = self.away[:, window, 0], self.away[:, window, 1]
            with np.errstate(invalid="ignore"):
                day = np.where(np.isfinite(begin) & (day > begin), day + (end - begin), day)
        return np.maximum(day, after)


def _joined(windows: list[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for begin, end in windows:
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((begin, end))
    return out
