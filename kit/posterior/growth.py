"""What repeat mappings say of growth, its form included."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.growth import TrackLikelihood, fit_tracks
from kit.numerics.typing import Floats
from kit.posterior.importance import RELIABLE, PosteriorDraws, importance_draws
from kit.posterior.sequences import uniform_points

PRIORS = {
    "rate_log_sd": (0.6, 0.35),
    "no_growth_share": (0.27, 1.5),
    "first_log_sd": (0.45, 0.5),
    "size_log_sd": (0.15, 0.5),
    "correlation": (1e-9, 0.5),
}
"""Weak priors: median, and standard deviation of the coordinate (assumed, no source)."""


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


@dataclass(frozen=True, eq=False, kw_only=True)
class TrackGrowth:
    """Repeat mappings of some zones, with the forms of growth that may hold.

    Parameters
    ----------
    likelihoods : tuple of TrackLikelihood
        One for each form.
    """

    likelihoods: tuple[TrackLikelihood, ...]
    _kept: dict[tuple[int, int, int], GrowthDraws] = field(default_factory=dict, repr=False)

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
        return cls(
            likelihoods=tuple(
                fit_tracks(tracks, form=form, clock=clock, priors=PRIORS).likelihood for form in forms
            )
        )

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
        made = [_draw(like, n, seed=seed, stream=stream + 7 * i) for i, like in enumerate(self.likelihoods)]
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
        notes = {f"share_{name}": float(part) for name, part in zip(names, share, strict=True)}
        notes["growth_k_hat"] = max(draws.k_hat for draws in made)
        notes["growth"] = ", ".join(sorted({draws.method for draws in made}))
        notes["tracks"] = self.likelihoods[0].n_tracks
        return GrowthDraws(**out, form=names[which], diagnostics=notes)


def _draw(like: TrackLikelihood, n: int, *, seed: int, stream: int) -> PosteriorDraws:
    free = list(like.names)
    covariance = np.diag(np.full(len(free), 1.0))
    curved = like.covariance()
    at = [free.index(name) for name in curved.index]
    covariance[np.ix_(at, at)] = curved.to_numpy()
    return importance_draws(like.log_posterior, like.estimate, covariance, n=n, seed=seed, stream=stream)
