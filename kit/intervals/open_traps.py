"""Which records of the group asked about look like a trap that moves an answer, and that no warning names."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings import Fleet, find_traps

TRAPS_SAID = {
    "T7": "aircraft whose cycles may be landings, which puts ages in cycles off as much",
    "T10": "looks that were made because of a find beside them and count as looks like all others",
    "T13": "findings that may be false calls and count as finds",
    "T14": "cards missing where others of their check were closed, so that no look counts",
    "T17": "campaigns outside the programme, whose finds count as those of looks in it",
}
"""What is said of each trap; the others are warned of row by row, mapped or carried as a column."""

_FIRST = 3
"""How many rows are named."""


def traps_by_group(fleet: Fleet) -> pd.DataFrame:
    """Return the records that look like one of the traps that an answer names, with the groups that they bear on.

    Parameters
    ----------
    fleet : Fleet
        The dataset, as known on the day of the question.

    Returns
    -------
    DataFrame
        Columns trap, name (the id of the row, or aircraft, task and day where there is none) and group (blank: all groups).
    """
    found = find_traps(fleet, traps=list(TRAPS_SAID))
    group = fleet.tables["zones"].set_index("zone")["group"]
    of_task = (
        fleet.task_zones.assign(group=fleet.task_zones["zone"].map(group)).groupby("task")["group"].unique()
    )
    zone = {
        name: fleet.tables[name].set_index(key)["zone"]
        for name, key in (("findings", "finding"), ("inspections", "inspection"))
    }
    rows = []
    cells = found[["trap", "table", "id", "value", "found"]].itertuples(index=False, name=None)
    for trap, table, row, value, words in cells:
        if table in zone:
            name, groups = row, [group.get(zone[table].get(row, ""))]
        elif trap == "T7":
            name, groups = words.split(":")[0], [""]
        elif trap == "T17":
            name, groups = value, [value.rsplit(" ", 3)[0]]  # group, first day, to, last day
        elif row:
            continue  # zones that were not done stand at their card: no look was made, and none counts
        else:
            name, groups = value, of_task.get(value.split(" ")[1], [])
        rows += [(trap, name, one) for one in groups if isinstance(one, str)]
    return pd.DataFrame(rows, columns=["trap", "name", "group"]).astype("str")


def trap_cautions(traps: pd.DataFrame, group: str, clocks: set[str]) -> list[str]:
    """Say which records an answer for a group rests on that may mislead, and name the first of each kind.

    Parameters
    ----------
    traps : DataFrame
        As `traps_by_group` gives them.
    group : str
        Group of the zones table.
    clocks : set of str
        Clocks of the ages that the answer uses.

    Returns
    -------
    list of str
        One caution; none where nothing looks like a trap.
    """
    own = traps[np.isin(traps["group"].to_numpy(dtype=object), [group, ""])]
    if "flight_cycles" not in clocks:
        own = own[own["trap"] != "T7"]
    parts = []
    for trap, words in TRAPS_SAID.items():
        names = sorted(set(own.loc[own["trap"] == trap, "name"]))
        if names:
            shown = ", ".join(names[:_FIRST]) + (", ..." if len(names) > _FIRST else "")
            parts.append(f"{words}: {len(names)} ({shown})")
    return (
        [
            f"records of this group that may mislead, to be looked at before the answer is used: {'; '.join(parts)}"
        ]
        if parts
        else []
    )
