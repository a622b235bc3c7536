"""Does a life fit what was seen: against the estimate without a model, on lives drawn from the fit itself."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.fits.turnbull import fit_turnbull
from kit.life.lives.schedule import LookSchedule
from kit.numerics.fit import Fit
from kit.numerics.refusals import NoFiniteMaximum, need
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False)
class GoodnessOfFit:
    """How far a fit is from the estimate without a model, and how far lives from the fit would be.

    Parameters
    ----------
    statistic : float
        Twice the log-likelihood that the estimate without a model has more [-].
    drawn : ndarray, shape (n,)
        The same for data drawn from the fit, fitted anew [-].
    n_refused : int
        Draws without a fit, which are left out.
    p_value : float
        Share of the draws at least as far, the data themselves counted as one [-].
    distribution : str
        What was fitted.
    """

    statistic: float
    drawn: Floats
    n_refused: int
    p_value: float
    distribution: str

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
        A fit to histories, with looks that find what is there.
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
        If the fit was not made to histories, or its looks may miss: the estimate without a model has no
        form for that.

    Notes
    -----
    The likelihood-ratio statistic against the estimate of Turnbull has no tabled distribution, since
    that estimate has as many parameters as the data allow. So onsets are drawn from the fit, the same
    looks are made at them, and both are fitted anew.
    """
    need("fit", fit, Fit, "a fitted life", "Make one with `kit.fit_weibull` or `kit.fit_life`.")
    if fit.histories is None:
        raise ValueError(
            "`fit` must be a fit to histories. Got one to `lower` and `upper`, which do not hold the looks."
        )
    if not fit.looks_find_all:
        raise ValueError(f"`fit` must have looks that find what is there. Got detection={fit.detection!r}.")
    if not n >= 1:
        raise ValueError(f"`n` must be at least 1. Got {n!r}.")
    rng, schedule = np.random.default_rng(seed), LookSchedule.of(fit.histories)
    shape = fit.shape if fit.shape_assumed else None
    statistic = 2 * (fit_turnbull(fit.histories).log_likelihood - fit.log_likelihood)
    drawn, refused = [], 0
    for _ in range(n):
        data = dataclasses.replace(schedule.draw(fit, rng), cluster=None)
        try:
            again = fit_family(fit.family, data, shape=shape)
        except NoFiniteMaximum:
            refused += 1
            continue
        drawn.append(2 * (fit_turnbull(data).log_likelihood - again.log_likelihood))
    values = np.asarray(drawn)
    p = (1 + int((values >= statistic - 1e-9).sum())) / (1 + values.size)
    return GoodnessOfFit(statistic, values, refused, p, fit.distribution)
