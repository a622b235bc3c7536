"""The panels of a simulated fleet: fitted, ageing on three clocks until damage begins, held against their limits, removed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from kit.simulate.fleet import Tail, build_fleet, day_number, stream
from kit.simulate.panel import NEVER, Damage, Panel, Stay
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import Family, TapRule, Zone
from kit.simulate.shapes import clearances, draw_shape, outline_of


class PanelRun:
    """The panels of one run, and what becomes of them.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    seed : int
        Seed of the whole simulation.
    programme : sequence of TapRule
        At every how many base checks each group is tapped.
    """

    def __init__(self, scenario: Scenario, seed: int, programme: Sequence[TapRule]) -> None:
        self.scenario, self.seed, self.programme = scenario, seed, tuple(programme)
        self.fleet = build_fleet(scenario, seed)
        self.last = day_number(scenario.cut_off)
        self.modes = [scenario.mode(m) for m in "MGI"]
        self.inspector_effect = (
            stream(seed, "inspectors").normal(0.0, 1.0, scenario.n_inspectors) * scenario.inspector_log_sd
        )
        self.instrumented = {scenario.stations.index(s) for s in scenario.instrumented_stations}
        self.instrumented_from = day_number(scenario.instrumented_from)
        self.revision = day_number(scenario.limit_revision_on)
        self.panels: list[Panel] = []
        self.rows: dict[str, list[dict[str, Any]]] = {
            k: [] for k in ("onsets", "fittings", "looks", "finds", "absences")
        }
        self.damages: list[tuple[Panel, Damage, str, str]] = []
        self.stays: list[Stay] = []
        self.pods = {(p.method, p.skin_class): (math.log(p.a50), p) for p in scenario.pods}
        self.mean_pace = float(np.mean([1 / b.factor for b in scenario.bases]))

    def new_panel(self, family: Family, tail: Tail, zone: Zone, ordinal: int, origin: str) -> Panel:
        """Return a panel for a position, with frailty, lot and, from the pool, an age."""
        s = self.scenario
        key = f"{tail.name}/{zone.label}/{ordinal}"
        rng = stream(self.seed, key, "panel")
        frailty = float(rng.gamma(1 / s.frailty_variance, s.frailty_variance))
        lot_draw, years, papers = rng.random(3)
        if family.group == s.lot_group:
            lot = (
                s.lot
                if lot_draw < s.lot_share
                else "NPR"[int((lot_draw - s.lot_share) / (1 - s.lot_share) * 3)]
            )
        else:
            lot = "ABCD"[int(4 * lot_draw)]
        prior = (0.0, 0.0, 0.0)
        if origin == "pool":
            days = 365.25 * (
                s.panel_pool["years_from"] + years * (s.panel_pool["years_to"] - s.panel_pool["years_from"])
            )
            cycles = s.panel_pool["use"] * days / 365.25 * tail.subtype.cycles_per_year
            prior = (cycles * tail.subtype.hours_per_cycle, cycles, days)
        panel = Panel(
            len(self.panels), key, family, lot, frailty, origin, bool(papers >= s.panel_pool["no_papers"]), prior,
            stream(self.seed, key, "damage"),
        )  # fmt: skip
        panel.low_factor = family.moisture_factor(zone)
        panel.age_m = prior[2] * self.mean_pace
        panel.age_g = prior[1] * tail.subtype.severity
        self.draw(panel)
        self.panels.append(panel)
        return panel

    def draw(self, panel: Panel) -> None:
        """Draw the panel's next damage: ages at which each mode would strike."""
        s, family = self.scenario, panel.family
        panel.draws = np.concatenate(
            [panel.rng.standard_exponential(3), panel.rng.standard_normal(2), panel.rng.random(9)]
        )
        scale_m = family.moisture_scale * 365.25 * panel.low_factor
        if family.group == s.lot_group and panel.lot == s.lot:
            scale_m *= s.lot_factor
        hazard_m = panel.frailty * (s.potted_hazard if panel.is_potted else 1.0)

        def age(now: float, scale: float, shape: float, unit_hazard: float) -> float:
            return scale * ((now / scale) ** shape + unit_hazard) ** (1 / shape)

        share = stream(self.seed, panel.key, panel.n_states, "water").random()
        panel.targets = (
            age(panel.age_m, scale_m, self.modes[0].shape, panel.draws[0] / hazard_m),
            age(panel.age_g, family.cycles_scale, self.modes[1].shape, panel.draws[1] / panel.frailty),
            age(panel.age_i, 1e4 / family.impact_rate, self.modes[2].shape, panel.draws[2]),
        )
        # Water is in the core before it breaks the bond: at a share of the way to the age at which it does.
        share = s.ingress.share_from + share * (s.ingress.share_to - s.ingress.share_from)
        panel.wet_age = panel.age_m + share * (panel.targets[0] - panel.age_m)
        panel.n_states += 1

    def clocks(self, panel: Panel, day: int) -> tuple[float, float, float]:
        """Return the panel's virtual ages on the three clocks on a day of its present stay."""
        tail, since = panel.tail, panel.since
        flown = tail.cycles[day] - tail.cycles[since]
        return (
            panel.age_m + tail.moisture_clock[day] - tail.moisture_clock[since],
            panel.age_g + flown * tail.subtype.severity,
            panel.age_i + flown,
        )

    def schedule_onset(self, panel: Panel) -> None:
        """Find the day on which the panel's next damage begins if it stays where it is."""
        tail, since = panel.tail, panel.since
        goals = (
            (tail.moisture_clock, panel.targets[0] - panel.age_m),
            (tail.cycles, (panel.targets[1] - panel.age_g) / tail.subtype.severity),
            (tail.cycles, panel.targets[2] - panel.age_i),
        )
        days = [max(int(np.searchsorted(clock, clock[since] + more)), since + 1) for clock, more in goals]
        panel.next_mode = int(np.argmin(days))
        panel.next_onset = days[panel.next_mode] if days[panel.next_mode] <= self.last else NEVER

    def fit(self, panel: Panel, tail: Tail, zone: Zone, day: int, state: str) -> None:
        """Fit a panel at a position."""
        panel.tail, panel.zone, panel.since = tail, zone, day
        panel.fitting = len(self.rows["fittings"])
        self.rows["fittings"].append(
            {
                "panel_key": panel.key,
                "aircraft": tail.name,
                "zone": zone.label,
                "fitted_on": day,
                "removed_on": NEVER,
                "state": state,
            }
        )
        if panel.damage is None:
            self.schedule_onset(panel)

    def note_stay(self, panel: Panel, day: int, ended_by: str = "") -> None:
        """Note where a panel has been since its last repair or exchange, and when water entered its core."""
        clock, since = panel.tail.moisture_clock, panel.since
        wet = max(int(np.searchsorted(clock, clock[since] + panel.wet_age - panel.age_m)), since)
        self.stays.append(
            Stay(panel, panel.n_states, panel.tail, panel.zone, since, day, min(wet, day), ended_by)
        )

    def remove(self, panel: Panel, day: int) -> None:
        """End the panel's present stay."""
        self.rows["fittings"][panel.fitting]["removed_on"] = day

    def begin_damage(self, panel: Panel) -> None:
        """Turn the panel's next onset into a damage."""
        s, mode, u = self.scenario, self.modes[panel.next_mode], panel.draws
        day = panel.next_onset
        stays = mode.name == "I" and u[6] < mode.no_growth_share
        can_jump = panel.family.structure_class == "critical" or panel.family.group == "flap"
        jump = day + int(s.jump_days[0] + u[9] * (s.jump_days[1] - s.jump_days[0]))
        most = 0.7 * min(panel.family.length, panel.family.height)
        damage = Damage(
            number=panel.n_damages,
            mode=mode,
            onset=day,
            virtual_age=self.clocks(panel, day)[panel.next_mode],
            initial=min(mode.size_median * math.exp(mode.size_log_sd * u[3]), most),
            rate=0.0 if stays else mode.growth_median * math.exp(mode.growth_log_sd * u[4]),
            is_arrested=bool(u[7] < s.arrest_share),
            jump_day=jump if can_jump and u[8] < s.jump_share else NEVER,
            far=bool(u[5] < mode.far_side_share),
            most=most,
            draws=u[10:],
            tail=panel.tail,
            segment_from=day,
            segments=[(panel.tail, day)],
        )
        panel.n_damages += 1
        panel.damage = damage
        self.damages.append((panel, damage, panel.tail.name, panel.zone.label))

    def limit(self, family: Family, day: int) -> float:
        """Return the limit in force [mm]."""
        if family.structure_class == "critical" and day < self.revision:
            return self.scenario.critical_limit_before
        return family.limit

    def ratio_to_limit(self, panel: Panel, damage: Damage, measured: float, day: int) -> float:
        """Return a measured size over the limit in force at the place of the damage.

        Above 1 too where it lies nearer to the edge than damage may that stays.
        """
        s, family = self.scenario, panel.family
        if damage.shape is None:
            key = f"{panel.key}#{damage.number}"
            damage.first_size = damage.size_on(day, s)
            damage.shape = draw_shape(
                stream(self.seed, key, "shape"), family, damage.mode.name, damage.first_size
            )
        points, _, _ = outline_of(damage.shape, family, measured)
        edge, row = clearances(points, family)
        share = s.edge_share if edge < s.edge_band or row < s.fastener_band else 1.0
        least = s.edge_distance_critical if family.structure_class == "critical" else s.edge_distance
        ratio = measured / round(share * self.limit(family, day))
        return max(ratio, 1.001) if edge < least else ratio
