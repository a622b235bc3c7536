"""What a level of confidence means for a bound, and what is no level."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri, nctdtrit, ndtri


def check_share(name: str, value: float) -> None:
    """Refuse what is no share above 0 and below 1.

    Parameters
    ----------
    name : str
        Name of the argument.
    value : float
        What was given [-].

    Raises
    ------
    ValueError
        If it is not above 0 and below 1.
    """
    if not 0 < value < 1:
        raise ValueError(f"`{name}` must be above 0 and below 1. Got {value!r}.")


def check_level(level: float) -> None:
    """Refuse what is no level of confidence.

    Parameters
    ----------
    level : float
        What was given [-].

    Raises
    ------
    ValueError
        If it is not above 0 and below 1.
    """
    check_share("level", level)


def normal_reach(level: float) -> float:
    """Return how many standard errors a two-sided normal bound reaches.

    Parameters
    ----------
    level : float
        Confidence [-].

    Returns
    -------
    float
        Quantile of the normal distribution [-].
    """
    return float(ndtri(0.5 + level / 2))


def likelihood_drop(level: float) -> float:
    r"""Return by how much the log-likelihood has dropped at a profile bound.

    Parameters
    ----------
    level : float
        Confidence [-].

    Returns
    -------
    float
        :math:`\chi^2_1/2` [-].
    """
    return float(chdtri(1, 1 - level)) / 2


def tolerance_factor(n: int, *, share: float = 0.9, level: float = 0.95) -> float:
    """Return the one-sided tolerance factor of a normal sample.

    Parameters
    ----------
    n : int
        Values in the sample, 2 or more.
    share : float
        Share of the population to be covered [-].
    level : float
        Confidence [-].

    Returns
    -------
    float
        k: with this confidence at least the share lies below the mean plus k standard deviations [-].

    Notes
    -----
    By the noncentral t distribution; tables in Natrella, Experimental Statistics, NBS Handbook 91, 1963 (table A-7).
    """
    check_share("share", share)
    check_level(level)
    if n < 2:
        raise ValueError(f"`n` must be 2 or more. Got {n!r}.")
    return float(nctdtrit(n - 1, ndtri(share) * np.sqrt(n), level) / np.sqrt(n))
