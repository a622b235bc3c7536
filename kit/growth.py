"""How large damage is when it begins, and how fast it grows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, ndtr, ndtri

from kit.detection import DetectionCurve
from kit.life.histories import Histories

Floats = NDArray[np.float64]

_NARROW_SPREAD = 0.12  # below it the delays of one size at onset are all but one value
_SHARP_SPREAD = 0.003  # below it they are one value
_LEAST_SPREAD = 1e-9  # a spread of 0 is carried as this one, so that no formula divides by it


class Case(NamedTuple):
    """One size at onset and one way of growing, with its weight.

    Parameters
    ----------
    start : float
        Size at onset [mm].
    weight : float
        Share of all damage that the case stands for [-].
    largest : float
        Largest size that it reaches [mm].
    """

    start: float
    weight: float
    largest: float


class GrowthModel(Protocol):
    """What `kit.intervals` needs to know of growth."""

    def born_beyond(self, limit: float) -> float:
        """Chance that damage is beyond the limit the moment it arises."""

    def cases(self, limit: float, n: int) -> Iterator[Case]:
        """Cases of damage that starts within the limit and can pass it."""

    def jumps(self, limit: float, n: int) -> Floats:
        """Delays around which the limit is reached all but suddenly."""

    def beyond_cases(self, limit: float, n: int) -> Iterator[tuple[float, float, float]]:
        """Size, weight and rate of damage born beyond the limit."""

    def delay_chance(self, delay: Floats, start: float, limit: float) -> Floats:
        """Chance that the limit is reached within a delay."""

    def delay_at(self, chance: Floats, start: float, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance."""

    def size(self, time: Floats, case: Case, delay: Floats, limit: float) -> Floats:
        """Size at a time after onset of damage that reaches the limit after `delay`."""


@lru_cache(maxsize=64)
def unit_nodes(n: int) -> tuple[Floats, Floats]:
    """Gauss–Legendre nodes and weights on (0, 1).

    Parameters
    ----------
    n : int
        Number of nodes.

    Returns
    -------
    nodes, weights : ndarray, shape (n,)
        The weights sum to 1.
    """
    x, w = np.polynomial.legendre.leggauss(n)
    nodes, weights = (x + 1) / 2, w / 2
    for shared in (nodes, weights):
        shared.flags.writeable = False
    return nodes, weights


@dataclass(frozen=True)
class LinearGrowth:
    r"""Damage that grows at a steady rate of its own: :math:`a(d) = a_0 + g\,d`.

    Size at onset and rate are log-normal and independent of each other.

    Parameters
    ----------
    onset_median : float
        Median equivalent diameter at onset [mm].
    onset_log_sd : float
        Standard deviation of its log [-].
    rate_median : float
        Median growth rate of damage that grows [mm per clock unit].
    rate_log_sd : float
        Standard deviation of its log [-].
    no_growth_share : float
        Share of damage that does not grow [-].
    arrest_share : float
        Share of damage that stops growing at `arrest_ratio` times its size at onset [-].
    arrest_ratio : float
        See `arrest_share` [-].
    clock : str
        Clock of the rate.
    basis : str
        Where the numbers come from: fitted, published or assumed.

    Raises
    ------
    ValueError
        If a number is outside its range.
    """

    onset_median: float
    onset_log_sd: float
    rate_median: float
    rate_log_sd: float
    no_growth_share: float = 0.0
    arrest_share: float = 0.0
    arrest_ratio: float = np.inf
    clock: str = "age"
    basis: str = "assumed"

    def __post_init__(self) -> None:
        """Check the ranges."""
        for name in ("onset_median", "rate_median"):
            if not 0 < getattr(self, name) < np.inf:
                raise ValueError(f"`{name}` must be positive and finite. Got {getattr(self, name)!r}.")
        for name in ("onset_log_sd", "rate_log_sd"):
            if not 0 <= getattr(self, name) < 10:
                raise ValueError(f"`{name}` must be at least 0 and below 10. Got {getattr(self, name)!r}.")
        for name in ("no_growth_share", "arrest_share"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"`{name}` must be between 0 and 1. Got {getattr(self, name)!r}.")
        if not self.arrest_ratio >= 1:
            raise ValueError(f"`arrest_ratio` must be at least 1. Got {self.arrest_ratio!r}.")

    def convert(self, factor: float, clock: str) -> LinearGrowth:
        """Return the same growth on a clock that runs `factor` units for each unit of this one.

        Parameters
        ----------
        factor : float
            Units of the new clock per unit of this one [-].
        clock : str
            Name of the new clock.

        Returns
        -------
        LinearGrowth
            With the rate divided.
        """
        return replace(self, rate_median=self.rate_median / factor, clock=clock)

    def born_beyond(self, limit: float) -> float:
        """Chance that damage is beyond the limit the moment it arises.

        Parameters
        ----------
        limit : float
            Largest equivalent diameter that may stay [mm].

        Returns
        -------
        float
            Chance [-].
        """
        return float(ndtr(-self._onset_z(limit)))

    def _onset_z(self, size: float) -> float:
        return float(np.log(size / self.onset_median) / max(self.onset_log_sd, _LEAST_SPREAD))

    def jumps(self, limit: float, n: int) -> Floats:
        """Return the delays around which the limit is reached all but suddenly; none where rates are spread out.

        Parameters
        ----------
        limit : float
            Largest equivalent diameter that may stay [mm].
        n : int
            Sizes at onset.

        Returns
        -------
        ndarray
            Delays at which a quadrature over the age at onset is to be cut [clock units].
        """
        if self.rate_log_sd >= _NARROW_SPREAD:
            return np.empty(0)
        around = ndtr(np.array([-2.0, 0.0, 2.0] if self.rate_log_sd > _SHARP_SPREAD else [0.0]))
        return np.array([self.delay_at(around, case.start, limit) for case in self.cases(limit, n)]).ravel()

    def cases(self, limit: float, n: int) -> Iterator[Case]:
        """Yield the cases of damage that starts within the limit and can pass it.

        Parameters
        ----------
        limit : float
            Largest equivalent diameter that may stay [mm].
        n : int
            Sizes at onset.

        Yields
        ------
        Case
            Size at onset [mm], weight [-], largest size it can reach [mm].
        """
        x, w = unit_nodes(n)
        growing = 1.0 - self.no_growth_share
        ways = [(growing * (1.0 - self.arrest_share), np.inf, 0.0)]
        if self.arrest_share > 0:
            # Of the damage that stops growing only what starts within a factor of the limit passes it.
            ways.append((growing * self.arrest_share, self.arrest_ratio, limit / self.arrest_ratio))
        for share, ratio, least in ways:
            low = float(ndtr(self._onset_z(least))) if least > 0 else 0.0
            high = float(ndtr(self._onset_z(limit)))
            if share <= 0 or high - low <= 0:
                continue
            # Nodes crowd towards the limit, where small steps in size change the delay most.
            z = ndtri(low + (high - low) * (1.0 - (1.0 - x) ** 3))
            crowded = w * 3.0 * (1.0 - x) ** 2
            for start, weight in zip(self.onset_median * np.exp(self.onset_log_sd * z), crowded, strict=True):
                if start < limit:
                    yield Case(float(start), float(share * weight * (high - low)), float(start * ratio))

    def beyond_cases(self, limit: float, n: int) -> Iterator[tuple[float, float, float]]:
        """Yield the cases of damage born beyond the limit.

        Parameters
        ----------
        limit : float
            Largest equivalent diameter that may stay [mm].
        n : int
            Sizes at onset.

        Yields
        ------
        tuple of float
            Size at onset [mm], weight [-], rate [mm per clock unit].
        """
        beyond = self.born_beyond(limit)
        if beyond <= 0:
            return
        x, w = unit_nodes(n)
        starts = self.onset_median * np.exp(self.onset_log_sd * -ndtri(beyond * x))
        y, wy = unit_nodes(3)
        rates = self.rate_median * np.exp(self.rate_log_sd * ndtri(y))
        still = self.no_growth_share
        for start, weight in zip(np.maximum(starts, limit), w, strict=True):
            if still > 0:
                yield float(start), float(beyond * weight * still), 0.0
            for rate, weight_rate in zip(rates, wy, strict=True):
                if still < 1:
                    yield float(start), float(beyond * weight * weight_rate * (1 - still)), float(rate)

    def delay_chance(self, delay: Floats, start: float, limit: float) -> Floats:
        """Chance that the limit is reached within a delay, for damage that grows.

        Parameters
        ----------
        delay : ndarray
            Time after onset [clock units].
        start, limit : float
            Size at onset and limit [mm].

        Returns
        -------
        ndarray
            Chances [-].
        """
        centre = np.log((limit - start) / self.rate_median)
        with np.errstate(divide="ignore"):
            return ndtr((np.log(delay) - centre) / max(self.rate_log_sd, _LEAST_SPREAD))

    def delay_at(self, chance: Floats, start: float, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance.

        Parameters
        ----------
        chance : ndarray
            Chances [-].
        start, limit : float
            Size at onset and limit [mm].

        Returns
        -------
        ndarray
            Delays [clock units].
        """
        spread = max(self.rate_log_sd, _LEAST_SPREAD)
        return (limit - start) / self.rate_median * np.exp(spread * ndtri(chance))

    def size(self, time: Floats, case: Case, delay: Floats, limit: float) -> Floats:
        """Size at a time after onset of damage that reaches the limit after `delay`.

        Parameters
        ----------
        time : ndarray
            Time after onset [clock units].
        case : Case
            Size at onset and largest size [mm].
        delay : ndarray
            Delay from onset to the limit; broadcast against `time` [clock units].
        limit : float
            The limit [mm].

        Returns
        -------
        ndarray
            Equivalent diameters [mm].
        """
        grown = case.start + (limit - case.start) * (time / delay)
        return np.minimum(grown, case.largest) if np.isfinite(case.largest) else grown

    def mixture(self, n_start: int = 5, n_rate: int = 4) -> tuple[Floats, Floats, Floats, Floats]:
        """Return sizes at onset and rates with weights, over all damage.

        Parameters
        ----------
        n_start, n_rate : int
            Gauss points in size at onset and in rate.

        Returns
        -------
        weight, start, rate, largest : ndarray, shape (n,)
            Weight [-], size at onset [mm], rate [mm per clock unit], largest size [mm].
        """
        x, w = unit_nodes(n_start)
        starts = self.onset_median * np.exp(self.onset_log_sd * ndtri(x))
        y, wy = unit_nodes(n_rate)
        rates = self.rate_median * np.exp(self.rate_log_sd * ndtri(y))
        growing = 1.0 - self.no_growth_share
        rows = []
        for start, weight in zip(starts, w, strict=True):
            if self.no_growth_share > 0:
                rows.append((weight * self.no_growth_share, start, 0.0, np.inf))
            for rate, weight_rate in zip(rates, wy, strict=True):
                if growing * (1 - self.arrest_share) > 0:
                    rows.append(
                        (weight * weight_rate * growing * (1 - self.arrest_share), start, rate, np.inf)
                    )
                if growing * self.arrest_share > 0:
                    rows.append(
                        (
                            weight * weight_rate * growing * self.arrest_share,
                            start,
                            rate,
                            start * self.arrest_ratio,
                        )
                    )
        return tuple(np.array(column) for column in zip(*rows, strict=True))


@dataclass(frozen=True)
class DelayTime:
    r"""Damage known only by the delay between its onset and the limit, exponential with a given mean.

    For a constant chance of detection the size does not matter; this is the classical delay-time model.

    Parameters
    ----------
    mean : float
        Mean delay [clock units].

    References
    ----------
    .. [1] A. H. Christer and W. M. Waller, *J. Opl Res. Soc.*, vol. 35, 1984, pp. 401-406.
    """

    mean: float

    def born_beyond(self, limit: float) -> float:
        """Chance that damage is beyond the limit the moment it arises: none.

        Parameters
        ----------
        limit : float
            The limit [mm].

        Returns
        -------
        float
            0.
        """
        return 0.0

    def jumps(self, limit: float, n: int) -> Floats:
        """Return no delay: there is none around which the limit is reached all but suddenly.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Returns
        -------
        ndarray
            Empty.
        """
        return np.empty(0)

    def cases(self, limit: float, n: int) -> Iterator[Case]:
        """Yield the one case there is.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Yields
        ------
        Case
            With weight 1.
        """
        yield Case(0.0, 1.0, np.inf)

    def beyond_cases(self, limit: float, n: int) -> Iterator[tuple[float, float, float]]:
        """Yield nothing: no damage is born beyond the limit.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Returns
        -------
        iterator
            Empty.
        """
        return iter(())

    def delay_chance(self, delay: Floats, start: float, limit: float) -> Floats:
        """Chance that the limit is reached within a delay.

        Parameters
        ----------
        delay : ndarray
            Time after onset [clock units].
        start, limit : float
            Not used.

        Returns
        -------
        ndarray
            Chances [-].
        """
        return -np.expm1(-delay / self.mean)

    def delay_at(self, chance: Floats, start: float, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance.

        Parameters
        ----------
        chance : ndarray
            Chances [-].
        start, limit : float
            Not used.

        Returns
        -------
        ndarray
            Delays [clock units].
        """
        return -self.mean * np.log1p(-chance)

    def size(self, time: Floats, case: Case, delay: Floats, limit: float) -> Floats:
        """Size as the share of the delay that has passed, times the limit.

        Parameters
        ----------
        time : ndarray
            Time after onset [clock units].
        case : Case
            Not used.
        delay : ndarray
            Delay from onset to the limit; broadcast against `time` [clock units].
        limit : float
            The limit [mm].

        Returns
        -------
        ndarray
            Equivalent diameters [mm].
        """
        return limit * (time / delay)


@dataclass(frozen=True)
class SizeDetection:
    """Chance of detection by the delay since onset: POD by size, and growth, put together.

    It is what `kit.fit_weibull` takes as `detection`.

    Parameters
    ----------
    curve : DetectionCurve
        POD by size.
    growth : LinearGrowth
        Growth on the clock of the histories.
    """

    curve: DetectionCurve
    growth: LinearGrowth

    @property
    def weights(self) -> Floats:
        """Weight of each class of damage: side, size at onset, rate [-]."""
        weight = self.growth.mixture()[0]
        return np.concatenate([share * weight for share, _ in self.curve.sides])

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection at each delay.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to the look [clock units].

        Returns
        -------
        ndarray, shape (n, n_classes)
            Chances [-].
        """
        _, start, rate, largest = self.growth.mixture()
        relative = self.curve.relative(np.minimum(start + rate * delay[:, None], largest))
        return np.concatenate([plateau * relative for _, plateau in self.curve.sides], axis=1)


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
        reach = float(ndtri(0.5 + level / 2)) * self.rate_log_se
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
    for name in ("track", "age", "diameter_mm"):
        if name not in tracks.columns:
            raise ValueError(
                f"`tracks` must have a column {name}. Got {', '.join(map(str, tracks.columns))}."
            )
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
        return -float(total) + _prior_penalty(log_sigma, spread_prior)

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
        _prior_penalty(best.x[3], spread_prior) - float(best.fun),
        _profile_free_se(negative, best.x, 2, limits),
        n,
        int(size.size),
        clock,
    )


def _prior_penalty(log_spread: float, prior: tuple[float, float] | None) -> float:
    """Minus the log of a log-normal prior of a spread, without its constant."""
    return 0.0 if prior is None else 0.5 * ((log_spread - np.log(prior[0])) / prior[1]) ** 2


def _profile_free_se(negative, x: Floats, which: int, limits: list[tuple]) -> float:
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


@dataclass(frozen=True, eq=False)
class OnsetSizeFit:
    """Size of damage when it begins, from sizes at first find.

    Parameters
    ----------
    median : float
        Median equivalent diameter at onset [mm].
    log_sd : float
        Standard deviation of its log [-].
    log_likelihood : float
        Log-likelihood at the maximum [-].
    n_finds : int
        Sizes at first find that were used.
    found_median : float
        Median size at first find, for comparison [mm].
    """

    median: float
    log_sd: float
    log_likelihood: float
    n_finds: int
    found_median: float

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"OnsetSizeFit(median={self.median:.3g} mm, log_sd={self.log_sd:.3g}, finds={self.n_finds}, "
            f"found_median={self.found_median:.3g} mm)"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers as a table.

        Returns
        -------
        DataFrame
            Index quantity; columns value, unit.
        """
        rows = [
            ("onset_median", self.median, "mm"),
            ("onset_log_sd", self.log_sd, "-"),
            ("found_median", self.found_median, "mm"),
        ]
        return pd.DataFrame(rows, columns=["quantity", "value", "unit"]).set_index("quantity")


_GAPS_BACK = 3  # gaps between looks before a find in which its onset is sought
_FEWEST_SIZES = 5


def fit_onset_size(
    histories: Histories,
    diameter_mm: Floats,
    *,
    curve: DetectionCurve,
    rates: LinearGrowth,
    size_log_sd: float,
    spread_prior: tuple[float, float] | None = None,
) -> OnsetSizeFit:
    r"""Fit the size at onset to sizes at first find, allowing for growth and for what looks miss.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    diameter_mm : ndarray of float, shape (n,)
        Equivalent diameter at the first find, nan where there was none or it is not to be used [mm].
    curve : DetectionCurve
        POD by size of the looks.
    rates : LinearGrowth
        Growth rates on the clock of the histories; its size at onset is not used.
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    spread_prior : tuple of float, optional
        Weak prior of the log standard deviation for few finds: median, and standard deviation of its
        log [-]. Small damage that is never found leaves no size, so few finds cannot tell a wide
        spread from a narrow one. The default is none: plain maximum likelihood.

    Returns
    -------
    OnsetSizeFit
        Log-normal size at onset.

    Raises
    ------
    ValueError
        If fewer than 5 sizes can be used.

    Notes
    -----
    Found damage is larger than damage at onset because it grew, and because large damage is found more
    readily. For onset at T, size at onset :math:`a_0` and rate g the find at look k has the chance
    :math:`\mathrm{POD}(a_k) \prod_{T<t_j<t_k} [1-\mathrm{POD}(a_j)]`; each find adds the log of the density of
    its measured size given that it was found then. Onset is taken as evenly spread over the last three
    gaps between looks.
    """
    use = np.isfinite(histories.upper) & np.isfinite(diameter_mm) & (np.diff(histories.look_start) > 0)
    rows = np.flatnonzero(use)
    if rows.size < _FEWEST_SIZES:
        raise ValueError(
            f"`diameter_mm` must hold at least {_FEWEST_SIZES} sizes at first find. Got {rows.size}. "
            "State the size at onset in the question instead."
        )
    size = np.asarray(diameter_mm, np.float64)[rows]
    end = histories.look_start[1:][rows] - 1  # the look that found it
    begin = histories.look_start[:-1][rows]
    found_at = histories.look_age[end]
    log_start = np.linspace(np.log(2.0), np.log(max(300.0, 2 * float(size.max()))), 56)
    start = np.exp(log_start)
    x, wx = unit_nodes(4)
    y, wy = unit_nodes(5)
    growing = 1.0 - rates.no_growth_share
    rate = np.r_[0.0, rates.rate_median * np.exp(rates.rate_log_sd * ndtri(y))]
    rate_weight = np.r_[rates.no_growth_share, growing * wy]
    kept = rate_weight > 0
    rate, rate_weight = rate[kept], rate_weight[kept]
    seen, chance = np.zeros((rows.size, start.size)), np.zeros((rows.size, start.size))
    for back in range(_GAPS_BACK):
        live = end - back >= begin
        if not live.any():
            break
        high = histories.look_age[np.maximum(end - back, 0)]
        low = np.where(
            end - back - 1 >= begin, histories.look_age[np.maximum(end - back - 1, 0)], histories.entry[rows]
        )
        low = np.minimum(low, high)
        width = np.where(live, high - low, 0.0)
        for node, node_weight in zip(x, wx, strict=True):
            onset = low + node * width
            for g, g_weight in zip(rate, rate_weight, strict=True):
                at_find = start + g * (found_at - onset)[:, None]
                relative = curve.relative(at_find)
                sides = [share * plateau * relative for share, plateau in curve.sides]
                for earlier in range(back, 0, -1):
                    look = histories.look_age[np.maximum(end - earlier, 0)]
                    miss = curve.relative(start + g * (look - onset)[:, None])
                    sides = [
                        value * (1 - plateau * miss)
                        for value, (_, plateau) in zip(sides, curve.sides, strict=True)
                    ]
                part = (node_weight * g_weight * width)[:, None] * sum(sides)
                chance += part
                z = (np.log(size)[:, None] - np.log(at_find)) / size_log_sd
                seen += part * np.exp(-0.5 * z * z)
    step = log_start[1] - log_start[0]

    def negative(p: Floats) -> float:
        z = (log_start - p[0]) / np.exp(p[1])
        prior = np.exp(-0.5 * z * z) * step
        with np.errstate(divide="ignore"):
            value = np.log(seen @ prior) - np.log(chance @ prior)
        return -float(value.sum()) + _prior_penalty(p[1], spread_prior) if np.isfinite(value).all() else 1e12

    best = minimize(
        negative,
        [np.log(np.median(size)) - 0.2, np.log(0.4)],
        method="Nelder-Mead",
        bounds=[(log_start[0], log_start[-1]), (np.log(0.05), np.log(1.5))],
        options={"xatol": 1e-6, "fatol": 1e-9},
    )
    constant = -np.log(size_log_sd * np.sqrt(2 * np.pi)) - np.log(size)
    return OnsetSizeFit(
        float(np.exp(best.x[0])),
        float(np.exp(best.x[1])),
        float(_prior_penalty(best.x[1], spread_prior) - best.fun + constant.sum()),
        int(rows.size),
        float(np.median(size)),
    )
