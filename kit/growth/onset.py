"""How large damage is when it begins, from sizes at first find."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from kit.detection import DetectionCurve, HasCurve, as_detection
from kit.growth.models import Growth
from kit.life import Histories
from kit.numerics.covariance import covariance_within
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import limits_within
from kit.numerics.quadrature import normal_nodes, unit_nodes
from kit.numerics.renamed import renamed
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False, kw_only=True)
class OnsetSizeFit(Fit):
    """Size of damage when it begins, from sizes at first find.

    Parameters
    ----------
    median : float
        Median equivalent diameter at onset [mm].
    log_sd : float
        Standard deviation of its log [-].
    covariance : DataFrame
        Of the logs of both, growth and POD as given; a parameter at the end of its range is not in it.
    log_likelihood : float
        Log-likelihood at the maximum, of the sizes [-].
    n_finds : int
        Sizes at first find that were used.
    found_median : float
        Median size at first find, for comparison [mm].
    likelihood : OnsetSizeLikelihood
        The log-likelihood as a function, of the logs of the sizes.
    """

    old_names: ClassVar[dict[str, str]] = {"median": "onset_median", "log_sd": "onset_log_sd"}

    median: float
    log_sd: float
    covariance: pd.DataFrame
    log_likelihood: float
    n_finds: int
    found_median: float
    likelihood: OnsetSizeLikelihood

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"OnsetSizeFit(median={self.median:.3g} mm, log_sd={self.log_sd:.3g}, finds={self.n_finds}, "
            f"found_median={self.found_median:.3g} mm)"
        )

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Median and log standard deviation of the size at onset."""
        return (
            Parameter(name="onset_median", value=self.median, unit="mm"),
            Parameter(name="onset_log_sd", value=self.log_sd),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio, growth and POD as given, the prior of the spread included.

        Parameters
        ----------
        name : str
            Name of a parameter.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Of its log; the end of its range where the likelihood does not drop so far.
        """
        best = np.log([self.median, self.log_sd])
        return limits_within(
            self.likelihood.value, best, self.likelihood.limits, self.likelihood.names.index(name),
            error=self.standard_error(f"log_{name}"), level=level,
        )  # fmt: skip


@dataclass(frozen=True, eq=False, kw_only=True)
class OnsetSizeLikelihood:
    """Log-likelihood of the size at onset under one growth and one POD, in coordinates without bounds.

    Parameters
    ----------
    log_size : ndarray, shape (n_nodes,)
        Logs of sizes at onset, evenly spaced [log mm].
    seen, chance : ndarray, shape (n_finds, n_nodes)
        For each size at onset: density of the log of the measured size together with its being found then, and
        the chance to be found then [-].
    spread_prior : tuple of float or None
        Weak prior of the log standard deviation: median, and standard deviation of its log [-].
    """

    names: ClassVar[tuple[str, ...]] = ("onset_median", "onset_log_sd")
    log_size: Floats
    seen: Floats
    chance: Floats
    spread_prior: tuple[float, float] | None = None

    @property
    def limits(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Range of each coordinate within which a maximum is sought."""
        return (float(self.log_size[0]), float(self.log_size[-1])), (float(np.log(0.05)), float(np.log(1.5)))

    def _weights(self, points: Floats) -> tuple[Floats, Floats]:
        z = (self.log_size - points[:, :1]) / np.exp(points[:, 1:])
        return z, np.exp(-0.5 * z * z)

    def log_likelihood(self, x: ArrayLike) -> Floats:
        """Log-likelihood of the sizes at first find, given that they were found then.

        Parameters
        ----------
        x : array_like of float, shape (n, 2) or (2,)
            Logs of the median [log mm] and of the log standard deviation.

        Returns
        -------
        ndarray of float, shape (n,)
            Without the prior; minus infinity where a size is impossible [-].
        """
        _, weight = self._weights(np.atleast_2d(np.asarray(x, np.float64)))
        with np.errstate(divide="ignore", invalid="ignore"):
            value = (np.log(weight @ self.seen.T) - np.log(weight @ self.chance.T)).sum(axis=1)
        return np.where(np.isfinite(value), value, -np.inf)

    def log_prior(self, x: ArrayLike) -> Floats:
        """Log of the prior of the spread, without its constant.

        Parameters
        ----------
        x : array_like of float, shape (n, 2) or (2,)
            Logs of the median and of the log standard deviation.

        Returns
        -------
        ndarray of float, shape (n,)
            0 without a prior [-].
        """
        spread = np.atleast_2d(np.asarray(x, np.float64))[:, 1]
        if self.spread_prior is None:
            return np.zeros(spread.size)
        return -0.5 * ((spread - np.log(self.spread_prior[0])) / self.spread_prior[1]) ** 2

    def value(self, x: Floats) -> tuple[float, Floats]:
        """Log-likelihood and prior at one point, with the gradient.

        Parameters
        ----------
        x : ndarray, shape (2,)
            Logs of the median and of the log standard deviation.

        Returns
        -------
        value : float
            Their sum [-].
        gradient : ndarray, shape (2,)
            First derivatives.
        """
        z, weight = self._weights(x[None])
        value = float(self.log_likelihood(x)[0] + self.log_prior(x)[0])
        if not np.isfinite(value):
            return -1e12, np.zeros(2)
        slopes = np.concatenate([weight * z / np.exp(x[1]), weight * z * z])
        gradient = np.zeros(2)
        for part, sign in ((self.seen, 1.0), (self.chance, -1.0)):
            gradient += sign * (slopes @ part.T / (weight @ part.T)).sum(axis=1)
        if self.spread_prior is not None:
            gradient[1] -= (x[1] - np.log(self.spread_prior[0])) / self.spread_prior[1] ** 2
        return value, gradient


_GAPS_BACK = 6  # gaps between looks before a find in which its onset is sought
_CLOSE = 2  # of which so many, with most of the onsets, are worked out at more than one age each
_FEWEST_SIZES = 5


def find_kernels(
    histories: Histories,
    diameter_mm: Floats,
    *,
    curve: DetectionCurve,
    growth: Growth,
    size_log_sd: float,
    shape: float = 1.0,
    n_start: int = 56,
    n_rate: int = 5,
    n_onset: int = 4,
    fewest: int = _FEWEST_SIZES,
) -> tuple[NDArray[np.int64], Floats, Floats, Floats, Floats]:
    """Work out how likely each find, and its size, are for every size at onset.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    diameter_mm : ndarray, shape (n_lives,)
        Equivalent diameter at the first find as measured; nan where none was [mm].
    curve : DetectionCurve
        POD by size of the looks.
    growth : Growth
        Growth after the onset, on the clock of the histories.
    size_log_sd : float
        Standard deviation of the log of the size as measured, over the true size [-].
    shape : float
        Weibull shape of the life to onset; 1 has onset evenly spread over the ages [-].
    n_start, n_rate, n_onset : int
        Sizes at onset on an even grid of logs; Gauss points of the rate and of the age at onset in one of the last gaps.
    fewest : int
        Sizes that there must be.

    Returns
    -------
    rows : ndarray of int, shape (n_finds,)
        Lives whose find is used.
    size : ndarray, shape (n_finds,)
        Its measured size [mm].
    log_start : ndarray, shape (n_start,)
        Logs of the sizes at onset [log mm].
    seen, chance : ndarray, shape (n_finds, n_start)
        Chance of a find there and then with that size (up to a constant), and of a find at all.

    Raises
    ------
    ValueError
        If there are fewer sizes than asked for.
    """
    use = np.isfinite(histories.upper) & np.isfinite(diameter_mm) & (np.diff(histories.look_start) > 0)
    rows = np.flatnonzero(use)
    if rows.size < fewest:
        raise ValueError(
            f"`diameter_mm` must hold at least {fewest} sizes at first find. Got {rows.size}. "
            "State the size at onset in the question instead."
        )
    size = np.asarray(diameter_mm, np.float64)[rows]
    end = histories.look_start[1:][rows] - 1  # the look that found it
    begin = histories.look_start[:-1][rows]
    found_at = histories.look_age[end]
    log_start = np.linspace(np.log(2.0), np.log(max(300.0, 2 * float(size.max(initial=0.0)))), n_start)
    start = np.exp(log_start)
    # Points of the normal distribution keep its variance, which few points even in the chance fall short of by a sixth.
    y, wy = normal_nodes(n_rate)
    growing = 1.0 - growth.no_growth_share
    rate = np.r_[0.0, growth.rate_quantile(ndtr(y))]
    rate_weight = np.r_[growth.no_growth_share, growing * wy]
    kept = rate_weight > 0
    rate, rate_weight = rate[kept], rate_weight[kept]
    seen, chance = np.zeros((rows.size, start.size)), np.zeros((rows.size, start.size))
    still = np.zeros((1, 1))  # damage that does not grow is as large at every look
    for back in range(_GAPS_BACK):
        live = np.flatnonzero(end - back >= begin)
        if not live.size:
            break
        last, found, own = end[live], found_at[live], rows[live]
        high = histories.look_age[last - back]
        low = np.where(
            last - back - 1 >= begin[live],
            histories.look_age[np.maximum(last - back - 1, 0)],
            histories.entry[own],
        )
        low = np.minimum(low, high)
        for node, node_weight in zip(*unit_nodes(n_onset if back < _CLOSE else 1), strict=True):
            onset = low + node * (high - low)
            # Damage of a life that wears out began late rather than early: the hazard goes with age to the shape less 1.
            began = node_weight * (high - low) * (np.maximum(onset, 1e-9 * found) / found) ** (shape - 1.0)
            for g, g_weight in zip(rate, rate_weight, strict=True):
                at_find = growth.grown(start, g, (found - onset)[:, None] if g else still)
                relative = curve.relative(at_find)
                sides = [share * plateau * relative for share, plateau in curve.sides]
                for earlier in range(back, 0, -1):
                    since = (histories.look_age[last - earlier] - onset)[:, None] if g else still
                    miss = curve.relative(growth.grown(start, g, since))
                    sides = [
                        value * (1 - plateau * miss)
                        for value, (_, plateau) in zip(sides, curve.sides, strict=True)
                    ]
                part = g_weight * began[:, None] * sum(sides)
                chance[live] += part
                z = (np.log(size[live])[:, None] - np.log(at_find)) / size_log_sd
                seen[live] += part * np.exp(-0.5 * z * z)
    return rows, size, log_start, seen, chance


@renamed(curve="detection", rates="growth")
def fit_onset_size(
    histories: Histories,
    diameter_mm: Floats,
    *,
    detection: float | DetectionCurve | HasCurve,
    growth: Growth,
    size_log_sd: float,
    shape: float = 1.0,
    spread_prior: tuple[float, float] | None = None,
) -> OnsetSizeFit:
    r"""Fit the size at onset to sizes at first find, allowing for growth and for what looks miss.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    diameter_mm : ndarray of float, shape (n,)
        Equivalent diameter at the first find, nan where there was none or it is not to be used [mm].
    detection : float, DetectionCurve or a fitted POD
        POD by size of the looks.
    growth : Growth
        Growth rates on the clock of the histories; its size at onset is not used.
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    shape : float, optional
        Weibull shape of the life to onset, such as a stated one: damage that wears in began later than evenly spread, so
        that it has grown less by its find. The default has onset evenly spread [-].
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
    its measured size given that it was found then. Onset lies in one of the last six gaps between looks, at an age t
    as likely as the hazard :math:`t^{\beta-1}` says.
    """
    curve = as_detection(detection)
    rows, size, log_start, seen, chance = find_kernels(
        histories, diameter_mm, curve=curve, growth=growth, size_log_sd=size_log_sd, shape=shape
    )
    # Densities of the logs of the sizes, so that likelihoods of one growth can be set against those of another.
    like = OnsetSizeLikelihood(
        log_size=log_start,
        seen=seen / (size_log_sd * np.sqrt(2 * np.pi)),
        chance=chance,
        spread_prior=spread_prior,
    )
    begin_at = np.array([np.log(np.median(size)) - 0.2, np.log(0.4)])
    limits = np.array(like.limits)
    best = maximise(Followed(like.value, limits), begin_at, limits=limits).point
    return OnsetSizeFit(
        median=float(np.exp(best[0])),
        log_sd=float(np.exp(best[1])),
        covariance=covariance_within(like.value, best, range(2), like.limits, like.names),
        log_likelihood=float(like.log_likelihood(best)[0] - np.log(size).sum()),
        n_finds=int(rows.size),
        found_median=float(np.median(size)),
        likelihood=like,
    )
