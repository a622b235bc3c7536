"""Columns declared after datasets were in use: read where they stand, blank where they do not."""

import dataclasses

import pytest
import shapely

from findings.stored import to_database, to_parquet, to_workbook
from kit.findings import TABLES, TableError, find_traps, load_fleet
from kit.findings.fingerprint import fingerprint

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long

LATER = {name: [c.name for c in table.columns if c.later] for name, table in TABLES.items()}
ROWS = "MULTILINESTRING ((20 20, 20 480), (980 20, 980 480))"


def told(fleet) -> list[tuple[str, str]]:
    return list(fleet.warnings[["column", "reason"]].itertuples(index=False, name=None))


def test_a_dataset_without_the_later_columns_loads_without_a_word_and_has_them_blank(tiny):
    full = tiny.load()
    assert LATER["zones"] == ["fastener_rows", "edge_band", "hinge_line", "remarks", "low_point"]
    assert LATER["tasks"] == ["looks_for"]
    assert LATER["limits"] == ["place", "kind", "most_damages", "bounds"]
    for name, columns in LATER.items():
        tiny.columns[name] = [column for column in tiny.columns[name] if column not in columns]
    old = tiny.load()
    assert not len(old.warnings)
    assert old.tables["zones"]["fastener_rows"].tolist() == [None, None]
    assert old.tables["zones"]["edge_band"].isna().all()
    assert old.tables["zones"]["hinge_line"].tolist() == [None, None]
    assert old.tables["zones"]["remarks"].tolist() == ["", ""]
    assert old.tables["zones"]["low_point"].tolist() == ["", ""]
    assert set(old.tables["tasks"]["looks_for"]) == {""}
    assert old.tables["limits"]["place"].tolist() == [""]
    assert old.tables["limits"]["kind"].tolist() == [""]
    assert old.tables["limits"]["bounds"].tolist() == [""]
    assert old.fingerprint() == full.fingerprint()


def test_a_blank_later_column_is_no_part_of_the_fingerprint_and_a_filled_one_is(tiny, monkeypatch):
    tables = tiny.load().tables
    before = fingerprint(tables)
    columns = tuple(c for c in TABLES["zones"].columns if not c.later)
    with monkeypatch.context() as patch:
        patch.setitem(TABLES, "zones", dataclasses.replace(TABLES["zones"], columns=columns))
        without = {**tables, "zones": tables["zones"].drop(columns=LATER["zones"])}
        assert fingerprint(without) == before
    tiny.set("zones", "Z1", edge_band="25")
    after = tiny.load().fingerprint()
    assert {name for name in before if after[name] != before[name]} == {"zones", "all"}


def test_a_later_table_without_rows_is_no_part_of_the_fingerprint(tiny, monkeypatch):
    tables = tiny.load().tables
    before = fingerprint(tables)
    monkeypatch.setitem(TABLES, "basing", dataclasses.replace(TABLES["basing"], later=True))
    assert fingerprint(tables) == before
    emptied = fingerprint({**tables, "basing": tables["basing"].iloc[:0]})
    without = fingerprint({name: table for name, table in tables.items() if name != "basing"})
    assert emptied == without
    assert emptied["all"] != before["all"]


@pytest.mark.parametrize("kind", ["csv", "parquet", "workbook", "database"])
def test_rows_of_fasteners_are_lines_in_mm_from_every_source(tiny, tmp_path, kind):
    tiny.unit = "cm"
    for name in ("Z1", "Z2"):
        tiny.set("zones", name, outline="POLYGON ((0 0, 100 0, 100 50, 0 50, 0 0))", edge_band="2.5")
    tiny.set("zones", "Z1", fastener_rows="MULTILINESTRING ((2 2, 2 48), (98 2, 98 48))")
    for table, key, column in (
        ("findings", "D1", "outline"),
        ("findings", "D4", "outline"),
        ("repairs", "X1", "region"),
    ):
        tiny.set(table, key, **{column: ""})
    folder = tiny.write()
    source = {
        "csv": lambda: folder,
        "parquet": lambda: to_parquet(folder, tmp_path / "parquet"),
        "workbook": lambda: to_workbook(folder, tmp_path / "fleet.xlsx"),
        "database": lambda: to_database(folder, f"sqlite:///{tmp_path / 'fleet.db'}"),
    }[kind]()
    zones = load_fleet(source, set_aside=tmp_path / "rejected.csv").tables["zones"]
    lines = zones["fastener_rows"].tolist()
    assert lines[1] is None
    assert shapely.equals(lines[0], shapely.from_wkt(ROWS))
    assert zones["edge_band"].tolist() == [25.0, 25.0]


def test_lines_that_leave_the_panel_are_clipped_with_a_warning(tiny):
    tiny.set("zones", "Z1", fastener_rows="LINESTRING (20 -100, 20 600)")
    fleet = tiny.load()
    assert shapely.equals(
        fleet.tables["zones"]["fastener_rows"][0], shapely.linestrings([(20, 0), (20, 500)])
    )
    assert told(fleet) == [("fastener_rows", "fastener_rows leaves the panel, clipped")]
    assert "(71 % of it is)" in fleet.warnings["expected"].iloc[0]


@pytest.mark.parametrize(
    ("cell", "reason", "expected"),
    [
        ("LINESTRING (0 -10, 1000 -10)", "fastener_rows is mostly outside the panel", "(0 % of it is)"),
        ("LINESTRING (20 -900, 20 100)", "fastener_rows is mostly outside the panel", "(10 % of it is)"),
        ("LINESTRING (20 20, 20 20)", "fastener_rows has no length", "lines with a length"),
        ("LINESTRING (20 20, 2e9 20)", "fastener_rows reaches farther than any aircraft", "within 1e+06 mm"),
        (
            "POLYGON ((0 0, 9 0, 9 9, 0 0))",
            "fastener_rows is not lines in WKT",
            "one LINESTRING or MULTILINESTRING, not a POLYGON",
        ),
        ("LINESTRING (20 20", "fastener_rows is not lines in WKT", "which can be read"),
        ("LINESTRING (20 1e999, 20 30)", "fastener_rows is not lines in WKT", "finite numbers"),
    ],
)  # fmt: skip
def test_lines_that_cannot_be_used_are_rejected(tiny, cell, reason, expected):
    tiny.set("zones", "Z2", fastener_rows=cell)
    with pytest.raises(TableError) as caught:
        tiny.load()
    problem = caught.value.problems.query("table == 'zones'").iloc[0]
    assert (problem["column"], problem["row"], problem["reason"]) == ("fastener_rows", 3, reason)
    assert expected in problem["expected"]


def test_an_outline_is_not_taken_where_lines_are_and_lines_not_where_an_outline_is(tiny):
    tiny.set("zones", "Z1", outline="LINESTRING (0 0, 1000 0)")
    with pytest.raises(TableError) as caught:
        tiny.load()
    assert "one POLYGON, not a LINESTRING" in set(caught.value.problems["expected"])


def test_a_place_is_one_of_three_and_a_count_not_negative(tiny):
    tiny.set("limits", "M1", place="corner", most_damages="-1")
    with pytest.raises(TableError) as caught:
        tiny.load()
    assert caught.value.problems[["column", "expected"]].to_numpy().tolist() == [
        ["place", "one of field, edge_band, fastener_row"],
        ["most_damages", "at least 0"],
    ]


def test_two_limits_for_one_place_from_one_day_are_told(tiny):
    tiny.add("limits", "M1", limit="M2", size="30", place="edge_band")
    assert not len(tiny.load().warnings)
    tiny.add("limits", "M1", limit="M3", size="35")
    warnings = tiny.load().warnings
    assert warnings["reason"].tolist() == ["two limits for one place in force from the same day"] * 2
    assert warnings["row"].tolist() == [2, 4]


def test_a_limit_for_a_place_is_no_other_revision_to_judge_by(tiny):
    """Trap T15 asks whether another revision was used, not what holds at the edge."""
    tiny.set("findings", "D4", length="50", width="50")
    tiny.add("limits", "M1", limit="M2", size="60", place="edge_band")
    assert not len(find_traps(tiny.load(), traps=["T15"]))
    tiny.set("limits", "M2", place="", revision="2", valid_from="2020-01-01", recorded_on="2020-01-01")
    assert find_traps(tiny.load(), traps=["T15"])["id"].tolist() == ["D4"]
