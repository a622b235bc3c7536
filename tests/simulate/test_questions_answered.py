"""The ten questions: none lacks its notebook, section, call, answer with bounds, or the demo's truth."""

import re
from pathlib import Path

import nbformat
import pytest

from kit.notebook import find_notebook
from kit.simulate.questions_answered import QUESTIONS, answers

PAGE = Path(__file__).parents[2] / "docs" / "questions_answered.md"


def test_there_are_ten_each_with_a_section_that_its_notebook_has():
    assert len(QUESTIONS) == 10
    for question, notebook, section, _, _ in QUESTIONS:
        headings = {
            line.lstrip("# ").strip()
            for cell in nbformat.read(find_notebook(notebook), as_version=4).cells
            if cell.cell_type == "markdown"
            for line in cell.source.splitlines()
            if line.startswith("#")
        }
        assert section in headings, question


def test_no_question_on_the_page_lacks_answer_bounds_or_truth():
    parts = re.split(r"^## (?=\d+\. )", PAGE.read_text(encoding="utf-8"), flags=re.M)[1:]
    assert [part.splitlines()[0] for part in parts] == [
        f"{i + 1}. {one[0]}" for i, one in enumerate(QUESTIONS)
    ]
    for part in parts:
        answer, truth = part.split("**Truth of the demo.**")
        answer = answer.split("**Answer.**")[1]
        assert len(truth.split()) > 8, part
        assert re.search(r"\d[\d,.]* ?%? to \+?-?\d", answer), part  # bounds
        assert "Call: `" in part
        assert "nan" not in part.split()


@pytest.mark.long  # answers all ten: about a minute
def test_the_page_says_what_the_demo_fleet_gives_today():
    page = PAGE.read_text(encoding="utf-8")
    for one in answers(PAGE.parents[1] / "demo_fleet"):
        assert one.words() in page, one.question
