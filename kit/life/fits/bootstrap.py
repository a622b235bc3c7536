"""How a fit would have come out with other luck: fits to data drawn again."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.life.likelihood.families import Family
from kit.life.likelihood.profile import hazard_to_come
from kit.life.lives.schedule import LookSchedule
from kit.numerics.confidence import check_level
from kit.numerics.fit import Fit
from kit.numerics.refusals import NoFiniteMaximum, need
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from kit.life.fits.fit import LifeFit

_WAYS = ("clusters", "schedule")
_RESAMPLE = {"cluster": "clusters", "parametric": "schedule"}
_TOGETHER = 64  # draws worked on at once: their temporaries stay in cache
_MOST_REFUSED = 0.1


@dataclass(frozen=True, eq=False)
class BootstrapFits:
    """Fits to data drawn again.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Log scale [log clock units] and log shape of each draw that has a fit.
    n_draws : int
        Draws made.
    n_refused : int
        Draws without a finite maximum.
    way : str
        ``clusters`` or ``schedule``.
    family : Family
        Family of the life.
    """

    points: Floats
    n_draws: int
    n_refused: int
    way: str
    family: Family

    def __repr__(self) -> str:
        """Return one line with the counts."""
        return f"BootstrapFits({self.n_draws} draws by {self.way}, {self.n_refused} without a fit)"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the bounds must know."""
        if not self.n_refused:
            return ()
        return (
            f"{self.n_refused} of {self.n_draws} draws have no finite maximum and are left out of the bounds",
        )

    def bounds(self, name: str, *, level: float = 0.95) -> tuple[float, float]:
        """Two-sided bounds of a parameter: quantiles over the draws.

        Parameters
        ----------
        name : str
            ``scale`` or ``shape``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper bound.
        """
        if name not in ("scale", "shape"):
            raise ValueError(f"`name` must be scale or shape. Got {name!r}.")
        low, high = self._quantiles(self.points[:, 0 if name == "scale" else 1], level)
        return float(np.exp(low)), float(np.exp(high))

    def quantile_bounds(self, share: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
        """Two-sided bounds of the ages by which shares of the panels have damage.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].
        level : float
            Confidence [-].

        Returns
        -------
        lower, upper : ndarray of float
            Bounds [clock units].
        """
        return self.age_bounds(
            self.family.inverse_cumulative_hazard(-np.log1p(-np.asarray(share, np.float64))), level=level
        )

    def age_bounds(self, position: ArrayLike, *, level: float = 0.95) -> tuple[Floats, Floats]:
        """Two-sided bounds of the ages at positions of the family's own scale.

        Parameters
        ----------
        position : array_like of float
            Shape times the log of age over scale [-].
        level : float
            Confidence [-].

        Returns
        -------
        lower, upper : ndarray of float
            Bounds [clock units].
        """
        w = np.asarray(position, np.float64)
        shape = np.exp(self.points[:, 1]).reshape(-1, *[1] * w.ndim)
        low, high = self._quantiles(self.points[:, 0].reshape(shape.shape) + w / shape, level)
        return np.exp(low), np.exp(high)

    def survival_bounds(
        self, age: ArrayLike, *, given: float = 0.0, level: float = 0.95
    ) -> tuple[Floats, Floats]:
        """Two-sided bounds of the share still without damage.

        Parameters
        ----------
        age : array_like of float
            Ages above `given` [clock units].
        given : float
            Age at which the panels are known to be without damage [clock units].
        level : float
            Confidence [-].

        Returns
        -------
        lower, upper : ndarray of float
            Bounds of S(age) / S(given) [-].
        """
        ages = np.asarray(age, np.float64)
        hazard = hazard_to_come(self.family, self.points, np.maximum(ages.ravel(), 1e-300), given)
        low, high = self._quantiles(np.maximum(hazard, 0.0), level)
        return np.exp(-high).reshape(ages.shape), np.exp(-low).reshape(ages.shape)

    def to_frame(self) -> pd.DataFrame:
        """Return the draws as a table.

        Returns
        -------
        DataFrame
            Columns scale [clock units] and shape [-].
        """
        return pd.DataFrame(np.exp(self.points), columns=["scale", "shape"])

    def _quantiles(self, values: Floats, level: float) -> tuple[Floats, Floats]:
        check_level(level)
        tail = (1 - level) / 2
        return np.quantile(values, tail, axis=0), np.quantile(values, 1 - tail, axis=0)


def bootstrap(
    fit: LifeFit, n: int = 1000, *, seed: int, resample: str = "cluster", way: str | None = None
) -> BootstrapFits:
    """Fit a life again to data drawn anew.

    Parameters
    ----------
    fit : LifeFit
        The fit.
    n : int
        Number of draws.
    seed : int
        Seed of the random numbers.
    resample : str
        ``cluster`` draws whole clusters (aircraft; rows where none were given) with replacement.
        ``parametric`` draws onsets from the fit and makes the same looks again; it needs histories, and
        goes on looking at the pace of each life where the find ended its record.
    way : str, optional
        Old name of it, with its old words ``clusters`` and ``schedule``, for one release.

    Returns
    -------
    BootstrapFits
        The draws, and how many of them have no finite maximum.

    Raises
    ------
    ValueError
        If `resample` is unknown, the fit was made without what it needs, there are fewer than 2 clusters,
        or over a tenth of the draws has no finite maximum.

    Notes
    -----
    Clusters keep the dependence of lives that share an aircraft and need no model to be right. The
    schedule's way needs the model, and is the better one where clusters are few; its looks know nothing
    of aircraft.

    References
    ----------
    .. [1] B. Efron and R. J. Tibshirani, *An Introduction to the Bootstrap*. New York: Chapman and Hall,
       1993, ch. 6 and 13.
    """
    need("fit", fit, Fit, "a fitted life", "Make one with `kit.fit_weibull` or `kit.fit_life`.")
    wanted = resample if way is None else way
    way = _RESAMPLE.get(wanted, wanted)
    if way not in _WAYS:
        raise ValueError(f"`resample` must be one of {', '.join(_RESAMPLE)}. Got {wanted!r}.")
    if not n >= 1:
        raise ValueError(f"`n` must be at least 1. Got {n!r}.")
    points = _by_schedule(fit, n, seed) if way == "schedule" else _by_clusters(fit, n, seed)
    good = np.isfinite(points).all(axis=1)
    refused = int((~good).sum())
    if refused > _MOST_REFUSED * n:
        raise ValueError(
            f"No bootstrap bounds: {refused} of {n} draws have no finite maximum, since the data hold {fit.n_finds:g} finds "
            "only. What can be had: profile bounds, or a bound under an assumed shape."
        )
    return BootstrapFits(points[good], n, refused, way, fit.family)


def _by_schedule(fit: LifeFit, n: int, seed: int) -> Floats:
    """Log scale and log shape of fits to the same looks at lives drawn from the fit."""
    if fit.histories is None:
        raise ValueError(
            "`resample` parametric needs the looks of each life. Got a fit to `lower` and `upper`: fit histories."
        )
    schedule, rng = LookSchedule.of(fit.histories), np.random.default_rng(seed)
    points = np.full((n, 2), np.nan)
    for i in range(n):
        drawn = dataclasses.replace(schedule.draw(fit, rng), cluster=None)
        try:
            again = fit.refit(drawn)
        except NoFiniteMaximum:
            continue
        points[i] = np.log([again.scale, again.shape])
    return points


def _by_clusters(fit: LifeFit, n: int, seed: int) -> Floats:
    """Log scale and log shape of fits to clusters drawn with replacement."""
    rows = fit.rows
    groups = int(rows.cluster.max()) + 1
    if groups < 2:
        raise ValueError(f"A bootstrap by clusters needs at least 2 clusters. Got {groups}.")
    rng = np.random.default_rng(seed)
    times = np.stack([np.bincount(rng.integers(groups, size=groups), minlength=groups) for _ in range(n)])
    points = np.full((n, 2), np.nan)
    if fit.looks_find_all:
        for at in range(0, n, _TOGETHER):
            points[at : at + _TOGETHER] = _newton(
                fit, times[at : at + _TOGETHER][:, rows.cluster] * rows.count
            )
    # What did not come to rest together is looked at one by one, with all refusals.
    for i in np.flatnonzero(~np.isfinite(points).all(axis=1)):
        points[i] = _one(fit, times[i])
    return points


def _one(fit: LifeFit, times: NDArray[np.int64]) -> Floats:
    """Fit one draw of clusters as any other data."""
    rows = fit.rows
    weight = times[rows.cluster] * rows.count
    keep = np.flatnonzero(weight > 0)
    try:
        if fit.histories is None:
            again = fit.refit(
                lower=rows.lower[keep], upper=rows.upper[keep], entry=rows.entry[keep], count=weight[keep]
            )
        else:
            again = fit.refit(fit.histories.take(keep, count=weight[keep]))
    except NoFiniteMaximum:
        return np.full(2, np.nan)
    return np.log([again.scale, again.shape])


def _newton(fit: LifeFit, weight: Floats) -> Floats:
    """Newton's method for many draws at once; nan where it does not come to rest within a few rounds."""
    rows, family = fit.rows, fit.family
    found, exact = np.isfinite(rows.upper), rows.lower == rows.upper
    ages, where = np.unique(np.concatenate([rows.entry, rows.lower, rows.upper[found]]), return_inverse=True)
    v, b, c = np.split(where, [rows.entry.size, 2 * rows.entry.size])
    with np.errstate(divide="ignore"):
        log_age = np.log(ages)
    n_ages, draws = ages.size, weight.shape[0]
    code = np.arange(draws)[:, None] * n_ages
    net = np.bincount((code + v).ravel(), weight.ravel(), draws * n_ages) - np.bincount(
        (code + b).ravel(), weight.ravel(), draws * n_ages
    )
    net = net.reshape(draws, n_ages)
    open_ = np.flatnonzero(found & ~exact)
    low, high = b[open_], c[np.cumsum(found)[open_] - 1]
    pair_weight = weight[:, open_]
    exact_rows = np.flatnonzero(found & exact)
    exact_weight, exact_log = weight[:, exact_rows], log_age[b[exact_rows]]
    has = (weight[:, found] > 0).sum(axis=1) > 1
    point = np.tile(np.log([fit.scale, fit.shape]), (draws, 1))
    alive, done = has.copy(), np.zeros(draws, bool)
    free = 1 if fit.shape_assumed else 2
    with np.errstate(all="ignore"):
        for _ in range(12):
            live = np.flatnonzero(alive & ~done)
            if not live.size:
                break
            k = np.exp(point[live, 1:])
            z = (log_age - point[live, :1]) * k
            born = ages > 0
            h, rate, bend = (np.where(born, x, 0.0) for x in family.cumulative_hazard(np.where(born, z, 0.0)))
            z = np.where(born, z, 0.0)
            zr, zb = z * rate, z * bend
            parts = [-k * rate, zr, k * k * bend, -k * (rate + zb), zr + z * zb]
            w = net[live]
            sums = [np.einsum("ij,ij->i", w, part) for part in parts]
            if open_.size:
                d = h[:, high] - h[:, low]
                odds = 1.0 / np.expm1(d)
                pw = pair_weight[live]
                changes = [part[:, high] - part[:, low] for part in parts]
                pod = pw * odds
                curve = -pod * (1.0 + odds)
                sums[0] += np.einsum("ij,ij->i", pod, changes[0])
                sums[1] += np.einsum("ij,ij->i", pod, changes[1])
                sums[2] += np.einsum("ij,ij->i", pod, changes[2]) + np.einsum(
                    "ij,ij,ij->i", curve, changes[0], changes[0]
                )
                sums[3] += np.einsum("ij,ij->i", pod, changes[3]) + np.einsum(
                    "ij,ij,ij->i", curve, changes[0], changes[1]
                )
                sums[4] += np.einsum("ij,ij->i", pod, changes[4]) + np.einsum(
                    "ij,ij,ij->i", curve, changes[1], changes[1]
                )
            if exact_rows.size:
                ze = (exact_log - point[live, :1]) * k
                _, g1, g2 = family.log_hazard(ze)
                ew = exact_weight[live]
                for j, part in enumerate(
                    (-k * g1, 1.0 + ze * g1, k * k * g2, -k * (g1 + ze * g2), ze * g1 + ze * ze * g2)
                ):
                    sums[j] += np.einsum("ij,ij->i", ew, part)
            g0, g1_, a, bb, cc = sums
            if free == 1:
                step = np.stack([-g0 / a, np.zeros_like(g0)], axis=1)
                bowl = a < 0
            else:
                det = a * cc - bb * bb
                step = np.stack([-(cc * g0 - bb * g1_) / det, -(a * g1_ - bb * g0) / det], axis=1)
                bowl = (a < 0) & (det > 0)
            size = np.abs(step).max(axis=1)
            good = bowl & np.isfinite(size) & (size < 1.0)
            alive[live[~good]] = False
            point[live[good]] += step[good]
            done[live[good & (size < 1e-6)]] = True  # quadratic: what is left is of the order of its square
    return np.where(done[:, None], point, np.nan)
