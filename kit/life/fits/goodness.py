"""Does a life fit what was seen: against the estimate without a model, on lives drawn from the fit itself."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.life.fits.expected import chance_found_by_look
from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.fits.turnbull import fit_turnbull
from kit.life.likelihood.families import FAMILIES
from kit.life.lives.censored import Histories
from kit.life.lives.schedule import LookSchedule
from kit.numerics.fit import Fit
from kit.numerics.refusals import NoFiniteMaximum, need
from kit.numerics.typing import Floats

FAILS_AT = 0.05
"""p-value at or below which a check fails (common practice, no source) [-]."""


@dataclass(frozen=True, eq=False)
class GoodnessOfFit:
    """How far a fit is from what was seen, and how far lives from the fit would be.

    Parameters
    ----------
    statistic : float
        With looks that find what is there: twice the log-likelihood that the estimate without a model has more [-]. With
        looks that miss: the largest difference, over all ages, between the finds and those to be expected up to then [finds].
    drawn : ndarray, shape (n,)
        The same for data drawn from the fit, fitted anew [-].
    n_refused : int
        Draws without a fit, which are left out.
    p_value : float
        Share of the draws at least as far, the data themselves counted as one [-].
    distribution : str
        What was fitted.
    looks_find_all : bool
        Whether looks were taken to find what is there.
    """

    statistic: float
    drawn: Floats
    n_refused: int
    p_value: float
    distribution: str
    looks_find_all: bool = True

    def __repr__(self) -> str:
        """Return one line with the p-value and its error."""
        return (
            f"GoodnessOfFit({self.distribution}, statistic={self.statistic:.2f}, p={self.p_value:.3f} "
            f"+- {self.p_error:.3f} from {self.drawn.size} draws)"
        )

    @property
    def p_error(self) -> float:
        """Standard error of the p-value from the number of draws [-]."""
        return float(np.sqrt(self.p_value * (1 - self.p_value) / max(self.drawn.size, 1)))

    @property
    def fails(self) -> bool:
        """Whether the family is told from what was seen at the 5 % level."""
        return self.p_value <= FAILS_AT

    def words(self) -> str:
        """Say in a sentence whether the fit holds.

        Returns
        -------
        str
            Markdown; a check that fails is said first and in bold.
        """
        taken = "looks taken as perfect" if self.looks_find_all else "the stated chance of detection"
        name = FAMILIES[self.distribution].label
        begin = (
            f"**The check of fit fails: the {name} life with {taken} does not describe these looks**"
            if self.fails
            else f"The check of fit shows nothing against the {name} life with {taken}"
        )
        return (
            f"{begin} (p = {self.p_value:.3f}, {self.drawn.size} draws with the same looks"
            f"{f', {self.n_refused} more refused' if self.n_refused else ''})."
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the result as a table of one row.

        Returns
        -------
        DataFrame
            Columns distribution, statistic, expected (mean of the draws), p_value, p_error, draws, refused.
        """
        return pd.DataFrame(
            [
                {
                    "distribution": self.distribution,
                    "statistic": self.statistic,
                    "expected": float(self.drawn.mean()) if self.drawn.size else np.nan,
                    "p_value": self.p_value,
                    "p_error": self.p_error,
                    "draws": self.drawn.size,
                    "refused": self.n_refused,
                }
            ]
        )


def check_fit(fit: LifeFit, *, n: int = 200, seed: int) -> GoodnessOfFit:
    """Check a fit to histories by a parametric bootstrap.

    Parameters
    ----------
    fit : LifeFit
        A fit to histories, with the detection that it was made with.
    n : int
        Number of draws.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    GoodnessOfFit
        A small p-value says that the family does not fit; a large one that these data do not show it.

    Raises
    ------
    ValueError
        If the fit was not made to histories.

    Notes
    -----
    The likelihood-ratio statistic against the estimate of Turnbull has no tabled distribution, since
    that estimate has as many parameters as the data allow. So onsets are drawn from the fit, the same
    looks are made at them, and both are fitted anew. Where looks may miss, that estimate has no form; the finds are then
    held against their compensator, the sum over the looks made of the chance to find there what none found before, and
    the largest difference over all ages is compared with that of data drawn from the fit and fitted anew.
    """
    need("fit", fit, Fit, "a fitted life", "Make one with `kit.fit_weibull` or `kit.fit_life`.")
    if fit.histories is None:
        raise ValueError(
            "`fit` must be a fit to histories. Got one to `lower` and `upper`, which do not hold the looks."
        )
    rng, schedule = np.random.default_rng(seed), LookSchedule.of(fit.histories)
    shape = fit.shape if fit.shape_assumed else None
    perfect = fit.looks_find_all
    statistic = _from_turnbull(fit, fit.histories) if perfect else _from_expected(fit, fit.histories)
    drawn, refused = [], 0
    for _ in range(n):
        data = dataclasses.replace(schedule.draw(fit, rng), cluster=None)
        try:
            again = fit_family(fit.family, data, shape=shape, detection=fit.detection)
        except NoFiniteMaximum:
            refused += 1
            continue
        drawn.append(_from_turnbull(again, data) if perfect else _from_expected(again, data))
    values = np.asarray(drawn)
    p = (1 + int((values >= statistic - 1e-9).sum())) / (1 + values.size)
    return GoodnessOfFit(statistic, values, refused, p, fit.distribution, perfect)


def _from_turnbull(fit: LifeFit, histories: Histories) -> float:
    """Twice the log-likelihood that the estimate without a model has more."""
    return 2 * (fit_turnbull(histories).log_likelihood - fit.log_likelihood)


def _from_expected(fit: LifeFit, histories: Histories) -> float:
    """Largest difference over all ages between the finds and those to be expected of the looks made up to then."""
    looks = chance_found_by_look(
        histories, fit.detection, scale=fit.scale, shape=fit.shape, family=fit.family
    )
    found = np.isfinite(histories.upper)
    age = np.r_[looks["age"], histories.upper[found]]
    step = np.r_[-looks["chance"] * histories.count[looks["row"].to_numpy()], histories.count[found]]
    order = np.argsort(age, kind="stable")
    ages, sums = age[order], np.cumsum(step[order])
    last = np.r_[ages[1:] != ages[:-1], True]  # of what happens at one age, the whole
    return float(np.abs(sums[last]).max(initial=0.0))
