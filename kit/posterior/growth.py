"""What repeat mappings say of growth, its form included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit, logit, softmax

from kit.growth import Jumps, TrackLikelihood, find_jumps, fit_tracks
from kit.numerics.forked import Mapped
from kit.numerics.typing import Floats
from kit.posterior.importance import RELIABLE, PosteriorDraws, importance_draws, load_libraries
from kit.posterior.pull import PriorPull
from kit.posterior.sequences import uniform_points

PRIORS = {
    "rate_log_sd": (0.6, 0.35),
    "no_growth_share": (0.27, 1.5),
    "first_log_sd": (0.45, 0.5),
    "size_log_sd": (0.15, 0.5),
    "correlation": (0.4, 0.5),
}
"""Weak priors: median, and standard deviation of the coordinate (assumed, no source).

Damage that grows faster is found larger, so that size when first mapped and rate go together. Damage found beyond the
limit is repaired and never mapped again: with a correlation held near 0 few tracks would not tell that it is the fast one,
and rates come out too low (measured: docs/confidence.md). In fleets simulated event by event, with spreads and shares drawn
from these priors and looks about every 4,000 flight hours, growing damage when first mapped has a correlation of .40 (inverse
hyperbolic tangent .40, standard deviation .13 between fleets); other looks and rates are why it is held wider than that.
The median rate itself has the prior of `TrackLikelihood.log_rate_prior`."""

STOPS = (0.1, 1.5)
"""Weak prior of how often growing damage stops for good: median of the chance in one typical gap between two mappings,
and standard deviation of its log (assumed, no source)."""

DrawsKey = tuple[int, int, int]
"""How many draws, their seed and their stream."""

_TOO_RARE = 0.2  # share of a form of growth below which it is not asked whether growth stops


@dataclass(frozen=True, eq=False, kw_only=True)
class GrowthDraws:
    """Draws of growth as mapped: sizes are not yet brought to true ones.

    Parameters
    ----------
    rate_median, rate_log_sd, no_growth_share, size_log_sd : ndarray, shape (n,)
        As `TrackFit` names them.
    form : ndarray of str, shape (n,)
        Form of growth of each draw.
    diagnostics : dict
        How they were made: shares of the forms, k-hat.
    """

    rate_median: Floats
    rate_log_sd: Floats
    no_growth_share: Floats
    size_log_sd: Floats
    form: np.ndarray
    diagnostics: dict[str, object]


@dataclass(frozen=True, kw_only=True)
class Stopping:
    """How a fit of growth moves where part of the damage that grows may stop for good.

    Parameters
    ----------
    share : float
        Share of the evidence that has growth stop, both held alike before [-].
    rate : float
        Arrest rate at the highest point [1 per clock unit].
    log_rate_shift, logit_still_shift : float
        By how much the log of the median rate rises, and the logit of the share that stands still falls; 0 where the
        move would be to the unsafe side [-].
    """

    share: float = 0.0
    rate: float = 0.0
    log_rate_shift: float = 0.0
    logit_still_shift: float = 0.0

    @classmethod
    def of(cls, like: TrackLikelihood, *, gap: float, span: float) -> Stopping:
        """Fit the same mappings once more with growth that may stop.

        Parameters
        ----------
        like : TrackLikelihood
            Without arrest.
        gap : float
            Typical time between two mappings [clock units].
        span : float
            Longest time from the first to the last mapping of one damage [clock units].

        Returns
        -------
        Stopping
            The moves on the careful side only, and no larger than what stops at that rate within the span can hide.
        """
        may = like.with_arrest((STOPS[0] / gap, STOPS[1]))
        before = dict(zip(like.names, like.estimate, strict=True))
        after = dict(zip(may.names, may.estimate, strict=True))
        rate = float(np.exp(after["arrest_rate"]))
        # Growth that may stop is slower in the mean over a time by no more than what stops in it: where damage hardly grows, rate,
        # share that stands still and stops explain one another, and the highest points lie far apart for no reason.
        lost = rate * span
        slower = float(np.log(lost / -np.expm1(-lost))) if lost > 1e-9 else 0.0
        still = expit(before["no_growth_share"])
        least = 1 - (1 - still) * np.exp(lost)
        fewer = float(logit(still) - logit(least)) if least > 0 else np.inf
        return cls(
            # Where the curvature tells no volume both are held alike.
            share=float(expit(np.nan_to_num(may.laplace_evidence() - like.laplace_evidence()))),
            rate=rate,
            log_rate_shift=float(np.clip(after["rate_median"] - before["rate_median"], 0.0, slower)),
            logit_still_shift=float(
                np.clip(before["no_growth_share"] - after["no_growth_share"], 0.0, fewer)
            ),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class TrackGrowth:
    """Repeat mappings of some zones, with the forms of growth that may hold.

    Parameters
    ----------
    likelihoods : tuple of TrackLikelihood
        One for each form.
    stops : tuple of Stopping, optional
        What follows for each form if part of the growth stops; none where that is left out.
    jumps : Jumps, optional
        In how many steps between two mappings damage jumped, by the likeliest form; jumps are not in the draws.
    """

    likelihoods: tuple[TrackLikelihood, ...]
    stops: tuple[Stopping, ...] = ()
    jumps: Jumps | None = None
    _kept: dict[DrawsKey, GrowthDraws] = field(default_factory=dict, repr=False)
    _drawn: dict[tuple[str, DrawsKey], PosteriorDraws] = field(default_factory=dict, repr=False)

    @classmethod
    def from_tracks(
        cls, tracks: pd.DataFrame, *, clock: str, forms: Sequence[str] = ("linear",)
    ) -> TrackGrowth:
        """Fit each form to repeat mappings.

        Parameters
        ----------
        tracks : DataFrame
            One row a mapping, as `kit.fit_tracks` takes them.
        clock : str
            Clock of their ages.
        forms : sequence of str
            Forms that may hold.

        Returns
        -------
        TrackGrowth
            Ready to be drawn from.

        Raises
        ------
        ValueError
            If fewer than 5 damages were mapped at two ages or more, or a value is impossible.
        """
        made = growths([MappedTwice(tracks=tracks, clock=clock, forms=tuple(forms))])[0]
        if isinstance(made, ValueError):
            raise made
        return made

    def draws(self, n: int, *, seed: int, stream: int = 0) -> GrowthDraws:
        """Draw growth, the form included.

        Parameters
        ----------
        n : int
            Draws.
        seed, stream : int
            Of the random numbers.

        Returns
        -------
        GrowthDraws
            Of each form as many as its share of the evidence says; kept for the next question.
        """
        if (n, seed, stream) not in self._kept:
            self._kept[n, seed, stream] = self._made(n, seed, stream)
        return self._kept[n, seed, stream]

    def _made(self, n: int, seed: int, stream: int) -> GrowthDraws:
        made = [
            self._drawn.get((like.form.name, (n, seed, stream))) or _draw(like, i, (n, seed, stream))
            for i, like in enumerate(self.likelihoods)
        ]
        evidence = np.array([draws.log_evidence for draws in made])
        share = np.exp(evidence - evidence.max())
        if max(draws.k_hat for draws in made) > RELIABLE:
            share = np.ones(len(made))  # evidence is not told: every form counts alike
        share /= share.sum()
        # One even sequence says which form each draw has.
        turn = uniform_points(n, 1, seed=seed, stream=900 + stream)[:, 0]
        which = np.minimum(np.searchsorted(np.cumsum(share), turn), len(made) - 1)
        out = {}
        for name in ("rate_median", "rate_log_sd", "no_growth_share", "size_log_sd"):
            columns = np.stack(
                [
                    like.natural(d.value)[name].to_numpy()
                    for like, d in zip(self.likelihoods, made, strict=True)
                ]
            )
            out[name] = columns[which, np.arange(n)]
        names = np.array([like.form.name for like in self.likelihoods])
        stopping = self._let_stop(out, which, turn=uniform_points(n, 1, seed=seed, stream=950 + stream)[:, 0])
        notes: dict[str, object] = {
            f"share_{name}": float(part) for name, part in zip(names, share, strict=True)
        }
        notes |= stopping
        notes["growth_pulls"] = _pulls(
            self.likelihoods[int(np.argmax(share))], made[int(np.argmax(share))].value
        )
        notes["growth_k_hat"] = max(draws.k_hat for draws in made)
        notes["growth"] = ", ".join(sorted({draws.method for draws in made}))
        notes["tracks"] = self.likelihoods[0].n_tracks
        notes["jumps"] = self.jumps
        return GrowthDraws(**out, form=names[which], diagnostics=notes)

    def _let_stop(self, out: dict[str, Floats], which: np.ndarray, *, turn: Floats) -> dict[str, object]:
        """Move, in place, the draws in which growth may stop: rates of what grows are then those before it stops."""
        if not self.stops:
            return {}
        share, rate, faster, fewer = (
            np.array([getattr(one, name) for one in self.stops])[which]
            for name in ("share", "rate", "log_rate_shift", "logit_still_shift")
        )
        moved = turn < share
        out["rate_median"] = out["rate_median"] * np.exp(np.where(moved, faster, 0.0))
        still = np.clip(out["no_growth_share"], 1e-12, 1 - 1e-12)
        out["no_growth_share"] = expit(logit(still) - np.where(moved, fewer, 0.0))
        return {
            "arrest_share": float(share.mean()),
            "arrest_rate": float(rate.mean()),
            "arrest_log_rate_shift": float(faster.mean()),
        }


def _pulls(like: TrackLikelihood, value: Floats) -> dict[str, PriorPull]:
    """Hold each weak prior against what the mappings say."""
    out = {}
    for name, (median, sd) in like.priors.items():
        at = like.names.index(name)
        x = value[:, at]
        middle = like.coordinates({name: median})[at]
        out[name] = PriorPull.of(x.mean(), x.std(), prior_mean=middle, prior_sd=sd)
    return out


def _draw(like: TrackLikelihood, number: int, wanted: DrawsKey) -> PosteriorDraws:
    """Draw from the posterior of one form, of which the number in the order of the forms gives its own stream."""
    n, seed, stream = wanted
    free = list(like.names)
    covariance = np.diag(np.full(len(free), 1.0))
    curved = like.covariance()
    at = [free.index(name) for name in curved.index]
    covariance[np.ix_(at, at)] = curved.to_numpy()

    def log_posterior(x: Floats) -> Floats:
        return like.log_posterior(x) + like.log_rate_prior(x)

    return importance_draws(
        log_posterior, like.estimate, covariance, n=n, seed=seed, stream=stream + 7 * number
    )


@dataclass(frozen=True, eq=False, kw_only=True)
class MappedTwice:
    """Repeat mappings of some zones that growth is to be had from.

    Parameters
    ----------
    tracks : DataFrame
        One row a mapping, as `kit.fit_tracks` takes them.
    clock : str
        Clock of their ages.
    forms : tuple of str
        Forms that may hold.
    wanted : tuple of tuple of int
        Draws to be made at once: how many, seed and stream of each.
    """

    tracks: pd.DataFrame
    clock: str
    forms: tuple[str, ...]
    wanted: tuple[DrawsKey, ...] = ()


class _Fitted(NamedTuple):
    """One form fitted to repeat mappings.

    Parameters
    ----------
    likelihood : TrackLikelihood
        About its highest point.
    evidence : float
        Log of the chance of the mappings, by the curvature [-].
    drawn : dict of tuple of int to PosteriorDraws
        What was wanted.
    """

    likelihood: TrackLikelihood
    evidence: float
    drawn: dict[DrawsKey, PosteriorDraws]


def growths(asked: Sequence[MappedTwice], *, run: Mapped = map) -> list[TrackGrowth | ValueError]:
    """Fit growth to the repeat mappings of several parts of a fleet, each form by itself.

    Parameters
    ----------
    asked : sequence of MappedTwice
        What is to be fitted.
    run : callable
        `map`, or `kit.numerics.forked.forked_map` for all cores; the answer does not depend on it.

    Returns
    -------
    list of TrackGrowth or ValueError
        One for each: ready to be drawn from, or why there is none.
    """

    def fitted(job: tuple[int, int]) -> _Fitted | ValueError:
        one, number = asked[job[0]], job[1]
        try:
            like = fit_tracks(one.tracks, form=one.forms[number], clock=one.clock, priors=PRIORS).likelihood
        except ValueError as error:
            return error
        drawn = {wanted: _draw(like, number, wanted) for wanted in one.wanted}
        return _Fitted(like, like.laplace_evidence(), drawn)

    if run is not map and any(one.wanted for one in asked):
        load_libraries()
    jobs = [(k, number) for k, one in enumerate(asked) for number in range(len(one.forms))]
    every = dict(zip(jobs, run(fitted, jobs), strict=True))
    fits = [[every[k, number] for number in range(len(one.forms))] for k, one in enumerate(asked)]
    likely: list[tuple[int, int]] = []
    likeliest: list[tuple[int, int]] = []
    for k, forms in enumerate(fits):
        if not any(isinstance(one, ValueError) for one in forms):
            share = softmax(np.array([one.evidence for one in forms]))
            likely += [(k, number) for number, part in enumerate(share) if part > _TOO_RARE]
            likeliest.append((k, int(np.argmax(share))))

    def jumping(job: tuple[int, int]) -> Jumps:
        found, tracks = find_jumps(fits[job[0]][job[1]].likelihood), asked[job[0]].tracks
        if "panel" not in tracks.columns:
            return found
        panels = tracks.groupby("track")["panel"].first().iloc[list(found.damages)]
        return replace(found, panels=tuple(dict.fromkeys(panels.astype(str))))

    def stopping(job: tuple[int, int]) -> Stopping:
        one, like = asked[job[0]], fits[job[0]][job[1]].likelihood
        by_track = one.tracks.sort_values(["track", "age"]).groupby("track")["age"]
        ages, span = by_track.diff(), float((by_track.max() - by_track.min()).max())
        return Stopping.of(like, gap=float(ages[ages > 0].median()), span=span)

    checks = [(stopping, job) for job in likely] + [(jumping, job) for job in likeliest]
    checked = list(run(lambda one: one[0](one[1]), checks))
    stops = dict(zip(likely, checked[: len(likely)], strict=True))
    jumps = {k: found for (k, _), found in zip(likeliest, checked[len(likely) :], strict=True)}
    return [
        next((one for one in forms if isinstance(one, ValueError)), None)
        or TrackGrowth(
            likelihoods=tuple(one.likelihood for one in forms),
            stops=tuple(stops.get((k, number), Stopping()) for number in range(len(forms))),
            jumps=jumps[k],
            _drawn={
                (one.likelihood.form.name, wanted): drawn
                for one in forms
                for wanted, drawn in one.drawn.items()
            },
        )
        for k, forms in enumerate(fits)
    ]
