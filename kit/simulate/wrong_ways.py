"""Made-up panels whose life is known, fitted in the ways that people take: how wrong each is, and whether its bounds say so."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.life import Histories, LifeFit, fit_weibull
from kit.numerics.words import in_words, percent
from kit.simulate.recovery import panel_looks_of

_PANELS = 2000


@dataclass(frozen=True, eq=False)
class WrongWays:
    """The same finds fitted in several ways, each a little less wrong than the one before.

    Parameters
    ----------
    truth : tuple of float
        Scale [flight hours] and shape [-] of the life that made the panels.
    share, level : float
        Share with damage at whose age the ways are compared, and confidence of the bounds [-].
    made : Histories
        What the looks say.
    fits : dict of str to LifeFit
        By way, the right one last.
    """

    truth: tuple[float, float]
    share: float
    level: float
    made: Histories = field(repr=False)
    fits: dict[str, LifeFit] = field(repr=False)

    @property
    def true_age(self) -> float:
        """Age by which the share truly has damage [flight hours]."""
        scale, shape = self.truth
        return float(scale * (-np.log1p(-self.share)) ** (1 / shape))

    @property
    def naive(self) -> LifeFit:
        """The most wrong of them: finds alone, at their dates."""
        return next(iter(self.fits.values()))

    @property
    def right(self) -> LifeFit:
        """The fit that takes all into account."""
        return self.fits["right"]

    def to_frame(self) -> pd.DataFrame:
        """Return a row a way.

        Returns
        -------
        DataFrame
            Columns scale, shape, age, lower, upper, age_over_truth, bounds_hold_truth.
        """
        rows = {}
        for way, fit in self.fits.items():
            age = float(fit.quantile(self.share))
            low, high = (
                float(x) for x in fit.quantile_bounds(self.share, level=self.level, method="profile")
            )
            rows[way] = {
                "scale": fit.scale,
                "shape": fit.shape,
                "age": age,
                "lower": low,
                "upper": high,
                "age_over_truth": age / self.true_age,
                "bounds_hold_truth": low <= self.true_age <= high,
            }
        return pd.DataFrame.from_dict(rows, orient="index")

    def words(self) -> tuple[str, ...]:
        """Say what is true, which ways hold it, and how to read the table.

        Returns
        -------
        tuple of str
            Sentences.
        """
        scale, shape = self.truth
        table = self.to_frame()
        held = ", ".join(table.index[table["bounds_hold_truth"]]) or "none"
        return (
            f"In truth scale {scale:,.0f}, shape {shape:g}, and {percent(self.share)} have damage by {self.true_age:,.0f} "
            f"{in_words(self.right.clock)}. Bounds that hold it: {held}.",
            "Compare scale and shape, not one age alone: a wrong curve crosses the true one somewhere, and is right there by accident.",
        )


def wrong_ways(
    *, scale: float, shape: float, pod: float, share: float = 0.1, level: float = 0.95, seed: int
) -> WrongWays:
    """Fit made-up panels in five ways, of which the last takes all into account.

    Parameters
    ----------
    scale, shape : float
        The Weibull life of the panels [flight hours], [-].
    pod : float
        Chance that a look finds what is there [-].
    share, level : float
        Share with damage at whose age the ways are compared, and confidence of the bounds [-].
    seed : int
        Of the panels and their looks.

    Returns
    -------
    WrongWays
        The ways side by side.
    """
    onset = scale * np.random.default_rng(seed + 1).weibull(shape, _PANELS)
    made = panel_looks_of(np.random.default_rng(seed), onset, pod=pod)
    found = np.isfinite(made.upper)
    dates = np.where(found, made.upper, made.lower)
    fits = {
        "finds only, at the date of the find": fit_weibull(lower=made.upper[found], upper=made.upper[found]),
        "date of the find for onset": fit_weibull(lower=dates, upper=made.upper),
        "left truncation ignored": fit_weibull(lower=made.lower, upper=made.upper),
        "looks taken as perfect": fit_weibull(lower=made.lower, upper=made.upper, entry=made.entry),
        "right": fit_weibull(made, detection=pod),
    }
    return WrongWays((scale, shape), share, level, made, fits)
