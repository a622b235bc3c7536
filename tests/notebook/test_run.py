"""A notebook run with other values keeps them, the dataset's fingerprint, and a plain sentence where it has no answer."""

import nbformat
import pytest

import kit
from kit.notebook import NotebookError, run_notebook

CELLS = {
    "parameters": 'source: str = "../tiny"  # folder of the dataset\nzone: str = "100"  # a zone\ntimes: int = 1  # how often',
    "load": "import kit\nfrom kit.notebook import present, say\nfleet = kit.load_fleet(source, set_aside=False)",
    "answer": 'say(f"{zone!r} {times!r}")\n_ = present("zone", zone, ["415"], of="zones")',
}


@pytest.fixture
def notebook(tmp_path):
    cells = [nbformat.v4.new_code_cell(text, id=name) for name, text in CELLS.items()]
    cells[0].metadata["tags"] = ["parameters"]
    (tmp_path / "books").mkdir()
    path = tmp_path / "books" / "made.ipynb"
    nbformat.write(
        nbformat.v4.new_notebook(
            cells=cells,
            metadata={
                "kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
                "language_info": {"name": "python"},
            },
        ),
        path,
    )
    return path


@pytest.mark.long  # starts a kernel
def test_parameters_and_fingerprint_stand_in_the_result_and_text_stays_text(
    notebook, tiny, tmp_path, monkeypatch
):
    """The source is named as seen from where the call is made; the copy names no folder of this machine."""
    folder = tiny.write()
    monkeypatch.chdir(folder.parent)
    out = tmp_path / "out.ipynb"
    run = run_notebook(notebook, out, given={"zone": "415", "source": folder.name, "times": "3"})
    assert (run.failure, run.no_answer) == ("", "")
    made = nbformat.read(out, as_version=4)
    digest = kit.load_fleet(folder).fingerprint()["all"]
    assert run.dataset["fingerprint"] == digest
    assert digest in made.cells[0].source
    assert '| `zone` | `"415"` | set |' in made.cells[0].source
    kept = made.metadata["skin_findings_kit"]
    assert kept["parameters"] == {"source": "../tiny", "zone": "415", "times": 3}
    assert kept["dataset"]["fingerprint"] == digest
    said = next(cell for cell in made.cells if cell.id == "answer")
    assert said.outputs[0]["data"]["text/markdown"] == "'415' 3"
    assert str(tmp_path) not in out.read_text(encoding="utf-8")


@pytest.mark.long  # starts a kernel
def test_where_a_notebook_has_no_answer_it_says_so_in_one_sentence(notebook, tiny, tmp_path, monkeypatch):
    monkeypatch.chdir(tiny.write().parent)
    run = run_notebook(notebook, tmp_path / "out.ipynb", given={"zone": "999"})
    assert run.no_answer == "zone '999' is none of the zones: 415."
    assert run.failure == ""
    last = nbformat.read(tmp_path / "out.ipynb", as_version=4).cells[-1]
    assert last.outputs[-1]["traceback"] == ["No answer: zone '999' is none of the zones: 415."]


def test_a_notebook_is_not_overwritten_by_its_own_copy(notebook):
    with pytest.raises(NotebookError, match="is the notebook itself"):
        run_notebook(notebook, notebook)


def test_the_folder_of_the_copy_must_be_there(notebook, tmp_path):
    with pytest.raises(NotebookError, match="is not there"):
        run_notebook(notebook, tmp_path / "none" / "out.ipynb")
