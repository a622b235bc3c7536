"""How far a prior pulls what the data say."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf

MOST = 0.9
"""Weight of a prior from which on it is said to carry a value, rather than to pull it."""


@dataclass(frozen=True, kw_only=True)
class PriorPull:
    """A prior against the data, both taken as normal in the coordinate of the prior.

    Parameters
    ----------
    weight : float
        Share of the precision of the posterior that comes from the prior [-].
    move : float
        By how much the prior moves the middle away from where the data alone have it [coordinate].
    """

    weight: float
    move: float

    @classmethod
    def of(cls, mean: float, sd: float, *, prior_mean: float, prior_sd: float) -> PriorPull:
        """Compare a posterior with its prior.

        Parameters
        ----------
        mean, sd : float
            Of the posterior.
        prior_mean, prior_sd : float
            Of the prior.

        Returns
        -------
        PriorPull
            Precisions add up, so that the data alone have the mean ``mean - move``.

        Examples
        --------
        >>> PriorPull.of(1.0, 0.5, prior_mean=0.0, prior_sd=1.0)
        PriorPull(weight=0.25, move=-0.3333333333333333)
        """
        weight = min((sd / prior_sd) ** 2, 1.0)
        move = weight / (1 - weight) * (prior_mean - mean) if weight < 1 else inf
        return cls(weight=float(weight), move=float(move))

    def words(self) -> str:
        """Say how much the prior counts, for a coordinate that is a log.

        Returns
        -------
        str
            Part of a sentence.
        """
        if self.weight >= MOST:
            return "the prior carries it"
        return f"{self.weight:.0%} of the weight, moves it by a factor of {exp(self.move):.2f}"
