"""What had happened by a day, whenever it became known."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from kit.findings.check.check import check_tables
from kit.findings.check.problems import sorted_problems
from kit.findings.fleet import Fleet
from kit.findings.tables import TABLES


def events_up_to(fleet: Fleet, date: str | pd.Timestamp) -> Fleet:
    """Return a fleet with the events up to a day, with all that is known of them by now.

    The counterpart of `Fleet.as_known_on`: late rows and corrections stay, what happened after the
    day goes.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    date : str or Timestamp
        The day; it becomes the cut-off.

    Returns
    -------
    Fleet
        Rows whose event is not after the day; a removal or an end of validity after it is blank.
    """
    day = min(pd.Timestamp(date).normalize(), fleet.cut_off)
    tables = {}
    for name, table in fleet.tables.items():
        event = (
            table[TABLES[name].event_date]
            if TABLES[name].event_date
            else pd.Series(pd.NaT, index=table.index)
        )
        rows = table.loc[event.isna() | (event <= day)].reset_index(drop=True)
        if end := TABLES[name].end_date:
            rows[end] = rows[end].where(rows[end] <= day)
        tables[name] = rows
    stated = fleet.stated_in_force(known_on=fleet.known_on, cut_off=day)
    return replace(fleet, **stated, tables=tables, cut_off=day)


def rows_kept(fleet: Fleet, day: str | pd.Timestamp, later: pd.DataFrame) -> Fleet:
    """Return a fleet of the rows known on a day and some of those that became known since.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    day : str or Timestamp
        Rows recorded by then are all there.
    later : DataFrame
        Columns table, id and recorded_on of the later rows that are let in.

    Returns
    -------
    Fleet
        Checked again; the cut-off and `known_on` are those of the fleet.
    """
    end = pd.Timestamp(day)
    wanted = {
        name: set(zip(rows["id"], rows["recorded_on"], strict=True)) for name, rows in later.groupby("table")
    }
    raw = {}
    for name, table in fleet.as_read.items():
        typed = table.typed
        keep = (typed["recorded_on"].isna() | (typed["recorded_on"] <= end)).to_numpy(copy=True)
        if some := wanted.get(name):
            rows = zip(typed[TABLES[name].id_column], typed["recorded_on"], strict=True)
            keep |= [row in some for row in rows]
        raw[name] = replace(table, typed=typed[keep])
    checked = check_tables(raw, cut_off=fleet.cut_off, known_on=fleet.known_on)
    return replace(
        fleet,
        tables=checked.tables,
        rejected=sorted_problems([checked.rejected]),
        warnings=sorted_problems([checked.warnings]),
        unusable=checked.unusable,
    )
