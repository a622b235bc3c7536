"""What damage an operator leaves on its panels: under which limit, until when, and was it looked at again."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from kit.simulate.fleet import day_date, day_number
from kit.simulate.scenario_parts import Family
from kit.simulate.shapes import clearances

if TYPE_CHECKING:
    from kit.simulate.operator import Book, Row

LEFT = ("monitor", "temporary_repair")
"""Dispositions by which damage stays on the panel."""


def write_deferrals(book: Book) -> None:
    """Write down of each damage that was left under which limit and until when, and what came of it.

    Parameters
    ----------
    book : Book
        The operator's tables with the findings written; its deferrals are filled.
    """
    out = book.tables["deferrals"]
    ends = book.truth.water.set_index("spell")[["ended_on", "ended_by"]]
    later: dict[str, list[Row]] = {}
    for find in book.truth.finds.sort_values("day", kind="stable").to_dict("records"):
        later.setdefault(find["damage"], []).append(find)
    # On one day a panel may be tapped and looked at for water: the re-inspection is the look that mapped this damage.
    looks = {
        (r["aircraft"], r["panel"], r["inspected_on"], r["method"]): r for r in book.tables["inspections"]
    }
    opened: list[tuple[Row, Row | None]] = []
    for row, find in book.left:
        after = next((r for r in later[find["damage"]] if r["day"] > find["day"]), None)
        end = None
        if after is not None:
            end = _end_by_find(after, looks)
        elif find["mode"] == "W" and ends.at[find["damage"], "ended_by"]:
            # Another damage of the panel was repaired, or the panel replaced, and the water went with it.
            end = {
                "closed_on": ends.at[find["damage"], "ended_on"].date(),
                "closed_by": ends.at[find["damage"], "ended_by"],
            }
        opened.append((_deferral(book, row, find), end))
    opened.sort(key=lambda pair: (pair[0]["deferred_on"], pair[0]["finding"]))
    for number, (row, _) in enumerate(opened):
        row["deferral"] = f"DF{number + 1:04d}"
        out.append(row)
    for row, end in opened:
        if end is not None:
            recorded = max(book.soon(end["closed_on"]), row["recorded_on"])
            closing = {
                "deferral": f"DF{len(out) + 1:04d}",
                "replaces": row["deferral"],
                "recorded_on": recorded,
            }
            out.append(row | end | closing)


def _end_by_find(after: Row, looks: dict[tuple[str, str, date, str], Row]) -> Row:
    """Return how a deferral ended when its damage was mapped again."""
    day = after["day"].date()
    is_left = after["disposition"] in LEFT
    how = "renewed" if is_left else "replaced" if after["disposition"] == "panel_replaced" else "repaired"
    return {
        "reinspection": looks.get((after["aircraft"], after["panel"], day, after["method"])),
        "closed_on": day if is_left else after["repaired_on"].date(),
        "closed_by": how,
    }


def _deferral(book: Book, row: Row, find: Row) -> Row:
    """Return the deferral of a damage that was left, as it was opened."""
    s = book.scenario
    family, _ = book.zones[find["zone"]]
    day = row["found_on"]
    place = _place_of(book, row["finding"], family)
    in_force = [
        r
        for r in book.tables["limits"]
        if r["group"] == family.group and r["valid_from"] <= day and r["place"] in (place, None)
    ]
    limit = max(in_force, key=lambda r: (r["place"] == place, r["valid_from"]))
    is_taped = find["disposition"] == "temporary_repair"
    is_beyond = row["disposition"] != find["disposition"]
    task = s.water_task(family.group)
    if find["mode"] == "W":
        until = reinspect = day + timedelta(days=task.every * s.check_days + 30)
    elif is_taped:
        until = reinspect = _after_cycles(book, find["aircraft"], day, s.tape_cycles)
    else:
        reinspect = day + timedelta(days=s.reinspect_days)
        until = reinspect if is_beyond else day + timedelta(days=s.check_days)
    basis = (
        "engineering disposition, limited in time"
        if is_beyond
        else "temporary repair, limited in time"
        if is_taped
        else "within the allowable damage limit"
    )
    return {
        "deferral": "", "finding": row["finding"], "limit": limit["limit"],
        "basis": basis,
        "deferred_on": day, "until": until, "flight_cycles": s.tape_cycles if is_taped else None,
        "reinspect_by": reinspect, "reinspection": None, "closed_on": None, "closed_by": None,
        "recorded_on": row["recorded_on"],
    }  # fmt: skip


def _after_cycles(book: Book, aircraft: str, day: date, cycles: float) -> date:
    """Return the day on which an aircraft will have flown so many more cycles."""
    tail, start = book.tails[aircraft], day_number(day)
    flown = tail.cycles - tail.cycles[start]
    return day_date(min(int(np.searchsorted(flown, cycles)), start + 400))


def _place_of(book: Book, finding: str, family: Family) -> str | None:
    """Return the place of a damage within its panel as it was drawn, None for the field."""
    outline = book.drawn[finding]
    edge, fasteners = clearances(np.array(outline.exterior.coords)[:-1], family)
    if fasteners < book.scenario.fastener_band:
        return "fastener_row"
    return "edge_band" if edge < book.scenario.edge_band else None
