"""Lives fitted to histories that stay where they are: value, gradient and Hessian are summed over the parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from kit.cluster.histories import histories_of_part
from kit.cluster.parts import Parts
from kit.cluster.work import futures_of
from kit.life import WEIBULL, Histories, LifeFit, PerfectTerms, fit_family
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from distributed import Client


@dataclass(frozen=True)
class SummedTerms:
    """A likelihood in parts, each of which stays where it was made.

    Parameters
    ----------
    parts : sequence
        `PerfectTerms` of each part, or futures of them.
    client : Client or None
        Where the futures are.
    """

    parts: Sequence[Any]
    client: Any = field(default=None, repr=False)

    def value(self, log_scale: float, log_shape: float) -> tuple[float, Floats, Floats]:
        """Log-likelihood, gradient and Hessian in (log scale, log shape): the sums over the parts.

        Parameters
        ----------
        log_scale, log_shape : float
            The point.

        Returns
        -------
        value : float
            Log-likelihood.
        gradient : ndarray, shape (2,)
            First derivatives.
        hessian : ndarray, shape (2, 2)
            Second derivatives.
        """
        if self.client is None:
            each = [_value(one, log_scale, log_shape) for one in self.parts]
        else:
            each = self.client.gather(
                futures_of(_value, self.parts, log_scale, log_shape, client=self.client)
            )
        return (
            float(sum(one[0] for one in each)),
            np.sum([one[1] for one in each], axis=0),
            np.sum([one[2] for one in each], axis=0),
        )


def _value(terms: PerfectTerms, log_scale: float, log_shape: float) -> tuple[float, Floats, Floats]:
    return terms.value(log_scale, log_shape)


def _terms(histories: Histories) -> PerfectTerms:
    return PerfectTerms.from_rows(histories.entry, histories.lower, histories.upper, histories.count)


def _narrow(histories: Histories) -> tuple[Any, ...]:
    return histories.entry, histories.lower, histories.upper, histories.count, histories.cluster


def fit_weibull(parts: Parts, *, client: Client | None = None, **asked: object) -> LifeFit:
    """Fit a Weibull life to the histories of a fleet in parts, as `kit.fit_weibull` does in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As `kit.build_histories` takes it: kind, clock, zones, basis and so on.

    Returns
    -------
    LifeFit
        With bounds and bootstrap by clusters as in memory. The looks of the lives stay with the parts, so that a
        bootstrap of the schedule is not to be had.

    Raises
    ------
    NoFiniteMaximum
        If no finite maximum exists.

    Notes
    -----
    Every step of the search sends two numbers to each part and gets six back. Entry, both ages, count and aircraft of
    each life (40 bytes) come back once, for the refusals, the robust covariance and the bootstrap.
    """
    make: Callable[[int], Histories] = partial(histories_of_part, parts, asked)
    if client is None:
        lives = [make(part) for part in range(len(parts))]
        terms, narrow = SummedTerms([_terms(one) for one in lives]), [_narrow(one) for one in lives]
        clock, kind = lives[0].clock, lives[0].kind
    else:
        there = futures_of(make, range(len(parts)), client=client)
        terms = SummedTerms(futures_of(_terms, there, client=client), client)
        narrow = client.gather(futures_of(_narrow, there, client=client))
        clock, kind = str(asked.get("clock", "flight_hours")), str(asked.get("kind", ""))
    entry, lower, upper, count, cluster = (
        np.concatenate([np.asarray(one[i], object if i == 4 else np.float64) for one in narrow])
        for i in range(5)
    )
    return fit_family(
        WEIBULL, lower=lower, upper=upper, entry=entry, count=count, cluster=list(cluster), terms=terms, clock=clock, kind=kind
    )  # fmt: skip
