"""Which rows of the group asked about carry warnings that nobody has settled."""

from __future__ import annotations

import pandas as pd

from kit.findings import LIMIT_BEYOND_PANELS, SIZES_TOO_SMALL, TABLES, Fleet

_FIRST = 3
"""How many rows of a table are named."""


def open_warnings(fleet: Fleet, group: str) -> pd.DataFrame:
    """Return the warnings of a dataset on rows that an answer for a group rests on.

    Parameters
    ----------
    fleet : Fleet
        The dataset, as known on the day of the question.
    group : str
        Group of the zones table.

    Returns
    -------
    DataFrame
        Those of `Fleet.warnings` on zones, limits, tasks and their cards, panels, looks, findings, repairs and deferrals of the group, and on
        aircraft, usage, basing and the dataset itself, which all groups share; in their order.
    """
    found = fleet.warnings
    if not len(found):
        return found
    tables = fleet.tables
    zones = set(tables["zones"].loc[tables["zones"]["group"] == group, "zone"])
    tasks = tables["tasks"]
    named = fleet.task_zones
    own = {
        name: tables[name][tables[name]["zone"].isin(zones)]
        for name in ("findings", "inspections", "panels", "zones")
    }
    own["limits"] = tables["limits"][tables["limits"]["group"] == group]
    own["tasks"] = tasks[tasks["task"].isin(named.loc[named["zone"].isin(zones), "task"])]
    own["cards"] = tables["cards"][tables["cards"]["task"].isin(own["tasks"]["task"])]
    for name in ("repairs", "deferrals"):
        own[name] = tables[name][tables[name]["finding"].isin(own["findings"]["finding"])]
    own |= {name: tables[name] for name in ("aircraft", "usage", "basing")}
    places = {
        (name, file, row)
        for name, rows in own.items()
        for file, row in rows.loc[
            rows["row"].isin(found.loc[found["table"] == name, "row"]), ["file", "row"]
        ].itertuples(index=False, name=None)
    }
    concerns = [
        table == "dataset" or (table, file, row) in places
        for table, file, row in found[["table", "file", "row"]].itertuples(index=False, name=None)
    ]
    return found[concerns]


def warning_cautions(fleet: Fleet, group: str) -> list[str]:
    """Say on how many rows of which tables an answer rests that carry warnings, and name the first.

    Parameters
    ----------
    fleet : Fleet
        The dataset, as known on the day of the question.
    group : str
        Group of the zones table.

    Returns
    -------
    list of str
        One caution; none where there are no warnings. Rows are named by their ids, which stay the same wherever
        a row stands in its file, so that a copy of the dataset is told the same.
    """
    found = open_warnings(fleet, group)
    parts = []
    for table, rows in found.groupby("table", sort=False):
        if table == "dataset":
            parts.append(
                f"dataset: {'; '.join(f'{c}: {r}' for c, r in zip(rows['column'], rows['reason'], strict=True))}"
            )
            continue
        ids = fleet.tables[table].set_index(["file", "row"])[TABLES[table].id_column]
        names = sorted(set(ids.reindex(pd.MultiIndex.from_frame(rows[["file", "row"]]))))
        shown = ", ".join(names[:_FIRST]) + (", ..." if len(names) > _FIRST else "")
        most = rows["reason"].value_counts().sort_index().idxmax()
        parts.append(f"{table} {len(names)} ({shown}; mostly: {most})")
    return (
        [
            f"rows of this group with open warnings, to be settled before the answer is used: {'; '.join(parts)}"
        ]
        if parts
        else []
    )


def units_that_cannot_be(fleet: Fleet, group: str) -> str:
    """Say which units of a group's sizes or limits cannot be as written, so that no interval may rest on them.

    Parameters
    ----------
    fleet : Fleet
        The dataset, as known on the day of the question.
    group : str
        Group of the zones table.

    Returns
    -------
    str
        What is wrong and what to do; "" where nothing is. Sizes taken for smaller than they are, or a limit for larger,
        would give a longer interval.
    """
    wrong = (LIMIT_BEYOND_PANELS, SIZES_TOO_SMALL)
    if not fleet.warnings["reason"].isin(wrong).any():
        return ""
    found = open_warnings(fleet, group)
    found = found[found["reason"].isin(wrong)]
    if not len(found):
        return ""
    first = found.iloc[0]
    return (
        f"{first['file']} row {first['row']}, {first['column']} = {first['value']!r}: {first['reason']} "
        f"Expected: {first['expected']}. To correct: {first['mend']}."
    )
