"""Where do names stand among others: look-ups of whole columns at once."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

_MANY_NAMES = 2
"""Names for each cell from which on the cells are hashed, not the names."""


def places(cells: ArrayLike, names: ArrayLike) -> NDArray[np.int64]:
    """Return where each cell stands among names.

    Parameters
    ----------
    cells : array_like of str, shape (n,)
        What is looked up.
    names : array_like of str
        Among what; each once.

    Returns
    -------
    ndarray of int, shape (n,)
        Place among the names, -1 where it is not there.

    Notes
    -----
    The answer is that of `pandas.Index.get_indexer`. Columns that pyarrow holds are looked up
    by pyarrow, without a Python object for each cell; where there are many more names than cells, the cells are what is
    hashed, since a small table of hashes stays in the cache.

    Examples
    --------
    >>> places(pd.Series(["Z2", "Z9"]), pd.Index(["Z1", "Z2"])).tolist()
    [1, -1]
    """
    if not len(cells):  # a large set of names would be hashed for nothing
        return np.empty(0, dtype=np.int64)
    arrays = _in_arrow(cells), _in_arrow(names)
    if arrays[0] is None or arrays[1] is None:
        return pd.Index(names).get_indexer(pd.Index(cells)).astype(np.int64)
    import pyarrow.compute as pc

    if len(arrays[1]) <= _MANY_NAMES * len(arrays[0]):
        found = pc.fill_null(pc.index_in(arrays[0], value_set=arrays[1]), -1)
        return found.to_numpy().astype(np.int64)
    coded = pc.dictionary_encode(arrays[0], null_encoding="encode")
    hit = pc.fill_null(pc.index_in(arrays[1], value_set=coded.dictionary), -1).to_numpy()
    where = np.flatnonzero(hit >= 0)[::-1]  # of a name that stands twice the first
    at = np.full(len(coded.dictionary), -1, dtype=np.int64)
    at[hit[where]] = where
    return at[coded.indices.to_numpy()]


def among(cells: ArrayLike, names: Iterable[str]) -> NDArray[np.bool_]:
    """Return which cells are among names.

    Parameters
    ----------
    cells : array_like of str, shape (n,)
        What is looked up.
    names : iterable of str
        Among what.

    Returns
    -------
    ndarray of bool, shape (n,)
        The answer of `pandas.Series.isin`.

    Examples
    --------
    >>> among(pd.Series(["Z2", "Z9"]), {"Z1", "Z2"}).tolist()
    [True, False]
    """
    if not len(cells):  # a large set of names would be hashed for nothing
        return np.empty(0, dtype=bool)
    if not isinstance(names, pd.Series | pd.Index):
        names = pd.Series(list(names), dtype="str")
    arrays = _in_arrow(cells), _in_arrow(names)
    if arrays[0] is None or arrays[1] is None:
        return pd.Series(cells).isin(names).to_numpy(dtype=bool)
    import pyarrow.compute as pc

    return pc.is_in(arrays[0], value_set=arrays[1]).to_numpy(zero_copy_only=False).astype(bool)


def all_apart(cells: pd.Series) -> bool:
    """Return whether no two cells are alike, as far as their order tells it at once.

    Parameters
    ----------
    cells : Series of str
        A column.

    Returns
    -------
    bool
        True where each cell is greater than the one before; False says nothing.

    Examples
    --------
    >>> all_apart(pd.Series(["L1", "L2"])), all_apart(pd.Series(["L1", "L1"]))
    (True, False)
    """
    array = _in_arrow(cells)
    if array is None:
        return bool(cells.is_monotonic_increasing and cells.is_unique)
    import pyarrow.compute as pc

    return len(array) < 2 or (not array.null_count and pc.all(pc.less(array[:-1], array[1:])).as_py() is True)


def in_order(cells: pd.Series) -> bool:
    """Return whether cells rise from row to row, or stay.

    Parameters
    ----------
    cells : Series of str
        A column.

    Returns
    -------
    bool
        That of `pandas.Series.is_monotonic_increasing`.

    Examples
    --------
    >>> in_order(pd.Series(["L1", "L2", "L2"])), in_order(pd.Series(["L2", "L1"]))
    (True, False)
    """
    array = _in_arrow(cells)
    if array is None:
        return bool(cells.is_monotonic_increasing)
    import pyarrow.compute as pc

    return len(array) < 2 or pc.all(pc.less_equal(array[:-1], array[1:])).as_py() is True


def _in_arrow(cells: ArrayLike) -> object | None:
    """Return a column as pyarrow holds it, None where it does not."""
    dtype = getattr(cells, "dtype", None)
    if not isinstance(dtype, pd.StringDtype) or dtype.storage != "pyarrow":
        return None
    import pyarrow as pa

    found = pa.array(cells.array if isinstance(cells, pd.Series | pd.Index) else cells)
    return found.combine_chunks() if isinstance(found, pa.ChunkedArray) else found
