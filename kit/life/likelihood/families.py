"""Which families of lives there are: all have a scale and a shape, and a hazard in the log of the age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, gamma, log_ndtr, ndtri_exp

from kit.numerics.typing import Floats

_LOG_ROOT_2_PI = 0.9189385332046727


@dataclass(frozen=True)
class Family:
    r"""A family of lives with survival :math:`S(t) = e^{-H(z)}`, :math:`z = \mathrm{shape}\,\log(t/\mathrm{scale})`.

    Parameters
    ----------
    name, label : str
        Name of the family, and what it is called in a legend.
    cumulative_hazard : callable
        Cumulative hazard H of z, and its first and second derivative.
    log_hazard : callable
        Log of the first derivative of H, and its first and second derivative.
    inverse_cumulative_hazard : callable
        z at which the cumulative hazard has a value.
    mean : callable
        Mean and standard deviation of the age from scale and shape.
    weibull_ratio : float
        Shape over that of the Weibull whose log age spreads alike: where to begin a fit.
    fixed_shape : float or None
        The shape of every life of the family; None where it is fitted [-].
    """

    name: str
    label: str
    cumulative_hazard: Callable[[Floats], tuple[Floats, Floats, Floats]]
    log_hazard: Callable[[Floats], tuple[Floats, Floats, Floats]]
    inverse_cumulative_hazard: Callable[[Floats], Floats]
    mean: Callable[[float, float], tuple[float, float]]
    weibull_ratio: float
    fixed_shape: float | None = None

    def hazard_at(self, age: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
        """Cumulative hazard at ages.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        scale, shape : array_like of float
            Parameters [clock units], [-]; all three are broadcast.

        Returns
        -------
        ndarray of float
            H, 0 up to age 0 [-].
        """
        t, scale, shape = (np.asarray(x, np.float64) for x in (age, scale, shape))
        with np.errstate(divide="ignore", over="ignore"):
            z = shape * (np.log(np.where(t > 0, t, 1.0)) - np.log(scale))
            return np.where(t > 0, self.cumulative_hazard(z)[0], 0.0)

    def survival(self, age: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
        """Share still without damage at ages.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        scale, shape : array_like of float
            Parameters [clock units], [-]; all three are broadcast.

        Returns
        -------
        ndarray of float
            S(age) [-].
        """
        return np.exp(-self.hazard_at(age, scale, shape))

    def density(self, age: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
        """Density of the age at onset.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].
        scale, shape : array_like of float
            Parameters [clock units], [-]; all three are broadcast.

        Returns
        -------
        ndarray of float
            Density [1/clock unit].
        """
        t, scale, shape = (np.asarray(x, np.float64) for x in (age, scale, shape))
        z = shape * (np.log(t) - np.log(scale))
        return np.exp(np.log(shape) + self.log_hazard(z)[0] - self.cumulative_hazard(z)[0]) / t

    def quantile(self, share: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
        """Age by which a share has damage.

        Parameters
        ----------
        share : array_like of float
            Shares in [0, 1) [-].
        scale, shape : array_like of float
            Parameters [clock units], [-]; all three are broadcast.

        Returns
        -------
        ndarray of float
            Ages [clock units].
        """
        hazard = -np.log1p(-np.asarray(share, np.float64))
        z = np.where(hazard > 0, self.inverse_cumulative_hazard(np.where(hazard > 0, hazard, 1.0)), -np.inf)
        return np.asarray(scale, np.float64) * np.exp(z / np.asarray(shape, np.float64))


def _weibull(z: Floats) -> tuple[Floats, Floats, Floats]:
    h = np.exp(z)
    return h, h, h


def _weibull_mean(scale: float, shape: float) -> tuple[float, float]:
    first, second = gamma(1 + 1 / shape), gamma(1 + 2 / shape)
    return float(scale * first), float(scale * np.sqrt(second - first**2))


def _lognormal(z: Floats) -> tuple[Floats, Floats, Floats]:
    rate = np.exp(_lognormal_rate(z)[0])
    return -log_ndtr(-z), rate, rate * (rate - z)


def _lognormal_rate(z: Floats) -> tuple[Floats, Floats, Floats]:
    log_rate = -z * z / 2 - _LOG_ROOT_2_PI - log_ndtr(-z)
    rate = np.exp(log_rate)
    return log_rate, rate - z, rate * (rate - z) - 1.0


def _lognormal_mean(scale: float, shape: float) -> tuple[float, float]:
    variance = 1 / shape**2
    mean = scale * np.exp(variance / 2)
    return float(mean), float(mean * np.sqrt(np.expm1(variance)))


def _loglogistic(z: Floats) -> tuple[Floats, Floats, Floats]:
    rate = expit(z)
    return np.logaddexp(0.0, z), rate, rate * expit(-z)


def _loglogistic_rate(z: Floats) -> tuple[Floats, Floats, Floats]:
    return -np.logaddexp(0.0, -z), expit(-z), -expit(z) * expit(-z)


def _loglogistic_mean(scale: float, shape: float) -> tuple[float, float]:
    b = np.pi / shape
    mean = scale * b / np.sin(b) if shape > 1 else np.inf
    spread = scale * np.sqrt(2 * b / np.sin(2 * b) - (b / np.sin(b)) ** 2) if shape > 2 else np.inf
    return float(mean), float(spread)


WEIBULL = Family(
    "weibull",
    "Weibull",
    _weibull,
    lambda z: (z, np.ones_like(z), np.zeros_like(z)),
    np.log,
    _weibull_mean,
    1.0,
)
LOGNORMAL = Family(
    "lognormal",
    "lognormal",
    _lognormal,
    _lognormal_rate,
    lambda h: -ndtri_exp(-np.asarray(h, np.float64)),
    _lognormal_mean,
    np.sqrt(6) / np.pi,
)
LOGLOGISTIC = Family(
    "loglogistic",
    "log-logistic",
    _loglogistic,
    _loglogistic_rate,
    lambda h: np.log(np.expm1(h)),
    _loglogistic_mean,
    np.sqrt(2),
)

EXPONENTIAL = replace(WEIBULL, name="exponential", label="exponential", fixed_shape=1.0)

FAMILIES: dict[str, Family] = {
    family.name: family for family in (WEIBULL, EXPONENTIAL, LOGNORMAL, LOGLOGISTIC)
}
"""The families, by name: the one list of them; a fit, a comparison and a legend go by it."""
