"""Which rows concern a group of zones, and tables of numbers and words for people to read."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.decisions.record import set_aside
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


def set_aside_with_groups(fleet: Fleet) -> tuple[tuple[str, frozenset[str]], ...]:
    """Name the rows that were set aside, each with the groups of zones that it names.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known then.

    Returns
    -------
    tuple of (str, frozenset of str)
        Words as a record has them, and the groups that the row names, itself or through a row that it refers to. The same for
        every question of that day, so that it need be made once only.
    """
    zones = fleet.tables["zones"]
    groups = _Groups(fleet, dict(zip(zones["zone"], zones["group"], strict=True)))
    problems = fleet.rejected.itertuples(index=False)
    return tuple(
        (words, frozenset(groups.of_row(str(one.table), str(one.file), one.row)))
        for words, one in zip(set_aside(fleet), problems, strict=True)
    )


def set_aside_by_group(
    fleet: Fleet, group: str, named: tuple[tuple[str, frozenset[str]], ...] | None = None
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Part the rows that were set aside into those that bear on a group of zones and those of other groups.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known then.
    group : str
        Group of the zones table.
    named : tuple, optional
        What `set_aside_with_groups` gave for it.

    Returns
    -------
    tuple of str
        Rows that name the group, one of its zones or what belongs to one, and those of which no zone can be told: of
        whole aircraft, or spoiled just there.
    tuple of str
        Rows that name zones of other groups only.
    """
    own: list[str] = []
    other: list[str] = []
    for words, groups in set_aside_with_groups(fleet) if named is None else named:
        (other if groups and group not in groups else own).append(words)
    return tuple(own), tuple(other)


class _Groups:
    """Which groups of zones a row that was set aside names, itself or through a row that it refers to."""

    def __init__(self, fleet: Fleet, of_zone: dict[str, str]) -> None:
        self.of_zone, self.known = of_zone, set(of_zone.values())
        self.rows = {name: raw.typed for name, raw in fleet.as_read.items()}
        self.places: dict[tuple[str, ...], dict[object, list[int]]] = {}

    def of_row(self, table: str, file: str, row: object) -> set[str]:
        return set().union(*(self._named(one, 2) for one in self._found(table, ("file", "row"), (file, row))))

    def _found(
        self, table: str, columns: tuple[str, ...], cells: tuple[object, ...]
    ) -> list[dict[str, object]]:
        """Return the rows of a table that hold some cells; where each stands is looked up once for a table."""
        typed = self.rows.get(table)
        if typed is None or not set(columns) <= set(typed.columns):
            return []
        at = (table, *columns)
        if at not in self.places:
            self.places[at] = {}
            for place, key in enumerate(zip(*(typed[name].tolist() for name in columns), strict=True)):
                self.places[at].setdefault(key, []).append(place)
        return typed.iloc[self.places[at].get(cells, [])].to_dict("records")

    def _named(self, row: dict[str, object], deep: int) -> set[str]:
        cells = f"{row.get('zone', '')};{row.get('zones', '')}".split(";")
        named = {self.of_zone[one.strip()] for one in cells if one.strip() in self.of_zone}
        named |= {str(row["group"])} & self.known if "group" in row else set()
        if named or not deep:
            return named
        for table, key in (("findings", "finding"), ("tasks", "task"), ("inspections", "inspection")):
            if row.get(key):
                for one in self._found(table, (key,), (row[key],)):
                    named |= self._named(one, deep - 1)
        return named
