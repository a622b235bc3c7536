"""Random work spread over a cluster: the same numbers for any number of workers."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from kit.cluster.work import over_parts
from kit.life import BootstrapFits, LifeFit
from kit.life import bootstrap as bootstrap_in_memory

if TYPE_CHECKING:
    from distributed import Client

Result = TypeVar("Result")
TOGETHER = 64
"""Draws a piece: the pieces, and so the numbers, do not depend on who works on them."""


def spread(
    function: Callable[[np.random.SeedSequence, int], Result],
    n: int,
    *,
    seed: int,
    client: Client | None = None,
) -> list[Result]:
    """Split draws into pieces, each with a stream of its own.

    Parameters
    ----------
    function : callable
        Called as ``function(stream, how_many)`` with a `numpy.random.SeedSequence`.
    n : int
        Draws in all.
    seed : int
        Of all of them.
    client : Client, optional
        A connected Dask client; without one the work is done here.

    Returns
    -------
    list
        What each piece gave, in their order: the same for any number of workers.

    Raises
    ------
    ValueError
        If `n` is below 1.

    References
    ----------
    .. [1] J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, "Parallel random numbers: as easy as 1, 2, 3", *SC'11*,
       2011; `numpy.random.SeedSequence.spawn` makes streams that do not overlap.
    """
    if not n >= 1:
        raise ValueError(f"`n` must be at least 1. Got {n!r}.")
    sizes = [min(TOGETHER, n - at) for at in range(0, n, TOGETHER)]
    streams = np.random.SeedSequence(seed).spawn(len(sizes))
    return over_parts(partial(_piece, function), list(zip(streams, sizes, strict=True)), client=client)


def _piece(
    function: Callable[[np.random.SeedSequence, int], Result], piece: tuple[np.random.SeedSequence, int]
) -> Result:
    return function(*piece)


def bootstrap(
    fit: LifeFit, n: int = 1000, *, seed: int, resample: str = "cluster", client: Client | None = None
) -> BootstrapFits:
    """Fit a life again to data drawn anew, the draws spread over workers.

    Parameters
    ----------
    fit : LifeFit
        The fit, in memory or from parts.
    n : int
        Number of draws.
    seed : int
        Of all of them; the streams are others than those of `kit.life.bootstrap`.
    resample : str
        ``cluster`` or ``parametric``, as there.
    client : Client, optional
        A connected Dask client; without one the work is done here.

    Returns
    -------
    BootstrapFits
        The draws: the same for any number of workers, and here.
    """
    there = fit if client is None else client.scatter(_plain(fit), broadcast=True)
    some = over_parts(_draw_again, _pieces(n, seed), there, resample, client=client)
    return dataclasses.replace(
        some[0],
        points=np.concatenate([one.points for one in some]),
        n_draws=sum(one.n_draws for one in some),
        n_refused=sum(one.n_refused for one in some),
    )


def _pieces(n: int, seed: int) -> list[tuple[int, int]]:
    return spread(_first_number, n, seed=seed)


def _first_number(stream: np.random.SeedSequence, n: int) -> tuple[int, int]:
    return int(stream.generate_state(1, np.uint64)[0]), n


def _draw_again(piece: tuple[int, int], fit: LifeFit, resample: str) -> BootstrapFits:
    return bootstrap_in_memory(fit, piece[1], seed=piece[0], resample=resample)


def _plain(fit: LifeFit) -> LifeFit:
    """Return the fit without what cannot leave this process: a likelihood in parts."""
    from kit.cluster.fit import SummedTerms

    return dataclasses.replace(fit, terms=None) if isinstance(fit.terms, SummedTerms) else fit
