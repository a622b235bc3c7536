"""Was it recorded late, and are day and month in the right order."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from kit.findings.dates import day_advice, swapped_days
from kit.findings.tables import TABLES
from kit.findings.traps.context import TrapContext, together
from kit.findings.units import LIKELY, POSSIBLE, SURE

LATE_DAYS = 30
"""Days from the event to the record beyond which a row is late [days]."""

SOON_DAYS = 10
"""Days within which rows are recorded as a rule [days]."""

_RECORDS = ("cards", "inspections", "findings", "repairs")


def find_late(context: TrapContext) -> pd.DataFrame:
    """Return rows recorded long after the event, and rows corrected later (T1).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; a corrected row stands under its own id, with the
        column that was corrected.
    """
    parts = []
    for name in _RECORDS:
        rows = context.rows(name)
        days = (rows["recorded_on"] - rows[TABLES[name].event_date]).dt.days
        late = ((days > LATE_DAYS) & (rows["replaces"] == "")).to_numpy()
        found = [f"recorded {n:.0f} days after" for n in days[late]]
        parts.append(context.cases(name, rows[late], "recorded_on", found, confidence=SURE))
        parts.append(_corrected(context, name))
    return together(*parts)


def _corrected(context: TrapContext, name: str) -> pd.DataFrame:
    """Return rows that a row with another id corrects, with the first column that differs."""
    key = TABLES[name].id_column
    raw = context.fleet.as_read.get(name)
    rows = context.fleet.tables[name]
    rows = rows[(rows["replaces"] != "") & (rows["replaces"] != rows[key])]
    if raw is None or not len(rows):
        return context.cases(name, rows.iloc[:0], key, "")
    text = raw.text[raw.text[key].isin([*rows["replaces"], *rows[key]])].drop_duplicates(key).set_index(key)
    rows = rows[rows["replaces"].isin(text.index)]
    columns = [c.name for c in TABLES[name].columns if c.name != key]
    before = text.loc[rows["replaces"], columns].to_numpy(dtype=object)
    after = text.loc[rows[key], columns].to_numpy(dtype=object)
    differs = before != after
    told = differs.any(axis=1)
    where = differs.argmax(axis=1)
    old = raw.typed[raw.typed[key].isin(rows["replaces"])].drop_duplicates(key).set_index(key, drop=False)
    old = old.loc[rows["replaces"]][told]
    words = [
        f"corrected by {name_} on {day:%Y-%m-%d}"
        for name_, day in rows.loc[told, [key, "recorded_on"]].itertuples(index=False, name=None)
    ]
    cases = context.cases(name, old, key, words, confidence=SURE)
    cases["column"] = np.array(columns, dtype=object)[where[told]]
    cases["value"] = before[np.arange(len(before)), where][told]
    return cases


def find_day_orders(context: TrapContext) -> pd.DataFrame:
    """Return days whose order of day and month is, or may be, the other one (T8).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; the suggestion is the day in the other order.

    Notes
    -----
    A day is doubted where it cannot be read, where it is not that of its look or card and the
    other order is, and where it lies after the record or long before it and the other order
    lies just before it.
    """
    parts = [_unreadable(context, name) for name in _RECORDS]
    parts += [_of_findings(context), _of_looks(context)]
    parts += [_against_record(context, name) for name in _RECORDS]
    return together(*parts)


def _text(days: pd.Series) -> np.ndarray:
    """Return days as they are written."""
    return days.dt.strftime("%Y-%m-%d").to_numpy(dtype=object)


def _unreadable(context: TrapContext, name: str) -> pd.DataFrame:
    """Return days that are none as written."""
    column = TABLES[name].event_date
    rows = context.rows(name)
    rows = rows[rows[column].isna()]
    cells = context.written(name, rows, column)
    given = np.array([isinstance(cell, str) and bool(re.search(r"\d", cell)) for cell in cells], dtype=bool)
    rows, cells = rows[given], cells[given]
    advice = [re.fullmatch(r"write (\d{4}-\d\d-\d\d)", day_advice(cell)) for cell in cells]
    suggestion = np.array([match.group(1) if match else "" for match in advice], dtype=object)
    known = suggestion != ""
    found = np.where(known, "no such day; day and month the other way round is one", "no such day as written")
    return context.cases(
        name, rows, column, found, suggestion=suggestion, confidence=np.where(known, LIKELY, POSSIBLE)
    )


def _of_findings(context: TrapContext) -> pd.DataFrame:
    """Return findings and looks that agree once the day of one of them is turned round."""
    rows = context.rows("findings")
    rows = rows[rows["inspection"] != ""]
    looks = context.rows("inspections").drop_duplicates("inspection").set_index("inspection")
    look = looks.reindex(rows["inspection"]).set_axis(rows.index)
    hit = (look["inspected_on"] != rows["found_on"]) & (
        swapped_days(rows["found_on"]) == look["inspected_on"]
    )
    cards = context.rows("cards").drop_duplicates("card").set_index("card")
    closed = cards["closed_on"].reindex(look["card"]).set_axis(rows.index)
    finding_agrees = closed == rows["found_on"]
    found = "turned round it is the day of its look " + rows["inspection"]
    mask = hit & ~finding_agrees
    confidence = np.where(closed[mask] == look.loc[mask, "inspected_on"], SURE, LIKELY)
    first = context.cases(
        "findings",
        rows[mask],
        "found_on",
        found[mask],
        suggestion=_text(look.loc[mask, "inspected_on"]),
        confidence=confidence,
    )
    mask = hit & finding_agrees
    other = look[mask].assign(inspection=rows.loc[mask, "inspection"])
    second = context.cases(
        "inspections",
        other.astype({"row": "int64"}),
        "inspected_on",
        "turned round it is the day of its card and finding",
        suggestion=_text(rows.loc[mask, "found_on"]),
        confidence=SURE,
    )
    return together(first, second)


def _of_looks(context: TrapContext) -> pd.DataFrame:
    """Return looks whose day turned round is that of their card."""
    rows = context.rows("inspections")
    cards = context.rows("cards").drop_duplicates("card").set_index("card")
    closed = cards["closed_on"].reindex(rows["card"]).set_axis(rows.index)
    hit = (closed != rows["inspected_on"]) & (swapped_days(rows["inspected_on"]) == closed)
    found = "turned round it is the day of its card " + rows.loc[hit, "card"]
    return context.cases(
        "inspections", rows[hit], "inspected_on", found, suggestion=_text(closed[hit]), confidence=SURE
    )


def _against_record(context: TrapContext, name: str) -> pd.DataFrame:
    """Return days after their record, or long before it, that fit it when turned round."""
    column = TABLES[name].event_date
    rows = context.rows(name)
    other = swapped_days(rows[column])
    lag, other_lag = (rows["recorded_on"] - rows[column]).dt.days, (rows["recorded_on"] - other).dt.days
    soon = (other_lag >= 0) & (other_lag <= SOON_DAYS)
    after, before = (lag < 0) & (other_lag >= 0), (lag > LATE_DAYS) & soon & (rows["replaces"] == "")
    if name == "findings":
        before &= rows["inspection"] == ""
    elif name == "inspections":
        before &= rows["card"] == ""
    elif name == "cards":  # cards closed together bear each other out
        before &= ~rows.duplicated(["aircraft", "closed_on"], keep=False)
    elif name == "repairs":
        found_on = context.rows("findings").drop_duplicates("finding").set_index("finding")["found_on"]
        before &= (found_on.reindex(rows["finding"]).set_axis(rows.index) <= other).to_numpy()
    hit = after | before
    words = np.where(after[hit], "after its own record", "long before its record") + np.array(
        "; turned round it is just before it", dtype=object
    )
    return context.cases(
        name,
        rows[hit],
        column,
        words,
        suggestion=_text(other[hit]),
        confidence=np.where(after[hit] & soon[hit], LIKELY, POSSIBLE),
    )
