"""Can detection be told from the data themselves: the profile likelihood of the chance that a look finds damage."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.life.fits.fit import LifeFit
from kit.life.fits.fitting import fit_family
from kit.life.likelihood.families import WEIBULL, Family
from kit.life.likelihood.imperfect import ConstantDetection
from kit.life.lives.censored import Histories, need_histories
from kit.numerics.confidence import check_level, check_share, likelihood_drop
from kit.numerics.fit import FitAlongOne, Parameter
from kit.numerics.profile import GridProfile, profile_on_grid
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.words import in_words, percent

_GRID = np.round(np.arange(0.1, 1.0001, 0.05), 10)


@dataclass(frozen=True, eq=False, kw_only=True)
class DetectionProfile(FitAlongOne):
    """How likely each chance of detection is, and the life that goes with it.

    Parameters
    ----------
    table : DataFrame
        Columns detection, below_best (how much lower the log-likelihood is), scale, shape, age_at_share.
    share : float
        Share of the panels at whose age the lives are compared [-].
    best : float
        Likeliest chance of detection [-].
    detection_bounds : tuple of float
        Profile bounds of it at `level`; the ends of the range where the likelihood does not bound it. At other levels by
        ``bounds("detection", level=)`` [-].
    level : float
        Confidence [-].
    clock : str
        Clock of the ages.
    fits : dict of float to LifeFit
        By chance of detection.
    along : GridProfile
        The log-likelihood along the chance, the life likeliest at each.
    """

    table: pd.DataFrame = field(repr=False)
    share: float
    best: float
    detection_bounds: tuple[float, float]
    level: float
    clock: str
    fits: dict[float, LifeFit] = field(repr=False)
    along: GridProfile = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the answer."""
        low, high = self.detection_bounds
        told = "told" if self.is_told else "NOT told"
        return f"DetectionProfile(detection {self.best:.2f} ({low:.2f} to {high:.2f}), {told} by the data)"

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The chance of detection; the life that goes with it is in `fits`."""
        return (Parameter(name="detection", value=self.best, scale="linear"),)

    @property
    def is_told(self) -> bool:
        """Whether the data bound the chance of detection on both sides, to less than half of the range [-]."""
        low, high = self.table["detection"].min(), self.table["detection"].max()
        least, most = self.detection_bounds
        return bool(least > low and most - least < (high - low) / 2)

    @property
    def ages(self) -> tuple[float, float]:
        """Youngest and oldest age at `share` over the chances within the bounds [clock units]."""
        inside = self.table["detection"].between(*self.detection_bounds)
        ages = self.table.loc[inside, "age_at_share"]
        return float(ages.min()), float(ages.max())

    def words(self) -> str:
        """Say what the profile tells.

        Returns
        -------
        str
            A sentence or two.
        """
        young, old = self.ages
        low, high = self.detection_bounds
        if self.is_told:
            return (
                f"The looks themselves put the chance of detection between {low:.2f} and {high:.2f}; over that range "
                f"{percent(self.share)} have damage by {young:,.0f} to {old:,.0f} {in_words(self.clock)}."
            )
        return (
            f"The looks do not tell the chance of detection from how soon damage begins: from {low:.2f} to {high:.2f} all are "
            f"as likely, and the age at which {percent(self.share)} have damage runs with it from {young:,.0f} to {old:,.0f} "
            f"{in_words(self.clock)}. Detection must come from trials or be assumed."
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the profile as a table.

        Returns
        -------
        DataFrame
            Columns detection, below_best, scale, shape, age_at_share.
        """
        return self.table


def detection_profile(
    histories: Histories,
    *,
    grid: ArrayLike = _GRID,
    hidden_share: float = 0.0,
    share: float = 0.1,
    level: float = 0.95,
    family: Family = WEIBULL,
) -> DetectionProfile:
    r"""Profile the likelihood along the chance that a look finds damage.

    Parameters
    ----------
    histories : Histories
        With the ages of all looks.
    grid : array_like of float
        Chances of detection to look at, in (0, 1] [-].
    hidden_share : float
        Share of damage that no look can find [-].
    share : float
        Share of the panels at whose age the lives are compared [-].
    level : float
        Confidence of the bounds [-].
    family : Family
        Family of the life.

    Returns
    -------
    DetectionProfile
        Likelihood, scale and shape along the chance, and whether the data tell it.

    Raises
    ------
    NoFiniteMaximum
        If no chance of detection has a fit.
    ValueError
        If a chance is not in (0, 1], there are fewer than three, or `level` or `share` is not in (0, 1).

    Notes
    -----
    A miss leaves no trace of its own: damage found late may have begun late, or been missed. Only how finds
    scatter over looks after a first chance to see them distinguishes the two, which takes many finds at looks
    close together. The log-likelihood, highest over scale and shape, is bounded by
    :math:`\chi^2_1/2` below its highest point.

    Examples
    --------
    >>> looks = pd.DataFrame({"life": [0, 0, 1, 1, 2, 2, 3], "age": [1.0, 2, 1, 2, 1, 2, 1],
    ...                       "found": [False, True, False, False, False, False, True]})
    >>> detection_profile(Histories.from_looks(looks)).is_told
    False
    """
    need_histories(histories)
    chances = np.unique(np.asarray(grid, np.float64))
    if chances.size < 3 or not ((chances > 0) & (chances <= 1)).all():
        raise ValueError(
            f"`grid` must hold three or more chances above 0 and at most 1. Got {chances.tolist()!r}."
        )
    check_level(level)
    check_share("share", share)

    def fit(chance: float) -> LifeFit | None:
        try:
            return fit_family(family, histories, detection=ConstantDetection(float(chance), hidden_share))
        except NoFiniteMaximum:
            return None

    fits = {float(chance): fit(chance) for chance in chances}
    fits = {chance: one for chance, one in fits.items() if one is not None}
    if not fits:
        raise NoFiniteMaximum(
            "No fit at any chance of detection, so there is no profile to follow. What can be had: the scale under an assumed "
            "shape and detection (`fit_weibull(..., shape=, detection=)`)."
        )
    at = np.array(list(fits))
    height = np.array([one.log_likelihood for one in fits.values()])

    def value(chance: float) -> float:
        one = fit(float(chance))
        return -np.inf if one is None else one.log_likelihood

    along = profile_on_grid(value, at, height, tolerance=1e-5)
    table = pd.DataFrame(
        {
            "detection": at,
            "below_best": along.highest - height,
            "scale": [one.scale for one in fits.values()],
            "shape": [one.shape for one in fits.values()],
            "age_at_share": [float(one.quantile(share)) for one in fits.values()],
        }
    )
    return DetectionProfile(
        table=table, share=share, best=along.best, detection_bounds=along.limits(likelihood_drop(level)), level=level,
        clock=histories.clock, fits=fits, along=along,
    )  # fmt: skip


detection_ridge = detection_profile
"""Old name, for one release."""

DetectionRidge = DetectionProfile
"""Old name, for one release."""
