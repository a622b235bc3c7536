"""Columns that a table must have, and cells that hold several names."""

import itertools
from collections.abc import Iterable

import numpy as np
import pandas as pd

from kit.numerics.refusals import need


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
    need(what, frame, pd.DataFrame, "a table", f"Make a DataFrame of it{'; ' + hint if hint else ''}.")
    for name in names:
        if name not in frame.columns:
            then = f"; {hint}." if hint else "."
            raise ValueError(
                f"`{what}` must have a column {name}. Got {', '.join(map(str, frame.columns))}{then}"
            )


def one_name_a_row(rows: pd.DataFrame, column: str, name: str) -> pd.DataFrame:
    """Return rows with one for each name of a cell that holds several.

    Parameters
    ----------
    rows : DataFrame
        The rows.
    column : str
        Column whose cells hold names with ``;`` between them.
    name : str
        What to call the column of single names.

    Returns
    -------
    DataFrame
        The rows without `column` and with `name`, a row for each name, in order; rows whose cell is blank
        are left out. The index is that of the rows.

    Examples
    --------
    >>> one_name_a_row(pd.DataFrame({"task": ["K1"], "zones": ["Z1; Z2"]}), "zones", "zone")["zone"].tolist()
    ['Z1', 'Z2']
    """
    cells = [names_in(text) if isinstance(text, str) else [] for text in rows[column]]
    counts = np.fromiter(map(len, cells), dtype=np.int64, count=len(cells))
    names = pd.array(list(itertools.chain.from_iterable(cells)), dtype="str")
    return rows.drop(columns=column).take(np.repeat(np.arange(len(rows)), counts)).assign(**{name: names})


def names_in(text: str) -> list[str]:
    """Return the names of a cell that holds several with ; between them.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    list of str
        Without blanks round them.
    """
    return [name.strip() for name in text.split(";") if name.strip()]
