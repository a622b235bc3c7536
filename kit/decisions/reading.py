"""Which rows concern a group of zones, and tables of numbers and words for people to read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings import Fleet


def rows_of_group(rows: pd.DataFrame, fleet: Fleet, group: str) -> pd.DataFrame:
    """Keep the rows that concern a group of zones.

    Parameters
    ----------
    rows : DataFrame
        Columns table and id, as `Fleet.rows_since` gives them.
    fleet : Fleet
        Where the ids are looked up, among the current rows.
    group : str
        Group of the zones table.

    Returns
    -------
    DataFrame
        The rows of findings, inspections, panels, zones, repairs, tasks, cards and limits that name the
        group, one of its zones, or a finding or task of one; in the order given. Rows of whole aircraft
        (usage, basing) concern all groups and are left out, as are rows superseded by now.

    Raises
    ------
    ValueError
        If the dataset lacks the group.
    """
    tables = fleet.tables
    zones = set(tables["zones"].loc[tables["zones"]["group"] == group, "zone"])
    if not zones:
        known = ", ".join(sorted(tables["zones"]["group"].unique()))
        raise ValueError(f"`group` must be a group of the zones table. Got {group!r}. Known are {known}.")
    ids = {
        name: set(tables[name].loc[tables[name]["zone"].isin(zones), key])
        for name, key in (
            ("findings", "finding"),
            ("inspections", "inspection"),
            ("panels", "fitting"),
            ("zones", "zone"),
        )
    }
    repairs, tasks, cards, limits = (tables[name] for name in ("repairs", "tasks", "cards", "limits"))
    ids["repairs"] = set(repairs.loc[repairs["finding"].isin(ids["findings"]), "repair"])
    named = tasks["zones"].map(lambda cell: bool(zones & {zone.strip() for zone in cell.split(";")}))
    ids["tasks"] = set(tasks.loc[named.astype(bool), "task"])
    ids["cards"] = set(cards.loc[cards["task"].isin(ids["tasks"]), "card"])
    ids["limits"] = set(limits.loc[limits["group"] == group, "limit"])
    keep = [row_id in ids.get(table, ()) for table, row_id in zip(rows["table"], rows["id"], strict=True)]
    return rows.loc[np.array(keep, dtype=bool)]


def readable(frame: pd.DataFrame, *, digits: int = 6) -> pd.DataFrame:
    """Round every number of a table to significant digits, for print.

    Parameters
    ----------
    frame : DataFrame
        Numbers and words may share a column.
    digits : int
        Significant digits [-].

    Returns
    -------
    DataFrame
        Floats as words, with thousands separators; a dash where there is none. Other values as they are.

    Raises
    ------
    ValueError
        If `digits` is below 1.

    Examples
    --------
    >>> readable(pd.DataFrame({"then": [12988.12254, "risk", float("nan")]}))["then"].tolist()
    ['12,988.1', 'risk', '–']
    """
    if digits < 1:
        raise ValueError(f"`digits` must be at least 1. Got {digits!r}.")

    def words(value: object) -> object:
        if value is None or (isinstance(value, float) and np.isnan(value)):
            return "–"
        return f"{value:,.{digits}g}" if isinstance(value, float) else value

    return frame.astype(object).map(words)
