"""Damage known only by the delay between its onset and the limit: the classical delay-time model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from kit.growth.models import Case
from kit.numerics.typing import Floats


@dataclass(frozen=True)
class DelayTime:
    r"""Damage known only by the delay between its onset and the limit, exponential with a given mean.

    For a constant chance of detection the size does not matter; this is the classical delay-time model.

    Parameters
    ----------
    mean : float
        Mean delay [clock units].

    References
    ----------
    .. [1] A. H. Christer and W. M. Waller, *J. Opl Res. Soc.*, vol. 35, 1984, pp. 401-406.
    """

    mean: float

    def born_beyond(self, limit: float) -> float:
        """Chance that damage is beyond the limit the moment it arises: none.

        Parameters
        ----------
        limit : float
            The limit [mm].

        Returns
        -------
        float
            0.
        """
        return 0.0

    def jumps(self, limit: float, n: int) -> Floats:
        """Return no delay: there is none around which the limit is reached all but suddenly.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Returns
        -------
        ndarray
            Empty.
        """
        return np.empty(0)

    def cases(self, limit: float, n: int) -> Iterator[Case]:
        """Yield the one case there is.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Yields
        ------
        Case
            With weight 1.
        """
        yield Case(0.0, 1.0, np.inf)

    def beyond_cases(self, limit: float, n: int) -> Iterator[tuple[float, float, float]]:
        """Yield nothing: no damage is born beyond the limit.

        Parameters
        ----------
        limit : float
            The limit [mm].
        n : int
            Not used.

        Returns
        -------
        iterator
            Empty.
        """
        return iter(())

    def grown(self, start: float, rate: float, time: Floats) -> Floats:
        """Refuse: no damage is born beyond the limit, and none has a rate.

        Parameters
        ----------
        start, rate : float
            Not used.
        time : ndarray
            Not used.

        Returns
        -------
        ndarray
            Nothing is returned.

        Raises
        ------
        NotImplementedError
            Always.
        """
        raise NotImplementedError("damage known by its delay alone has no size and no rate")

    def delay_chance(self, delay: Floats, start: float | Floats, limit: float) -> Floats:
        """Chance that the limit is reached within a delay.

        Parameters
        ----------
        delay : ndarray
            Time after onset [clock units].
        start, limit : float or ndarray
            Not used.

        Returns
        -------
        ndarray
            Chances [-].
        """
        return -np.expm1(-delay / self.mean)

    def delay_at(self, chance: Floats, start: float | Floats, limit: float) -> Floats:
        """Delay within which the limit is reached with a chance.

        Parameters
        ----------
        chance : ndarray
            Chances [-].
        start, limit : float or ndarray
            Not used.

        Returns
        -------
        ndarray
            Delays [clock units].
        """
        return -self.mean * np.log1p(-chance)

    def size(self, time: Floats, case: Case, delay: Floats, limit: float) -> Floats:
        """Size as the share of the delay that has passed, times the limit.

        Parameters
        ----------
        time : ndarray
            Time after onset [clock units].
        case : Case
            Not used.
        delay : ndarray
            Delay from onset to the limit; broadcast against `time` [clock units].
        limit : float
            The limit [mm].

        Returns
        -------
        ndarray
            Equivalent diameters [mm].
        """
        return limit * (time / delay)
