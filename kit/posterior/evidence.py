"""What is known of a kind of damage, and how sure it is, before joint draws are made of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit, logit

from kit.detection import DetectionCurve
from kit.life import Histories
from kit.numerics.typing import Floats
from kit.posterior.draws import PodDraws
from kit.posterior.growth import TrackGrowth
from kit.posterior.life import ShapePrior


@dataclass(frozen=True, kw_only=True)
class PodBelief:
    """A POD with how sure it is.

    Parameters
    ----------
    curve : DetectionCurve
        Its central numbers.
    log_a50_sd, log_slope_sd, logit_plateau_sd : float
        Standard deviations of the log of a50, the log of the slope and the logit of the plateau [-].
    far_share_logit_sd : float
        That of the logit of the far-side share [-].
    basis : str
        Where the spreads come from.

    Raises
    ------
    ValueError
        If a spread is negative.
    """

    curve: DetectionCurve
    log_a50_sd: float = 0.0
    log_slope_sd: float = 0.0
    logit_plateau_sd: float = 0.0
    far_share_logit_sd: float = 0.0
    basis: str = "taken as known"

    def __post_init__(self) -> None:
        """Check the spreads."""
        for name in ("log_a50_sd", "log_slope_sd", "logit_plateau_sd", "far_share_logit_sd"):
            if not 0 <= getattr(self, name) < 5:
                raise ValueError(f"`{name}` must be at least 0 and below 5. Got {getattr(self, name)!r}.")

    def draws(self, z: Floats) -> PodDraws:
        """Carry standard normal points to PODs.

        Parameters
        ----------
        z : ndarray, shape (n, 4)
            For a50, slope, plateau and far-side share [-].

        Returns
        -------
        PodDraws
            One for each point.
        """
        c = self.curve
        plateau = np.full(z.shape[0], c.plateau)
        if c.plateau < 1 and self.logit_plateau_sd > 0:
            plateau = expit(logit(c.plateau) + self.logit_plateau_sd * z[:, 2])
        far = np.full(z.shape[0], c.far_side_share)
        if 0 < c.far_side_share < 1 and self.far_share_logit_sd > 0:
            far = expit(logit(c.far_side_share) + self.far_share_logit_sd * z[:, 3])
        return PodDraws(
            a50=c.a50 * np.exp(self.log_a50_sd * z[:, 0]),
            slope=c.slope * np.exp(self.log_slope_sd * z[:, 1]),
            plateau=plateau,
            far_side_share=far,
            far_side_plateau=np.full(z.shape[0], c.far_side_plateau),
        )


@dataclass(frozen=True, kw_only=True)
class StatedGrowth:
    """Growth rates that somebody stated, with how sure they are.

    Parameters
    ----------
    rate_median, rate_log_sd, no_growth_share : float
        As for `LinearGrowth`, of true sizes.
    log_rate_sd : float
        Standard deviation of the log of the median rate: how sure it is [-].
    size_log_sd : float
        Standard deviation of the log of one size measurement [-].
    """

    rate_median: float
    rate_log_sd: float
    no_growth_share: float = 0.0
    log_rate_sd: float = 0.0
    size_log_sd: float = 0.2


@dataclass(frozen=True, kw_only=True)
class StatedOnset:
    """Size at onset that somebody stated, with how sure it is.

    Parameters
    ----------
    median, log_sd : float
        Log-normal size at onset, of true sizes [mm], [-].
    log_median_sd : float
        Standard deviation of the log of the median: how sure it is [-].
    """

    median: float
    log_sd: float
    log_median_sd: float = 0.0


@dataclass(frozen=True, kw_only=True)
class FoundSizes:
    """Sizes at first find, as mapped, from which the size at onset follows.

    Parameters
    ----------
    histories : Histories
        Lives with the ages of their looks, of all zones that are pooled for it.
    diameter_mm : ndarray, shape (n_lives,)
        Size at first find, nan where there is none [mm].
    median_prior, spread_prior : tuple of float
        Weak priors: median and standard deviation of the log, of the median size [mm] and of the log
        standard deviation [-].
    kept : dict
        Draws that were made before, by what they were made from.
    """

    histories: Histories
    diameter_mm: Floats
    median_prior: tuple[float, float] = (20.0, 0.7)
    spread_prior: tuple[float, float] = (0.45, 0.35)
    kept: dict[tuple, object] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, kw_only=True)
class KindEvidence:
    """What is known of one kind of damage in one group of zones.

    Parameters
    ----------
    kind, clock : str
        Kind of damage and the clock that drives it.
    histories : Histories
        Lives of the group on that clock.
    shape_prior : ShapePrior
        Prior of the shape.
    growth : TrackGrowth or StatedGrowth
        Rates of growth on the clock.
    onset : FoundSizes or StatedOnset
        Size at onset.
    pod : PodBelief
        POD of past looks, and of those to come where nothing else is said, of this kind's side.
    in_fit : str or float
        Detection in the life fit: ``size``, ``perfect`` or one chance.
    widen : float
        Factor on the spread of the life, such as that of clustered lives [-].
    restoration : float or None
        What a repair leaves of the age; None counts the first onset only [-].
    restoration_logit_sd : float
        How sure that is: standard deviation of its logit [-].
    related : tuple of Histories
        Lives of other groups of zones on the same clock, that share a distribution of the hazard with this one.
    planned : PodBelief, optional
        POD of the looks to come where they are made otherwise than those that were; how sure it is is independent of
        the POD of past looks. Default: as past looks.
    """

    kind: str
    clock: str
    histories: Histories
    shape_prior: ShapePrior
    growth: TrackGrowth | StatedGrowth
    onset: FoundSizes | StatedOnset
    pod: PodBelief
    in_fit: str | float = "size"
    widen: float = 1.0
    restoration: float | None = 0.0
    restoration_logit_sd: float = 0.0
    related: tuple[Histories, ...] = ()
    planned: PodBelief | None = None
