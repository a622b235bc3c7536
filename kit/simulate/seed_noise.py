"""How far answers hang on the seed of their draws, and what sampled damage alone adds to the risk: other seeds, more draws, more damages."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np

from kit.cautions import caution_section
from kit.findings import load_fleet, replace_text
from kit.intervals import (
    Evidence,
    Question,
    beliefs,
    monte_carlo_error,
    problem_of,
    read_question,
    recommend,
    risk_and_rise,
    with_numbers,
)
from kit.numerics.forked import forked_map
from kit.simulate.progress import progress

SETTINGS = ((1024, 96), (1024, 384), (4096, 96), (4096, 384))
"""Draws, and damages sampled in each; the first is what a question asks for where it says nothing."""

SEEDS = 8
"""Seeds of each."""


class Noise(NamedTuple):
    """What other seeds make of one question.

    Parameters
    ----------
    question : str
        Its name.
    draws, samples : int
        Draws, and damages sampled in each.
    risk : float
        Quantile of the risk that is held against the target, at the interval as asked: mean of its logs over seeds.
    rise : float
        Power of the interval with which it rises [-].
    said : float
        Standard error of the interval as an answer says it, mean over seeds [-].
    found : float
        Standard deviation of the log of the interval over seeds [-].
    seconds : float
        Processor time of one seed.
    """

    question: str
    draws: int
    samples: int
    risk: float
    rise: float
    said: float
    found: float
    seconds: float


def noise(
    evidence: Evidence,
    ask: Question,
    *,
    draws: int,
    samples: int,
    seeds: Iterable[int],
    first: float,
    repeat: float,
) -> Noise:
    """Work out how far the risk at one schedule, and so the interval, hangs on the seed.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known on the question's day.
    ask : Question
        The question.
    draws, samples : int
        Draws, and damages sampled in each.
    seeds : iterable of int
        Seeds of the draws.
    first, repeat : float
        The schedule [units of the question's clock].

    Returns
    -------
    Noise
        Of the interval to first order: what the risk scatters, over how it rises. The grid of the search is left out.
    """
    rows, said, begun = [], [], time.process_time()
    seeds = list(seeds)
    for seed in seeds:
        one = with_numbers(
            ask.model_copy(update={"seed": seed, "draws": draws, "samples": samples}), evidence.fleet
        )
        believed = beliefs(one, evidence)
        zones = {each.draws.kind: each.zones for each in believed}
        problem = problem_of(one, evidence, tuple(each.draws for each in believed), zones=zones)
        risk, rise = risk_and_rise(problem, repeat, first)
        rows.append((np.log(np.quantile(risk, one.target.share_of_draws)), rise))
        said.append(monte_carlo_error(problem, repeat, first))
    logs, rises = np.transpose(rows)
    rise = float(rises.mean())
    return Noise(
        question=ask.name,
        draws=draws,
        samples=samples,
        risk=float(np.exp(logs.mean())),
        rise=rise,
        said=float(np.mean(said)),
        found=float(logs.std(ddof=1) / rise),
        seconds=(time.process_time() - begun) / len(seeds),
    )


def noise_of_questions(
    source: str | Path, *, seeds: int = SEEDS, settings: Iterable[tuple[int, int]] = SETTINGS
) -> list[Noise]:
    """Put every question of a fleet to other seeds.

    Parameters
    ----------
    source : str or Path
        A dataset with a folder of questions.
    seeds : int
        Seeds of each.
    settings : iterable of tuple of int
        Draws, and damages sampled in each.

    Returns
    -------
    list of Noise
        By question, then by setting; questions whose interval no risk limits are left out.
    """
    evidence = Evidence(load_fleet(source, set_aside=True))
    asked = [read_question(path) for path in sorted((Path(source) / "questions").glob("*.toml"))]

    def of_question(ask: Question) -> list[Noise]:
        answer = recommend(evidence, ask)
        rules = {rule.rule: rule for rule in answer.rules}
        risk = rules.get("risk")
        if risk is None or risk.interval is None or risk.is_open:
            return []
        of_setting = partial(
            noise,
            evidence.as_known_on(ask.known_on),
            ask,
            seeds=range(1, seeds + 1),
            first=rules["threshold"].interval,
            repeat=risk.interval,
        )
        return [of_setting(draws=draws, samples=samples) for draws, samples in settings]

    each = progress(forked_map(of_question, asked), "Questions", total=len(asked))
    return [one for found in each for one in found]


def page(found: list[Noise], seeds: int) -> str:
    """Return the page.

    Parameters
    ----------
    found : list of Noise
        As `noise_of_questions` gives it.
    seeds : int
        Seeds of each.

    Returns
    -------
    str
        Markdown, with the cautions.
    """
    names = list(dict.fromkeys(one.question for one in found))
    finest = {name: [one for one in found if one.question == name][-1] for name in names}

    def longer(one: Noise) -> float:
        """By how much longer the interval is with the finest setting, to first order."""
        best = finest[one.question]
        return round(float((one.risk / best.risk) ** (1 / one.rise) - 1), 2) + 0.0  # no negative zero

    lines = [
        "# How far an answer hangs on its seed",
        "",
        f"Each question of the demo fleet put to {seeds} seeds, with more draws and with more damages sampled in each draw (`draws` and "
        "`samples` of a question). *Scatter*: standard deviation of the interval of the risk rule over seeds, without the 2 % steps of the "
        "search; *said*: what an answer says of it, as though its draws were independent. *Finest would be longer by*: sampled "
        "damage is few in each draw, and the worst window of age picks what came out high, so that the risk is told too high and the interval "
        "is too short, on the careful side; that is what the finest setting takes off. Made by `python -m kit.simulate.seed_noise demo_fleet "
        "docs/seed_noise.md`; do not edit by hand.",
        "",
        "| draws | damages in each | scatter: median, largest | said: median, largest | finest would be longer by: median, most | processor time of belief and three schedules |",
        "| ---: | ---: | --- | --- | --- | ---: |",
    ]
    for draws, samples in dict.fromkeys((one.draws, one.samples) for one in found):
        rows = [one for one in found if (one.draws, one.samples) == (draws, samples)]
        scatter, said, more = (
            [f(one) for one in rows] for f in (lambda one: one.found, lambda one: one.said, longer)
        )
        lines.append(
            f"| {draws:,} | {samples:,} | {np.median(scatter):.1%}, {max(scatter):.1%} | {np.median(said):.1%}, {max(said):.1%} "
            f"| {np.median(more):.0%}, {max(more):.0%} | {np.median([one.seconds for one in rows]):.1f} s |"
        )
    lines += [
        "",
        "| question | draws | damages in each | scatter | said | finest would be longer by |",
        "| --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    lines += [
        f"| {one.question} | {one.draws:,} | {one.samples:,} | {one.found:.1%} | {one.said:.1%} | {longer(one):.0%} |"
        for one in found
    ]
    return "\n".join([*lines, "", *caution_section()])


def main(source: str, target: str, seeds: str = str(SEEDS)) -> None:
    """Write the page to a file.

    Parameters
    ----------
    source : str
        A dataset with a folder of questions.
    target : str
        File to write.
    seeds : str
        Seeds of each question.
    """
    replace_text(Path(target), page(noise_of_questions(source, seeds=int(seeds)), int(seeds)) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
