"""By how much zones truly differ, when few finds alone would make them differ: multipliers drawn from found and expected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import gammaln

from kit.numerics.gamma_poisson import check_counts
from kit.numerics.poisson import poisson_bounds
from kit.numerics.typing import Floats
from kit.posterior import uniform_points

PRIORS_OF_MULTIPLIERS = ("gamma", "log-normal")
"""How multipliers may be spread between zones."""

SPREAD_PRIOR = 1.0
"""Scale of the half-normal prior of the spread between zones: weak, as zones of one aircraft differ more than those of one
group (assumed, no source) [-]."""

_SPREADS = np.geomspace(0.05, 2.2, 20)
_LOG_MEANS = np.linspace(-1.0, 1.0, 17)
_POINTS = 121
_FAR = 1 - 1e-9  # a multiplier outside bounds of this level is left out of its grid
_LEAST, _MOST = 1e-3, 60.0  # multipliers of an average zone beyond which a prior has nothing [-]


@dataclass(frozen=True, eq=False, kw_only=True)
class Shrunken:
    """Draws of how much more often each zone is damaged than an average one.

    Parameters
    ----------
    names : tuple of str
        Zones or groups.
    found, expected : ndarray, shape (n_zones,)
        Finds; and those that each would show if it were average, without false calls [-].
    false_calls : ndarray, shape (n_zones,)
        Finds expected where nothing is wrong [-].
    multiplier : ndarray, shape (n_draws, n_zones)
        Damage over that of the common life [-].
    mean, spread : ndarray, shape (n_draws,)
        Mean multiplier, and the spread between zones: coefficient of variation (gamma) or standard deviation
        of the log (log-normal) [-].
    prior : str
        How multipliers are spread.
    """

    names: tuple[str, ...]
    found: Floats
    expected: Floats
    false_calls: Floats
    multiplier: Floats
    mean: Floats
    spread: Floats
    prior: str

    def to_frame(self, *, level: float = 0.9) -> pd.DataFrame:
        """Return one row a zone.

        Parameters
        ----------
        level : float
            Probability between lower and upper [-].

        Returns
        -------
        DataFrame
            Index name; found, expected, false_calls, ratio (found less false calls over expected),
            multiplier (mean of the draws), lower and upper.
        """
        low, high = np.quantile(self.multiplier, [(1 - level) / 2, (1 + level) / 2], axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(
                self.expected > 0, np.maximum(self.found - self.false_calls, 0.0) / self.expected, np.nan
            )
        return pd.DataFrame(
            {
                "found": self.found,
                "expected": self.expected,
                "false_calls": self.false_calls,
                "ratio": ratio,
                "multiplier": self.multiplier.mean(axis=0),
                "lower": low,
                "upper": high,
            },
            index=pd.Index(self.names, name="name"),
        )

    def __repr__(self) -> str:
        """Return one line."""
        return f"Shrunken({len(self.names)} zones, {self.prior}, spread={float(np.median(self.spread)):.2f})"


def shrink(
    names: Sequence[str],
    found: ArrayLike,
    expected: ArrayLike,
    *,
    false_calls: ArrayLike = 0.0,
    prior: str = "gamma",
    n: int = 4096,
    seed: int = 1,
) -> Shrunken:
    r"""Draw how much more often each zone is damaged than an average one, from finds and expected finds.

    Few finds are drawn towards the mean of the zones, many stay as they are, and how strongly is itself told
    by the counts.

    Parameters
    ----------
    names : sequence of str
        Zones or groups.
    found : array_like, shape (n_zones,)
        Finds [-].
    expected : array_like, shape (n_zones,) or (n_sets, n_zones)
        Finds to be expected of an average zone with the same inspections; several sets where what looks can see is not
        sure, each of which gets an equal share of the draws [-].
    false_calls : array_like, shape (n_zones,) or (n_sets, n_zones)
        Finds to be expected where nothing is wrong [-].
    prior : str
        ``gamma`` or ``log-normal``.
    n, seed : int
        Draws and their random numbers.

    Returns
    -------
    Shrunken
        The draws.

    Raises
    ------
    ValueError
        If a count is impossible, the prior unknown, or nothing at all was found.

    See Also
    --------
    kit.numerics.gamma_poisson.fit_gamma_poisson : The same by maximum likelihood, without false calls.

    Notes
    -----
    Finds are Poisson about :math:`m_z E_z + F_z`. Multipliers :math:`m_z` are gamma (or log-normal) with a mean and a
    spread that have priors: the log of the mean flat within a factor e of found over expected, the spread half-normal. The
    likelihood of each zone is laid out on a grid of its own :math:`\log m`, so that many finds are as exact as few;
    (mean, spread) is drawn from its marginal posterior on a grid, then each multiplier given both. A zone that expects
    nothing gets what the others say.

    References
    ----------
    .. [1] D. Clayton and J. Kaldor, "Empirical Bayes estimates of age-standardized relative risks for use in
       disease mapping", *Biometrics*, vol. 43, 1987, pp. 671-681.
    """
    if prior not in PRIORS_OF_MULTIPLIERS:
        raise ValueError(f"`prior` must be one of {', '.join(PRIORS_OF_MULTIPLIERS)}. Got {prior!r}.")
    sets = np.atleast_2d(np.asarray(expected, np.float64))
    extra = np.broadcast_to(np.atleast_2d(np.asarray(false_calls, np.float64)), sets.shape)
    x, _ = check_counts(found, sets[0] + extra[0])
    if not (
        np.isfinite(sets).all() and np.isfinite(extra).all() and (sets >= 0).all() and (extra >= 0).all()
    ):
        raise ValueError("`expected` and `false_calls` must be finite and not negative. Correct the counts.")
    if x.sum() <= 0:
        raise ValueError(
            "`found` must hold at least one find. Got none: zones are indistinguishable without."
        )
    share = np.array_split(np.arange(n), len(sets))
    parts = [
        _drawn(x, e, f, prior, n=len(rows), seed=seed, stream=300 + i)
        for i, (e, f, rows) in enumerate(zip(sets, extra, share, strict=True))
        if len(rows)
    ]
    multiplier, mean, spread = (np.concatenate(part) for part in zip(*parts, strict=True))
    return Shrunken(
        names=tuple(map(str, names)),
        found=x,
        expected=sets.mean(axis=0),
        false_calls=extra.mean(axis=0),
        multiplier=multiplier,
        mean=mean,
        spread=spread,
        prior=prior,
    )


def _log_prior(log_m: Floats, mean: float, spread: float, prior: str) -> Floats:
    """Log density of the log of a multiplier."""
    if prior == "gamma":
        k = 1 / spread**2
        return k * np.log(k / mean) - gammaln(k) + k * log_m - k / mean * np.exp(log_m)
    # The log-normal with this mean.
    z = (log_m - np.log(mean) + spread**2 / 2) / spread
    return -0.5 * z**2 - np.log(spread * np.sqrt(2 * np.pi))


def _drawn(
    x: Floats, e: Floats, f: Floats, prior: str, *, n: int, seed: int, stream: int
) -> tuple[Floats, Floats, Floats]:
    centre = max(float(x.sum() - f.sum()), 0.5) / max(float(e.sum()), 1e-12)
    low, high = poisson_bounds(x, level=_FAR)
    e_some = np.maximum(e, 1e-12)
    # The grid of a zone reaches as far as its likelihood does, or where that says nothing as far as any prior.
    least = np.log(np.maximum((low - f) / e_some, _LEAST * centre))
    most = np.log(np.minimum(high / e_some, np.maximum(_MOST * centre, 2 * x / e_some)))
    least = np.minimum(least, most - 1e-6)
    step = (most - least) / (_POINTS - 1)
    log_m = least[:, None] + step[:, None] * np.arange(_POINTS)
    means = np.exp(_LOG_MEANS) * centre
    level = np.exp(log_m) * e[:, None] + f[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        log_like = np.where(x[:, None] > 0, x[:, None] * np.log(level), 0.0) - level
    top = log_like.max(axis=1, keepdims=True)
    like = np.exp(log_like - top) * step[:, None]
    like[:, [0, -1]] *= 0.5
    value = np.empty((_SPREADS.size, means.size))
    for i, spread in enumerate(_SPREADS):
        for j, mean in enumerate(means):
            density = np.exp(_log_prior(log_m, mean, spread, prior))
            value[i, j] = np.log(np.maximum((like * density).sum(axis=1), 1e-300)).sum()
    # Weighted by the steps of the spread, so that the half-normal prior is one of the spread itself.
    value += -0.5 * (_SPREADS[:, None] / SPREAD_PRIOR) ** 2 + np.log(np.gradient(_SPREADS))[:, None]
    weight = np.exp(value - value.max()).ravel()
    uniform = uniform_points(n, 1 + x.size, seed=seed, stream=stream)
    cell = np.searchsorted(np.cumsum(weight) / weight.sum(), uniform[:, 0])
    cell = np.minimum(cell, weight.size - 1)
    spread, mean = _SPREADS[cell // means.size], means[cell % means.size]
    out = np.empty((n, x.size))
    for which in np.unique(cell):
        rows = np.flatnonzero(cell == which)
        density = like * np.exp(
            _log_prior(log_m, means[which % means.size], _SPREADS[which // means.size], prior)
        )
        cumulative = np.cumsum(density, axis=1)
        cumulative /= cumulative[:, -1:]
        for z in range(x.size):
            # A point stands for the half steps around it.
            at = np.interp(uniform[rows, 1 + z], cumulative[z], log_m[z] + 0.5 * step[z])
            out[rows, z] = np.exp(at)
    return out, mean, spread
