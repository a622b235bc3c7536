"""Is every question answered or refused with a reason, whatever luck made the fleet: many invented fleets in a row."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from kit.cautions import caution_section
from kit.findings import load_fleet, replace_text
from kit.intervals import Evidence, QuestionError, read_question, recommend
from kit.simulate.demo_scenario import default_scenario
from kit.simulate.progress import progress
from kit.simulate.write import make_demo

FLEETS = 200
"""Fleets of the page."""

FIRST_SEED = 1
"""Seed of its first fleet; the others follow."""

DRAWS = 32
"""Draws of each answer of the page: whether a question is answered does not hang on how many there are."""


def answers_of_seed(
    seed: int,
    questions: str | Path,
    *,
    n_aircraft: int | None = None,
    names: Iterable[str] | None = None,
    draws: int | None = None,
) -> pd.DataFrame:
    """Make the invented fleet of a seed anew and put questions to it.

    Parameters
    ----------
    seed : int
        Seed of the fleet.
    questions : str or Path
        Folder of questions.
    n_aircraft : int, optional
        Aircraft of the fleet. Default: those of the demo fleet.
    names : iterable of str, optional
        Names of the questions. Default: all of the folder.
    draws : int, optional
        Draws of each answer. Default: as each question asks.

    Returns
    -------
    DataFrame
        Columns seed, question, outcome (answered; no interval, where none meets the target; refused), threshold, repeat [units of the question's
        clock], governed_by, seconds (of processor time; the first question pays for what all share), why (of a refusal).

    Raises
    ------
    ValueError
        If the folder holds no question of these names.
    """
    wanted = sorted(Path(questions).glob("*.toml"))
    if names is not None:
        asked = set(names)
        wanted = [path for path in wanted if path.stem in asked]
    if not wanted:
        raise ValueError(
            f"`questions` must be a folder of questions. Got {str(questions)!r}, which has none of these."
        )
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        scenario = None if n_aircraft is None else default_scenario(n_aircraft=n_aircraft)
        fleet = load_fleet(make_demo(Path(folder) / "fleet", seed=seed, scenario=scenario), set_aside=True)
    evidence = Evidence(fleet)
    for path in wanted:
        begin = time.process_time()
        row = {"seed": seed, "question": path.stem, "outcome": "answered", "why": ""}
        try:
            ask = read_question(path)
            ask = ask if draws is None else ask.model_copy(update={"draws": draws})
            answer = recommend(evidence, ask)
        except QuestionError as reason:
            row |= {"outcome": "refused", "why": str(reason)}
        else:
            row |= {"threshold": answer.threshold, "repeat": answer.repeat, "governed_by": answer.governed_by}
            if answer.repeat is None:
                row["outcome"] = "no interval"
        rows.append(row | {"seconds": time.process_time() - begin})
    columns = ["seed", "question", "outcome", "threshold", "repeat", "governed_by", "seconds", "why"]
    return pd.DataFrame(rows).reindex(columns=columns)


def many_seeds(
    questions: str | Path,
    seeds: Iterable[int],
    *,
    n_aircraft: int | None = None,
    draws: int | None = DRAWS,
    workers: int = 1,
    kept: str | Path | None = None,
) -> pd.DataFrame:
    """Put all questions to fleets of many seeds.

    Parameters
    ----------
    questions : str or Path
        Folder of questions.
    seeds : iterable of int
        Seeds of the fleets.
    n_aircraft : int, optional
        Aircraft of each fleet. Default: those of the demo fleet.
    draws : int, optional
        Draws of each answer; None: as each question asks.
    workers : int
        Processes to share the work.
    kept : str or Path, optional
        Table of the seeds that are done: what stands there is not done again, and each seed is added when it is
        done, so that work that was broken off goes on where it was. A table of other draws is begun anew by hand.

    Returns
    -------
    DataFrame
        As `answers_of_seed`, seed by seed.

    Raises
    ------
    ValueError
        If `kept` was made with other questions, aircraft or draws.
    """
    wanted = list(seeds)
    made = f"{len(sorted(Path(questions).glob('*.toml')))} questions, {n_aircraft or 'all'} aircraft, {draws or 'own'} draws"
    tables = [] if kept is None else [_kept(Path(kept), made)]
    done = set(tables[0]["seed"]) if tables else set()
    left = [seed for seed in wanted if seed not in done]
    one = partial(answers_of_seed, questions=str(questions), n_aircraft=n_aircraft, draws=draws)
    with ExitStack() as stack:
        answers = (
            map(one, left)
            if workers == 1
            else stack.enter_context(ProcessPoolExecutor(workers)).map(one, left)
        )
        for table in progress(answers, "fleets", total=len(left)):
            tables.append(table)
            if kept is not None:
                whole = pd.concat([part for part in tables if len(part)], ignore_index=True)
                replace_text(Path(kept), json.dumps({"made": made, "rows": whole.to_dict("records")}))
    whole = pd.concat([part for part in tables if len(part)], ignore_index=True)
    return whole[whole["seed"].isin(wanted)].sort_values(["seed", "question"], ignore_index=True)


def _kept(path: Path, made: str) -> pd.DataFrame:
    """Return what a broken-off run left; an empty table where there is none."""
    if not path.exists():
        return pd.DataFrame({"seed": pd.Series(dtype=np.int64)})
    left = json.loads(path.read_text(encoding="utf-8"))
    if left["made"] != made:
        raise ValueError(
            f"{path}: must be of {made} to be gone on with. Got {left['made']}. Delete it, or give another file."
        )
    return pd.DataFrame(left["rows"])


def many_seeds_page(table: pd.DataFrame, *, draws: int | None = None) -> str:
    """Put the outcomes on a page.

    Parameters
    ----------
    table : DataFrame
        What `many_seeds` gave.
    draws : int, optional
        Draws of each answer, where they were not those that the question asks for.

    Returns
    -------
    str
        Markdown.
    """
    seeds, outcome = table["seed"], table["outcome"].value_counts()
    sampled = "" if draws is None else f"; each from {draws} draws, fewer than a decision takes"
    lines = [
        "# Is every question answered, whatever luck made the fleet?",
        "",
        f"The invented demo fleet made anew with {seeds.nunique()} other seeds ({seeds.min()} to {seeds.max()}), and each question of "
        f"`demo_fleet/questions/` put to each: {len(table):,} questions, {outcome.get('answered', 0):,} answered with an interval, "
        f"{outcome.get('no interval', 0):,} answered that no interval meets the target, {outcome.get('refused', 0):,} refused with a "
        f"reason, none without an end{sampled}. The slowest took {table['seconds'].max():.0f} s of processor time.",
        "",
        "Made by `python -m kit.simulate.many_seeds demo_fleet/questions docs/many_seeds.md`; do not edit by hand.",
        "",
        "| question | answered | no interval | refused | threshold, least to most | repeat, least to most | governed by |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, rows in table.groupby("question", sort=True):
        done, each = rows.loc[rows["outcome"] == "answered"], rows["outcome"].value_counts()
        rules = ", ".join(f"{rule} {n}" for rule, n in done["governed_by"].value_counts().items())
        lines.append(
            f"| {name} | {len(done)} | {each.get('no interval', 0)} | {each.get('refused', 0)} | {_range(done['threshold'])} | "
            f"{_range(done['repeat'])} | {rules} |"
        )
    lines += ["", "## Refused", ""]
    refused = table.loc[table["outcome"] == "refused"]
    lines += [f"- seed {row.seed}, {row.question}: {row.why}" for row in refused.itertuples()] or ["None."]
    lines += ["", *caution_section()]
    return "\n".join(lines)


def _range(values: pd.Series) -> str:
    numbers = values.dropna().to_numpy(np.float64)
    return f"{numbers.min():,.0f} to {numbers.max():,.0f}" if numbers.size else "–"


def main(questions: str, target: str, n: str = str(FLEETS), workers: str = "", so_far: str = "") -> None:
    """Write the page to a file; broken off, it goes on where it was when it is started again.

    What is done is kept beside the page until all of it is.

    Parameters
    ----------
    questions : str
        Folder of questions.
    target : str
        File to write.
    n : str
        Fleets.
    workers : str
        Processes to share the work; as many as there are cores by default.
    so_far : str
        ``--so-far`` writes the page of the fleets that are done, and makes none.
    """
    seeds = range(FIRST_SEED, FIRST_SEED + int(n))
    kept = Path(target).with_suffix(".kept.json")
    if so_far:
        done = pd.DataFrame(json.loads(kept.read_text(encoding="utf-8"))["rows"])
        replace_text(Path(target), many_seeds_page(done, draws=DRAWS))
        return
    table = many_seeds(questions, seeds, workers=int(workers or os.cpu_count() or 1), kept=kept)
    replace_text(Path(target), many_seeds_page(table, draws=DRAWS))
    kept.unlink(missing_ok=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
