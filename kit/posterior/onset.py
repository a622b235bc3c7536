"""What sizes at first find say of the size at onset, given growth and the chance of detection."""

from __future__ import annotations

import numpy as np

from kit.detection import DetectionCurve
from kit.growth import Growth, find_kernels
from kit.life import Histories
from kit.numerics.typing import Floats
from kit.posterior.conditional import GridPosterior

_MU = np.linspace(np.log(4.0), np.log(160.0), 41)
_LOG_SD = np.linspace(np.log(0.08), np.log(1.6), 17)
_FAR = 8.0  # log density below the highest at which the finer grid ends
_FINE = (33, 17)


class OnsetPosterior:
    """Posterior of the size at onset on a grid, given growth and the chance of detection.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks.
    diameter_mm : ndarray, shape (n_lives,)
        Size at first find as mapped, nan where there is none [mm].
    spread_prior : tuple of float
        Weak prior of the log standard deviation: median, and standard deviation of its log [-].
    median_prior : tuple of float
        Weak prior of the median: its median [mm], and standard deviation of its log [-].
    shape : float
        Weibull shape of the life to onset, as far as it is known before [-].

    Notes
    -----
    With onset taken as evenly spread over the ages, damage that wears in counts as older than it is and as grown by more: in
    simulated fleets (shape 2, 48 finds, growth and POD known) the log of the median came out low by .15, and by .09 with the ages
    weighted by the hazard, which also leaves the posterior a sixth narrower. What is left is the pull of the weak prior of the
    spread: where the true spread is drawn from it, the ranks of the true median are even within their error.
    """

    def __init__(
        self,
        histories: Histories,
        diameter_mm: Floats,
        *,
        spread_prior: tuple[float, float],
        median_prior: tuple[float, float],
        shape: float = 1.0,
    ) -> None:
        self.histories, self.diameter_mm = histories, np.asarray(diameter_mm, np.float64)
        self._spread_prior, self._median_prior, self._shape = spread_prior, median_prior, shape

    def _log_prior(self, mu: Floats, log_sd: Floats) -> Floats:
        median, spread = self._median_prior, self._spread_prior
        return (
            -0.5 * ((log_sd[None, :] - np.log(spread[0])) / spread[1]) ** 2
            - 0.5 * ((mu[:, None] - np.log(median[0])) / median[1]) ** 2
        )

    def given(
        self,
        *,
        rate_median: float,
        rate_log_sd: float,
        no_growth_share: float,
        form: str,
        curve: DetectionCurve,
        size_factor: float,
        size_log_sd: float,
    ) -> GridPosterior:
        """Return the posterior under rates of growth, a POD and a size factor.

        Parameters
        ----------
        rate_median, rate_log_sd, no_growth_share : float
            Growth of true sizes on the clock of the histories.
        form : str
            Form of growth.
        curve : DetectionCurve
            POD by true size.
        size_factor : float
            True size over size as mapped [-].
        size_log_sd : float
            Standard deviation of the log of one size measurement [-].

        Returns
        -------
        GridPosterior
            In (log median, log of the log standard deviation), of true sizes.
        """
        _, _, log_start, seen, chance = find_kernels(
            self.histories,
            self.diameter_mm * size_factor,
            curve=curve,
            growth=Growth(1.0, 1.0, rate_median, rate_log_sd, no_growth_share, form=form),
            size_log_sd=size_log_sd,
            shape=self._shape,
            n_start=32,
            n_rate=3,
            n_onset=2,
            fewest=0,
        )

        def log_density(mu: Floats, log_sd: Floats) -> Floats:
            z = (log_start[:, None, None] - mu[None, :, None]) / np.exp(log_sd)[None, None, :]
            prior = np.exp(-0.5 * z * z).reshape(log_start.size, -1)
            with np.errstate(divide="ignore", invalid="ignore"):
                value = (np.log(seen @ prior) - np.log(chance @ prior)).sum(axis=0)
            value = np.where(np.isfinite(value), value, -1e9).reshape(mu.size, log_sd.size)
            return value + self._log_prior(mu, log_sd)

        # Many finds leave less than one step of a grid over all that is possible: the steps would widen the draws.
        mu, log_sd = (
            np.linspace(*ends, points)
            for ends, points in zip(_reach(log_density(_MU, _LOG_SD)), _FINE, strict=True)
        )
        value = log_density(mu, log_sd)
        share = np.exp(value - value.max())
        return GridPosterior(first=mu, second=log_sd, share=share / share.sum())


def _reach(value: Floats) -> list[tuple[float, float]]:
    """Return the ends of both coordinates within which a density on the coarse grid is not negligible."""
    inside = value > value.max() - _FAR
    ends = []
    for grid, axis in ((_MU, 1), (_LOG_SD, 0)):
        at = np.flatnonzero(inside.any(axis=axis))
        ends.append((float(grid[max(at[0] - 1, 0)]), float(grid[min(at[-1] + 1, grid.size - 1)])))
    return ends
