"""What the evidence says of each kind of damage: a fitted life, growth and size at onset, with draws."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth, OnsetSizeFit, SizeDetection, TrackFit
from kit.intervals.answer import ModeAnswer
from kit.intervals.evidence import Evidence
from kit.intervals.named_pod import kind_asked
from kit.intervals.problem import KindDraws
from kit.intervals.question import Mode, Question, QuestionError
from kit.life import ConstantDetection, Histories, LifeFit, fit_weibull, weibayes_bound

FEW_FINDS = 20
"""With fewer finds the draws of a life are rough, and aircraft are too few to vary over (common practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Belief:
    """One kind of damage: what was fitted, what is drawn, and what had to be assumed.

    Parameters
    ----------
    mode : ModeAnswer
        Evidence and fits, as an answer shows them.
    draws : KindDraws
        Best estimate and draws, as the risk takes them.
    assumptions, notes : tuple of str
        What does not come from data, and what the reader must know.
    """

    mode: ModeAnswer
    draws: KindDraws
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]


def beliefs(ask: Question, evidence: Evidence) -> tuple[Belief, ...]:
    """Work out what the evidence says of each kind of damage in a question.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.

    Returns
    -------
    tuple of Belief
        One a kind, in the order of the question.

    Raises
    ------
    QuestionError
        If a kind has too little evidence and nothing was stated in its place.
    ValueError
        If the data cannot answer for another reason.
    """
    return tuple(_belief(ask, evidence, number) for number in range(len(ask.modes)))


def curve_of(ask: Question, far_side_share: float) -> DetectionCurve:
    """POD of the planned looks for a kind of damage.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    far_side_share : float
        Share of the kind on the side that is not tapped [-].

    Returns
    -------
    DetectionCurve
        As stated.
    """
    pod = ask.detection
    return DetectionCurve(
        pod.a50_mm, pod.slope, pod.plateau, far_side_share, pod.far_side_plateau, basis=pod.basis
    )


def _belief(ask: Question, evidence: Evidence, number: int) -> Belief:
    mode, assumptions, notes = ask.modes[number], [], []
    clock = mode.clock
    per_day = evidence.units_per_day(ask.group)
    histories = evidence.histories((ask.group,), kind_asked(ask, mode), clock, ask.basis)
    growth, growth_fit, onset_fit = _growth(ask, evidence, mode)
    if mode.growth != "fit":
        assumptions.append(
            f"growth of {mode.kind}: median {mode.growth.rate_median:g} mm per {clock}, stated ({mode.growth.basis})"
        )
    if mode.onset != "fit":
        assumptions.append(
            f"size of {mode.kind} at onset: median {mode.onset.median_mm:g} mm, stated ({mode.onset.basis})"
        )
    life = _life(ask, mode, histories, growth)
    if mode.assumed_shape is not None and histories.n_finds < ask.fewest_finds:
        assumptions.append(f"shape of {mode.kind}: {mode.assumed_shape:g}, assumed")
    if histories.n_finds < FEW_FINDS:
        notes.append(
            f"{mode.kind}: {histories.n_finds:g} finds only; the draws use a normal approximation that is rough here"
        )
    nan = (float("nan"), float("nan"))
    bounds = nan if life.fit is None else life.fit.bounds("scale", method="profile")
    shape_bounds = nan if life.fit is None else life.fit.bounds("shape", method="profile")
    per_unit = per_day[clock] / per_day[ask.clock]
    shown = ModeAnswer(
        mode.kind,
        clock,
        histories,
        life.fit,
        life.scale,
        life.shape,
        bounds,
        shape_bounds,
        life.basis,
        growth_fit,
        onset_fit,
        growth,
        per_unit,
    )
    points = np.vstack([[life.scale, life.shape], _life_draws(ask, life, histories, number)])
    draws = KindDraws.of_lives(
        points[:, 0],
        points[:, 1],
        growth,
        curve_of(ask, mode.far_side_share),
        kind=mode.kind,
        clock=clock,
        schedule_clock=ask.clock,
        units_per_schedule_unit=per_unit,
    )
    return Belief(mode=shown, draws=draws, assumptions=tuple(assumptions), notes=tuple(notes))


def _growth(
    ask: Question, evidence: Evidence, mode: Mode
) -> tuple[LinearGrowth, TrackFit | None, OnsetSizeFit | None]:
    """Growth rates and size at onset on the mode's clock: fitted, or as stated."""
    groups = ask.growth_groups or (ask.group,)
    fitted, error = None, 0.2
    if mode.growth == "fit":
        try:
            fitted = evidence.growth(groups, kind_asked(ask, mode), mode.clock, ask.measured_to_true)
        except ValueError as problem:
            raise QuestionError(
                f"question {ask.name}: growth of {mode.kind} cannot be fitted: {problem}"
            ) from None
        error = fitted.size_log_sd
    of = mode.growth if fitted is None else fitted
    rates = LinearGrowth(
        1.0,
        1.0,
        of.rate_median,
        of.rate_log_sd,
        of.no_growth_share,
        clock=mode.clock,
        basis="fitted" if fitted is not None else mode.growth.basis,
    )
    if mode.onset != "fit":
        stated = replace(rates, onset_median=mode.onset.median_mm, onset_log_sd=mode.onset.log_sd)
        return stated, fitted, None
    try:
        onset = evidence.onset_size(
            groups,
            kind_asked(ask, mode),
            mode.clock,
            ask.basis,
            curve=curve_of(ask, mode.far_side_share),
            rates=rates,
            size_log_sd=error,
            measured_to_true=ask.measured_to_true,
        )
    except ValueError as problem:
        raise QuestionError(
            f"question {ask.name}: size of {mode.kind} at onset cannot be fitted: {problem}"
        ) from None
    return replace(rates, onset_median=onset.median, onset_log_sd=onset.log_sd), fitted, onset


@dataclass(frozen=True, kw_only=True)
class _Life:
    """A life as fitted, or as the clean looks bound it."""

    fit: LifeFit | None
    scale: float
    shape: float
    basis: str


def _life(ask: Question, mode: Mode, histories: Histories, growth: LinearGrowth) -> _Life:
    """Fit a life; where there is no find, bound it under the assumed shape."""
    if histories.n_finds == 0 and mode.assumed_shape is None:
        raise QuestionError(
            f"question {ask.name}: no finds of {mode.kind} in {histories.n_lives:g} lives, so no life can be fitted. "
            "State assumed_shape for that kind to use the lower bound that the clean looks support."
        )
    if histories.n_finds == 0:
        level = ask.threshold.confidence
        scale = weibayes_bound(
            lower=histories.lower,
            upper=histories.upper,
            entry=histories.entry,
            count=histories.count,
            shape=mode.assumed_shape,
            level=level,
        )
        basis = (
            f"no finds: {level:.0%} lower bound of the scale under the assumed shape {mode.assumed_shape:g}"
        )
        return _Life(fit=None, scale=scale, shape=mode.assumed_shape, basis=basis)
    pod = ask.detection.in_fit
    if pod == "size":
        detection = SizeDetection(curve_of(ask, mode.far_side_share), growth)
    elif pod == "perfect":
        detection = 1.0
    else:
        detection = ConstantDetection(float(pod), mode.far_side_share)
    given = mode.assumed_shape if histories.n_finds < ask.fewest_finds else None
    fit = fit_weibull(histories, detection=detection, shape=given)
    basis = "fitted"
    if given is not None:
        basis = f"{histories.n_finds:g} finds: scale fitted under the assumed shape {given:g}"
    return _Life(fit=fit, scale=fit.scale, shape=fit.shape, basis=basis)


def _life_draws(ask: Question, life: _Life, histories: Histories, number: int) -> np.ndarray:
    """Draws of scale and shape on the mode's clock; equal ones for a stated lower bound."""
    if life.fit is None:
        return np.tile([life.scale, life.shape], (ask.draws, 1))
    several = life.fit.robust_covariance is not None and histories.n_finds >= FEW_FINDS
    seed = int(np.random.SeedSequence([ask.seed, number]).generate_state(1)[0])
    return life.fit.draws(ask.draws, seed=seed, method="cluster" if several else "wald")
