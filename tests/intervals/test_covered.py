"""What an answer says of its own confidence is what the study measured."""

import re
from pathlib import Path

import pytest

from kit.intervals import MEASURED, covered_words

PAGE = (Path(__file__).parents[2] / "docs" / "confidence.md").read_text(encoding="utf-8")


def delivered(section):
    """Shares delivered where 95 % are asked, from the table of a section of the page."""
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    column = rows[0].index("at 95 %")
    return [float(row[column].rstrip("%")) / 100 for row in rows[2:]]


def test_the_figures_that_answers_quote_are_those_of_the_page():
    own, broken = (delivered(part) for part in PAGE.split("\n## ")[1:3])
    assert (MEASURED.own, MEASURED.broken) == ((min(own), max(own)), (min(broken), max(broken)))
    fleets = int(re.search(r"Standard error for (\d+) fleets", PAGE)[1])
    assert (MEASURED.own_fleets, MEASURED.broken_fleets) == (fleets, fleets // 2)


@pytest.mark.parametrize("share", [0.8, 0.95])
def test_the_words_name_the_share_that_is_asked_and_what_is_not_covered(share):
    words = covered_words(share)
    assert words.startswith(f"the confidence of {share:.0%} covers")
    assert "no truth outside the model" in words
    assert MEASURED.words() in words
