"""The generated pages of docs/ say what the declarations say."""

from pathlib import Path

import pytest

from kit.dictionary import pages

DOCS = Path(__file__).parent.parent / "docs"


@pytest.mark.parametrize(
    "name",
    [
        "dataset.md",
        "tables.md",
        "questions.md",
        "dataset.schema.json",
        "question.schema.json",
        "decision_record.schema.json",
    ],
)
def test_generated_page_is_up_to_date_with_the_declarations(name):
    assert (DOCS / name).read_text(encoding="utf-8") == pages()[name], "run: python -m kit.dictionary docs"


@pytest.mark.parametrize(("page", "fewest"), [("questions.md", 31), ("dataset.md", 25)])
def test_every_field_is_described(page, fewest):
    lines = pages()[page].splitlines()
    rows = [line for line in lines if line.startswith("| `")]
    assert len(rows) >= fewest
    assert [row for row in rows if "|  |" in row] == []
