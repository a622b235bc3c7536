"""How far long work has come: a line on the terminal of whoever waits for it, and nothing anywhere else."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

Item = TypeVar("Item")


def progress(items: Iterable[Item], what: str, *, total: int | None = None) -> Iterator[Item]:
    """Go through items and show on standard error how many are done, if that is a terminal.

    Parameters
    ----------
    items : iterable
        What is gone through.
    what : str
        What the items are.
    total : int, optional
        How many there are, where it cannot be asked of them.

    Yields
    ------
    object
        The items, one after the other.
    """
    if not sys.stderr.isatty():
        yield from items
        return
    from tqdm import tqdm  # only who watches needs it

    yield from tqdm(items, desc=what, total=total, file=sys.stderr, leave=False)
