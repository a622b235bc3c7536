"""What can be told of millions of cells from the bytes of a column of text, without a look at each cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

_FIRST_SEEN, _LAST_SEEN = 0x21, 0x7E  # of ASCII: neither blank nor control
_ZERO, _NINE = ord("0"), ord("9")


@dataclass(frozen=True)
class TextBytes:
    """A column of text as pyarrow holds it: one cell after the other.

    Parameters
    ----------
    data : ndarray of uint8
        UTF-8 of all cells.
    start : ndarray of int, shape (n + 1,)
        Where each cell begins in it, and where the last one ends.
    """

    data: NDArray[np.uint8]
    start: NDArray[np.integer]

    @property
    def longest(self) -> int:
        """Most bytes of a cell, which has no more letters than that."""
        return int(np.diff(self.start).max(initial=0))

    @property
    def lowest(self) -> int:
        """Lowest byte; 255 where there is none."""
        return int(self.data.min(initial=255))

    @property
    def all_seen(self) -> bool:
        """Whether all is ASCII without blanks and control characters."""
        return self.lowest >= _FIRST_SEEN and int(self.data.max(initial=0)) <= _LAST_SEEN

    def numbered(self, word: str) -> bool:
        """Return whether every cell is a word with digits behind it, or the word alone.

        Parameters
        ----------
        word : str
            What each cell begins with.

        Returns
        -------
        bool
            Whether it is so.
        """
        letters = np.frombuffer(word.encode(), np.uint8)
        n, k = self.start.size - 1, letters.size
        if (np.diff(self.start) < k).any():
            return False
        begins = all((self.data[self.start[:-1] + i] == letter).all() for i, letter in enumerate(letters))
        own = ((letters >= _ZERO) & (letters <= _NINE)).sum()
        digits = np.count_nonzero((self.data >= _ZERO) & (self.data <= _NINE))
        return bool(begins and digits - n * own == self.data.size - n * k)


def text_bytes(cells: pd.Series) -> TextBytes | None:
    """Return the bytes of a column of text.

    Parameters
    ----------
    cells : Series
        A column.

    Returns
    -------
    TextBytes or None
        None where pyarrow does not hold it, or where a cell is missing.

    Examples
    --------
    >>> held = text_bytes(pd.Series(["L01", "L2"], dtype="string[pyarrow]"))
    >>> held is None or (held.longest, held.all_seen, held.numbered("L"))
    (3, True, True)
    """
    dtype = cells.dtype
    if not isinstance(dtype, pd.StringDtype) or dtype.storage != "pyarrow":
        return None
    import pyarrow as pa

    held = pa.array(cells.array)
    held = held.combine_chunks() if isinstance(held, pa.ChunkedArray) else held
    if held.null_count or not (pa.types.is_large_string(held.type) or pa.types.is_string(held.type)):
        return None
    _, places, data = held.buffers()
    kind = np.int64 if pa.types.is_large_string(held.type) else np.int32
    if not len(held):
        return TextBytes(np.empty(0, np.uint8), np.zeros(1, kind))
    start = np.frombuffer(places, kind)[held.offset : held.offset + len(held) + 1]
    every = np.empty(0, np.uint8) if data is None else np.frombuffer(data, np.uint8)
    return TextBytes(every[start[0] : start[-1]], start - start[0])
