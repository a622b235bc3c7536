"""Problems are told in words: how many, which reasons, the first ones in full."""

import re

import pandas as pd
import pytest

from kit.cautions import CAUTIONS
from kit.findings import PROBLEM_COLUMNS, TABLES, load_fleet, problems_html, problems_text, write_report
from kit.findings.report.report import OF_CHECKS, WHO_CORRECTS


def problems(n: int) -> pd.DataFrame:
    rows = [
        ("usage", "usage.csv", k, "read_on", f"x{k}", f"reason {k % 2}", "a day", "write it")
        for k in range(2, n + 2)
    ]
    return pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))


def test_counts_by_reason_and_the_first_problems_are_listed():
    assert problems_text(problems(5), limit=2).splitlines() == [
        "5 problems in 5 rows of 1 table.",
        "    3  usage: reason 0",
        "    2  usage: reason 1",
        "usage.csv row 2, read_on = 'x2': reason 0. Expected: a day. To correct: write it.",
        "usage.csv row 3, read_on = 'x3': reason 1. Expected: a day. To correct: write it.",
        "and 3 more problems.",
    ]


def test_reasons_beyond_the_limit_are_counted():
    assert "       and 1 more reason" in problems_text(problems(5), limit=1).splitlines()


def test_no_problems_is_said():
    assert problems_text(problems(0)) == "No problems."


def test_a_long_value_is_cut():
    frame = problems(1).assign(value="POLYGON" * 20)
    assert f"read_on = '{('POLYGON' * 20)[:57]}...': reason 0" in problems_text(frame)


def test_the_page_has_counts_first_rows_what_to_do_and_cautions():
    page = problems_html(problems(5), limit=2)
    text = visible(page)
    assert "5 problems in 5 rows." in text
    assert "usage reason 0 3 write it" in text
    assert "The first 2 of 5" in text
    assert "usage.csv 3 read_on x3 reason 1 a day write it" in text
    assert "x4" not in text
    for line in (*OF_CHECKS, *CAUTIONS):
        assert line in text


def test_the_page_of_a_fleet_says_what_it_is_and_what_is_rejected_and_warned(tiny, tmp_path):
    tiny.set("limits", "M1", size="40 mm").set("findings", "D4", panel="P9")
    fleet = load_fleet(tiny.write(), set_aside=tmp_path / "rejected.csv")
    text = visible(problems_html(fleet))
    assert "Tiny: what is wrong with the tables" in text
    assert "Invented data." in text
    assert "limits size is not a number 1 write digits and a decimal point, no unit, no comma" in text
    assert "findings the serial as written is not that of the fittings, which stand 1" in text
    listed = text[text.index("These rows are not used") :]
    assert (
        listed.index("size is not a number")
        < listed.index("Warnings")
        < listed.index("the serial as written")
    )


def test_the_page_has_contents_counts_by_file_a_place_for_each_row_and_who_can_correct_it():
    frame = problems(70)
    page = problems_html(frame)
    assert "usage usage.csv 70 70 technical records" in visible(page)
    assert page.count("write it</td>") == 72  # all of them, and once for each of two reasons
    places = re.findall(r'<tr id="([^"]+)"', page)
    assert len(set(places)) == len(places) == 70
    assert places[0] == "problems-usage-csv-2"
    anchors = set(re.findall(r' id="([^"]+)"', page))
    assert {link.removeprefix("#") for link in re.findall(r'href="([^"]+)"', page)} <= anchors
    assert set(WHO_CORRECTS) == {*TABLES, "dataset"}


def test_the_page_is_laid_out_for_paper():
    """Headings of tables are repeated on each sheet, and no row is cut in two."""
    page = problems_html(problems(3))
    for words in (
        "@media print",
        "thead{display:table-header-group}",
        "tr{break-inside:avoid}",
        "<thead><tr><th",
    ):
        assert words in page, words


def test_whatever_stood_in_a_cell_is_shown_as_text_and_nothing_is_loaded():
    nasty = "<script>alert(1)</script><img src=x onerror=y>\"'&\x00\u202e"
    page = problems_html(problems(3).assign(value=nasty, reason=nasty, mend=nasty))
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "\x00" not in page
    assert "\u202e" not in page
    for word in ("http:", "https:", "src=x ", 'href="h', "<link", "@import", "url("):
        assert word not in page.replace("src=x onerror", "")


def test_the_page_is_well_formed_and_a_long_cell_is_cut():
    import xml.etree.ElementTree as tree

    page = problems_html(problems(3).assign(value="POLYGON (" * 5000))
    body = page.removeprefix("<!DOCTYPE html>\n").replace('<meta charset="utf-8">', "")
    assert tree.fromstring(body).tag == "html"
    assert len(page) < 10_000


def test_no_problems_are_said_on_the_page():
    assert "None." in visible(problems_html(problems(0)))


def test_the_report_is_written_as_a_whole_and_the_same_twice(tiny, tmp_path):
    fleet = load_fleet(tiny.write())
    first = write_report(fleet, tmp_path / "new" / "report.html").read_bytes()
    assert first == write_report(fleet, tmp_path / "new" / "report.html").read_bytes()
    assert first.decode("utf-8") == problems_html(fleet)
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["report.html"]
    with pytest.raises(OSError, match=r"Nothing can be written to .* Give a path where you may write\."):
        write_report(fleet, tiny.path("limits") / "report.html")


def visible(page: str) -> str:
    """Return the text of a page as one line."""
    import html

    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", page)))
