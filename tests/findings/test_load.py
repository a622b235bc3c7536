"""Loading refuses what cannot be read, with one clear error each."""

import os
import re

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support import Tiny

from kit.findings import TABLES, TableError, load_fleet, problems_text
from kit.findings.text_bytes import text_bytes


def refused(tiny: Tiny, *parts: str) -> TableError:
    """Load and return the error, whose message must hold the parts as they are."""
    with pytest.raises(TableError) as caught:
        load_fleet(tiny.folder)
    for part in parts:
        assert part in str(caught.value), str(caught.value)
    return caught.value


def test_a_sound_dataset_loads_typed_in_mm_without_problems(tiny):
    fleet = load_fleet(tiny.write())
    assert len(fleet.rejected) == 0
    assert len(fleet.warnings) == 0
    findings = fleet.tables["findings"].set_index("finding")
    assert findings.loc["D1", "outline"].area == 1500.0
    assert findings.loc["D2", ["length", "width", "rounding"]].tolist() == [50.8, 25.4, 6.35]
    assert pd.isna(findings.loc["D3", "length"])
    assert findings.loc["D1", "found_on"] == pd.Timestamp("2014-01-01")
    assert findings.loc["D2", ["panel", "panel_as_written"]].tolist() == ["P4", ""]
    assert fleet.tables["zones"]["removable"].tolist() == [True, False]
    assert set(fleet.tables) == set(TABLES)
    assert fleet.packages["days"].fillna(-1).tolist() == [-1, 730]
    assert fleet.planned_usage.loc["S1", "flight_hours"] == 2000


def test_row_numbers_are_lines_of_the_file(tiny):
    tiny.set("findings", "D1", remarks="two\nlines")
    fleet = load_fleet(tiny.write())
    findings = fleet.tables["findings"].set_index("finding")
    assert findings["row"].tolist() == [2, 4, 5, 6]
    assert findings.loc["D1", "file"] == "findings.csv"
    assert findings.loc["D1", "remarks"] == "two\nlines"


def test_blank_lines_and_spaces_round_cells_do_not_matter(tiny):
    tiny.write()
    lines = tiny.path("limits").read_text().splitlines()
    tiny.path("limits").write_text(f"{lines[0]}\n\n  {lines[1].replace(',flap', ', flap ')}\n\n")
    limits = load_fleet(tiny.folder).tables["limits"]
    assert limits.loc[0, ["limit", "group", "row"]].tolist() == ["M1", "flap", 3]


def test_repr_names_counts_and_days(tiny):
    assert repr(load_fleet(tiny.write())) == (
        "Fleet('Tiny': 3 aircraft, 4 findings, 44 rows as known on 2020-12-31, cut-off 2020-12-31, "
        "0 rejects, 0 warnings)"
    )


def test_inches_give_the_same_mm(tiny, tmp_path):
    in_mm = load_fleet(tiny.write())
    other = Tiny(tmp_path / "inches")
    other.unit = "in"

    def scaled(cell: str) -> str:
        return re.sub(r"[0-9.]+", lambda number: repr(float(number[0]) / 25.4), cell)

    for table, columns in {
        "zones": ["outline", "core_thickness"],
        "findings": ["outline", "centre_x", "centre_y"],
        "repairs": ["region"],
        "limits": ["size"],
        "taps": ["x", "y"],
    }.items():
        for row in other.rows[table]:
            row.update({name: scaled(row[name]) for name in columns})
    in_inches = load_fleet(other.write())
    for table in TABLES:
        left, right = in_mm.tables[table], in_inches.tables[table]
        for name in left:
            if left[name].dtype == object:
                areas = [[shape.area if shape else 0.0 for shape in side[name]] for side in (left, right)]
                assert areas[0] == pytest.approx(areas[1], rel=1e-9)
            elif left[name].dtype.kind == "f":
                assert left[name].tolist() == pytest.approx(right[name].tolist(), rel=1e-9, nan_ok=True)
            else:
                assert left[name].tolist() == right[name].tolist()


def test_coverage_in_inches_becomes_mm(tiny):
    tiny.unit = "in"
    places = (
        ("zones", "outline"),
        ("findings", "outline"),
        ("repairs", "region"),
        ("taps", "x"),
        ("taps", "y"),
    )
    for table, column in places:
        for row in tiny.rows[table]:
            row[column] = re.sub(r"[0-9.]+", lambda number: repr(float(number[0]) / 25.4), row[column])
    tiny.set("findings", "D2", centre_x="8", centre_y="4")
    tiny.set("inspections", "L1", coverage="POLYGON ((0 0, 10 0, 10 10, 0 0))")
    looks = load_fleet(tiny.write()).tables["inspections"].set_index("inspection")
    assert looks.loc["L1", "coverage"] == "POLYGON ((0 0, 254 0, 254 254, 0 0))"


def test_a_byte_order_mark_is_no_part_of_the_first_heading(tiny):
    tiny.write()
    tiny.path("limits").write_bytes(b"\xef\xbb\xbf" + tiny.path("limits").read_bytes())
    assert len(load_fleet(tiny.folder).tables["limits"]) == 1


def test_other_encodings_are_refused_with_the_line(tiny):
    tiny.set("cards", "C2", why_not_done="Zürich").write()
    tiny.path("cards").write_bytes(tiny.path("cards").read_text("utf-8").encode("latin-1"))
    refused(
        tiny,
        "cards.csv: the file is not UTF-8 text (byte 0xfc on line 3)",
        "save the file again as CSV UTF-8",
    )


def test_utf_16_is_refused(tiny):
    tiny.write()
    tiny.path("cards").write_text("card,task", encoding="utf-16")
    refused(tiny, "cards.csv: the file is not UTF-8 text (it looks like UTF-16 or a binary file)")


def test_an_open_quote_is_refused(tiny):
    tiny.write()
    with tiny.path("limits").open("a") as file:
        file.write('M2,"flap,1,2010-01-01\n')
    refused(tiny, "limits.csv: the file is not CSV: unexpected end of data", "single double quote")


def test_ragged_lines_are_rejected_one_by_one_and_the_rest_is_read(tiny):
    tiny.write()
    lines = tiny.path("usage").read_text().splitlines()
    lines[2] += ",,7"
    lines[4] = "R4,A1"
    tiny.path("usage").write_text("\n".join(lines) + "\n")
    error = refused(
        tiny,
        "2  usage: too many or too few cells",
        "usage.csv row 5: too many or too few cells. Expected: 8 cells, as in the heading (there are 2)",
        "usage.csv row 3: too many or too few cells. Expected: 8 cells, as in the heading (there are 10)",
        "put a cell that holds a comma between double quotes",
    )
    assert error.problems["value"].tolist()[1] == "R4,A1"
    fleet = load_fleet(tiny.folder, set_aside=True)
    assert fleet.tables["usage"].set_index("reading")["row"].to_dict()["R5"] == 6
    assert "R4" not in set(fleet.tables["usage"]["reading"])
    assert len(fleet.as_known_on("2020-01-01").rejected) == 2


@pytest.mark.parametrize(
    ("heading", "parts"),
    [
        (
            "limit,group,revision,valid_from,size,size,recorded_on",
            ["limits.csv row 1, size = '': the heading 'size' stands 2 times"],
        ),
        (
            "limit,group,revision,valid_from,recorded_on",
            [
                "limits.csv row 1, size = '': missing column",
                "add the column size: allowable damage limit (ADL): largest damage that may stay; "
                "what of it is bounded: see bounds",
            ],
        ),
        ("", ["limits.csv: the file is empty", "write the heading: limit,group,revision,valid_from,size"]),
    ],
)
def test_a_wrong_heading_is_refused(tiny, heading, parts):
    tiny.write()
    tiny.path("limits").write_text(f"{heading}\n")
    refused(tiny, *parts)


def test_all_files_are_looked_at_before_loading_stops(tiny):
    tiny.write()
    tiny.path("limits").write_text("limit\n")
    tiny.path("cards").write_text("card,task\n")
    error = refused(tiny)
    assert set(error.problems["table"]) == {"limits", "cards"}
    assert (error.problems["reason"] == "missing column").all()


def test_unknown_and_missing_optional_columns_are_warnings(tiny):
    tiny.columns["limits"] = [c for c in tiny.columns["limits"] if c not in ("spacing", "edge_distance")] + [
        "colour"
    ]
    warnings = load_fleet(tiny.write()).warnings
    assert warnings[["table", "file", "row", "column", "reason"]].to_numpy().tolist() == [
        ["limits", "limits.csv", 1, "colour", "unknown column, not read"],
        ["limits", "limits.csv", 1, "", "2 optional columns are missing, read as blank"],
    ]
    assert "limit, group, revision" in warnings.loc[0, "expected"]
    assert warnings.loc[1, "expected"] == "nothing, or what is known of spacing, edge_distance"


def test_columns_that_are_not_read_are_told_before_all_else(tiny):
    tiny.columns["basing"].remove("valid_to")
    for row in tiny.rows["basing"]:
        row.pop("valid_to", None)
    tiny.columns["findings"].append("VENDOR")
    first, second = problems_text(load_fleet(tiny.write()).warnings).splitlines()[1:3]
    assert first.endswith("findings: unknown column, not read")
    assert second.endswith("basing: 1 optional column is missing, read as blank")


def test_a_table_without_rows_is_refused_where_rows_are_needed(tiny):
    tiny.rows["usage"] = []
    tiny.write()
    refused(
        tiny,
        "usage.csv: the table has no rows. Expected: at least one row: a meter reading. To correct: add the rows.",
    )


def test_tables_of_events_may_be_without_rows(tiny):
    for table in ("cards", "inspections", "findings", "repairs", "limits", "basing"):
        tiny.rows[table] = []
    fleet = load_fleet(tiny.write())
    assert len(fleet.tables["findings"]) == 0
    assert fleet.tables["findings"]["found_on"].dtype.kind == "M"
    assert fleet.tables["findings"]["length"].dtype.kind == "f"
    assert {"panel_as_written", "zone_as_written"} <= set(fleet.tables["findings"])
    assert fleet.tables["usage"]["meter_change"].dtype.kind == "b"


def test_an_optional_table_may_be_left_out(tiny):
    del tiny.rows["basing"]
    assert len(load_fleet(tiny.write()).tables["basing"]) == 0


def test_no_dataset_file_and_empty_folder_are_told_apart(tiny):
    tiny.folder.mkdir()
    refused(
        tiny,
        "dataset.toml: there is no dataset.toml (the folder is empty)",
        "give the folder that holds dataset.toml",
    )
    (tiny.folder / "usage.csv").write_text("")
    refused(tiny, "there is no dataset.toml (the folder has no such file)")


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ('name = "Tiny"', 'name = "Tiny', ["dataset.toml: not TOML in UTF-8:", "(at line 1, column 13)"]),
        (
            'length_unit = "mm"',
            'length_unit = "ft"',
            ["length_unit = 'ft': value not allowed", "'mm', 'cm' or 'in'"],
        ),
        (
            "cut_off = 2020-12-31",
            'cut_off = "31.12.2020"',
            ["cut_off = '31.12.2020': value not allowed", "valid date"],
        ),
        ("cut_off = 2020-12-31", "", ["cut_off = '': missing key", "add `cut_off` to dataset.toml"]),
        (
            'notice = "Invented data."',
            "colour = 3",
            ["colour = '3': unknown key", "take out `colour` or correct its spelling"],
        ),
        ('usage = "usage.csv"', "", ["tables without a file: usage"]),
        (
            'usage = "usage.csv"',
            'usages = "usage.csv"',
            ["no table is called usages; tables are aircraft, basing"],
        ),
        (
            'usage = "usage.csv"',
            'usage = "../usage.csv"',
            ["tables.usage = '../usage.csv': the path leaves the folder"],
        ),
        (
            'usage = "usage.csv"',
            'usage = "/etc/hosts"',
            ["tables.usage = '/etc/hosts': the path leaves the folder"],
        ),
        ('usage = "usage.csv"', 'usage = "meter.csv"', ["tables.usage = 'meter.csv': the file is missing"]),
        ('usage = "usage.csv"', 'usage = "cards.csv"', ["one file cannot hold two tables: cards.csv"]),
        (
            'usage = "usage.csv"',
            'usage = "dataset.toml"',
            ["tables.usage = 'dataset.toml': not a CSV or Parquet file"],
        ),
        (
            "flight_hours = 500\n",
            "flight_hours = 50000\n",
            ["'A check' (50000 flight_hours) stands before 'base check' (5000"],
        ),
        (
            "flight_hours = 500\n",
            "flight_hours = -5\n",
            ["packages.0.flight_hours = '-5': value not allowed", "greater than 0"],
        ),
        ("flight_hours = 500\n", "", ["package 'A check' needs one of flight_hours, flight_cycles, days"]),
        ("aircraft = 2\n", "aircraft = 2.5\n", ["planned_usage.S1.aircraft = '2.5': value not allowed"]),
        (
            "flight_hours = 2000\n",
            "flight_hours = 40000\n",
            ["planned_usage.S1.flight_hours = '40000': value not allowed", "equal to 8784"],
        ),
        (
            '"calendar_days"]',
            '"landings"]',
            ["clocks.2 = 'landings'", "'flight_hours', 'flight_cycles' or 'calendar_days'"],
        ),
        ('"calendar_days"]', '"flight_hours"]', ["each clock may be named once"]),
    ],
)
def test_a_wrong_dataset_file_is_refused(tiny, old, new, parts):
    toml = tiny.write() / "dataset.toml"
    assert old in toml.read_text()
    toml.write_text(toml.read_text().replace(old, new))
    refused(tiny, *parts)


def test_a_table_linked_from_outside_the_folder_is_refused(tiny, tmp_path):
    tiny.write()
    elsewhere = tmp_path / "elsewhere.csv"
    os.replace(tiny.path("usage"), elsewhere)
    tiny.path("usage").symlink_to(elsewhere)
    refused(tiny, "tables.usage = 'usage.csv': the path leaves the folder of the dataset")


def test_a_file_over_the_size_limit_is_refused(tiny, monkeypatch):
    tiny.write()
    monkeypatch.setattr("kit.findings.read.size_limits.LARGEST_FILE", 100)
    size = tiny.path("usage").stat().st_size
    refused(
        tiny,
        f"tables.usage = 'usage.csv': the file is too large ({size:,} bytes). Expected: at most 100 bytes",
    )


@pytest.mark.parametrize(
    ("source", "error", "part"),
    [
        ("sqlite:///nowhere.db", FileNotFoundError, "the database file 'nowhere.db', which is not there"),
        ("nowhere", FileNotFoundError, "There is no 'nowhere'"),
        (7, TypeError, "Got int; give a str or a Path"),
    ],
)
def test_other_sources_are_refused(source, error, part):
    with pytest.raises(error, match=re.escape(part)):
        load_fleet(source)


def test_a_file_of_another_kind_is_refused(tmp_path):
    (tmp_path / "fleet.xls").write_bytes(b"")
    with pytest.raises(
        NotImplementedError, match=r"fleet\.xls'; give its folder, or save a workbook as \.xlsx"
    ):
        load_fleet(tmp_path / "fleet.xls")


@given(
    st.lists(st.text(alphabet="L0a1 9\x00\x85é", max_size=4), min_size=1),
    st.sampled_from(["L", "L0a", "", "a1L", "é"]),
)
def test_what_the_bytes_of_a_column_tell_is_what_its_cells_tell(names, word):
    pytest.importorskip("pyarrow")
    cells = pd.Series(names, dtype="string[pyarrow]").iloc[len(names) // 3 :]
    held = text_bytes(cells)
    assert held.numbered(word) == all(re.fullmatch(re.escape(word) + "[0-9]*", name) for name in cells)
    assert held.longest == max(len(name.encode()) for name in cells)
    assert (held.lowest == 0) == any("\x00" in name for name in cells)
    if held.all_seen:
        assert not any(re.search("[\x00-\x20\x7f-\x9f]", name) for name in cells)
        assert all(name == name.strip() for name in cells)
