"""Which threshold and repeat interval a fleet's evidence supports."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import ndtri

from kit.detection import DetectionCurve
from kit.findings import Fleet
from kit.growth import LinearGrowth, SizeDetection
from kit.intervals.answer import CAUTIONS, Answer, ModeAnswer, RuleAnswer
from kit.intervals.evidence import DAYS_PER_YEAR, ONSET_SPREAD, RATE_SPREAD, Evidence
from kit.intervals.named_pod import with_pod
from kit.intervals.question import Mode, Question, QuestionError, read_question
from kit.intervals.risk import WeibullLife, cycle_kernel
from kit.intervals.rules import (
    SEARCH_STEP,
    SHORTEST_SHARE,
    Package,
    age_at_share,
    in_packages,
    longest_meeting,
    package_lengths,
    shortest_on_clock,
)
from kit.life import ConstantDetection, NoFiniteMaximum, fit_weibull, scale_lower_bound
from kit.numerics.typing import Floats

_PER = 10_000.0  # risks are given for this many panel flight hours
_LARGEST_STEP = 1.34  # a longer step than this gets a caution
_OFTEN = 0.5  # above this share of panels with damage, recurrence matters and gets a caution
_BAND = (0.05, 0.95)
_DRAW_TOLERANCE = 1e-9

_MEASURES = ("exceedances", "preventable", "not_preventable", "exposure", "preventable_exposure")
_TARGETS = {"preventable_exceedances": "preventable", "exceedances": "exceedances", "exposure": "exposure"}


def recommend(fleet: Fleet | Evidence, question: Question | str | Path) -> Answer:
    """Recommend a threshold and a repeat interval for one group of zones.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings; give an `Evidence` to ask several questions without working things out twice.
    question : Question, str or Path
        The question, or the path of its TOML file.

    Returns
    -------
    Answer
        The recommendation, each rule's own answer, the risk at and around it, and what it rests on.

    Raises
    ------
    QuestionError
        If the question is wrong, or the data cannot answer it as it stands; the message says what is
        missing and what to state in the question instead.

    Notes
    -----
    Threshold: the longest package multiple by which, with the asked confidence, at most the allowed
    share of panels has damage of any kind. Repeat: the longest package multiple whose risk, with the
    first look at the threshold, meets the target in the asked share of parameter draws; where no
    repeat does, the first look is moved up to one repeat interval. The smallest answer of the rules
    named in `govern` counts, and never more than the cap of the programme.
    """
    ask = read_question(question)
    evidence = (fleet if isinstance(fleet, Evidence) else Evidence(fleet)).as_known_on(ask.known_on)
    ask = with_pod(ask, evidence.fleet)
    try:
        return _Case(ask, evidence).answer()
    except NoFiniteMaximum as error:
        raise QuestionError(f"question {ask.name}: {error}") from None
    except QuestionError:
        raise
    except ValueError as error:
        raise QuestionError(f"question {ask.name}: {error}") from None


class _Case:
    """One question put to one body of evidence."""

    def __init__(self, ask: Question, evidence: Evidence) -> None:
        self.ask, self.evidence, self.fleet = ask, evidence, evidence.fleet
        self.per_day = evidence.units_per_day(ask.group)
        self.limit = self._limit()
        self.assumptions: list[str] = []
        self.notes: list[str] = []
        self.modes = tuple(self._mode(mode) for mode in ask.modes)
        self.best = [
            WeibullLife(np.array([mode.scale / mode.units_per_schedule_unit]), np.array([mode.shape]))
            for mode in self.modes
        ]
        self.draws = [self._draws(i, mode) for i, mode in enumerate(self.modes)]
        self.growths = [
            mode.growth.convert(1 / mode.units_per_schedule_unit, ask.clock) for mode in self.modes
        ]
        self.curves = [self._curve(mode.far_side_share) for mode in ask.modes]
        self._risks: dict[tuple[float, float], dict[str, Floats]] = {}

    # Evidence -------------------------------------------------------------------------------------

    def _curve(self, far_side_share: float) -> DetectionCurve:
        pod = self.ask.detection
        return DetectionCurve(
            pod.a50_mm, pod.slope, pod.plateau, far_side_share, pod.far_side_plateau, basis=pod.basis
        )

    def _limit(self) -> float:
        if self.ask.limit_mm is not None:
            return float(self.ask.limit_mm)
        limits = self.fleet.tables["limits"]
        # Limits for the edge band or a fastener row are narrower than what the risk of a whole panel is about.
        anywhere = limits["place"].isin(["", "field"])
        rows = limits.loc[
            (limits["group"] == self.ask.group) & (limits["valid_from"] <= self.fleet.cut_off) & anywhere
        ]
        if not len(rows):
            raise QuestionError(
                f"question {self.ask.name}: limits: no revision for group {self.ask.group!r} is in force on "
                f"{self.fleet.cut_off:%Y-%m-%d}. Add it to the limits table, or state limit_mm in the question."
            )
        return float(rows.sort_values("valid_from", kind="stable")["size"].iloc[-1])

    def _growth(self, mode: Mode, clock: str):
        """Growth rates and size at onset on the mode's clock: fitted, or as stated."""
        ask = self.ask
        groups = ask.growth_groups or (ask.group,)
        fitted, error = None, 0.2
        if mode.growth == "fit":
            try:
                fitted = self.evidence.growth(groups, mode.kind, clock, ask.measured_to_true)
            except ValueError as problem:
                raise QuestionError(
                    f"question {ask.name}: growth of {mode.kind} cannot be fitted: {problem}"
                ) from None
            rates = LinearGrowth(
                1.0,
                1.0,
                fitted.rate_median,
                fitted.rate_log_sd,
                fitted.no_growth_share,
                clock=clock,
                basis="fitted",
            )
            error = fitted.size_log_sd
        else:
            rates = LinearGrowth(
                1.0,
                1.0,
                mode.growth.rate_median,
                mode.growth.rate_log_sd,
                mode.growth.no_growth_share,
                clock=clock,
                basis=mode.growth.basis,
            )
            self.assumptions.append(
                f"growth of {mode.kind}: median {mode.growth.rate_median:g} mm per {clock}, stated ({mode.growth.basis})"
            )
        if mode.onset != "fit":
            self.assumptions.append(
                f"size of {mode.kind} at onset: median {mode.onset.median_mm:g} mm, stated ({mode.onset.basis})"
            )
            return (
                replace(rates, onset_median=mode.onset.median_mm, onset_log_sd=mode.onset.log_sd),
                fitted,
                None,
            )
        try:
            onset = self.evidence.onset_size(
                groups,
                mode.kind,
                clock,
                ask.basis,
                curve=self._curve(mode.far_side_share),
                rates=rates,
                size_log_sd=error,
                measured_to_true=ask.measured_to_true,
            )
        except ValueError as problem:
            raise QuestionError(
                f"question {ask.name}: size of {mode.kind} at onset cannot be fitted: {problem}"
            ) from None
        return replace(rates, onset_median=onset.median, onset_log_sd=onset.log_sd), fitted, onset

    def _mode(self, mode: Mode) -> ModeAnswer:
        ask, clock = self.ask, mode.clock
        histories = self.evidence.histories((ask.group,), mode.kind, clock, ask.basis)
        growth, growth_fit, onset_fit = self._growth(mode, clock)
        pod = ask.detection.in_fit
        if pod == "size":
            detection = SizeDetection(self._curve(mode.far_side_share), growth)
        elif pod == "perfect":
            detection = 1.0
        else:
            detection = ConstantDetection(float(pod), mode.far_side_share)
        nan = (float("nan"), float("nan"))
        fit, basis = None, "fitted"
        few = histories.n_finds < ask.fewest_finds
        if histories.n_finds == 0 and mode.assumed_shape is not None:
            level = ask.threshold.confidence
            scale = scale_lower_bound(
                lower=histories.lower,
                upper=histories.upper,
                entry=histories.entry,
                count=histories.count,
                shape=mode.assumed_shape,
                level=level,
            )
            basis = f"no finds: {level:.0%} lower bound of the scale under the assumed shape {mode.assumed_shape:g}"
            shape, bounds = mode.assumed_shape, (nan, nan)
        elif histories.n_finds == 0:
            raise QuestionError(
                f"question {ask.name}: no finds of {mode.kind} in {histories.n_lives:g} lives, so no life can be fitted. "
                "State assumed_shape for that kind to use the lower bound that the clean looks support."
            )
        else:
            given = mode.assumed_shape if few else None
            fit = fit_weibull(histories, detection=detection, shape=given)
            scale, shape = fit.scale, fit.shape
            bounds = (fit.bounds("scale", method="profile"), fit.bounds("shape", method="profile"))
            if given is not None:
                basis = f"{histories.n_finds:g} finds: scale fitted under the assumed shape {given:g}"
        if mode.assumed_shape is not None and few:
            self.assumptions.append(f"shape of {mode.kind}: {mode.assumed_shape:g}, assumed")
        if histories.n_finds < 20:
            self.notes.append(
                f"{mode.kind}: {histories.n_finds:g} finds only; the draws use a normal approximation that is rough here"
            )
        return ModeAnswer(
            mode.kind,
            clock,
            histories,
            fit,
            scale,
            shape,
            bounds[0],
            bounds[1],
            basis,
            growth_fit,
            onset_fit,
            growth,
            self.per_day[clock] / self.per_day[ask.clock],
        )

    def _draws(self, number: int, mode: ModeAnswer) -> WeibullLife:
        """Draws of the life on the schedule's clock; equal ones for a stated lower bound."""
        if mode.fit is None:
            points = np.tile([mode.scale, mode.shape], (self.ask.draws, 1))
        else:
            several = mode.fit.robust_covariance is not None and mode.histories.n_finds >= 20
            seed = int(np.random.SeedSequence([self.ask.seed, number]).generate_state(1)[0])
            points = mode.fit.draws(self.ask.draws, seed=seed, method="cluster" if several else "wald")
        return WeibullLife(points[:, 0] / mode.units_per_schedule_unit, points[:, 1])

    # Risk -----------------------------------------------------------------------------------------

    def risk(self, first: float, repeat: float) -> dict[str, Floats]:
        """Risk per 10,000 panel flight hours: the best estimate, then the draws."""
        key = (first, repeat)
        if key in self._risks:
            return self._risks[key]
        hours = self.ask.horizon * self.per_day["flight_hours"] / self.per_day[self.ask.clock]
        hours_per_unit = self.per_day["flight_hours"] / self.per_day[self.ask.clock]
        total: dict[str, Floats] = {}
        for best, draws, growth, curve in zip(self.best, self.draws, self.growths, self.curves, strict=True):
            kernel = cycle_kernel(
                growth=growth,
                detection=curve,
                limit=self.limit,
                first=first,
                repeat=repeat,
                horizon=self.ask.horizon,
            )
            for life, part in ((best, 0), (draws, 1)):
                values = kernel.risk(life)
                values["not_preventable"] = values["born"] + values["far_side"]
                for name in _MEASURES:
                    scale = _PER / hours * (hours_per_unit if "exposure" in name else 1.0)
                    total.setdefault(name, np.zeros(1 + self.ask.draws))[part : None if part else 1] += (
                        values[name] * scale
                    )
        self._risks[key] = total
        return total

    def share_meeting(self, first: float, repeat: float) -> float:
        """Share of the draws whose risk meets the target."""
        values = self.risk(first, repeat)[_TARGETS[self.ask.target.measure]][1:]
        return float(np.mean(values <= self.ask.target.per_10000_flight_hours))

    def meets(self, first: float, repeat: float) -> bool:
        """Whether a schedule meets the target in the asked share of the draws."""
        return self.share_meeting(first, repeat) >= self.ask.target.share_of_draws - _DRAW_TOLERANCE

    def excess(self, first: float, repeat: float) -> float:
        """Log of the risk over the target at the asked share of the draws; not above 0 where it meets it."""
        values = np.sort(self.risk(first, repeat)[_TARGETS[self.ask.target.measure]][1:])
        rank = int(np.ceil(self.ask.target.share_of_draws * values.size - _DRAW_TOLERANCE)) - 1
        return float(np.log(max(values[rank], 1e-300) / self.ask.target.per_10000_flight_hours))

    def summary(self, first: float, repeat: float) -> dict[str, tuple[float, float, float]]:
        """Best estimate and band of each measure."""
        out = {}
        for name, values in self.risk(first, repeat).items():
            low, high = np.quantile(values[1:], _BAND)
            out[name] = (float(values[0]), float(low), float(high))
        return out

    # Rules ----------------------------------------------------------------------------------------

    def packages(self) -> list[Package]:
        """Return the packages asked for, shortest first."""
        try:
            return package_lengths(self.fleet.packages, self.ask.packages, self.ask.clock, self.per_day)
        except ValueError as problem:
            raise QuestionError(f"question {self.ask.name}: packages: {problem}") from None

    def tasks(self) -> pd.DataFrame:
        """Tasks in force at the cut-off that tap the group."""
        tasks = self.fleet.tables["tasks"]
        zones = set(self.evidence.zones_of((self.ask.group,)))
        in_force = (tasks["valid_from"] <= self.fleet.cut_off) & (
            tasks["valid_to"].isna() | (tasks["valid_to"] >= self.fleet.cut_off)
        )
        named = tasks["zones"].map(lambda cell: bool(zones & {z.strip() for z in cell.split(";")}))
        return tasks.loc[in_force & named & tasks["method"].str.startswith("tap")]

    def task_interval(self, prefix: str) -> tuple[float, str]:
        """Shortest cap or repeat of the tasks in force, and its basis."""
        best, basis = float("inf"), ""
        for row in self.tasks().to_dict("records"):
            amounts = {unit: row[f"{prefix}_{unit}"] for unit in ("flight_hours", "flight_cycles", "days")}
            value = shortest_on_clock(amounts, self.ask.clock, self.per_day)
            if value < best:
                best, basis = (
                    value,
                    f"task {row['task']}" + (f", {row['cap_basis']}" if prefix == "cap" else ""),
                )
        return best, basis

    def threshold_age(self) -> float:
        """Age by which, with the asked confidence, the allowed share has damage of any kind."""
        rule = self.ask.threshold
        ages = np.geomspace(self.ask.horizon / 2000, self.ask.horizon, 400)
        clean = np.ones((self.ask.draws, ages.size))
        for draws in self.draws:
            clean *= draws.survival(ages)
        return age_at_share(ages, np.quantile(1 - clean, rule.confidence, axis=0), rule.allowed_share)

    def risk_rule(
        self, first: float, middle: float, longest: float
    ) -> tuple[float | None, list[float], float | None]:
        """Longest repeat that meets the target, the repeats examined, and the first look where it moved."""
        floor = self.ask.horizon * SHORTEST_SHARE
        for moved in (False, True):
            examined: list[float] = []

            def excess(repeat: float, moved: bool = moved, examined: list[float] = examined) -> float:
                examined.append(repeat)
                return self.excess(min(first, repeat) if moved else first, repeat)

            found = longest_meeting(excess, middle, longest, floor)
            if found is not None:
                return found, examined, min(first, found) if moved else None
        return None, examined, None

    def window_rule(self) -> tuple[float | None, str]:
        """Repeat from the time that growth needs from the detectable size to the limit."""
        rule = self.ask.growth_window
        best, reason = None, ""
        for mode, growth, curve in zip(self.modes, self.growths, self.curves, strict=True):
            size = curve.size_at(rule.detectable_pod)
            rate = growth.rate_median * float(np.exp(growth.rate_log_sd * ndtri(rule.growth_percentile)))
            if not size < self.limit:
                return None, (
                    f"no window: the size found with POD {rule.detectable_pod:g} ({size:.0f} mm) is not below the limit "
                    f"({self.limit:.0f} mm)"
                )
            window = (self.limit - size) / rate / rule.opportunities
            if best is None or window < best:
                best = window
                reason = (
                    f"{mode.kind} grows from {size:.0f} to {self.limit:.0f} mm in {window * rule.opportunities:,.0f} "
                    f"{self.ask.clock.replace('_', ' ')} at the {rule.growth_percentile:.0%} rate; "
                    f"{rule.opportunities} looks wanted"
                )
        return best, reason

    # Answer ---------------------------------------------------------------------------------------

    def answer(self) -> Answer:
        """Put the rules together."""
        ask, unit = self.ask, self.ask.clock.replace("_", " ")
        packages = self.packages()
        cap, cap_basis = self.task_interval("cap")
        current, _ = self.task_interval("repeat")
        rules: list[RuleAnswer] = []

        age = min(self.threshold_age(), ask.horizon)
        threshold, threshold_words, fits = in_packages(min(age, cap), packages, unit, once=True)
        rules.append(
            RuleAnswer(
                "threshold",
                age,
                True,
                f"with {ask.threshold.confidence:.0%} confidence at most {ask.threshold.allowed_share:.1%} of panels have "
                f"damage by {age:,.0f} {unit}",
            )
        )
        if not fits and packages:
            self.notes.append(f"threshold: no package is as short as {threshold:,.0f} {unit}")

        longest = min(ask.horizon / 2, cap)
        middle = min(packages[0].length if packages else ask.horizon / 8, longest)
        found, examined, moved = self.risk_rule(threshold, middle, longest)
        target = ask.target
        target_words = (
            f"{target.measure.replace('_', ' ')} at most {target.per_10000_flight_hours:g} per 10,000 panel flight hours in "
            f"{target.share_of_draws:.0%} of draws"
        )
        not_asked = " (shown for comparison, not asked to govern)"
        answers: list[tuple[float, str, str]] = []
        if found is not None:
            # The search stops within 2 %: a package multiple just above its answer is tried itself.
            above, _, fits = in_packages(found * SEARCH_STEP, packages, unit)
            if (
                fits
                and found < above <= longest
                and self.meets(threshold if moved is None else min(threshold, above), above)
            ):
                found = above
        if found is None:
            share = self.share_meeting(min(threshold, *examined), min(examined))
            rules.append(
                RuleAnswer(
                    "risk",
                    None,
                    "risk" in ask.govern,
                    f"{target_words}: not met even at {min(examined):,.0f} {unit} ({share:.0%} of draws meet it)",
                )
            )
        else:
            ends = " (longest examined)" if found >= longest * (1 - 1e-9) else ""
            reason = f"{target_words}: up to {found:,.0f} {unit}{ends}"
            if "risk" in ask.govern:
                answers.append((found, "risk", reason))
            else:
                rules.append(RuleAnswer("risk", found, False, reason + not_asked))
            if moved is not None and moved < threshold and "risk" in ask.govern:
                threshold, threshold_words, _ = in_packages(moved, packages, unit, once=True)
                self.notes.append(
                    "threshold moved up to one repeat interval, since the target is not met otherwise"
                )
        if ask.growth_window is not None:
            window, reason = self.window_rule()
            if "growth_window" in ask.govern and window is not None:
                answers.append((window, "growth_window", reason))
            else:
                note = "" if "growth_window" in ask.govern else not_asked
                rules.append(
                    RuleAnswer("growth_window", window, "growth_window" in ask.govern, reason + note)
                )
        blocked = any(rule.interval is None and rule.governs for rule in rules)
        repeat, words, governed = None, "none", "no answer"
        if answers and not blocked:
            smallest, governed, _ = min(answers)
            if cap <= smallest * (1 + 1e-9):
                smallest, governed = cap, "cap"
            repeat, words, fits = in_packages(smallest, packages, unit)
            if packages and not fits:
                self.notes.append(f"repeat: no package is as short as {repeat:,.0f} {unit}")
        rules += [RuleAnswer(name, value, name == governed, reason) for value, name, reason in answers]
        if np.isfinite(cap):
            rules.append(
                RuleAnswer("cap", cap, governed == "cap", f"never longer than {cap:,.0f} {unit}: {cap_basis}")
            )
        if repeat is not None and repeat > current * _LARGEST_STEP:
            self.notes.append(
                f"the repeat interval is {repeat / current:.1f} times the present one: common practice (no source) is to "
                "step up by 10 % to 33 % and to watch one full new interval before the next step"
            )
        if repeat is not None and packages:
            rules.append(RuleAnswer("package", repeat, False, words))
        if repeat is not None and repeat > cap * (1 + 1e-9):
            raise QuestionError(
                f"question {ask.name}: {repeat:,.0f} {unit} exceeds the cap {cap:,.0f}; it is not printed."
            )

        at = (threshold, repeat) if repeat is not None else (min(threshold, *examined), min(examined))
        self._say_what_is_assumed()
        return Answer(
            ask,
            self._dataset(),
            self.modes,
            self.limit,
            threshold if repeat is not None else None,
            repeat,
            words,
            threshold_words,
            governed,
            tuple(rules),
            self._risk_curve(at[0], [*examined, at[1], *self._landmarks(packages, current, longest)]),
            self.summary(*at),
            current if np.isfinite(current) else None,
            self._proposal(threshold),
            self.per_day,
            assumptions=tuple(self.assumptions),
            cautions=CAUTIONS + tuple(self.notes),
        )

    def _landmarks(self, packages, current: float, longest: float) -> list[float]:
        """Repeats that a reader looks for on the curve: package multiples, the interval now, the proposal."""
        marks = [times * package.length for package in packages for times in (0.5, 1, 2, 3)]
        marks += [current, self.ask.proposed_repeat or float("inf")]
        return [
            mark
            for mark in marks
            if self.ask.horizon / 60 <= mark <= max(longest, self.ask.proposed_repeat or 0.0)
        ]

    def _risk_curve(self, first: float, repeats: list[float]) -> pd.DataFrame:
        rows = []
        for repeat in sorted(set(repeats)):
            row = {"repeat": repeat, "share_meeting": self.share_meeting(first, repeat)}
            for name, (value, low, high) in self.summary(first, repeat).items():
                row |= {name: value, f"{name}_lower": low, f"{name}_upper": high}
            rows.append(row)
        return pd.DataFrame(rows)

    def _proposal(self, threshold: float) -> dict[str, object] | None:
        repeat = self.ask.proposed_repeat
        if repeat is None:
            return None
        share = self.share_meeting(threshold, repeat)
        return {
            "repeat": repeat,
            "first": threshold,
            "share_meeting": share,
            "meets": self.meets(threshold, repeat),
            "risk": self.summary(threshold, repeat),
        }

    def _dataset(self) -> dict[str, object]:
        fleet = self.fleet
        return {
            "name": fleet.name,
            "notice": fleet.notice,
            "known_on": f"{fleet.known_on:%Y-%m-%d}",
            "cut_off": f"{fleet.cut_off:%Y-%m-%d}",
            "rejected_rows": len(fleet.rejected),
            "warned_rows": len(fleet.warnings),
            "fingerprint": self.evidence.fingerprint,
        }

    def _say_what_is_assumed(self) -> None:
        ask, pod = self.ask, self.ask.detection
        self.assumptions += [
            f"POD of {pod.method}: a50 {pod.a50_mm:g} mm, slope {pod.slope:g}, plateau {pod.plateau:g} ({pod.basis})",
            *(
                f"{mode.far_side_share:.0%} of {mode.kind} is on the far side, found with POD up to "
                f"{pod.far_side_plateau:g} ({pod.basis})"
                for mode in ask.modes
                if mode.far_side_share
            ),
            "looks of one panel miss independently of each other, given its size",
            "one POD for all past looks, whoever made them and by whichever tap method",
            f"planned usage: {self.per_day['flight_hours'] * DAYS_PER_YEAR:,.0f} flight hours and "
            f"{self.per_day['flight_cycles'] * DAYS_PER_YEAR:,.0f} flight cycles a year",
            "growth and size at onset are used as fitted or stated, without their own uncertainty",
            f"fitted log spreads are held by weak priors: growth rate about {RATE_SPREAD[0]:g}, size at onset about "
            f"{ONSET_SPREAD[0]:g} (assumed, no source)",
            "the first onset of each kind in a panel's life counts; kinds arise independently of each other",
        ]
        suspect = int(self.evidence.regions["unit_suspect"].sum())
        if suspect:
            self.notes.append(
                f"{suspect} sizes in the fleet are left out of growth and size at onset: their unit is suspect"
            )
        damaged = 1 - float(np.prod([life.survival([ask.horizon])[0, 0] for life in self.best]))
        if damaged > _OFTEN:
            self.notes.append(
                f"{damaged:.0%} of panels have damage before the horizon; only the first of each kind counts, so the risk "
                "from damage that comes back after a repair is not in it"
            )
        if ask.measured_to_true != 1:
            self.assumptions.append(f"true size is {ask.measured_to_true:g} times the size as mapped")
        if "implied" in ask.basis:
            self.assumptions.append(
                "a closed card means that its zones were tapped and clean unless it says otherwise"
            )
        if ask.growth_groups:
            self.assumptions.append(
                "growth and size at onset are shared by the zone groups " + ", ".join(ask.growth_groups)
            )
        oldest = max(
            float(np.max(mode.histories.lower, initial=0.0)) / mode.units_per_schedule_unit
            for mode in self.modes
        )
        if ask.horizon > oldest * 1.001:
            self.notes.append(
                f"the horizon of {ask.horizon:,.0f} {ask.clock.replace('_', ' ')} is beyond the oldest age seen "
                f"({oldest:,.0f}): the far end is extrapolated"
            )
