"""What a tap test can see: chance of detection against the size of a damage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from kit.detection.links import check_link, line_at, shares
from kit.life import ConstantDetection, MethodDetection
from kit.numerics.quadrature import normal_nodes
from kit.numerics.typing import Floats

_NODES = 24  # of the spread between inspectors


class HasCurve(Protocol):
    """A result that gives a curve, such as `HitMissFit`."""

    def curve(self) -> DetectionCurve:
        """Return its curve."""


@dataclass(frozen=True)
class DetectionCurve:
    r"""Probability of detection (POD) by size, for one method, skin class and side.

    Parameters
    ----------
    a50 : float
        Equivalent diameter found half as often as the plateau [mm]; 0 for a constant POD. Where the plateau is
        below 1 this is not the size with POD 0.50 that others call a50: that one is `pod50`, and is larger.
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
    def pod50(self) -> float:
        """Size with POD 0.50 on the tapped side [mm]; infinite if the plateau does not reach it.

        It is `a50` where the plateau is 1, and larger where it is lower: `a50` is half of the plateau.
        """
        return self.size_at(0.5)

    @property
    def a90(self) -> float:
        """Size with POD 0.90 [mm]; infinite if the plateau does not reach it."""
        return self.size_at(0.9)

    @property
    def finds_all(self) -> bool:
        """Whether looks find all that is there, whatever its size and side."""
        return self.a50 == 0 and all(plateau == 1 for _, plateau in self.sides)

    @property
    def weights(self) -> Floats:
        """Shares of the sides, as a life fit takes them; see `pod_at_delay` [-]."""
        return np.array([share for share, _ in self.sides])

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection by the delay since onset, which a life fit asks for.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to each look [clock units].

        Returns
        -------
        ndarray, shape (n, n_sides)
            Chances of a POD that is the same for every size [-].

        Raises
        ------
        ValueError
            If the POD depends on size: how large damage is at a delay is for a growth model to say.
        """
        if self.a50 != 0:
            raise ValueError(
                f"`detection` by size needs growth to know the size at each look. Got a POD with a50 {self.a50:g} mm "
                "and none. Give `SizeDetection(curve, growth)`, or one chance, such as `curve.pod(size)` of the size "
                "that matters."
            )
        return np.broadcast_to(
            np.array([plateau for _, plateau in self.sides]), (*delay.shape, len(self.sides))
        )


@dataclass(frozen=True)
class LinkedCurve(DetectionCurve):
    r"""POD by size in other forms than the logistic in log size, as fits give them.

    Parameters
    ----------
    a50 : float
        Equivalent diameter found half as often as the plateau, by the average inspector [mm]; the size with
        POD 0.50 is `pod50`.
    slope : float
        Slope of the line, in log size or in size [-] or [1/mm].
    plateau : float
        POD of the largest damage [-].
    far_side_share, far_side_plateau : float
        Share of damage on the side that is not tapped, and its plateau [-].
    basis : str
        Where the numbers come from: trial, published or assumed.
    link : str
        ``logit``, ``probit`` or ``cloglog``.
    log_size : bool
        Whether the line is in the log of size.
    spread : float
        Standard deviation of inspectors on the line; above 0 the POD is the mean over inspectors [-].

    Raises
    ------
    ValueError
        If a number is outside its range.

    Notes
    -----
    :math:`\mathrm{POD}(a) = \mathrm{plateau}\; E_z F(\eta_{50} + \mathrm{slope}\,(x(a) - x(a_{50})) +
    \mathrm{spread}\; z)` with z standard normal, x the size or its log, and F(η₅₀) = 1/2. With the logit,
    log size and no spread it is the `DetectionCurve` of the same numbers.

    Examples
    --------
    >>> LinkedCurve(a50=20.0, slope=3.0, link="probit").pod([20.0, 40.0]).round(4)
    array([0.5   , 0.9812])
    """

    link: str = "logit"
    log_size: bool = True
    spread: float = 0.0

    def __post_init__(self) -> None:
        """Check the ranges."""
        super().__post_init__()
        check_link(self.link)
        if not 0 <= self.spread < np.inf:
            raise ValueError(f"`spread` must be at least 0 and finite. Got {self.spread!r}.")
        if self.log_size and self.a50 == 0:
            raise ValueError("`a50` must be positive where the line is in log size. Got 0.")

    def _scale(self, size: ArrayLike) -> Floats:
        a = np.asarray(size, np.float64)
        with np.errstate(divide="ignore"):
            return np.log(a) if self.log_size else a

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
        line = line_at(self.link, 0.5) + self.slope * (self._scale(size) - self._scale(self.a50))
        if self.spread == 0:
            share = shares(self.link, line).share
        else:
            z, weight = normal_nodes(_NODES)
            share = shares(self.link, line[..., None] + self.spread * z).share @ weight
        return np.where(np.isneginf(line), 0.0, share)

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
        wanted = pod / self.plateau
        if wanted >= 1:
            return float("inf")
        centre, middle = float(self._scale(self.a50)), float(line_at(self.link, 0.5))
        if self.spread == 0:
            at = centre + (float(line_at(self.link, wanted)) - middle) / self.slope
        else:
            # The average over inspectors lies between what those far below and far above the mean reach.
            reach = 12 * self.spread
            low, high = (
                (float(line_at(self.link, wanted)) - middle + s * reach) / self.slope for s in (-1, 1)
            )

            def excess(half: float) -> float:
                return (
                    float(self.relative(np.exp(centre + half) if self.log_size else centre + half)) - wanted
                )

            at = centre + float(brentq(excess, low, high, xtol=1e-13, rtol=1e-14))
        return float(np.exp(at)) if self.log_size else float(max(at, 0.0))


class FittedPod:
    """What results with a curve share: how a life fit meets them."""

    @property
    def finds_all(self) -> bool:
        """Whether looks find all that is there, whatever its size and side."""
        return self.curve().finds_all

    @property
    def weights(self) -> Floats:
        """Shares of the sides, as a life fit asks for them [-]."""
        return self.curve().weights

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Refuse: a POD by size needs growth to give a chance by delay.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to each look [clock units].

        Returns
        -------
        ndarray
            Nothing is returned.

        Raises
        ------
        ValueError
            Always; says what to give in its place.
        """
        return self.curve().pod_at_delay(delay)


def as_detection(detection: float | DetectionCurve | HasCurve, *, name: str = "detection") -> DetectionCurve:
    """Return a detection curve for a curve, a fitted POD or a constant chance.

    Parameters
    ----------
    detection : float, DetectionCurve or a result with a method curve
        A chance stands for a POD that is the same for every size [-]; so does `kit.life.ConstantDetection`.
    name : str
        What to call it in a message.

    Returns
    -------
    DetectionCurve
        The curve.

    Raises
    ------
    TypeError
        If it is none of these.
    ValueError
        If a chance is outside its range.
    """
    if isinstance(detection, DetectionCurve):
        return detection
    if callable(getattr(detection, "curve", None)) and not isinstance(detection, type):
        return detection.curve()
    if isinstance(detection, ConstantDetection):
        return DetectionCurve.constant(detection.pod, far_side_share=detection.hidden_share)
    number = (
        detection.item()
        if isinstance(detection, np.ndarray | np.generic) and np.ndim(detection) == 0
        else detection
    )
    if isinstance(number, int | float) and not isinstance(number, bool):
        return DetectionCurve.constant(float(number))
    raise TypeError(
        f"`{name}` must be a chance above 0 and at most 1, a `DetectionCurve` or a fitted POD. Got "
        f"{type(detection).__name__}."
    )


def curves_by_method(
    detection: float
    | DetectionCurve
    | HasCurve
    | Mapping[str, float | DetectionCurve | HasCurve]
    | MethodDetection,
) -> dict[str, DetectionCurve]:
    """Return the detection curve of each method of inspection.

    Parameters
    ----------
    detection : float, DetectionCurve, fitted POD, mapping of method to these, or MethodDetection
        As every fit takes it.

    Returns
    -------
    dict of str to DetectionCurve
        By method; one curve under a name of no letters where methods are not distinguished.

    Raises
    ------
    TypeError
        If it is none of these.
    ValueError
        If no method is named, or their far-side shares differ: the side of a damage is the same for all methods.

    Examples
    --------
    >>> {name: curve.a50 for name, curve in curves_by_method({"tap": DetectionCurve(20.0), "visual": 0.3}).items()}
    {'tap': 20.0, 'visual': 0.0}
    """
    hidden = 0.0
    if isinstance(detection, MethodDetection):
        detection, hidden = detection.pods, detection.hidden_share
    if not isinstance(detection, Mapping):
        return {"": as_detection(detection)}
    curves = {name: as_detection(one, name=f"detection[{name!r}]") for name, one in detection.items()}
    if hidden > 0:
        curves = {
            name: replace(curve, far_side_share=hidden) if curve.a50 == 0 else curve
            for name, curve in curves.items()
        }
    if not curves:
        raise ValueError("`detection` must name at least one method. Got none.")
    if len({tuple(share for share, _ in curve.sides) for curve in curves.values()}) > 1:
        raise ValueError("`detection` must have one far-side share for all methods. Got several.")
    return curves
