"""What a grid of taps finds: it must land on the damage, and the damage must sound dull."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from kit.detection.curve import DetectionCurve, HasCurve, as_detection
from kit.numerics.typing import Floats
from kit.regions import tap_grid_chance, tap_grid_pitch

_LARGEST = 1e6  # mm; what is not found at this size is found at none


def grid_pod(
    size: ArrayLike,
    pitch: ArrayLike,
    detection: float | DetectionCurve | HasCurve,
    *,
    aspect: float = 1.0,
    grid: str = "square",
) -> Floats:
    """Chance that a look finds damage: the grid meets it and it sounds dull.

    Parameters
    ----------
    size : array_like of float
        Equivalent diameters [mm].
    pitch : array_like of float
        Distance between neighbouring taps [mm].
    detection : float, DetectionCurve or fit
        POD of damage that is tapped; from a trial in which each damage was tapped on purpose. A POD from
        trials with a grid has the grid in it already.
    aspect : float
        Length over width of the damage, at any angle to the grid [-].
    grid : str
        ``square`` or ``triangular``.

    Returns
    -------
    ndarray of float
        Chances on the side that is tapped [-].

    Raises
    ------
    ValueError
        If a value is out of range.

    Notes
    -----
    The two chances are multiplied: where on the damage a tap lands is taken not to change the sound, and
    a further tap on the same damage as no second chance. A tap near the edge sounds clearer, so the true
    chance is lower near the detectable size.

    Examples
    --------
    >>> grid_pod([10.0, 20.0, 40.0], 25.0, DetectionCurve(a50=20.0)).round(3)
    array([0.007, 0.251, 0.941])
    """
    _check(aspect)
    a = np.asarray(size, np.float64)
    # The ellipse of that length over width with the area of the circle.
    meets = tap_grid_chance(a * np.sqrt(aspect), a / np.sqrt(aspect), pitch, grid=grid)
    return meets * as_detection(detection).pod(a)


def detectable_size(
    pitch: float,
    detection: float | DetectionCurve | HasCurve,
    *,
    pod: float = 0.9,
    aspect: float = 1.0,
    grid: str = "square",
) -> float:
    """Smallest size that a look on a grid finds with a wanted chance.

    Parameters
    ----------
    pitch : float
        Distance between neighbouring taps [mm].
    detection : float, DetectionCurve or fit
        POD of damage that is tapped.
    pod : float
        Wanted chance [-].
    aspect : float
        Length over width of the damage [-].
    grid : str
        ``square`` or ``triangular``.

    Returns
    -------
    float
        Equivalent diameter [mm]; infinite if no size is found that often.

    Raises
    ------
    ValueError
        If a value is out of range.

    Examples
    --------
    >>> round(detectable_size(25.0, DetectionCurve(a50=20.0)), 1)
    34.7
    """
    _check(aspect, pod)

    def excess(log_size: float) -> float:
        return float(grid_pod(np.exp(log_size), pitch, detection, aspect=aspect, grid=grid)) - pod

    if excess(np.log(_LARGEST)) < 0:
        return float("inf")
    low = np.log(min(float(pitch), 1.0) * 1e-3)
    return float(np.exp(brentq(excess, low, np.log(_LARGEST), xtol=1e-12)))


def widest_pitch(
    size: float,
    detection: float | DetectionCurve | HasCurve,
    *,
    pod: float = 0.9,
    aspect: float = 1.0,
    grid: str = "square",
) -> float:
    """Widest pitch at which damage of a size is found with a wanted chance.

    Parameters
    ----------
    size : float
        Equivalent diameter [mm].
    detection : float, DetectionCurve or fit
        POD of damage that is tapped.
    pod : float
        Wanted chance [-].
    aspect : float
        Length over width of the damage [-].
    grid : str
        ``square`` or ``triangular``.

    Returns
    -------
    float
        Pitch [mm].

    Raises
    ------
    ValueError
        If damage of that size is not found that often however close the taps.

    Examples
    --------
    >>> round(widest_pitch(40.0, DetectionCurve(a50=20.0)), 1)
    33.0
    """
    _check(aspect, pod)
    at_once = float(as_detection(detection).pod(size))
    if at_once < pod:
        raise ValueError(
            f"`size` {size:g} mm sounds dull with chance {at_once:.3f} only, below {pod:g}, however close the taps. "
            "Take a larger size, a lower chance or another method."
        )
    # The grid must meet it often enough that, with the sound, the wanted chance is left.
    return tap_grid_pitch(size * np.sqrt(aspect), size / np.sqrt(aspect), pod / at_once, grid=grid)


def _check(aspect: float, pod: float = 0.5) -> None:
    """Refuse a shape or a wanted chance that cannot be."""
    if not 0 < pod < 1:
        raise ValueError(f"`pod` must be above 0 and below 1. Got {pod!r}.")
    if not (aspect >= 1 and np.isfinite(aspect)):
        raise ValueError(f"`aspect` must be at least 1 and finite. Got {aspect!r}.")
