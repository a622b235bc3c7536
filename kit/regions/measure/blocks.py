"""Work over arrays in blocks that stay in cache, on two threads where there is enough of it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

_THREADS = min(2, os.cpu_count() or 1)


def over(work: Callable[[object], object], parts: Iterable[object]) -> list[object]:
    """Call a function on each part; numpy and shapely let go of the interpreter while they work."""
    every = list(parts)
    if len(every) < 2 or _THREADS < 2:
        return [work(part) for part in every]
    with ThreadPoolExecutor(_THREADS) as pool:
        return list(pool.map(work, every))


def slices(n: int, rows: int) -> list[slice]:
    """Cut n rows into blocks; no rows are one empty block."""
    return [slice(first, min(first + rows, n)) for first in range(0, max(n, 1), rows)]


def by_rows(work: Callable[..., NDArray], *arrays: NDArray, rows: int = 20_000) -> NDArray:
    """Call a function of arrays on their rows, block by block, and join the answers."""
    return np.concatenate(over(lambda cut: work(*(a[cut] for a in arrays)), slices(len(arrays[0]), rows)))
