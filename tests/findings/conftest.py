"""A dataset small enough to do in one's head: three aircraft, two zones, all invented."""

from __future__ import annotations

import copy
import csv
from pathlib import Path

import pytest

from kit.findings.tables import TABLES

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
        finding inspection aircraft zone panel found_on method kind outline centre_x centre_y length width size_unit rounding disposition recorded_on
        D1 L2 A1 Z1 P1 2014-01-01 tap_manual disbond POLYGON((100_100,150_100,150_130,100_130,100_100)) - - 50 30 mm 5 monitor 2014-01-05
        D2 L3 A2 Z2 - 2017-05-01 visual dent - 200 100 2 1 in 0.25 temporary_repair 2017-05-01
        D3 L4 A1 Z2 P2 2019-02-01 tap_manual disbond - - - - - - - not_confirmed 2019-02-01
        D4 - A1 Z1 P5 2019-05-05 visual dent POLYGON((10_10,40_10,40_40,10_40,10_10)) - - 30 30 mm 5 within_limits 2019-05-06
    """,
    "repairs": """
        repair finding repaired_on repair_class region restoration_factor recorded_on
        X1 D2 2017-05-02 temporary POLYGON((150_60,250_60,250_140,150_140,150_60)) 1 2017-05-03
    """,
    "limits": """
        limit group revision valid_from size recorded_on
        M1 flap 1 2010-01-01 40 2010-01-01
    """,
}


def _parsed(block: str) -> list[dict[str, str]]:
    heading, *lines = [line.split() for line in block.strip().splitlines()]
    return [
        {
            name: "" if cell == "-" else cell.replace("_", " ") if "(" in cell else cell
            for name, cell in zip(heading, cells, strict=True)
        }
        for cells in lines
    ]


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


@pytest.fixture
def tiny(tmp_path: Path) -> Tiny:
    return Tiny(tmp_path / "tiny")
