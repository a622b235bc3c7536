"""What an answer says of its own confidence is what the study measured."""

from pathlib import Path

import pytest

from kit.intervals import MEASURED, covered_words

PAGE = (Path(__file__).parents[2] / "docs" / "confidence.md").read_text(encoding="utf-8")


def delivered(section, name="at 95 %"):
    """Shares delivered where so many draws must meet the target, from the table of a section of the page."""
    return [float(value.rstrip("%")) / 100 for value in column(section, name)]


def column(section, name):
    """Cells of a column of the table of a section."""
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    return [row[rows[0].index(name)] for row in rows[2:]]


def test_the_figures_that_answers_quote_are_those_of_the_page():
    own, broken = (delivered(part) for part in PAGE.split("\n## ")[1:3])
    assert (MEASURED.own, MEASURED.broken) == ((min(own), max(own)), (min(broken), max(broken)))
    fleets = [min(map(int, column(part, "fleets"))) for part in PAGE.split("\n## ")[1:3]]
    assert [MEASURED.own_fleets, MEASURED.broken_fleets] == fleets
    for asked, name in ((0.8, "delivered at 80 %"), (0.9, "at 90 %")):
        least = tuple(min(delivered(part, name)) for part in PAGE.split("\n## ")[1:3])
        assert (asked, *least) in MEASURED.less


def test_an_answer_that_asks_less_says_that_less_than_it_says_may_be_delivered():
    assert MEASURED.less_words() in covered_words(0.9)
    assert MEASURED.less_words() not in covered_words(0.95)


@pytest.mark.parametrize("share", [0.8, 0.95])
def test_the_words_name_the_share_that_is_asked_and_what_is_not_covered(share):
    words = covered_words(share)
    assert words.startswith(f"the confidence of {share:.0%} covers")
    assert "no truth outside the model" in words
    assert MEASURED.words() in words
