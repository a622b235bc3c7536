"""Taps of a grid, from a table or from a file that a finding names."""

import os

import numpy as np
import pandas as pd
import pytest

from findings.stored import to_database, to_parquet, to_workbook
from kit.findings import TableError, load_fleet

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long

GRID = "x,y,mark\n25,25,dull\n50,25,clear\n25,50,clear\n50,50,not_tapped\n"


def with_file(tiny, text=GRID, name="taps/TG-1.csv", finding="D4"):
    folder = tiny.set("findings", finding, tap_grid=name).write()
    (folder / "taps").mkdir(exist_ok=True)
    (folder / name).write_text(text, encoding="utf-8")
    return folder


def refused(source, **keywords) -> pd.DataFrame:
    with pytest.raises(TableError) as caught:
        load_fleet(source, **keywords)
    return caught.value.problems


def told(problems) -> list[tuple]:
    return list(problems[["table", "file", "row", "column", "reason"]].itertuples(index=False, name=None))


@pytest.mark.parametrize("kind", ["csv", "parquet", "workbook", "database"])
def test_the_table_of_taps_comes_from_every_source(tiny, tmp_path, kind):
    tiny.unit = "cm"
    for table, key, column in (("findings", "D1", "outline"), ("repairs", "X1", "region")):
        tiny.set(table, key, **{column: ""})
    tiny.set("findings", "D4", outline="POLYGON ((1 1, 4 1, 4 4, 1 4, 1 1))")
    tiny.set("zones", "Z1", outline="POLYGON ((0 0, 100 0, 100 50, 0 50, 0 0))")
    folder = tiny.write()
    source = {
        "csv": lambda: folder,
        "parquet": lambda: to_parquet(folder, tmp_path / "parquet"),
        "workbook": lambda: to_workbook(folder, tmp_path / "fleet.xlsx"),
        "database": lambda: to_database(folder, f"sqlite:///{tmp_path / 'fleet.db'}"),
    }[kind]()
    taps = load_fleet(source, set_aside=tmp_path / "rejected.csv").tables["taps"]
    assert taps["tap"].tolist() == ["T1", "T2", "T3", "T4"]
    assert taps["x"].tolist() == [250, 500, 250, 500]
    assert taps["mark"].tolist() == ["dull", "clear", "clear", ""]
    assert np.isnan(taps["contact_time"][2])
    assert taps["contact_time"].dropna().tolist() == [420, 300, 310]


def test_the_taps_of_a_file_join_the_table(tiny):
    tiny.unit = "cm"
    for table, key, column in (
        ("findings", "D1", "outline"),
        ("findings", "D4", "outline"),
        ("repairs", "X1", "region"),
    ):
        tiny.set(table, key, **{column: ""})
    tiny.set("findings", "D1", disposition="void").set("findings", "D2", disposition="void")
    for zone in ("Z1", "Z2"):
        tiny.set("zones", zone, outline="POLYGON ((0 0, 100 0, 100 50, 0 50, 0 0))")
    fleet = load_fleet(with_file(tiny, GRID.replace("25,25,dull", "2.5,2.5,dull")), set_aside=True)
    taps = fleet.tables["taps"].query("grid == 'taps/TG-1.csv'")
    assert taps["tap"].tolist() == [f"taps/TG-1.csv:{n}" for n in (2, 3, 4, 5)]
    assert taps["x"].tolist() == [25, 500, 250, 500]
    assert taps["mark"].tolist() == ["dull", "clear", "clear", "not_tapped"]
    assert set(taps["recorded_on"]) == {pd.Timestamp("2019-05-06")}
    assert list(zip(taps["file"], taps["row"], strict=True)) == [("taps/TG-1.csv", n) for n in (2, 3, 4, 5)]
    assert len(fleet.tables["taps"]) == 8


def test_taps_are_known_from_the_first_finding_that_names_them(tiny):
    tiny.add(
        "findings",
        "D4",
        finding="D9",
        found_on="2020-03-01",
        recorded_on="2020-03-02",
        tap_grid="taps/TG-1.csv",
    )
    tiny.rows["taps"] = []
    fleet = load_fleet(with_file(tiny))
    assert set(fleet.tables["taps"]["recorded_on"]) == {pd.Timestamp("2019-05-06")}
    assert len(fleet.as_known_on("2019-05-05").tables["taps"]) == 0
    then = fleet.as_known_on("2019-05-06")
    assert len(then.tables["taps"]) == 4
    assert not len(then.rejected)
    assert fleet.changes("2019-05-05")["table"].tolist().count("taps") == 4


def test_a_mark_in_a_file_changes_the_fingerprint_and_the_order_of_its_lines_only_the_names(tiny):
    before = load_fleet(with_file(tiny)).fingerprint()
    after = load_fleet(with_file(tiny, GRID.replace("clear", "dull", 1))).fingerprint()
    assert {name for name in before if before[name] != after[name]} == {"taps", "all"}


def test_a_dataset_without_taps_keeps_its_fingerprint(tiny):
    tiny.set("findings", "D4", tap_grid="")
    tiny.rows["taps"] = []
    with_heading = load_fleet(tiny.write())
    del tiny.rows["taps"]
    without = load_fleet(tiny.write())
    assert not len(without.warnings)
    assert with_heading.fingerprint() == without.fingerprint()
    assert "taps" not in without.fingerprint()


def test_a_grid_of_the_table_stands_and_no_file_is_looked_for(tiny):
    tiny.set("findings", "D4", tap_grid="G1.csv")
    for row in tiny.rows["taps"]:
        row["grid"] = "G1.csv"
    assert len(load_fleet(tiny.write()).tables["taps"]) == 4


OWN = "the tap file cannot be used: "


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("taps/none.csv", OWN + "the file is missing"),
        ("../outside.csv", OWN + "the path leaves the folder of the dataset"),
        ("taps/../../outside.csv", OWN + "the path leaves the folder of the dataset"),
        ("taps/link.csv", OWN + "the path leaves the folder of the dataset"),
        ("taps/in.csv", OWN + "not a CSV file"),
        ("C:\\taps\\TG-1.csv", "the path of the tap file is absolute"),
        ("taps.csv/x.csv", OWN + "the file is missing"),
        ("taps/" + "a" * 300 + ".csv", OWN + "the name is no path"),
        ("G2", "no such grid in taps"),
        ("taps/TG-1.xlsx", "no such grid in taps"),
    ],
)
def test_a_name_that_is_no_grid_is_one_problem_of_its_finding(tiny, tmp_path, name, reason):
    (tmp_path / "outside.csv").write_text(GRID)
    folder = tiny.set("findings", "D4", tap_grid=name).write()
    (folder / "taps").mkdir()
    os.symlink(tmp_path / "outside.csv", folder / "taps" / "link.csv")
    (folder / "marks.txt").write_text(GRID)
    os.symlink(folder / "marks.txt", folder / "taps" / "in.csv")
    assert told(refused(folder)) == [("findings", "findings.csv", 5, "tap_grid", reason)]


def test_an_absolute_path_is_refused_even_inside_the_folder(tiny):
    folder = with_file(tiny)
    tiny.set("findings", "D4", tap_grid=str(folder / "taps" / "TG-1.csv")).write()
    assert told(refused(folder))[0][-1] == "the path of the tap file is absolute"


def test_a_database_has_no_folder_for_a_tap_file(tiny, tmp_path):
    url = to_database(with_file(tiny), f"sqlite:///{tmp_path / 'fleet.db'}")
    assert refused(url)["reason"].tolist() == ["a database has no folder in which the file could be"]


def test_a_workbook_takes_tap_files_beside_it(tiny):
    folder = with_file(tiny)
    assert len(load_fleet(to_workbook(folder, folder / "fleet.xlsx")).tables["taps"]) == 8


def test_a_file_over_the_limit_is_refused_before_it_is_read(tiny, monkeypatch):
    folder = with_file(tiny)
    big = max(path.stat().st_size for path in folder.glob("*.csv"))
    (folder / "taps" / "TG-1.csv").write_text(GRID + "1,1,clear\n" * big)
    monkeypatch.setattr("kit.findings.read.size_limits.LARGEST_FILE", big)
    assert "the file is too large" in told(refused(folder))[0][-1]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("x,mark\n1,dull\n", "the tap file has no column y"),
        ("x,y\n1,2\n", "the tap file has no column mark"),
        ("x,y,x,mark\n1,2,3,dull\n", "x stands twice in its heading"),
        ("x,y,mark\n", "the tap file has no taps"),
        ("", "the tap file has no column x, y, mark"),
        ('x,y,mark\n1,2,"dull\n', "the file is not CSV: unexpected end of data"),
    ],
)
def test_a_file_that_is_no_grid_is_one_problem_of_its_finding(tiny, text, reason):
    assert told(refused(with_file(tiny, text))) == [("findings", "findings.csv", 5, "tap_grid", reason)]


def test_problems_of_taps_say_file_and_row_and_the_rows_are_set_aside_as_written(tiny, tmp_path):
    text = "x,y,mark,contact_time,note\n25,25,dull,,\nten,25,clear,,\n25,50,loud,,\n50,50,,,\n75,75\n9,9,,-4,\n2e6,9,dull,,\n60,60,clear,,\n"
    folder = with_file(tiny, text)
    file = "taps/TG-1.csv"
    assert told(refused(folder)) == [
        ("taps", file, 3, "x", "x is not a number"),
        ("taps", file, 4, "mark", "mark is not one of its choices"),
        ("taps", file, 5, "mark", "the tap has neither a mark nor a contact time"),
        ("taps", file, 6, "", "too many or too few cells"),
        ("taps", file, 7, "contact_time", "contact_time is too small"),
        ("taps", file, 8, "x", "x reaches farther than any aircraft"),
    ]
    fleet = load_fleet(folder, set_aside=tmp_path / "rejected.csv")
    assert fleet.tables["taps"].query("grid == @file")["row"].tolist() == [2, 9]
    assert told(fleet.warnings) == [("taps", file, 1, "note", "unknown column, not read")]
    aside = pd.read_csv(tmp_path / "rejected.csv", keep_default_na=False)
    assert aside["row_as_written"][0] == f"{file}:3,{file},ten,25,clear,,2019-05-06,"


def test_of_two_files_each_row_set_aside_is_its_own(tiny, tmp_path):
    with_file(tiny, "x,y,mark\none,25,dull\n25,25,dull\n", name="taps/TG-2.csv", finding="D1")
    folder = with_file(tiny, "x,y,mark\ntwo,25,dull\n25,25,dull\n")
    load_fleet(folder, set_aside=tmp_path / "rejected.csv")
    aside = pd.read_csv(tmp_path / "rejected.csv", keep_default_na=False)
    assert [cell.split(",")[2] for cell in aside["row_as_written"]] == ["two", "one"]


def test_a_grid_of_which_all_taps_are_rejected_is_told_at_the_finding_too(tiny):
    problems = refused(with_file(tiny, "x,y,mark\nten,25,dull\n"))
    assert told(problems) == [
        ("findings", "findings.csv", 5, "tap_grid", "all taps of the grid are rejected"),
        ("taps", "taps/TG-1.csv", 2, "x", "x is not a number"),
    ]
    assert problems["mend"][0] == "correct taps/TG-1.csv row 2 and those after it first"


def test_taps_off_the_panel_are_told_and_a_grid_mostly_off_it_is_refused(tiny):
    tiny.set("taps", "T2", x="1000.5")
    fleet = load_fleet(tiny.write())
    assert told(fleet.warnings) == [
        ("findings", "findings.csv", 5, "tap_grid", "taps off the panel, the region is clipped")
    ]
    assert fleet.warnings["expected"].tolist() == [
        "taps on the panel (1 of 4 are off it, first taps.csv row 3)"
    ]
    for tap in ("T1", "T3"):
        tiny.set("taps", tap, y="-1")
    assert told(refused(tiny.write())) == [
        ("findings", "findings.csv", 5, "tap_grid", "the tap grid is mostly off the panel")
    ]
    for tap in ("T1", "T2", "T3"):
        tiny.set("taps", tap, x="1000", y="500")  # on the corner: on the panel
    tiny.rows["taps"] = tiny.rows["taps"][:1]
    assert not len(load_fleet(tiny.write()).warnings)


def test_two_marks_at_one_place_are_told_and_both_taps_stand(tiny):
    tiny.add("taps", "T1", tap="T5", mark="clear")
    fleet = load_fleet(tiny.write())
    assert told(fleet.warnings) == [
        ("taps", "taps.csv", row, "mark", "two taps at one place are marked otherwise; dull counts")
        for row in (2, 6)
    ]
    assert len(fleet.tables["taps"]) == 5


def test_a_grid_without_a_dull_tap_is_told_and_is_no_shape(tiny):
    tiny.set("taps", "T1", mark="clear").rows["taps"].pop()
    fleet = load_fleet(tiny.write())
    assert told(fleet.warnings) == [
        ("findings", "findings.csv", 5, "tap_grid", "no tap of the grid is dull, so it gives no region")
    ]
    tiny.set("findings", "D4", outline="")
    problems = refused(tiny.write())
    assert told(problems) == [
        ("findings", "findings.csv", 5, "outline", "neither an outline nor a centre with a length")
    ]


def test_taps_recorded_later_than_their_finding_are_told_of_that_day_and_the_finding_stands(tiny):
    for row in tiny.rows["taps"]:
        row["recorded_on"] = "2019-08-01"
    fleet = load_fleet(tiny.set("findings", "D4", outline="").write())
    assert not len(fleet.warnings)
    then = fleet.as_known_on("2019-06-01")
    assert not len(then.rejected)
    assert "D4" in then.tables["findings"]["finding"].tolist()
    assert told(then.warnings) == [
        ("findings", "findings.csv", 5, "tap_grid", "refers to taps that became known later")
    ]


def test_a_corrected_tap_takes_the_place_of_the_one_before(tiny):
    tiny.add("taps", "T2", tap="T2b", mark="dull", replaces="T2", recorded_on="2020-01-01")
    fleet = load_fleet(tiny.write())
    assert fleet.tables["taps"]["tap"].tolist() == ["T1", "T2b", "T3", "T4"]
    assert fleet.as_known_on("2019-12-31").tables["taps"]["mark"].tolist() == ["dull", "clear", "clear", ""]
