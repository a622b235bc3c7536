"""What another schedule, target, limit or POD would mean: the risk of each setting, from the draws of one question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from kit.detection import PodError, PodRegister
from kit.explore.svg import Picture, curve_chart, picture, text
from kit.findings import Fleet, need_fleet
from kit.intervals import (
    Evidence,
    Problem,
    Question,
    StatedDetection,
    beliefs,
    kind_asked,
    problem_of,
    read_question,
    risk_of,
    share_meeting,
    shortest_look,
    threshold_rule,
    with_numbers,
)
from kit.numerics.typing import Floats
from kit.numerics.words import percent, spelled
from kit.programmes import Programme

AS_ASKED = "as asked"
"""Name of the POD that the question states."""

BOUNDS = (0.05, 0.5, 0.95)
"""Quantiles of the draws that are told [-]."""

_STEPS = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_SOME = 256  # draws, or a few more, for which another limit or POD is worked out
_MOST_KEPT = 24  # problems with another limit or POD
_FACTORS = (0.6, 0.75, 0.85, 1.0, 1.15, 1.3, 1.6, 2.0)
_SHARES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """One setting of everything that can be moved.

    Parameters
    ----------
    repeat, first : float
        Spacing of the looks and the first of them [units of the schedule's clock].
    target : float
        Largest risk [of the question's measure, per 10,000 panel flight hours].
    share : float
        Share of the draws that must meet it [-].
    limit_mm : float
        Largest equivalent diameter that may stay [mm].
    pod : str
        Name of a POD.
    """

    repeat: float
    first: float
    target: float
    share: float
    limit_mm: float
    pod: str = AS_ASKED


@dataclass(frozen=True, eq=False, kw_only=True)
class Outcome:
    """What a setting comes to.

    Parameters
    ----------
    setting : Setting
        The setting.
    risk, exposure : ndarray, shape (n_draws,)
        The measure that the target bounds, and hours beyond the limit and unfound, under each draw, as the target takes
        them [per 10,000 panel flight hours].
    share_meeting : float
        Share of the draws that meet the target [-].
    warnings : tuple of str
        Why it may not be used as it is.
    """

    setting: Setting
    risk: Floats
    exposure: Floats
    share_meeting: float
    warnings: tuple[str, ...]

    @property
    def meets(self) -> bool:
        """Whether the target is met in the share of draws that is asked."""
        return self.share_meeting >= self.setting.share - 1e-9


@dataclass(frozen=True, eq=False, kw_only=True)
class IntervalBench:
    """One question, made ready so that every further setting takes a fraction of a second.

    Parameters
    ----------
    problem : Problem
        The question with its joint draws: they and the damage sampled under them stay the same at every setting, so
        that settings are held against each other on the same damage.
    pods : dict of str to StatedDetection or None
        PODs of the looks to come, by name; None for that of the question.
    notice, title : str
        Of the data and of the question.
    """

    problem: Problem
    pods: dict[str, StatedDetection | None]
    notice: str = ""
    title: str = ""
    _made: dict[tuple[float, str], Problem] = field(default_factory=dict, repr=False)

    @property
    def unit(self) -> str:
        """The unit of the schedule in words."""
        return self.problem.unit

    @property
    def repeats(self) -> tuple[float, ...]:
        """Intervals to choose from: round ones, and the packages [units of the schedule's clock]."""
        ask = self.problem.ask
        low, high = max(shortest_look(self.problem), ask.horizon / 80), ask.horizon / 2
        round_ones = [step * 10.0**power for power in range(7) for step in _STEPS]
        whole = [times * package.length for package in self.problem.packages for times in (1, 2, 3, 4)]
        proposed = [ask.proposed_repeat] if ask.proposed_repeat else []
        return tuple(
            sorted({x for x in (*round_ones, *whole, *proposed) if low <= x <= high} | set(proposed))
        )

    @property
    def targets(self) -> tuple[float, ...]:
        """Targets to choose from, that of the question among them [per 10,000 panel flight hours]."""
        asked = self.problem.ask.target.per_10000_flight_hours
        return tuple(
            sorted({float(f"{asked * factor:.3g}") for factor in (0.1, 0.2, 0.5, 0.75, 1.5, 2, 4)} | {asked})
        )

    @property
    def shares(self) -> tuple[float, ...]:
        """Shares of the draws to choose from, that of the question among them [-]."""
        return tuple(sorted({*_SHARES, self.problem.ask.target.share_of_draws}))

    @property
    def limits(self) -> tuple[float, ...]:
        """Limits to choose from, the one in force among them [mm]."""
        own = self.problem.limit_mm
        return tuple(sorted({round(own * factor, 1) for factor in _FACTORS if factor != 1.0} | {own}))

    def start(self) -> Setting:
        """Return the setting of the question, at the proposed or the first package's repeat.

        Returns
        -------
        Setting
            Within what can be chosen.
        """
        ask = self.problem.ask
        wanted = ask.proposed_repeat or (
            self.problem.packages[-1].length if self.problem.packages else self.repeats[-1] / 4
        )
        repeat = min(self.repeats, key=lambda one: abs(one - wanted))
        return Setting(
            repeat=repeat,
            first=repeat,
            target=ask.target.per_10000_flight_hours,
            share=ask.target.share_of_draws,
            limit_mm=self.problem.limit_mm,
        )

    def at(self, **changed: float | str) -> Setting:
        """Return the setting of the question with something changed.

        Parameters
        ----------
        **changed : float or str
            Fields of `Setting`.

        Returns
        -------
        Setting
            The setting.
        """
        return replace(self.start(), **changed)

    def outcome(self, setting: Setting) -> Outcome:
        """Work out what a setting comes to.

        Parameters
        ----------
        setting : Setting
            The setting.

        Returns
        -------
        Outcome
            By the same functions as a recommendation.
        """
        problem = self._problem(setting)
        target = problem.ask.target.model_copy(
            update={"per_10000_flight_hours": setting.target, "share_of_draws": setting.share}
        )
        risk, exposure = _of_draws(problem, setting)
        asked = problem.with_target(target)
        return Outcome(
            setting=setting,
            risk=risk,
            exposure=exposure,
            share_meeting=share_meeting(asked, setting.first, setting.repeat),
            warnings=self._warnings(setting),
        )

    @cached_property
    def _rows(self) -> np.ndarray:
        """Some of the draws, the central value first; at random, for the draws themselves are spread by rule."""
        n = self.problem.n_draws
        rng = np.random.default_rng(self.problem.ask.seed)
        return np.r_[0, np.sort(1 + rng.permutation(n)[: min(_SOME, n)])]

    @cached_property
    def _some(self) -> Problem:
        """The problem under some of the draws: those for which another limit or POD is worked out."""
        own = self.problem
        rows = self._rows
        zones = {
            kind: replace(one, multiplier=one.multiplier[rows], log_sd=one.log_sd[rows])
            for kind, one in own.zones.items()
        }
        kinds = tuple(kind.taken(rows) for kind in own.kinds)
        return own.changed(kinds=kinds, zones=zones)

    def _problem(self, setting: Setting) -> Problem:
        """Return the problem with another limit or POD, under some of the draws; what was sampled for it is kept."""
        own, pod = self._some, self.pods[setting.pod]
        if setting.limit_mm == own.limit_mm and pod is None:
            return self.problem
        key = (setting.limit_mm, setting.pod)
        if key not in self._made:
            if len(self._made) >= _MOST_KEPT:
                self._made.pop(next(iter(self._made)))
            kinds = self.problem.kinds
            if pod is not None:
                programme = Programme(name=setting.pod, rules=(), pod=pod)
                kinds = tuple(
                    replace(
                        kind,
                        pod=programme.pod_draws(
                            kind, far_side_share=kind.pod.far_side_share, seed=own.ask.seed
                        ),
                    )
                    for kind in kinds
                )
            kinds = tuple(kind.taken(self._rows) for kind in kinds)
            self._made[key] = own.changed(kinds=kinds, limit_mm=setting.limit_mm)
        return self._made[key]

    def _warnings(self, setting: Setting) -> tuple[str, ...]:
        out = []
        if setting.repeat > self.problem.cap * (1 + 1e-9):
            out.append(
                f"longer than the not-to-exceed limit of {self.problem.cap:,.0f} {self.unit} (cap): never allowed, whatever the risk"
            )
        latest = self.latest_first
        if setting.first > latest * (1 + 1e-9):
            out.append(
                f"the first look is later than {latest:,.0f} {self.unit}, the latest by the rule for the first look"
            )
        if setting.limit_mm > self.problem.limit_mm * (1 + 1e-9):
            out.append(
                f"the limit is larger than the one in force ({self.problem.limit_mm:g} mm): only approved data change a limit"
            )
        if self.pods[setting.pod] is not None:
            out.append(
                "the POD holds for looks to come only; what is known of past damage stays as the question reads it"
            )
        return tuple(out)

    @cached_property
    def latest_first(self) -> float:
        """Latest first look by the rule for it [units of the schedule's clock]."""
        return float(threshold_rule(self.problem).interval)

    def words(self, a: Outcome, b: Outcome | None = None) -> tuple[str, ...]:
        """Say in sentences what one or two settings come to.

        Parameters
        ----------
        a, b : Outcome
            The settings.

        Returns
        -------
        tuple of str
            The verdict first, then figures with their bounds, differences, and what stands against them.
        """
        lines = []
        for name, one in (("A", a), ("B", b)):
            if one is None:
                continue
            s = one.setting
            lines.append(
                f"{name}: first look at {s.first:,.0f} {self.unit}, then every {s.repeat:,.0f}. Target "
                f"{'met' if one.meets else 'NOT met'}: {one.share_meeting:.1%} of {one.risk.size:,} draws meet it, {s.share:.0%} is asked."
            )
            lines.append(
                f"{name}: {self.measure_words} {_band(one.risk, '.4f')}, at most {s.target:g} is asked; hours beyond the limit and unfound "
                f"{_band(one.exposure, ',.0f')} (both per 10,000 panel flight hours{self.where}; 5 % to 95 % of the draws)."
            )
            lines += [f"{name}: {warning}." for warning in one.warnings]
        if b is not None:
            lines += self._difference(a, b)
        return tuple(spelled(line) for line in lines)

    def _difference(self, a: Outcome, b: Outcome) -> list[str]:
        if a.risk.size == b.risk.size:
            (risk_a, hours_a), (risk_b, hours_b) = (a.risk, a.exposure), (b.risk, b.exposure)
        else:  # the one that was worked out for all draws, for those of the other
            (risk_a, hours_a), (risk_b, hours_b) = (
                _of_draws(self._some, one.setting)
                if one.risk.size == self.problem.n_draws
                else (one.risk, one.exposure)
                for one in (a, b)
            )
        gap, hours = risk_b - risk_a, hours_b - hours_a
        lines = [
            f"B less A on the same damage: {self.measure_words} {_band(gap, '+.4f')}, hours {_band(hours, '+,.0f')}; B lets more "
            f"through in {np.mean(gap > 0):.0%} of {gap.size:,} draws."
        ]
        if a.setting.limit_mm != b.setting.limit_mm:
            lines.append(
                "The two have different limits: beyond the limit means another size in each, so the difference is not one of safety alone."
            )
        return lines

    @property
    def measure_words(self) -> str:
        """What the target bounds."""
        return self.problem.ask.target.measure.replace("_", " ")

    @property
    def where(self) -> str:
        """Over which ages and zones a risk is taken."""
        window = self.problem.ask.target.window_flight_hours
        out = "" if window is None else f", in the worst {window:,.0f} flight hours of age"
        return out + (", of the worst zone" if self.problem.held_against == "worst_zone" else "")

    def picture(self, a: Outcome, b: Outcome | None = None) -> Picture:
        """Draw how the draws stand against the target.

        Parameters
        ----------
        a, b : Outcome
            The settings.

        Returns
        -------
        Picture
            Share of the draws at or below each risk, A through and B dashed, beside the same of the hours.
        """
        pair = [("A", a, "")] + ([("B", b, "7,3")] if b is not None else [])
        most = max(np.quantile(one.risk, 0.99) for _, one, _ in pair)
        hours = max(np.quantile(one.exposure, 0.99) for _, one, _ in pair)
        frame = {
            "size": (320.0, 190.0),
            "level": a.setting.share,
            "level_words": f"{percent(a.setting.share)} asked of A",
        }
        body = curve_chart(
            [(name, one.risk, dash) for name, one, dash in pair],
            at=(52.0, 34.0), right=float(max(most, 1.35 * a.setting.target)), mark=a.setting.target,
            x_words=f"{self.measure_words} per 10,000 panel flight hours", mark_words="target of A", **frame,
        )  # fmt: skip
        body += curve_chart(
            [(name, one.exposure, dash) for name, one, dash in pair],
            at=(452.0, 34.0), right=float(max(hours, 1e-9)), mark=float(np.median(a.exposure)),
            x_words="hours beyond the limit per 10,000 panel flight hours", mark_words="middle of A", **frame,
        )  # fmt: skip
        body += text(52, 18, "Share of the draws at or below", bold=True) + text(
            452, 18, "Share of the draws at or below", bold=True
        )
        told = "Share of draws at or below each risk and each number of hours; " + "; ".join(
            f"{name} {'meets' if one.meets else 'does not meet'} the target" for name, one, _ in pair
        )
        return picture(body, width=800, height=272, words=told)


def _of_draws(problem: Problem, setting: Setting) -> tuple[Floats, Floats]:
    """Return what the target bounds, and the hours beyond the limit, under each draw."""
    column = problem.ask.target.column
    hours = "exposure" if problem.ask.target.window_flight_hours is None else "exposure_worst"
    is_zone = problem.held_against == "worst_zone" and len(problem.zones) == len(problem.kinds)
    names = (f"{column}_zone" if is_zone else column, hours)
    if problem.is_drawn:  # every measure at once
        problem.joint.gathered(first=setting.first, repeat=setting.repeat)
    return tuple(risk_of(problem, name, setting.first, setting.repeat)[1:] for name in names)


def _band(values: Floats, form: str) -> str:
    low, middle, high = np.quantile(values, BOUNDS)
    return f"{middle:{form}} ({low:{form}} to {high:{form}})"


def interval_bench(
    fleet: Fleet | Evidence, question: Question | str | Path, *, a50_mm: Sequence[float] | None = None
) -> IntervalBench:
    """Make a question ready to be explored.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings; give an `Evidence` that was used before, and nothing is worked out twice.
    question : Question, str or Path
        The question, or the path of its TOML file.
    a50_mm : sequence of float, optional
        Sizes found half as often as the plateau that can be chosen, all else of the POD as asked [mm].

    Returns
    -------
    IntervalBench
        With the PODs of the dataset's register whose method can see every kind asked about.

    Raises
    ------
    QuestionError
        If the question is wrong, or the data cannot answer it as it stands.
    """
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    ask = read_question(question)
    evidence = (fleet if isinstance(fleet, Evidence) else Evidence(fleet)).as_known_on(ask.known_on)
    ask = with_numbers(ask, evidence.fleet)
    believed = beliefs(ask, evidence)
    problem = problem_of(
        ask,
        evidence,
        tuple(one.draws for one in believed),
        zones={one.draws.kind: one.zones for one in believed},
    )
    return IntervalBench(
        problem=problem,
        pods=_pods(ask.detection, evidence.fleet, {kind_asked(ask, mode) for mode in ask.modes}, a50_mm),
        notice=evidence.fleet.notice,
        title=ask.title,
    )


def _pods(
    asked: StatedDetection, fleet: Fleet, kinds: set[str], a50_mm: Sequence[float] | None
) -> dict[str, StatedDetection | None]:
    """PODs to choose from; a method that is blind to a kind asked about is none of them."""
    sizes = (
        a50_mm
        if a50_mm is not None
        else [round(asked.a50_mm * factor) for factor in (0.5, 0.75, 1.25, 1.5, 2.0)]
    )
    pods: dict[str, StatedDetection | None] = {AS_ASKED: None}
    for size in sizes:
        pods[f"a50 of {size:g} mm"] = asked.model_copy(
            update={"a50_mm": float(size), "basis": "chosen by hand", "pod": None}
        )
    try:
        entries = PodRegister.of_dataset(fleet.source).entries
    except PodError:  # the answer itself says so where it uses the register
        return pods
    for entry in entries:
        if kinds & set(entry.blind_to):
            continue
        pods[entry.name] = StatedDetection.of_entry(entry)
    return pods
