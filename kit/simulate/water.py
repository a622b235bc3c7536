"""When is there water in the core, and which looks by methods that can see it find it.

Water comes before the disbond that it causes. A tap does not tell it: a wet core with a sound bond rings.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from kit.simulate.fleet import day_number, stream
from kit.simulate.loop import Run
from kit.simulate.panel import NEVER, Panel, Stay
from kit.simulate.scenario_parts import SEALED, WaterTask

WATER_COLUMNS = (
    "panel_key",
    "spell",
    "aircraft",
    "zone",
    "group",
    "wet_on",
    "initial_size",
    "growth_rate",
    "found_on",
    "ended_on",
    "ended_by",
)
"""Columns of a row of a spell of water."""


@dataclass
class Spell:
    """Water in one core, from its entry to its removal; days are day numbers, sizes in mm."""

    panel: Panel
    number: int
    stay: Stay
    wet_from: int
    initial: float
    rate: float
    found: int = NEVER
    dried: int = NEVER
    ended: int = NEVER
    ended_by: str = ""
    first_size: float = math.nan

    def size_on(self, day: int) -> float:
        """Return the true equivalent diameter of the wet core on a day [mm]."""
        most = 0.7 * min(self.panel.family.length, self.panel.family.height)
        return min(self.initial + self.rate * (day - self.wet_from) / 365.25, most)

    @property
    def name(self) -> str:
        """Name of the spell in the rows of the truth."""
        return f"{self.panel.key}~{self.number}"


def look_for_water(run: Run) -> list[dict[str, Any]]:
    """Simulate the looks for water over a run, adding its looks and finds to the rows of the run.

    Parameters
    ----------
    run : Run
        A run whose zones have all been simulated.

    Returns
    -------
    list of dict
        A row for each spell of water: panel_key, spell, aircraft and zone where it began, group, wet_on,
        initial_size [mm], growth_rate [mm per year], found_on and ended_on [day numbers], ended_by (repaired, replaced; blank: not yet).

    Notes
    -----
    What is done about water changes nothing about the bond: drained and sealed, it opens at the age that it
    would have opened at. So the damage of a fleet is the same whether or not water is looked for.
    """
    rows = []
    stays = sorted(run.stays, key=lambda stay: (stay.panel.number, stay.state, stay.since))
    for (_, _), of_state in groupby(stays, key=lambda stay: (stay.panel.number, stay.state)):
        rows += [_row(spell) for spell in _spells(run, list(of_state))]
    return rows


def _spells(run: Run, stays: list[Stay]) -> Iterator[Spell]:
    """Simulate the looks of a panel between two new beginnings; yield each spell of water."""
    panel, spell, number = stays[0].panel, None, 0
    wet_from, task = NEVER, run.scenario.water_task(panel.family.group)
    for stay in stays:
        if wet_from == NEVER and stay.wet_from < stay.until:
            wet_from = stay.wet_from
        for index, day in _days(run, stay, task):
            if spell is None and wet_from < day:
                spell = _begin(run, stay, wet_from, number)
                number += 1
            if spell is not None and _look(run, stay, task, index, day, spell):
                spell.ended, spell.ended_by = spell.dried, "repaired"
                yield spell
                rng = stream(run.seed, spell.name, "again")
                years = rng.uniform(run.scenario.ingress.again_from, run.scenario.ingress.again_to)
                spell, wet_from = None, spell.dried + int(365.25 * years)
            elif spell is None:
                _look(run, stay, task, index, day, None)
        if spell is None and wet_from < stay.until:
            spell = _begin(run, stay, wet_from, number)
            number += 1
    if spell is not None:
        if stays[-1].ended_by:
            spell.ended, spell.ended_by = stays[-1].until, stays[-1].ended_by
        yield spell


def _days(run: Run, stay: Stay, task: WaterTask | None) -> Iterator[tuple[int, int]]:
    """Return number and day of the base checks of a stay at which water is looked for."""
    if task is None:
        return
    start = day_number(task.valid_from)
    for index, day in enumerate(stay.tail.base_checks.tolist()):
        due = index % task.every == task.every - 1 and start <= day <= run.last - 5
        if due and stay.since < day < stay.until - 5:
            yield index, day


def _begin(run: Run, stay: Stay, wet_from: int, number: int) -> Spell:
    """Return a spell of water that begins on a day."""
    ingress = run.scenario.ingress
    name = f"{stay.panel.key}~{100 * stay.state + number}"
    one, two = stream(run.seed, name, "wet").normal(size=2)
    return Spell(
        panel=stay.panel,
        number=100 * stay.state + number,
        stay=stay,
        wet_from=wet_from,
        initial=ingress.size_median * math.exp(ingress.size_log_sd * one),
        rate=ingress.growth_median * math.exp(ingress.growth_log_sd * two),
    )


def _look(run: Run, stay: Stay, task: WaterTask, index: int, day: int, spell: Spell | None) -> bool:
    """Simulate one look; return whether the water was found and taken out."""
    s, tail, family = run.scenario, stay.tail, stay.panel.family
    rng = stream(run.seed, tail.name, stay.zone.label, "water", index)
    detect, luck = rng.random(2)
    error, due = rng.normal(), rng.random()
    inspector = int(luck * s.n_inspectors)
    pod = s.pod(task.method, family.skin_class)
    found = False
    if spell is not None:
        true = spell.size_on(day)
        chance = pod.plateau / (1 + math.exp(-(math.log(true) - math.log(pod.a50)) / pod.spread))
        found = spell.found < NEVER or detect < chance  # known water is always found again
    run.rows["looks"].append(
        {
            "kind": "water", "aircraft": tail.name, "zone": stay.zone.label, "panel_key": stay.panel.key, "day": day,
            "method": task.method, "station": int(tail.base_stations[index]), "inspector": inspector,
            "outcome": "found" if found else "clean",
        }
    )  # fmt: skip
    if not found:
        return False
    measured = min(true * math.exp(s.measure_log_sd * error), 0.75 * min(family.length, family.height))
    if spell.found == NEVER:
        spell.found, spell.first_size = day, true
    limit = run.limit(family, day)
    recorded = day >= tail.records_from
    stays = measured <= limit and recorded
    if not stays:
        spell.dried = day + 1 + int(3 * due)
    run.rows["finds"].append(
        {
            "look": len(run.rows["looks"]) - 1, "kind": "water", "aircraft": tail.name, "zone": stay.zone.label,
            "group": family.group, "panel_key": stay.panel.key, "damage": spell.name, "mode": "W", "side": "",
            "day": day, "method": task.method, "station": int(tail.base_stations[index]), "first_size": spell.first_size,
            "true_size": true, "measured_size": measured, "limit": limit, "disposition": "monitor" if stays else "permanent_repair",
            "repair": "" if stays else SEALED.name, "repaired_on": day if stays else spell.dried, "number": 0,
        }
    )  # fmt: skip
    return not stays


def _row(spell: Spell) -> dict[str, Any]:
    """Return a spell as a row of the truth."""
    return {
        "panel_key": spell.panel.key,
        "spell": spell.name,
        "aircraft": spell.stay.tail.name,
        "zone": spell.stay.zone.label,
        "group": spell.panel.family.group,
        "wet_on": spell.wet_from,
        "initial_size": spell.initial,
        "growth_rate": spell.rate,
        "found_on": spell.found,
        "ended_on": spell.ended,
        "ended_by": spell.ended_by,
    }
