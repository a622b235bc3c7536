"""Damage map, tap marks and corrections: what they show is what the kit says elsewhere, and no case is left without a line."""

import html
import os

import pandas as pd
import pytest
import shapely
from support import Tiny

from kit.explore import (
    corrections_review,
    damage_map,
    damage_map_of,
    review_corrections,
    tap_entry,
    tap_entry_of,
)
from kit.explore.tap_entry import CLEAR, DULL, NOT_TAPPED
from kit.explore.widgets import as_list
from kit.explore.writing import write_new
from kit.findings import apply_corrections, load_fleet, read_proposals
from kit.intervals import Evidence
from kit.regions import TIERS, tier_panels


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    return Evidence(load_fleet(Tiny(tmp_path_factory.mktemp("fleet")).write()))


@pytest.fixture(scope="module")
def entry(evidence):
    """P3 is 1000 by 500 mm, without damage; its limit is 40 mm."""
    return tap_entry_of(evidence, "P3", pitch_mm=50.0)


def test_a_panel_is_shown_as_it_stood_on_the_day(evidence):
    """D1 of P1 was found on 2014-01-01, on A1; P1 went to A3 ten days after it left A1."""
    every = damage_map_of(evidence)
    assert [f"{day:%Y-%m-%d}" for day in every.days("P1")] == [
        "2010-01-01",
        "2014-01-01",
        "2016-01-10",
        "2020-12-31",
    ]
    before, after = every.at("P1", "2013-12-31"), every.at("P1", "2014-01-01")
    assert (len(before.standing), len(after.standing)) == (0, 1)
    assert after.aircraft == "A1"
    assert "fitted on no aircraft on 2016-01-05" in every.at("P1", "2016-01-05").words()[0]
    verdict = tier_panels(evidence.fleet, "2014-01-01").set_index("panel").loc["P1", "clause"]
    assert f"by {verdict.replace('_', ' ')}" in after.verdict


def test_layers_are_drawn_only_where_they_are_asked_for(evidence):
    there = damage_map_of(evidence).at("P1", "2020-12-31")
    assert "url(#hatch-disbond)" in there.picture(["regions"]).svg
    assert "url(#hatch-disbond)" not in there.picture(["finds"]).svg
    assert "allowable [mm]: anywhere 40" in there.picture(["limits"]).svg
    assert "allowable" not in there.picture([]).svg


def test_marks_make_a_region_that_is_held_against_the_limit_with_its_outer_bound(entry):
    """Four dull taps of a 50 mm grid: 100 by 100 mm at best, 200 by 200 mm at most; the limit is 40 mm."""
    marks = [CLEAR] * len(entry.points)
    middle = shapely.box(400, 200, 500, 300)
    for k, (x, y) in enumerate(entry.points):
        if middle.covers(shapely.Point(x, y)):
            marks[k] = DULL
    reading = entry.read(marks)
    assert reading.outlines.n_dull == 4
    assert reading.outlines.best.area == pytest.approx(1e4)
    assert not reading.outlines.open_edge
    assert reading.tier_outer == TIERS[-1]
    assert "beyond repair limits (by size, limit M1)" in reading.words()[0]
    alone = entry.read(marks, by_best=False)
    assert alone.tier_outer == reading.tier_outer


def test_a_dull_tap_beside_places_not_tapped_is_open(entry):
    marks = [NOT_TAPPED] * len(entry.points)
    assert entry.read(marks).words() == ("Nothing is tapped yet.",)
    marks[30] = DULL
    told = entry.read(marks).words()
    assert told[0].startswith("AT LEAST, for the region is open")
    assert any("The region is OPEN" in line for line in told)
    assert "at most" not in " ".join(told)
    marks[30] = CLEAR
    assert "A clear tap does not prove the bond." in entry.read(marks).words()


def test_the_file_of_the_taps_gives_the_same_region_when_a_finding_names_it(entry, tmp_path):
    tiny = Tiny(tmp_path)
    marks = [CLEAR] * len(entry.points)
    marks[5 * 20 + 9] = marks[5 * 20 + 10] = DULL
    folder = tiny.write()
    told = entry.write(marks, folder / "marks.csv")
    assert told == "Written: marks.csv (200 taps, 2 dull, in mm)."
    tiny.rows["findings"][3] |= {"tap_grid": "marks.csv", "outline": "", "panel": "P3", "aircraft": "A2"}
    fleet = load_fleet(tiny.write(), set_aside=True)
    region = Evidence(fleet).regions.set_index("finding").loc["D4", "geometry"]
    assert region.equals(entry.read(marks).outlines.best)


def test_nothing_is_written_over_and_each_refusal_is_one_line(entry, tmp_path, monkeypatch):
    marks = [DULL, *[CLEAR] * (len(entry.points) - 1)]
    assert "no tap is marked" in entry.write([NOT_TAPPED] * len(marks), tmp_path / "a.csv")
    assert "must end in .csv" in entry.write(marks, tmp_path / "a.txt")
    assert entry.write(marks, tmp_path / "a.csv").startswith("Written")
    before = (tmp_path / "a.csv").read_bytes()
    assert "a.csv is there already" in entry.write(marks, tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_bytes() == before
    assert "there is no folder" in entry.write(marks, tmp_path / "none" / "a.csv")
    monkeypatch.setattr(os, "access", lambda *_: False)
    told = entry.write(marks, tmp_path / "b.csv")
    assert "no permission to write" in told
    assert "\n" not in told


def test_a_file_that_someone_changed_is_not_written_over(tmp_path):
    path = tmp_path / "file.csv"
    assert write_new(path, "one", "x").startswith("Written")
    path.write_text("two")
    assert "was changed by someone else" in write_new(path, "three", "x", known="one")
    assert path.read_text() == "two"


@pytest.fixture
def mixed_up(tmp_path):
    """A length that is in inch, though mm is written: one proposal at least."""
    tiny = Tiny(tmp_path)
    tiny.rows["zones"][0]["former_label"], tiny.rows["zones"][0]["former_label_until"] = "", ""
    tiny.rows["findings"][1]["zone"] = "Y2"
    return load_fleet(tiny.write(), set_aside=True)


def test_corrections_are_written_with_role_and_day_and_taken_over_the_next_time(mixed_up, tmp_path):
    review = corrections_review(mixed_up, tmp_path / "corrections.csv")
    assert len(review)
    assert "say the role" in review.decide(0, True, on="2020-12-31")
    assert "YYYY-MM-DD" in review.decide(0, True, role="records engineer", on="31.12.2020")
    assert review.decide(0, True, role="records engineer", on="2020-12-31").startswith("Accepted")
    assert "What was accepted fits together" in review.write()
    assert read_proposals(review.path)["accept"].tolist()[0] == "yes"
    assert len(apply_corrections(mixed_up, review.path).tables["findings"])
    again = corrections_review(mixed_up, review.path)
    assert "1 decisions in it are taken over" in again.told
    assert "(accepted)" in again.line(0)
    assert "\n" not in again.write()


def test_the_review_opens_at_the_first_proposal_and_says_what_is_done(mixed_up, tmp_path):
    _, chosen, view, role, day, _, buttons, write, said, _ = review_corrections(
        mixed_up, tmp_path / "c.csv"
    ).children
    first = corrections_review(mixed_up, tmp_path / "c.csv").words(0)[0]
    assert chosen.index == 0
    assert html.escape(first, quote=True) in view.words
    buttons.children[0].click()
    assert "say the role" in said.words
    role.value, day.value = "records engineer", "2020-12-31"
    buttons.children[0].click()
    assert "1 accepted" in said.words
    write.click()
    assert "Written: c.csv" in said.words


def test_a_file_that_is_no_corrections_file_is_never_written_over(mixed_up, tmp_path):
    path = tmp_path / "corrections.csv"
    path.write_text("something else\n")
    review = corrections_review(mixed_up, path)
    assert "nothing will be written to it" in review.told
    review.decide(0, True, role="records engineer", on="2020-12-31")
    assert "is there already" in review.write()
    assert path.read_text() == "something else\n"


def test_widgets_without_data_say_so_in_one_line(evidence, tmp_path):
    """No proposal, no panel of that name."""
    fleet = evidence.fleet
    nothing = (
        review_corrections(fleet, tmp_path / "c.csv")
        if not len(corrections_review(fleet, tmp_path / "c.csv"))
        else None
    )
    for widget, words in (
        (nothing, "Nothing is proposed"),
        (tap_entry(evidence, "P99", tmp_path), "No taps to mark"),
    ):
        if widget is not None:
            assert words in widget.children[0].words
            assert "\n" not in widget.children[0].words


def test_the_map_moves_with_aircraft_panel_day_and_layer(evidence):
    title, tails, panels, days, layers, view, _ = damage_map(evidence, panel="P1").children
    assert tails.value == "A3"
    assert "2020-12-31" in view.words
    days.index = 1
    assert days.options[1] in view.words
    before = view.drawn
    layers.children[1].value = False
    assert view.drawn != before
    tails.index = tails.options.index("A2")
    assert panels.value in ("P3", "P4")
    assert panels.value in view.words
    assert "Damage by panel" in title.value


def test_text_from_data_is_escaped():
    assert (
        as_list(["<script>", "a & b"]) == '<b>&lt;script&gt;</b><ul style="margin:0"><li>a &amp; b</li></ul>'
    )


def test_days_of_a_panel_without_finds_are_its_fitting_and_the_cut_off(evidence):
    assert damage_map_of(evidence).days("P3") == (pd.Timestamp("2010-01-01"), pd.Timestamp("2020-12-31"))
