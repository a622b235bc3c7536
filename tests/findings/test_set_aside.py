"""Rejected rows are written with their reasons, as a whole or not at all, and loading goes on."""

import os

import pandas as pd
import pytest

from kit.findings import PROBLEM_COLUMNS, TableError, load_fleet


def test_rejected_rows_are_written_with_their_reasons_and_loading_goes_on(tiny):
    tiny.set("findings", "D2", kind="crack", remarks="two, words")
    fleet = load_fleet(tiny.write(), set_aside=True)
    assert fleet.tables["findings"]["finding"].tolist() == ["D1", "D3", "D4"]
    assert len(fleet.tables["repairs"]) == 0
    written = pd.read_csv(tiny.folder / "set_aside" / "rejected_rows.csv", dtype="str")
    assert written.columns.tolist() == [*PROBLEM_COLUMNS, "row_as_written"]
    assert written[["file", "row", "column", "value"]].to_numpy().tolist() == [
        ["findings.csv", "3", "kind", "crack"],
        ["repairs.csv", "2", "finding", "D2"],
    ]
    assert written.loc[0, "row_as_written"].startswith("D2,L3,A2,Z2,,2017-05-01,visual,crack,")
    assert '"two, words"' in written.loc[0, "row_as_written"]
    assert fleet.rejected["value"].tolist() == ["crack", "D2"]


def test_the_error_carries_all_problems_and_says_how_to_go_on(tiny):
    for key in ("D1", "D2", "D3", "D4"):
        tiny.set("findings", key, kind="crack", found_on="soon")
    with pytest.raises(TableError, match="Or load it with set_aside=True") as caught:
        load_fleet(tiny.write())
    assert len(caught.value.problems) == 9
    assert tuple(caught.value.problems) == PROBLEM_COLUMNS
    assert not (tiny.folder / "set_aside").exists()


def test_a_cell_that_no_sheet_holds_is_cut_where_its_row_is_set_aside(tiny):
    """It would be written once for each problem of its row."""
    tiny.set("findings", "D2", kind="crack", remarks="x" * 100_000)
    load_fleet(tiny.write(), set_aside=True)
    written = pd.read_csv(tiny.folder / "set_aside" / "rejected_rows.csv", dtype="str")
    row = written.loc[written["column"] == "kind", "row_as_written"].item()
    assert "xxx... (100,000 characters)" in row
    assert 32_767 < len(row) < 33_200


@pytest.mark.parametrize("value", ["=1+1", "+1", "-1", "@x"])
def test_cells_that_look_like_formulas_stay_text(tiny, value):
    tiny.set("findings", "D2", kind=value)
    tiny.add("findings", "D2", finding="=D9")
    load_fleet(tiny.write(), set_aside=True)
    written = pd.read_csv(tiny.folder / "set_aside" / "rejected_rows.csv", dtype="str")
    assert set(written.loc[written["column"] == "kind", "value"]) == {f"'{value}"}
    assert written.loc[written["row"] == "6", "row_as_written"].str.startswith("'=D9,").all()


@pytest.mark.parametrize(
    ("target", "file"), [("away/bad.csv", "away/bad.csv"), ("away", "away/rejected_rows.csv")]
)
def test_a_path_may_be_given(tiny, tmp_path, target, file):
    tiny.set("findings", "D2", kind="crack")
    load_fleet(tiny.write(), set_aside=tmp_path / target)
    assert (tmp_path / file).is_file()
    assert not (tiny.folder / "set_aside").exists()


def test_nothing_is_written_without_rejects_and_an_old_file_is_emptied(tiny):
    load_fleet(tiny.write(), set_aside=True)
    assert not (tiny.folder / "set_aside").exists()
    tiny.set("findings", "D2", kind="crack")
    load_fleet(tiny.write(), set_aside=True)
    tiny.set("findings", "D2", kind="dent")
    load_fleet(tiny.write(), set_aside=True)
    assert len(pd.read_csv(tiny.folder / "set_aside" / "rejected_rows.csv")) == 0


def test_no_place_to_write_is_told_with_the_path_and_the_way_out(tiny, monkeypatch):
    tiny.set("findings", "D2", kind="crack").write()

    def refuse(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    with pytest.raises(PermissionError) as caught:
        load_fleet(tiny.folder, set_aside=True)
    assert (
        f"cannot be written to {tiny.folder / 'set_aside' / 'rejected_rows.csv'} (Permission denied)"
        in str(caught.value)
    )
    assert "Pass a path where you may write: load_fleet(source, set_aside=" in str(caught.value)


def test_a_file_in_the_way_of_the_folder_is_told(tiny):
    tiny.set("findings", "D2", kind="crack").write()
    (tiny.folder / "set_aside").write_text("")
    with pytest.raises(OSError, match=r"rejected_rows\.csv \((File exists|Not a directory)\)"):
        load_fleet(tiny.folder, set_aside=True)


def test_an_interrupted_writing_leaves_the_old_file_and_nothing_else(tiny, monkeypatch):
    tiny.set("findings", "D2", kind="crack").write()
    load_fleet(tiny.folder, set_aside=True)
    target = tiny.folder / "set_aside" / "rejected_rows.csv"
    before = target.read_bytes()
    tiny.set("findings", "D1", kind="crack").write()

    def interrupt(*args):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        load_fleet(tiny.folder, set_aside=True)
    assert target.read_bytes() == before
    assert [path.name for path in target.parent.iterdir()] == ["rejected_rows.csv"]
