"""Sheets are exact on paper, hold what is known of a panel, and leave nothing out in silence."""

import dataclasses
import json
import re

import numpy as np
import pandas as pd
import pytest
import shapely
from pypdf import PdfReader
from pypdf.generic import ContentStream
from support import Tiny
from typer.testing import CliRunner

from kit.__main__ import app
from kit.cautions import CAUTIONS
from kit.findings import load_fleet
from kit.intervals import Evidence, QuestionError, tasks_due
from kit.regions import TIER_WORDS, tap_grid_chance, tier_panels
from kit.tap_sheets import (
    PAPERS,
    SCALES,
    check_sheets,
    drawing_scale,
    panel_sheets,
    tap_lattice,
    tap_pitch,
    write_sheets,
)

MM = 25.4 / 72
EXACT = 0.2  # mm on paper


def drawn(page):
    """Paths of a page as they are drawn, and marks by place, in mm from its lower left corner."""
    paths, marks, matrix, stack, points = [], [], np.eye(3), [], []
    for values, operator in ContentStream(page.get_contents(), page.pdf).operations:
        numbers = [float(x) for x in values if isinstance(x, (int, float)) or hasattr(x, "as_numeric")]
        if operator == b"q":
            stack.append(matrix)
        elif operator == b"Q":
            matrix = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator in (b"m", b"l"):
            points.append((np.array([*numbers, 1.0]) @ matrix)[:2] * MM)
        elif operator in (b"S", b"s", b"f", b"B", b"b", b"n", b"B*", b"f*", b"b*"):
            if points and operator != b"n":
                paths.append(np.array(points))
            points = []
        elif operator == b"Do":
            marks.append(matrix[2, :2] * MM)
    if not marks:  # few marks are drawn one by one, not as one form that is placed
        marks = [
            path.mean(axis=0) for path in paths if len(path) == 4 and (abs(extent(path) - 1) < 0.01).all()
        ]
    return paths, np.array(marks)


def extent(path):
    return np.ptp(path, axis=0)


def page_with(paths, width, height):
    """The drawn paths of an extent, to the exactness asked."""
    return [path for path in paths if (abs(extent(path) - (width, height)) < EXACT).all()]


CURVED = shapely.Point(600, 400).buffer(350, quad_segs=32)
OUTLINES = {
    "rectangle": shapely.box(0, 0, 1000, 500),
    "curved": CURVED.difference(shapely.box(500, 350, 700, 450)),
    "tiny": shapely.box(10, 20, 55, 50),
    "huge": shapely.box(-3000, 0, 9000, 2500),
    "tall": shapely.box(0, 0, 200, 3000),
}


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    return Evidence(load_fleet(Tiny(tmp_path_factory.mktemp("fleet")).write()))


@pytest.fixture(scope="module")
def sheet(evidence):
    return panel_sheets(evidence, ["P1"], size_mm=40.0)[0]


def with_outline(sheet, outline):
    taps = tap_lattice(outline, sheet.pitch_mm)
    return dataclasses.replace(sheet, outline=outline, taps=taps, fastener_rows=None)


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "paper"),
    [("rectangle", "a4"), ("curved", "letter"), ("tiny", "a4"), ("huge", "letter"), ("tall", "a4")],
)
def test_page_bar_outline_and_taps_are_exact_on_paper(sheet, tmp_path, name, paper):
    """Read back from the drawing operators of the file: to 0.2 mm."""
    one = with_outline(sheet, OUTLINES[name])
    write_sheets([one], tmp_path / "sheet.pdf", paper=paper)
    page = PdfReader(tmp_path / "sheet.pdf").pages[0]
    assert (
        abs(np.array([page.mediabox.width, page.mediabox.height], float) * MM - PAPERS[paper]) < EXACT
    ).all()
    paths, marks = drawn(page)
    assert len(page_with(paths, 100.0, 0.0)) == 1
    text = page.extract_text()
    scale = float(text.split("Scale 1 : ")[1].split(". ")[0])
    low_x, low_y, high_x, high_y = one.outline.bounds
    size = np.array([high_x - low_x, high_y - low_y]) / scale
    outline = page_with(paths, *size)
    assert outline, (size, [extent(path) for path in paths])
    corner = outline[0].min(axis=0)
    step = 1
    if "every tap is drawn" not in text:
        step = int(text.split("of every ")[1].split(" row")[0].rstrip("stndrh"))
    index = np.rint((one.taps - one.taps.min(axis=0)) / one.pitch_mm).astype(int)
    kept = one.taps[(index % step == 0).all(axis=1)]
    wanted = corner + (kept - [low_x, low_y]) / scale
    assert len(marks) == len(wanted)
    far = np.abs(marks[np.lexsort(marks.round(3).T)] - wanted[np.lexsort(wanted.round(3).T)])
    assert far.max() < EXACT
    # Everything lies on the paper.
    every = np.concatenate(paths)
    assert every.min() > 0
    assert (every < PAPERS[paper]).all()


def test_a_false_scale_is_seen_by_the_measurement(sheet, tmp_path):
    """The measurement can fail: an outline 1 % too long is not found."""
    write_sheets([sheet], tmp_path / "sheet.pdf")
    paths, _ = drawn(PdfReader(tmp_path / "sheet.pdf").pages[0])
    assert page_with(paths, 100.0, 50.0)
    assert not page_with(paths, 101.0, 50.5)


def test_a_sheet_judges_its_panel_as_the_whole_fleet_judges_it(evidence, sheet):
    """What is worked out for the panels asked alone is what is worked out for all."""
    whole = tier_panels(evidence.fleet)
    some = tier_panels(evidence.fleet, panels=["P1"])
    pd.testing.assert_frame_equal(some, whole.loc[whole["panel"] == "P1"].reset_index(drop=True))
    assert TIER_WORDS[some["tier"].iloc[0]] in sheet.judged


def test_every_sheet_carries_all_cautions_and_its_method(sheet, tmp_path):
    write_sheets([sheet, sheet], tmp_path / "sheet.pdf")
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(tmp_path / "sheet.pdf").pages]
    assert len(pages) == 4
    for back in (pages[1], pages[3]):
        for line in (*CAUTIONS, *sheet.method_lines):
            assert line in back
    assert "sheet 2 of 2, page 1 of 2" in pages[2]


@pytest.mark.long
def test_the_same_sheets_give_the_same_bytes(sheet, tmp_path):
    for name in ("one.pdf", "two.pdf"):
        write_sheets([sheet], tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_text_from_data_is_never_a_formula_nor_lost(sheet, tmp_path):
    one = dataclasses.replace(sheet, panel="P$1_{x}$ 5", group="a\nb", dataset="$\\frac$")
    write_sheets([one], tmp_path / "sheet.pdf")
    text = PdfReader(tmp_path / "sheet.pdf").pages[0].extract_text()
    assert "P$1_{x}$ 5" in text
    assert "$\\frac$" in text


def test_damage_without_an_outline_is_listed_and_cautioned(sheet, tmp_path):
    lost = pd.DataFrame(
        {
            "finding": ["F9"],
            "kind": ["disbond"],
            "geometry": np.array([None], object),
            "diameter_mm": [np.nan],
            "stands": [True],
            "found_on": [pd.Timestamp("2019-01-01")],
            "mark": ["D1"],
            "place": [""],
        }
    )
    one = dataclasses.replace(sheet, damage=lost)
    assert "1 earlier damages of this panel have no outline on record" in one.cautions[0]
    write_sheets([one], tmp_path / "sheet.pdf")
    assert "not mapped" in PdfReader(tmp_path / "sheet.pdf").pages[0].extract_text()


def test_damage_outside_the_outline_is_cautioned_and_not_drawn_off_the_paper(sheet):
    """D1 lies at x 100 to 150."""
    one = with_outline(sheet, OUTLINES["tiny"])
    assert "1 earlier damages of this panel lie outside its outline on record" in one.cautions[0]
    assert not [line for line in sheet.cautions if "outside its outline" in line]


def test_records_that_do_not_fit_the_front_stand_on_a_further_page(sheet, tmp_path):
    many = pd.DataFrame(
        {
            "finding": [f"F{k:04d}" for k in range(90)],
            "kind": "disbond",
            "geometry": [shapely.box(10 * k, 100, 10 * k + 8, 108) for k in range(90)],
            "diameter_mm": 9.0,
            "stands": True,
            "found_on": pd.Timestamp("2019-01-01"),
            "mark": [f"D{k + 1}" for k in range(90)],
            "place": "field",
        }
    )
    write_sheets([dataclasses.replace(sheet, damage=many)], tmp_path / "sheet.pdf")
    pages = PdfReader(tmp_path / "sheet.pdf").pages
    text = "\n".join(page.extract_text() for page in pages)
    assert len(pages) == 4
    assert all(finding in text for finding in many["finding"])
    assert "more records of damage and repair stand on a further page" in text


def test_the_grid_meets_damage_of_the_wanted_size_with_the_chance_that_is_printed():
    """The chance of `tap_grid_chance`, which its own tests hold against simulation; a closer look is never worse."""
    for size, aspect in ((20.0, 1.0), (40.0, 2.0), (150.0, 3.0)):
        pitch = tap_pitch(size, bounds="equivalent_diameter", aspect=aspect, chance=0.9)
        assert tap_grid_chance(size * aspect**0.5, size / aspect**0.5, pitch) >= 0.9
        assert tap_grid_chance(size * aspect**0.5, size / aspect**0.5, pitch + 1.0) < 0.9
        assert tap_pitch(size, bounds="longest_extent", aspect=aspect, chance=0.9) <= pitch
        assert tap_pitch(size, bounds="equivalent_diameter", aspect=aspect, chance=0.95) <= pitch
        assert tap_pitch(size, bounds="equivalent_diameter", aspect=aspect + 1, chance=0.9) <= pitch


def test_the_lattice_leaves_no_strip_wider_than_a_pitch():
    for outline in OUTLINES.values():
        taps = tap_lattice(outline, 20.0)
        low_x, low_y, high_x, high_y = outline.bounds
        assert shapely.intersects_xy(outline, *taps.T).all()
        assert (taps.min(axis=0) - [low_x, low_y] <= 20.0).all()
        assert ([high_x, high_y] - taps.max(axis=0) <= 20.0).all()


def test_the_drawing_is_the_largest_that_fits():
    scale = drawing_scale(1500.0, 800.0, room=(170.0, 90.0))
    assert scale in SCALES
    assert max(1500 / 170, 800 / 90) <= scale
    assert all(one >= scale or 1500 / one > 170 or 800 / one > 90 for one in SCALES)
    with pytest.raises(ValueError, match="9,000,000 by 800 mm fits the page at no scale"):
        drawing_scale(9e6, 800.0, room=(170.0, 90.0))


def test_what_cannot_be_done_is_refused_with_how_to_mend_it(evidence):
    for words, call in {
        "panel: 'P77' is fitted on no aircraft on 2020-12-31": lambda: panel_sheets(evidence, ["P77"]),
        "aircraft: 'A9' is not in the dataset. Known are A1, A2, A3": lambda: check_sheets(
            evidence, "A9", "base check"
        ),
        "check: 'D check' is neither a package nor a task. Known are A check, base check, K1, K2": lambda: (
            check_sheets(evidence, "A1", "D check")
        ),
        "check: 'K2' asks for no tap test on A1. K2: not by tapping": lambda: check_sheets(
            evidence, "A1", "K2"
        ),
        "P1: wanted size: must be positive and finite. Got 0.0": lambda: panel_sheets(
            evidence, ["P1"], size_mm=0.0
        ),
    }.items():
        with pytest.raises(QuestionError, match=re.escape(words)):
            call()


def test_without_a_limit_on_record_a_size_must_be_given_and_the_sheet_says_so(tmp_path):
    tiny = Tiny(tmp_path / "fleet")
    tiny.rows["limits"] = []
    evidence = Evidence(load_fleet(tiny.write()))
    with pytest.raises(QuestionError, match=r"P1: no allowable size is on record.* with --size"):
        panel_sheets(evidence, ["P1"])
    (one,) = panel_sheets(evidence, ["P1"], size_mm=30.0)
    assert "No damage limit for this panel is on record" in one.cautions[0]
    write_sheets([one], tmp_path / "sheet.pdf")
    assert "not on record" in PdfReader(tmp_path / "sheet.pdf").pages[0].extract_text()


def test_the_grid_is_made_for_the_smallest_allowable_damage(evidence):
    """M1 allows 40 mm; with a smaller one for the edge band the grid is closer."""
    (one,) = panel_sheets(evidence, ["P2"])
    assert (one.size_mm, one.size_basis) == (40.0, "smallest allowable, limit M1")
    assert one.pitch_mm == tap_pitch(40.0, bounds=one.bounds, aspect=2.0, chance=0.9)


def test_each_task_is_due_at_its_first_clock_after_the_last_look(evidence):
    """By hand: K1 asks each 730 days. P2 looked at on 2019-02-01, P3 on 2016-06-01; the age of P5 is not known."""
    due = tasks_due(evidence).set_index(["task", "panel"])
    assert due.loc[("K1", "P2"), "due_on"] == pd.Timestamp("2021-01-31")
    assert due.loc[("K1", "P3"), "due_on"] == pd.Timestamp("2018-06-01")
    assert pd.isna(due.loc[("K1", "P5"), "due_on"])
    assert due.loc[("K1", "P5"), "not_told"] == "calendar_days"
    assert due.loc[("K2", "P5"), "due_on"] == pd.Timestamp("2019-03-01")


def test_what_is_known_of_a_panel_stands_on_its_sheet(evidence):
    """D2 and its temporary repair X1 on P4; D1 on P1, which nobody repaired; D3 was no damage."""
    one, two, three = panel_sheets(evidence, ["P1", "P4", "P2"])
    assert one.damage["finding"].tolist() == ["D1"]
    assert one.damage["stands"].all()
    assert two.damage["finding"].tolist() == ["D2"]
    assert two.repairs[["repair", "finding"]].to_numpy().tolist() == [["X1", "D2"]]
    assert two.repairs["geometry"].iloc[0].equals(shapely.box(150, 60, 250, 140))
    assert not len(three.damage)


def test_panels_go_by_present_risk_and_those_without_one_come_first(evidence):
    """What nobody worked out is not taken for small."""
    aircraft = "A1"
    made, _ = check_sheets(evidence, aircraft, "base check", size_mm=40.0)
    panels = [one.panel for one in made]
    assert len(panels) > 1

    state = pd.DataFrame(
        {
            "panel": panels[:1],
            "removed": [0.5],
            "beyond": [0.6],
            "beyond_lower": [0.1],
            "beyond_upper": [0.9],
        }
    )
    ordered, _ = check_sheets(evidence, aircraft, "base check", present=[state], size_mm=40.0)
    assert [one.panel for one in ordered] == [*panels[1:], panels[0]]
    assert "unfound damage beyond the limit 60 % (10 % to 90 %)" in ordered[-1].order
    assert "present risk not worked out" in ordered[0].order


@pytest.mark.long
def test_the_command_writes_the_file_and_says_all(tmp_path):
    source = Tiny(tmp_path / "fleet").write()
    out = tmp_path / "sheets.pdf"

    def run(*more):
        return CliRunner().invoke(app, ["sheet", str(source), "--out", str(out), *more])

    check = ("--aircraft", "A1", "--check", "base check")
    said = json.loads(run(*check, "--json").stdout)
    assert [row["panel"] for row in said["sheets"]] == ["P5", "P2"]
    assert said["pages"] == len(PdfReader(out).pages)
    assert said["cautions"][-len(CAUTIONS) :] == list(CAUTIONS)
    for arguments, words in (
        ((), "Give either --panel, or --aircraft with --check"),
        ((*check, "--paper", "a3"), "--paper 'a3': must be a4 or letter"),
        (("--panel", "P1", "--question", "q.toml"), "--question orders the panels of a check"),
    ):
        refused = run(*arguments)
        assert refused.exit_code == 2
        assert words in refused.stderr
