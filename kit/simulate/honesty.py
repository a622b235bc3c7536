"""How near the recommended intervals come to what the true parameters would have recommended.

Run as ``python -m kit.simulate.honesty demo_fleet docs/honesty_check.md``. Only possible on
invented data, where the truth is known; the analysis itself never reads it.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.cautions import caution_section
from kit.detection import DetectionCurve
from kit.findings import load_fleet, replace_text
from kit.growth import Growth
from kit.intervals import (
    DAYS_PER_YEAR,
    Answer,
    Evidence,
    Part,
    Question,
    combine,
    problem_of,
    read_question,
    recommend,
    risks,
)
from kit.numerics.typing import Floats
from kit.simulate.progress import progress


@dataclass(frozen=True)
class TrueLife:
    r"""A mixture of Weibull lives, each with a gamma frailty: :math:`S = \sum_i w_i (1 + v H_i)^{-1/v}`.

    Parameters
    ----------
    weight, scale : ndarray, shape (n,)
        Shares of the parts [-] and their scales [clock units].
    shape : float
        Weibull shape of all parts [-].
    frailty : float
        Variance v of the frailty; 0 for none [-].
    """

    weight: Floats
    scale: Floats
    shape: float
    frailty: float

    def _hazard(self, age: ArrayLike) -> Floats:
        return (np.asarray(age, np.float64)[:, None] / self.scale) ** self.shape

    def survival(self, age: ArrayLike) -> Floats:
        """Return the share still without damage.

        Parameters
        ----------
        age : array_like, shape (n,)
            Ages [clock units].

        Returns
        -------
        ndarray, shape (n,)
            S(age) [-].
        """
        h = self._hazard(age)
        part = np.exp(-h) if self.frailty == 0 else (1 + self.frailty * h) ** (-1 / self.frailty)
        return part @ self.weight

    def density(self, age: ArrayLike) -> Floats:
        """Return the density of the age at onset.

        Parameters
        ----------
        age : array_like, shape (n,)
            Ages above 0 [clock units].

        Returns
        -------
        ndarray, shape (n,)
            Density [1/clock unit].
        """
        age = np.asarray(age, np.float64)
        h = self._hazard(age)
        slope = self.shape * h / age[:, None]
        part = np.exp(-h) if self.frailty == 0 else (1 + self.frailty * h) ** (-1 / self.frailty - 1)
        return (slope * part) @ self.weight


def true_life(truth: dict, group: str, mode: str, subtype: str) -> TrueLife:
    """Return the true life of one mode in one group on one subtype, over lots, climates and low points.

    Parameters
    ----------
    truth : dict
        Contents of truth/parameters.json.
    group, mode : str
        Zone group, and ``M``, ``G`` or ``I``.
    subtype : str
        Subtype of the aircraft, whose cycles may be more severe.

    Returns
    -------
    TrueLife
        On the mode's clock. A panel is taken to stay in one climate.
    """
    rows = [row for row in truth["life"] if row["group"] == group and row["mode"] == mode]
    weights, scales = [], []
    for row in rows:
        share = 1.0
        if len(rows) > 1:
            share = truth["lot_share"] if row["lot"] else 1.0 - truth["lot_share"]
        if mode == "M":
            low = truth.get("low_point", {}).get(group, {"factor": 1.0, "share": 0.0})
            places = [(low["share"], low["factor"]), (1 - low["share"], 1 / low["factor"])]
            parts = [
                (truth["climate_share"][c] * part, truth["climate_factor"][c] * factor)
                for c in truth["climate_share"]
                for part, factor in places
                if part > 0
            ]
        elif mode == "G":
            parts = [(1.0, 1 / truth["cycle_severity"][subtype])]
        else:
            parts = [(1.0, 1.0)]
        weights += [share * w for w, _ in parts]
        scales += [row["scale"] * factor for _, factor in parts]
    frailty = float(truth["frailty_variance"]) if rows[0]["has_frailty"] else 0.0
    return TrueLife(np.array(weights), np.array(scales), float(rows[0]["shape"]), frailty)


def true_growth(truth: dict, mode: str, units_per_day: dict[str, float], clock: str) -> Growth:
    """Return the true size at onset and growth of one mode, without its sudden jumps.

    Parameters
    ----------
    truth : dict
        Contents of truth/parameters.json.
    mode : str
        ``M``, ``G`` or ``I``.
    units_per_day : dict of str to float
        Planned usage by clock.
    clock : str
        Clock of the result.

    Returns
    -------
    Growth
        On that clock.
    """
    size, growth = truth["size"][mode], truth["growth"][mode]
    rate = growth["median"] / (DAYS_PER_YEAR if growth["unit"] == "mm per year" else 1000.0)
    per_unit = units_per_day[growth["clock"]] / units_per_day[clock]
    return Growth(
        size["median_mm"],
        size["log_sd"],
        rate * per_unit,
        growth["log_sd"],
        growth["no_growth_share"],
        truth["arrest"]["share"],
        truth["arrest"]["ratio"],
        clock=clock,
        basis="truth",
    )


def true_detection(truth: dict, group: str, mode: str, method: str) -> DetectionCurve:
    """Return the true POD of a method on one group, without inspector and noise effects.

    Parameters
    ----------
    truth : dict
        Contents of truth/parameters.json.
    group, mode, method : str
        Zone group, mode and inspection method.

    Returns
    -------
    DetectionCurve
        By true size.
    """
    skin = truth["skin_class"][group]
    row = next(p for p in truth["pod"] if (p["method"], p["skin_class"]) == (method, skin))
    return DetectionCurve(
        row["a50"],
        1 / row["log_scale"],
        row["plateau"],
        truth["far_side_share"][mode],
        row["far_plateau"],
        basis="truth",
    )


@dataclass(frozen=True)
class TrueAnswer:
    """What the true parameters would have recommended, by the same rules and without uncertainty.

    Parameters
    ----------
    threshold, repeat_exact, repeat : float or None
        Threshold in packages, longest repeat that meets the target, and that in packages [clock units].
    bounded : float
        True value of what the target bounds, per 10,000 panel flight hours, under the schedule that was
        recommended from the data; nan where none was.
    exposure : float
        True beyond-limit hours per 10,000 panel flight hours under it.
    """

    threshold: float
    repeat_exact: float | None
    repeat: float | None
    bounded: float
    exposure: float


@dataclass(frozen=True, kw_only=True, eq=False)
class TrueKind:
    """One kind of damage as it truly is, in the place of what is believed of it.

    Parameters
    ----------
    kind : str
        Kind of damage.
    each : tuple of Part
        By part of the fleet, on the clock of the schedule.
    """

    kind: str
    each: tuple[Part, ...]

    def parts(self) -> Iterator[Part]:
        """Yield the truth of each part of the fleet.

        Yields
        ------
        Part
            With its share of the panels.
        """
        yield from self.each


def true_kinds(ask: Question, evidence: Evidence, truth: dict) -> tuple[TrueKind, ...]:
    """Return the truth of each kind of damage in a question.

    Parameters
    ----------
    ask : Question
        The question.
    evidence : Evidence
        For planned usage.
    truth : dict
        Contents of truth/parameters.json.

    Returns
    -------
    tuple of TrueKind
        In the order of the question.
    """
    mode_of = {row["kind"]: row["mode"] for row in truth["life"]}
    kinds = []
    for mode in ask.modes:
        letter = mode_of[mode.kind]
        detection = true_detection(truth, ask.group, letter, ask.detection.method)
        parts = []
        for usage in evidence.usages(ask.group, ask.clock):
            life = true_life(truth, ask.group, letter, usage.name)
            parts.append(
                Part(
                    usage.share,
                    replace(life, scale=life.scale / usage.clock_per_unit[mode.clock]),
                    true_growth(truth, letter, usage.clock_per_unit, ask.clock),
                    detection,
                )
            )
        kinds.append(TrueKind(kind=mode.kind, each=tuple(parts)))
    return tuple(kinds)


def true_answer(answer: Answer, evidence: Evidence, truth: dict) -> TrueAnswer:
    """Answer a question from the true parameters.

    Parameters
    ----------
    answer : Answer
        What was recommended from the data.
    evidence : Evidence
        For planned usage and packages.
    truth : dict
        Contents of truth/parameters.json.

    Returns
    -------
    TrueAnswer
        By the same rules.
    """
    ask = answer.question
    problem = problem_of(ask, evidence, true_kinds(ask, evidence, truth))
    schedule = combine(problem)
    exact = next(rule.interval for rule in schedule.rules if rule.rule == "risk")
    bounded = exposure = float("nan")
    if answer.repeat is not None:
        now = risks(problem, answer.threshold, answer.repeat)
        bounded, exposure = float(now[ask.target.column][0]), float(now["exposure"][0])
    return TrueAnswer(schedule.first, exact, schedule.repeat, bounded, exposure)


def honesty_tables(
    source: str | Path, *, questions: Sequence[str | Path] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put recommendations beside what the true parameters would have recommended.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.
    questions : sequence of str or Path, optional
        Questions; default all in its folder ``questions`` that use today's data.

    Returns
    -------
    answers : DataFrame
        One row a question: repeat and its exact value from the data, the same from the truth, what the target
        bounds with its band, and the true value under the recommended schedule.
    shares : DataFrame
        One row a question and kind: finds, and the share with damage at half the horizon, drawn and true.
    """
    folder = Path(source)
    truth = json.loads((folder / "truth" / "parameters.json").read_text(encoding="utf-8"))
    mode_of = {row["kind"]: row["mode"] for row in truth["life"]}
    paths = sorted((folder / "questions").glob("*.toml")) if questions is None else list(questions)
    with tempfile.TemporaryDirectory() as aside:
        evidence = Evidence(load_fleet(folder, set_aside=Path(aside) / "rejected_rows.csv"))
    rows, shares = [], []
    for path in progress(paths, "questions"):
        ask = read_question(path)
        if questions is None and ask.known_on is not None:
            continue
        answer = recommend(evidence, ask)
        real = true_answer(answer, evidence.as_known_on(ask.known_on), truth)
        exact = next((rule.interval for rule in answer.rules if rule.rule == "risk"), None)
        value, low, high = answer.risk[ask.target.column]
        rows.append(
            {
                "question": ask.name,
                "governed_by": answer.governed_by,
                "threshold": answer.threshold,
                "true_threshold": real.threshold,
                "repeat": answer.repeat,
                "true_repeat": real.repeat,
                "risk_rule": exact,
                "true_risk_rule": real.repeat_exact,
                "bounded": value,
                "bounded_lower": low,
                "bounded_upper": high,
                "true_bounded": real.bounded,
                "true_is_within_band": bool(low <= real.bounded <= high),
                "true_meets_target": answer.repeat is None
                or bool(real.bounded <= ask.target.per_10000_flight_hours),
                "exposure": answer.risk["exposure"][0],
                "true_exposure": real.exposure,
            }
        )
        for mode in answer.modes:
            drawn = true = 0.0
            for usage in evidence.usages(ask.group, ask.clock):
                age = np.array([ask.horizon / 2 * usage.clock_per_unit[mode.clock]])
                life = true_life(truth, ask.group, mode_of[mode.kind], usage.name)
                true += usage.share * float(1 - life.survival(age)[0])
                each = -np.expm1(-((age / mode.draws.scale[1:]) ** mode.draws.shape[1:]))
                drawn = drawn + usage.share * each
            low, middle, high = np.quantile(drawn, [0.05, 0.5, 0.95])
            shares.append(
                {
                    "question": ask.name,
                    "kind": mode.kind,
                    "finds": mode.histories.n_finds,
                    "share": float(middle),
                    "lower": float(low),
                    "upper": float(high),
                    "true": true,
                }
            )
    return pd.DataFrame(rows), pd.DataFrame(shares)


def _number(value: float | None, digits: int = 0) -> str:
    return "none" if value is None or not np.isfinite(value) else f"{value:,.{digits}f}"


def honesty_page(source: str | Path) -> str:
    """Write the comparison as a page in Markdown.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.

    Returns
    -------
    str
        The page.
    """
    table, fits = honesty_tables(source)
    lines = [
        "# Honesty check: recommended against true",
        "",
        "Made by `python -m kit.simulate.honesty demo_fleet docs/honesty_check.md`; do not edit by hand. The demo fleet is "
        "invented, so its true lives, growth and detection are known. Each question of `demo_fleet/questions/` is answered "
        "twice by the same rules: from the operator's blemished tables with uncertainty, and from the true parameters "
        "without any.",
        "",
        "## Repeat intervals [flight hours]",
        "",
        "`risk rule` is the longest repeat that meets the target before packages and not-to-exceed limit. The data must meet the target in "
        "95 % of parameter draws, the truth meets it as it is, so an honest recommendation is mostly the shorter one.",
        "",
        "| question | repeat | true repeat | risk rule | true risk rule | error of the risk rule | governed by |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in table.to_dict("records"):
        both = all(
            row[name] is not None and np.isfinite(row[name]) for name in ("risk_rule", "true_risk_rule")
        )
        error = f"{row['risk_rule'] / row['true_risk_rule'] - 1:+.0%}" if both else "–"
        lines.append(
            f"| {row['question']} | {_number(row['repeat'])} | {_number(row['true_repeat'])} | {_number(row['risk_rule'])} | "
            f"{_number(row['true_risk_rule'])} | {error} | {row['governed_by']} |"
        )
    lines += [
        "",
        "## Risk of the recommended schedule, per 10,000 panel flight hours",
        "",
        "What the target bounds, in its worst window of age.",
        "",
        "| question | middle of the draws (5 % to 95 %) | true | true within band | true meets the target | "
        "hours beyond the limit, mean: middle of the draws | true |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in table.to_dict("records"):
        none = row["repeat"] is None or not np.isfinite(row["repeat"])
        lines.append(
            f"| {row['question']} | {row['bounded']:.3f} ({row['bounded_lower']:.3f} to {row['bounded_upper']:.3f}) "
            + (
                "| no interval recommended | – | – "
                if none
                else f"| {row['true_bounded']:.3f} | {'yes' if row['true_is_within_band'] else 'no'} | "
                f"{'yes' if row['true_meets_target'] else 'no'} "
            )
            + f"| {row['exposure']:,.0f} | {_number(row['true_exposure'])} |"
        )
    asked = table.loc[np.isfinite(table["true_bounded"].astype(float))]
    meets, within = int(asked["true_meets_target"].sum()), int(asked["true_is_within_band"].sum())
    inside = ((fits["lower"] <= fits["true"]) & (fits["true"] <= fits["upper"])).sum()
    lines += [
        "",
        f"Of {len(asked)} recommended schedules the true risk meets the target in {meets}, and lies within the band of draws in "
        f"{within}. The questions share one fit of growth, so that they are not as many tests; docs/confidence.md has "
        "many fleets.",
        "",
        "## Share of panels with damage at half the horizon",
        "",
        "| question | kind | finds | middle of the draws (5 % to 95 %) | true |",
        "| --- | --- | --- | --- | --- |",
    ]
    for row in fits.to_dict("records"):
        lines.append(
            f"| {row['question']} | {row['kind'].replace('_', ' ')} | {row['finds']:g} | {row['share']:.3f} "
            f"({row['lower']:.3f} to {row['upper']:.3f}) | {row['true']:.3f} |"
        )
    lines += [
        "",
        f"The truth lies within {inside} of {len(fits)} bands.",
        "",
        "## How the truth differs from the model",
        "",
        "Differences only: no cause of a row above is claimed here, as none was tested by itself.",
        "",
        "- The true lives differ between climates, lots and panels (frailty); a question pools them.",
        "- A fifth of the damage stops growing at some size; the model has a share that stands still from the start.",
        "- Inspectors and noise spread the true POD; half the looks since 2020 are instrumented. A question uses one POD.",
        "- A few damages jump in size in one flight block. Neither side has jumps.",
        "- The truth counts the first onset of each kind; the answer counts panels that are repaired and fly on as well.",
        "",
    ]
    return "\n".join([*lines, *caution_section()])


if __name__ == "__main__":
    replace_text(Path(sys.argv[2]), honesty_page(sys.argv[1]))
