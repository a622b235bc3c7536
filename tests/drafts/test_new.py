"""From an extract as it was handed over to a dataset that loads: each guess marked, none taken for sure."""

import tomllib

import numpy as np
import pandas as pd
import pytest
from command_line import run

from kit.drafts import ExtractError, draft_dataset, draft_question, question_toml, read_extract
from kit.drafts.words import words_of
from kit.findings import load_fleet
from kit.intervals import Question
from kit.simulate import default_scenario, make_demo, make_extract

TAILS = "REG NO;VARIANT;EIS DATE\nX1;A;03/25/2011\nX2;A;04/02/2012\n"
POSITIONS = "POSN;APPLICABILITY;AREA;HAND;CONTOUR\nP-7;A;door;L/H;POLYGON ((0 0, 40 0, 40 20, 0 20, 0 0))\n"
REPORTS = (
    "DEFECT REPORT NO;TAIL;POSN;DATE FOUND;TECHNIQUE;DEFECT CODE;LENGTH;WIDTH;X POSITION;Y POSITION;ACTION;VENDOR\n"
    "7;X1;P-7;06/30/2015;COIN TAP;DEBOND;1.25;0.75;10;10;NFA;ACME\n8;X2;P-7;07/13/2016;UT;ZZ;2.5;1;12;8;MON;ACME\n"
)


@pytest.fixture(scope="module")
def handed_over(tmp_path_factory):
    """The same small fleet as the kit's own tables and as an extract in inches and in mm."""
    place = tmp_path_factory.mktemp("fleet")
    scenario = default_scenario(n_aircraft=3)
    make_demo(place / "own", scenario=scenario)
    for unit in ("inch", "mm"):
        make_extract(place / unit, unit=unit, scenario=scenario)
        result = run("new", place / f"new {unit}", "--from", place / unit)
        assert result.exit_code == 0, result.output
    return place


@pytest.mark.long  # a fleet is simulated
@pytest.mark.parametrize("unit", ["inch", "mm"])
def test_an_extract_loads_as_it_was_handed_over_and_says_what_is_guessed(handed_over, unit):
    """Sizes agree with the kit's own tables to half a step of the tape: an eighth of an inch, a millimetre."""
    own = load_fleet(handed_over / "own", set_aside=handed_over / "a.csv")
    fleet = load_fleet(handed_over / f"new {unit}", set_aside=handed_over / "b.csv")
    for name in ("aircraft", "zones", "usage", "tasks", "cards", "findings", "limits"):
        assert len(fleet.tables[name]) == len(own.tables[name]), name
    both = own.tables["findings"].merge(fleet.tables["findings"], on="finding")
    assert len(both) > 0.8 * len(
        own.tables["findings"]
    )  # corrected reports keep the number that they had first
    half_a_step = 25.4 / 16 if unit == "inch" else 0.5
    off = (both["length_x"] - both["length_y"]).abs()
    assert (off[both["length_x"] > 2 * half_a_step] <= half_a_step + 1e-6).all()
    size, other = own.tables["limits"]["size"], fleet.tables["limits"]["size"]
    assert np.allclose(size, other, atol=0.02)
    (guess,) = fleet.warnings.loc[fleet.warnings["column"] == "guessed", "reason"]
    assert guess.endswith("guesses of the draft not confirmed")


@pytest.mark.long
def test_the_folder_holds_a_question_that_can_be_asked_and_notebooks_that_read_the_fleet(handed_over):
    folder = handed_over / "new inch"
    asked = tomllib.loads((folder / "questions" / "first.toml").read_text(encoding="utf-8"))
    assert Question.model_validate(asked).group in set(
        load_fleet(folder, set_aside=True).tables["zones"]["group"]
    )
    books = sorted((folder / "notebooks").glob("*.ipynb"))
    assert len(books) >= 10
    assert not [
        book.name for book in books if "demo_fleet" in book.read_text(encoding="utf-8").split('"tags"')[0]
    ]


def test_guesses_name_heading_order_unit_and_code_and_leave_out_what_they_cannot_tell(tmp_path):
    for name, text in (("TAILS", TAILS), ("POSITIONS", POSITIONS), ("DEFECT REPORTS", REPORTS)):
        (tmp_path / f"{name}.csv").write_text(text, encoding="cp1252")
    draft = draft_dataset(read_extract(tmp_path))
    tables = {table.name: table for table in draft.tables}
    assert tables["aircraft"].columns["aircraft"] == "REG NO"
    assert tables["aircraft"].date_order["entry_into_service"] == "month-day-year"
    assert tables["zones"].units["outline"] == "in"  # a panel of 40 by 20 mm is smaller than a hand
    assert tables["zones"].codes["side"] == {"L/H": "left"}
    assert tables["zones"].made["structure_class"] == "critical"  # nothing is said: what asks most
    found = tables["findings"]
    assert found.columns["finding"] == "DEFECT REPORT NO"
    assert found.units["length"] == found.units["width"] == "in"  # quarters
    assert found.units["centre_x"] == "in"  # as the panel that it lies on
    assert found.codes["kind"] == {"DEBOND": "disbond"}
    assert found.unknown_codes["kind"] == ["ZZ"]
    assert found.codes["disposition"] == {"MON": "monitor", "NFA": "within_limits"}
    assert found.unread == ("VENDOR",)
    assert tables["usage"].extract is None


def test_what_is_missing_is_said_and_the_folder_is_made_all_the_same(tmp_path):
    (tmp_path / "x").mkdir()
    (tmp_path / "x" / "TAILS.csv").write_text(TAILS, encoding="utf-8")
    result = run("new", tmp_path / "y", "--from", tmp_path / "x")
    assert result.exit_code == 0
    assert "usage: not in the extract; usage.csv has its heading, to be filled" in result.output
    assert "usage.csv: the table has no rows" in result.output
    assert (tmp_path / "y" / "usage.csv").read_text(encoding="utf-8").startswith("reading,aircraft,read_on")


def test_a_workbook_gives_the_tables_of_its_sheets(tmp_path):
    pytest.importorskip("openpyxl")
    with pd.ExcelWriter(tmp_path / "fleet.xlsx") as book:
        pd.DataFrame({"REG NO": ["X1"], "VARIANT": ["A"]}).to_excel(book, sheet_name="TAILS", index=False)
    (table,) = read_extract(tmp_path / "fleet.xlsx")
    assert (table.name, table.cells.to_dict("records")) == ("TAILS", [{"REG NO": "X1", "VARIANT": "A"}])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1,2,3\n", r"x\.csv line 2: 3 cells, the heading has 2\. Put cells"),
        ("a,a\n1,2\n", "the heading 'a' stands twice. Rename one"),
        ("\n\n", r"x\.csv: the file is empty\. Take it out"),
    ],
)
def test_a_file_that_is_no_table_is_refused_by_name(tmp_path, text, words):
    (tmp_path / "x.csv").write_text(text)
    with pytest.raises(ExtractError, match=words):
        read_extract(tmp_path)


def test_no_folder_is_written_over_and_no_extract_made_up(tmp_path):
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "file").write_text("mine")
    refused = run("new", tmp_path / "old", "--from", tmp_path)
    assert refused.exit_code == 2
    assert "is there already and not empty" in refused.output
    assert run("new", tmp_path / "new", "--from", tmp_path / "nowhere").exit_code == 2
    assert not (tmp_path / "new").exists()


def test_a_question_without_a_limit_in_the_extract_asks_for_one(tiny):
    tiny.rows["limits"] = []
    about = draft_question(load_fleet(tiny.write()))
    assert "limit_mm = 25   # DRAFT" in question_toml(about)


@pytest.mark.parametrize(
    ("heading", "words"),
    [("A/C REG", ("aircraft",)), ("DateFound", ("date", "found")), ("LEN (IN)", ("length", "inch"))],
)
def test_short_words_are_read_in_full(heading, words):
    assert words_of(heading) == words


GERMAN = {
    "Flugzeuge.csv": "Lfz;Baureihe;Indienststellung\nX1;A;25.03.2011\nX2;A;02.04.2012\n",
    "Zonen.csv": "Zone;Bauteil;Seite;Länge (Zoll);Breite (Zoll)\nP-7;Klappe;links;40,5;20\n",
    "Befunde.csv": (
        "Befund-Nr;Lfz;Zone;Befunddatum;Prüfverfahren;Schadensart;Länge (Zoll);Breite (Zoll);Lage x (Zoll);Lage y (Zoll);Maßnahme;erfasst am\n"
        "7;X1;P-7;30.06.2015;Klopfprobe;Ablösung;1,25;0,75;10;10;innerhalb Grenzen;02.07.2015\n"
    ),
}


def test_german_headings_codes_and_decimal_commas_are_read(tmp_path):
    for name, text in GERMAN.items():
        (tmp_path / name).write_text(text, encoding="cp1252")
    draft = {table.name: table for table in draft_dataset(read_extract(tmp_path)).tables}
    found = draft["findings"]
    assert found.columns["found_on"] == "Befunddatum"
    assert found.columns["recorded_on"] == "erfasst am"
    assert found.columns["centre_x"] == "Lage x (Zoll)"
    assert found.units["length"] == found.units["centre_y"] == "in"
    assert found.date_order["found_on"] == "day-month-year"
    assert found.codes["method"] == {"Klopfprobe": "tap_manual"}
    assert found.codes["kind"] == {"Ablösung": "disbond"}
    assert found.codes["disposition"] == {"innerhalb Grenzen": "within_limits"}
    assert found.extract.cells["Länge (Zoll)"].tolist() == ["1.25"]
    assert "decimal commas written as points: Länge (Zoll), Breite (Zoll)" in found.extract.how
    zones = draft["zones"]
    assert zones.made["outline"].startswith(
        "POLYGON ((0 0, {Länge (Zoll)} 0, {Länge (Zoll)} {Breite (Zoll)},"
    )
    assert zones.units["outline"] == "in"
    assert zones.extract.cells["Länge (Zoll)"].tolist() == ["40.5"]
    assert draft["aircraft"].columns["entry_into_service"] == "Indienststellung"


def test_commas_or_points_that_may_part_thousands_are_left_and_named(tmp_path):
    """1,234 in a file parted by semicolons is one and a quarter, or a thousand and more."""
    path = tmp_path / "Zaehler.csv"
    path.write_text("Lfz;Stunden;Zyklen;Tage\nX1;1,234;1.250;1.250,5\nX2;2,500;2.100;2,5\n")
    (one,) = read_extract(path)
    assert one.cells["Stunden"].tolist() == ["1,234", "2,500"]
    assert one.cells["Zyklen"].tolist() == ["1.250", "2.100"]
    assert one.cells["Tage"].tolist() == ["1250.5", "2.5"]
    assert "LOOK AT Stunden, Zyklen: " in one.how
