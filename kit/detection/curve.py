"""What a tap test can see: chance of detection against the size of a damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DetectionCurve:
    r"""Probability of detection (POD) by size, for one method, skin class and side.

    Parameters
    ----------
    a50 : float
        Equivalent diameter found half as often as the plateau [mm]; 0 for a constant POD.
    slope : float
        Slope in log size [-].
    plateau : float
        POD of the largest damage [-].
    far_side_share : float
        Share of damage on the side that is not tapped [-].
    far_side_plateau : float
        Plateau for that share [-].
    basis : str
        Where the numbers come from: trial, published or assumed.

    Raises
    ------
    ValueError
        If a number is outside its range.

    Notes
    -----
    :math:`\mathrm{POD}(a) = \mathrm{plateau} / (1 + (a_{50}/a)^{\mathrm{slope}})`, logistic in log size.

    Examples
    --------
    >>> DetectionCurve(a50=20.0, slope=4.0, plateau=0.97).pod([20.0, 40.0]).round(4)
    array([0.485 , 0.9129])
    """

    a50: float
    slope: float = 4.0
    plateau: float = 1.0
    far_side_share: float = 0.0
    far_side_plateau: float = 0.0
    basis: str = "assumed"

    def __post_init__(self) -> None:
        """Check the ranges."""
        checks = (
            ("a50", self.a50, 0 <= self.a50 < np.inf, "at least 0 and finite [mm]"),
            ("slope", self.slope, 0 < self.slope < np.inf, "positive"),
            ("plateau", self.plateau, 0 < self.plateau <= 1, "above 0 and at most 1"),
            ("far_side_share", self.far_side_share, 0 <= self.far_side_share <= 1, "between 0 and 1"),
            ("far_side_plateau", self.far_side_plateau, 0 <= self.far_side_plateau <= 1, "between 0 and 1"),
        )
        for name, value, good, what in checks:
            if not good:
                raise ValueError(f"`{name}` must be {what}. Got {value!r}.")

    @classmethod
    def constant(cls, pod: float, *, far_side_share: float = 0.0) -> DetectionCurve:
        """Make a POD that is the same for every size.

        Parameters
        ----------
        pod : float
            Chance that a look finds damage that is there [-].
        far_side_share : float
            Share of damage that no look finds [-].

        Returns
        -------
        DetectionCurve
            With a50 = 0.
        """
        return cls(a50=0.0, plateau=pod, far_side_share=far_side_share)

    def relative(self, size: ArrayLike) -> Floats:
        """POD as a share of the plateau.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Between 0 and 1 [-].
        """
        a = np.asarray(size, np.float64)
        if self.a50 == 0:
            return np.ones_like(a)
        with np.errstate(divide="ignore", over="ignore"):
            return 1.0 / (1.0 + (self.a50 / a) ** self.slope)

    def pod(self, size: ArrayLike) -> Floats:
        """POD on the side that is tapped.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Chances [-].
        """
        return self.plateau * self.relative(size)

    @property
    def sides(self) -> tuple[tuple[float, float], ...]:
        """Share of the damage and plateau: first of the side that is tapped, then of the other one."""
        near = ((1.0 - self.far_side_share, self.plateau),)
        return (*near, (self.far_side_share, self.far_side_plateau)) if self.far_side_share > 0 else near

    def size_at(self, pod: float) -> float:
        """Size at which the POD on the tapped side reaches a value.

        Parameters
        ----------
        pod : float
            Wanted POD [-].

        Returns
        -------
        float
            Equivalent diameter [mm]; infinite if the plateau is not above `pod`.
        """
        if pod >= self.plateau:
            return float("inf")
        return self.a50 * (pod / (self.plateau - pod)) ** (1 / self.slope)

    @property
    def a90(self) -> float:
        """Size with POD 0.90 [mm]; infinite if the plateau does not reach it."""
        return self.size_at(0.9)


def as_detection(detection: float | DetectionCurve) -> DetectionCurve:
    """Return a detection curve for a curve or a constant chance.

    Parameters
    ----------
    detection : float or DetectionCurve
        A chance stands for a POD that is the same for every size [-].

    Returns
    -------
    DetectionCurve
        The curve.
    """
    return detection if isinstance(detection, DetectionCurve) else DetectionCurve.constant(float(detection))
