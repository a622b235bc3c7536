"""Work that does not hang together, on all cores: what each core needs is inherited, not sent."""

from __future__ import annotations

import multiprocessing
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
Mapped = Callable[[Callable[[Item], Result], Iterable[Item]], Iterable[Result]]
"""How a function is called on each of some items: the built-in `map`, or `forked_map`."""

_inherited: list[
    tuple[Callable, list]
] = []  # what worker processes see, since a fleet is too large to be sent


def forked_map(work: Callable[[Item], Result], items: Iterable[Item]) -> Iterator[Result]:
    """Call a function on each item, on all cores where processes can be forked.

    Parameters
    ----------
    work : callable
        Takes an item; it and what it refers to are inherited, so that they need not be sent from process to process.
    items : iterable
        What it is called with.

    Yields
    ------
    object
        What it gave, in the order of the items; it is sent back, so it must be plain enough for that.

    Raises
    ------
    Exception
        What `work` raised for the first item in their order for which it did.

    Notes
    -----
    Each answer is that of `map`: no work sees what another did. Where there is one core or one item, or where processes
    cannot be forked, it is `map`. Not for a process with busy threads, such as a notebook's kernel: a lock that
    another thread holds would never open in the fork.

    Examples
    --------
    >>> list(forked_map(str.upper, ["a", "b"]))
    ['A', 'B']
    """
    listed = list(items)
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = min(cores, len(listed))
    if workers <= 1 or "fork" not in multiprocessing.get_all_start_methods() or sys.platform == "darwin":
        yield from map(work, listed)
        return
    _inherited.append((work, listed))
    try:
        context = multiprocessing.get_context("fork")
        with warnings.catch_warnings(), ProcessPoolExecutor(workers, mp_context=context) as pool:
            # Threads of libraries are idle here, so that nothing holds a lock that a child would wait for.
            warnings.filterwarnings("ignore", "This process .* is multi-threaded", DeprecationWarning)
            results = [pool.submit(_one, len(_inherited) - 1, k) for k in range(len(listed))]
            try:
                for one in results:
                    yield one.result()
            finally:
                pool.shutdown(cancel_futures=True)
    finally:
        _inherited.pop()


def _one(depth: int, number: int) -> object:
    work, listed = _inherited[depth]
    return work(listed[number])
