"""What histories say of a life, given the chance that looks had to see damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.special import logsumexp

from kit.life import Detection, Histories, LookLayout
from kit.numerics.typing import Floats
from kit.posterior.borrow import HAZARDS, BorrowedPrior, even_in_hazard
from kit.posterior.conditional import GridPosterior

_FAR = 8.0  # log-likelihood below the highest at which the grid ends
_POINTS = (33, 15)
_NODES = 2  # of the age at onset within a gap


@dataclass(frozen=True, kw_only=True)
class ShapePrior:
    """Prior of a Weibull shape: log-normal.

    Parameters
    ----------
    median : float
        Median [-].
    log_sd : float
        Standard deviation of its log [-].
    basis : str
        Where the numbers come from.

    Raises
    ------
    ValueError
        If a number is not positive.
    """

    median: float = 2.0
    log_sd: float = 0.5
    basis: str = "weak: nine in ten shapes between 0.9 and 4.6 (assumed, no source)"

    def __post_init__(self) -> None:
        """Check the ranges."""
        for name in ("median", "log_sd"):
            if not 0 < getattr(self, name) < np.inf:
                raise ValueError(f"`{name}` must be positive and finite. Got {getattr(self, name)!r}.")


class LifePosterior:
    r"""Posterior of a Weibull life on a grid, given the chance of detection.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    prior : ShapePrior
        Prior of the shape.

    Notes
    -----
    The coordinates are :math:`\log H(t^*)`, the log of the cumulative hazard at a reference age amid the
    data, and the log of the shape; there the posterior is nearly normal, and with few finds nearly the log
    of a gamma distribution. The prior is even in :math:`H(t^*)` itself while that is small, so that with x
    finds H has a gamma posterior of shape x + 1 whose upper bounds are the exact ones of a Poisson count: with
    no finds at all the clean looks still give a bound. It falls off beyond H = 3, where 95 of 100 panels are
    damaged, so that looks which may all miss do not leave the hazard without an upper end.

    References
    ----------
    .. [1] F. Garwood, "Fiducial limits for the Poisson distribution", *Biometrika*, vol. 28, 1936,
       pp. 437-442.
    """

    def __init__(self, histories: Histories, prior: ShapePrior) -> None:
        self.histories, self.prior = histories, prior
        found = np.isfinite(histories.upper)
        begin = histories.look_start
        some = np.diff(begin) > 0
        last = histories.look_age[begin[1:][some] - 1] if some.any() else np.array([1.0])
        ages = histories.upper[found] if found.sum() >= 5 else last
        self.reference = float(np.median(ages))
        self._layout = LookLayout.of(histories)
        row = self._layout.row
        self._starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
        self._box: tuple[Floats, Floats] | None = None
        self._table: tuple[Floats, Floats] | None = None

    def log_density(
        self,
        detection: Detection,
        log_hazard: Floats,
        log_shape: Floats,
        borrowed: BorrowedPrior | None = None,
    ) -> Floats:
        """Log of the posterior density, up to a constant.

        Parameters
        ----------
        detection : Detection
            Chance of detection by the delay since onset.
        log_hazard, log_shape : ndarray, shape (n,)
            Points.
        borrowed : BorrowedPrior, optional
            What other groups say of the hazard at the reference age. Default: nothing.

        Returns
        -------
        ndarray, shape (n,)
            Log density [-].
        """
        chance = self._layout.chances(detection, nodes=_NODES)
        return self._value(chance, *self._chances_of_onset(log_hazard, log_shape)) + self._log_prior(
            log_hazard, log_shape, borrowed
        )

    def _log_prior(
        self, log_hazard: Floats, log_shape: Floats, borrowed: BorrowedPrior | None = None
    ) -> Floats:
        off = (log_shape - np.log(self.prior.median)) / self.prior.log_sd
        before = even_in_hazard(log_hazard) if borrowed is None else borrowed.log_density(log_hazard)
        return before - 0.5 * off**2

    def _value(self, chance: Floats, gap: Floats, base: Floats) -> Floats:
        terms = np.arange(chance.size)
        sums = csr_array((chance.astype(gap.dtype), terms, np.r_[self._starts, chance.size]))
        shown = np.maximum(sums @ gap, gap.dtype.type(1e-37))
        return self._layout.weight @ np.log(shown, out=shown) - base

    def _chances_of_onset(self, log_hazard: Floats, log_shape: Floats) -> tuple[Floats, Floats]:
        """Chance of onset in each term's interval at each point, over that to reach the row's first age, and the log of that."""
        layout, reference = self._layout, np.log(self.reference)
        shapes, which = np.unique(log_shape, return_inverse=True)
        hazard = np.exp(log_hazard)
        with np.errstate(over="ignore", invalid="ignore"):
            low, high = (
                hazard * np.take(np.exp((log_age - reference)[:, None] * np.exp(shapes)), which, axis=1)
                for log_age in (layout.log_low, layout.log_high)
            )
            base = np.minimum.reduceat(low, self._starts, axis=0)
            # Single precision leaves the log-likelihood exact to 1e-4 or so, and halves the time.
            since = (base[layout.row] - low).astype(np.float32)
            gap = np.exp(since, out=since) * -np.expm1((low - high).astype(np.float32))
        return gap, layout.weight @ base

    def _find_box(self, detection: Detection, borrowed: BorrowedPrior | None) -> None:
        """Settle the grid: where the posterior under one chance of detection is not negligible, with room for others.

        With what other groups say it holds the posterior without that, too, so that both can be compared.
        """
        low, high = self._reach(detection, None)
        if borrowed is not None:
            also = self._reach(detection, borrowed)
            low, high = np.minimum(low, also[0]), np.maximum(high, also[1])
        room = 0.15 * (high - low)
        self._box = (
            np.linspace(low[0] - room[0], high[0] + 2 * room[0], _POINTS[0]),
            np.linspace(low[1] - room[1], high[1] + room[1], _POINTS[1]),
        )

    def _reach(self, detection: Detection, borrowed: BorrowedPrior | None) -> tuple[Floats, Floats]:
        """Return the ends of where a posterior is not negligible."""
        low, high = np.array([-14.0, -2.0]), np.array([4.0, 2.5])
        for _ in range(4):
            x, y = np.linspace(low[0], high[0], 25), np.linspace(low[1], high[1], 25)
            value = self.log_density(detection, np.repeat(x, y.size), np.tile(y, x.size), borrowed).reshape(
                x.size, y.size
            )
            inside = value > value.max() - _FAR
            step = np.array([x[1] - x[0], y[1] - y[0]])
            i, j = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
            new_low = np.maximum(np.array([x[i[0]], y[j[0]]]) - step, low)
            new_high = np.minimum(np.array([x[i[-1]], y[j[-1]]]) + step, high)
            done = (new_high - new_low > 0.75 * (high - low)).all()
            low, high = new_low, new_high
            if done:
                break
        return low, high

    def given(self, detection: Detection, borrowed: BorrowedPrior | None = None) -> GridPosterior:
        """Return the posterior under a chance of detection.

        Parameters
        ----------
        detection : Detection
            Chance of detection by the delay since onset.
        borrowed : BorrowedPrior, optional
            What other groups say of the hazard at the reference age. Default: nothing.

        Returns
        -------
        GridPosterior
            In (log cumulative hazard at the reference age, log shape).
        """
        x, y = self._grid(detection, borrowed)
        value = self._log_likelihood(detection) + self._log_prior(x[:, None], y[None, :], borrowed)
        share = np.exp(value - value.max())
        return GridPosterior(first=x, second=y, share=share / share.sum())

    def _grid(self, detection: Detection, borrowed: BorrowedPrior | None) -> tuple[Floats, Floats]:
        """Return the grid, settled at the first call."""
        if self._box is None:
            self._find_box(detection, borrowed)
            x, y = self._box
            self._table = self._chances_of_onset(np.repeat(x, y.size), np.tile(y, x.size))
        return self._box

    def _log_likelihood(self, detection: Detection) -> Floats:
        """Log-likelihood on the grid."""
        x, y = self._box
        chance = self._layout.chances(detection, nodes=_NODES)
        return self._value(chance, *self._table).reshape(x.size, y.size)

    def hazard_log_likelihood(self, detection: Detection, age: float) -> Floats:
        """Return what the histories say of the cumulative hazard at an age, the shape averaged over its prior.

        Parameters
        ----------
        detection : Detection
            Chance of detection by the delay since onset.
        age : float
            The age [clock units].

        Returns
        -------
        ndarray, shape (n,)
            Log-likelihood at `kit.posterior.borrow.HAZARDS`, up to a constant [-].
        """
        x, y = self._grid(detection, None)
        value = self._log_likelihood(detection)
        # At one shape the log hazards of two ages differ by a constant.
        at = HAZARDS[:, None] - np.exp(y)[None, :] * np.log(age / self.reference)
        columns = np.stack([_extended(x, value[:, j], at[:, j]) for j in range(y.size)], axis=1)
        off = (y - np.log(self.prior.median)) / self.prior.log_sd
        return logsumexp(columns - 0.5 * off**2, axis=1)

    def natural(self, value: Floats) -> tuple[Floats, Floats]:
        """Return scale and shape of draws.

        Parameters
        ----------
        value : ndarray, shape (n, 2)
            Log cumulative hazard at the reference age, and log shape.

        Returns
        -------
        scale, shape : ndarray, shape (n,)
            Scale [clock units] and shape [-].
        """
        shape = np.exp(value[:, 1])
        return self.reference * np.exp(-value[:, 0] / shape), shape


def _extended(x: Floats, value: Floats, at: Floats) -> Floats:
    """Read a curve between its points by straight lines, and beyond its ends on the last of them."""
    inside = np.interp(at, x, value)
    left = value[0] + (at - x[0]) * max((value[1] - value[0]) / (x[1] - x[0]), 0.0)
    right = value[-1] + (at - x[-1]) * min((value[-1] - value[-2]) / (x[-1] - x[-2]), 0.0)
    return np.where(at < x[0], left, np.where(at > x[-1], right, inside))
