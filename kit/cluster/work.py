"""Who works on the parts: this process, or the workers of a Dask cluster; the answer is the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from kit.findings import missing_package

if TYPE_CHECKING:
    from distributed import Client

Result = TypeVar("Result")
RETRIES = 2
"""How often work is tried again that failed through no fault of its own, such as a file that could not be read."""


@contextmanager
def local_cluster(workers: int = 2, *, memory: str = "2GiB") -> Iterator[Client]:
    """Start worker processes on this machine, and stop them afterwards: ``with local_cluster() as client:``.

    Parameters
    ----------
    workers : int
        Processes.
    memory : str
        Most memory of each.

    Yields
    ------
    Client
        Connected to them.

    Raises
    ------
    MissingPackage
        If dask[distributed] is not installed.
    """
    try:
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise missing_package("dask", extra="cluster", what="Work on several processes") from error
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            memory_limit=memory,
            dashboard_address=None,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client


def over_parts(
    function: Callable[..., Result], items: Sequence[Any], *more: Any, client: Client | None = None
) -> list[Result]:
    """Call a function for each item, here or on a cluster, and return what it gave in their order.

    Parameters
    ----------
    function : callable
        Called as ``function(item, *more)``; it must depend on nothing else.
    items : sequence
        Numbers of parts, or whatever the work is split into.
    *more : object
        Further arguments, the same for all.
    client : Client, optional
        A connected Dask client; without one the work is done here.

    Returns
    -------
    list
        One result an item. What a worker had when it died is worked out again by another.
    """
    if client is None:
        return [function(item, *more) for item in items]
    return client.gather(futures_of(function, items, *more, client=client))


def futures_of(function: Callable[..., Any], items: Sequence[Any], *more: Any, client: Client) -> list[Any]:
    """Call a function for each item on a cluster, and leave the results there.

    Parameters
    ----------
    function : callable
        As in `over_parts`.
    items : sequence
        Likewise; futures are taken for what they will be.
    *more : object
        Likewise.
    client : Client
        A connected Dask client.

    Returns
    -------
    list of Future
        One an item.
    """
    return client.map(function, items, *([one] * len(items) for one in more), retries=RETRIES, pure=False)
