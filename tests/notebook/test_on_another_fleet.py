"""Every notebook answers for another fleet, or says in a sentence why it cannot.

The fingerprint kept in the copy is that of the dataset given, so that none answers for the demo under another name.
"""

import shutil

import pytest

import kit
from kit.findings import load_fleet
from kit.notebook import demo_files, notebook_parameters, notebook_paths, run_notebook
from kit.simulate import make_demo


@pytest.fixture(scope="module")
def second(tmp_path_factory):
    """A fleet of another seed with the demo's questions beside it, and a decision made on it today."""
    folder = tmp_path_factory.mktemp("second") / "fleet"
    make_demo(folder, seed=7)
    for path in demo_files():
        target = folder / (f"questions/{path.name}" if path.parent.name == "questions" else path.name)
        target.parent.mkdir(exist_ok=True)
        if not target.exists():
            shutil.copy(path, target)
    fleet = load_fleet(folder, set_aside=folder.parent / "aside")
    decisions = folder.parent / "decisions"
    decisions.mkdir()
    record = kit.write_decision(kit.recommend(fleet, folder / "questions/fairing.toml"), decisions)
    return folder, record, fleet.fingerprint()["all"]


@pytest.mark.long  # each runs a whole notebook
@pytest.mark.parametrize("path", notebook_paths(), ids=lambda path: path.stem)
def test_on_a_fleet_of_another_seed(path, second, tmp_path):
    """A record of today has nothing recorded since, and a fleet of another seed has its own zones on top."""
    folder, record, fingerprint = second
    given = {"source": str(folder)}
    if any(one.name == "record" for one in notebook_parameters(path)):
        given["record"] = str(record)
    run = run_notebook(path, tmp_path / "out.ipynb", given=given)
    assert run.failure == ""
    if run.no_answer:
        assert run.no_answer.rstrip().endswith((".", "?")), run.no_answer
    else:
        assert run.dataset["fingerprint"] == fingerprint
