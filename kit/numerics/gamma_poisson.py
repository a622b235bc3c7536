"""Counts whose means differ by a gamma factor: marginal likelihood, its maximum, and what it leaves of each factor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln

from kit.numerics.typing import Floats

_ENDLESS = 12.0  # log of a shape that cannot be told from no difference at all


def check_counts(found: ArrayLike, expected: ArrayLike) -> tuple[Floats, Floats]:
    """Return counts and expected counts as arrays.

    Parameters
    ----------
    found, expected : array_like of float, shape (n,)
        Counts, and the counts to be expected with a factor of 1 [-].

    Returns
    -------
    found, expected : ndarray, shape (n,)
        The same.

    Raises
    ------
    ValueError
        If they differ in length, a count is negative, or an expected count is not above 0 where something
        was counted.
    """
    x, e = np.atleast_1d(np.asarray(found, np.float64)), np.atleast_1d(np.asarray(expected, np.float64))
    if x.shape != e.shape or x.ndim != 1:
        raise ValueError(f"`found` and `expected` must be of one length. Got shapes {x.shape} and {e.shape}.")
    bad = np.flatnonzero(~(np.isfinite(x) & np.isfinite(e) & (x >= 0) & (e >= 0) & ~((e == 0) & (x > 0))))
    if bad.size:
        first = bad[0]
        raise ValueError(
            "`found` must be at least 0 and `expected` above 0 wherever something was found: "
            f"{bad.size} of {x.size} rows are not, first row {first} (found={x[first]:g}, "
            f"expected={e[first]:g}). Leave out rows without exposure, or correct the counts."
        )
    return x, e


def log_marginal(found: Floats, expected: Floats, *, shape: Floats, rate: Floats) -> Floats:
    r"""Log chance of counts whose means are a gamma factor times what is expected.

    Parameters
    ----------
    found, expected : ndarray, broadcastable
        Counts, and the counts to be expected with a factor of 1 [-].
    shape, rate : ndarray, broadcastable
        Of the gamma distribution of the factor; its mean is shape over rate [-].

    Returns
    -------
    ndarray
        Log chances, without the factorials of the counts [-].

    Notes
    -----
    The negative binomial :math:`\Gamma(a+x)/\Gamma(a)\,(b/(b+e))^a\,(e/(b+e))^x`.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        power = np.where(found > 0, found * np.log(expected / (rate + expected)), 0.0)
    return gammaln(shape + found) - gammaln(shape) + shape * np.log(rate / (rate + expected)) + power


@dataclass(frozen=True, eq=False)
class GammaPoissonFit:
    """A gamma distribution of factors, fitted to counts.

    Parameters
    ----------
    shape, rate : float
        Of the gamma distribution; shape is infinite where counts differ no more than chance [-].
    found, expected : ndarray, shape (n,)
        What it was fitted to [-].
    log_likelihood : float
        At the maximum, without the factorials of the counts.
    """

    shape: float
    rate: float
    found: Floats
    expected: Floats
    log_likelihood: float

    @property
    def mean(self) -> float:
        """Mean factor [-]."""
        return self.shape / self.rate if np.isfinite(self.shape) else self.found.sum() / self.expected.sum()

    @property
    def variance(self) -> float:
        """Variance of the factor between units; 0 where counts differ no more than chance [-]."""
        return self.mean**2 / self.shape

    @property
    def posterior_mean(self) -> Floats:
        """Factor of each unit, drawn towards the mean the more the less was expected there [-]."""
        if not np.isfinite(self.shape):
            return np.full(self.found.shape, self.mean)
        return (self.shape + self.found) / (self.rate + self.expected)

    def __repr__(self) -> str:
        """Return one line."""
        return f"GammaPoissonFit(units={self.found.size}, mean={self.mean:.4g}, variance={self.variance:.4g})"


def fit_gamma_poisson(found: ArrayLike, expected: ArrayLike) -> GammaPoissonFit:
    r"""Fit by maximum likelihood how factors differ between units, from counts.

    Parameters
    ----------
    found, expected : array_like of float, shape (n,)
        Counts, and the counts to be expected with a factor of 1 [-].

    Returns
    -------
    GammaPoissonFit
        The maximum of the negative binomial likelihood.

    Raises
    ------
    ValueError
        If fewer than two units expect anything, or nothing was found at all.

    References
    ----------
    .. [1] D. Clayton and J. Kaldor, "Empirical Bayes estimates of age-standardized relative risks for use in
       disease mapping", *Biometrics*, vol. 43, 1987, pp. 671-681.

    Examples
    --------
    >>> fit = fit_gamma_poisson([9, 0, 4, 20, 2], [5.0, 2.0, 4.0, 8.0, 6.0])
    >>> fit
    GammaPoissonFit(units=5, mean=1.21, variance=0.78)
    >>> fit.posterior_mean.round(2)
    array([1.66, 0.53, 1.06, 2.29, 0.51])
    """
    x, e = check_counts(found, expected)
    some = e > 0
    if some.sum() < 2 or x.sum() <= 0:
        raise ValueError(
            f"`found` must hold a find, and `expected` two units with exposure. Got {x.sum():g} finds in {int(some.sum())} "
            "units. With less, how units differ cannot be told."
        )
    mean = x.sum() / e.sum()

    def value(point: Floats) -> float:
        shape = np.exp(point[0])
        return float(log_marginal(x[some], e[some], shape=shape, rate=shape / np.exp(point[1])).sum())

    # The search is for the lowest point of minus the value, from several starts: where units hardly differ
    # the likelihood is flat in the shape.
    from scipy.optimize import minimize  # takes long to load

    bounds = [(-5.0, _ENDLESS), (np.log(mean) - 5.0, np.log(mean) + 5.0)]
    ends = [
        minimize(
            lambda p: -value(p),
            [start, np.log(mean)],
            method="L-BFGS-B",
            bounds=bounds,
            options={"ftol": 1e-15, "gtol": 1e-9},
        )
        for start in (0.0, 2.0, 5.0)
    ]
    best = min(ends, key=lambda end: end.fun)
    alike = float((x[some] * np.log(mean * e[some]) - mean * e[some]).sum())
    if best.x[0] > _ENDLESS - 1 or -best.fun <= alike + 1e-9:
        return GammaPoissonFit(np.inf, np.inf, x, e, alike)
    shape = float(np.exp(best.x[0]))
    return GammaPoissonFit(shape, shape / float(np.exp(best.x[1])), x, e, float(-best.fun))
