"""Which panel was looked at when, how, and was damage found."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.findings.dates import day_numbers
from kit.findings.fittings import SPAN, Fittings
from kit.findings.frames import names_in, one_name_a_row
from kit.findings.methods import METHODS, TAP_METHODS, is_damage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kit.findings.fleet import Fleet

LOOK_COLUMNS = (
    "look",
    "panel",
    "aircraft",
    "zone",
    "looked_on",
    "method",
    "basis",
    "card",
    "found",
    "coverage",
)
"""Columns of a table of looks."""

BASES = ("recorded", "implied")
"""Where a look is from: an inspection of its own, or a closed card."""


def build_looks(
    fleet: Fleet, *, methods: Sequence[str] = TAP_METHODS, basis: Sequence[str] = BASES
) -> pd.DataFrame:
    """Return the looks at panels, the clean ones that nobody wrote down included.

    A closed card says that the zones of its task were looked at; those not done, those with
    an inspection of their own and those where no panel was fitted are left out, and the rest
    are implied clean looks.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    methods : sequence of str
        Methods whose looks count.
    basis : sequence of str
        recorded, implied or both.

    Returns
    -------
    DataFrame
        Columns look (id of the inspection, or card|zone), panel, aircraft, zone, looked_on,
        method, basis, card, found (damage hangs on it) and coverage (full, or the part looked
        at as WKT in mm), in the order of panel and day. Looks at one panel on one day by one
        method are one row; it is found if any of them is, and recorded if any is.

    Raises
    ------
    ValueError
        If a method or a basis is unknown.

    Notes
    -----
    A look with the outcome found on which only findings hang that are no damage counts as
    clean. A look with the outcome found on which no accepted finding hangs is left out: its
    finding was rejected or is not known, and the look is neither clean nor found. For the same
    reason no clean look is implied for a card and zone with a rejected inspection, for a whole
    card where the zone of such an inspection is not known, and where a rejected or an
    opportunity finding names the place on the day of the card.
    """
    for given, allowed, name in ((methods, METHODS, "methods"), (basis, BASES, "basis")):
        unknown = [one for one in given if one not in allowed]
        if isinstance(given, str) or unknown:
            raise ValueError(
                f"`{name}` must be a list of {', '.join(allowed)}. Got {given!r}; correct the names."
            )
    parts = []
    if "recorded" in basis:
        parts.append(_recorded(fleet, methods))
    if "implied" in basis:
        parts.append(_implied(fleet, methods))
    looks = pd.concat(parts, ignore_index=True) if parts else _recorded(fleet, ())
    return _merged(looks)[list(LOOK_COLUMNS)]


def looks_read_for(fleet: Fleet, looks: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Return the looks of which a clean result says something about a kind of damage.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    looks : DataFrame
        As `build_looks` gives them.
    kind : str
        Kind of damage; blank: all looks.

    Returns
    -------
    DataFrame
        Without the clean looks of tasks whose `looks_for` names other kinds only: a panel that was looked at for water
        while it was still cold was not heated and read for a disbond, though thermography sees both.
    """
    named = fleet.tables["tasks"].set_index("task")["looks_for"]
    named = named[named != ""]
    if not kind or not len(named):
        return looks
    others = [task for task, text in named.items() if kind not in names_in(text)]
    cards = fleet.tables["cards"].loc[fleet.tables["cards"]["task"].isin(others), "card"]
    return looks[looks["found"] | ~looks["card"].isin(cards)]


def _recorded(fleet: Fleet, methods: Sequence[str]) -> pd.DataFrame:
    """Return the inspections as looks."""
    rows = fleet.tables["inspections"]
    findings = fleet.tables["findings"]
    damaged = findings.loc[is_damage(findings), "inspection"]
    found = rows["inspection"].isin(damaged)
    open_end = (rows["outcome"] == "found") & ~rows["inspection"].isin(findings["inspection"])
    looks = pd.DataFrame(
        {
            "look": rows["inspection"],
            "panel": rows["panel"],
            "aircraft": rows["aircraft"],
            "zone": rows["zone"],
            "looked_on": rows["inspected_on"],
            "method": rows["method"],
            "basis": pd.Series("recorded", index=rows.index, dtype="str"),
            "card": rows["card"],
            "found": found,
            "coverage": rows["coverage"].mask(
                (rows["coverage"] == "") | (rows["coverage"].str.lower() == "full"), "full"
            ),
        }
    )
    return looks[rows["method"].isin(methods) & ~open_end]


def _implied(fleet: Fleet, methods: Sequence[str]) -> pd.DataFrame:
    """Return the clean looks that closed cards imply."""
    tables = fleet.tables
    tasks = tables["tasks"].set_index("task")
    cards = tables["cards"]
    method = cards["method"].where(
        cards["method"] != "", tasks["method"].reindex(cards["task"]).set_axis(cards.index)
    )
    kept = method.isin(methods)
    cards, method = cards[kept].reset_index(drop=True), method[kept].to_numpy(dtype=object)
    places = _Places(fleet, cards)
    of_task = fleet.task_zones.groupby("task")["zone"]
    zone_codes = [places.zone.get_indexer(pd.Index(of_task.get_group(task))) for task in tasks.index]
    counts = np.array([len(codes) for codes in zone_codes], dtype=np.int64)
    starts = np.cumsum(counts) - counts
    task = tasks.index.get_indexer(pd.Index(cards["task"]))
    n_zones = counts[task] if len(cards) else np.empty(0, dtype=np.int64)
    card = np.repeat(np.arange(len(cards)), n_zones)
    within = np.arange(len(card)) - np.repeat(np.cumsum(n_zones) - n_zones, n_zones)
    flat = np.concatenate(zone_codes) if zone_codes else np.empty(0, dtype=np.int64)
    zone = flat[starts[task][card] + within] if len(card) else np.empty(0, dtype=np.int64)
    keep = ~np.isin(card * len(places.zone) + zone, places.not_implied())
    keep &= ~np.isin(card, places.cards_in_doubt())
    aircraft = pd.Index(tables["aircraft"]["aircraft"])
    plane = aircraft.get_indexer(pd.Index(cards["aircraft"]))
    days = day_numbers(cards["closed_on"])
    here = (plane[card] * len(places.zone) + zone) * SPAN + days[card]
    keep &= ~np.isin(here, places.findings_alone(aircraft))
    card, zone = card[keep], zone[keep]
    fittings = Fittings(tables["panels"])
    plane_name = cards["aircraft"].array.take(card)
    zone_name = places.zone.array.take(zone)
    fitted = fittings.at(plane_name, zone_name, cards["closed_on"].to_numpy()[card])
    there = fitted >= 0
    card, fitted = card[there], fitted[there]
    card_name, zone_name = cards["card"].array.take(card), zone_name[there]
    looks = pd.DataFrame(
        {
            "panel": fittings.panels["panel"].array.take(fitted),
            "aircraft": plane_name[there],
            "zone": zone_name,
            "looked_on": cards["closed_on"].array.take(card),
            "method": pd.array(method[card], dtype="str"),
            "card": card_name,
        }
    )
    looks["look"] = looks["card"] + "|" + looks["zone"]
    looks["basis"] = pd.Series("implied", index=looks.index, dtype="str")
    looks["found"] = False
    looks["coverage"] = pd.Series("full", index=looks.index, dtype="str")
    return looks


class _Places:
    """Cards and zones as numbers, and those for which a clean look may not be implied."""

    def __init__(self, fleet: Fleet, cards: pd.DataFrame) -> None:
        self._fleet, self._cards = fleet, cards
        self.zone = pd.Index(fleet.tables["zones"]["zone"])
        self._card = pd.Index(cards["card"])
        self._lost = fleet.unusable.get("inspections", fleet.tables["inspections"].iloc[:0])

    def _pairs(self, card: pd.Series, zone: pd.Series) -> np.ndarray:
        """Return card and zone as one number, -1 where one of them is not known."""
        first, second = self._card.get_indexer(pd.Index(card)), self.zone.get_indexer(pd.Index(zone))
        return np.where((first < 0) | (second < 0), -1, first * len(self.zone) + second)

    def not_implied(self) -> np.ndarray:
        """Return the pairs not done and those with an inspection of their own."""
        skipped = self._cards.loc[self._cards["zones_not_done"] != "", ["card", "zones_not_done"]]
        skipped = one_name_a_row(skipped, "zones_not_done", "zone")
        own = self._fleet.tables["inspections"]
        frames = (skipped, own[own["card"] != ""], self._lost)
        return np.concatenate([self._pairs(frame["card"], frame["zone"]) for frame in frames])

    def cards_in_doubt(self) -> np.ndarray:
        """Return the cards with a rejected inspection of which the zone is not known."""
        unknown = self._lost[~self._lost["zone"].isin(self.zone)]
        return self._card.get_indexer(pd.Index(unknown["card"]))

    def findings_alone(self, aircraft: pd.Index) -> np.ndarray:
        """Return aircraft, zone and day of findings that hang on no accepted look."""
        found = self._fleet.tables["findings"]
        looks = self._fleet.tables["inspections"]["inspection"]
        alone = found[~found["inspection"].isin(looks) & is_damage(found)]
        lost = self._fleet.unusable.get("findings", found.iloc[:0])
        frame = pd.concat([part[["aircraft", "zone", "found_on"]] for part in (alone, lost)])
        first, second = (
            aircraft.get_indexer(pd.Index(frame["aircraft"])),
            self.zone.get_indexer(pd.Index(frame["zone"])),
        )
        known = (first >= 0) & (second >= 0) & frame["found_on"].notna().to_numpy()
        days = day_numbers(frame["found_on"])
        return (first * len(self.zone) + second)[known] * SPAN + days[known]


def _merged(looks: pd.DataFrame) -> pd.DataFrame:
    """Return looks with those of one panel, day and method made one, in a fixed order."""
    keys = ["panel", "looked_on", "method"]
    looks = looks.assign(_rank=(looks["basis"] != "recorded").astype("int8"))
    looks = looks.sort_values([*keys, "_rank", "look"], kind="stable").reset_index(drop=True)
    later = looks.duplicated(keys)
    if not later.any():
        return looks
    group = (~later).cumsum().to_numpy() - 1
    found = np.zeros(group[-1] + 1, dtype=bool)
    np.logical_or.at(found, group, looks["found"].to_numpy(dtype=bool))
    full = np.zeros(len(found), dtype=bool)
    np.logical_or.at(full, group, (looks["coverage"] == "full").to_numpy(dtype=bool))
    card = looks["card"].where(looks["card"] != "").groupby(group).first().fillna("").to_numpy(dtype=object)
    first = looks[~later].reset_index(drop=True)
    first["found"] = found
    first["coverage"] = first["coverage"].mask(full, "full")
    first["card"] = pd.Series(card, dtype="str")
    return first
