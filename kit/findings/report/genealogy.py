"""A panel's whole way: where it was fitted, what was found on it, and how old it was each time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.findings.ages import PanelAges
from kit.findings.dates import NO_DAY, day_numbers
from kit.findings.looks import build_looks
from kit.findings.methods import NO_DAMAGE, TAP_METHODS, is_damage
from kit.findings.tables import CLOCKS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kit.findings.fleet import Fleet

IN_STORE = "in store"
"""Place of a panel that is not fitted."""

_EVENTS = ("fitted", "look", "find", "no damage", "repair", "removed", "fitted again")
_COLUMNS = ["date", "event", "aircraft", "zone", "what", "id"]


def panel_history(
    fleet: Fleet, panel: str, *, methods: Sequence[str] = TAP_METHODS, looks: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return all that happened to a panel, with its age on every clock each time.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    panel : str
        Serial of the panel.
    methods : sequence of str
        Methods whose looks are listed; finds by any method are.
    looks : DataFrame, optional
        What `build_looks` gave for the same methods, so that it is not built again.

    Returns
    -------
    DataFrame
        In the order of time: date; event (fitted, look, find, no damage, repair, removed); aircraft
        and zone ("in store" and "" where it was nowhere); what (state when fitted; method, basis
        and outcome of a look; kind and disposition of a finding; class of a repair and its
        restoration factor); id of the row; flight_hours, flight_cycles and calendar_days, the age
        from new; and virtual_flight_hours, virtual_flight_cycles and virtual_calendar_days, the
        age that repairs leave [clock units]. nan where an age is not known.

    Raises
    ------
    ValueError
        If the panel is in no row of the panels table.

    Notes
    -----
    On one day, what was seen and repaired comes before the removal, and a fitting elsewhere after
    it. A repair with restoration factor q leaves q times the virtual age that the panel had, from
    which it goes on; before the first repair virtual age is age. A repair without a factor leaves
    it. The factor speaks of the repaired area: the rest of the panel keeps its age.

    A finding that is no damage by its disposition is listed as "no damage".
    """
    fittings = fleet.tables["panels"]
    own = fittings[fittings["panel"] == panel].sort_values(["fitted_on", "fitting"], kind="stable")
    if not len(own):
        raise ValueError(f"`panel` must be a serial of the panels table. Got {panel!r}; correct the serial.")
    made = build_looks(fleet, methods=methods) if looks is None else looks
    findings = fleet.tables["findings"]
    findings = findings[findings["panel"] == panel]
    repairs = fleet.tables["repairs"]
    repairs = repairs[repairs["finding"].isin(findings["finding"])]
    parts = [
        *_fittings(own),
        _looks(made[made["panel"] == panel]),
        _findings(findings),
        _repairs(repairs, own),
    ]
    events = pd.concat([part for part in parts if len(part)], ignore_index=True)
    rank = events["event"].map({name: place for place, name in enumerate(_EVENTS)})
    events = events.assign(_rank=rank).sort_values(["date", "_rank", "id"], kind="stable")
    events = events.drop(columns="_rank").reset_index(drop=True)
    events["event"] = events["event"].replace("fitted again", "fitted")
    factor = events["_factor"].to_numpy(np.float64)
    events = events[_COLUMNS]
    for clock in CLOCKS:
        events[clock] = PanelAges(fleet, clock).at(panel, events["date"].to_numpy())
    for clock in CLOCKS:
        events[f"virtual_{clock}"] = _virtual(events[clock].to_numpy(), factor)
    return events


def _virtual(age: np.ndarray, factor: np.ndarray) -> np.ndarray:
    """Return ages after repairs, for the events of one panel in the order of time."""
    taken_off = np.zeros(len(age))  # what repairs took off the age so far
    less = 0.0
    for k in range(len(age)):
        if not np.isnan(factor[k]):
            less = age[k] - factor[k] * (age[k] - less)
        taken_off[k] = less
    return age - taken_off


def _frame(rows: pd.DataFrame, **cells: object) -> pd.DataFrame:
    """Return events as a table with all columns."""
    frame = pd.DataFrame({"_factor": np.nan} | cells, index=rows.index)
    return frame.astype({name: "str" for name in _COLUMNS if name != "date"})


def _fittings(own: pd.DataFrame) -> list[pd.DataFrame]:
    """Return fittings and removals of a panel."""
    place = {"aircraft": own["aircraft"], "zone": own["zone"], "id": own["fitting"]}
    # Taken off and fitted on one day: the removal comes first.
    same_day = own["fitted_on"] == own["removed_on"].shift()
    event = pd.Series("fitted", index=own.index, dtype="str").mask(same_day, "fitted again")
    gone = own["removed_on"].notna()
    out = _frame(own, date=own["removed_on"], event="removed", what="", **place)
    return [_frame(own, date=own["fitted_on"], event=event, what=own["state"], **place), out[gone]]


def _looks(looks: pd.DataFrame) -> pd.DataFrame:
    """Return looks at a panel as events."""
    outcome = looks["found"].map({True: "found", False: "clean"}).astype("str")
    part = (looks["coverage"] != "full").map({True: " (part of it)", False: ""}).astype("str")
    return _frame(
        looks,
        date=looks["looked_on"],
        event="look",
        aircraft=looks["aircraft"],
        zone=looks["zone"],
        what=looks["method"] + ", " + looks["basis"] + ", " + outcome + part,
        id=looks["look"],
    )


def _findings(findings: pd.DataFrame) -> pd.DataFrame:
    """Return findings on a panel as events."""
    event = findings["disposition"].isin(NO_DAMAGE).map({True: "no damage", False: "find"})
    return _frame(
        findings,
        date=findings["found_on"],
        event=event,
        aircraft=findings["aircraft"],
        zone=findings["zone"],
        what=findings["kind"] + ", " + findings["disposition"].where(findings["disposition"] != "", "open"),
        id=findings["finding"],
    )


def _repairs(repairs: pd.DataFrame, own: pd.DataFrame) -> pd.DataFrame:
    """Return repairs of a panel as events, at the place where it was that day."""
    days = repairs["repaired_on"].to_numpy()
    begun = own["fitted_on"].to_numpy()[:, None] <= days
    removed = own["removed_on"].to_numpy()[:, None]
    there = begun & (np.isnat(removed) | (removed >= days))
    first = there.argmax(axis=0)
    fitted = there.any(axis=0)
    factor = repairs["restoration_factor"].to_numpy(np.float64)
    words = [
        name + ("" if np.isnan(q) else f", restoration factor {q:g}")
        for name, q in zip(repairs["repair_class"], factor, strict=True)
    ]
    return _frame(
        repairs,
        date=repairs["repaired_on"],
        event="repair",
        aircraft=np.where(fitted, own["aircraft"].to_numpy(object)[first], IN_STORE),
        zone=np.where(fitted, own["zone"].to_numpy(object)[first], ""),
        what=words,
        id=repairs["repair"],
        _factor=factor,
    )


def lineage(fleet: Fleet) -> pd.DataFrame:
    """Return for every panel where it has been and where it is.

    Parameters
    ----------
    fleet : Fleet
        The dataset.

    Returns
    -------
    DataFrame
        A row for each panel, by serial: panel; first_fitted; state when first fitted; n_fittings;
        n_aircraft; aircraft (names in the order of time, with ";" between them); days_fitted;
        days_in_store (between fittings); days_since_removed (0 while fitted); place (aircraft and
        zone, or "in store") at the cut-off; n_finds and n_repairs; and flight_hours,
        flight_cycles and calendar_days, the age from new at the cut-off, nan where not known.

    Notes
    -----
    A panel that was taken off and is fitted nowhere counts as in store: whether it was scrapped is
    not in the tables.
    """
    panels = fleet.tables["panels"].sort_values(["panel", "fitted_on", "fitting"], kind="stable")
    panels = panels.reset_index(drop=True)
    cut_off = int(day_numbers([fleet.cut_off])[0])
    fitted, removed = day_numbers(panels["fitted_on"]), day_numbers(panels["removed_on"])
    still = removed == NO_DAY
    removed = np.where(still, cut_off, removed)
    name = panels["panel"].to_numpy(dtype=object)
    same = np.r_[False, name[1:] == name[:-1]] if len(name) else np.empty(0, dtype=bool)
    before = np.r_[0, removed[:-1]] if len(name) else removed
    work = panels[["panel", "aircraft", "state", "fitted_on"]].assign(
        days_fitted=np.maximum(removed - fitted, 0),
        days_in_store=np.where(same, np.maximum(fitted - before, 0), 0),
        days_since_removed=np.where(still, 0, cut_off - removed),
        place=(panels["aircraft"] + " " + panels["zone"]).mask(~still, IN_STORE),
    )
    groups = work.groupby("panel", sort=True)
    table = groups.agg(
        first_fitted=("fitted_on", "first"),
        state=("state", "first"),
        n_fittings=("aircraft", "size"),
        n_aircraft=("aircraft", "nunique"),
        aircraft=("aircraft", lambda names: ";".join(dict.fromkeys(names))),
        days_fitted=("days_fitted", "sum"),
        days_in_store=("days_in_store", "sum"),
        days_since_removed=("days_since_removed", "last"),
        place=("place", "last"),
    ).reset_index()
    findings = fleet.tables["findings"]
    real = findings[is_damage(findings)]
    repairs = fleet.tables["repairs"].merge(findings[["finding", "panel"]], on="finding")
    table["n_finds"] = _count(real["panel"], table["panel"])
    table["n_repairs"] = _count(repairs["panel"], table["panel"])
    for clock in CLOCKS:
        table[clock] = PanelAges(fleet, clock).at(
            table["panel"].to_numpy(object), np.full(len(table), fleet.cut_off.to_datetime64())
        )
    return table


def _count(serials: pd.Series, panels: pd.Series) -> np.ndarray:
    """Return how often each panel occurs."""
    return serials.value_counts().reindex(panels, fill_value=0).to_numpy()
