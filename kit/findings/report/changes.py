"""Which rows became known when, and what did they change."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.findings.methods import NO_DAMAGE
from kit.findings.tables import TABLES

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

LATE_DAYS = 30
"""A row recorded more than so many days after its event is late [days]."""

CHANGE_COLUMNS = (
    "table",
    "id",
    "replaces",
    "event_date",
    "recorded_on",
    "lag_days",
    "what",
    "changed",
    "old",
    "new",
)
"""Columns of a table of changes."""

_SINCE_COLUMNS = ("table", "id", "replaces", "recorded_on", "event_date", "what")
_NOT_COMPARED = ("recorded_on", "replaces", "file", "row")


def as_day(date: str | pd.Timestamp, name: str = "date") -> pd.Timestamp:
    """Return a day without its time.

    Parameters
    ----------
    date : str or Timestamp
        The day.
    name : str
        Name of the argument, for the error.

    Returns
    -------
    Timestamp
        The day at midnight, without a time zone.

    Raises
    ------
    ValueError
        If it is no day.
    """
    message = f"`{name}` must be a day such as '2019-06-30'. Got {date!r} instead; write it so."
    try:
        day = pd.Timestamp(date)
    except (ValueError, TypeError) as error:
        raise ValueError(message) from error
    if pd.isna(day):
        raise ValueError(message)
    return day.tz_localize(None).normalize()


def recorded_rows(fleet: Fleet, name: str) -> pd.DataFrame:
    """Return every usable row of a table in the order in which the rows became known.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    name : str
        Name of the table.

    Returns
    -------
    DataFrame
        Columns table, id, replaces, recorded_on, event_date (NaT for a zone), corrected_recorded_on
        and corrected_event (of the first row with the id in replaces; NaT where there is none) and
        withdraws (a correction by which a finding is no damage any more), labelled as the rows of
        the table as read. Rows that are rejected, or recorded after `fleet.known_on`, are left
        out; superseded rows are not.
    """
    key = TABLES[name].id_column
    raw = fleet.as_read[name]
    typed = raw.typed[raw.typed["recorded_on"] <= fleet.known_on]
    for bad in (fleet.unusable.get(name, typed.iloc[:0]), raw.rejected):
        if len(bad):
            # Rows of accepted corrections are numbered in a file of their own.
            where = pd.MultiIndex.from_frame(bad[["file", "row"]])
            typed = typed[~pd.MultiIndex.from_frame(typed[["file", "row"]]).isin(where)]
    typed = typed.sort_values(["recorded_on", key], kind="stable")
    if TABLES[name].event_date:
        event = typed[TABLES[name].event_date]
    else:
        event = pd.Series(pd.NaT, index=typed.index, dtype="datetime64[us]")
    target = typed["replaces"]
    first = typed.assign(_event=event).drop_duplicates(key).set_index(key)
    rows = pd.DataFrame(
        {
            "table": pd.Series(name, index=typed.index, dtype="str"),
            "id": typed[key],
            "replaces": target,
            "recorded_on": typed["recorded_on"],
            "event_date": event,
            "corrected_recorded_on": first["recorded_on"].reindex(target).set_axis(typed.index),
            "corrected_event": first["_event"].reindex(target).set_axis(typed.index),
            "withdraws": False,
        }
    )
    if name == "findings":
        was_damage = ~first["disposition"].reindex(target).set_axis(typed.index).isin(NO_DAMAGE)
        rows["withdraws"] = (target != "") & was_damage & typed["disposition"].isin(NO_DAMAGE)
    return rows


def rows_since(fleet: Fleet, day: pd.Timestamp) -> pd.DataFrame:
    """Return rows that became known after a day and change what was known of it.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    day : Timestamp
        The day.

    Returns
    -------
    DataFrame
        As `Fleet.rows_since` says.
    """
    parts = []
    for name in fleet.as_read:
        rows = recorded_rows(fleet, name)
        rows = rows[rows["recorded_on"] > day]
        early = rows["event_date"].isna() | (rows["event_date"] <= day)
        corrects = rows["replaces"] != ""
        bears = early | (
            corrects & ((rows["corrected_recorded_on"] <= day) | (rows["corrected_event"] <= day))
        )
        what = pd.Series("late", index=rows.index, dtype="str").where(~corrects, "corrected")
        rows = rows.assign(what=what.where(~rows["withdraws"], "withdrawn"))[bears]
        if len(rows):
            parts.append(rows)
    return _joined(parts, _SINCE_COLUMNS)


def changes(fleet: Fleet, since: pd.Timestamp, until: pd.Timestamp) -> pd.DataFrame:
    """Return the rows that became known after one day and up to another.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    since, until : Timestamp
        The days; `until` counts, `since` does not.

    Returns
    -------
    DataFrame
        As `Fleet.changes` says.
    """
    parts = []
    for name in fleet.as_read:
        rows = recorded_rows(fleet, name)
        known = rows
        rows = rows[(rows["recorded_on"] > since) & (rows["recorded_on"] <= until)]
        if not len(rows):
            continue
        lag = (rows["recorded_on"] - rows["event_date"]).dt.days.astype("float64")
        corrects = rows["replaces"] != ""
        what = pd.Series("added", index=rows.index, dtype="str").mask(lag > LATE_DAYS, "added late")
        what = what.mask(corrects, "corrected").mask(rows["withdraws"], "withdrawn")
        rows = rows.assign(lag_days=lag, what=what)
        before = _row_before(known, rows.index[corrects])
        cells = {label: _changed_cells(fleet, name, before[label], label) for label in before}
        for place, column in enumerate(("changed", "old", "new")):
            values = [cells[label][place] if label in cells else () for label in rows.index]
            rows[column] = pd.Series(values, index=rows.index, dtype=object)
        parts.append(rows)
    joined = _joined(parts, CHANGE_COLUMNS)
    return joined.sort_values(["recorded_on", "table", "id"], kind="stable").reset_index(drop=True)


def _row_before(known: pd.DataFrame, labels: pd.Index) -> dict[int, int]:
    """Return for each correction the label of the row that it took the place of."""
    if not len(labels):
        return {}
    order = known.assign(corrects=known["replaces"] != "").sort_values(
        ["recorded_on", "corrects"], kind="stable"
    )
    place = pd.Series(np.arange(len(order)), index=order.index)
    rows = pd.DataFrame({"id": order["id"], "place": place, "label": order.index})
    asked = pd.DataFrame(
        {"id": order["replaces"], "place": place, "correction": order.index}, index=order.index
    )
    asked = asked[asked.index.isin(labels)]
    found = pd.merge_asof(asked, rows, on="place", by="id", allow_exact_matches=False)
    found = found[found["label"].notna()]
    return dict(zip(found["correction"].astype(int), found["label"].astype(int), strict=True))


def _changed_cells(fleet: Fleet, name: str, before: int, after: int) -> tuple[tuple[str, ...], ...]:
    """Return which columns a correction changed, with the cells before and after as written."""
    key = TABLES[name].id_column
    text, typed = fleet.as_read[name].text, fleet.as_read[name].typed
    columns = [
        column
        for column in typed.columns
        if column not in (*_NOT_COMPARED, key)
        and not _same(typed.at[before, column], typed.at[after, column])
    ]
    written = [tuple(str(text.at[label, column]) for column in columns) for label in (before, after)]
    return tuple(columns), *written


def _same(one: object, two: object) -> bool:
    """Return whether two cells hold the same; two blank ones do."""
    if pd.isna(one) or pd.isna(two):
        return bool(pd.isna(one) and pd.isna(two))
    return bool(one == two)


def _joined(parts: list[pd.DataFrame], columns: tuple[str, ...]) -> pd.DataFrame:
    """Return tables one below the other, or an empty one with the same columns."""
    if parts:
        return pd.concat(parts, ignore_index=True)[list(columns)]
    types = {"recorded_on": "datetime64[us]", "event_date": "datetime64[us]", "lag_days": "float64"}
    types |= dict.fromkeys(("changed", "old", "new"), "object")
    return pd.DataFrame({name: pd.Series(dtype=types.get(name, "str")) for name in columns})


def changes_text(changes: pd.DataFrame, limit: int = 30) -> str:
    """Return a plain-text summary of changes.

    First the count by table and what, then one by one those that are more than added: late,
    corrected and withdrawn rows.

    Parameters
    ----------
    changes : DataFrame
        What `Fleet.changes` gave.
    limit : int
        How many rows to list one by one.

    Returns
    -------
    str
        Lines of text; "Nothing became known." where there are none.
    """
    if not len(changes):
        return "Nothing became known."
    counts = changes.groupby(["table", "what"], sort=True).size()
    lines = [f"{n:>7,}  {table}: {what}" for (table, what), n in counts.items()]
    telling = changes[changes["what"] != "added"]
    lines += [_line(row) for row in telling.head(limit).itertuples(index=False)]
    if len(telling) > limit:
        lines.append(f"and {len(telling) - limit:,} more.")
    return "\n".join(lines)


def _line(change: tuple) -> str:
    """Return one change as one line."""
    text = f"{change.recorded_on:%Y-%m-%d} {change.table} {change.id}: {change.what}"
    if change.what == "added late":
        return f"{text}, {change.lag_days:,.0f} days after {change.event_date:%Y-%m-%d}"
    cells = zip(change.changed, change.old, change.new, strict=True)
    cells = ", ".join(f"{name} {_short(old)} to {_short(new)}" for name, old, new in cells)
    return f"{text}, replaces {change.replaces}" + (f"; {cells}" if cells else "; no cell differs")


def _short(cell: str) -> str:
    """Return a cell in quotes, no longer than fits on a line."""
    return repr(cell if len(cell) <= 40 else cell[:37] + "...")
