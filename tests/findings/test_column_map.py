"""An extract with other headings, units, orders of dates and codes loads as if it had ours."""

import re
from pathlib import Path

import pandas as pd
import pytest
from support import Tiny

from findings.stored import to_database, to_parquet, to_workbook
from kit.findings import TableError, load_fleet
from kit.findings.read.column_map import iso_dates

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long

PAGE = Path(__file__).parents[2] / "docs" / "column_map.md"
EXAMPLE = re.search(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)[1]
HEADINGS = {"finding": "REPORT NO", "found_on": "DATE FOUND", "recorded_on": "DATE KEYED"}
OF_USAGE = {"aircraft": "A/C REG", "read_on": "AS OF"}


def with_map(tiny: Tiny, text: str) -> Path:
    """Write the dataset with a column map in its dataset.toml."""
    toml = tiny.write() / "dataset.toml"
    toml.write_text(f"{toml.read_text()}\n{text}\n", encoding="utf-8")
    return tiny.folder


def named_readings(tiny: Tiny) -> Tiny:
    """Name the readings by aircraft and day, as the example of the documentation makes them."""
    tiny.set(
        "usage", "R3", read_on="2015-01-02", recorded_on="2015-01-02"
    )  # the meter was changed on the day of a reading
    for row in tiny.rows["usage"]:
        row["reading"] = f"{row['aircraft']} {row['read_on']}"
    return tiny


def as_extract(tiny: Tiny) -> Tiny:
    """Write findings and usage as the example of the documentation has them."""
    named_readings(tiny)
    tiny.columns["usage"] = [OF_USAGE.get(name, name) for name in tiny.columns["usage"] if name != "reading"]
    for row in tiny.rows["usage"]:
        del row["reading"]
        for name, heading in OF_USAGE.items():
            row[heading] = row.pop(name)
    tiny.columns["findings"] = [HEADINGS.get(name, name) for name in tiny.columns["findings"]]
    for row in tiny.rows["findings"]:
        year, month, day = row["found_on"].split("-")
        row["found_on"] = f"{int(day)}/{int(month)}/{year}"
        row["recorded_on"] = row["recorded_on"].replace("-", ".")
        row["kind"] = {"disbond": "DSB", "dent": "DNT"}[row["kind"]]
        for name in ("centre_x", "centre_y"):
            row[name] = row[name] and f"{float(row[name]) / 10:g}"
        if row["size_unit"] == "in":
            row["size_unit"] = ""
        for name, heading in HEADINGS.items():
            row[heading] = row.pop(name)
    return tiny


@pytest.fixture
def extract(tiny):
    return as_extract(tiny)


@pytest.mark.parametrize(
    "kind",
    [
        "csv",
        *(
            pytest.param(kind, marks=pytest.mark.long)
            for kind in ("parquet", "parquet as text", "workbook", "sqlite")
        ),
    ],
)
def test_the_example_of_the_documentation_loads_as_the_kit_s_own_columns(tmp_path, kind):
    expected = load_fleet(named_readings(Tiny(tmp_path / "own")).write())
    extract = as_extract(Tiny(tmp_path / "extract"))
    source = with_map(extract, EXAMPLE)
    if kind.startswith("parquet"):
        source = to_parquet(source, tmp_path / "parquet", as_text="text" in kind)
    elif kind == "workbook":
        source = to_workbook(source, tmp_path / "fleet.xlsx")
    elif kind == "sqlite":
        source = to_database(source, f"sqlite:///{tmp_path / 'fleet.db'}")
    fleet = load_fleet(source)
    assert fleet.fingerprint() == expected.fingerprint()
    assert fleet.warnings["reason"].tolist() == expected.warnings["reason"].tolist()


@pytest.mark.parametrize(
    ("cells", "column", "value", "reason"),
    [
        (
            {"DATE FOUND": "31/2/2014"},
            "DATE FOUND",
            "31/2/2014",
            "found_on is not a date in the order day-month-year",
        ),
        (
            {"DATE FOUND": "1/1/14"},
            "DATE FOUND",
            "1/1/14",
            "found_on is not a date in the order day-month-year",
        ),
        ({"DATE FOUND": ""}, "DATE FOUND", "", "found_on is blank"),
        ({"DATE FOUND": "1/1/2021"}, "DATE FOUND", "1/1/2021", "found_on is after the cut-off"),
        ({"kind": "XYZ"}, "kind", "XYZ", "kind is not one of its choices"),
    ],
)
def test_problems_name_the_heading_as_it_stands_in_the_file(extract, cells, column, value, reason):
    extract.rows["findings"][0].update(cells)
    with pytest.raises(TableError) as caught:
        load_fleet(with_map(extract, EXAMPLE))
    problem = caught.value.problems.iloc[0]
    assert (problem["file"], problem["row"]) == ("findings.csv", 2)
    assert (problem["column"], problem["value"]) == (column, value)
    assert problem["reason"].startswith(reason)
    fleet = load_fleet(extract.folder, set_aside=True)
    assert fleet.as_known_on("2020-12-31").rejected["column"].tolist()[0] == column


def test_a_heading_that_is_not_there_is_named_as_the_map_says(extract):
    source = with_map(extract, EXAMPLE.replace("REPORT NO", "REPORT"))
    with pytest.raises(TableError, match=re.escape("findings.csv row 1, REPORT = '': missing column")):
        load_fleet(source)


def test_a_size_unit_beside_the_size_comes_before_that_of_the_map(tiny):
    tiny.set("findings", "D2", size_unit="")
    fleet = load_fleet(with_map(tiny, '[map.findings.units]\nlength = "in"'))
    sizes = fleet.tables["findings"].set_index("finding")["length"]
    assert sizes["D1"] == 50
    assert sizes["D2"] == 2 * 25.4


def test_polygons_and_lengths_may_have_units_of_their_own(tiny):
    expected = load_fleet(tiny.write()).fingerprint()
    tiny.set("limits", "M1", size="4").set("repairs", "X1", region="POLYGON((15 6,25 6,25 14,15 14,15 6))")
    text = '[map.limits.units]\ndefault = "cm"\n[map.repairs.units]\nregion = "cm"'
    assert load_fleet(with_map(tiny, text)).fingerprint() == expected


def test_codes_stand_for_flags_names_and_blanks(tiny):
    expected = load_fleet(tiny.write()).fingerprint()
    for row in tiny.rows["zones"]:
        row["removable"] = {"yes": "Y", "": "N"}[row["removable"]]
    for row in tiny.rows["cards"]:
        row["aircraft"] = row["aircraft"].replace("A1", "MSN 1")
    text = '[map.zones.codes.removable]\nY = "yes"\nN = ""\n[map.cards.codes.aircraft]\n"MSN 1" = "A1"'
    assert load_fleet(with_map(tiny, text)).fingerprint() == expected


@pytest.mark.parametrize(
    ("order", "cells"),
    [
        ("day-month-year", ["5/1/2014", "05.01.2014", "05-01-2014", "5 1 2014", "05JAN2014", "5-Jan-2014"]),
        ("month-day-year", ["1/5/2014", "01.05.2014", "Jan 05 2014"]),
        ("year-month-day", ["2014/1/5", "2014.01.05", "2014-JAN-05"]),
    ],
)
def test_dates_are_read_in_the_order_stated(order, cells):
    dates = iso_dates(pd.Series([*cells, "2014-01-05"], dtype="str"), order)
    assert set(dates) == {"2014-01-05"}


@pytest.mark.parametrize("cell", ["5/1/14", "512014", "5-12014", "5/XYZ/2014", "soon", ""])
def test_what_is_no_date_in_the_order_stays_as_it_is(cell):
    assert iso_dates(pd.Series([cell], dtype="str"), "day-month-year").tolist() == [cell]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (
            '[map.finding.columns]\nkind = "K"',
            ["map.finding: no table is called finding; tables are aircraft"],
        ),
        (
            '[map.findings.columns]\nsize = "SIZE"',
            ["map.findings.columns.size: columns of findings are finding,"],
        ),
        (
            '[map.findings.columns]\nkind = ""',
            ["map.findings.columns.kind = '': value not allowed", "at least 1"],
        ),
        (
            '[map.findings.columns]\nkind = "method"',
            ["map.findings.columns.kind: 'method' is the heading of a column"],
        ),
        (
            '[map.findings.date_order]\nfound_on = "day first"',
            ["map.findings.date_order.found_on = 'day first'", "'day-month-year'"],
        ),
        (
            '[map.findings.date_order]\nkind = "day-month-year"',
            ["map.findings.date_order.kind: columns of dates of findings are found_on, recorded_on, default"],
        ),
        ('[map.findings.units]\nlength = "ft"', ["map.findings.units.length = 'ft'", "'mm', 'cm' or 'in'"]),
        (
            '[map.findings.units]\nkind = "in"',
            ["map.findings.units.kind: columns of lengths and polygons of findings"],
        ),
        (
            '[map.findings.units]\nlength = "in"\nwidth = "mm"',
            ["map.findings.units: length, width, rounding share the unit in size_unit"],
        ),
        (
            '[map.findings.codes.kind]\nDSB = "crack"',
            ["map.findings.codes.kind.DSB: 'crack' is not one of disbond, moisture"],
        ),
        (
            '[map.findings.codes.found_on]\nX = "Y"',
            ["map.findings.codes.found_on: columns of words and flags"],
        ),
        ('[map.findings]\ncolour = "red"', ["map.findings.colour = 'red': unknown key"]),
    ],
)
def test_a_wrong_map_is_refused_with_the_name_of_the_field(tiny, text, parts):
    with pytest.raises(TableError) as caught:
        load_fleet(with_map(tiny, text))
    for part in parts:
        assert part in str(caught.value), str(caught.value)
