"""One group of zones with all that its programmes are judged by: living panels and joint draws, put together once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from kit.cautions import CAUTIONS
from kit.findings import Fleet, need_fleet
from kit.intervals import (
    Belief,
    Evidence,
    Problem,
    Question,
    QuestionError,
    beliefs,
    problem_of,
    read_question,
    share_evidence,
    with_numbers,
)
from kit.life import NoFiniteMaximum
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.posterior import KindDraws
from kit.programmes.damage import thinned
from kit.programmes.factors import SharedFactors, shared_factors
from kit.programmes.panels import LivingPanels, living_panels

DRAWS = 200
"""Joint draws that the living panels are worked out under, unless more are asked for."""

LEVEL = 0.90
"""Share of the draws between the bounds of every figure, table and sentence [-]."""

Progress = Callable[[str], None]
"""What long work calls before each step, with its name."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Group:
    """A group of zones as it is on the cut-off.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.
    believed : tuple of Belief
        What is believed of each kind of damage.
    draws : dict of str to KindDraws
        By kind, some of the joint draws, without the central value.
    living : LivingPanels
        The panels.
    multipliers : dict of str to ndarray, shape (n_draws, n_panels)
        By kind: hazard of each panel over that of the group [-].
    factors : dict of str to SharedFactors
        By kind: what zones, lots, bases and aircraft add.
    limit_mm : float
        Largest size that may stay [mm].
    problem : Problem
        The same as plain data for the rules of the interval.
    """

    ask: Question
    evidence: Evidence
    believed: tuple[Belief, ...]
    draws: dict[str, KindDraws]
    living: LivingPanels
    multipliers: dict[str, Floats]
    factors: dict[str, SharedFactors]
    limit_mm: float
    problem: Problem

    @property
    def n_draws(self) -> int:
        """Draws."""
        return next(iter(self.draws.values())).n

    @property
    def fleet(self) -> Fleet:
        """The fleet as known."""
        return self.evidence.fleet

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        pod, planned = self.ask.looked_with, self.ask.detection
        lines = [line for one in self.believed for line in one.assumptions]
        lines += [
            f"POD of {pod.method}: a50 {pod.a50_mm:g} mm, slope {pod.slope:g}, plateau {pod.plateau:g} ({pod.basis}), of all past "
            "looks, whoever made them; looks at one panel miss independently of each other, given its size",
            "damage types arise independently of each other, and a repair renews its own kind alone from today on",
            "large damage is found as surely as its size says; the risk of an interval takes it as no more surely than at the limit",
        ]
        if self.ask.past_detection is not None:
            lines.append(
                f"POD of looks to come, by {planned.method}: a50 {planned.a50_mm:g} mm, slope {planned.slope:g}, plateau "
                f"{planned.plateau:g} ({planned.basis})"
            )
        if "implied" in self.ask.basis:
            lines.append("a closed card means that its zones were tapped and clean unless it says otherwise")
        return tuple(dict.fromkeys(lines))

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know of the data, then the standing cautions."""
        notes = [note for one in self.believed for note in one.notes]
        unknown = int((~self.living.frame["is_age_known"]).sum())
        if unknown:
            notes.append(
                f"{unknown} of {len(self.living)} panels are of unknown age: each is taken as old as it may be"
            )
        if len(self.living.left_out):
            notes.append(
                f"{len(self.living.left_out)} panels are left out: their age cannot be told, not even its bounds"
            )
        if not len(self.living):
            notes.append("no panel of the group is fitted")
        return (*dict.fromkeys(notes), *CAUTIONS)


def known_and_asked(
    fleet: Fleet | Evidence | Group, question: Question | str | Path | None
) -> tuple[Evidence, Question]:
    """Read a question and take the fleet as known on its day, so that what cannot be done is refused before long work.

    Parameters
    ----------
    fleet : Fleet, Evidence or Group
        The findings; a group has its own question.
    question : Question, str or Path, optional
        The question, or the path of its TOML file.

    Returns
    -------
    evidence : Evidence
        As known on the question's day.
    ask : Question
        The question.

    Raises
    ------
    QuestionError
        If the question is wrong.
    """
    if isinstance(fleet, Group):
        return fleet.evidence, fleet.ask
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    ask = read_question(question)
    return (fleet if isinstance(fleet, Evidence) else Evidence(fleet)).as_known_on(ask.known_on), ask


def group_of(
    fleet: Fleet | Evidence,
    question: Question | str | Path,
    *,
    draws: int = DRAWS,
    shared: bool = True,
    run: Mapped = map,
    say: Progress | None = None,
) -> Group:
    """Put together what is known and believed of the living panels of a question's group.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    question : Question, str or Path
        The question, or the path of its TOML file; its day, kinds of damage, POD and priors count.
    draws : int
        Joint draws that are made and used.
    shared : bool
        Whether zones, lots, bases and aircraft have hazards of their own, as far as finds distinguish them.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for joint draws on all cores; the answer does not depend on it.
    say : callable, optional
        Called before each step with its name.

    Returns
    -------
    Group
        Ready to be asked.

    Raises
    ------
    QuestionError
        If the question is wrong or the data cannot answer it as it stands.
    """
    tell = say or (lambda _: None)
    evidence, ask = known_and_asked(fleet, question)
    ask = with_numbers(ask, evidence.fleet).model_copy(update={"draws": max(int(draws), 50)})
    try:
        tell("joint draws")
        if run is not map:
            share_evidence(evidence, [ask], run=run)
        believed = beliefs(ask, evidence, run=run)
        kinds = tuple(one.draws for one in believed)
        problem = problem_of(ask, evidence, kinds, zones={one.draws.kind: one.zones for one in believed})
        tell("living panels")
        living = living_panels(evidence, ask)
        factors, multipliers, some = {}, {}, {}
        for one in believed:
            kind = one.draws.kind
            some[kind] = thinned(one.draws, one.draws.n - 1)
            multipliers[kind] = np.ones((some[kind].n, len(living)))
            if shared and one.mode.histories.n_finds:
                factors[kind] = shared_factors(evidence, one.mode.histories, one.draws, seed=ask.seed)
                multipliers[kind] = factors[kind].of_panels(living, np.arange(1, one.draws.n))
    except (NoFiniteMaximum, ValueError) as error:
        if isinstance(error, QuestionError):
            raise
        raise QuestionError(f"question {ask.name}: {error}") from None
    return Group(
        ask=ask,
        evidence=evidence,
        believed=believed,
        draws=some,
        living=living,
        multipliers=multipliers,
        factors=factors,
        limit_mm=problem.limit_mm,
        problem=problem,
    )


def band(values: Floats, *, level: float = LEVEL, axis: int = 0) -> tuple[Floats, Floats, Floats]:
    """Middle and bounds of draws.

    Parameters
    ----------
    values : ndarray
        By draw along `axis`.
    level : float
        Share of the draws between the bounds [-].
    axis : int
        That of the draws.

    Returns
    -------
    middle, lower, upper : ndarray
        Median and quantiles.
    """
    low, middle, high = np.quantile(values, [(1 - level) / 2, 0.5, (1 + level) / 2], axis=axis)
    return middle, low, high
