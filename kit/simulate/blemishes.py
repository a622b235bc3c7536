"""What goes wrong in an operator's records: errors injected at stated rates, each with a truth row."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.simulate.fleet import day_date, day_number, stream

if TYPE_CHECKING:
    from kit.simulate.operator import Book, Row

NO_ROW = "row left out"
"""Change of a truth row whose row does not exist in the tables."""

_MOST_IMPOSSIBLE_DATES = 5
_QUESTIONED = 450.0  # mm; a size that is asked about at once
_LARGEST_BELIEVED = 800.0  # mm; above it the wrong unit is seen as it is written down


@dataclass(frozen=True)
class Blemish:
    """One injected error.

    Parameters
    ----------
    table : str
        Table.
    row : str
        Id of the row.
    trap : str
        Trap T1 to T20 that it is a case of; blank: of none.
    column : str
        Column changed; several with ``;`` between them.
    change : str
        What was changed.
    true_value : object
        What it should say.
    """

    table: str
    row: str
    trap: str
    column: str
    change: str
    true_value: Any


class _Injector:
    def __init__(self, book: Book) -> None:
        self.book, self.s, self.rates = book, book.scenario, book.scenario.blemishes
        self.out: list[Blemish] = []
        self.used: set[int] = set()  # rows that may not get a second error of a structural kind
        self.cut_off = self.s.cut_off
        self.decision = self.s.decision_on

    def rng(self, purpose: str) -> np.random.Generator:
        return stream(self.book.truth.seed, "blemish", purpose)

    def note(self, table: str, row: str, trap: str, column: str, change: str, true_value: Any) -> None:
        self.out.append(Blemish(table, row, trap, column, change, true_value))

    def pick(
        self,
        purpose: str,
        rows: Iterable[Row],
        n: int,
        allowed: Callable[[Row], bool] = lambda row: True,
        *,
        keep: bool = True,
    ) -> list[Row]:
        """Choose rows that have no other structural error, and keep the next one off them."""
        pool = [r for r in rows if id(r) not in self.used and allowed(r)]
        chosen = self.rng(purpose).permutation(len(pool))[: max(0, n)]
        rows = [pool[i] for i in sorted(chosen.tolist())]
        if keep:
            self.used |= {id(r) for r in rows}
        return rows

    def zone_of(self, row: Row) -> str:
        """Return the present label of the row's zone."""
        former = {z.former_label: z.label for _, z in self.book.zones.values() if z.former_label}
        return former.get(row["zone"], row["zone"])

    def family_of(self, row: Row):
        return self.book.zones[self.zone_of(row)][0]

    # ---- clean looks and cards ----
    def looks_and_cards(self) -> None:
        book, tables, rng = self.book, self.book.tables, self.rng("cards")
        with_find = {r["card"] for r in tables["inspections"]}
        zones_of = {r["task"]: set(r["zones"].split(";")) for r in tables["tasks"]}
        tap = [r for r in tables["cards"] if r["task"] != "AC-VISUAL" and not r["task"].startswith("RM-")]
        quiet = [r for r in tap if r["card"] not in with_find]
        busy = {(r["aircraft"], r["inspected_on"]) for r in tables["inspections"]}
        weight = np.array([3.0 if (r["aircraft"], r["closed_on"]) in busy else 1.0 for r in quiet])
        n_lost = min(round(self.rates.card_lost * len(tap)), len(quiet))
        lost = rng.choice(len(quiet), n_lost, replace=False, p=weight / weight.sum()) if n_lost else []
        gone = {quiet[i]["card"] for i in lost}
        for card in sorted(gone):
            self.note(
                "cards", card, "T14", "", NO_ROW, f"{len(zones_of[self.card(card)['task']])} zones clean"
            )
        tables["cards"] = [r for r in tables["cards"] if r["card"] not in gone]
        singles = [r for r in book.clean_looks if r["card"] not in gone]
        n = min(round(self.rates.recorded_singly * len(book.clean_looks)), len(singles))
        recorded = {r["card"]: r["recorded_on"] for r in tables["cards"]}
        late = self.late(
            "cards", [r for r in tables["cards"] if r["card"] not in with_find], "card", "closed_on"
        )
        recorded |= late
        for i in np.sort(rng.permutation(len(singles))[:n]).tolist():
            row = singles[i]
            tables["inspections"].append(
                row | {"recorded_on": max(book.soon(row["inspected_on"]), recorded[row["card"]])}
            )

    def card(self, number: str) -> Row:
        return next(r for r in self.book.tables["cards"] if r["card"] == number)

    # ---- left truncation ----
    def late(self, table: str, rows: list[Row], name: str, event: str) -> dict[str, date]:
        """Delay rows; return the new days by id."""
        rng, out = self.rng(f"late {table}"), {}
        last = self.cut_off - timedelta(days=32)
        month = timedelta(days=30)
        pool = [
            r
            for r in rows
            if id(r) not in self.used and r[event] <= last and r["recorded_on"] - r[event] <= month
        ]
        n, n_long = round(self.rates.late_30 * len(rows)), round(self.rates.late_180 * len(rows))
        order = rng.permutation(len(pool))[:n].tolist()
        for place, i in enumerate(order):
            row = pool[i]
            if place < n_long and row[event] <= self.cut_off - timedelta(days=182):
                days = int(rng.integers(181, 401))
            else:
                days = int(rng.integers(31, 181))
            recorded = min(row[event] + timedelta(days=days), self.cut_off)
            self.note(
                table,
                row[name],
                "T1",
                "recorded_on",
                f"recorded {(recorded - row[event]).days} days after",
                row["recorded_on"],
            )
            row["recorded_on"] = recorded
            out[row[name]] = recorded
        return out

    def late_finds(self) -> None:
        tables = self.book.tables
        late = self.late(
            "findings", [r for r in tables["findings"] if not r.get("replaces")], "finding", "found_on"
        )
        self.follow(late)

    def follow(self, late: dict[str, date]) -> None:
        """Keep the look of a late finding as late, and its repair no earlier."""
        tables = self.book.tables
        looks = {r["inspection"]: r for r in tables["inspections"]}
        for r in tables["findings"]:
            if r["finding"] in late and r["inspection"]:
                looks[r["inspection"]]["recorded_on"] = late[r["finding"]]
        for r in tables["repairs"]:
            if r["finding"] in late:
                r["recorded_on"] = max(r["recorded_on"], late[r["finding"]])

    # ---- the decision of 2019 ----
    def decision_story(self) -> None:
        book, findings = self.book, self.book.tables["findings"]
        chains: dict[str, list[Row]] = {}
        for r in findings:
            if self.family_of(r).group != self.s.decision_group or not book.damage_of[r["finding"]]:
                continue
            if r["kind"] == "moisture":  # water came in by another task, which the decision was not about
                continue
            if r["found_on"] <= self.decision - timedelta(days=20):
                chains.setdefault(book.damage_of[r["finding"]], []).append(r)
        truth = book.truth.finds
        over = truth["damage"].where(truth["measured_size"] > truth["limit"]).dropna()
        beyond = set(over)

        def rank(item: tuple[str, list[Row]]) -> tuple[bool, int, int]:
            damage, rows = item
            was_over = damage in beyond and any(
                r["disposition"] not in ("monitor", "within_limits") for r in rows
            )
            return (not was_over, len(rows), -rows[-1]["found_on"].toordinal())

        ordered = sorted(chains.items(), key=rank)
        self.used |= {id(r) for rows in chains.values() for r in rows}
        if len(ordered) > 1 and len(ordered[-1][1]) > 0:
            unit = next(iter(ordered))
            ordered = ordered[1:]
            self.decision_unit(unit[1][-1])
        left, late = self.rates.n_decision_late, {}
        rng = self.rng("decision")
        for take_all in (True, False):
            for _, chain in ordered:
                rows = [r for r in chain if r["finding"] not in late]
                if not left or not rows or (take_all and len(rows) > left):
                    continue
                for r in rows[-left:]:
                    recorded = self.decision + timedelta(days=int(rng.integers(12, 200)))
                    change = (
                        f"recorded after the decision, {(recorded - r['found_on']).days} days after the event"
                    )
                    self.note("findings", r["finding"], "T1", "recorded_on", change, r["recorded_on"])
                    r["recorded_on"] = recorded
                    r["remarks"] = "; ".join(filter(None, [r["remarks"], "entered from shop paper"]))
                    late[r["finding"]] = recorded
                    left -= 1
        self.follow(late)

    def decision_unit(self, row: Row) -> None:
        """Give one finding the wrong unit before the decision, and the mend after it."""
        book = self.book
        mend = row | {"finding": self.next_finding(), "replaces": row["finding"]}
        if row["outline"] is not None:
            low, high = _bounds(row["outline"])
            row["outline"] = None
            row["centre_x"], row["centre_y"] = (round((a + b) / 2, 1) for a, b in zip(low, high, strict=True))
            row["angle"] = 0 if high[0] - low[0] >= high[1] - low[1] else 90
            mend |= {k: row[k] for k in ("outline", "centre_x", "centre_y", "angle")}
        factor = 25.4 if row["size_unit"] == "mm" else 1.0
        length, width = (max(0.25, round(row[k] / factor * 4) / 4) for k in ("length", "width"))
        mend |= {
            "length": length, "width": width, "size_unit": "in", "rounding": 0.25,
            "recorded_on": self.decision + timedelta(days=51),
            "remarks": "; ".join(filter(None, [row["remarks"], "size was in inches"])),
        }  # fmt: skip
        row |= {"length": length, "width": width, "size_unit": "mm", "rounding": 0.25}
        row["recorded_on"] = min(row["recorded_on"], self.decision - timedelta(days=1))
        book.tables["findings"].append(mend)
        self.used.add(id(mend))
        book.damage_of[mend["finding"]] = book.damage_of[row["finding"]]
        self.note(
            "findings",
            row["finding"],
            "T2",
            "size_unit",
            "inches written as mm, mended after the decision",
            "in",
        )

    def next_finding(self) -> str:
        return f"F{len(self.book.tables['findings']) + 1:05d}"

    def edits(self) -> None:
        """Correct findings after the decision that were recorded before it."""
        findings = self.book.tables["findings"]
        known = [
            r
            for r in findings
            if r["recorded_on"] <= self.decision and not r.get("replaces") and r["kind"] != "moisture"
        ]
        wrong_kind = {"moisture_disbond": "disbond", "disbond": "moisture_disbond", "core_damage": "dent"}
        rng = self.rng("edits")
        for number, row in enumerate(self.pick("edited", known, self.rates.n_edited)):
            mend = dict(row)
            if row["outline"] is None:
                column = "length"
                true, row[column] = row[column], row[column] + 2 * row["rounding"]
            elif number % 2 and row["disposition"] == "monitor":
                column = "disposition"
                true, row[column] = row[column], "within_limits"
            else:
                column = "kind"
                true, row[column] = row[column], wrong_kind[row[column]]
            recorded = self.decision + timedelta(days=int(rng.integers(15, 900)))
            mend |= {"finding": self.next_finding(), "replaces": row["finding"], "recorded_on": recorded}
            findings.append(mend)
            self.used.add(id(mend))
            self.book.damage_of[mend["finding"]] = self.book.damage_of[row["finding"]]
            self.note(
                "findings",
                row["finding"],
                "T1",
                column,
                f"corrected by {mend['finding']} after the decision",
                true,
            )

    # ---- single rows of the findings ----
    def finding_rows(self) -> None:
        findings, rates = self.book.tables["findings"], self.rates
        n = len(findings)
        plain = list(findings)
        repaired = {r["finding"] for r in self.book.tables["repairs"]}
        rng = self.rng("findings")
        false = [r for r in plain if r["disposition"] == "not_confirmed"]
        n_damages = len({self.book.damage_of[r["finding"]] for r in plain}) + len(false)
        for r in self.pick(
            "not confirmed", false, min(round(rates.not_confirmed_left * n_damages), len(false))
        ):
            self.note(
                "findings",
                r["finding"],
                "T13",
                "disposition",
                "false call left as a finding",
                r["disposition"],
            )
            r["disposition"] = "within_limits"

        def believed(row: Row) -> bool:
            return row["size_unit"] == "in" or row["length"] * 25.4 <= _LARGEST_BELIEVED

        for place, r in enumerate(self.pick("unit", plain, round(rates.unit_mix * n), believed)):
            other = "in" if r["size_unit"] == "mm" else "mm"
            self.note(
                "findings",
                r["finding"],
                "T2",
                "size_unit",
                f"{r['size_unit']} written as {other}",
                r["size_unit"],
            )
            # Half a metre of damage is asked about; smaller ones pass in every second case.
            large = other == "in" and r["length"] * 25.4 > _QUESTIONED
            if place % 2 or large:
                r["remarks"] = "; ".join(filter(None, [r["remarks"], f"size in {r['size_unit']}?"]))
            r["size_unit"] = other
        self.sides(plain, round(rates.left_right * n))
        self.dates("findings", plain, "finding", "found_on", round(rates.date_order * n), repaired)
        for r in self.pick("width", plain, round(rates.missing_width * n)):
            self.note("findings", r["finding"], "", "width", "left blank", r["width"])
            r["width"] = None

        def may_double(row: Row) -> bool:
            return row["disposition"] not in ("panel_replaced", "not_confirmed") and row[
                "found_on"
            ] < self.cut_off - timedelta(9)

        for place, r in enumerate(self.pick("duplicates", plain, round(rates.duplicate * n), may_double)):
            twin = r | {"finding": self.next_finding(), "recorded_on": self.book.soon(r["recorded_on"])}
            change = f"same as {r['finding']}"
            if place % 2:
                step = r["rounding"]
                twin |= {
                    "inspection": None, "found_on": r["found_on"] + timedelta(days=1), "length": r["length"] + step,
                    "remarks": "second inspector", "outline": None,
                }  # fmt: skip
                if r["outline"] is not None:
                    low, high = _bounds(r["outline"])
                    twin["centre_x"], twin["centre_y"] = (
                        round((a + b) / 2, 1) for a, b in zip(low, high, strict=True)
                    )
                    twin["angle"] = int(rng.integers(0, 180))
                change = f"same damage as {r['finding']}, seen again and numbered anew"
            findings.append(twin)
            self.used.add(id(twin))
            self.book.damage_of[twin["finding"]] = self.book.damage_of[r["finding"]]
            self.note("findings", twin["finding"], "T3", "finding", change, r["finding"])
        for r in [f for f in findings if f["cause"] is not None]:
            if rng.random() < rates.cause_blank:
                self.note("findings", r["finding"], "T18", "cause", "left blank", r["cause"])
                r["cause"] = None

    def sides(self, findings: list[Row], n: int) -> None:
        """Write findings on the other side; in most cases their look too, so that only the serial tells."""
        looks = {r["inspection"]: r for r in self.book.tables["inspections"]}
        taken = {(r["aircraft"], r["inspected_on"], r["zone"]) for r in looks.values()}
        tasks = {r["card"]: r["task"] for r in self.book.tables["cards"]}

        def mirrored(row: Row) -> str:
            mirror = self.book.zones[self.zone_of(row)][1].mirror
            return self.book.label_on(mirror, row["found_on"]) if mirror else ""

        def whole(row: Row) -> bool:
            look = looks.get(row["inspection"])
            if look is None or not mirrored(row) or row["disposition"] != "monitor":
                return False
            both_sides = tasks.get(look["card"], "").startswith("BT-")
            return both_sides and (row["aircraft"], row["found_on"], mirrored(row)) not in taken

        n_alone = n // 3
        for r in self.pick("sides alone", findings, n_alone, lambda r: bool(mirrored(r))):
            self.note("findings", r["finding"], "T5", "zone", "left and right swapped", r["zone"])
            r["zone"] = mirrored(r)
        for r in self.pick("sides", findings, n - n_alone, whole):
            other, look = mirrored(r), looks[r["inspection"]]
            for table, name, row in (
                ("findings", r["finding"], r),
                ("inspections", look["inspection"], look),
            ):
                self.note(
                    table, name, "T5", "zone", "left and right swapped in look and finding", row["zone"]
                )
                row["zone"] = other
            self.used.add(id(look))

    def dates(
        self, table: str, rows: list[Row], name: str, column: str, n: int, not_impossible: set[str]
    ) -> None:
        """Swap day and month; a few become impossible."""

        def other_day(row: Row) -> bool:
            return row[column].day != row[column].month

        def swappable(row: Row) -> bool:
            return row[column].day <= 12 and other_day(row)

        n_impossible = min(n // 3, _MOST_IMPOSSIBLE_DATES)
        chosen = self.pick(
            f"{table} impossible",
            rows,
            n_impossible,
            lambda r: r[column].day > 12 and r[name] not in not_impossible,
        )
        chosen += self.pick(f"{table} swapped", rows, n - len(chosen), swappable)
        for r in chosen:
            true = r[column]
            self.note(table, r[name], "T8", column, "day and month swapped", true)
            r[column] = (
                date(true.year, true.day, true.month)
                if true.day <= 12
                else f"{true.year:04d}-{true.day:02d}-{true.month:02d}"
            )

    # ---- labels and serials ----
    def labels_and_serials(self) -> None:
        s, rates, tables = self.s, self.rates, self.book.tables
        months = s.renumbered_on.month - 1 + rates.old_label_months
        until = date(s.renumbered_on.year + months // 12, months % 12 + 1, 1)
        fits: dict[tuple[str, str], list[tuple[date, str]]] = {}
        for r in tables["panels"]:
            if not r.get("replaces"):
                fits.setdefault((r["aircraft"], r["zone"]), []).append((r["fitted_on"], r["panel"]))
        for table, name, event in (
            ("inspections", "inspection", "inspected_on"),
            ("findings", "finding", "found_on"),
        ):
            rows = [r for r in tables[table] if isinstance(r[event], date) and id(r) not in self.used]
            flaps = [
                r
                for r in rows
                if s.renumbered_on <= r[event] < until and self.book.zones[self.zone_of(r)][1].former_label
            ]
            for r in self.pick(f"old label {table}", flaps, round(rates.old_label * len(flaps)), keep=False):
                self.note(table, r[name], "T5", "zone", "label of before the renumbering", r["zone"])
                r["zone"] = self.book.zones[self.zone_of(r)][1].former_label
            removable = [r for r in rows if self.family_of(r).removable]
            n_removable = sum(self.family_of(r).removable for r in tables[table])
            changed = []
            for r in removable:
                before = [p for d, p in sorted(fits[r["aircraft"], self.zone_of(r)]) if d < r[event]]
                if len(before) > 1:
                    changed.append((r, before[-2]))
            wrong = self.rng(f"wrong serial {table}").permutation(len(changed))[
                : round(rates.serial_wrong * len(changed))
            ]
            touched = set()
            for i in np.sort(wrong).tolist():
                r, old = changed[i]
                touched.add(id(r))
                self.note(table, r[name], "T9", "panel", "serial of the panel fitted before", r["panel"])
                r["panel"] = old
            missing = self.pick(
                f"serial missing {table}", removable, round(rates.serial_missing * n_removable),
                lambda r, touched=touched: id(r) not in touched, keep=False,
            )  # fmt: skip
            for r in missing:
                self.note(table, r[name], "T9", "panel", "left blank", r["panel"])
                r["panel"] = None

    # ---- meters and ages ----
    def meters_and_ages(self) -> None:
        book, tables, truth = self.book, self.book.tables, self.book.truth
        for r in tables["usage"]:
            if r.get("meter_change"):
                tail = book.tails[r["aircraft"]]
                true = round(float(tail.hours[day_number(r["read_on"])]), 1)
                self.note(
                    "usage", r["reading"], "T6", "flight_hours", "hours meter replaced, begins at zero", true
                )
        used = [t for t in truth.fleet if t.is_second_hand]
        order = self.rng("cycles").permutation(len(used))[: self.rates.n_cycles_understated]
        low = {used[i].name for i in order.tolist()}
        for r in tables["usage"]:
            if r["aircraft"] in low:
                true, r["flight_cycles"] = (
                    r["flight_cycles"],
                    round(r["flight_cycles"] * (1 - self.rates.cycles_understated)),
                )
                if r["read_on"] == book.records[r["aircraft"]]:
                    self.note(
                        "usage",
                        r["reading"],
                        "T7",
                        "flight_cycles",
                        f"all cycles of {r['aircraft']} times {1 - self.rates.cycles_understated:g}",
                        true,
                    )
        lots = truth.panels.set_index("panel")
        for r in tables["panels"]:
            if (
                r["aircraft"] in low
                and r.get("prior_flight_cycles")
                and r["fitted_on"] == book.records[r["aircraft"]]
            ):
                r["prior_flight_cycles"] = round(
                    r["prior_flight_cycles"] * (1 - self.rates.cycles_understated)
                )
            pool = (
                lots.at[r["panel"], "origin"] == "pool"
                and r["fitted_on"] == lots.at[r["panel"], "first_fitted_on"].date()
            )
            if pool and not lots.at[r["panel"], "has_papers"] and not r.get("replaces"):
                days = round(float(lots.at[r["panel"], "prior_days"]))
                self.note("panels", r["fitting"], "T12", "prior_days", "exchange panel without papers", days)
        for t in used:
            self.note(
                "aircraft",
                t.name,
                "T11",
                "records_from",
                "no records from the owner before",
                day_date(t.entry),
            )


def _bounds(wkt: str) -> tuple[tuple[float, float], tuple[float, float]]:
    pairs = [
        tuple(map(float, p.split())) for p in wkt.removeprefix("POLYGON ((").removesuffix("))").split(", ")
    ]
    xs, ys = zip(*pairs, strict=True)
    return (min(xs), min(ys)), (max(xs), max(ys))


def add_blemishes(book: Book) -> list[Blemish]:
    """Inject the blemishes into the book and return a truth row for each.

    Parameters
    ----------
    book : Book
        The operator's tables before errors; changed in place.

    Returns
    -------
    list of Blemish
        The errors, by table and row.
    """
    injector = _Injector(book)
    injector.looks_and_cards()
    book.number_inspections()
    injector.decision_story()
    injector.finding_rows()
    injector.late_finds()
    injector.edits()
    singles = [r for r in book.tables["inspections"] if r["outcome"] == "clean"]
    injector.late("inspections", singles, "inspection", "inspected_on")
    n_dates = round(book.scenario.blemishes.date_order * len(singles))
    injector.dates("inspections", singles, "inspection", "inspected_on", n_dates, set())
    injector.labels_and_serials()
    injector.meters_and_ages()
    return sorted(injector.out, key=lambda b: (b.table, b.row, b.trap, b.column))
