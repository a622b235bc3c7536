"""Every notebook says in one cell what it may be told, and takes nothing else."""

import json
import re

import nbformat
import pytest
from typer.testing import CliRunner

from kit.__main__ import app
from kit.notebook import NotebookError, find_notebook, notebook_parameters, notebook_paths, values_of

PATHS = notebook_paths()
every_notebook = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)


def book(tmp_path, *sources, tag="parameters"):
    cells = [nbformat.v4.new_code_cell(source, metadata={"tags": [tag]} if tag else {}) for source in sources]
    path = tmp_path / "made.ipynb"
    nbformat.write(nbformat.v4.new_notebook(cells=cells), path)
    return path


def test_there_are_notebooks():
    assert len(PATHS) >= 7


@every_notebook
def test_one_cell_of_parameters_literals_only_each_annotated_with_its_meaning(path):
    parameters = notebook_parameters(path)
    assert parameters[0].name == "source"
    assert all(len(one.words) > 5 for one in parameters)


@every_notebook
def test_every_parameter_is_used(path):
    """A parameter that nothing reads would let a notebook answer for another thing than it was asked."""
    cells = nbformat.read(path, as_version=4).cells
    rest = "\n".join(
        cell.source
        for cell in cells
        if cell.cell_type == "code" and "parameters" not in cell.metadata.get("tags", [])
    )
    unused = [one.name for one in notebook_parameters(path) if not re.search(rf"\b{one.name}\b", rest)]
    assert not unused


@every_notebook
def test_the_dataset_is_called_fleet_so_that_its_fingerprint_can_be_kept(path):
    cells = nbformat.read(path, as_version=4).cells
    assert any("fleet = " in cell.source for cell in cells if cell.cell_type == "code")


@pytest.mark.parametrize(
    ("line", "text", "value"),
    [
        ('zone: str = "200"  # a zone', "415", "415"),
        ("level: float = 0.95  # confidence [-]", "1", 1.0),
        ("seed: int = 1  # of draws", "12", 12),
        ("strict: bool = False  # stop at rejects", "true", True),
        ('kinds: list[str] = ["disbond"]  # kinds of damage', '["dent"]', ["dent"]),
        ('use: dict = {"flight_hours": 1.0}  # units a day', '{"flight_cycles": 2}', {"flight_cycles": 2}),
    ],
)
def test_a_value_keeps_the_type_of_its_parameter(tmp_path, line, text, value):
    (one,) = notebook_parameters(book(tmp_path, line))
    given = values_of([one], {one.name: text})[one.name]
    assert given == value
    assert type(given) is type(value)


@pytest.mark.parametrize(
    ("line", "text", "message"),
    [
        ("level: float = 0.95  # confidence [-]", "high", r"'level': must be a number such as 0\.95 \(confidence \[-\]\)\. Got 'high'"),
        ("level: float = 0.95  # confidence [-]", "nan", "must be a number"),
        ("seed: int = 1  # of draws", "1.5", "must be a whole number such as 12"),
        ("strict: bool = False  # stop at rejects", "yes", "must be true or false"),
        ('use: dict = {"a": 1.0}  # units a day', "[1]", "must be a JSON object"),
    ],
)  # fmt: skip
def test_a_value_of_another_type_is_an_error(tmp_path, line, text, message):
    (one,) = notebook_parameters(book(tmp_path, line))
    with pytest.raises(NotebookError, match=message):
        values_of([one], {one.name: text})


def test_a_mistyped_name_is_an_error_that_lists_the_right_ones(tmp_path):
    parameters = notebook_parameters(book(tmp_path, 'group: str = "flap"  # zone group'))
    with pytest.raises(NotebookError, match=r"'grup': .* Known are group \(str: zone group\)"):
        values_of(parameters, {"grup": "flap"})


@pytest.mark.parametrize(
    "line",
    [
        "level = 0.95  # no annotation",
        "level: float = 0.95",
        "level: float = 2 * 0.5  # worked out",
        'level: float = "0.95"  # text where a number is said',
        "level: object = 1  # any type",
        "print(1)  # a call",
    ],
)
def test_what_is_no_annotated_literal_with_a_meaning_is_refused(tmp_path, line):
    with pytest.raises(NotebookError, match="must be a name, an annotation"):
        notebook_parameters(book(tmp_path, line))


@pytest.mark.parametrize("lines", [(), ("a: int = 1  # one of two", "b: int = 1  # the other")])
def test_none_or_two_tagged_cells_are_refused(tmp_path, lines):
    with pytest.raises(NotebookError, match=f"exactly one cell tagged 'parameters'. Got {len(lines)}"):
        notebook_parameters(book(tmp_path, *lines))


def test_a_notebook_is_found_by_number_name_or_path(tmp_path):
    first = PATHS[0]
    assert find_notebook(first.stem[:2]) == find_notebook(first.stem) == first
    own = book(tmp_path)
    assert find_notebook(str(own)) == own
    with pytest.raises(NotebookError, match=f"'99': there is none of that name. .*{first.stem}"):
        find_notebook("99")


def test_the_command_refuses_a_mistyped_name_before_anything_runs(tmp_path):
    out = tmp_path / "out.ipynb"
    result = CliRunner().invoke(app, ["notebook", "02", "--set", "grup=flap", "--out", str(out)])
    assert result.exit_code == 2
    assert "parameter 'grup': the notebook has none of that name. Known are source (str" in result.stderr
    assert not out.exists()


def test_the_command_without_a_file_lists_the_parameters():
    result = CliRunner().invoke(app, ["notebook", "02"])
    assert result.exit_code == 0
    for one in notebook_parameters(find_notebook("02")):
        assert f"{one.name}: {one.kind} = {one.default!r}" in result.stdout


def test_the_command_wants_name_and_value_once():
    run = CliRunner().invoke
    assert "must be NAME=VALUE" in run(app, ["notebook", "02", "--set", "group"]).stderr
    twice = run(app, ["notebook", "02", "--set", "group=flap", "--set", "group=radome"])
    assert "is given twice" in twice.stderr


def test_what_is_no_notebook_is_refused(tmp_path):
    path = tmp_path / "made.ipynb"
    path.write_text(json.dumps([1]))
    with pytest.raises(NotebookError, match="is no notebook of format 4"):
        notebook_parameters(path)
