"""When each fitted panel is due under the tasks in force, by what was looked at."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings import TAP_METHODS, build_looks
from kit.intervals.evidence import DAYS_PER_YEAR, Evidence

_CLOCKS = {"flight_hours": "flight_hours", "flight_cycles": "flight_cycles", "calendar_days": "days"}


def tasks_due(evidence: Evidence, *, aircraft: str | None = None) -> pd.DataFrame:
    """List when each task in force is due on each panel.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known.
    aircraft : str, optional
        Only the panels of this aircraft.

    Returns
    -------
    DataFrame
        A row for each task and fitted panel: aircraft, zone, panel, task, method, last_look (NaT without one), due_on
        (NaT where no clock of the task can be told) and not_told (clocks of the task that cannot be told, with commas
        between them; the task may be due earlier than `due_on` by one of those), the first due on top.

    Notes
    -----
    Whichever clock of the task comes first. Before the first look the threshold holds, or the repeat where none is
    stated; usage to come is that planned for the subtype. Only whole looks at the panel by the task's method count, any way of tapping for
    a task that taps. Tasks
    without an interval, as at a removal, are left out.
    """
    fleet, day = evidence.fleet, evidence.fleet.cut_off
    tasks = fleet.tables["tasks"]
    tasks = tasks.loc[(tasks["valid_from"] <= day) & ~(tasks["valid_to"] < day)]
    timed = tasks[[f"{what}_{unit}" for what in ("repeat", "threshold") for unit in _CLOCKS.values()]].notna()
    tasks = tasks.loc[timed.any(axis=1)]
    rows = fleet.tables["panels"]
    rows = rows.loc[(rows["fitted_on"] <= day) & ~(rows["removed_on"] <= day)]
    if aircraft is not None:
        rows = rows.loc[rows["aircraft"] == aircraft]
    zones = fleet.task_zones.loc[fleet.task_zones["task"].isin(tasks["task"])]
    out = (
        rows[["aircraft", "zone", "panel"]]
        .merge(zones, on="zone")
        .merge(tasks.drop(columns="zones"), on="task")
    )
    out["last_look"] = _last_looks(evidence, out)
    subtype = out["aircraft"].map(fleet.tables["aircraft"].set_index("aircraft")["subtype"])
    panel, last = out["panel"].to_numpy(object), out["last_look"].to_numpy()
    looked = out["last_look"].notna().to_numpy()
    left, not_told = np.full(len(out), np.inf), np.full(len(out), "", object)
    for clock, unit in _CLOCKS.items():
        repeat, first = (out[f"{what}_{unit}"].to_numpy(float) for what in ("repeat", "threshold"))
        limit = np.where(looked | np.isnan(first), repeat, first)
        age = evidence.ages(clock)
        now = age.at(panel, np.full(len(out), np.datetime64(day)))
        then = np.where(looked, age.at(panel, last), 0.0)
        if clock == "calendar_days":  # days since a look are known where the age is not
            since = (day - out["last_look"]).dt.days.to_numpy(float)
            flown, a_day = np.where(looked, since, now), np.ones(len(out))
        else:
            flown = now - then
            planned = fleet.planned_usage[clock] if clock in fleet.planned_usage else pd.Series(dtype=float)
            a_day = subtype.map(planned).to_numpy(float) / DAYS_PER_YEAR
        with np.errstate(divide="ignore", invalid="ignore"):
            days = np.where(
                limit <= flown, (limit - flown) / np.where(a_day > 0, a_day, 1.0), (limit - flown) / a_day
            )
        asked = np.isfinite(limit)
        untold = asked & ~np.isfinite(days)
        not_told[untold] = [f"{words}, {clock}".strip(", ") for words in not_told[untold]]
        left = np.where(asked & ~untold, np.minimum(left, days), left)
    out["due_on"] = day + pd.to_timedelta(
        pd.Series(np.floor(np.where(np.isfinite(left), left, np.nan))), unit="D"
    )
    out["not_told"] = not_told
    names = ["aircraft", "zone", "panel", "task", "method", "last_look", "due_on", "not_told"]
    return (
        out[names]
        .sort_values(["due_on", "panel", "task"], na_position="first", kind="stable")
        .reset_index(drop=True)
    )


def _last_looks(evidence: Evidence, rows: pd.DataFrame) -> pd.Series:
    """Day of the last whole look at each panel, where it is now or before, by the method asked."""
    if not len(rows):
        return pd.Series(dtype="datetime64[us]")
    tapped = rows["method"].isin(TAP_METHODS)
    asked = rows["method"].where(~tapped, TAP_METHODS[0])  # any way of tapping does for a task that taps
    looks = build_looks(
        evidence.fleet, methods=sorted({*rows["method"], *(TAP_METHODS if tapped.any() else ())})
    )
    whole = looks.loc[looks["coverage"].isin(["", "full"]) & (looks["looked_on"] <= evidence.fleet.cut_off)]
    whole = whole.assign(method=whole["method"].where(~whole["method"].isin(TAP_METHODS), TAP_METHODS[0]))
    last = whole.groupby(["panel", "method"])["looked_on"].max()
    return pd.Series(
        last.reindex(pd.MultiIndex.from_arrays([rows["panel"], asked])).to_numpy(), index=rows.index
    )
