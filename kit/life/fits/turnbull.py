"""What share has damage by each age, without any model: the estimate of Turnbull for lives that entered late."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.life.fits.missed_masses import fit_masses
from kit.life.likelihood.imperfect import DetectionInput, as_detection, detection_terms, finds_all
from kit.life.likelihood.likelihood import SumTerms, log1mexp
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows
from kit.numerics.confidence import check_level
from kit.numerics.non_negative import least_on_non_negative
from kit.numerics.typing import Floats

_SLACK = 1e-9  # largest gain in log-likelihood that may be left, by its bound
_MOST_ROUNDS = 500
_BEFORE, _AFTER = 0, 1  # a cut just before an age, or just after it


@dataclass(frozen=True, eq=False, kw_only=True)
class TurnbullFit:
    """Share of lives with damage by age, without a model.

    Parameters
    ----------
    lower, upper : ndarray of float, shape (n,)
        Ages between which each mass lies, somewhere; equal where an onset is known exactly; an
        infinite `upper` holds what is never seen [clock units].
    mass : ndarray of float, shape (n,)
        Share of the lives that have their onset there, of those without damage at `given` [-].
    hazard : ndarray of float, shape (n,)
        Increase of the cumulative hazard across each; infinite where nobody goes on beyond [-].
    log_likelihood : float
        Log-likelihood at the maximum [-].
    given : float
        Youngest age at which any life came under watch; nothing is known before [clock units].
    n_lives, n_finds : float
        Lives, and lives with a find [-].
    clock : str
        Clock of the ages.
    detection : object
        Detection that was assumed: a number or a model.
    cluster : ndarray of int, shape (n_rows,)
        Number of each row's cluster, for the band.
    count : ndarray of float, shape (n_rows,)
        Lives that each row stands for.
    refit : callable
        Fits the same rows with other counts, one of them with a find at least.
    """

    lower: Floats
    upper: Floats
    mass: Floats
    hazard: Floats
    log_likelihood: float
    given: float
    n_lives: float
    n_finds: float
    clock: str
    detection: object
    cluster: NDArray[np.int64] = field(repr=False)
    count: Floats = field(repr=False)
    refit: Callable[[Floats], TurnbullFit | None] = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the evidence and the maximum."""
        return (
            f"TurnbullFit({int((self.mass > 0).sum())} masses, finds={self.n_finds:g} of {self.n_lives:g} lives, "
            f"log_likelihood={self.log_likelihood:.6f})"
        )

    @property
    def runs_out_at(self) -> float:
        """Age from which nobody is left under watch, so that the share jumps to 1; infinite if never."""
        endless = np.flatnonzero(np.isinf(self.hazard) & np.isfinite(self.upper))
        return float(self.upper[endless[0]]) if endless.size else np.inf

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = []
        if self.given > 0:
            notes.append(
                f"nobody was under watch before {self.given:g}: shares are of the lives without damage then"
            )
        if np.isfinite(self.runs_out_at) and (self.lower >= self.runs_out_at).any():
            notes.append(
                f"at {self.runs_out_at:g} all lives then under watch had damage, so the share is 1 from there on though "
                "others came under watch later; read the share given a later age"
            )
        if not finds_all(self.detection):
            notes.append("looks may miss: the estimate stands and falls with the chance of detection given")
        return tuple(notes)

    def to_frame(self) -> pd.DataFrame:
        """Return the masses as a table.

        Returns
        -------
        DataFrame
            Columns lower, upper [clock units], mass [-].
        """
        return pd.DataFrame({"lower": self.lower, "upper": self.upper, "mass": self.mass})

    def survival_range(self, age: ArrayLike, *, given: float | None = None) -> tuple[Floats, Floats]:
        """Share still without damage: the least and the most that the masses allow.

        Where inside its interval a mass lies is not known, so the share there is a range.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        given : float, optional
            Age at which they are known to be without damage, no mass around it [clock units].
            Default: from the start.

        Returns
        -------
        least, most : ndarray of float
            1 before `given` [-].
        """
        at = np.asarray(age, np.float64)
        start = -np.inf if given is None else float(given)
        h = np.where(self.lower >= start, self.hazard, 0.0)
        total = np.r_[0.0, np.cumsum(h)]
        ended = np.searchsorted(self.upper, at, side="right")
        begun = np.searchsorted(self.lower, at, side="left")
        # An exact onset counts from its own age on.
        points = self.lower[self.lower == self.upper]
        exact = np.searchsorted(points, at, side="right") - np.searchsorted(points, at, side="left")
        return np.exp(-total[np.maximum(begun + exact, ended)]), np.exp(-total[ended])

    def survival(self, age: ArrayLike, *, given: float | None = None) -> Floats:
        """Share still without damage: the least that the masses allow, which is the careful end of `survival_range`.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        given : float, optional
            Age at which they are known to be without damage, as in `survival_range` [clock units].

        Returns
        -------
        ndarray of float
            1 before `given` [-].
        """
        return self.survival_range(age, given=given)[0]

    def quantile(self, share: ArrayLike) -> Floats:
        """Youngest age by which a share of the lives may have damage, which is the careful end.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].

        Returns
        -------
        ndarray of float
            The youngest age at which `survival` is down to the rest; infinite where it never was seen to be
            [clock units].

        Raises
        ------
        ValueError
            If a share is not above 0 and below 1.
        """
        p = np.asarray(share, np.float64)
        if not ((p > 0) & (p < 1)).all():
            raise ValueError(f"`share` must be above 0 and below 1. Got {p.min():g} to {p.max():g}.")
        seen = np.isfinite(self.upper) & (self.mass > 0)
        gone = np.r_[np.cumsum(self.mass[seen]), np.inf]
        # What lies somewhere in an interval may all lie at its beginning.
        return np.r_[self.lower[seen], np.inf][np.searchsorted(gone, p - 1e-12)]

    def band(self, age: ArrayLike, *, level: float = 0.95, n: int = 400, seed: int) -> tuple[Floats, Floats]:
        """Bound the share still without damage at each age, by drawing clusters anew.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        level : float
            Confidence at each age [-].
        n : int
            Number of draws.
        seed : int
            Seed of the random numbers.

        Returns
        -------
        lower, upper : ndarray of float
            Quantiles over the draws of the least and of the most share [-].

        Raises
        ------
        ValueError
            If `level` is not in (0, 1), or there are fewer than 2 clusters.

        Notes
        -----
        Whole clusters (aircraft; lives where none were given) are drawn with replacement, so that lives
        of one aircraft may share their luck. Where a draw has no finds left, all its lives survive.
        """
        check_level(level)
        code = self.cluster
        groups = int(code.max()) + 1 if code.size else 0
        if groups < 2:
            raise ValueError(f"A band needs at least 2 clusters to draw from. Got {groups}.")
        rng = np.random.default_rng(seed)
        at = np.asarray(age, np.float64)
        least, most = np.ones((n, *at.shape)), np.ones((n, *at.shape))
        for draw in range(n):
            again = self.refit(
                self.count * np.bincount(rng.integers(groups, size=groups), minlength=groups)[code]
            )
            if again is not None:
                least[draw], most[draw] = again.survival_range(at)
        tail = (1 - level) / 2
        return np.quantile(least, tail, axis=0), np.quantile(most, 1 - tail, axis=0)


def fit_turnbull(
    histories: Histories | pd.DataFrame | None = None,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | None = None,
    detection: DetectionInput = 1.0,
) -> TurnbullFit:
    r"""Estimate the share with damage by age without a model: Turnbull, interval-censored and left-truncated.

    Give either `histories`, or the ages `lower` and `upper`.

    Parameters
    ----------
    histories : Histories, optional
        What the looks say of each life.
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.
    cluster : sequence, shape (n,), optional
        Name of each row's cluster, for the band.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there: a number, one by method, or a model of it. Below 1 it needs
        `histories`.

    Returns
    -------
    TurnbullFit
        At most 1e-9 below the maximum of the log-likelihood; for looks that miss and lives that entered late, a
        point from which no small move of mass gains more.

    Raises
    ------
    ValueError
        If there are no rows or no finds, rows are impossible, or the arguments do not go together.

    Notes
    -----
    Written in the increases :math:`\theta_j \ge 0` of the cumulative hazard across the intervals that
    can hold mass, a row with entry v and onset in (l, u] adds
    :math:`-\sum_{(v,l]}\theta_j + \log(1 - e^{-\sum_{(l,u]}\theta_j})`, which is concave also with late
    entry. The first sum separates over ages. Newton steps on the intervals that hold mass or could
    gain by some, with :math:`\theta \ge 0` kept by non-negative least squares, end where
    :math:`\sum_j |\partial_j|\,\theta_j` and the largest gain along any interval bound what is left.

    An interval (a, b] can hold mass only if somebody was clean at a and, at b, a find ends or somebody
    comes under watch (Turnbull [1]_, with the correction of Frydman [2]_ for left truncation).

    Where looks may miss, a life says of an onset in each gap between its looks with which chance they would have
    shown what they did: the misses after it and the find. Its likelihood is the mean of these chances over the
    masses, so that masses may lie between any two looks of the fleet, before the last look that was clean as
    well. Without left truncation the log of it is concave in the masses, and its maximum is sought as above; a life
    that entered late is divided by the chance that looks until then found nothing. A model by size or delay is
    averaged over each gap, as in `fit_weibull`.

    References
    ----------
    .. [1] B. W. Turnbull, "The empirical distribution function with arbitrarily grouped, censored and
       truncated data", *J. R. Statist. Soc. B*, vol. 38, 1976, pp. 290-295.
    .. [2] H. Frydman, "A note on nonparametric estimation of the distribution function from
       interval-censored and truncated observations", *J. R. Statist. Soc. B*, vol. 56, 1994,
       pp. 71-74 (from memory).

    Examples
    --------
    >>> fit = fit_turnbull(lower=[0, 1000, 1000, 2000], upper=[1000, 2000, np.inf, np.inf], count=[2, 9, 30, 20])
    >>> fit.to_frame().round(4).to_dict("list")
    {'lower': [0.0, 1000.0, 2000.0], 'upper': [1000.0, 2000.0, inf], 'mass': [0.0328, 0.3002, 0.667]}
    """
    rows = life_rows(histories, lower=lower, upper=upper, entry=entry, count=count, cluster=cluster)
    start, low, up, number = rows.entry, rows.lower, rows.upper, rows.count
    if not np.isfinite(up).any():
        raise ValueError(
            f"No estimate: none of the {low.size} rows has a find. What can be had: a lower bound of the scale under "
            "an assumed shape (`weibayes_bound`)."
        )
    code = np.arange(low.size) if rows.cluster is None else pd.factorize(rows.cluster)[0]
    whole: dict[str, object] = {"clock": rows.clock, "detection": detection}
    if finds_all(detection):

        def refit(weight: Floats) -> TurnbullFit | None:
            keep = weight > 0
            if not np.isfinite(up[keep]).any():
                return None
            found = _fit(start[keep], low[keep], up[keep], weight[keep])
            return TurnbullFit(**found, **whole, cluster=code[keep], count=weight[keep], refit=refit)

    else:
        looks = rows.looks(detection)
        terms = detection_terms(looks, as_detection(detection))
        ages = np.unique(np.r_[0.0, looks.look_age, looks.entry])

        def refit(weight: Floats) -> TurnbullFit | None:
            if not np.isfinite(up[weight > 0]).any():
                return None
            found = _with_misses(terms, ages, up, weight)
            return TurnbullFit(**found, **whole, cluster=code, count=weight, refit=refit)

    return refit(number)


def _with_misses(terms: SumTerms, ages: Floats, upper: Floats, count: Floats) -> dict[str, object]:
    """Fit lives whose looks may have missed what was there."""
    lower, high, mass, value = fit_masses(terms, ages, upper, count)
    with np.errstate(divide="ignore"):
        hazard = -np.log1p(-np.minimum(mass / np.cumsum(mass[::-1])[::-1], 1.0))
    if np.isinf(high[-1]):
        hazard[-1] = np.inf
    return {
        "lower": lower,
        "upper": high,
        "mass": mass,
        "hazard": hazard,
        "log_likelihood": value,
        "given": 0.0,
        "n_lives": float(count.sum()),
        "n_finds": float(count[np.isfinite(upper)].sum()),
    }


def _fit(entry: Floats, lower: Floats, upper: Floats, count: Floats) -> dict[str, object]:
    """Fit checked rows, at least one of them with a find."""
    found, exact = np.isfinite(upper), lower == upper
    # A cut is an age and a side of it: the interval (l, u] runs from after l to after u, an exact one from before.
    ages = np.unique(np.concatenate([entry, lower, upper[found]]))
    cut_v = 2 * np.searchsorted(ages, entry) + _AFTER
    cut_l = 2 * np.searchsorted(ages, lower) + np.where(exact, _BEFORE, _AFTER)
    cut_u = 2 * np.searchsorted(ages, upper[found]) + _AFTER
    # An onset known exactly at the entry age cannot lie before the entry.
    cut_l = np.maximum(cut_l, np.where(exact, np.minimum(cut_v, 2 * np.searchsorted(ages, lower)), cut_v))
    cut_v = np.minimum(cut_v, cut_l)
    n_cuts = 2 * ages.size
    is_left, is_right = np.zeros(n_cuts, bool), np.zeros(n_cuts, bool)
    is_left[cut_l] = True
    is_right[cut_u] = True
    is_right[cut_v] = True
    inside = np.bincount(cut_l[found], minlength=n_cuts) - np.bincount(cut_u, minlength=n_cuts)
    used = np.flatnonzero(is_left | is_right)
    left, right = used[:-1], used[1:]
    can = is_left[left] & is_right[right] & (np.cumsum(inside)[left] > 0)
    left, right = left[can], right[can]
    # Ages become numbers of the intervals that end at or before them.
    before = np.searchsorted(right, np.arange(n_cuts), side="right")
    v, b, c = before[cut_v], before[cut_l], before[cut_u]
    m = left.size
    linear = np.bincount(v, weights=count, minlength=m + 1) - np.bincount(b, weights=count, minlength=m + 1)
    risk = -(np.cumsum(linear[::-1])[::-1][1:])  # lives that were clean across each interval
    weight = count[found]
    pair, where = np.unique(b[found] * (m + 1) + c, return_inverse=True)
    pair_weight = np.bincount(where, weights=weight)
    low, high = pair // (m + 1), pair % (m + 1)
    # Where nobody goes on beyond an interval its hazard is endless, and finds that contain it are certain.
    endless = risk <= 0.5 * float(count.min())
    n_endless = np.r_[0, np.cumsum(endless)]
    open_pair = n_endless[low] == n_endless[high]
    theta, value = _likeliest_hazards(low[open_pair], high[open_pair], pair_weight[open_pair], risk, endless)
    theta = np.where(endless, np.inf, theta)
    total = np.r_[0.0, np.cumsum(theta)]
    with np.errstate(invalid="ignore"):
        gone = -np.expm1(-theta)
    mass = np.exp(-total[:-1]) * gone
    ends_low, ends_high = ages[left // 2], ages[right // 2]
    if total[-1] < np.inf:
        ends_low, ends_high = (
            np.r_[ends_low, lower[~found].max(initial=ends_high[-1])],
            np.r_[ends_high, np.inf],
        )
        mass, theta = np.r_[mass, np.exp(-total[-1])], np.r_[theta, np.inf]
    return {
        "lower": ends_low,
        "upper": ends_high,
        "mass": mass,
        "hazard": theta,
        "log_likelihood": value,
        "given": float(entry.min()),
        "n_lives": float(count.sum()),
        "n_finds": float(weight.sum()),
    }


def _likeliest_hazards(
    low: NDArray[np.int64], high: NDArray[np.int64], weight: Floats, risk: Floats, endless: NDArray[np.bool_]
) -> tuple[Floats, float]:
    """Highest log-likelihood over the hazards of the intervals, and where it is."""
    m = risk.size
    risk = np.where(endless, 0.0, risk)
    theta = np.zeros(m)
    if not low.size:
        return theta, 0.0

    def value(x: Floats) -> float:
        total = np.r_[0.0, np.cumsum(x)]
        gap = total[high] - total[low]
        return float(weight @ log1mexp(gap) - risk @ x) if (gap > 0).all() else -np.inf

    def slopes(x: Floats) -> tuple[Floats, Floats]:
        """Gradient, and the curvature of each find."""
        total = np.r_[0.0, np.cumsum(x)]
        gap = total[high] - total[low]
        odds = 1.0 / np.expm1(gap)
        step = np.bincount(low, weight * odds, m + 1) - np.bincount(high, weight * odds, m + 1)
        return np.cumsum(step)[:m] - risk, weight * odds * (1 + odds)

    # Begin with the finds spread evenly over their intervals.
    share = weight / (high - low)
    spread = np.cumsum(np.bincount(low, share, m + 1) - np.bincount(high, share, m + 1))[:m]
    theta = np.where(endless, 0.0, np.maximum(spread, 0.0) / np.maximum(risk + spread, 1e-300))
    at = value(theta)
    n_lives = float(weight.sum() + risk.max(initial=0.0))
    for _ in range(_MOST_ROUNDS):
        gradient, curve = slopes(theta)
        gradient[endless] = 0.0
        # Concave: what is left is at most the gain along the gradient of any point, here scaled to one life.
        left = float(np.abs(gradient * theta).sum() + max(gradient.max(), 0.0) / n_lives)
        if left < _SLACK:
            break
        free = (theta > 0) | (gradient > 0)
        free &= ~endless
        where = np.flatnonzero(free)
        move = _newton(low, high, curve, gradient, theta, where)
        step = 1.0
        for _half in range(60):
            trial = theta.copy()
            trial[where] = np.maximum(theta[where] + step * move, 0.0)
            new = value(trial)
            if new >= at + 1e-4 * step * float(gradient[where] @ move) or (new >= at and step < 1e-6):
                break
            step /= 2
        else:
            break
        gain = new - at
        theta, at = trial, new
        if gain < 1e-14 * (1 + abs(at)) and step == 1.0:
            break
    return theta, at


def _newton(
    low: NDArray[np.int64],
    high: NDArray[np.int64],
    curve: Floats,
    gradient: Floats,
    theta: Floats,
    where: NDArray[np.int64],
) -> Floats:
    """Step to the best point of the quadratic model with no hazard below 0."""
    position = np.searchsorted(where, np.arange(theta.size + 1))
    start, stop = position[low], position[high]
    k = where.size
    corner = np.zeros((k + 1, k + 1))
    np.add.at(corner, (start, start), curve)
    np.add.at(corner, (start, stop), -curve)
    np.add.at(corner, (stop, start), -curve)
    np.add.at(corner, (stop, stop), curve)
    matrix = corner.cumsum(axis=0).cumsum(axis=1)[:k, :k]
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    matrix = matrix / np.outer(scale, scale)
    matrix[np.diag_indices(k)] += 1e-10
    target = gradient[where] / scale + matrix @ (theta[where] * scale)
    best = least_on_non_negative(matrix, target, theta[where] > 0)
    return best / scale - theta[where]
