"""How sensitive are looks, where no trial tells: what two or more looks at the same damage agree on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import expit, logit, ndtri, psi, xlogy

from kit.detection.demonstration import pod_bounds
from kit.numerics.confidence import check_level
from kit.numerics.covariance import covariance_within
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import limits_within
from kit.numerics.typing import Floats

_LEAST_MISSED, _MOST_MISSED = 1e-9, 1e6
"""Damages missed by all looks, the most as a multiple of those found: further out there is no bound."""
_MOST_LOGIT = 30.0

ASSUMPTIONS = (
    "the looks are at the same damage: none arose, grew much, or was repaired between them (closed)",
    "what one look found did not guide the other, and nothing makes the same damage easy or hard for both "
    "(independent); size alone breaks this, so take narrow bands of size",
    "damage found twice is recognised as the same, and what was found is damage and no false call",
    "every damage could be found by each look; what no look can find, as on the far side, is not counted",
)
"""What an estimate without a trial rests on."""


@dataclass(frozen=True, eq=False, kw_only=True)
class AgreementLikelihood:
    """Log-likelihood of what looks found, by the damages that all missed and the sensitivity of each look.

    Parameters
    ----------
    found : ndarray, shape (n_looks,)
        Damages that each look found.
    n_found : int
        Damages that any of them found.
    both : int
        Damages that both of two looks found; of no account for more looks.
    dependence : float
        Odds ratio of two looks finding the same damage; 1 for more looks [-].
    """

    found: Floats
    n_found: int
    both: int = 0
    dependence: float = 1.0

    @property
    def limits(self) -> list[tuple[float, float]]:
        """Range of the log of the missed and of the logits of the sensitivities."""
        missed = (np.log(_LEAST_MISSED), np.log(_MOST_MISSED * self.n_found))
        return [missed, *[(-_MOST_LOGIT, _MOST_LOGIT)] * self.found.size]

    def value(self, point: Floats) -> tuple[float, Floats]:
        r"""Return the log-likelihood and its gradient.

        Parameters
        ----------
        point : ndarray, shape (1 + n_looks,)
            Log of the missed, logits of the sensitivities.

        Returns
        -------
        value : float
            Log of the chance of what was found, but for a constant [-].
        gradient : ndarray, shape (1 + n_looks,)
            Its slopes.

        Notes
        -----
        Of N damages, :math:`N!/(N-n)!` times the chance of each cell. Under an odds ratio :math:`\omega` the chance
        :math:`p` that both of two looks find damage solves
        :math:`p\,(1 - p_1 - p_2 + p) = \omega\,(p_1 - p)(p_2 - p)`.
        """
        missed, share, miss = np.exp(point[0]), expit(point[1:]), expit(-point[1:])
        ways = missed + np.arange(1.0, self.n_found + 1)
        if self.dependence == 1:
            number = self.n_found + missed
            value = (xlogy(self.found, share) + xlogy(number - self.found, miss)).sum()
            by_missed, by_logit = np.log(miss).sum(), self.found - number * share
        else:
            value, by_missed, by_logit = self._two(missed, share, miss)
        slope = missed * ((1 / ways).sum() + by_missed)
        return float(np.log(ways).sum() + value), np.r_[slope, by_logit]

    def _two(self, missed: float, share: Floats, miss: Floats) -> tuple[float, float, Floats]:
        """Log of the cells' chances under dependence, with its slopes by the missed and by the logits."""
        odds, total, product = self.dependence, share.sum(), share.prod()
        half = 1 + (odds - 1) * total
        both = 2 * odds * product / (half + np.sqrt(half**2 - 4 * odds * (odds - 1) * product))
        alone = np.maximum(share - both, 1e-300)
        none = max(1 - total + both, 1e-300)
        cells, only = (self.both, missed), self.found - self.both
        value = xlogy(self.both, both) + xlogy(only, alone).sum() + missed * np.log(none)
        turn = none + both + odds * alone.sum()
        by_share = (both + odds * alone[::-1]) / turn  # of the chance of both, by either sensitivity
        slope = cells[0] / both * by_share - cells[1] / none * (1 - by_share)
        slope += only / alone * (1 - by_share) - (only / alone)[::-1] * by_share
        return float(value), float(np.log(none)), slope * share * miss


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class AgreementEstimate(Fit):
    """Number of damages and sensitivity of the looks, from what they agree on.

    Parameters
    ----------
    estimator : str
        Which estimate.
    n_found : int
        Damages found by any look.
    number : float
        Estimated number there were.
    number_bounds : tuple of float
        Its bounds at `level`.
    sensitivity : ndarray, shape (n_looks,)
        Chance that each look finds damage that is there [-].
    sensitivity_bounds : ndarray, shape (n_looks, 2)
        Bounds at `level`; nan where there are none [-].
    level : float
        Two-sided confidence [-].
    dependence : float
        Odds ratio of two looks finding the same damage that was assumed; 1 is independence [-].
    least_number : float
        Lower bound of the number where damages differ in how easily they are found.
    names : tuple of str
        Names of the looks.
    likelihood : AgreementLikelihood
        The log-likelihood as a function.
    assumptions : tuple of str
        What it rests on.
    """

    estimator: str
    n_found: int
    number: float
    number_bounds: tuple[float, float]
    sensitivity: Floats
    sensitivity_bounds: Floats
    level: float
    dependence: float
    least_number: float
    names: tuple[str, ...]
    likelihood: AgreementLikelihood = field(repr=False)
    assumptions: tuple[str, ...] = ASSUMPTIONS

    def __repr__(self) -> str:
        """Return one line."""
        each = ", ".join(f"{name} {s:.3f}" for name, s in zip(self.names, self.sensitivity, strict=True))
        return f"AgreementEstimate({self.estimator}: {self.n_found} found of {self.number:.4g}; sensitivity {each})"

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Damages missed by all looks, and the sensitivity of each look by its name."""
        return (
            Parameter(name="missed", value=self.number - self.n_found, unit="damages"),
            *(
                Parameter(name=name, value=float(share), scale="logit")
                for name, share in zip(self.names, self.sensitivity, strict=True)
            ),
        )

    @property
    def covariance(self) -> pd.DataFrame:
        """Covariance of the log of the missed and the logits, by the curvature where the likelihood is highest."""
        likelihood = self.likelihood
        free = range(1 + len(self.names))
        return covariance_within(
            likelihood.value, _highest(likelihood), free, likelihood.limits, ("missed", *self.names)
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio, what all looks missed and the other sensitivities highest each time.

        Parameters
        ----------
        name : str
            ``missed``, or the name of a look.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Of its log or logit; infinite where the likelihood does not drop so far.
        """
        return _profiled(self.likelihood, ("missed", *self.names).index(name), level)

    def to_frame(self, *, level: float | None = None, method: str = "profile") -> pd.DataFrame:
        """Return one row a look.

        Parameters
        ----------
        level : float, optional
            Confidence of the bounds by `method`. Default: the bounds of the estimate itself.
        method : str
            Of bounds at another level, as in `bounds`.

        Returns
        -------
        DataFrame
            Columns look, sensitivity, lower, upper, number, number_lower, number_upper, found, dependence,
            estimator.
        """
        share, number = self.sensitivity_bounds, np.asarray(self.number_bounds)
        if level is not None:
            share = np.array([self.bounds(name, level=level, method=method) for name in self.names])
            number = self.n_found + np.array(self.bounds("missed", level=level, method=method))
        return pd.DataFrame(
            {
                "look": self.names,
                "sensitivity": self.sensitivity,
                "lower": share[:, 0],
                "upper": share[:, 1],
                "number": self.number,
                "number_lower": number[0],
                "number_upper": number[1],
                "found": self.n_found,
                "dependence": self.dependence,
                "estimator": self.estimator,
            }
        )


def two_looks(
    both: int,
    only_first: int,
    only_second: int,
    *,
    estimator: str = "chapman",
    dependence: float = 1.0,
    level: float = 0.95,
    names: tuple[str, str] = ("first", "second"),
) -> AgreementEstimate:
    r"""Estimate the sensitivity of two looks from the damage that both and only one of them found.

    Parameters
    ----------
    both, only_first, only_second : int
        Damages found by both, and by one of them only.
    estimator : str
        ``chapman``, nearly unbiased, or ``lincoln_petersen``, which needs damage found by both.
    dependence : float
        Odds ratio of the looks: how many times likelier, in odds, the second is to find what the first
        found. 1: independent; above 1, as where both find the large and miss the small, more is missed by
        both than the formula for 1 says [-].
    level : float
        Two-sided confidence [-].
    names : tuple of str
        Names of the looks, such as methods.

    Returns
    -------
    AgreementEstimate
        The number of damages and the sensitivity of each look.

    Raises
    ------
    ValueError
        If a count is not a whole number, `both` is 0 where it must not be, or an argument is out of range.

    See Also
    --------
    several_looks : For three or more looks.
    dependence_table : How far the sensitivity falls with dependence.

    Notes
    -----
    With :math:`n_{11}` found by both and :math:`n_{10}, n_{01}` by one, those missed by both are
    :math:`\omega\,n_{10} n_{01} / n_{11}` (Lincoln and Petersen) or :math:`\omega\,n_{10} n_{01} / (n_{11} + 1)`
    (Chapman), :math:`\omega` the odds ratio. Bounds of the number: log-normal in the missed [3]_. With
    independence the sensitivity of one look is its share of what the other found, a binomial, with exact
    bounds; with dependence its bounds are by likelihood ratio.

    References
    ----------
    .. [1] D. G. Chapman, "Some properties of the hypergeometric distribution with applications to zoological
       sample censuses," *University of California Publications in Statistics* 1, 1951, 131-160.
    .. [2] G. A. F. Seber, *The Estimation of Animal Abundance*, 2nd ed. London: Griffin, 1982, ch. 3.
    .. [3] A. Chao, "Estimating population size for sparse data in capture-recapture experiments,"
       *Biometrics* 45, 1989, 427-438.

    Examples
    --------
    >>> two_looks(30, 20, 10)
    AgreementEstimate(chapman: 60 found of 66.45; sensitivity first 0.752, second 0.602)
    """
    if estimator not in ("chapman", "lincoln_petersen"):
        raise ValueError(f"`estimator` must be one of chapman, lincoln_petersen. Got {estimator!r}.")
    _check(level, dependence)
    counts = {"both": both, "only_first": only_first, "only_second": only_second}
    for name, value in counts.items():
        if value != int(value) or value < 0:
            raise ValueError(f"`{name}` must be a whole number of at least 0. Got {value!r}.")
    if both + only_first + only_second == 0:
        raise ValueError("`both`, `only_first` and `only_second` must not all be 0: nothing was found.")
    if both == 0 and estimator == "lincoln_petersen":
        raise ValueError(
            "`both` must be at least 1 for lincoln_petersen: with nothing found twice the number is unbounded. Got 0. "
            "Use chapman, and read its result as a lower bound."
        )
    n = both + only_first + only_second
    over = both + (1 if estimator == "chapman" else 0)
    missed = dependence * only_first * only_second / over
    number = n + missed
    first, second = both + only_first, both + only_second
    # Variance of the number; both estimators have it in closed form [2].
    if estimator == "chapman":
        variance = (first + 1) * (second + 1) * only_first * only_second / ((both + 1) ** 2 * (both + 2))
    else:
        variance = first * second * only_first * only_second / both**3
    bounds = _log_normal(n, missed, dependence * np.sqrt(variance), level)
    found = np.array([first, second], np.float64)
    likelihood = AgreementLikelihood(
        found=found, n_found=int(n), both=int(both), dependence=float(dependence)
    )
    if dependence == 1 and first and second:
        share = np.array([pod_bounds(both, of, level) for of in (second, first)], np.float64)
    else:
        share = np.array([expit(_profiled(likelihood, at, level)) for at in (1, 2)])
    return AgreementEstimate(
        estimator=estimator,
        n_found=int(n),
        number=float(number),
        number_bounds=bounds,
        sensitivity=found / number,
        sensitivity_bounds=share,
        level=level,
        dependence=float(dependence),
        least_number=number,
        names=tuple(names),
        likelihood=likelihood,
    )


def _highest(likelihood: AgreementLikelihood) -> Floats:
    """Log of the missed and logits where the likelihood is highest within its range."""
    share = likelihood.found / (likelihood.n_found + 1)
    begin = np.r_[np.log(likelihood.n_found * np.prod(1 - share)), logit(np.clip(share, 1e-6, None))]
    limits = np.array(likelihood.limits)
    return maximise(Followed(likelihood.value, limits), begin, limits=limits).point


def _profiled(likelihood: AgreementLikelihood, at: int, level: float) -> tuple[float, float]:
    """Bounds of the log of the missed or of a logit by likelihood ratio; infinite at the ends of the range."""
    limits = likelihood.limits
    low, high = limits_within(
        likelihood.value, _highest(likelihood), limits, at, error=0.5, level=level, tolerance=1e-9
    )
    least, most = limits[at]
    return (-np.inf if low <= least else low), (np.inf if high >= most else high)


def _check(level: float, dependence: float) -> None:
    check_level(level)
    if not (dependence > 0 and np.isfinite(dependence)):
        raise ValueError(f"`dependence` must be positive and finite. Got {dependence!r}.")


def _log_normal(n: float, missed: float, error: float, level: float) -> tuple[float, float]:
    """Bounds of the number by a log-normal number of missed."""
    if missed == 0 or error == 0:
        return float(n + missed), float(n + missed)
    factor = np.exp(float(ndtri((1 + level) / 2)) * np.sqrt(np.log1p((error / missed) ** 2)))
    return float(n + missed / factor), float(n + missed * factor)


def dependence_table(
    both: int, only_first: int, only_second: int, *, dependence: ArrayLike = (1.0, 1.5, 2.0, 3.0, 5.0)
) -> pd.DataFrame:
    """Return the sensitivity of two looks under a range of dependence, which the counts cannot tell.

    Parameters
    ----------
    both, only_first, only_second : int
        As `two_looks` takes them.
    dependence : array_like of float
        Odds ratios [-].

    Returns
    -------
    DataFrame
        Columns dependence, number, missed, first, second; the sensitivities at dependence 1 are upper bounds
        where the looks are positively dependent.
    """
    rows = []
    for odds in np.atleast_1d(np.asarray(dependence, np.float64)):
        result = two_looks(both, only_first, only_second, dependence=float(odds))
        rows.append(
            {
                "dependence": float(odds),
                "number": result.number,
                "missed": result.number - result.n_found,
                "first": float(result.sensitivity[0]),
                "second": float(result.sensitivity[1]),
            }
        )
    return pd.DataFrame(rows)


def several_looks(
    found: ArrayLike, *, level: float = 0.95, names: tuple[str, ...] | None = None
) -> AgreementEstimate:
    r"""Estimate the sensitivity of several looks at the same damage.

    Parameters
    ----------
    found : array_like of bool, shape (n_damages, n_looks)
        Which look found which damage; each damage found by at least one.
    level : float
        Two-sided confidence [-].
    names : tuple of str, optional
        Names of the looks.

    Returns
    -------
    AgreementEstimate
        By maximum likelihood with one sensitivity for each look; `least_number` is a lower bound that
        allows damages to differ.

    Raises
    ------
    ValueError
        If a row was found by none, there are fewer than two looks, or nothing was found twice.

    Notes
    -----
    The number N solves :math:`1 - n/N = \prod_j (1 - n_j/N)` [1]_, but for a half a damage; its bounds, and those of
    the sensitivities, are by likelihood ratio, all else highest each time. Where some damage is easier for all looks, N is too low and the sensitivities too high:
    :math:`n + \frac{k-1}{k} f_1^2 / (2 f_2)`, from those found once and twice, is then nearer and still a lower
    bound [2]_; where it is above the estimate, the looks are not independent.

    References
    ----------
    .. [1] J. N. Darroch, "The multiple-recapture census I," *Biometrika* 45, 1958, 343-359.
    .. [2] A. Chao, "Estimating the population size for capture-recapture data with unequal catchability,"
       *Biometrics* 43, 1987, 783-791.
    """
    _check(level, 1.0)
    seen = np.asarray(found)
    if seen.ndim != 2 or seen.shape[1] < 2 or seen.shape[0] == 0:
        raise ValueError(
            f"`found` must have rows of damage and columns of two or more looks. Got shape {seen.shape}."
        )
    if not np.isin(seen, (0, 1)).all():
        raise ValueError("`found` must hold 1 for found and 0 for missed.")
    seen = seen.astype(np.float64)
    n, k = seen.shape
    times = seen.sum(axis=1)
    if (times == 0).any():
        first = np.flatnonzero(times == 0)[0]
        raise ValueError(
            f"`found` must hold damage that some look found. {(times == 0).sum()} rows were found by none, first row {first}."
        )
    if not (times >= 2).any():
        raise ValueError(
            "`found` must hold damage found by two looks, or the number is unbounded. Got none. What can be had: nothing "
            "without a trial or another look."
        )
    each = seen.sum(axis=0)

    def slope(number: float) -> float:
        with np.errstate(divide="ignore"):  # a look that found all: the number is what was found
            return float(psi(number + 1) - psi(number - n + 1) + np.log1p(-each / number).sum())

    high = 2.0 * n
    while slope(high) > 0 and high < 1e9 * n:
        high *= 2
    number = float(n) if slope(float(n)) <= 0 else float(brentq(slope, n, high, xtol=1e-9, rtol=1e-12))
    likelihood = AgreementLikelihood(found=each, n_found=n)
    low, high = np.exp(_profiled(likelihood, 0, level))
    once, twice = float((times == 1).sum()), float((times == 2).sum())
    least = n + (k - 1) / k * (once**2 / (2 * twice) if twice else once * (once - 1) / 2)
    return AgreementEstimate(
        estimator="several looks",
        n_found=n,
        number=number,
        number_bounds=(float(n + low), float(n + high)),
        sensitivity=each / number,
        sensitivity_bounds=np.array([expit(_profiled(likelihood, 1 + j, level)) for j in range(k)]),
        level=level,
        dependence=1.0,
        least_number=float(least),
        names=tuple(names) if names is not None else tuple(f"look {j + 1}" for j in range(k)),
        likelihood=likelihood,
    )
