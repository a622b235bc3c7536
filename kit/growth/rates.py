"""How fast damage grows, from repeat mappings of the same damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit

from kit.findings.frames import need_columns
from kit.numerics.confidence import normal_reach
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False)
class GrowthFit:
    """Growth rates from repeat mappings of the same damage.

    Parameters
    ----------
    rate_median : float
        Median growth rate of damage that grows [mm per clock unit].
    rate_log_sd : float
        Standard deviation of its log between damages [-].
    no_growth_share : float
        Share of damage that does not grow [-].
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    first_median, first_log_sd : float
        Median and log standard deviation of the size at the first mapping [mm], [-].
    log_likelihood : float
        Log-likelihood at the maximum, of the logs of the sizes [-].
    rate_log_se : float
        Standard error of the log of `rate_median` [-].
    n_tracks, n_mappings : int
        Damages mapped at least twice, and their mappings.
    clock : str
        Clock of the rates.
    """

    rate_median: float
    rate_log_sd: float
    no_growth_share: float
    size_log_sd: float
    first_median: float
    first_log_sd: float
    log_likelihood: float
    rate_log_se: float
    n_tracks: int
    n_mappings: int
    clock: str

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"GrowthFit(rate_median={self.rate_median:.4g} mm per {self.clock}, rate_log_sd={self.rate_log_sd:.3g}, "
            f"no_growth_share={self.no_growth_share:.3g}, tracks={self.n_tracks})"
        )

    def rate_bounds(self, *, level: float = 0.95) -> tuple[float, float]:
        """Return bounds of the median rate, normal on the log scale.

        Parameters
        ----------
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper bound [mm per clock unit].
        """
        reach = normal_reach(level) * self.rate_log_se
        return self.rate_median * float(np.exp(-reach)), self.rate_median * float(np.exp(reach))

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers as a table.

        Returns
        -------
        DataFrame
            Index quantity; columns value, lower, upper, unit.
        """
        low, high = self.rate_bounds()
        nan = float("nan")
        rows = [
            ("rate_median", self.rate_median, low, high, f"mm per {self.clock}"),
            ("rate_log_sd", self.rate_log_sd, nan, nan, "-"),
            ("no_growth_share", self.no_growth_share, nan, nan, "-"),
            ("size_log_sd", self.size_log_sd, nan, nan, "-"),
        ]
        return pd.DataFrame(rows, columns=["quantity", "value", "lower", "upper", "unit"]).set_index(
            "quantity"
        )


def fit_growth(
    tracks: pd.DataFrame,
    *,
    clock: str = "age",
    may_stand_still: bool = True,
    spread_prior: tuple[float, float] | None = None,
) -> GrowthFit:
    r"""Fit growth rates to repeat mappings by maximum likelihood.

    Parameters
    ----------
    tracks : DataFrame
        One row a mapping: columns track, age [clock units], diameter_mm.
    clock : str
        Name of the clock of ``age``.
    may_stand_still : bool
        Whether a share of the damage may not grow at all.
    spread_prior : tuple of float, optional
        Weak prior of `rate_log_sd` for few tracks: median, and standard deviation of its log [-]. The
        default is none: plain maximum likelihood.

    Returns
    -------
    GrowthFit
        Damage mapped once counts as well: its size tells how much of all damage is as large as the
        damage that was mapped again.

    Raises
    ------
    ValueError
        If fewer than 5 damages were mapped at least twice, or a size or age is impossible.

    See Also
    --------
    fit_tracks : Other forms of growth, arrest, jumps, rounding, and growth of what looks missed.

    Notes
    -----
    The size at the first mapping :math:`a_1` and the rate g are log-normal between damages and
    correlated; a mapping at time d after the first reads :math:`\log m = \log(a_1 + g d) + e` with a
    normal error. With :math:`\rho = g/a_1` the integral over :math:`a_1` has a closed form, so that only ρ
    is integrated numerically, on one grid for all tracks.

    Damage that is found large is repaired at once and never mapped again, and it is large because it
    grows fast. Whether it is mapped again depends on sizes that were seen, so with the damage mapped
    once in the likelihood the rates are those of all found damage, not of the slow rest. Damage that is
    never found stays outside.
    """
    need_columns(tracks, ("track", "age", "diameter_mm"), "tracks")
    frame = tracks.sort_values(["track", "age"], kind="stable")
    values = frame[["age", "diameter_mm"]].to_numpy(np.float64)
    if not (np.isfinite(values).all() and (values[:, 1] > 0).all()):
        raise ValueError("`tracks` must have positive sizes and finite ages. Got others: check the regions.")
    by_track = frame.groupby("track")["age"]
    repeated = by_track.transform("max") > by_track.transform("min")
    once = frame.loc[~repeated].drop_duplicates("track")["diameter_mm"].to_numpy(np.float64)
    log_once = np.log(once)
    frame = frame.loc[repeated]
    code, names = pd.factorize(frame["track"])
    n = len(names)
    if n < 5:
        raise ValueError(
            f"`tracks` must hold at least 5 damages mapped twice or more at different ages. Got {n}. "
            "State the growth in the question instead."
        )
    size = frame["diameter_mm"].to_numpy(np.float64)
    age = frame["age"].to_numpy(np.float64)
    first = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    time = age - age[first][code]
    log_size = np.log(size)
    count = np.bincount(code, minlength=n).astype(np.float64)
    longest, shortest = float(time.max()), float(time[time > 0].min())
    log_ratio = np.linspace(np.log(1e-3 / longest), np.log(30.0 / shortest), 57)
    step = log_ratio[1] - log_ratio[0]
    # Logs of sizes carried back to the first mapping, for every ratio of rate to size; the last column stands still.
    back = np.concatenate(
        [log_size[:, None] - np.log1p(np.exp(log_ratio) * time[:, None]), log_size[:, None]], axis=1
    )
    mean = np.add.reduceat(back, first, axis=0) / count[:, None]
    spread = np.add.reduceat(back**2, first, axis=0) - count[:, None] * mean**2

    def negative(x: Floats) -> float:
        mu, log_tau, log_rate, log_sigma, logit_still, log_error, bend = x
        tau2, sigma2, error2 = np.exp(2 * log_tau), np.exp(2 * log_sigma), np.exp(2 * log_error)
        constant = -0.5 * (count - 1) * np.log(2 * np.pi * error2) - 0.5 * np.log(count)
        constant = constant[:, None] - 0.5 * spread / error2
        # (log a1, log g) is normal; so are log(g/a1) and, given that, log a1.
        both = np.tanh(bend) * np.sqrt(tau2 * sigma2)
        gap2 = tau2 + sigma2 - 2 * both
        off = log_ratio - (log_rate - mu)
        log_prior = -0.5 * np.log(2 * np.pi * gap2) - 0.5 * off**2 / gap2
        prior_mean = mu + (both - tau2) / gap2 * off
        var = error2 / count[:, None] + max(tau2 - (both - tau2) ** 2 / gap2, 1e-12)
        grow = constant[:, :-1] + log_prior
        grow = grow - 0.5 * np.log(2 * np.pi * var) - 0.5 * (mean[:, :-1] - prior_mean) ** 2 / var
        top = grow.max(axis=1)
        log_grow = top + np.log(np.exp(grow - top[:, None]).sum(axis=1)) + np.log(step)
        var_still = error2 / count + tau2
        still = (
            constant[:, -1] - 0.5 * np.log(2 * np.pi * var_still) - 0.5 * (mean[:, -1] - mu) ** 2 / var_still
        )
        share = expit(logit_still) if may_stand_still else 0.0
        with np.errstate(divide="ignore"):
            total = np.logaddexp(np.log1p(-share) + log_grow, np.log(share) + still).sum()
        var_once = error2 + tau2
        total += (-0.5 * np.log(2 * np.pi * var_once) - 0.5 * (log_once - mu) ** 2 / var_once).sum()
        return -float(total) + prior_penalty(log_sigma, spread_prior)

    last = np.r_[first[1:], size.size] - 1
    slope = (size[last] - size[first]) / time[last]
    rate0 = max(float(np.median(slope)), 0.1 * float(np.median(size)) / longest)
    limits = [(None, None), (-4, 1.5), (None, None), (-3, 1.5), (-7, 5), (-4, 0.5), (-2, 2)]
    if not may_stand_still:
        limits[4] = (-1.0, -1.0)
    start = np.array(
        [np.log(np.median(size[first])), np.log(0.4), np.log(rate0), np.log(0.7), -1.0, np.log(0.2), 0.0]
    )
    options = {"maxiter": 300, "ftol": 1e-9}
    best = minimize(negative, start, method="L-BFGS-B", bounds=limits, options=options)
    if may_stand_still and abs(best.x[4]) > 3:
        # All or nothing standing still: a share and a wide spread of rates explain one another, so try the other.
        other = best.x.copy()
        other[2:5] = np.log(2 * np.exp(other[2])), np.log(0.6), 0.5
        again = minimize(negative, other, method="L-BFGS-B", bounds=limits, options=options)
        best = again if again.fun < best.fun - 1e-6 else best
    return GrowthFit(
        float(np.exp(best.x[2])),
        float(np.exp(best.x[3])),
        float(expit(best.x[4])) if may_stand_still else 0.0,
        float(np.exp(best.x[5])),
        float(np.exp(best.x[0])),
        float(np.exp(best.x[1])),
        prior_penalty(best.x[3], spread_prior) - float(best.fun),
        _standard_error(negative, best.x, 2, limits),
        n,
        int(size.size),
        clock,
    )


def prior_penalty(log_spread: float, prior: tuple[float, float] | None) -> float:
    """Minus the log of a log-normal prior of a spread, without its constant."""
    return 0.0 if prior is None else 0.5 * ((log_spread - np.log(prior[0])) / prior[1]) ** 2


def _standard_error(negative, x: Floats, which: int, limits: list[tuple]) -> float:
    """Return the standard error of one parameter from central differences; parameters at a limit are held."""
    free = [
        i
        for i, (low, high) in enumerate(limits)
        if (low is None or x[i] > low + 1e-6) and (high is None or x[i] < high - 1e-6)
    ]
    h = 1e-3
    hess = np.empty((len(free), len(free)))
    for a, i in enumerate(free):
        for b, j in enumerate(free[: a + 1]):
            total = 0.0
            for si in (h, -h):
                for sj in (h, -h):
                    y = x.copy()
                    y[i] += si
                    y[j] += sj
                    total += np.sign(si * sj) * negative(y)
            hess[a, b] = hess[b, a] = total / (4 * h * h)
    try:
        variance = np.linalg.inv(hess)[free.index(which), free.index(which)]
    except (np.linalg.LinAlgError, ValueError):
        return float("nan")
    return float(np.sqrt(variance)) if variance > 0 else float("nan")
