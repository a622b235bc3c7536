"""How a straight line in size becomes a chance: logit, probit, cloglog, with derivatives."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, ndtr, ndtri

from kit.numerics.typing import Floats

LINKS = ("logit", "probit", "cloglog")
"""Forms of a POD curve."""

# Beyond these the chance or its rest is below 1e-280, where ratios of them lose their meaning.
_REACH = {"logit": (-640.0, 640.0), "probit": (-35.5, 35.5), "cloglog": (-640.0, 6.46)}


class Shares(NamedTuple):
    """A share by the line, the rest of it, and the first two derivatives of the share.

    Parameters
    ----------
    share, rest : ndarray of float
        F and 1 - F, each with its digits where it is small [-].
    first, second : ndarray of float
        Derivatives of F by the line.
    """

    share: Floats
    rest: Floats
    first: Floats
    second: Floats


def check_link(link: str) -> None:
    """Refuse an unknown link.

    Parameters
    ----------
    link : str
        Name of the link.

    Raises
    ------
    ValueError
        If it is not one of `LINKS`.
    """
    if link not in LINKS:
        raise ValueError(f"`link` must be one of {', '.join(LINKS)}. Got {link!r}.")


def shares(link: str, line: Floats) -> Shares:
    r"""Return the share that belongs to each value of the line.

    Parameters
    ----------
    link : str
        ``logit``: :math:`F = 1/(1 + e^{-\eta})`; ``probit``: the normal distribution function;
        ``cloglog``: :math:`F = 1 - \exp(-e^\eta)`.
    line : ndarray of float
        Values of the line.

    Returns
    -------
    Shares
        F, 1 - F, F' and F''.
    """
    eta = np.clip(line, *_REACH[link])
    if link == "logit":
        share, rest = expit(eta), expit(-eta)
        first = share * rest
        return Shares(share, rest, first, first * (rest - share))
    if link == "probit":
        first = np.exp(-0.5 * eta * eta) / np.sqrt(2 * np.pi)
        return Shares(ndtr(eta), ndtr(-eta), first, -eta * first)
    power = np.exp(eta)
    rest = np.exp(-power)
    first = power * rest
    return Shares(-np.expm1(-power), rest, first, first * (1 - power))


def line_at(link: str, share: ArrayLike) -> Floats:
    """Return the value of the line at which a share is reached.

    Parameters
    ----------
    link : str
        One of `LINKS`.
    share : array_like of float
        Between 0 and 1 [-].

    Returns
    -------
    ndarray of float
        Values of the line; infinite at 0 and 1.
    """
    p = np.asarray(share, np.float64)
    with np.errstate(divide="ignore"):
        if link == "logit":
            return np.log(p) - np.log1p(-p)
        if link == "probit":
            return ndtri(p)
        return np.log(-np.log1p(-p))
