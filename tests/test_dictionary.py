"""The generated pages of docs/ say what the declarations say."""

from pathlib import Path

import pytest

from kit.dictionary import pages

DOCS = Path(__file__).parent.parent / "docs"


@pytest.mark.parametrize(
    "name", ["tables.md", "questions.md", "question.schema.json", "decision_record.schema.json"]
)
def test_generated_page_is_up_to_date_with_the_declarations(name):
    assert (DOCS / name).read_text(encoding="utf-8") == pages()[name], "run: python -m kit.dictionary docs"


def test_every_field_of_a_question_is_described():
    lines = pages()["questions.md"].splitlines()
    rows = [line for line in lines if line.startswith("| `")]
    assert len(rows) > 30
    assert [row for row in rows if "|  |" in row] == []
