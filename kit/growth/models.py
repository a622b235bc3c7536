"""Models of how large damage is when it begins, and how fast it grows."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from kit.growth.forms import GrowthForm, as_form, size_after
from kit.numerics.quadrature import unit_nodes
from kit.numerics.typing import Floats

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

    def delay_chance(self, delay: Floats, start: float | Floats, limit: float) -> Floats:
        """Chance that the limit is reached within a delay."""

    def delay_at(self, chance: Floats, start: float | Floats, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance."""

    def size(self, time: Floats, case: Case, delay: Floats, limit: float) -> Floats:
        """Size at a time after onset of damage that reaches the limit after `delay`."""

    def grown(self, start: float, rate: float, time: Floats) -> Floats:
        """Size at a time after onset of damage with a size at onset and a rate."""


@dataclass(frozen=True)
class Growth:
    r"""Damage that grows by one form at a rate of its own: :math:`\Phi(a(d)) = \Phi(a_0) + g\,d`.

    Size at onset and rate are log-normal and independent of each other. In the straight form, which is the
    default, :math:`a(d) = a_0 + g\,d`.

    Parameters
    ----------
    onset_median : float
        Median equivalent diameter at onset [mm].
    onset_log_sd : float
        Standard deviation of its log [-].
    rate_median : float
        Median growth rate of damage that grows [unit of the form: mm per clock unit for the straight one].
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
    form : str or GrowthForm
        Form of growth: a name of `FORMS`, or a form of one's own.

    Raises
    ------
    ValueError
        If a number is outside its range, or the form unknown.

    Examples
    --------
    >>> Growth(20.0, 0.4, 1e-4, 0.6, form="proportional").delay_at(0.5, 20.0, 40.0).round()
    np.float64(6931.0)
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
    form: str | GrowthForm = "linear"

    def __post_init__(self) -> None:
        """Check the ranges."""
        object.__setattr__(self, "form", as_form(self.form))
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

    def convert(self, factor: float, clock: str) -> Growth:
        """Return the same growth on a clock that runs `factor` units for each unit of this one.

        Parameters
        ----------
        factor : float
            Units of the new clock per unit of this one [-].
        clock : str
            Name of the new clock.

        Returns
        -------
        Growth
            With the rate divided.
        """
        return replace(self, rate_median=self.rate_median / factor, clock=clock)

    def rate_quantile(self, share: ArrayLike) -> Floats:
        """Rate below which a share of the growing damage stays.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].

        Returns
        -------
        ndarray of float
            Rates [unit of the form].
        """
        return self.rate_median * np.exp(self.rate_log_sd * ndtri(np.asarray(share, np.float64)))

    def grown(self, start: ArrayLike, rate: ArrayLike, time: ArrayLike) -> Floats:
        """Size of damage a time after its onset.

        Parameters
        ----------
        start : array_like of float
            Sizes at onset [mm].
        rate : array_like of float
            Rates; 0 for damage that stands still [unit of the form].
        time : array_like of float
            Times after onset [clock units].

        Returns
        -------
        ndarray of float
            Equivalent diameters, without arrest [mm].
        """
        return size_after(self.form, start, rate, time)

    def _way(self, start: float | Floats, limit: float) -> Floats:
        """Return the way from a size to the limit, in what grows evenly in time."""
        return self.form.position(limit) - self.form.position(start)

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
            Size at onset [mm], weight [-], rate [unit of the form].
        """
        beyond = self.born_beyond(limit)
        if beyond <= 0:
            return
        x, w = unit_nodes(n)
        starts = self.onset_median * np.exp(self.onset_log_sd * -ndtri(beyond * x))
        y, wy = unit_nodes(3)
        rates = self.rate_quantile(y)
        still = self.no_growth_share
        for start, weight in zip(np.maximum(starts, limit), w, strict=True):
            if still > 0:
                yield float(start), float(beyond * weight * still), 0.0
            for rate, weight_rate in zip(rates, wy, strict=True):
                if still < 1:
                    yield float(start), float(beyond * weight * weight_rate * (1 - still)), float(rate)

    def delay_chance(self, delay: Floats, start: float | Floats, limit: float) -> Floats:
        """Chance that the limit is reached within a delay, for damage that grows.

        Parameters
        ----------
        delay : ndarray
            Time after onset [clock units].
        start, limit : float or ndarray
            Size at onset and limit [mm].

        Returns
        -------
        ndarray
            Chances [-].
        """
        centre = np.log(self._way(start, limit) / self.rate_median)
        with np.errstate(divide="ignore"):
            return ndtr((np.log(delay) - centre) / max(self.rate_log_sd, _LEAST_SPREAD))

    def delay_at(self, chance: Floats, start: float | Floats, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance.

        Parameters
        ----------
        chance : ndarray
            Chances [-].
        start, limit : float or ndarray
            Size at onset and limit [mm].

        Returns
        -------
        ndarray
            Delays [clock units].
        """
        spread = max(self.rate_log_sd, _LEAST_SPREAD)
        return self._way(start, limit) / self.rate_median * np.exp(spread * ndtri(chance))

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
        position = self.form.position(case.start) + self._way(case.start, limit) * (time / delay)
        grown = self.form.size_at(position)
        return np.minimum(grown, case.largest) if np.isfinite(case.largest).any() else grown

    def mixture(self, n_start: int = 5, n_rate: int = 4) -> tuple[Floats, Floats, Floats, Floats]:
        """Return sizes at onset and rates with weights, over all damage.

        Parameters
        ----------
        n_start, n_rate : int
            Gauss points in size at onset and in rate.

        Returns
        -------
        weight, start, rate, largest : ndarray, shape (n,)
            Weight [-], size at onset [mm], rate [unit of the form], largest size [mm].
        """
        x, w = unit_nodes(n_start)
        starts = self.onset_median * np.exp(self.onset_log_sd * ndtri(x))
        y, wy = unit_nodes(n_rate)
        rates = self.rate_quantile(y)
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


LinearGrowth = Growth
"""The name from when growth was straight in every risk; it goes with the next release."""
