"""A decision on paper: all that it rests on is there, nothing in it steers a reader, and one page is one page."""

import dataclasses
import datetime as dt
import re

import matplotlib.colors
import numpy as np
import pytest

import kit
from kit.cautions import CAUTIONS
from kit.decisions import Entry, Verification, decision_record, judge, set_aside_by_group
from kit.intervals.by_part import PartAnswer
from kit.intervals.slack import Slack
from kit.life import fit_weibull, second_opinion
from kit.numerics.words import in_words
from kit.sheets import KINDS, Document, decision_document, html_page, pages, pdf_bytes
from kit.sheets.parts import Boxes, Curve, Grid, Heading, Items, Words

HOSTILE = "<script>alert(1)</script> & $\\frac{1}{0}$ \x1b[2J \u202e \u6f22"


@pytest.fixture(scope="module")
def answer(small_evidence, small_question):
    more = {"known_on": dt.date(2019, 6, 30), "proposed_repeat": 9000.0, "title": HOSTILE}
    return kit.recommend(small_evidence, small_question.model_copy(update=more))


@pytest.fixture(scope="module")
def record(answer):
    return decision_record(answer)


def entry(record, number=2, **more):
    fields = {
        "what": "sign-off",
        "name": record.name,
        "digest": record.digest,
        "role": "certifying engineer",
        "note": "agreed",
    }
    days = {"known_on": record.known_on, "entered_on": dt.date(2026, 1, 5)}
    return Entry(number=number, before="0" * 64, **days, **(fields | more))


def by_hand(kind, n_lines=3):
    parts = (
        Heading("Heading"),
        Words(HOSTILE, "strong"),
        Items(tuple(f"line {k} {HOSTILE}" for k in range(n_lines))),
        Items(("one", "two"), run_on=True),
        Grid(("name", "value"), (("a", "x" * 400), (HOSTILE, "1"))),
        Curve((1000.0, 2000.0), (0.9, 0.4), 0.5, 1000.0, "flight hours"),
        Boxes(("role",)),
    )
    return Document("D", kind, "Title", parts, "foot")


def texts(figures):
    return [text.get_text() for figure in figures for text in figure.texts]


@pytest.mark.parametrize("kind", KINDS)
def test_every_document_has_the_question_the_rules_all_cautions_and_how_to_check_it(record, answer, kind):
    register = Verification((entry(record),), (), ())
    document = decision_document(record, answer.fleet, kind=kind, register=register)
    words = re.sub(r"<[^>]+>", " ", html_page(document))
    drawn = " ".join(texts(pages(document)))
    squeezed = drawn.replace(" ", "")
    for line in (*record.cautions, *CAUTIONS, *(rule.reason for rule in record.rules)):
        assert (
            line.replace("'", "&#x27;").replace('"', "&quot;").replace("<", "&lt;").replace(">", "&gt;")
            in words
        )
        assert line.replace(" ", "") in squeezed
    for line in (record.digest, register.head, "certifying engineer", "agreed", "Authority, where needed"):
        assert line in words
        assert line.replace(" ", "") in squeezed
    for name, version in record.software.items():
        assert f"{name} {version}" in words
    if kind == "dossier":
        for line in record.assumptions:
            assert line.replace(" ", "") in squeezed


@pytest.mark.parametrize("kind", KINDS)
def test_parts_of_the_fleet_and_intervals_as_flown_stand_in_every_document(answer, kind):
    part = PartAnswer(
        name="QV-44-100", share=0.4, first=5432.0, repeat=None, repeat_words="none", governed_by="no answer",
        share_meeting=0.87,
    )  # fmt: skip
    slack = Slack(ratios=np.array([0.9, 1.0, 1.31]), n_open=1)
    record = decision_record(dataclasses.replace(answer, parts=(part,), slack=slack))
    words = re.sub(r"<[^>]+>", " ", html_page(decision_document(record, answer.fleet, kind=kind)))
    for line in ("QV-44-100", "40%", "5,432", "87%", "1.31"):
        assert line in words


def test_the_sheet_is_one_page_with_letters_that_can_be_read(record, answer):
    (page,) = pages(decision_document(record, answer.fleet))
    assert min(text.get_fontsize() for text in page.texts) > 4


def test_what_stands_there_is_the_fresh_run_and_a_record_that_does_not_come_out_says_so_on_top(
    record, answer
):
    forged = record.model_copy(update={"cautions": ("All is well.",)})
    result = judge(forged.model_dump(mode="json"), forged, record)
    page = html_page(decision_document(forged, answer.fleet, result=result))
    assert page.index("NOT REPRODUCED: RECORD ALTERED") < page.index("Initial inspection at")
    assert "All is well" not in page
    assert all(line.split("'")[0].split("<")[0] in page for line in CAUTIONS)


def test_sign_offs_of_another_record_of_that_name_and_a_broken_register_are_said(record, answer):
    other = entry(record, digest="1" * 64, note="not of this one")
    page = html_page(
        decision_document(
            record, answer.fleet, register=Verification((other,), ("first broken link: entry 2",), ())
        )
    )
    assert "not of this one" not in page
    for words in (
        "1 sign-offs of the register are of ANOTHER record",
        "THE REGISTER IS BROKEN",
        "Nobody has signed",
        "NOT in it",
    ):
        assert words in page


def test_the_dossier_shows_what_general_libraries_give_refuse_or_cannot_do(record, answer):
    """Whoever checks the life sees it held against two libraries, with what they leave out."""
    lives = fit_weibull(lower=[0.0, 700.0, 1400.0, 2100.0], upper=[700.0, 1400.0, 2100.0, np.inf])
    opinions = {
        "disbond": second_opinion(lives),
        "moisture_disbond": "no fit to be held against others: no finds",
    }
    page = html_page(decision_document(record, answer.fleet, kind="dossier", opinions=opinions))
    for words in (
        "A second opinion on the lives",
        "disbond: surpyval",
        "cannot: looks that miss damage",
        "disbond: reliability",
        "no finds",
    ):
        assert words in page
    assert "A second opinion" not in html_page(decision_document(record, answer.fleet, opinions=opinions))


def test_nothing_from_data_is_markup_mathematics_or_a_code_of_a_terminal():
    page = html_page(by_hand("dossier"))
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    for text in (page, *texts(pages(by_hand("dossier")))):
        assert "\x1b" not in text
        assert "\u202e" not in text
    assert not re.search(r"(src|href)=\"(?!data:)", page)
    assert all(not one.get_parse_math() for one in pages(by_hand("sheet"))[0].texts)
    assert any("[U+6F22]" in one for one in texts(pages(by_hand("sheet"))))  # not in the font, and not lost


@pytest.mark.long
def test_a_sheet_that_is_too_long_goes_on_and_leaves_nothing_out():
    figures = pages(by_hand("sheet", n_lines=300))
    assert len(figures) > 1
    drawn = "".join(texts(figures)).replace(" ", "")
    assert all(f"line{k}<script>" in drawn for k in range(300))
    assert f"page 1 of {len(figures)}" in texts(figures)[-1] or any(
        f"page 1 of {len(figures)}" in one for one in texts(figures)
    )


def test_every_letter_is_black_and_the_file_is_the_same_each_time():
    for figure in pages(by_hand("dossier")):
        for one in figure.texts:
            assert matplotlib.colors.to_rgb(one.get_color()) == (0, 0, 0)
    content = pdf_bytes(by_hand("dossier"))
    assert content.startswith(b"%PDF")
    assert content == pdf_bytes(by_hand("dossier"))


def test_an_unknown_kind_is_refused(record, answer):
    with pytest.raises(ValueError, match="`kind` must be one of sheet, dossier"):
        decision_document(record, answer.fleet, kind="page")


def test_rows_set_aside_are_parted_by_the_groups_that_they_name(tiny):
    """Where no zone can be told, the row may bear on the decision and is named."""
    tiny.set("findings", "D1", size_unit="cms")
    tiny.set("findings", "D2", zone="Z9")
    fleet = kit.load_fleet(tiny.write(), set_aside=True)
    zone = tiny.row("findings", "D1")["zone"]
    zones = fleet.tables["zones"].set_index("zone")["group"]
    groups = sorted(zones.unique())
    sides = {group: set_aside_by_group(fleet, group) for group in groups}
    for own, other in sides.values():
        assert len(own) + len(other) == len(fleet.rejected)
        assert any(" D2" in line for line in own)
    named = [group for group, (own, _) in sides.items() if any(" D1" in line for line in own)]
    assert named == [zones[zone]]


def test_no_line_ends_between_a_number_and_its_per_cent_sign():
    lines = tuple(f"{'x' * k} 95 % of draws" for k in range(90, 150))
    document = Document("D", "dossier", "Title", (Items(lines),), "foot")
    drawn = [one for one in texts(pages(document)) if "95" in one]
    assert len(drawn) == len(lines)
    assert all("95 %" in one for one in drawn)


def test_two_tables_on_paper_do_not_touch():
    table = Grid(("name",), (("a",),))

    def height(*parts):
        (figure,) = pages(Document("D", "dossier", "Title", (*parts, Words("last")), "foot"))
        return next(text for text in figure.texts if text.get_text() == "last").get_position()[1]

    one, two, three = height(table), height(table, table), height(table, table, table)
    assert one - two == pytest.approx(two - three)
    apart = height(table, Words("between"), table)
    alone = height(Words("between"), table)
    assert one - two > alone - apart  # a table after a table takes more room than one after words


def test_the_question_stands_in_words_value_by_value(record, answer):
    document = decision_document(record, answer.fleet, kind="dossier")
    (asked,) = [one for one in document.parts if isinstance(one, Grid) and one.names == ("value", "as asked")]
    values = dict(asked.rows)
    assert values["target, per 10000 flight hours"] == f"{record.question.target.per_10000_flight_hours:.15g}"
    assert not any("_" in name for name in values)
    (unsaid,) = [
        one.text for one in document.parts if isinstance(one, Words) and one.text.startswith("Not stated: ")
    ]
    none = [name for name, value in record.question if value is None]
    assert none
    assert all(in_words(name) in unsaid for name in none)
