"""What a level of confidence means for a bound, and what is no level."""

from __future__ import annotations

from scipy.special import chdtri, ndtri


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
