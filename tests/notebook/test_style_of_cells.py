"""Notebooks hold questions, calls, figures and answers: what works or words something out stands in the kit, with a test."""

import ast
import importlib
import re
from importlib.util import find_spec

import nbformat
import pytest

from kit.cautions import CAUTIONS
from kit.notebook import notebook_paths

PATHS = notebook_paths()
every_notebook = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)
_LOGIC = (ast.For, ast.While, ast.If, ast.IfExp, ast.Lambda, ast.FunctionDef, ast.ClassDef, ast.JoinedStr, ast.ListComp, ast.DictComp, ast.SetComp, ast.GeneratorExp)  # fmt: skip
_MOST_LINES = 10


def code_cells(path):
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            yield cell


def tree(cell):
    return ast.parse("\n".join(line for line in cell.source.splitlines() if not line.startswith("%")))


def test_the_chain_is_whole():
    assert [path.stem[:2] for path in PATHS] == [f"{number:02d}" for number in range(12)]


@every_notebook
def test_a_cell_has_at_most_ten_lines_besides_imports_and_parameters(path):
    for cell in code_cells(path):
        lines = [line for line in cell.source.splitlines() if line.strip()]
        is_imports = all(isinstance(node, ast.Import | ast.ImportFrom | ast.Expr) for node in tree(cell).body)
        if not is_imports and "parameters" not in cell.metadata.get("tags", []):
            assert len(lines) <= _MOST_LINES, cell.source


@every_notebook
def test_what_a_notebook_imports_is_there(path):
    """A module that got another name is told by the fast tests, not by the long ones that run the notebook."""
    for cell in code_cells(path):
        for node in ast.walk(tree(cell)):
            if isinstance(node, ast.ImportFrom):
                module = importlib.import_module(node.module)
                for one in node.names:
                    assert hasattr(module, one.name) or find_spec(f"{node.module}.{one.name}"), one.name


@every_notebook
def test_no_sentence_is_put_together_and_nothing_is_looped_in_a_cell(path):
    for cell in code_cells(path):
        found = [type(node).__name__ for node in ast.walk(tree(cell)) if isinstance(node, _LOGIC)]
        assert not found, f"{found}\n{cell.source}"


@every_notebook
def test_the_answer_stands_at_the_top_as_at_its_place(path):
    cells = nbformat.read(path, as_version=4).cells
    boxes = [
        output["data"]["text/markdown"]
        for cell in cells
        for output in cell.get("outputs", ())
        if output.get("data", {}).get("text/markdown", "").startswith(">")
    ]
    assert len(boxes) == 2
    assert boxes[0] == boxes[1]
    assert cells[1].source.endswith("answer_first()")


@every_notebook
def test_there_is_one_exercise_with_its_answer_folded(path):
    shown = "".join(str(cell.get("outputs", "")) for cell in code_cells(path))
    assert shown.count("<details><summary>Answer</summary>") == 1


@every_notebook
def test_links_lead_to_notebooks_that_are_there_and_to_the_start(path):
    text = "\n".join(
        cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "markdown"
    )
    linked = set(re.findall(r"\((\d\d_\w+\.ipynb)\)", text))
    assert linked <= {one.name for one in PATHS}
    assert linked
    assert path.stem.startswith("00") or "00_start_here.ipynb" in linked


@every_notebook
def test_the_table_of_what_was_set_aside_stands_in_the_first_notebook_only(path):
    has_table = any("fleet.rejected" in cell.source for cell in code_cells(path))
    assert has_table == path.stem.startswith("01")


def shown(cell):
    """What a cell says as text, by form."""
    for output in cell.outputs:
        forms = output.get("data", {"text/plain": output.get("text", "")})
        for form in ("text/markdown", "text/html", "text/plain"):
            if form in forms:
                yield form, "".join(forms[form])


@every_notebook
def test_per_cent_is_spelled_in_one_way_and_no_page_parts_it_from_its_number(path):
    for cell in nbformat.read(path, as_version=4).cells:
        texts = [("text/markdown", cell.source)] if cell.cell_type == "markdown" else list(shown(cell))
        for form, text in texts:
            assert not re.findall(r"\d%(?![\w%;])", text), text
            if cell.cell_type == "code" and form == "text/markdown" and not text.startswith("**Exercise.**"):
                assert not re.search(r"\d %", text), text


@every_notebook
def test_the_box_begins_with_the_answer_and_ends_with_the_standing_caution(path):
    """Special cautions stand between, and the box at the top is the one at its place."""
    boxes = [
        text
        for cell in code_cells(path)
        for form, text in shown(cell)
        if form == "text/markdown" and text.startswith(">")
    ]
    assert len(boxes) == 2
    assert boxes[0] == boxes[1]
    first, *_, last = boxes[0].splitlines()
    assert not re.match(r"> \*\*(Special|Read)", first)
    assert last == f"> *{CAUTIONS[0]} The other standing cautions stand at the end.*"
