"""Is a row at another place than it says: labels, sides, serials, panels in store."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings.tables import TABLES
from kit.findings.traps.context import TrapContext, together
from kit.findings.units import LIKELY, SURE

DAYS_IN_STORE = 1
"""Longest time between two fittings that is a swap and not a stay in store [days]."""

_WITH_SERIAL = ("inspections", "findings")


def find_sides_and_labels(context: TrapContext) -> pd.DataFrame:
    """Return rows with an old label, or at the other side of the aircraft (T5).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; the suggestion is the label that fits.
    """
    parts = [_beside_their_look(context)]
    elsewhere = {name: _serial_elsewhere(context, name) for name in _WITH_SERIAL}
    for name in _WITH_SERIAL:
        rows = elsewhere[name]
        rows = rows[rows["is_mirror"]]
        found = (
            "panel "
            + rows["panel_as_written"]
            + " was at "
            + rows["place"]
            + " that day, the mirror of "
            + rows["zone"]
        )
        labels = context.label_on(rows["place"], rows[TABLES[name].event_date])
        parts.append(context.cases(name, rows, "zone", found, suggestion=labels, confidence=LIKELY))
    parts += [
        _with_their_partner(context, elsewhere),
        *(_late_labels(context, name) for name in _WITH_SERIAL),
    ]
    return together(*parts)


def _serial_elsewhere(context: TrapContext, name: str) -> pd.DataFrame:
    """Return rows whose serial is not that of the panel fitted there, and where it was."""
    rows = context.rows(name)
    other = (rows["panel_as_written"] != "") & (rows["panel_as_written"] != rows["panel"])
    fitted = context.fittings.at(
        rows["aircraft"], rows["zone"], rows[TABLES[name].event_date], rows["panel_as_written"]
    )
    serials = np.append(context.fittings.panels["panel"].to_numpy(dtype=object), "")
    other &= serials[fitted] != rows["panel_as_written"].to_numpy(dtype=object)
    rows = rows[other].reset_index(drop=True)
    places = context.fittings.place_of(rows["panel_as_written"], rows[TABLES[name].event_date])
    own = [bool(place) and place[0] == plane for place, plane in zip(places, rows["aircraft"], strict=True)]
    rows["place"] = pd.Series(
        [place[1] if here else "" for place, here in zip(places, own, strict=True)], dtype="str"
    )
    rows["is_mirror"] = context.is_mirror(rows["place"], rows["zone"])
    return rows


def _beside_their_look(context: TrapContext) -> pd.DataFrame:
    """Return findings at the mirror of the zone of their look."""
    rows = context.rows("findings")
    looks = context.rows("inspections").drop_duplicates("inspection").set_index("inspection")
    there = looks["zone"].reindex(rows["inspection"]).set_axis(rows.index)
    differs = there.notna() & (there != rows["zone"])
    rows, there = rows[differs], there[differs]
    mirror = context.is_mirror(rows["zone"], there)
    rows, there = rows[mirror], there[mirror]
    found = "its look " + rows["inspection"] + " was at " + there + ", the mirror of " + rows["zone"]
    labels = context.label_on(there, rows["found_on"])
    return context.cases("findings", rows, "zone", found, suggestion=labels, confidence=SURE)


def _with_their_partner(context: TrapContext, elsewhere: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Return looks and findings without a serial whose finding or look is at the wrong side."""
    parts = []
    for name, other in (("findings", "inspections"), ("inspections", "findings")):
        known = elsewhere[other][elsewhere[other]["is_mirror"] & (elsewhere[other]["inspection"] != "")]
        known = known.drop_duplicates("inspection").set_index("inspection")
        rows = context.rows(name)
        rows = rows[rows["inspection"].isin(known.index)]
        partner = known.loc[rows["inspection"]]
        same = (partner["zone"].to_numpy(dtype=object) == rows["zone"].to_numpy(dtype=object)) & (
            rows["panel_as_written"] == ""
        ).to_numpy()
        rows, partner = rows[same], partner[same]
        found = (
            "belongs to " + partner[TABLES[other].id_column].astype("str")
            if other == "findings"
            else ("belongs to " + rows["inspection"])
        )
        labels = context.label_on(partner["place"], rows[TABLES[name].event_date])
        words = np.asarray(found, dtype=object) + ", whose serial fits the mirror zone" if len(rows) else ""
        parts.append(context.cases(name, rows, "zone", words, suggestion=labels, confidence=LIKELY))
    return together(*parts)


def _late_labels(context: TrapContext, name: str) -> pd.DataFrame:
    """Return rows that name a former label after its last day."""
    rows = context.rows(name)
    zone = context.zones.reindex(rows["zone"]).set_axis(rows.index)
    late = (rows["zone_as_written"] == zone["former_label"]) & (rows["zone_as_written"] != rows["zone"])
    late &= rows[TABLES[name].event_date] > zone["former_label_until"]
    rows, zone = rows[late], zone[late]
    found = "a label in use until " + zone["former_label_until"].dt.strftime("%Y-%m-%d").astype("str")
    return context.cases(name, rows, "zone", found, suggestion=rows["zone"], confidence=SURE)


def find_serials(context: TrapContext) -> pd.DataFrame:
    """Return removable panels looked at without a serial, or with that of another panel (T9).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`. The history belongs to the panel that the fittings name.
    """
    parts = []
    removable = context.zones.index[context.zones["removable"].astype(bool)]
    for name in ("findings", "inspections"):
        rows = context.rows(name)
        blank = rows[(rows["panel_as_written"] == "") & rows["zone"].isin(removable)]
        found = "no serial; the fittings say " + blank["panel"].replace("", "nothing")
        parts.append(context.cases(name, blank, "panel", found, confidence=SURE))
        rows = _serial_elsewhere(context, name)
        rows = rows[~rows["is_mirror"] & (rows["panel"] != "")]
        found = "the fittings say " + rows["panel"]
        parts.append(context.cases(name, rows, "panel", found, confidence=LIKELY))
    return together(*parts)


def find_in_store(context: TrapContext) -> pd.DataFrame:
    """Return panels that were nowhere between two fittings (T19).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, at the fitting that ended the stay.
    """
    rows = context.fleet.tables["panels"].sort_values(["panel", "fitted_on"], kind="stable")
    before = rows.groupby("panel", sort=False)["removed_on"].shift()
    days = (rows["fitted_on"] - before).dt.days
    stored = (days > DAYS_IN_STORE).to_numpy()
    rows, days = rows[stored], days[stored]
    found = [f"off the aircraft for {n:.0f} days: the calendar ran, hours and cycles did not" for n in days]
    return context.cases("panels", rows, "fitted_on", found, confidence=SURE)
