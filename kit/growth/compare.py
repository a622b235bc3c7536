"""Several forms of growth on the same tracks, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from kit.growth.forms import GrowthForm, as_form
from kit.growth.parameters import WEAK_PRIORS
from kit.growth.tracks import TrackFit, fit_tracks

_CLOSE = 4.0  # forms whose criteria are nearer than this are indistinguishable here (assumed, customary)


@dataclass(frozen=True, eq=False, kw_only=True)
class GrowthComparison:
    """Fits of several forms of growth to the same tracks, with the weight that the tracks give to each.

    Parameters
    ----------
    fits : dict of str to TrackFit
        The fits by the name of their form, in the order asked for.

    Notes
    -----
    The weight of a form is the chance of the tracks under it, all parameters averaged over weak priors
    (`kit.growth.WEAK_PRIORS`, and those of the fit over them), as a share of the sum over the forms: its
    posterior chance if all forms are as likely before. What is averaged over forms with these weights
    carries the doubt about the form. A form that is not among them has no weight: where the tracks end,
    no form is supported by them.
    """

    fits: dict[str, TrackFit]

    @cached_property
    def weights(self) -> dict[str, float]:
        """Weight of each form by the evidence of the tracks; they add up to 1 [-]."""
        logs = np.array([value for value, _ in self._evidence.values()])
        shares = np.exp(logs - logs.max())
        return dict(zip(self.fits, (shares / shares.sum()).tolist(), strict=True))

    @cached_property
    def _evidence(self) -> dict[str, tuple[float, float]]:
        out = {}
        for name, fit in self.fits.items():
            likelihood = fit.likelihood
            weak = {key: prior for key, prior in WEAK_PRIORS.items() if key in likelihood.names}
            out[name] = likelihood.with_priors(weak | likelihood.priors).log_evidence()
        return out

    def __repr__(self) -> str:
        """Return one line."""
        least = min(fit.aic for fit in self.fits.values())
        parts = (f"{name} +{fit.aic - least:.1f}" for name, fit in self.fits.items())
        return f"GrowthComparison(AIC above the least: {', '.join(parts)})"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to keep in mind: which forms are indistinguishable by the tracks, and the cautions of each."""
        least = min(fit.aic for fit in self.fits.values())
        close = [name for name, fit in self.fits.items() if fit.aic - least < _CLOSE]
        words = (
            f"{', '.join(close[:-1])} and {close[-1]} growth are indistinguishable by these tracks: delays are to be had from each"
            if len(close) > 1
            else f"{close[0]} growth is likeliest within the sizes mapped; beyond them no form is supported"
        )
        return tuple(dict.fromkeys((words, *(c for fit in self.fits.values() for c in fit.cautions))))

    def to_frame(self) -> pd.DataFrame:
        """Return the fits as a table.

        Returns
        -------
        DataFrame
            Index form; columns weight, log_evidence and evidence_error (its standard error),
            log_likelihood, n_parameters, aic, aic_above_least, size_log_sd (spread of the residuals) [-], rate_median, rate_lower, rate_upper, rate_unit, rate_log_sd [-],
            no_growth_share [-].
        """
        least = min(fit.aic for fit in self.fits.values())
        rows = []
        for name, fit in self.fits.items():
            low, high = fit.bounds("rate_median")
            rows.append(
                {
                    "form": name,
                    "weight": self.weights[name],
                    "log_evidence": self._evidence[name][0],
                    "evidence_error": self._evidence[name][1],
                    "log_likelihood": fit.log_likelihood,
                    "n_parameters": fit.n_parameters,
                    "aic": fit.aic,
                    "aic_above_least": fit.aic - least,
                    "size_log_sd": fit.size_log_sd,
                    "rate_median": fit.rate_median,
                    "rate_lower": low,
                    "rate_upper": high,
                    "rate_unit": fit.form.rate_unit(fit.clock),
                    "rate_log_sd": fit.rate_log_sd,
                    "no_growth_share": fit.no_growth_share,
                }
            )
        return pd.DataFrame(rows).set_index("form")

    def sizes(self, time: Sequence[float], *, start: float, share: float = 0.5) -> pd.DataFrame:
        """Size of growing damage a time after it had another size, by each form.

        Parameters
        ----------
        time : sequence of float
            Times [clock units].
        start : float
            Size at first [mm].
        share : float
            Share of the growing damage that grows more slowly [-].

        Returns
        -------
        DataFrame
            Index time; a column for each form [mm].
        """
        times = np.asarray(time, np.float64)
        return pd.DataFrame(
            {name: fit.size_after(times, start=start, share=share) for name, fit in self.fits.items()},
            index=pd.Index(times, name="time"),
        )

    def delays(self, limit: float, *, start: float, share: Sequence[float] = (0.5, 0.95)) -> pd.DataFrame:
        """Time that growing damage takes from one size to a limit, by each form.

        Parameters
        ----------
        limit, start : float
            Limit and size at first [mm].
        share : sequence of float
            Shares of the growing damage that grows more slowly [-].

        Returns
        -------
        DataFrame
            Index share; a column for each form [clock units].
        """
        shares = np.asarray(share, np.float64)
        return pd.DataFrame(
            {name: fit.delay_to(limit, start=start, share=shares) for name, fit in self.fits.items()},
            index=pd.Index(shares, name="share"),
        )


def compare_growth(
    tracks: pd.DataFrame,
    *,
    forms: Sequence[str | GrowthForm] = ("linear", "proportional", "pressure"),
    **settings,
) -> GrowthComparison:
    """Fit several forms of growth to the same tracks.

    Parameters
    ----------
    tracks : DataFrame
        As `fit_tracks` takes it.
    forms : sequence of str or GrowthForm
        The forms.
    **settings
        As `fit_tracks` takes them, the same for every form.

    Returns
    -------
    GrowthComparison
        Log-likelihood, criterion and spread of the residuals of each; none is chosen.

    Raises
    ------
    ValueError
        If no form is given, two have one name, or the tracks are refused.
    """
    laws = [as_form(form) for form in forms]
    names = [law.name for law in laws]
    if not laws or len(set(names)) < len(names):
        raise ValueError(f"`forms` must be at least one form, each with a name of its own. Got {names!r}.")
    return GrowthComparison(fits={law.name: fit_tracks(tracks, form=law, **settings) for law in laws})
