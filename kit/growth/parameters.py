"""The parameters of growth by tracks: their names, the scales on which they are fitted, and weak priors of them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from kit.growth.paths import BEND, JUMP, STILL
from kit.numerics.fit import SCALES
from kit.numerics.typing import Floats

NAMES = (
    "first_median",
    "first_log_sd",
    "rate_median",
    "rate_log_sd",
    "correlation",
    "size_log_sd",
    "no_growth_share",
    "arrest_rate",
    "jump_share",
    "jump_median",
    "jump_log_sd",
)
"""Parameters of growth by tracks, in the order of `kit.growth.paths`."""

WEAK_PRIORS = {
    "rate_log_sd": (0.6, 0.35),
    "correlation": (0.0, 0.8),
    "size_log_sd": (0.15, 0.5),
    "no_growth_share": (0.27, 1.5),
}
"""Weak priors of what few tracks do not tell: median, and standard deviation on the scale of the fit (assumed, no source)."""


def scale_of(i: int) -> str:
    """Name the scale on which a parameter is fitted.

    Parameters
    ----------
    i : int
        Number of the parameter.

    Returns
    -------
    str
        ``log``, ``logit`` or ``atanh``.
    """
    if i == BEND:
        return "atanh"
    return "logit" if i in (STILL, JUMP) else "log"


def to_natural(i: int, value: ArrayLike) -> Floats:
    """Parameter as it is read, from the scale on which it is fitted.

    Parameters
    ----------
    i : int
        Number of the parameter.
    value : array_like of float
        On the scale of the fit.

    Returns
    -------
    ndarray of float
        In the unit of the parameter.
    """
    return SCALES[scale_of(i)].back(np.asarray(value, np.float64))


def to_scale(i: int, value: float) -> float:
    """Parameter on the scale on which it is fitted, from how it is read.

    Parameters
    ----------
    i : int
        Number of the parameter.
    value : float
        In its unit.

    Returns
    -------
    float
        On the scale of the fit.
    """
    return float(SCALES[scale_of(i)].place(np.float64(value)))


def check_priors(priors: Mapping[str, tuple[float, float]]) -> dict[int, tuple[float, float]]:
    """Return priors by number of parameter: centre and standard deviation on the scale of the fit.

    Parameters
    ----------
    priors : mapping of str to tuple of float
        By name: median in its unit, and standard deviation on the scale of the fit [-].

    Returns
    -------
    dict of int to tuple of float
        By number.

    Raises
    ------
    ValueError
        If a name is unknown or a number impossible.
    """
    out = {}
    for name, prior in priors.items():
        if name not in NAMES:
            raise ValueError(f"`priors` must name parameters: {', '.join(NAMES)}. Got {name!r}.")
        i = NAMES.index(name)
        with np.errstate(all="ignore"):
            centre = to_scale(i, prior[0]) if len(prior) == 2 else np.nan
        if not (np.isfinite(centre) and 0 < prior[1] < np.inf):
            raise ValueError(
                f"`priors` must give {name} as a median in its range and a positive standard deviation on the "
                f"{scale_of(i)} scale. Got {prior!r}."
            )
        out[i] = centre, float(prior[1])
    return out


def add_priors(
    value: float, slope: Floats, point: Floats, priors: Mapping[str, tuple[float, float]]
) -> tuple[float, Floats]:
    """Add the logs of priors to a log-likelihood with its slope.

    Parameters
    ----------
    value : float
        Log-likelihood [-].
    slope : ndarray, shape (11,)
        Its first derivatives.
    point : ndarray, shape (11,)
        Where, on the scale of the fit.
    priors : mapping of str to tuple of float
        As `check_priors` takes them.

    Returns
    -------
    value : float
        With the priors, without their constants [-].
    slope : ndarray, shape (11,)
        Likewise.
    """
    slope = slope.copy()
    for i, (centre, width) in check_priors(priors).items():
        off = (point[i] - centre) / width
        value -= 0.5 * off**2
        slope[i] -= off / width
    return value, slope
