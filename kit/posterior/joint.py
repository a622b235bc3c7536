"""Joint draws of what a fleet's evidence leaves open, made part by part and each given the ones before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import expit, logit, ndtri

from kit.detection import DetectionCurve
from kit.growth import as_form
from kit.life import Detection, Histories
from kit.numerics.forked import Mapped
from kit.numerics.quadrature import unit_nodes
from kit.numerics.typing import Floats
from kit.posterior.borrow import borrowed_prior
from kit.posterior.conditional import GridPosterior, follow
from kit.posterior.draws import KindDraws, PodDraws
from kit.posterior.evidence import KindEvidence, StatedGrowth, StatedOnset
from kit.posterior.life import LifePosterior
from kit.posterior.onset import OnsetPosterior
from kit.posterior.pull import PriorPull
from kit.posterior.sequences import normal_points, uniform_points
from kit.posterior.size_detection import GrowthDetection

_TYPICAL_SIZE = 25.0  # at which rates of different forms are compared, where draws are followed smoothly [mm]
GROWTH_STREAM = 50
"""Stream of random numbers of the growth of a question's first kind; those of the others follow."""
_PLANNED_STREAM = 7  # of the POD of looks to come, where they are made otherwise
DESIGN = 64
"""Draws at which a conditional posterior is worked out exactly; between them it is followed smoothly."""


def joint_draws(
    kinds: Sequence[KindEvidence],
    *,
    n: int,
    seed: int,
    size_factor: float = 1.0,
    log_size_factor_sd: float = 0.0,
    design: int | None = None,
    run: Mapped = map,
) -> tuple[KindDraws, ...]:
    r"""Draw everything that damage does from what the evidence leaves open.

    Parameters
    ----------
    kinds : sequence of KindEvidence
        Kinds of damage; one draw of POD and size factor serves them all.
    n : int
        Draws; a power of 2 keeps them even.
    seed : int
        Of all random numbers.
    size_factor, log_size_factor_sd : float
        True size over size as mapped, and the standard deviation of its log [-].
    design : int, optional
        Draws at which conditional posteriors are worked out exactly. Default: one in eight, from 32 to 64.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for all cores; the draws do not depend on it.

    Returns
    -------
    tuple of KindDraws
        One for each kind, each with the central value first.

    Notes
    -----
    The posterior is drawn as :math:`p(\mathrm{POD}, s)\, p(G \mid \mathrm{tracks})\, p(A \mid \mathrm{sizes}, G,
    \mathrm{POD}, s)\, p(L \mid \mathrm{histories}, A, G, \mathrm{POD})`: growth G from repeat mappings, size at
    onset A from sizes at first find, life L from histories, each given the draws of the ones before.
    Evidence does not flow back: sizes and histories do not correct the POD that a trial measured or the
    rates that mappings gave (a cut model). What is not distinguished by histories then stays as uncertain
    as the trial left it.

    References
    ----------
    .. [1] M. J. Bayarri, J. O. Berger, F. Liu, "Modularization in Bayesian analysis, with emphasis on
       analysis of computer models", *Bayesian Analysis*, vol. 4, 2009, pp. 119-150.
    """
    design = int(np.clip(n // 8, min(32, n), DESIGN)) if design is None else design
    common = normal_points(n, 5, seed=seed, stream=1)
    factor = size_factor * np.exp(log_size_factor_sd * common[:, 4])

    def drawn(i: int) -> KindDraws:
        return _kind(kinds[i], common, factor, log_size_factor_sd, n=n, seed=seed, stream=i, design=design)

    return tuple(run(drawn, range(len(kinds))))


def _kind(
    ask: KindEvidence,
    common: Floats,
    factor: Floats,
    log_size_factor_sd: float,
    *,
    n: int,
    seed: int,
    stream: int,
    design: int,
) -> KindDraws:
    pod = ask.pod.draws(common[:, :4])
    planned = None
    if ask.planned is not None:  # the side on which damage lies is the same, whoever looks
        points = normal_points(n, 4, seed=seed, stream=_PLANNED_STREAM)
        planned = replace(ask.planned.draws(points), far_side_share=pod.far_side_share)
    notes: dict[str, object] = {}
    own = uniform_points(n, 6, seed=seed, stream=10 + stream)
    if isinstance(ask.growth, StatedGrowth):
        g = ask.growth
        z = normal_points(n, 1, seed=seed, stream=30 + stream)[:, 0]
        rate = g.rate_median * np.exp(g.log_rate_sd * z)
        rate_sd, still = np.full(n, g.rate_log_sd), np.full(n, g.no_growth_share)
        error, form = np.full(n, g.size_log_sd), np.full(n, "linear")
        notes["growth"] = "stated"
    else:
        made = ask.growth.draws(n, seed=seed, stream=GROWTH_STREAM + stream)
        form, rate_sd, still, error = made.form, made.rate_log_sd, made.no_growth_share, made.size_log_sd
        rate = made.rate_median * np.where(form == "proportional", 1.0, factor)
        notes |= made.diagnostics

    if isinstance(ask.onset, StatedOnset):
        z = normal_points(n, 1, seed=seed, stream=70 + stream)[:, 0]
        onset = ask.onset.median * np.exp(ask.onset.log_median_sd * z)
        onset_sd = np.full(n, ask.onset.log_sd)
        notes["onset"] = "stated"
    else:
        key = (ask.pod, ask.growth, ask.shape_prior.median, n, seed, stream, design, tuple(factor[:3]))
        if key not in ask.onset.kept:
            sizes = OnsetPosterior(
                ask.onset.histories,
                ask.onset.diameter_mm,
                spread_prior=ask.onset.spread_prior,
                median_prior=ask.onset.median_prior,
                shape=ask.shape_prior.median,
            )

            def onset_at(i: int) -> GridPosterior:
                return sizes.given(
                    rate_median=float(rate[i]),
                    rate_log_sd=float(rate_sd[i]),
                    no_growth_share=float(still[i]),
                    form=str(form[i]),
                    curve=pod.curve(i),
                    size_factor=float(factor[i]),
                    size_log_sd=float(error[i]),
                )

            grown = _grown_between_looks(ask.onset.histories, rate, rate_sd, still, form)
            seen_at = np.log(np.maximum(pod.a50 / factor, 1e-6))
            before = np.column_stack([grown, seen_at, np.log(pod.slope), np.log(error), np.log(factor)])
            ask.onset.kept[key] = follow(onset_at, before, own[:, :2], design=design, label=form)
        followed = ask.onset.kept[key]
        onset, onset_sd = np.exp(followed.value[:, 0]), np.exp(np.minimum(followed.value[:, 1], 0.7))
        notes |= {"onset": "sizes at first find", "onset_residual": followed.residual}
        notes["onset_pulls"] = {
            name: PriorPull.of(
                followed.mean[k], followed.within[k], prior_mean=float(np.log(prior[0])), prior_sd=prior[1]
            )
            for k, (name, prior) in enumerate(
                {"onset_median": ask.onset.median_prior, "onset_log_sd": ask.onset.spread_prior}.items()
            )
        }
    lives = _Lives(ask)
    if ask.in_fit == "size":
        upstream = _seen_by_looks(
            ask.histories, pod, form, np.stack([onset, onset_sd, rate, rate_sd, still], axis=1)
        )

        def life_at(i: int) -> GridPosterior:
            return lives.given(
                GrowthDetection(
                    curve=pod.curve(i),
                    form=str(form[i]),
                    onset_median=float(onset[i]),
                    onset_log_sd=float(onset_sd[i]),
                    rate_median=float(rate[i]),
                    rate_log_sd=float(rate_sd[i]),
                    no_growth_share=float(still[i]),
                )
            )

    else:
        upstream = np.stack([logit(np.clip(pod.far_side_share, 1e-6, 1 - 1e-6))], axis=1)
        chance = 1.0 if ask.in_fit == "perfect" else float(ask.in_fit)

        def life_at(i: int) -> GridPosterior:
            return lives.given(DetectionCurve.constant(chance, far_side_share=float(pod.far_side_share[i])))

    followed = follow(life_at, upstream, own[:, 2:4], design=design, label=form, widen=ask.widen)
    scale, shape = lives.life.natural(followed.value)
    notes["life_residual"] = followed.residual
    notes["shape_pull"] = PriorPull.of(
        followed.mean[1],
        followed.within[1],
        prior_mean=float(np.log(ask.shape_prior.median)),
        prior_sd=ask.shape_prior.log_sd,
    )
    notes |= lives.diagnostics()
    return _with_centre(
        KindDraws(
            kind=ask.kind,
            clock=ask.clock,
            scale=scale,
            shape=shape,
            onset_median=onset,
            onset_log_sd=onset_sd,
            rate_median=rate,
            rate_log_sd=rate_sd,
            no_growth_share=still,
            form=form,
            pod=pod if planned is None else planned,
            restoration=_restoration(ask, n, seed=seed, stream=stream),
            diagnostics=notes,
            past_pod=None if planned is None else pod,
        ),
        reference=lives.life.reference,
    )


class _Lives:
    """Posterior of the life of a kind, with what other groups of zones say, and how far that pulled."""

    def __init__(self, ask: KindEvidence) -> None:
        self.life = LifePosterior(ask.histories, ask.shape_prior)
        self._related = [LifePosterior(one, ask.shape_prior) for one in ask.related]
        # With and without the other groups: mean and standard deviation of the log hazard, of each draw that is
        # worked out exactly, the spread between groups and the share of what knows nothing of them.
        self._pulled: list[tuple[float, float, float, float, float, float]] = []

    def given(self, detection: Detection) -> GridPosterior:
        """Return the posterior under a chance of detection."""
        if not self._related:
            return self.life.given(detection)
        said = [one.hazard_log_likelihood(detection, self.life.reference) for one in self._related]
        prior = borrowed_prior(said)
        made, alone = self.life.given(detection, prior), self.life.given(detection)
        (mean, covariance), (own, own_covariance) = made.moments(), alone.moments()
        borrowed, vague = prior.components(made.first)
        share = float(made.share.sum(axis=1) @ expit(vague - borrowed))
        self._pulled.append(
            (
                float(mean[0] - own[0]),
                float(np.sqrt(covariance[0, 0])),
                float(np.sqrt(own_covariance[0, 0])),
                prior.tau_mean,
                share,
                prior.moments()[0] - float(own[0]),
            )
        )
        return made

    def diagnostics(self) -> dict[str, object]:
        """Return how far other groups pulled, as means over the draws that were worked out exactly."""
        if not self._pulled:
            return {}
        moved, sd, own_sd, tau, vague, away = np.mean(self._pulled, axis=0)
        return {
            "borrowed_groups": len(self._related),
            "borrowed_age": self.life.reference,
            "borrowed_pull": float(moved),
            "borrowed_sd": float(sd),
            "own_sd": float(own_sd),
            "borrowed_tau": float(tau),
            "borrowed_vague_share": float(vague),
            "borrowed_distance": float(away),
        }


def _restoration(ask: KindEvidence, n: int, *, seed: int, stream: int) -> Floats | None:
    """Draw what a repair leaves of the age, between 0 and 1."""
    if ask.restoration is None:
        return None
    if ask.restoration_logit_sd == 0 or not 0 < ask.restoration < 1:
        return np.full(n, float(ask.restoration))
    z = normal_points(n, 1, seed=seed, stream=130 + stream)[:, 0]
    return expit(logit(ask.restoration) + ask.restoration_logit_sd * z)


def _typical_gap(histories: Histories) -> float:
    """Median time between two looks at one life [clock units]."""
    gap = np.diff(histories.look_age)
    inside = np.ones(gap.size, bool)
    last = histories.look_start[1:-1]
    inside[last[last < histories.look_age.size] - 1] = False
    return float(np.median(gap[inside])) if inside.any() else float(np.median(histories.look_age))


def _grown_between_looks(
    histories: Histories, rate: Floats, rate_sd: Floats, still: Floats, form: np.ndarray
) -> Floats:
    """Put growth into few numbers: mean and spread of the log growth of a typical size over one gap and over three."""
    typical = _typical_gap(histories)
    y, v = unit_nodes(5)
    rates = rate[:, None] * np.exp(rate_sd[:, None] * ndtri(y))
    by_size = np.where(form == "proportional", 1.0, 1.0 / _TYPICAL_SIZE)[:, None]
    out = []
    for gaps in (0.5, 1.5):
        part = np.minimum(rates * by_size * typical * gaps, 5.0)
        grown = np.where(form[:, None] == "proportional", part, np.log1p(part))
        mean = (1 - still) * (grown @ v)
        out += [mean, np.sqrt(np.maximum((1 - still) * (grown**2 @ v) - mean**2, 0.0))]
    return np.sqrt(np.column_stack(out))


def _seen_by_looks(histories: Histories, pod: PodDraws, form: np.ndarray, growth: Floats) -> Floats:
    """Put what looks see of damage into few numbers: what matters of growth and POD to a life.

    Columns, all as logits of means over damage: found by the first look after onset, by the second one
    alone, by one of the two, by one of five, and of the side that is tapped alone.
    """
    typical = _typical_gap(histories)
    x, w = unit_nodes(4)
    y, v = unit_nodes(3)
    onset, onset_sd, rate, rate_sd, still = (column[:, None] for column in growth.T)
    start = onset * np.exp(onset_sd * ndtri(x))
    rates = np.concatenate([np.zeros_like(rate), rate * np.exp(rate_sd * ndtri(y))], axis=1)
    share = np.concatenate([still, (1 - still) * v], axis=1)
    weight = (w[None, :, None] * share[:, None, :]).reshape(form.size, -1)
    since = typical * np.array([0.5, 1.5, 2.5, 3.5, 4.5])
    size = np.empty((form.size, since.size, weight.shape[1]))
    for name in np.unique(form):
        rows = form == name
        law = as_form(str(name))
        position = law.position(start[rows])[:, None, :, None]
        with np.errstate(over="ignore"):
            grown = law.size_at(position + rates[rows][:, None, None, :] * since[None, :, None, None])
        size[rows] = grown.reshape(rows.sum(), since.size, -1)
    with np.errstate(over="ignore", divide="ignore"):
        relative = 1 / (1 + (pod.a50[:, None, None] / size) ** pod.slope[:, None, None])
    near = pod.plateau[:, None, None] * relative
    far = pod.far_side_plateau[:, None, None] * relative
    hidden = pod.far_side_share[:, None]
    missed_near, missed_far = np.cumprod(1 - near, axis=1), np.cumprod(1 - far, axis=1)

    def mean(near: Floats, far: Floats) -> Floats:
        return ((1 - hidden) * weight * near + hidden * weight * far).sum(axis=1)

    out = np.stack(
        [
            mean(near[:, 0], far[:, 0]),
            mean(near[:, 1], far[:, 1]),
            mean(1 - missed_near[:, 1], 1 - missed_far[:, 1]),
            mean(1 - missed_near[:, 4], 1 - missed_far[:, 4]),
            (weight * near[:, 0]).sum(axis=1),
        ],
        axis=1,
    )
    return logit(np.clip(out, 1e-6, 1 - 1e-6))


def _with_centre(draws: KindDraws, *, reference: float) -> KindDraws:
    """Put the central value first: means in the coordinates in which draws are nearly normal."""

    def log_mean(x: Floats) -> Floats:
        return np.concatenate([[np.exp(np.log(np.maximum(x, 1e-300)).mean())], x])

    def logit_mean(x: Floats) -> Floats:
        inside = np.clip(x, 1e-12, 1 - 1e-12)
        centre = x[0] if np.ptp(x) == 0 else float(expit(logit(inside).mean()))
        return np.concatenate([[centre], x])

    shape = log_mean(draws.shape)
    log_hazard = (draws.shape * np.log(reference / draws.scale)).mean()
    centre = reference * np.exp(-log_hazard / shape[0])

    def centred(pod: PodDraws) -> PodDraws:
        return PodDraws(
            a50=log_mean(pod.a50),
            slope=log_mean(pod.slope),
            plateau=logit_mean(pod.plateau),
            far_side_share=logit_mean(pod.far_side_share),
            far_side_plateau=logit_mean(pod.far_side_plateau),
        )

    names, counts = np.unique(draws.form, return_counts=True)
    return KindDraws(
        kind=draws.kind,
        clock=draws.clock,
        scale=np.concatenate([[centre], draws.scale]),
        shape=shape,
        onset_median=log_mean(draws.onset_median),
        onset_log_sd=log_mean(draws.onset_log_sd),
        rate_median=log_mean(draws.rate_median),
        rate_log_sd=log_mean(draws.rate_log_sd),
        no_growth_share=logit_mean(draws.no_growth_share),
        form=np.concatenate([[names[np.argmax(counts)]], draws.form]),
        pod=centred(draws.pod),
        restoration=None if draws.restoration is None else logit_mean(draws.restoration),
        diagnostics=draws.diagnostics,
        past_pod=None if draws.past_pod is None else centred(draws.past_pod),
    )
