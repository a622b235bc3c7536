"""Datasets that several parts of the tests share, small enough to do in one's head, and a question."""

from __future__ import annotations

import copy
import csv
import datetime as dt
from pathlib import Path

import pandas as pd

import kit
from kit.findings import TABLES, Fleet

TOML = """\
name = "Tiny"
notice = "Invented data."
length_unit = "{unit}"
cut_off = 2020-12-31
clocks = ["flight_hours", "flight_cycles", "calendar_days"]

[tables]
{tables}

[[packages]]
name = "A check"
flight_hours = 500

[[packages]]
name = "base check"
flight_hours = 5000
days = 730

[planned_usage."S1"]
flight_hours = 2000
flight_cycles = 1900
aircraft = 2
"""

ROWS = {
    # A1 and A2 have both zones, A3 has Z1 only; A2 came second-hand, with records from 2014
    "aircraft": """
        aircraft subtype entry_into_service records_from recorded_on
        A1 S1 2010-01-01 - 2010-01-01
        A2 S1 2010-01-01 2014-01-01 2014-01-01
        A3 S2 2010-01-01 - 2010-01-01
    """,
    "basing": """
        stay aircraft valid_from base climate recorded_on
        B1 A1 2010-01-01 Saltmere humid 2010-01-01
        B2 A2 2014-01-01 Drywold dry 2014-01-01
        B3 A3 2010-01-01 Drywold dry 2010-01-01
    """,
    # Z1 is 1000 x 500 mm, Z2 is 400 x 200 mm and was called Y2 until the end of 2015
    "zones": """
        zone subtypes group side outline core_thickness structure_class removable former_label former_label_until recorded_on
        Z1 S1;S2 flap left POLYGON((0_0,1000_0,1000_500,0_500,0_0)) 12 secondary yes - - 2010-01-01
        Z2 S1 flap right POLYGON((0_0,400_0,400_200,0_200,0_0)) 12 secondary - Y2 2015-12-31 2010-01-01
    """,
    # P1 leaves A1 on 2016-01-01 (the row that says so replaces the one without a removal), when P5
    # follows it at A1; P1 is fitted to A3 ten days later
    "panels": """
        fitting panel aircraft zone fitted_on removed_on state prior_flight_hours prior_flight_cycles prior_days recorded_on replaces
        F0 P1 A1 Z1 2010-01-01 - new - - - 2010-01-01 -
        F1 P1 A1 Z1 2010-01-01 2016-01-01 new - - - 2016-01-01 F0
        F2 P2 A1 Z2 2010-01-01 - new - - - 2010-01-01 -
        F3 P3 A2 Z1 2010-01-01 - new - - - 2014-01-01 -
        F4 P4 A2 Z2 2012-01-01 - unknown 500 400 600 2014-01-01 -
        F5 P5 A1 Z1 2016-01-01 - unknown - - - 2016-01-01 -
        F6 P1 A3 Z1 2016-01-10 - repaired - - - 2016-01-10 -
    """,
    # A1: 10 hours and 5 cycles a day from 2010-01-01, the meter of hours replaced on 2015-01-01
    "usage": """
        reading aircraft read_on flight_hours flight_cycles meter_change recorded_on
        R1 A1 2010-01-01 0 0 - 2010-01-01
        R2 A1 2015-01-01 18260 9130 - 2015-01-01
        R3 A1 2015-01-01 0 9130 yes 2015-01-01
        R4 A1 2020-12-01 21610 19935 - 2020-12-01
        R5 A2 2014-01-01 2922 1461 - 2014-01-01
        R6 A2 2020-12-31 8036 4018 - 2020-12-31
        R7 A3 2010-01-01 0 0 - 2010-01-01
        R8 A3 2016-01-10 4400 2200 - 2016-01-10
        R9 A3 2020-12-31 8036 4018 - 2020-12-31
    """,
    "tasks": """
        task zones method threshold_days repeat_days valid_from recorded_on
        K1 Z1;Z2 tap_manual 730 730 2010-01-01 2010-01-01
        K2 Z1 visual - 365 2010-01-01 2010-01-01
    """,
    "cards": """
        card task aircraft closed_on method zones_not_done why_not_done recorded_on
        C1 K1 A1 2012-01-01 - - - 2012-01-01
        C2 K1 A1 2014-01-01 - Z2 access 2014-01-05
        C3 K1 A2 2016-06-01 tap_instrumented - - 2016-06-01
        C4 K1 A3 2018-01-01 - - - 2018-01-01
        C5 K2 A1 2018-03-01 - - - 2018-03-01
    """,
    "inspections": """
        inspection card aircraft zone panel inspected_on method coverage outcome recorded_on
        L1 C1 A1 Z1 P1 2012-01-01 tap_manual full clean 2012-01-01
        L2 C2 A1 Z1 P1 2014-01-01 tap_manual full found 2014-01-05
        L3 - A2 Z2 - 2017-05-01 visual - found 2017-05-01
        L4 - A1 Z2 P2 2019-02-01 tap_manual - found 2019-02-01
    """,
    "findings": """
        finding inspection aircraft zone panel found_on method kind outline centre_x centre_y length width size_unit rounding tap_grid disposition recorded_on
        D1 L2 A1 Z1 P1 2014-01-01 tap_manual disbond POLYGON((100_100,150_100,150_130,100_130,100_100)) - - 50 30 mm 5 - monitor 2014-01-05
        D2 L3 A2 Z2 - 2017-05-01 visual dent - 200 100 2 1 in 0.25 - temporary_repair 2017-05-01
        D3 L4 A1 Z2 P2 2019-02-01 tap_manual disbond - - - - - - - - not_confirmed 2019-02-01
        D4 - A1 Z1 P5 2019-05-05 visual dent POLYGON((10_10,40_10,40_40,10_40,10_10)) - - 30 30 mm 5 G1 within_limits 2019-05-06
    """,
    "repairs": """
        repair finding repaired_on repair_class region restoration_factor recorded_on
        X1 D2 2017-05-02 temporary POLYGON((150_60,250_60,250_140,150_140,150_60)) 1 2017-05-03
    """,
    "limits": """
        limit group revision valid_from size recorded_on
        M1 flap 1 2010-01-01 40 2010-01-01
    """,
    # the grid of D4, whose outline was drawn as well
    "taps": """
        tap grid x y mark contact_time recorded_on
        T1 G1 25 25 dull 420 2019-05-06
        T2 G1 50 25 clear 300 2019-05-06
        T3 G1 25 50 clear - 2019-05-06
        T4 G1 50 50 - 310 2019-05-06
    """,
}


DEFERRALS = """
    deferral finding limit basis deferred_on until flight_hours flight_cycles reinspect_by reinspection closed_on closed_by recorded_on
    DF1 D1 M1 monitored 2014-01-05 2017-01-05 9000 4500 - - 2016-01-01 replaced 2016-01-01
    DF2 D4 - small 2019-05-06 2021-05-06 4000 - 2021-01-06 - - - 2019-05-06
"""


def _parsed(block: str) -> list[dict[str, str]]:
    heading, *lines = [line.split() for line in block.strip().splitlines()]
    return [
        {
            name: "" if cell == "-" else cell.replace("_", " ") if "(" in cell else cell
            for name, cell in zip(heading, cells, strict=True)
        }
        for cells in lines
    ]


_LOADED: dict[str, Fleet] = {}
_MOST_LOADED = 32


class Tiny:
    """The tables of the dataset as lists of rows, to be altered and written."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.unit = folder, "mm"
        self.rows = {name: _parsed(block) for name, block in ROWS.items()}
        self.columns = {name: [column.name for column in table.all_columns] for name, table in TABLES.items()}
        self.toml = ""

    def row(self, table: str, key: str) -> dict[str, str]:
        return next(row for row in self.rows[table] if row[TABLES[table].id_column] == key)

    def set(self, table: str, key: str, **cells: str) -> Tiny:
        self.row(table, key).update(cells)
        return self

    def add(self, table: str, like: str, **cells: str) -> Tiny:
        """Add a row like another one."""
        self.rows[table].append(copy.copy(self.row(table, like)) | cells)
        return self

    def left(self) -> Tiny:
        """Write down that D1 was left until its panel went, and that D4 is left until after the cut-off.

        Apart from the other rows, so that a test that rejects a finding has not to name its deferral as well.
        """
        self.rows["deferrals"] = _parsed(DEFERRALS)
        return self

    def line(self, table: str, key: str) -> int:
        """Return the line of a row in its file."""
        return self.rows[table].index(self.row(table, key)) + 2

    def path(self, table: str) -> Path:
        return self.folder / f"{table}.csv"

    def write(self) -> Path:
        self.folder.mkdir(exist_ok=True)
        for table, rows in self.rows.items():
            with self.path(table).open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, self.columns[table], restval="")
                writer.writeheader()
                writer.writerows(rows)
        names = "\n".join(f'{table} = "{table}.csv"' for table in self.rows)
        (self.folder / "dataset.toml").write_text(self.toml or TOML.format(unit=self.unit, tables=names))
        return self.folder

    def load(self, **options: object) -> Fleet:
        """Write and load it; of contents that a test before it loaded, that fleet is returned.

        Many tests ask other things of the same fleet, and reading it is most of their work. A test that alters a
        fleet or a file, or that looks at what loading writes, calls `load_fleet` itself.
        """
        folder, storage = self.write(), pd.get_option("mode.string_storage")
        contents = repr((self.rows, self.columns, self.unit, self.toml, storage, sorted(options)))
        fleet = _LOADED.pop(contents, None)
        if fleet is None:
            fleet = kit.load_fleet(folder, **options)
        _LOADED[contents] = fleet  # as the last one asked for
        while len(_LOADED) > _MOST_LOADED:
            del _LOADED[next(iter(_LOADED))]
        return fleet


DEMO = Path(__file__).parents[1] / "demo_fleet"
LAST_DAY = 4017  # 2020-12-31, the cut-off of the tiny dataset


def day(n: int) -> str:
    """Return the day so many days after 2010-01-01."""
    return (dt.date(2010, 1, 1) + dt.timedelta(n)).isoformat()


class Hand(Tiny):
    """A fleet put together in a test, to be done in one's head.

    Days are counted from 2010-01-01. An aircraft flies 10 hours and 5 cycles a day from its entry.
    """

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        zones = self.rows["zones"]
        self.rows = {name: [] for name in self.rows}
        self.rows["zones"] = [{**row, "former_label": "", "former_label_until": ""} for row in zones]
        self._add("tasks", task="K1", zones="Z1", method="tap_manual", valid_from=day(0))
        self._add("tasks", task="K2", zones="Z2", method="tap_manual", valid_from=day(0))
        self._add(
            "limits",
            limit="M1",
            group="flap",
            revision="1",
            valid_from=day(0),
            size="60",
            bounds="equivalent_diameter",
        )

    def _add(self, table: str, **cells: object) -> str:
        row = {"recorded_on": day(0)} | {name: str(cell) for name, cell in cells.items()}
        self.rows[table].append(row)
        return row[next(iter(cells))]

    def _new(self, table: str, letter: str) -> str:
        return f"{letter}{len(self.rows[table]) + 1}"

    def aircraft(
        self, name: str, *, entry: int = 0, records_from: int | None = None, hours_per_day: float = 10
    ) -> Hand:
        begin = "" if records_from is None else day(records_from)
        self._add(
            "aircraft", aircraft=name, subtype="S1", entry_into_service=day(entry), records_from=begin,
            recorded_on=begin or day(entry),
        )  # fmt: skip
        for n in (entry, LAST_DAY):
            self._add(
                "usage", reading=self._new("usage", "R"), aircraft=name, read_on=day(n), recorded_on=day(n),
                flight_hours=hours_per_day * (n - entry), flight_cycles=5 * (n - entry),
            )  # fmt: skip
        return self

    def panel(
        self,
        panel: str,
        aircraft: str,
        *,
        zone: str = "Z1",
        on: int = 0,
        until: int | None = None,
        state: str = "new",
        **cells: object,
    ) -> Hand:
        removed = {} if until is None else {"removed_on": day(until)}
        self._add(
            "panels", fitting=self._new("panels", "F"), panel=panel, aircraft=aircraft, zone=zone,
            fitted_on=day(on), state=state, recorded_on=day(on if until is None else until),
            **removed, **cells,
        )  # fmt: skip
        return self

    def card(self, aircraft: str, *days: int, zone: str = "Z1", **cells: object) -> Hand:
        """Close cards: each implies that its zone was tapped and clean."""
        for n in days:
            self._add(
                "cards", card=self._new("cards", "C"), task="K1" if zone == "Z1" else "K2", aircraft=aircraft,
                closed_on=day(n), recorded_on=day(n), **cells,
            )  # fmt: skip
        return self

    def clean(self, aircraft: str, *days: int, zone: str = "Z1", method: str = "tap_manual") -> Hand:
        """Record clean looks."""
        for n in days:
            self._look(aircraft, n, zone=zone, method=method, outcome="clean")
        return self

    def _look(self, aircraft: str, n: int, *, zone: str, method: str, outcome: str) -> str:
        return self._add(
            "inspections", inspection=self._new("inspections", "L"), aircraft=aircraft, zone=zone,
            inspected_on=day(n), method=method, outcome=outcome, recorded_on=day(n),
        )  # fmt: skip

    def find(
        self,
        aircraft: str,
        n: int,
        *,
        zone: str = "Z1",
        kind: str = "disbond",
        method: str = "tap_manual",
        disposition: str = "monitor",
        at: tuple[float, float] = (200, 100),
        size: float = 30,
        recorded: int | None = None,
    ) -> str:
        """Record a look that found something: an ellipse of twice the length than width."""
        look = self._look(aircraft, n, zone=zone, method=method, outcome="found")
        return self._add(
            "findings", finding=self._new("findings", "D"), inspection=look, aircraft=aircraft, zone=zone,
            found_on=day(n), method=method, kind=kind, centre_x=at[0], centre_y=at[1], length=size, width=size / 2,
            size_unit="mm", disposition=disposition, recorded_on=day(n if recorded is None else recorded),
        )  # fmt: skip

    def repair(self, finding: str, n: int, factor: float) -> Hand:
        self._add(
            "repairs", repair=self._new("repairs", "X"), finding=finding, repaired_on=day(n),
            repair_class="permanent", restoration_factor=factor, recorded_on=day(n),
        )  # fmt: skip
        return self


QUESTION = """\
name = "small"
title = "When must the lower skins of the flaps be tapped, and how often?"
group = "flap"
horizon = 40000
seed = 7
draws = 100
packages = ["base check"]

[target]
measure = "preventable_exceedances"
per_10000_flight_hours = 0.05
share_of_draws = 0.8

[threshold]
allowed_share = 0.2

[detection]
method = "tap_manual"
a50_mm = 20
slope = 4.0
plateau = 0.97
basis = "assumed"

[[modes]]
kind = "moisture_disbond"
clock = "calendar_days"
assumed_shape = 2.0
growth = { rate_median = 0.0164, rate_log_sd = 0.7, basis = "an estimate" }
onset = { median_mm = 19, log_sd = 0.48, basis = "an estimate" }
"""
