"""What had happened by a day, whenever it became known."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

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
