"""What really happened to every panel: onsets, looks, finds and repairs under a tap programme.

Each panel has its own random streams, and each look at a position has its own numbers, so
that another tap programme meets the same damage (common random numbers).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kit.findings import methods_seeing
from kit.simulate.demo_scenario import default_scenario
from kit.simulate.fleet import Tail, day_number
from kit.simulate.loop import Run
from kit.simulate.panel import NEVER
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import TapRule
from kit.simulate.water import WATER_COLUMNS, look_for_water


@dataclass(frozen=True)
class Truth:
    """What really happened, which no analysis may read.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    seed : int
        Seed.
    programme : tuple of TapRule
        Base checks that carried the tap task.
    fleet : tuple of Tail
        The aircraft.
    onsets : DataFrame
        A row for each damage: `damage`, `panel`, `aircraft`, `zone`, `group`, `mode`, `onset_on`,
        `virtual_age`, `age_clock`, `initial_size` [mm], `growth_rate`, `growth_unit`, `is_arrested`,
        `jump_on`, `side`, `crossed_on`, `found_on`, `is_exceedance`, `is_born_beyond`,
        `exposure_flight_hours`, `is_before_records`, `could_see` (methods that can see such damage on that
        side).
    panels : DataFrame
        A row for each panel: `panel`, `group`, `build_lot`, `frailty`, `origin`, true age when
        first fitted, `first_fitted_on`, `removed_for_good_on`.
    fittings : DataFrame
        A row for each stay of a panel at a position.
    looks : DataFrame
        A row for each look by tapping and for water, and for each other look that found something.
    finds : DataFrame
        A row for each measured find, re-maps and false calls included.
    absences : DataFrame
        A row for each zone that a closed card did not look at, and why.
    water : DataFrame
        A row for each spell of water in a core: `panel`, `spell`, `aircraft`, `zone`, `group`, `wet_on`,
        `initial_size` [mm], `growth_rate` [mm per year], `found_on`, `ended_on`, `ended_by`, `could_see`.
    """

    scenario: Scenario
    seed: int
    programme: tuple[TapRule, ...]
    fleet: tuple[Tail, ...]
    onsets: pd.DataFrame
    panels: pd.DataFrame
    fittings: pd.DataFrame
    looks: pd.DataFrame
    finds: pd.DataFrame
    absences: pd.DataFrame
    water: pd.DataFrame

    def flight_hours(self) -> float:
        """Return the hours flown by the fleet within its records [flight hours]."""
        last = day_number(self.scenario.cut_off)
        first = day_number(self.scenario.window_from)
        return float(sum(t.hours[last + 1] - t.hours[max(t.records_from, first)] for t in self.fleet))

    def __repr__(self) -> str:
        """Return one line that says how much is in it."""
        return (
            f"Truth(seed={self.seed}, {len(self.fleet)} aircraft, {len(self.onsets)} onsets, "
            f"{len(self.looks)} looks, {len(self.finds)} finds)"
        )


def methods_for(scenario: Scenario, kind: str, *, far: bool = False) -> list[str]:
    """Return the methods of a scenario that could have seen damage.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    kind : str
        Kind of damage.
    far : bool
        Whether it is at the far bond.

    Returns
    -------
    list of str
        Methods that see the kind, with a chance above 0 on that side. Looks for water are timed and read for
        water: they are none of those that could have seen another kind.
    """
    chance = {p.method: p.far_plateau if far else p.plateau for p in scenario.pods}
    of_water = {task.method for task in scenario.water_tasks} if kind != "moisture" else set()
    return [
        method for method in methods_seeing(kind) if method not in of_water and chance.get(method, 0.0) > 0
    ]


def _onset_rows(run: Run) -> list[dict[str, Any]]:
    s, out = run.scenario, []
    hours = {t.name: t.hours for t in run.fleet}
    records = {t.name: t.records_from for t in run.fleet}
    for panel, damage, name, label in run.damages:
        stop = min(damage.found, panel.gone, run.last + 1)
        sizes = damage.sizes(max(stop, damage.onset + 1), s)
        days = np.arange(damage.onset, damage.onset + sizes.size)
        limits = np.where(days < run.revision, run.limit(panel.family, 0), panel.family.limit)
        over = np.flatnonzero(sizes > limits)
        crossed = int(days[over[0]]) if over.size else NEVER
        exposure = 0.0
        if over.size:
            ends = [d for _, d in damage.segments[1:]] + [stop]
            for (tail, start), end in zip(damage.segments, ends, strict=True):
                first, last = max(start, crossed), min(end, stop)
                if last > first:
                    exposure += float(hours[tail.name][last] - hours[tail.name][first])
        out.append(
            {
                "damage": f"{panel.key}#{damage.number}",
                "panel_key": panel.key,
                "aircraft": name,
                "zone": label,
                "group": panel.family.group,
                "mode": damage.mode.name,
                "onset_on": damage.onset,
                "virtual_age": damage.virtual_age,
                "age_clock": {
                    "M": "reference_climate_days",
                    "G": "severity_flight_cycles",
                    "I": "flight_cycles",
                }[damage.mode.name],
                "initial_size": damage.initial,
                "growth_rate": damage.rate,
                "growth_unit": "mm per year"
                if damage.mode.growth_clock == "calendar_days"
                else "mm per 1000 flight cycles",
                "is_arrested": damage.is_arrested,
                "jump_on": damage.jump_day,
                "side": "far" if damage.far else "near",
                "crossed_on": crossed,
                "found_on": damage.found,
                "is_exceedance": bool(over.size),
                "is_born_beyond": bool(over.size and over[0] == 0),
                "exposure_flight_hours": exposure,
                "is_before_records": damage.onset < records[name],
                "could_see": ";".join(methods_for(s, damage.mode.kind, far=damage.far)),
            }
        )
    return out


def _dated(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    for column in columns:
        days = frame[column].to_numpy(dtype=np.int64) if len(frame) else np.array([], dtype=np.int64)
        stamps = np.datetime64("2006-01-01", "D") + np.where(days >= NEVER, 0, days).astype("timedelta64[D]")
        frame[column] = pd.Series(stamps.astype("datetime64[s]"), index=frame.index).mask(days >= NEVER)
    return frame


def simulate_truth(
    scenario: Scenario | None = None, *, seed: int = 20260630, programme: Sequence[TapRule] | None = None
) -> Truth:
    """Return what really happened to the panels of a scenario.

    A panel holds one damage at a time. Each of its modes has its own clock and its own unit
    exponential number; the earliest strikes. The numbers of a panel's n-th damage, and those of
    a look at a position, hang on the seed and their names alone. So another tap programme meets
    the same damage: identical until a position's first find that differs; after it, the same
    numbers at the ages that the other repair left.

    Parameters
    ----------
    scenario : Scenario, optional
        The scenario; `default_scenario` if left out.
    seed : int
        Seed of every stream.
    programme : sequence of TapRule, optional
        Base checks that carry the tap task; the scenario's own if left out.

    Returns
    -------
    Truth
        Onsets, panels, fittings, looks, finds and absences; sizes are equivalent diameters [mm].

    Raises
    ------
    ValueError
        If a rule of `programme` names no zone group, or taps less than every check.

    Notes
    -----
    Given frailty z, mode M has the cumulative hazard z (a / scale)^shape, where a is the age in
    days of the reference climate (a calendar day at a base counts 1 / factor); G the same on
    cycles times the severity of the subtype; I is (a / scale), with a in cycles and no frailty.
    A repair with restoration factor q turns the ages a into q a.

    Examples
    --------
    >>> from kit.simulate import default_scenario
    >>> truth = simulate_truth(default_scenario(n_aircraft=2), seed=1)
    >>> len(truth.fleet)
    2
    """
    scenario = default_scenario() if scenario is None else scenario
    rules = scenario.programme if programme is None else tuple(programme)
    groups = {f.group for f in scenario.families} | {"*"}
    for number, rule in enumerate(rules):
        if rule.group not in groups:
            raise ValueError(
                f"`programme` rule {number} must name a zone group of the scenario or '*'. Got {rule.group!r} instead. "
                f"Use one of {', '.join(sorted(groups))}."
            )
        if rule.every < 1:
            raise ValueError(
                f"`programme` rule {number} must have `every` at least 1. Got {rule.every!r} instead. "
                "Give 1 for every base check, 2 for every second one."
            )
    run = Run(scenario, seed, rules)
    for family in scenario.families:
        for zone in family.zones:
            run.run_zone(family, zone)
    return _truth(run, look_for_water(run))


def _truth(run: Run, water: list[dict[str, Any]]) -> Truth:
    first = {}
    for row in run.rows["fittings"]:
        first.setdefault(row["panel_key"], row["fitted_on"])
    order = sorted(run.panels, key=lambda p: (p.family.prefix, first[p.key], p.key))
    counters: dict[str, int] = {}
    serial = {}
    for p in order:
        counters[p.family.prefix] = counters.get(p.family.prefix, 1000) + 1
        serial[p.key] = f"{p.family.prefix}{counters[p.family.prefix]}"
    panels = pd.DataFrame(
        [
            {
                "panel": serial[p.key],
                "panel_key": p.key,
                "group": p.family.group,
                "build_lot": p.lot,
                "frailty": p.frailty,
                "origin": p.origin,
                "has_papers": p.has_papers if p.origin == "pool" else True,
                "prior_flight_hours": p.prior[0],
                "prior_flight_cycles": p.prior[1],
                "prior_days": p.prior[2],
                "first_fitted_on": first[p.key],
                "removed_for_good_on": p.gone,
            }
            for p in order
        ]
    )
    frames = {name: pd.DataFrame(rows) for name, rows in run.rows.items() if name != "onsets"}
    onsets = pd.DataFrame(_onset_rows(run))
    wet = pd.DataFrame(water, columns=list(WATER_COLUMNS))
    wet = wet.assign(could_see=";".join(methods_for(run.scenario, "moisture")))
    wet = wet.sort_values(["wet_on", "spell"], kind="stable").reset_index(drop=True)
    for frame in (onsets, wet, *frames.values()):
        if "panel_key" in frame:
            frame.insert(0, "panel", frame["panel_key"].map(serial))
    if len(onsets):
        onsets = onsets.sort_values(["onset_on", "damage"], kind="stable").reset_index(drop=True)
    return Truth(
        scenario=run.scenario,
        seed=run.seed,
        programme=run.programme,
        fleet=run.fleet,
        onsets=_dated(onsets, ("onset_on", "jump_on", "crossed_on", "found_on")),
        panels=_dated(panels, ("first_fitted_on", "removed_for_good_on")),
        fittings=_dated(frames["fittings"], ("fitted_on", "removed_on")),
        looks=_dated(frames["looks"], ("day",)),
        finds=_dated(frames["finds"], ("day", "repaired_on")),
        absences=_dated(frames["absences"], ("day",)),
        water=_dated(wet, ("wet_on", "found_on", "ended_on")),
    )
