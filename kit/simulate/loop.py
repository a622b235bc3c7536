"""How the life of the panels is simulated: looks in date order, finds, repairs and exchanges, zone by zone."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from kit.simulate.fleet import Tail, day_number, stream
from kit.simulate.panel import NEVER, Damage, Panel
from kit.simulate.panel_run import PanelRun
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import Family, Zone

_ORDER = {"base": 0, "cowl": 1, "a_check": 2, "campaign": 3, "walk": 4, "remap": 5, "swap": 6}


@dataclass(frozen=True, kw_only=True)
class Look:
    """One look at a panel, with the luck that goes with it.

    Parameters
    ----------
    panel : Panel
        The panel looked at.
    day : int
        Day number.
    kind : str
        What brought the inspector: a key of the order of events.
    method : str
        Inspection method.
    station, inspector : int
        Index of the hangar, -1 on the line; index of the inspector.
    error : float
        Standard normal error of a size measured here.
    due : float
        Number from 0 to 1 that sets when the next step falls due.
    """

    panel: Panel
    day: int
    kind: str
    method: str
    station: int
    inspector: int
    error: float = 0.0
    due: float = 0.0


def ultrasonic_size(scenario: Scenario, seed: int, damage: str, true: float) -> float:
    """Return the size that ultrasonics read of a damage on an item with a limitation, found by tapping.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    seed : int
        Seed of the whole simulation.
    damage : str
        Name of the damage.
    true : float
        Its true size [mm].

    Returns
    -------
    float
        Equivalent diameter [mm]; the disposition goes by it.
    """
    return true * math.exp(scenario.ultrasonic_log_sd * stream(seed, damage, "ultrasonic").normal())


class Run(PanelRun):
    """One run of the event loop, zone by zone."""

    def rule(self, group: str, day: int) -> int:
        """Return at every how many base checks a group is tapped on a day."""
        best, every = (-1, False), 1
        for r in self.programme:
            start = day_number(r.valid_from)
            if r.group in (group, "*") and start <= day and (start, r.group != "*") > best:
                best, every = (start, r.group != "*"), r.every
        return every

    def chance(self, look: Look, damage: Damage, *, noisy: bool) -> float:
        """Return the chance that a look detects a damage."""
        log_a50, pod = self.pods[look.method, look.panel.family.skin_class]
        log_a50 += self.inspector_effect[look.inspector]
        log_a50 += math.log(self.scenario.noise_factor) if noisy else 0.0
        plateau = pod.far_plateau if damage.far else pod.plateau
        size = damage.size_on(look.day, self.scenario)
        return pod.look_chance * plateau / (1 + math.exp(-(math.log(size) - log_a50) / pod.spread))

    def run_zone(self, family: Family, zone: Zone) -> None:
        """Simulate one zone of all aircraft from the first entry to the cut-off."""
        s = self.scenario
        at: dict[str, Panel] = {}
        ordinals = dict.fromkeys((t.name for t in self.fleet), 0)
        events: list[tuple[int, int, str, str, int]] = []
        tails = {t.name: t for t in self.fleet}
        numbers: dict[tuple[str, str], dict[str, np.ndarray]] = {}
        cowl_from = day_number(s.a_check_tap_from)
        for t in self.fleet:
            panel = self.new_panel(family, t, zone, 0, "new")
            self.fit(panel, t, zone, t.entry, "new")
            at[t.name] = panel
            last_tap = -1
            for i, d in enumerate(t.base_checks.tolist()):
                if i - last_tap >= self.rule(family.group, d):
                    last_tap = i
                    events.append((d, _ORDER["base"], "base", t.name, i))
            small = np.sort(np.concatenate([t.a_checks, t.base_checks]))
            events += [(d, _ORDER["a_check"], "a_check", t.name, i) for i, d in enumerate(small.tolist())]
            if family.group == s.a_check_tap_group:
                events += [
                    (d, _ORDER["cowl"], "cowl", t.name, i)
                    for i, d in enumerate(t.a_checks.tolist())
                    if d >= cowl_from and (i + 1) % s.a_check_tap_every == 0
                ]
            if family.group == s.campaign_group:
                events.append((t.campaign_day, _ORDER["campaign"], "campaign", t.name, 0))
            events += [(d, _ORDER["walk"], "walk", t.name, i) for i, d in enumerate(t.opportunities.tolist())]
            for kind, n in (
                ("base", t.base_checks.size),
                ("a_check", small.size),
                ("walk", t.opportunities.size),
            ):
                numbers[t.name, kind] = self.look_numbers(t, zone, kind, n)
            for kind, n in (("cowl", t.a_checks.size), ("campaign", 1)):
                numbers[t.name, kind] = self.look_numbers(t, zone, kind, n)
        if family.removable and len(self.fleet) > 1:
            events += self.swaps(zone)
        heapq.heapify(events)
        while events:
            day, _, kind, name, index = heapq.heappop(events)
            if day > self.last - 5:  # a repair takes up to four days and must end before the cut-off
                continue
            if kind == "remap":
                panel = self.panels[int(name)]
                damage = panel.damage
                if damage is None or damage.number != index or not damage.is_monitored or day < damage.found:
                    continue
                if day <= panel.since + 1:
                    heapq.heappush(events, (panel.since + 3, _ORDER["remap"], kind, name, index))
                    continue
                if damage.remaps is None:
                    damage.remaps = stream(self.seed, panel.key, damage.number, "re-map")
                place, inspector, next_due = damage.remaps.random(3)
                station = int(place * len(s.stations))
                self.find(
                    events, at, ordinals,
                    Look(
                        panel=panel, day=day, kind=kind, method=self.method(station, day), station=station,
                        inspector=int(inspector * s.n_inspectors), error=damage.remaps.normal(), due=next_due,
                    ),
                )  # fmt: skip
                continue
            tail = tails[name]
            panel = at[name]
            if kind == "swap":
                other = at[self.fleet[index].name]
                if max(panel.since, other.since) >= day:
                    continue
                self.swap(at, panel, other, day)
                continue
            if panel.damage is None and panel.next_onset < day:
                self.begin_damage(panel)
            damage = panel.damage
            if kind in ("a_check", "walk"):
                if damage is None or damage.is_monitored or damage.far or panel.since > day:
                    continue
                look = self.look_of(panel, day, kind, numbers[name, kind], index, -1)
                if numbers[name, kind]["detect"][index] < self.chance(look, damage, noisy=False):
                    self.find(events, at, ordinals, look)
                continue
            u = numbers[name, kind]
            station = int(tail.base_stations[index]) if kind == "base" else int(u["station"][index])
            look = self.look_of(panel, day, kind, u, index, station)
            if panel.since > day or u["access"][index] < s.no_access_chance:
                why = "panel being changed" if panel.since > day else "no access"
                self.rows["absences"].append(
                    {"kind": kind, "aircraft": name, "zone": zone.label, "day": day, "why": why}
                )
                continue
            noisy = kind != "base" and u["noise"][index] < s.noise_chance
            if damage is not None and (
                damage.is_monitored or u["detect"][index] < self.chance(look, damage, noisy=noisy)
            ):
                self.find(events, at, ordinals, look)
                continue
            rate = s.false_manual if look.method == "tap_manual" else s.false_instrumented
            if damage is None and u["false"][index] < rate:
                size = min(20.0 * math.exp(0.35 * u["error"][index]), 0.9 * self.limit(family, day))
                number = self.write_look(look, "found")
                self.rows["finds"].append(
                    self.find_row(look, None, number, sizes=(size, size), outcome=("not_confirmed", "", day))
                )
                continue
            self.write_look(look, "clean")
        for panel in at.values():
            if panel.damage is None and panel.next_onset <= self.last:
                self.begin_damage(panel)
            self.note_stay(panel, self.last + 1)

    def look_numbers(self, tail: Tail, zone: Zone, kind: str, n: int) -> dict[str, np.ndarray]:
        """Draw the random numbers of all looks of a kind at a position."""
        rng = stream(self.seed, tail.name, zone.label, kind)
        u = rng.random((6, n))
        stations = stream(self.seed, tail.name, kind, "station").random(
            n
        )  # one place for all zones of a card
        return {
            "detect": u[0],
            "false": u[1],
            "access": u[2],
            "noise": u[3],
            "due": u[4],
            "station": (stations * len(self.scenario.stations)).astype(int),
            "inspector": (u[5] * self.scenario.n_inspectors).astype(int),
            "error": rng.standard_normal(n),
        }

    def look_of(
        self, panel: Panel, day: int, kind: str, numbers: dict[str, np.ndarray], index: int, station: int
    ) -> Look:
        """Return the look that an event of the programme is."""
        method = "visual" if kind in ("a_check", "walk") else self.method(station, day)
        return Look(
            panel=panel, day=day, kind=kind, method=method, station=station,
            inspector=int(numbers["inspector"][index]), error=float(numbers["error"][index]),
            due=float(numbers["due"][index]),
        )  # fmt: skip

    def method(self, station: int, day: int) -> str:
        """Return how a hangar taps on a day."""
        return (
            "tap_instrumented"
            if day >= self.instrumented_from and station in self.instrumented
            else "tap_manual"
        )

    def swaps(self, zone: Zone) -> list[tuple[int, int, str, str, int]]:
        """Draw the exchanges of panels between aircraft: a base check and a partner that is quiet then."""
        found = []
        for t in self.fleet:
            u = stream(self.seed, t.name, zone.label, "swap").random((2, t.base_checks.size))
            for i, d in enumerate(t.base_checks.tolist()):
                day = d + 6
                if u[0, i] >= self.scenario.swap_chance or d < t.records_from or day > self.last - 30:
                    continue
                free = [
                    k
                    for k, other in enumerate(self.fleet)
                    if other is not t and other.records_from + 10 < day and self.is_quiet(other, day)
                ]
                if free:
                    found.append((day, _ORDER["swap"], "swap", t.name, free[int(u[1, i] * len(free))]))
        return found

    @staticmethod
    def is_quiet(tail: Tail, day: int) -> bool:
        """Say whether an aircraft has no look within eight days."""
        near = [
            np.abs(d - day).min() >= 8
            for d in (tail.base_checks, tail.a_checks, tail.opportunities)
            if d.size
        ]
        return all(near) and abs(tail.campaign_day - day) >= 8

    def swap(self, at: dict[str, Panel], one: Panel, two: Panel, day: int) -> None:
        """Exchange two panels."""
        for p in (one, two):
            if p.damage is None and p.next_onset < day:
                self.begin_damage(p)
            self.note_stay(p, day)
            p.age_m, p.age_g, p.age_i = self.clocks(p, day)
            self.remove(p, day)
        (tail_1, zone_1), (tail_2, zone_2) = (one.tail, one.zone), (two.tail, two.zone)
        for p, tail, zone in ((one, tail_2, zone_2), (two, tail_1, zone_1)):
            if p.damage is not None:
                p.damage.move(tail, day)
            self.fit(p, tail, zone, day, "repaired")
            at[tail.name] = p

    def write_look(self, look: Look, outcome: str) -> int:
        """Write a look down and return its number."""
        panel = look.panel
        self.rows["looks"].append(
            {
                "kind": look.kind, "aircraft": panel.tail.name, "zone": panel.zone.label, "panel_key": panel.key,
                "day": look.day, "method": look.method, "station": look.station, "inspector": look.inspector,
                "outcome": outcome,
            }
        )  # fmt: skip
        return len(self.rows["looks"]) - 1

    def find_row(
        self,
        look: Look,
        damage: Damage | None,
        number: int,
        *,
        sizes: tuple[float, float],
        outcome: tuple[str, str, int],
    ) -> dict[str, Any]:
        """Return one measured find as a row: true and measured size; disposition, repair and its day."""
        panel = look.panel
        disposition, repair, repaired = outcome
        return {
            "look": number,
            "kind": look.kind,
            "aircraft": panel.tail.name,
            "zone": panel.zone.label,
            "group": panel.family.group,
            "panel_key": panel.key,
            "damage": "" if damage is None else f"{panel.key}#{damage.number}",
            "mode": "" if damage is None else damage.mode.name,
            "side": "" if damage is None else ("far" if damage.far else "near"),
            "day": look.day,
            "method": look.method,
            "station": look.station,
            "first_size": sizes[0] if damage is None else damage.first_size,
            "true_size": sizes[0],
            "measured_size": sizes[1],
            "limit": self.limit(panel.family, look.day),
            "disposition": disposition,
            "repair": repair,
            "repaired_on": repaired,
            "number": 0 if damage is None else damage.n_measured,
        }

    def find(
        self,
        events: list[tuple[int, int, str, str, int]],
        at: dict[str, Panel],
        ordinals: dict[str, int],
        look: Look,
    ) -> None:
        """Measure a damage, dispose of it and push what follows."""
        s, panel, day, kind, due = self.scenario, look.panel, look.day, look.kind, look.due
        family, damage, tail, zone = panel.family, panel.damage, panel.tail, panel.zone
        recorded = day >= tail.records_from
        true = damage.size_on(day, s)
        widest = 0.75 * min(family.length, family.height)
        measured = min(true * math.exp(s.measure_log_mean + s.measure_log_sd * look.error), widest)
        first = damage.found == NEVER
        if first:
            damage.found = day
        damage.n_measured += 1
        confirmed = first and kind not in ("a_check", "walk") and family.structure_class == "critical"
        decisive = (
            ultrasonic_size(s, self.seed, f"{panel.key}#{damage.number}", true) if confirmed else measured
        )
        ratio = self.ratio_to_limit(panel, damage, min(decisive, widest), day)
        u_monitor, u_tape, u_pool, u_exchange = damage.draws
        number = self.write_look(look, "found")

        def row(disposition: str, repair: str, repaired: int) -> None:
            self.rows["finds"].append(
                self.find_row(
                    look,
                    damage,
                    number,
                    sizes=(true, measured),
                    outcome=(disposition, repair, repaired),
                )
            )

        key = str(panel.number)
        if (
            ratio <= 1
            and not damage.must_fix
            and recorded
            and (damage.is_monitored or u_monitor < s.monitor_chance)
        ):
            damage.is_monitored = True
            row("monitor", "", day)
            if kind == "remap" or first:
                step = int(365 * (0.85 + 0.3 * due))
                heapq.heappush(events, (day + step, _ORDER["remap"], "remap", key, damage.number))
            return
        if ratio > 1 and first and recorded and kind != "base" and u_tape < s.tape_chance:
            damage.is_monitored = damage.must_fix = True
            row("temporary_repair", "speed tape", day)
            hard_stop = int(np.searchsorted(tail.cycles, tail.cycles[day] + 120 + 160 * due))
            heapq.heappush(events, (max(hard_stop, day + 3), _ORDER["remap"], "remap", key, damage.number))
            return
        if damage.must_fix:
            ratio = max(ratio, 1.001)
        if ratio > 1 and family.removable and u_exchange < s.exchange_chance:
            ratio = math.inf
        method_used = next(r for r in s.repairs[1:] if ratio <= r.below_ratio)
        repaired = day + 1 + int(4 * due)
        if method_used.repair_class == "replacement":
            is_pool = family.removable and u_pool < s.panel_pool["share"]
            row("panel_replaced", "pool panel" if is_pool else "new panel", repaired)
            ordinals[tail.name] += 1
            self.note_stay(panel, repaired, "replaced")
            self.remove(panel, repaired)
            panel.gone, panel.damage = repaired, None
            panel.next_onset = NEVER
            fresh = self.new_panel(family, tail, zone, ordinals[tail.name], "pool" if is_pool else "new")
            self.fit(
                fresh,
                tail,
                zone,
                repaired,
                "new" if not is_pool else "repaired" if fresh.has_papers else "unknown",
            )
            at[tail.name] = fresh
            return
        beyond = measured > family.repairable and not family.removable
        row("engineering_disposition" if beyond else "permanent_repair", method_used.name, repaired)
        q = method_used.restoration_factor
        self.note_stay(panel, repaired, "repaired")
        ages = self.clocks(panel, repaired)
        panel.age_m, panel.age_g, panel.age_i = (q * a for a in ages)
        panel.is_potted = panel.is_potted or method_used.name == "potted fill"
        panel.since, panel.damage = repaired, None
        self.draw(panel)
        self.schedule_onset(panel)
