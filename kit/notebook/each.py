"""Every notebook on each zone group and kind of damage of a dataset: which answer, and what the others say instead.

``python -m kit.notebook.each demo_fleet docs/notebook_runs.md`` writes the page; broken off, it goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from kit.findings import Fleet, load_fleet, replace_text
from kit.notebook.find import find_notebook, notebook_paths
from kit.notebook.parameters import notebook_parameters
from kit.notebook.run import run_notebook
from kit.numerics.words import in_words

_LIGHTER = {"lives_simulated": "20000", "draws": "64", "panels_ranked": "3"}
"""Values that make a run shorter and take no part in whether there is an answer."""

ANSWERED = "answered"


@dataclass(frozen=True)
class Run:
    """One notebook with some of its parameters set.

    Parameters
    ----------
    notebook : str
        Its name.
    given : dict of str to str
        Parameters that were set, besides the dataset.
    outcome : str
        ``answered``, or the sentence that the notebook stopped with.
    is_failure : bool
        Whether it stopped with something else than such a sentence.
    """

    notebook: str
    given: dict[str, str]
    outcome: str = ""
    is_failure: bool = False


def wanted_runs(fleet: Fleet, questions: Sequence[str], paths: Sequence[Path] | None = None) -> Iterator[Run]:
    """Name what every notebook is to be run with, so that each meets each zone group, kind and question that it can be told.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    questions : sequence of str
        Names of the questions beside it.
    paths : sequence of Path, optional
        The notebooks; all of the kit's where left out.

    Yields
    ------
    Run
        Without an outcome.
    """
    every = {
        "group": sorted(set(fleet.tables["zones"]["group"]) - {""}),
        "kind": sorted(set(fleet.damage["kind"]) - {""}),
        "question": sorted(questions),
        "by": {"03": ["group", "zone"], "11": ["repair_class", "repair_method"]},
    }
    for path in notebook_paths() if paths is None else paths:
        names = [one.name for one in notebook_parameters(path) if one.name in every]
        choices = [every[name][path.stem[:2]] if name == "by" else every[name] for name in names]
        # Side by side, the shorter lists again from their start: each value is met, not each pair of them.
        for k in range(max((len(one) for one in choices), default=1)):
            yield Run(path.stem, {name: one[k % len(one)] for name, one in zip(names, choices, strict=True)})


def run_each(source: Path, kept: Path, *, so_far: bool = False) -> tuple[Run, ...]:
    """Run every notebook on each zone group, kind and question of a dataset.

    Parameters
    ----------
    source : Path
        Folder of the dataset, with its questions.
    kept : Path
        File to which each run is added as soon as it is over, and from which a call that was broken off goes on.
    so_far : bool
        Whether nothing more is run.

    Returns
    -------
    tuple of Run
        In the order of `wanted_runs`; what was not run has no outcome.
    """
    with tempfile.TemporaryDirectory() as folder:
        fleet = load_fleet(source, set_aside=folder)
        wanted = list(wanted_runs(fleet, [path.stem for path in (source / "questions").glob("*.toml")]))
        done = _read(kept)
        # Each notebook once, then each once more: what is wrong with one is seen early.
        turn = {
            _key(one): k
            for name in {one.notebook for one in wanted}
            for k, one in enumerate(_of(wanted, name))
        }
        for one in sorted(wanted, key=lambda one: turn[_key(one)]):
            if so_far or _key(one) in done:
                continue
            done[_key(one)] = _run(one, source, Path(folder, "out.ipynb"))
            with kept.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(done[_key(one)]), ensure_ascii=False) + "\n")
    return tuple(done.get(_key(one), one) for one in wanted)


def _run(one: Run, source: Path, out: Path) -> Run:
    path = find_notebook(one.notebook)
    known = {parameter.name for parameter in notebook_parameters(path)}
    lighter = {name: value for name, value in _LIGHTER.items() if name in known}
    run = run_notebook(path, out, given={"source": str(source), **lighter, **one.given})
    return Run(one.notebook, one.given, run.no_answer or run.failure or ANSWERED, bool(run.failure))


def _of(runs: Sequence[Run], notebook: str) -> list[Run]:
    return [one for one in runs if one.notebook == notebook]


def _key(one: Run) -> tuple[object, ...]:
    return one.notebook, *sorted(one.given.items())


def _read(kept: Path) -> dict[tuple[object, ...], Run]:
    lines = kept.read_text(encoding="utf-8").splitlines(keepends=True) if kept.exists() else []
    runs = [Run(**json.loads(line)) for line in lines if line.endswith("\n")]
    return {_key(one): one for one in runs}


def page(runs: Sequence[Run], *, dataset: str) -> str:
    """Return the page: for each notebook how many runs answered, and what the others said.

    Parameters
    ----------
    runs : sequence of Run
        With their outcomes.
    dataset : str
        Its name in words.

    Returns
    -------
    str
        Markdown.
    """
    lines = [
        "# Every notebook on each zone group and kind",
        "",
        f"Made by `python -m kit.notebook.each demo_fleet docs/notebook_runs.md` on the dataset {dataset}. Each notebook is run with each",
        "zone group, kind of damage and question that its parameters can name, two at a time, with fewer random draws than it has by itself.",
        "Where it cannot answer, it says so in one sentence, which stands here as it was said.",
        "",
        "| notebook | set | runs | answered | said why not | stopped by an error | not run |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    names = list(dict.fromkeys(one.notebook for one in runs))
    for name in names:
        own = _of(runs, name)
        n_answered, n_failed = sum(one.outcome == ANSWERED for one in own), sum(one.is_failure for one in own)
        n_open = sum(one.outcome == "" for one in own)
        told = ", ".join(f"`{key}`" for key in own[0].given) or "(nothing but the dataset)"
        lines.append(f"| {name} | {told} | {len(own)} | {n_answered} | {len(own) - n_answered - n_failed - n_open} | {n_failed} | {n_open} |")  # fmt: skip
    refused = [one for one in runs if one.outcome not in ("", ANSWERED)]
    lines += ["", "## What was said", ""]
    lines += [
        f"- {one.notebook}, {', '.join(in_words(value) for value in one.given.values())}: {'**error** ' if one.is_failure else ''}{one.outcome}"
        for one in refused
    ] or ["Nothing but answers."]
    return "\n".join(lines) + "\n"


def main(arguments: list[str] | None = None) -> None:
    """Write the page to a file; broken off, it goes on where it was when it is started again.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the command line where left out.
    """
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("source", type=Path)
    parser.add_argument("target", type=Path)
    parser.add_argument(
        "--so-far", action="store_true", help="write the page of what was run, and run nothing"
    )
    asked = parser.parse_args(arguments)
    kept = asked.target.with_suffix(".kept.jsonl")
    runs = run_each(asked.source, kept, so_far=asked.so_far)
    with tempfile.TemporaryDirectory() as folder:
        dataset = load_fleet(asked.source, set_aside=folder).name
    replace_text(asked.target, page(runs, dataset=dataset))
    if all(one.outcome for one in runs):
        kept.unlink()


if __name__ == "__main__":
    main()
