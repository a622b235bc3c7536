"""What the operator would hold of the truth: the tables as a records department writes them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import shapely

from kit.findings import TABLES
from kit.simulate.blemishes import Blemish, add_blemishes
from kit.simulate.damage import Truth
from kit.simulate.deferrals import write_deferrals
from kit.simulate.find_rows import write_find
from kit.simulate.fleet import Tail, day_date, day_number, stream
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import Family, Zone
from kit.simulate.shapes import FASTENER_INSET, Shape

Row = dict[str, Any]

_TASK_OF = {"a_check": "AC-VISUAL", "walk": ""}


class Book:
    """The operator's tables as they are written, row by row.

    Parameters
    ----------
    truth : Truth
        What happened.
    """

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        self.scenario: Scenario = truth.scenario
        self.tables: dict[str, list[Row]] = {name: [] for name in TABLES}
        self.tails: dict[str, Tail] = {t.name: t for t in truth.fleet}
        self.zones: dict[str, tuple[Family, Zone]] = {
            z.label: (f, z) for f in self.scenario.families for z in f.zones
        }
        self.damage_of: dict[str, str] = {}
        self.shapes: dict[str, Shape] = {}
        self.rng = stream(truth.seed, "records office")
        self.records = {t.name: day_date(t.records_from) for t in truth.fleet}
        self.clean_looks: list[Row] = []
        self.drawn: dict[str, shapely.Polygon] = {}
        self.left: list[tuple[Row, Row]] = []
        self.confirmed: set[str] = set()
        self._change_recorded: dict[date, date] = {}

    # helpers ------------------------------------------------------------------------------------
    def soon(self, day: date) -> date:
        """Return the day on which a row about `day` is normally recorded."""
        return min(day + timedelta(days=int(self.rng.integers(1, 6))), self.scenario.cut_off)

    def change_recorded(self, day: date) -> date:
        """Return when the panel changes of a day are recorded: all on one day, both ends of a swap."""
        if day not in self._change_recorded:
            self._change_recorded[day] = self.soon(day)
        return self._change_recorded[day]

    def label_on(self, label: str, day: date) -> str:
        """Return what a zone was called on a day."""
        former = self.zones[label][1].former_label
        return former if former and day < self.scenario.renumbered_on else label

    def task_for(self, kind: str, zone: str, day: date) -> str:
        """Return the task that a look belongs to; blank: none."""
        group = self.zones[zone][0].group
        if kind == "base":
            second = group == self.scenario.decision_group and day > self.scenario.decision_on
            return f"BT-{group}-2" if second else f"BT-{group}"
        if kind == "cowl":
            return f"AT-{group}"
        if kind == "campaign":
            return f"SC-{group}"
        if kind == "water":
            return f"WT-{group}"
        if kind == "remap":
            return f"RM-{zone}"
        return _TASK_OF[kind]

    def station(self, kind: str, number: int, tail: Tail, day: date) -> str:
        """Return where a look was made."""
        if number >= 0:
            return self.scenario.stations[number]
        return f"{self.scenario.bases[tail.base_on(day_number(day))].name} line"

    # tables that do not hang on damage ----------------------------------------------------------------
    def write_fleet(self) -> None:
        """Write aircraft, basing, zones and limits."""
        s = self.scenario
        for t in self.truth.fleet:
            start = self.records[t.name]
            self.tables["aircraft"].append(
                {
                    "aircraft": t.name, "subtype": t.subtype.name, "entry_into_service": day_date(t.entry),
                    "records_from": start if t.is_second_hand else None, "recorded_on": start,
                }
            )  # fmt: skip
            for begin, stop, base in t.stays:
                if stop <= t.records_from:
                    continue
                begun = max(day_date(begin), start)
                row = {
                    "stay": f"S{len(self.tables['basing']) + 1:03d}", "aircraft": t.name, "valid_from": begun,
                    "valid_to": None, "base": s.bases[base].name, "climate": s.bases[base].climate,
                    "recorded_on": begun,
                }  # fmt: skip
                self.tables["basing"].append(row)
                if stop <= day_number(s.cut_off):
                    end = day_date(stop - 1)
                    number = f"S{len(self.tables['basing']) + 1:03d}"
                    self.tables["basing"].append(
                        row
                        | {
                            "stay": number,
                            "valid_to": end,
                            "recorded_on": self.soon(end),
                            "replaces": row["stay"],
                        }
                    )
        subtypes = ";".join(sub.name for sub in s.subtypes)
        for f in s.families:
            hinge = f"LINESTRING (0 {f.height:.2f}, {f.length:.2f} {f.height:.2f})"
            on_metal = f.skin_material == "CFRP" and f.core_material == "aluminium"
            rows = ", ".join(
                f"({x:.2f} {FASTENER_INSET:.2f}, {x:.2f} {f.height - FASTENER_INSET:.2f})"
                for x in f.fastener_rows
            )
            corners = [*f.outline, f.outline[0]]
            wkt = "POLYGON ((" + ", ".join(f"{x:.2f} {y:.2f}" for x, y in corners) + "))"
            for z in f.zones:
                self.tables["zones"].append(
                    {
                        "zone": z.label, "subtypes": subtypes, "group": f.group, "side": z.side, "outline": wkt,
                        "outer_material": f.skin_material, "outer_thickness": f.outer_thickness,
                        "inner_material": f.skin_material, "inner_thickness": f.inner_thickness,
                        "core_material": f.core_material, "core_thickness": f.core_thickness, "cell_size": f.cell_size,
                        "core_density": f.core_density, "structure_class": f.structure_class, "removable": f.removable,
                        "faces_reachable": f.faces_reachable, "former_label": z.former_label or None,
                        "former_label_until": s.renumbered_on - timedelta(days=1) if z.former_label else None,
                        "fastener_rows": f"MULTILINESTRING ({rows})" if rows else None, "edge_band": s.edge_band,
                        "hinge_line": hinge if f.is_control_surface else None,
                        "remarks": "carbon skin on aluminium core: glass isolating ply between them" if on_metal else None,
                        "low_point": None if f.low_point_factor == 1 else "yes" if z.is_low else "no",
                        "recorded_on": s.window_from,
                    }
                )  # fmt: skip
            critical = f.structure_class == "critical"
            first = s.critical_limit_before if critical else f.limit
            revisions = [("A", s.window_from, first)] + (
                [("B", s.limit_revision_on, f.limit)] if critical else []
            )
            for revision, begin, size in revisions:
                self.tables["limits"].append(
                    {
                        "limit": f"LM-{f.group}-{revision}", "group": f.group, "revision": revision, "valid_from": begin,
                        "size": size, "repairable_size": f.repairable, "spacing": 150.0 if critical else 100.0,
                        "edge_distance": s.edge_distance_critical if critical else s.edge_distance, "total_share": 0.03 if critical else 0.05,
                        "recorded_on": begin, "place": None, "most_damages": s.most_damages, "bounds": "equivalent_diameter",
                    }
                )  # fmt: skip
                for place in ("edge_band", "fastener_row") if f.fastener_rows else ("edge_band",):
                    row = self.tables["limits"][-1]
                    small = {"size": round(s.edge_share * size), "most_damages": None, "total_share": None}
                    name = f"LM-{f.group}-{revision}-{place.split('_')[0]}"
                    self.tables["limits"].append(row | small | {"limit": name, "place": place})

    def write_usage(self) -> None:
        """Write the monthly meter readings."""
        s, out = self.scenario, self.tables["usage"]
        changes = dict(s.meter_changes)
        for t in self.truth.fleet:
            start, last = t.records_from, day_number(s.cut_off)
            days = {start, last}
            for year in range(day_date(start).year, s.cut_off.year + 1):
                days |= {day_number(date(year, m, 1)) for m in range(1, 13)}
            change = day_number(changes[t.name]) if t.name in changes else -1
            if start < change < last:
                days.add(change)
            taken = 0.0
            for d in sorted(x for x in days if start <= x <= last):
                on = day_date(d)
                reading = {
                    "aircraft": t.name, "read_on": on, "flight_hours": round(float(t.hours[d]) - taken, 1),
                    "flight_cycles": round(float(t.cycles[d])), "recorded_on": self.soon(on),
                }  # fmt: skip
                out.append({"reading": f"U{len(out) + 1:05d}", **reading})
                if d == change and start < change < last:
                    taken = float(t.hours[d])
                    out.append(
                        {
                            "reading": f"U{len(out) + 1:05d}",
                            **reading,
                            "flight_hours": 0.0,
                            "meter_change": True,
                        }
                    )

    def write_tasks(self) -> None:
        """Write the programme."""
        s, out = self.scenario, self.tables["tasks"]

        def task(name: str, zones: list[str], method: str, begin: date, **rest: Any) -> Row:
            return {
                "task": name,
                "zones": ";".join(zones),
                "method": method,
                "valid_from": begin,
                "recorded_on": begin,
                **rest,
            }

        def due(times: float) -> Row:
            return {
                "threshold_flight_hours": times * s.check_hours, "threshold_days": times * s.check_days,
                "repeat_flight_hours": times * s.check_hours, "repeat_days": times * s.check_days,
            }  # fmt: skip

        every_zone = list(self.zones)
        small = {"threshold_flight_hours": s.a_check_hours, "repeat_flight_hours": s.a_check_hours}
        out.append(task("AC-VISUAL", every_zone, "visual", s.window_from, **small))
        for f in s.families:
            labels = [z.label for z in f.zones]
            cap = {}
            if f.structure_class == "critical":
                cap = {
                    "cap_flight_hours": s.check_hours, "cap_days": s.check_days,
                    "cap_basis": "airworthiness limitation, never to be exceeded",
                }  # fmt: skip
            out.append(task(f"BT-{f.group}", labels, "tap_manual", s.window_from, **due(1), **cap))
        after = s.decision_on + timedelta(days=1)
        old = next(r for r in out if r["task"] == f"BT-{s.decision_group}")
        closed = f"BT-{s.decision_group}-1"
        out.append(
            old | {"task": closed, "valid_to": s.decision_on, "recorded_on": after, "replaces": old["task"]}
        )
        labels = [z.label for z in s.family(s.decision_group).zones]
        every = max((r.every for r in self.truth.programme if r.group == s.decision_group), default=2)
        out.append(task(f"BT-{s.decision_group}-2", labels, "tap_manual", after, **due(every)))
        cowl = {f"{k}_flight_hours": s.a_check_tap_every * s.a_check_hours for k in ("threshold", "repeat")}
        labels = [z.label for z in s.family(s.a_check_tap_group).zones]
        out.append(task(f"AT-{s.a_check_tap_group}", labels, "tap_manual", s.a_check_tap_from, **cowl))
        labels = [z.label for z in s.family(s.campaign_group).zones]
        out.append(
            task(f"SC-{s.campaign_group}", labels, "tap_manual", s.campaign_from, valid_to=s.campaign_to)
        )
        for rule in s.water_tasks:
            for group in rule.groups:
                labels = [z.label for z in s.family(group).zones]
                # Timed for water, on a panel that is still cold; nobody heats the skin and reads it for a disbond.
                out.append(
                    task(
                        f"WT-{group}",
                        labels,
                        rule.method,
                        rule.valid_from,
                        looks_for="moisture",
                        **due(rule.every),
                    )
                )
        out += [task(f"RM-{z}", [z], "tap_manual", s.window_from) for z in every_zone]

    def write_panels(self) -> None:
        """Write the fittings; a removal is a second row that replaces the first."""
        s = self.scenario
        lots = self.truth.panels.set_index("panel")
        fits = self.truth.fittings.sort_values(["fitted_on", "aircraft", "zone"], kind="stable")
        rows: list[Row] = []
        closing: list[tuple[Row, date]] = []
        for f in fits.itertuples():
            tail, start = self.tails[f.aircraft], self.records[f.aircraft]
            removed = None if pd.isna(f.removed_on) else f.removed_on.date()
            if removed is not None and removed <= start:
                continue
            fitted = max(f.fitted_on.date(), start)
            row: Row = {
                "fitting": "", "panel": f.panel, "aircraft": f.aircraft, "zone": f.zone, "fitted_on": fitted,
                "removed_on": None, "state": f.state, "build_lot": lots.at[f.panel, "build_lot"],
            }  # fmt: skip
            if tail.is_second_hand and fitted == start:
                day = tail.records_from
                row |= {
                    "state": "unknown", "prior_flight_hours": round(float(tail.hours[day]), 1),
                    "prior_flight_cycles": round(float(tail.cycles[day])), "prior_days": day - tail.entry,
                }  # fmt: skip
            elif (
                lots.at[f.panel, "origin"] == "pool"
                and lots.at[f.panel, "has_papers"]
                and f.fitted_on == lots.at[f.panel, "first_fitted_on"]
            ):
                ages = ("prior_flight_hours", "prior_flight_cycles", "prior_days")
                row |= {k: round(float(lots.at[f.panel, k])) for k in ages}
            row["recorded_on"] = fitted if fitted == start else self.change_recorded(fitted)
            rows.append(row)
            if removed is not None and removed <= s.cut_off:
                closing.append((row, removed))
        for number, row in enumerate(rows):
            row["fitting"] = f"P{number + 1:05d}"
        for number, (row, removed) in enumerate(sorted(closing, key=lambda c: (c[1], c[0]["fitting"]))):
            recorded = self.change_recorded(removed)
            rows.append(
                row
                | {
                    "fitting": f"P{len(fits) + number + 1:05d}", "removed_on": removed, "recorded_on": recorded,
                    "replaces": row["fitting"],
                }
            )  # fmt: skip
        self.tables["panels"] = rows

    # looks and finds ------------------------------------------------------------------------------------
    def write_cards(self) -> dict[tuple[str, str, date], Row]:
        """Write the cards; return them by task, aircraft and day."""
        s, truth = self.scenario, self.truth
        last = s.cut_off - timedelta(days=5)
        cards: dict[tuple[str, str, date], Row] = {}
        for t in truth.fleet:
            for d in np.sort(np.concatenate([t.a_checks, t.base_checks])).tolist():
                day = day_date(d)
                if self.records[t.name] <= day <= last:
                    cards["AC-VISUAL", t.name, day] = {"station": self.station("a_check", -1, t, day)}
        on_cards = truth.looks["kind"].isin(["base", "cowl", "campaign", "remap", "water"])
        for look in truth.looks[on_cards].itertuples():
            day = look.day.date()
            if day < self.records[look.aircraft]:
                continue
            key = (self.task_for(look.kind, look.zone, day), look.aircraft, day)
            row = cards.setdefault(key, {"station": s.stations[look.station]})
            if look.method == "tap_instrumented":
                row["method"] = look.method
        for miss in truth.absences.itertuples():
            day = miss.day.date()
            row = cards.get((self.task_for(miss.kind, miss.zone, day), miss.aircraft, day))
            if row is not None:  # a card of which no zone was done is not closed
                row["zones_not_done"] = ";".join(filter(None, [row.get("zones_not_done"), miss.zone]))
                row["why_not_done"] = miss.why
        for number, key in enumerate(sorted(cards, key=lambda k: (k[2], k[1], k[0]))):
            task, tail, day = key
            cards[key] |= {
                "card": f"C{number + 1:05d}", "task": task, "aircraft": tail, "closed_on": day, "recorded_on": self.soon(day)
            }  # fmt: skip
        self.tables["cards"] = sorted(cards.values(), key=lambda r: r["card"])
        return cards

    def write_looks(self, cards: dict[tuple[str, str, date], Row]) -> None:
        """Write inspections, findings and repairs; clean tap looks stay for the blemishes to choose from."""
        truth = self.truth
        finds = {find["look"]: find for find in truth.finds.to_dict("records")}
        order = truth.looks.sort_values(["day", "aircraft", "zone", "kind"], kind="stable")
        for look in order.itertuples():
            day = look.day.date()
            if day < self.records[look.aircraft]:
                continue
            task = self.task_for(look.kind, look.zone, day)
            card = cards[task, look.aircraft, day]["card"] if task else None
            row: Row = {
                "card": card, "aircraft": look.aircraft, "zone": self.label_on(look.zone, day), "panel": look.panel,
                "inspected_on": day, "method": look.method, "coverage": "full", "outcome": look.outcome,
                "inspector": f"I{look.inspector + 1:02d}",
            }  # fmt: skip
            if look.outcome == "clean":
                self.clean_looks.append(row)
                continue
            row["recorded_on"] = max(
                self.soon(day), cards[task, look.aircraft, day]["recorded_on"] if task else day
            )
            find = finds[look.Index]
            if task:
                self.tables["inspections"].append(row)
            write_find(self, find, row, look.station, is_look=bool(task))

    def number_inspections(self) -> None:
        """Give the looks numbers by day, and put these into the findings and deferrals."""
        looks = self.tables["inspections"]
        looks.sort(key=lambda r: (r["inspected_on"], r["aircraft"], r["zone"], r["method"], r["outcome"]))
        for number, row in enumerate(looks):
            row["inspection"] = f"L{number + 1:05d}"
        for row in self.tables["findings"]:
            if row["inspection"] is not None:
                row["inspection"] = row["inspection"]["inspection"]
        for row in self.tables["deferrals"]:
            if row["reinspection"] is not None:
                row["reinspection"] = row["reinspection"]["inspection"]


def _cell(value: Any) -> str:
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:.4f}".rstrip("0").rstrip(".")
    return str(value)


def operator_tables(truth: Truth) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Return what an operator would hold of a truth, and which errors are in it.

    Parameters
    ----------
    truth : Truth
        What happened.

    Returns
    -------
    tables : dict of str to DataFrame
        The tables of `kit.findings.tables`, every cell as text, as it stands in the files.
    blemishes : DataFrame
        A row for each injected error: `blemish`, `table`, `row` (id of the row), `trap` (T1 to
        T20, blank where the list of traps has none), `column`, `change`, `true_value`.

    Examples
    --------
    >>> from kit.simulate import default_scenario, simulate_truth
    >>> tables, blemishes = operator_tables(simulate_truth(default_scenario(n_aircraft=2), seed=1))
    >>> len(tables["aircraft"])
    2
    """
    book = Book(truth)
    book.write_fleet()
    book.write_usage()
    book.write_tasks()
    book.write_panels()
    book.write_looks(book.write_cards())
    write_deferrals(book)
    injected = add_blemishes(book)
    frames = {}
    for name, table in TABLES.items():
        columns = [c.name for c in table.all_columns]
        data = [[_cell(row.get(c)) for c in columns] for row in book.tables[name]]
        frames[name] = pd.DataFrame(data, columns=columns, dtype=str)
    return frames, _truth_rows(injected)


def _truth_rows(injected: list[Blemish]) -> pd.DataFrame:
    data = [
        [f"B{i + 1:04d}", b.table, b.row, b.trap, b.column, b.change, _cell(b.true_value)]
        for i, b in enumerate(injected)
    ]
    return pd.DataFrame(
        data, columns=["blemish", "table", "row", "trap", "column", "change", "true_value"], dtype=str
    )
