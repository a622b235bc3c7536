"""What zones and groups of zones share, and by how much they differ: a gamma frailty of the hazard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import gammaincinv

from kit.life import Detection, Histories, chance_found_by_look
from kit.numerics.gamma_poisson import log_marginal
from kit.numerics.typing import Floats
from kit.posterior.draws import KindDraws
from kit.posterior.evidence import KindEvidence
from kit.posterior.sequences import uniform_points

_LOG_SD_GRID = np.linspace(0.02, 1.5, 75)
SPREAD_PRIOR = 0.5
"""Scale of the half-normal prior of the log standard deviation between zones (assumed, no source)."""


def expected_finds(histories: Histories, detection: Detection, *, scale: float, shape: float) -> Floats:
    r"""Work out the finds to be expected of each life from the looks that it had, under a given life.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    detection : Detection
        Chance of detection by the delay since onset.
    scale, shape : float
        Weibull life [clock units], [-].

    Returns
    -------
    ndarray, shape (n_lives,)
        Sum over the looks after entry of the chance to be found there if not found before [-].

    Notes
    -----
    The compensator of the first find in discrete time: finds less this sum have mean zero, however long
    each life was watched, so that their ratio tells how much more often a group is damaged than the life
    says.
    """
    looks = chance_found_by_look(histories, detection, scale=scale, shape=shape)
    return np.bincount(looks["row"], weights=looks["chance"], minlength=len(histories))


@dataclass(frozen=True, eq=False, kw_only=True)
class FrailtyDraws:
    """Draws of how much more often some groups are damaged than all of them together.

    Parameters
    ----------
    names : tuple of str
        Groups or zones.
    found, expected : ndarray, shape (n_groups,)
        Finds, and finds to be expected under the common life [-].
    multiplier : ndarray, shape (n_draws, n_groups)
        Hazard over the common one [-].
    log_sd : ndarray, shape (n_draws,)
        Log standard deviation between groups, drawn too [-].
    """

    names: tuple[str, ...]
    found: Floats
    expected: Floats
    multiplier: Floats
    log_sd: Floats

    def to_frame(self) -> pd.DataFrame:
        """Return one row a group.

        Returns
        -------
        DataFrame
            Index name; columns found, expected, ratio, multiplier, lower, upper (5 % and 95 % of the draws).
        """
        low, middle, high = np.quantile(self.multiplier, [0.05, 0.5, 0.95], axis=0)
        return pd.DataFrame(
            {
                "found": self.found,
                "expected": self.expected,
                "ratio": self.found / np.maximum(self.expected, 1e-300),
                "multiplier": middle,
                "lower": low,
                "upper": high,
            },
            index=pd.Index(self.names, name="name"),
        )

    def __repr__(self) -> str:
        """Return one line."""
        return f"FrailtyDraws({len(self.names)} groups, log_sd={float(np.median(self.log_sd)):.2f})"


def frailty_draws(
    names: Sequence[str], found: Floats, expected: Floats, *, n: int, seed: int, stream: int = 0
) -> FrailtyDraws:
    r"""Draw how much groups differ, and each group's hazard over the common one.

    Parameters
    ----------
    names : sequence of str
        Groups.
    found, expected : ndarray, shape (n_groups,)
        Finds, and finds to be expected under the common life [-].
    n, seed, stream : int
        Draws and their random numbers.

    Returns
    -------
    FrailtyDraws
        Few finds are shrunken towards the common life, many stay as they are.

    Notes
    -----
    Multipliers have a gamma distribution with mean 1 and variance v; finds given the multiplier are taken as
    a Poisson count about multiplier times expected. Then the finds have a negative binomial distribution,
    which gives the posterior of v on a grid of :math:`\sqrt{v}` (half-normal prior), and each multiplier a
    gamma posterior of shape :math:`1/v + \mathrm{found}` and rate :math:`1/v + \mathrm{expected}`.

    References
    ----------
    .. [1] D. Clayton and J. Kaldor, "Empirical Bayes estimates of age-standardized relative risks for use in
       disease mapping", *Biometrics*, vol. 43, 1987, pp. 671-681.
    """
    x, e = np.asarray(found, np.float64), np.maximum(np.asarray(expected, np.float64), 1e-9)
    k = 1 / _LOG_SD_GRID[:, None] ** 2
    value = log_marginal(x, e, shape=k, rate=k)
    value = value.sum(axis=1) - 0.5 * (_LOG_SD_GRID / SPREAD_PRIOR) ** 2
    share = np.exp(value - value.max())
    cumulative = np.cumsum(share) / share.sum()
    uniform = uniform_points(n, 1 + x.size, seed=seed, stream=200 + stream)
    spread = np.interp(uniform[:, 0], cumulative, _LOG_SD_GRID)
    k = 1 / spread[:, None] ** 2
    multiplier = gammaincinv(k + x, uniform[:, 1:]) / (k + e)
    return FrailtyDraws(names=tuple(names), found=x, expected=e, multiplier=multiplier, log_sd=spread)


def zone_frailty(draws: KindDraws, evidence: KindEvidence, zone: np.ndarray, *, seed: int) -> FrailtyDraws:
    """Draw each zone's hazard over the mean of its group.

    Parameters
    ----------
    draws : KindDraws
        Draws of the group; their central value says what each zone was to show.
    evidence : KindEvidence
        Histories of the group.
    zone : ndarray, shape (n_lives,)
        Zone of each life.
    seed : int
        Of the random numbers.

    Returns
    -------
    FrailtyDraws
        Zones in order; the mean of the multipliers over the lives is 1 in every draw [-].
    """
    names, at = np.unique(zone.astype(str), return_inverse=True)
    expected = expected_finds(
        evidence.histories,
        draws.detection(0),
        scale=float(draws.scale[0]),
        shape=float(draws.shape[0]),
    )
    found = np.isfinite(evidence.histories.upper).astype(np.float64)
    made = frailty_draws(
        names.tolist(),
        np.bincount(at, weights=found),
        np.bincount(at, weights=expected),
        n=draws.n,
        seed=seed,
    )
    lives = np.bincount(at) / at.size
    return replace(made, multiplier=made.multiplier / (made.multiplier @ lives)[:, None])
