"""The page of validation says what the kit gives, and the kit gives what the sources say."""

from pathlib import Path

import pytest
from validation import page, validation_rows

PAGE = Path(__file__).parents[1] / "docs" / "validation.md"
ROWS = validation_rows()


@pytest.mark.parametrize("row", ROWS, ids=[f"{row['case']}-{row['quantity']}" for row in ROWS])
def test_each_reference_value_is_obtained(row):
    assert row["obtained"] == pytest.approx(row["exact"], abs=row["tolerance"], rel=0)


def test_the_page_is_current():
    """Made anew by `python tests/validation.py docs/validation.md`."""
    assert PAGE.read_text(encoding="utf-8") == page()
