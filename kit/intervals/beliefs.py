"""What the evidence says of each kind of damage in a question: joint draws, and what they rest on."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kit.detection import DetectionCurve
from kit.growth import Growth
from kit.intervals.answer import ModeAnswer
from kit.intervals.evidence import Evidence
from kit.intervals.named_pod import kind_asked
from kit.intervals.question import Mode, Question, QuestionError, StatedDetection
from kit.life import Histories, NoFiniteMaximum, fit_weibull
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.posterior import (
    CONFLICT,
    GROWTH_STREAM,
    PRIORS,
    RELIABLE,
    ROBUST_WEIGHT,
    STOPS,
    TAU_SCALE,
    DrawsKey,
    FoundSizes,
    FrailtyDraws,
    KindDraws,
    KindEvidence,
    PodBelief,
    ShapePrior,
    StatedGrowth,
    StatedOnset,
    joint_draws,
    zone_frailty,
)

if TYPE_CHECKING:
    from kit.life import LifeFit

FEW_FINDS = 10
"""With fewer finds the prior of the shape carries the shape that is shown (measured: docs/confidence.md)."""

_CLUSTERED = 20
"""Finds from which on the spread between aircraft can be told (common practice, no source)."""

_WIDEST = 2.5
_UNTOLD = 2.0
"""Standard deviation of the logit of a restoration beyond which both ends of its range would be drawn most."""

_LOOSE = 0.5
"""Standard deviation, over that of the posterior, that smooth functions may leave before it is said."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Belief:
    """One kind of damage: its joint draws, and what had to be assumed.

    Parameters
    ----------
    mode : ModeAnswer
        Evidence and central values, as an answer shows them.
    draws : KindDraws
        Central value and draws, on the clock of the kind.
    zones : FrailtyDraws
        Each zone's hazard over the mean of the group.
    assumptions, notes : tuple of str
        What does not come from data, and what the reader must know.
    """

    mode: ModeAnswer
    draws: KindDraws
    zones: FrailtyDraws
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]


def beliefs(ask: Question, evidence: Evidence, *, run: Mapped = map) -> tuple[Belief, ...]:
    """Draw what the evidence leaves open of each kind of damage in a question.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for all cores; the answer does not depend on it.

    Returns
    -------
    tuple of Belief
        One a kind, in the order of the question; one draw of POD and size factor serves them all.

    Raises
    ------
    QuestionError
        If a kind has too little evidence and nothing was stated in its place.
    ValueError
        If the data cannot answer for another reason.
    """
    known = tuple(kind_evidence(ask, evidence, mode) for mode in ask.modes)
    drawn = joint_draws(
        known,
        n=ask.draws,
        seed=ask.seed,
        size_factor=ask.measured_to_true,
        log_size_factor_sd=ask.log_measured_to_true_sd,
        run=run,
    )
    return tuple(
        _belief(ask, evidence, mode, one, draws)
        for mode, one, draws in zip(ask.modes, known, drawn, strict=True)
    )


def share_evidence(evidence: Evidence, asked: Sequence[Question], *, run: Mapped = map) -> None:
    """Work out what several questions share, so that none of them does it again, nor any process that is forked.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known on the questions' day; what is worked out is kept in it.
    asked : sequence of Question
        The questions; of a single one, all growth is fitted that it needs.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for all cores; the answers do not depend on it.
    """
    _ = evidence.regions
    if len(asked) > 1:  # else whoever needs it works it out
        _ = evidence.fingerprint
    seen: list[tuple] = []
    for ask in asked:
        for stream, mode in enumerate(ask.modes):
            if mode.growth == "fit":
                groups = tuple(sorted(ask.growth_groups or (ask.group,)))
                growth = groups, kind_asked(ask, mode), mode.clock, ask.growth_forms
                seen.append((growth, (ask.draws, ask.seed, GROWTH_STREAM + stream)))
    wanted: dict[tuple, list[DrawsKey]] = {}
    for growth, draws in dict.fromkeys(seen):
        if len(asked) == 1 or seen.count((growth, draws)) > 1:
            wanted.setdefault(growth, []).append(draws)
    with suppress(ValueError):  # the question itself will say so
        evidence.keep_growths(wanted, run=run)
    for growth, each in wanted.items():
        with suppress(ValueError):
            for n, seed, stream in each:
                evidence.track_growth(*growth).draws(n, seed=seed, stream=stream)


def pod_belief(ask: Question, far_side_share: float) -> PodBelief:
    """POD of the looks to come for a kind of damage, with how sure it is.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    far_side_share : float
        Share of the kind on the side that is not tapped [-].

    Returns
    -------
    PodBelief
        As stated.
    """
    return _belief_of(ask.detection, far_side_share)


def _belief_of(pod: StatedDetection, far_side_share: float) -> PodBelief:
    return PodBelief(
        curve=DetectionCurve(
            pod.a50_mm, pod.slope, pod.plateau, far_side_share, pod.far_side_plateau, basis=pod.basis
        ),
        log_a50_sd=pod.log_a50_sd,
        log_slope_sd=pod.log_slope_sd,
        logit_plateau_sd=pod.logit_plateau_sd,
        far_share_logit_sd=pod.logit_far_share_sd,
        basis=pod.basis,
    )


def kind_evidence(ask: Question, evidence: Evidence, mode: Mode) -> KindEvidence:
    """Gather what is known of one kind of damage.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.
    mode : Mode
        The kind of damage.

    Returns
    -------
    KindEvidence
        Ready to be drawn from.

    Raises
    ------
    QuestionError
        If growth or size at onset cannot be had from the data and is not stated.
    """
    groups = ask.growth_groups or (ask.group,)
    seen = kind_asked(ask, mode)
    histories = evidence.histories((ask.group,), seen, mode.clock, ask.basis, ask.prevalent)
    if mode.growth == "fit":
        try:
            growth = evidence.track_growth(groups, seen, mode.clock, ask.growth_forms)
        except ValueError as problem:
            raise QuestionError(
                f"question {ask.name}: growth of {mode.kind} cannot be fitted: {problem} Or pool more zone groups "
                "by growth_groups."
            ) from None
    else:
        stated = mode.growth
        growth = StatedGrowth(
            rate_median=stated.rate_median,
            rate_log_sd=stated.rate_log_sd,
            no_growth_share=stated.no_growth_share,
            log_rate_sd=stated.log_rate_sd,
        )
    if mode.onset == "fit":
        onset = evidence.found_sizes(groups, seen, mode.clock, ask.basis)
    else:
        onset = StatedOnset(
            median=mode.onset.median_mm, log_sd=mode.onset.log_sd, log_median_sd=mode.onset.log_median_sd
        )
    restoration, restoration_sd = _restoration(ask, evidence, mode)
    return KindEvidence(
        kind=mode.kind,
        clock=mode.clock,
        histories=histories,
        shape_prior=shape_prior(mode),
        growth=growth,
        onset=onset,
        pod=_belief_of(ask.looked_with, mode.far_side_share),
        planned=None if ask.past_detection is None else pod_belief(ask, mode.far_side_share),
        in_fit=ask.looked_with.in_fit,
        widen=_widened(histories),
        restoration=restoration,
        restoration_logit_sd=restoration_sd,
        related=tuple(_related(ask, evidence, mode).values()),
    )


def _others(ask: Question) -> tuple[str, ...]:
    """Return the groups that tell something of the life, the own one left out."""
    return tuple(sorted(set(ask.life_groups) - {ask.group}))


def _related(ask: Question, evidence: Evidence, mode: Mode) -> dict[str, Histories]:
    """Return the lives of the other groups, those without any left out."""
    seen = kind_asked(ask, mode)
    found = {
        name: evidence.histories((name,), seen, mode.clock, ask.basis, ask.prevalent) for name in _others(ask)
    }
    return {name: lives for name, lives in found.items() if len(lives)}


def _restoration(ask: Question, evidence: Evidence, mode: Mode) -> tuple[float | None, float]:
    """Return what a repair leaves of the age, and the standard deviation of its logit."""
    if mode.restoration != "fit":
        return mode.restoration, 0.0
    where = f"question {ask.name}: restoration of {mode.kind}"
    try:
        fit = evidence.restoration((ask.group, *_others(ask)), kind_asked(ask, mode), mode.clock)
    except ValueError as problem:
        raise QuestionError(
            f"{where} cannot be fitted: {problem} State it as a number between 0 and 1, or name more groups in `life_groups`."
        ) from None
    name = fit.fitted[0]
    q, error = float(fit.restoration[name]), float(np.sqrt(fit.covariance[2, 2]))
    if q >= 1:
        raise QuestionError(
            f"{where} cannot be drawn: the fit is {q:.2f}, repaired panels do no better than old ones. State `restoration` "
            "= 1, and look at whether the panels that were repaired were prone to damage before."
        )
    spread = error / (q * (1 - q)) if q > 0 else np.inf
    if not spread <= _UNTOLD:
        _, most = fit.bounds(name, method="profile")
        raise QuestionError(
            f"{where} cannot be drawn: the looks after repairs do not tell it (fit {q:.2f}, 95 % profile bounds up to "
            f"{min(most, 1.0):.2f}). State a number between 0 and 1; the upper bound is the careful one."
        )
    return q, spread


def shape_prior(mode: Mode) -> ShapePrior:
    """Prior of the Weibull shape of a kind of damage.

    Parameters
    ----------
    mode : Mode
        The kind of damage.

    Returns
    -------
    ShapePrior
        As stated, or weak.
    """
    if mode.assumed_shape is None:
        weak = ShapePrior()
        return weak if mode.shape_log_sd is None else ShapePrior(log_sd=mode.shape_log_sd, basis="stated")
    return ShapePrior(median=mode.assumed_shape, log_sd=mode.shape_log_sd or 0.35, basis="stated")


def _widened(histories: Histories) -> float:
    """Factor on the spread of the life where aircraft differ: root of the larger ratio of the two covariances."""
    if histories.cluster is None or histories.n_finds < _CLUSTERED:
        return 1.0
    try:
        fit = fit_weibull(histories)
    except NoFiniteMaximum:
        return 1.0
    if fit.robust_covariance is None:
        return 1.0
    ratio = np.diag(fit.robust_covariance) / np.diag(fit.covariance)
    return float(np.clip(np.sqrt(ratio.max()), 1.0, _WIDEST))


def _belief(ask: Question, evidence: Evidence, mode: Mode, known: KindEvidence, draws: KindDraws) -> Belief:
    per_day = evidence.units_per_day(ask.group)
    zones = evidence.zones_of_lives(known.histories)
    central = Growth(
        float(draws.onset_median[0]),
        float(draws.onset_log_sd[0]),
        float(draws.rate_median[0]),
        float(draws.rate_log_sd[0]),
        float(draws.no_growth_share[0]),
        clock=mode.clock,
        form=str(draws.form[0]),
        basis="fitted" if mode.growth == "fit" else mode.growth.basis,
    )
    shown = ModeAnswer(
        kind=mode.kind,
        clock=mode.clock,
        histories=known.histories,
        fit=_shown_fit(known, draws),
        scale=float(draws.scale[0]),
        shape=float(draws.shape[0]),
        scale_bounds=_bounds(draws.scale),
        shape_bounds=_bounds(draws.shape),
        life_basis=_life_basis(known, draws),
        growth=central,
        draws=draws,
        units_per_schedule_unit=per_day[mode.clock] / per_day[ask.clock],
    )
    return Belief(
        mode=shown,
        draws=draws,
        zones=zone_frailty(draws, known, zones, seed=ask.seed),
        assumptions=(*_assumptions(mode, known, draws), *_first_looks(ask, mode)),
        notes=tuple(_notes(mode, known, draws)),
    )


def _shown_fit(known: KindEvidence, draws: KindDraws) -> LifeFit | None:
    """Maximum of the likelihood at the central growth and POD, for what it is compared with."""
    if known.histories.n_finds == 0:
        return None
    detection = draws.detection(0) if known.in_fit == "size" else known.in_fit
    if known.in_fit == "perfect":
        detection = 1.0
    few = known.histories.n_finds < FEW_FINDS
    try:
        return fit_weibull(known.histories, detection=detection, shape=float(draws.shape[0]) if few else None)
    except NoFiniteMaximum:
        return None


def _bounds(values: Floats) -> tuple[float, float]:
    low, high = np.quantile(values[1:], [0.025, 0.975])
    return float(low), float(high)


def _life_basis(known: KindEvidence, draws: KindDraws) -> str:
    """Say how the life came about, and how far the prior of the shape pulled it."""
    prior = known.shape_prior
    low, high = np.quantile(draws.shape[1:], [0.05, 0.95])
    finds = known.histories.n_finds
    begin = f"{finds:g} finds" if finds else "no finds: what the clean looks leave open"
    return (
        f"{begin}; prior of the shape {prior.median:g} times or over e^{prior.log_sd:g} "
        f"({prior.basis}), 5 % to 95 % of the drawn shapes {low:.2g} to {high:.2g}"
    )


def _assumptions(mode: Mode, known: KindEvidence, draws: KindDraws) -> list[str]:
    """List what of a kind of damage does not come from data."""
    lines = []
    if mode.growth != "fit":
        lines.append(
            f"growth of {mode.kind}: median {mode.growth.rate_median:g} mm per {mode.clock}, sure to a factor of "
            f"e^{mode.growth.log_rate_sd:g}, stated ({mode.growth.basis})"
        )
    if mode.onset != "fit":
        lines.append(
            f"size of {mode.kind} at onset: median {mode.onset.median_mm:g} mm, sure to a factor of "
            f"e^{mode.onset.log_median_sd:g}, stated ({mode.onset.basis})"
        )
    if "arrest_share" in draws.diagnostics:
        lines.append(_arrest(mode, draws.diagnostics))
    prior = known.shape_prior
    spread = float(np.std(np.log(draws.shape[1:]))) / prior.log_sd
    lines.append(
        f"shape of {mode.kind}: prior with median {prior.median:g} and log standard deviation {prior.log_sd:g} "
        f"({prior.basis}); the finds leave {spread:.0%} of that spread; {draws.diagnostics['shape_pull'].words()}"
    )
    lines += _weak_priors(mode, known, draws)
    if mode.restoration == "fit":
        low, middle, high = np.quantile(draws.restoration[1:], [0.05, 0.5, 0.95])
        lines.append(
            f"a repair of {mode.kind} leaves {middle:.0%} of the panel's age ({low:.0%} to {high:.0%}), fitted to lives after "
            "repairs, its tie with the life left out; panels prone to damage raise it"
        )
    if "borrowed_groups" in draws.diagnostics:
        lines.append(
            f"life of {mode.kind}: the log hazards of {draws.diagnostics['borrowed_groups']} other zone groups and of this one "
            f"share a normal distribution (half-normal prior of its spread with scale {TAU_SCALE:g}); with a weight of "
            f"{ROBUST_WEIGHT:.0%} the other groups say nothing of this one (both assumed, no source)"
        )
    return lines


_WEAK = {
    "rate_log_sd": "spread of the log rate",
    "no_growth_share": "share that stands still (its odds)",
    "first_log_sd": "spread of the log size when first mapped",
    "size_log_sd": "error of one size",
    "onset_median": "median size at onset",
    "onset_log_sd": "spread of the log size at onset",
}
"""Weak priors that an answer speaks of; that of the correlation of size and rate is not about a factor."""


def _weak_priors(mode: Mode, known: KindEvidence, draws: KindDraws) -> list[str]:
    """Say how far the weak priors of growth and size at onset pulled."""
    pulls = {**draws.diagnostics.get("growth_pulls", {}), **draws.diagnostics.get("onset_pulls", {})}
    priors = dict(PRIORS)
    if isinstance(known.onset, FoundSizes):
        priors |= {"onset_median": known.onset.median_prior, "onset_log_sd": known.onset.spread_prior}
    told = [
        f"{words}, {priors[name][0]:g} to a factor of e^{priors[name][1]:g}: {pulls[name].words()}"
        for name, words in _WEAK.items()
        if name in pulls
    ]
    if not told:
        return []
    return [f"weak priors of {mode.kind} (assumed, no source) beside the data: " + "; ".join(told)]


def _first_looks(ask: Question, mode: Mode) -> tuple[str, ...]:
    """Say what was assumed of panels whose record begins late."""
    if ask.prevalent == "left_out":
        return ()
    return (
        f"life of {mode.kind}: the first look on record of a panel is the first that was made, so that damage found there began between "
        "new and then (stated); if looks before the records took damage off, the share with damage is too low, to the unsafe side",
    )


def _arrest(mode: Mode, notes: dict[str, object]) -> str:
    """Say what was made of growth that may stop."""
    told = float(notes["arrest_rate"]) * 10_000
    return (
        f"growth of {mode.kind} may stop (prior: {STOPS[0]:.0%} of what grows in a typical gap between two mappings, to a factor of "
        f"e^{STOPS[1]:g}, assumed, no source): the mappings give it {float(notes['arrest_share']):.0%} of the weight, at "
        f"{told:.2g} stops per 10,000 {mode.clock.replace('_', ' ')} of growth; in that share of the draws rates are "
        f"{np.expm1(float(notes['arrest_log_rate_shift'])):.0%} higher, as those before a stop, and the risk lets all growth go on "
        "(careful side)"
    )


def _notes(mode: Mode, known: KindEvidence, draws: KindDraws) -> list[str]:
    """List what the reader must know of how the draws of a kind were made."""
    lines, notes = [], draws.diagnostics
    finds = known.histories.n_finds
    if finds < FEW_FINDS:
        lines.append(
            f"{mode.kind}: {finds:g} finds only; the prior of the shape and what clean looks rule out carry the life"
        )
    if isinstance(known.onset, FoundSizes):
        sizes = int(np.isfinite(known.onset.diameter_mm).sum())
        if sizes < FEW_FINDS:
            lines.append(
                f"{mode.kind}: the size at onset rests on {sizes} sizes at first find and on a weak prior about "
                f"{known.onset.median_prior[0]:g} mm"
            )
    k_hat = notes.get("growth_k_hat")
    if k_hat is not None and k_hat > RELIABLE:
        lines.append(
            f"{mode.kind}: draws of growth come from the ensemble sampler, as importance weights are not reliable "
            f"(k-hat {k_hat:.2f})"
        )
    for name in ("onset_residual", "life_residual"):
        if float(notes.get(name, 0.0)) > _LOOSE:
            lines.append(
                f"{mode.kind}: draws of the {name.split('_')[0]} are widened by {float(notes[name]):.0%}, as they do not "
                "follow growth and POD smoothly"
            )
    if "borrowed_groups" in notes:
        lines += _borrowed(mode, notes)
    if (jumps := notes.get("jumps")) is not None and jumps.is_told:
        lines.append(jumps.words(mode.kind))
    tracks = notes.get("tracks")
    if tracks is not None and tracks < 15:
        lines.append(f"{mode.kind}: growth rests on {tracks} damages mapped twice or more")
    return lines


def _borrowed(mode: Mode, notes: dict[str, object]) -> list[str]:
    """Say how far other groups of zones pulled the life, and whether the own looks speak against them."""
    pull, age = float(notes["borrowed_pull"]), float(notes["borrowed_age"])
    word = "lower" if pull < 0 else "higher"
    lines = [
        f"{mode.kind}: {notes['borrowed_groups']} other zone groups make the cumulative hazard at {age:,.0f} "
        f"{mode.clock.replace('_', ' ')} {np.exp(abs(pull)):.2f} times {word} than the own looks alone would have it, and leave "
        f"{float(notes['borrowed_sd']) / float(notes['own_sd']):.0%} of the spread of its log; groups differ by "
        f"e^{float(notes['borrowed_tau']):.2f}"
    ]
    vague = float(notes["borrowed_vague_share"])
    if vague > CONFLICT:
        side = "longer" if float(notes["borrowed_distance"]) < 0 else "shorter"
        lines.append(
            f"{mode.kind}: the own looks speak against the other zone groups, whose lives are {side}: with {vague:.0%} of "
            "the weight the own looks stand alone; ask why the groups differ"
        )
    return lines
