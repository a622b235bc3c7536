"""Columns that a table must have before a calculation begins."""

from collections.abc import Iterable

import pandas as pd


def need_columns(frame: pd.DataFrame, names: Iterable[str], what: str, hint: str = "") -> None:
    """Refuse a table without a column, by name.

    Parameters
    ----------
    frame : DataFrame
        The table.
    names : iterable of str
        Columns that it must have.
    what : str
        Name of the argument, for the message.
    hint : str
        Where such a table comes from, for the message.

    Raises
    ------
    ValueError
        If a column is missing; the first is named.
    """
    for name in names:
        if name not in frame.columns:
            then = f"; {hint}." if hint else "."
            raise ValueError(
                f"`{what}` must have a column {name}. Got {', '.join(map(str, frame.columns))}{then}"
            )
