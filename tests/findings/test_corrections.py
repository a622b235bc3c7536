"""Corrections are proposed, accepted by a person, and become rows; nothing is edited in place."""

import csv
import os

import pandas as pd
import pytest
from support import Tiny

from kit.findings import TableError, apply_corrections, propose_corrections, write_proposals
from kit.findings.report.corrections import DECISION_COLUMNS, PROPOSAL_COLUMNS, as_text_cell

YES = {"accept": "yes", "by_role": "reliability engineer", "on": "2021-02-03"}


def mixed(tiny: Tiny) -> Tiny:
    """Give D1 the wrong unit: its outline is 50 mm long."""
    return tiny.set("findings", "D1", size_unit="in")


def load(tiny: Tiny):
    return tiny.load(set_aside=tiny.folder.parent / "rejected.csv")


def decide(tiny: Tiny, *rows: dict, fleet=None):
    """Write proposals with decisions, one dict for each, further ones as rows of one's own."""
    path = write_proposals(fleet or load(tiny), tiny.folder.parent / "corrections.csv", overwrite=True)
    with path.open(newline="", encoding="utf-8") as file:
        written = list(csv.DictReader(file))
    blank = dict.fromkeys((*PROPOSAL_COLUMNS, *DECISION_COLUMNS), "")
    written += [blank] * (len(rows) - len(written))
    written = [old | new for old, new in zip(written, rows, strict=True)]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, blank)
        writer.writeheader()
        writer.writerows(written)
    return path


def own(table: str, key: str, column: str, old: str, new: str, **cells: str) -> dict:
    """Return an accepted correction that a person thought of."""
    named = {"table": table, "id": key, "column": column, "old": old, "new": new, "why": "read again"}
    return YES | named | cells


def row_of(fleet, table: str, **cells: str) -> pd.Series:
    rows = fleet.tables[table]
    for name, cell in cells.items():
        rows = rows[rows[name] == cell]
    assert len(rows) == 1
    return rows.iloc[0]


def test_a_proposal_says_which_cell_what_to_write_and_why(tiny):
    table = propose_corrections(load(mixed(tiny)))
    assert tuple(table.columns) == PROPOSAL_COLUMNS
    row = table.iloc[0].to_dict()
    why = row.pop("why")
    assert row == {
        "proposal": "Q0001", "table": "findings", "id": "D1", "column": "size_unit", "old": "in", "new": "mm",
        "trap": "T2", "confidence": "sure",
    }  # fmt: skip
    assert why.startswith("1270 mm on a panel of 1118 mm") or "1270 mm beside an outline 50 mm long" in why


def test_an_accepted_correction_is_a_row_that_replaces_the_old_one_from_its_day_on(tiny):
    fleet = load(mixed(tiny).set("findings", "D1", length="40", width="30"))  # 1016 mm fits on the panel
    corrected = apply_corrections(fleet, decide(tiny, YES, fleet=fleet))
    old, new = row_of(fleet, "findings", finding="D1"), row_of(corrected, "findings", replaces="D1")
    assert new["finding"] == "D1-c1"
    assert (new["size_unit"], new["length"], new["width"], new["rounding"]) == ("mm", 40.0, 30.0, 5.0)
    assert new["recorded_on"] == pd.Timestamp("2021-02-03")
    assert (new["file"], new["row"]) == ("corrections.csv", 2)
    assert new["remarks"].startswith(
        "size_unit corrected from in to mm: 1016 mm beside an outline 50 mm long"
    )
    assert new["remarks"].endswith("(reliability engineer, 2021-02-03)")
    same = [
        name
        for name in old.index
        if name
        not in (
            "finding",
            "size_unit",
            "length",
            "width",
            "rounding",
            "remarks",
            "recorded_on",
            "replaces",
            "file",
            "row",
        )
    ]
    assert all(old[name] == new[name] or pd.isna(old[name]) for name in same)
    assert "D1" not in set(corrected.tables["findings"]["finding"])
    assert corrected.known_on == pd.Timestamp("2021-02-03")


def test_before_the_day_of_acceptance_the_old_value_stood(tiny):
    fleet = load(mixed(tiny).set("findings", "D1", length="40"))
    corrected = apply_corrections(fleet, decide(tiny, YES, fleet=fleet))
    before, after = corrected.as_known_on("2021-02-02"), corrected.as_known_on("2021-02-03")
    assert before.fingerprint() == fleet.fingerprint()
    assert row_of(before, "findings", finding="D1")["size_unit"] == "in"
    assert after.fingerprint() == corrected.fingerprint()
    since = corrected.rows_since("2020-12-31")
    assert since[["table", "id", "replaces", "what"]].to_numpy().tolist() == [
        ["findings", "D1-c1", "D1", "corrected"]
    ]


def test_the_dataset_and_the_fleet_stay_as_they_are(tiny):
    fleet = load(mixed(tiny))
    files = {path.name: path.read_bytes() for path in tiny.folder.iterdir()}
    before, raw = fleet.fingerprint(), {name: len(table.typed) for name, table in fleet.as_read.items()}
    apply_corrections(fleet, decide(tiny, YES, fleet=fleet))
    assert {path.name: path.read_bytes() for path in tiny.folder.iterdir()} == files
    assert fleet.fingerprint() == before
    assert {name: len(table.typed) for name, table in fleet.as_read.items()} == raw


def test_what_nobody_accepted_changes_nothing(tiny):
    fleet = load(mixed(tiny))
    assert apply_corrections(fleet, decide(tiny, {}, fleet=fleet)) is fleet
    assert apply_corrections(fleet, decide(tiny, {"accept": "No", "on": "soon"}, fleet=fleet)) is fleet


def test_a_rejected_row_is_let_in_by_its_correction(tiny):
    fleet = load(tiny.set("findings", "D2", found_on="2017-30-04"))
    assert len(fleet.rejected) == 2  # the finding and its repair
    path = decide(tiny, YES, fleet=fleet)
    corrected = apply_corrections(fleet, path)
    assert not len(corrected.rejected)
    assert row_of(corrected, "findings", replaces="D2")["found_on"] == pd.Timestamp("2017-04-30")
    assert row_of(corrected, "repairs", repair="X1")["finding"] == "D2-c1"


def test_two_cells_of_a_row_on_one_day_make_one_row_and_on_two_days_two(tiny):
    fleet = load(tiny)
    both = [own("findings", "D4", "kind", "dent", "disbond"), own("findings", "D4", "side", "", "outer")]
    one = apply_corrections(fleet, decide(tiny, *both, fleet=fleet))
    assert (row_of(one, "findings", replaces="D4")[["kind", "side"]] == ["disbond", "outer"]).all()
    both[1]["on"] = "2021-03-01"
    two = apply_corrections(fleet, decide(tiny, *both, fleet=fleet))
    last = row_of(two, "findings", replaces="D4-c1")
    assert last["finding"] == "D4-c2"
    assert (last[["kind", "side"]] == ["disbond", "outer"]).all()
    assert row_of(two.as_known_on("2021-02-28"), "findings", replaces="D4")["side"] == ""


def test_side_and_look_are_corrected_together_or_not_at_all(tiny):
    for table, key in (("inspections", "L4"), ("findings", "D3")):
        tiny.set(table, key, zone="Z1")  # the serial P2 is at Z2
    fleet = load(tiny)
    corrected = apply_corrections(fleet, decide(tiny, YES, YES, fleet=fleet))
    assert row_of(corrected, "findings", replaces="D3")["zone"] == "Z2"
    assert row_of(corrected, "findings", replaces="D3")["inspection"] == "L4-c1"
    with pytest.raises(TableError, match=r"(?s)zone is not that of its inspection.*do not fit together"):
        apply_corrections(fleet, decide(tiny, YES, {}, fleet=fleet))


@pytest.mark.parametrize("unit", ["mm", "cm", "in"])
def test_what_is_not_corrected_keeps_its_lengths_whatever_the_unit_of_the_file(tiny, unit):
    tiny.unit = unit
    factor = {"mm": 1.0, "cm": 10.0, "in": 25.4}[unit]
    fleet = load(tiny)
    rows = [own("zones", "Z1", "group", "flap", "slat"), own("limits", "M1", "size", "40", "30")]
    corrected = apply_corrections(fleet, decide(tiny, *rows, fleet=fleet))
    zone = row_of(corrected, "zones", replaces="Z1")
    assert zone["outline"].area == pytest.approx(1000 * 500 * factor**2)
    assert zone["core_thickness"] == pytest.approx(12 * factor)
    assert row_of(corrected, "limits", replaces="M1")["size"] == pytest.approx(30 * factor)


@pytest.mark.parametrize(
    ("cells", "line"),
    [
        (
            {"by_role": ""},
            "corrections.csv row 2, by_role = '': accepted, but by_role is blank. Expected: the role of",
        ),
        ({"on": ""}, "corrections.csv row 2, on = '': accepted, but on is blank."),
        ({"on": "03/02/2021"}, "corrections.csv row 2, on = '03/02/2021': on is not a day."),
        ({"on": "2021-02-30"}, "corrections.csv row 2, on = '2021-02-30': on is not a day."),
        (
            {"on": "2019-05-05"},
            "row 2, on = '2019-05-05': accepted before the row was recorded. Expected: a day from 2019-05-06",
        ),
        ({"why": ""}, "corrections.csv row 2, why = '': accepted, but why is blank."),
        ({"accept": "ok"}, "corrections.csv row 2, accept = 'ok': accept is neither yes nor blank."),
        (
            {"table": "finding"},
            "corrections.csv row 2, table = 'finding': no such table. Expected: one of aircraft",
        ),
        (
            {"column": "kinds"},
            "row 2, column = 'kinds': no column of findings that can be corrected. Expected: one of inspection",
        ),
        ({"column": "recorded_on"}, "column = 'recorded_on': no column of findings that can be corrected."),
        ({"id": "D9"}, "corrections.csv row 2, id = 'D9': no such row in findings."),
        (
            {"old": "disbond"},
            "row 2, old = 'disbond': the old value does not stand. Expected: 'dent', which the row says now.",
        ),
        ({"new": "dent"}, "corrections.csv row 2, new = 'dent': the new value is the old one."),
        ({"new": "hole"}, "corrections.csv row 2, kind = 'hole': kind is not one of its choices."),
        (
            {"column": "found_on", "old": "2019-05-05", "new": "2019-05-50"},
            "row 2, found_on = '2019-05-50': found_on",
        ),
        (
            {"column": "aircraft", "old": "A1", "new": "A7"},
            "row 2, aircraft = 'A7': no such row in aircraft.",
        ),
    ],
)
def test_what_cannot_be_applied_is_refused_and_said(tiny, cells, line):
    fleet = load(tiny)
    path = decide(tiny, own("findings", "D4", "kind", "dent", "disbond") | cells, fleet=fleet)
    with pytest.raises(TableError) as caught:
        apply_corrections(fleet, path)
    assert line in str(caught.value), str(caught.value)
    assert len(caught.value.problems)


def test_a_row_that_a_later_one_corrects_does_not_stand_any_more(tiny):
    fleet = load(tiny.add("findings", "D4", finding="D5", replaces="D4", recorded_on="2019-06-01"))
    path = decide(tiny, own("findings", "D4", "kind", "dent", "disbond"), fleet=fleet)
    with pytest.raises(TableError, match="id = 'D4': the row of findings does not stand any more"):
        apply_corrections(fleet, path)


def test_one_cell_corrected_twice_on_one_day_is_refused(tiny):
    fleet = load(tiny)
    rows = [own("findings", "D4", "kind", "dent", new) for new in ("disbond", "moisture")]
    with pytest.raises(TableError, match="one cell is corrected twice on one day"):
        apply_corrections(fleet, decide(tiny, *rows, fleet=fleet))


def test_an_earlier_state_of_knowledge_is_not_corrected(tiny):
    fleet = load(tiny)
    path = decide(tiny, own("findings", "D4", "kind", "dent", "disbond"), fleet=fleet)
    with pytest.raises(
        ValueError, match=r"`fleet` must be the dataset as loaded\. Got it as known on 2018-01-01"
    ):
        apply_corrections(fleet.as_known_on("2018-01-01"), path)


@pytest.mark.parametrize(
    ("contents", "words"),
    [
        (b"", "columns missing or twice: proposal"),
        (b"accept,on\nyes,2021-01-01\n", "columns missing or twice: proposal"),
        (b"\xff\xfe\x00", "the file is not CSV in UTF-8"),
        (
            (",".join((*PROPOSAL_COLUMNS, *DECISION_COLUMNS)) + '\na,"b').encode(),
            "the file is not CSV in UTF-8",
        ),
        (
            (",".join((*PROPOSAL_COLUMNS, *DECISION_COLUMNS)) + "\na,b\n").encode(),
            "too many or too few cells on line 2",
        ),
    ],
)
def test_a_file_that_is_no_corrections_file_is_refused(tiny, contents, words):
    path = tiny.folder.parent / "corrections.csv"
    path.write_bytes(contents)
    with pytest.raises(TableError, match=words):
        apply_corrections(load(tiny), path)


def test_a_file_that_is_not_there_is_said(tiny):
    with pytest.raises(
        FileNotFoundError, match=r"`path` must be a corrections file\. There is no 'none\.csv'"
    ):
        apply_corrections(load(tiny), "none.csv")


def test_decisions_are_not_written_over(tiny):
    fleet = load(mixed(tiny))
    path = write_proposals(fleet, tiny.folder.parent / "corrections.csv")
    with pytest.raises(FileExistsError, match="for decisions may stand in it"):
        write_proposals(fleet, path)
    assert [name for name in os.listdir(path.parent) if name.startswith(".part")] == []


@pytest.mark.parametrize(
    "cell", ["=1+1", "+1", "-5", "@name", "'=x", "''-3", "\ttab", "plain", "O'Neil", "'quoted'", ""]
)
def test_a_cell_that_a_spreadsheet_would_run_is_text_and_comes_back_as_it_was(cell):
    from kit.findings.report.corrections import _from_text_cell

    assert not as_text_cell(cell).startswith(("=", "+", "-", "@", "\t"))
    assert _from_text_cell(as_text_cell(cell)) == cell


def test_formulas_in_the_dataset_stay_text_in_the_proposals(tiny):
    tiny.set("findings", "D2", size_unit="mm", length="50", width="25", rounding="5", inspection="")
    tiny.add("findings", "D1", finding="=cmd|D", recorded_on="2014-01-08")
    path = write_proposals(load(tiny), tiny.folder.parent / "corrections.csv")
    text = path.read_text(encoding="utf-8")
    assert "'=cmd|D" in text
    assert ",=" not in text
    corrected = apply_corrections(load(tiny), decide(tiny, YES))
    assert row_of(corrected, "findings", replaces="=cmd|D")["disposition"] == "duplicate"


@pytest.mark.long
def test_all_proposals_for_the_demo_fleet_can_be_accepted_and_mend_every_rejected_row(demo_fleet, tmp_path):
    path = write_proposals(demo_fleet, tmp_path / "corrections.csv")
    rows = pd.read_csv(path, dtype="str", keep_default_na=False)
    rows.assign(accept="yes", by_role="auditor", on="2026-01-15").to_csv(path, index=False)
    corrected = apply_corrections(demo_fleet, path)
    assert len(demo_fleet.rejected) >= 20
    assert not len(corrected.rejected)
    assert len(corrected.warnings) < len(demo_fleet.warnings) / 3
    then = corrected.as_known_on("2026-01-14")
    assert then.fingerprint() == demo_fleet.fingerprint()
