"""Ten questions that users want answered: each with notebook, call, answer with bounds, and the demo's truth beside it.

Run as ``python -m kit.simulate.questions_answered demo_fleet docs/questions_answered.md``. Only possible on invented data, where the
truth is known; the analysis itself never reads it.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from kit.cautions import caution_section
from kit.decisions import rerun
from kit.detection import fit_hit_miss, trial_power
from kit.findings import Fleet, load_fleet, replace_text
from kit.intervals import Evidence, Question, StatedDetection, read_question, recommend
from kit.life import after_repair, compare_clocks, fit_restoration, repaired_lives
from kit.numerics.words import in_words, number, percent
from kit.programmes import (
    Group,
    PresentState,
    Programme,
    compare_programmes,
    extension_evidence,
    group_of,
    method_choice,
    present_state,
)
from kit.ranking import left_and_right, mirror_zones, rank_by_damage, rank_zones
from kit.simulate.beside import detection_beside, exceedances_beside, repairs_beside
from kit.simulate.lessons import lesson_clock, lesson_lot, true_onsets
from kit.simulate.progress import progress
from kit.simulate.simulated import what_happened
from kit.simulate.truth import truly_happened, truly_standing


@dataclass(frozen=True)
class Answered:
    """One question with its answer.

    Parameters
    ----------
    number : int
        Of the question.
    question : str
        As users ask it.
    notebook, section : str
        Where it is worked out step by step.
    call : str
        What was called.
    answer : str
        The answer with its bounds, in Markdown.
    truth : str
        What is true of the demo fleet.
    """

    number: int
    question: str
    notebook: str
    section: str
    call: str
    answer: str
    truth: str

    def words(self) -> str:
        """Return the question's part of the page.

        Returns
        -------
        str
            Markdown.
        """
        anchor = self.section.lower().replace(" ", "-").replace(":", "").replace(",", "").replace("?", "")
        return (
            f"## {self.number}. {self.question}\n\nNotebook: [{self.notebook}](../notebooks/{self.notebook}.ipynb#{anchor}), *{self.section}*. "
            f"Call: `{self.call}`\n\n**Answer.** {self.answer}\n\n**Truth of the demo.** {self.truth}\n"
        )


class _Demo:
    """What several questions share, each made once."""

    def __init__(self, source: str | Path, draws: int) -> None:
        self.source, self.draws = Path(source), draws

    @cached_property
    def fleet(self) -> Fleet:
        with tempfile.TemporaryDirectory() as folder:
            return load_fleet(self.source, set_aside=folder)

    @cached_property
    def evidence(self) -> Evidence:
        return Evidence(self.fleet)

    def asked(self, name: str) -> Question:
        return read_question(self.source / "questions" / f"{name}.toml")

    @cached_property
    def group(self) -> Group:
        """The trailing edge on the day of its decision: of what came after, the truth is known."""
        return group_of(self.evidence, self.asked("D-07"), draws=self.draws)

    @cached_property
    def state(self) -> PresentState:
        return present_state(self.group)


def _longer_interval(demo: _Demo) -> tuple[str, str]:
    group, years = demo.group, 5
    second, third = (
        Programme.every(group.evidence, group.ask, repeat, days=days, name=name)
        for repeat, days, name in (
            (10_000.0, 1460.0, "every 2nd base check"),
            (15_000.0, 2190.0, "every 3rd base check"),
        )
    )
    change = compare_programmes(group, present=second, proposed=third, years=years)
    day, end = group.living.cut_off, group.living.cut_off + pd.DateOffset(years=years)
    true = truly_happened(demo.source, group.living.frame["panel"], day, end)
    now = change.outlook(0)
    told = "; ".join(
        f"{words} {number(true[name])} (expected {number(now.loc[name, 'expected'])}, {number(now.loc[name, 'lower'])} to {number(now.loc[name, 'upper'])})"
        for name, words in (
            ("exceedances", "damages beyond the limit unfound"),
            ("exposure", "panel flight hours beyond it"),
        )
    )
    return _list(
        change.words()
    ), f"The fleet flew every 2nd base check in those {years} years. What really happened: {told}."


def _ranking(demo: _Demo) -> tuple[str, str]:
    every = rank_by_damage(demo.fleet)["all"]
    first = every.to_frame().head(3)
    told = "; ".join(
        f"{in_words(name)} {row['rate']:.4f} ({row['rate_lower']:.4f} to {row['rate_upper']:.4f})"
        for name, row in first.iterrows()
    )
    hours = rank_zones(demo.fleet).query("kind == 'all'").set_index("group")["panel_flight_hours"]
    true = (what_happened(demo.source)["arose"] / hours * 1000).sort_values(ascending=False).head(3)
    return (
        f"Damages that arise per 1,000 panel flight hours, 90 % bounds: {told}. The worst may be any of "
        f"{', '.join(map(in_words, every.ranks.may_be_worst(0.95)))} (95 %); indistinguishable: "
        f"{'; '.join(', '.join(map(in_words, names)) for names in every.ranks.sets())}.",
        f"The three worst in truth: {'; '.join(f'{in_words(name)} {value:.4f}' for name, value in true.items())}.",
    )


def _clock(demo: _Demo) -> tuple[str, str]:
    lesson = lesson_clock(demo.fleet, demo.source)["says"]
    return (
        f"{compare_clocks(demo.fleet, kind='moisture_disbond', seed=1).words()} By subtype: {lesson['right']}.",
        f"{lesson['truth']}.",
    )


def _clean_looks(demo: _Demo) -> tuple[str, str]:
    group = demo.group
    present = Programme.in_force(group.evidence, group.ask)
    standing = truly_standing(demo.source, group.living.frame["panel"], group.living.cut_off)
    expected = demo.state.to_frame()["beyond"].sum()
    return (
        _list((*extension_evidence(group, 6_250.0, present=present).words(), demo.state.words()[0])),
        f"On that day {standing['is_beyond'].sum()} of {len(standing)} panels held unfound damage beyond the limit ({expected:.1f} were expected).",
    )


def _not_preventable(demo: _Demo) -> tuple[str, str]:
    answer = recommend(demo.evidence, demo.asked("flap"))
    total, part, exposure = (answer.risk[name] for name in ("exceedances", "not_preventable", "exposure"))
    hours = rank_zones(demo.fleet).set_index(["kind", "group"]).loc[("all", "flap"), "panel_flight_hours"]
    return (
        f"Flap, every {answer.repeat or answer.current_repeat:,.0f} flight hours, per 10,000 panel flight hours: {_bounded(total)} damages pass the limit "
        f"undetected, of which {_bounded(part)} no interval prevents ({percent(part[0] / total[0])}); {_bounded(exposure)} hours beyond it.",
        exceedances_beside(demo.source, "flap", panel_flight_hours=hours),
    )


def _this_panel(demo: _Demo) -> tuple[str, str]:
    rows = demo.state.to_frame().head(5)
    true = truly_standing(demo.source, demo.state.to_frame()["panel"], demo.group.living.cut_off)
    told = "; ".join(
        f"{row.panel} on {row.aircraft} {percent(row.beyond)} ({percent(row.beyond_lower)} to {percent(row.beyond_upper)})"
        for row in rows.itertuples()
    )
    return (
        f"Trailing edge on {demo.group.living.cut_off:%Y-%m-%d}, chance of unfound damage beyond the limit, sorted by what a look takes away: {told}.",
        f"Of these five {true.loc[rows['panel'], 'is_damaged'].sum()} were damaged and {true.loc[rows['panel'], 'is_beyond'].sum()} beyond the limit; of all "
        f"{len(true)} panels {true['is_damaged'].sum()} and {true['is_beyond'].sum()}.",
    )


def _repairs(demo: _Demo) -> tuple[str, str]:
    lives = repaired_lives(demo.fleet, kind="moisture_disbond", clock="calendar_days", by="repair_class")
    return after_repair(fit_restoration(lives), age=3650.0).words(), repairs_beside(demo.source)


def _sister(demo: _Demo) -> tuple[str, str]:
    row, lots = left_and_right(demo.fleet).loc["all"], lesson_lot(demo.fleet, demo.source)["says"]
    mirror = mirror_zones(demo.fleet)
    onsets = true_onsets(demo.source)
    places = set(zip(onsets["aircraft"], onsets["zone"], strict=True))
    both = [(aircraft, mirror[zone]) in places for aircraft, zone in sorted(places) if zone in mirror]
    return (
        f"Where one side was found damaged, so was the other in {percent(row['given_other'])} ({percent(row['given_other_lower'])} to "
        f"{percent(row['given_other_upper'])}), else in {percent(row['without_other'])}. Lots of the spoiler: {lots['right']}.",
        f"In truth {lots['truth']}. Where one side was truly damaged at any time, so was the other in {percent(sum(both) / len(both))} of {len(both)} places.",
    )


def _past_decision(demo: _Demo) -> tuple[str, str]:
    result = rerun(demo.source / "decisions" / "D-07.json", demo.evidence)
    then, later = (
        result.now,
        {"known now of that time": result.known_now, "with all events to date": result.today},
    )
    repeats = {
        name: "none" if one.recommendation.repeat is None else f"{one.recommendation.repeat:,.0f}"
        for name, one in {"then": then, **later}.items()
    }
    low, high = then.recommendation.risk["preventable"][1:]
    day = pd.Timestamp(then.known_on)
    onsets = pd.read_csv(demo.source / "truth" / "onsets.csv", parse_dates=["onset_on", "found_on"])
    onsets = onsets.loc[onsets["group"] == then.question.group]
    arisen = (onsets["onset_on"] <= day).sum()
    return (
        f"D-07 of {then.known_on}: {result.verdict}. Repeat [flight hours] {', '.join(f'{name}: {value}' for name, value in repeats.items())}; preventable "
        f"exceedances then {then.recommendation.risk['preventable'][0]:.4f} per 10,000 panel flight hours ({low:.4f} to {high:.4f}). "
        f"Finds in its lives: {sum(m.finds for m in then.modes):.0f} then, {sum(m.finds for m in result.known_now.modes):.0f} known now of that time.",
        f"{arisen} damages of the group had arisen by that day, {(onsets['found_on'] <= day).sum()} of them had been found by a look, whether or not it was on record yet.",
    )


def _methods(demo: _Demo) -> tuple[str, str]:
    trial = pd.read_csv(demo.source / "trials" / "blind_trial.csv")
    fit = fit_hit_miss(
        trial["size"],
        trial["hit"],
        trial["method"],
        plateau="fit",
        false_calls="fit",
        inspector=trial["inspector"],
    )
    curve = fit.curve(group="tap_instrumented")
    pod = StatedDetection(
        method="tap_instrumented", a50_mm=curve.a50, slope=curve.slope, plateau=curve.plateau, far_side_plateau=0.1,
        basis="blind trial of the demo; the far side assumed",
    )  # fmt: skip
    choice = method_choice(demo.group, pod, repeats=(10_000.0, 15_000.0))
    power = trial_power(
        curve, 1.25 * fit.a90_95(group="tap_instrumented"), n_flaws=[30, 60, 120], n_inspectors=[4, 8], size_from=5, size_to=90,
        inspector_sd=float(fit.a50_spread), n_trials=60, seed=1,
    )  # fmt: skip
    enough = power.loc[power["share_proving"] >= 0.8].sort_values("n_taps").head(1)
    proof = (
        "No examined trial proves it with 80 %."
        if enough.empty
        else f"A trial with {enough['n_flaws'].iloc[0]} places and {enough['n_inspectors'].iloc[0]} inspectors proves nine in ten at "
        f"{1.25 * fit.a90_95(group='tap_instrumented'):.0f} mm in {percent(enough['share_proving'].iloc[0])} of trials."
    )
    truths = " ".join(
        detection_beside(demo.source, name, skin_class="mid") for name in ("tap_manual", "tap_instrumented")
    )
    return _list((*choice.words(), proof)), truths


def _bounded(values: tuple[float, float, float]) -> str:
    return f"{number(values[0])} ({number(values[1])} to {number(values[2])})"


def _list(lines: tuple[str, ...] | list[str]) -> str:
    return "\n\n" + "\n".join(f"- {line}" for line in lines)


QUESTIONS: tuple[tuple[str, str, str, str, Callable[[_Demo], tuple[str, str]]], ...] = (
    ("If a group goes from every second to every third base check, what stays undetected, for how long, how sure?", "08_change_programme", "Result: present against proposed", "kit.compare_programmes(group, present=…, proposed=…, years=5)", _longer_interval),
    ("Which zones are truly damaged most, and which rank orders are within noise?", "03_rank_zones", "What arises", "kit.rank_by_damage(fleet)", _ranking),
    ("Which clock drives a damage type, and how sure is that?", "04_fit_life", "Which clock", "kit.life.compare_clocks(fleet, kind=…)", _clock),
    ("How many clean looks are still needed before a repeat 25 % longer is supportable, and when are they there?", "08_change_programme", "Result: what an extension needs, and what takes it back", "kit.programmes.extension_evidence(group, repeat)", _clean_looks),
    ("How much of the present risk could any interval remove?", "05_set_interval", "Risk and undetected time beyond limits against the repeat interval", "kit.recommend(fleet, question).risk", _not_preventable),
    ("The last look was clean: what is the chance that this very panel now holds damage beyond its limit?", "08_change_programme", "Result: which panels to tap first", "kit.present_state(group)", _this_panel),
    ("Do repaired panels come back sooner, and which repair pays?", "11_do_repairs_pay", "Result", "kit.life.after_repair(kit.life.fit_restoration(lives), age=3650)", _repairs),
    ("Damage was found on the left: what of the right, the same lot, the same base?", "10_why_zones_differ", "Damage on the left: what of the right?", "kit.ranking.left_and_right(fleet)", _sister),
    ("What did the past decision rest on, and what changes with today's data?", "06_rerun_decision", "Result: then, now, and with what came since", "kit.rerun(record, fleet)", _past_decision),
    ("Would instrumented taps every third check beat manual ones every second, and what must be proved?", "07_detection_and_growth", "What a trial of another size would prove", "kit.programmes.method_choice(group, pod, repeats=(10000, 15000))", _methods),
)  # fmt: skip
"""Question, notebook, its section, call, and what works it out."""


def answers(source: str | Path, *, draws: int = 200) -> Iterator[Answered]:
    """Answer the ten questions on a demo fleet.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.
    draws : int
        Joint draws of the answers about programmes.

    Yields
    ------
    Answered
        One a question, in order.
    """
    demo = _Demo(source, draws)
    for i, (question, notebook, section, call, work) in enumerate(QUESTIONS):
        answer, truth = work(demo)
        yield Answered(i + 1, question, notebook, section, call, answer, truth)


def questions_page(source: str | Path) -> str:
    """Write the page of the ten questions.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.

    Returns
    -------
    str
        Markdown.
    """
    parts = [one.words() for one in progress(answers(source), "questions", total=len(QUESTIONS))]
    return "\n".join(
        [
            "# Ten questions, answered on the demo fleet\n",
            "Made by `python -m kit.simulate.questions_answered demo_fleet docs/questions_answered.md`; not edited by hand. The fleet is invented, so "
            "that the truth is known; a real fleet has no such lines. Where the truth lies outside the bounds, it stands here all the same.\n",
            *parts,
            *caution_section(),
        ]
    )


if __name__ == "__main__":
    replace_text(Path(sys.argv[2]), questions_page(sys.argv[1]))
