"""Which runs show that a notebook answers for every zone group, kind and question; and the page that says how they went."""

from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest
from support import DEMO

from kit.notebook import find_notebook, notebook_paths
from kit.notebook.each import ANSWERED, Run, page, run_each, wanted_runs

FLEET = SimpleNamespace(
    tables={"zones": pd.DataFrame({"group": ["flap", "radome", "flap", "spoiler"]})},
    damage=pd.DataFrame({"kind": ["disbond", "moisture", "disbond"]}),
)


def test_each_value_of_each_parameter_is_met():
    runs = list(wanted_runs(FLEET, ["first"]))
    assert {one.notebook for one in runs} == {path.stem for path in notebook_paths()}
    maps = [one.given for one in runs if one.notebook.startswith("02")]
    assert [one["group"] for one in maps] == ["flap", "radome", "spoiler"]
    assert {one["kind"] for one in maps} == {"disbond", "moisture"}
    assert [one.given for one in runs if one.notebook.startswith("08")] == [{"question": "first"}]
    assert [one.given["by"] for one in runs if one.notebook.startswith("03")] == ["group", "zone"]


def test_the_page_says_what_did_not_answer_and_what_was_not_run():
    runs = [
        Run("02_map_damage", {"group": "flap"}, ANSWERED),
        Run("02_map_damage", {"group": "radome"}, "too few."),
        Run("02_map_damage", {"group": "spoiler"}, "KeyError: 1", is_failure=True),
        Run("02_map_damage", {"group": "rudder"}),
    ]
    told = page(runs, dataset="Small")
    assert "| 02_map_damage | `group` | 4 | 1 | 1 | 1 | 1 |" in told
    assert "- 02_map_damage, radome: too few." in told
    assert "- 02_map_damage, spoiler: **error** KeyError: 1" in told
    assert "rudder" not in told


def test_a_call_that_was_broken_off_takes_what_is_kept(tmp_path, monkeypatch):
    kept = tmp_path / "kept.jsonl"
    seen = []

    def one_run(one, source, out):
        seen.append(one)
        return replace(one, outcome=ANSWERED)

    monkeypatch.setattr("kit.notebook.each._run", one_run)
    monkeypatch.setattr("kit.notebook.each.load_fleet", lambda *_, **__: FLEET)
    paths = [find_notebook("11"), find_notebook("01")]
    monkeypatch.setattr("kit.notebook.each.notebook_paths", lambda: paths)
    every = run_each(tmp_path, kept)
    assert all(one.outcome == ANSWERED for one in every)
    assert [one.notebook[:2] for one in seen[:2]] == [
        "11",
        "01",
    ]  # each notebook once before any of them again
    kept.write_text("\n".join(kept.read_text().splitlines()[:2]) + '\n{"notebook": "1')
    seen.clear()
    assert run_each(tmp_path, kept, so_far=True) != every
    assert not seen
    assert run_each(tmp_path, kept) == every
    assert len(seen) == len(every) - 2


def test_no_notebook_stopped_by_an_error_on_the_demo_fleet():
    """The page in docs is what the command wrote; a notebook that could not answer said why."""
    text = (DEMO.parent / "docs/notebook_runs.md").read_text(encoding="utf-8")
    rows = [
        line.split("|")[1:-1]
        for line in text.splitlines()
        if line.startswith("| 0") or line.startswith("| 1")
    ]
    assert [row[0].strip() for row in rows] == [path.stem for path in notebook_paths()]
    for row in rows:
        n, *told = (int(cell) for cell in row[2:])
        assert sum(told) == n
        assert told[2] == 0, row


@pytest.mark.parametrize("quiet", [True, False])
def test_progress_writes_nothing_where_nobody_watches(capsys, quiet):
    """A bar in a file is a heap of carriage returns."""
    from kit.commands.shell import steps

    with steps("Work", quiet=quiet) as tell:
        tell("one")
    assert capsys.readouterr().err == ""
