"""Which families of lives there are: all have a scale and a shape, and a hazard in the log of the age."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, gamma, log_ndtr, ndtri_exp

from kit.numerics.typing import Floats

_LOG_ROOT_2_PI = 0.9189385332046727


@dataclass(frozen=True)
class Family:
    r"""A family of lives with survival :math:`S(t) = e^{-H(z)}`, :math:`z = \mathrm{shape}\,\log(t/\mathrm{scale})`.

    Parameters
    ----------
    name : str
        Name of the family.
    cumulative : callable
        Cumulative hazard H of z, and its first and second derivative.
    log_rate : callable
        Log of the first derivative of H, and its first and second derivative.
    position : callable
        z at which the cumulative hazard has a value.
    mean : callable
        Mean and standard deviation of the age from scale and shape.
    weibull_ratio : float
        Shape over that of the Weibull whose log age spreads alike: where to begin a fit.
    scale_words : str
        What the scale is.
    """

    name: str
    cumulative: Callable[[Floats], tuple[Floats, Floats, Floats]]
    log_rate: Callable[[Floats], tuple[Floats, Floats, Floats]]
    position: Callable[[Floats], Floats]
    mean: Callable[[float, float], tuple[float, float]]
    weibull_ratio: float
    scale_words: str


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
    _weibull,
    lambda z: (z, np.ones_like(z), np.zeros_like(z)),
    np.log,
    _weibull_mean,
    1.0,
    "age by which 63.2 % of panels have damage",
)
LOGNORMAL = Family(
    "lognormal",
    _lognormal,
    _lognormal_rate,
    lambda h: -ndtri_exp(-np.asarray(h, np.float64)),
    _lognormal_mean,
    np.sqrt(6) / np.pi,
    "age by which half of the panels have damage",
)
LOGLOGISTIC = Family(
    "loglogistic",
    _loglogistic,
    _loglogistic_rate,
    lambda h: np.log(np.expm1(h)),
    _loglogistic_mean,
    np.sqrt(2),
    "age by which half of the panels have damage",
)

FAMILIES: dict[str, Family] = {family.name: family for family in (WEIBULL, LOGNORMAL, LOGLOGISTIC)}
"""The families, by name."""
