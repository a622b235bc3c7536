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
    """

    def __init__(
        self,
        histories: Histories,
        diameter_mm: Floats,
        *,
        spread_prior: tuple[float, float],
        median_prior: tuple[float, float],
    ) -> None:
        self.histories, self.diameter_mm = histories, np.asarray(diameter_mm, np.float64)
        prior = -0.5 * ((_LOG_SD - np.log(spread_prior[0])) / spread_prior[1]) ** 2
        self._log_prior = (
            prior[None, :] - 0.5 * ((_MU[:, None] - np.log(median_prior[0])) / median_prior[1]) ** 2
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
            n_start=32,
            n_rate=3,
            n_onset=2,
            fewest=0,
        )
        z = (log_start[:, None, None] - _MU[None, :, None]) / np.exp(_LOG_SD)[None, None, :]
        prior = np.exp(-0.5 * z * z).reshape(log_start.size, -1)
        with np.errstate(divide="ignore"):
            value = (
                (np.log(seen @ prior) - np.log(chance @ prior)).sum(axis=0).reshape(_MU.size, _LOG_SD.size)
            )
        value = np.where(np.isfinite(value), value, -1e9) + self._log_prior
        share = np.exp(value - value.max())
        return GridPosterior(first=_MU, second=_LOG_SD, share=share / share.sum())
