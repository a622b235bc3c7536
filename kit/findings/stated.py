"""Which packages, planned usage and targets were known on a day and in force: rows of dataset.toml with dates."""

from __future__ import annotations

import pandas as pd

PACKAGES, USAGE, TARGETS = "packages", "planned_usage", "targets"
"""Names of the three lists, as in dataset.toml and in a fingerprint."""

KEYS = {PACKAGES: "name", USAGE: "subtype", TARGETS: "structure_class"}
"""Column that says what a row is about; later rows about the same take the place of earlier ones."""

DATES = ("valid_from", "recorded_on")
"""Days of a row: first day in force, and day on which it became known; blank: always."""


def known_by(rows: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Return the rows that were known on a day.

    Parameters
    ----------
    rows : DataFrame
        With the column recorded_on; a blank day was always known.
    day : Timestamp
        The day.

    Returns
    -------
    DataFrame
        The rows, in their order.
    """
    return rows.loc[rows["recorded_on"].isna() | (rows["recorded_on"] <= day)]


def in_force(rows: pd.DataFrame, key: str, *, known_on: pd.Timestamp, cut_off: pd.Timestamp) -> pd.DataFrame:
    """Return the one row that is in force of each thing, as known on a day.

    Parameters
    ----------
    rows : DataFrame
        With the columns of `DATES`.
    key : str
        Column that says what a row is about.
    known_on : Timestamp
        Rows recorded later do not count.
    cut_off : Timestamp
        Rows valid only from later on do not count.

    Returns
    -------
    DataFrame
        The row of each thing with the latest valid_from, of several the one recorded last; in the order in which
        the things are first named.
    """
    known = known_by(rows, known_on)
    known = known.loc[known["valid_from"].isna() | (known["valid_from"] <= cut_off)]
    last = known.sort_values(list(DATES), na_position="first", kind="stable").drop_duplicates(
        key, keep="last"
    )
    order = pd.Index(rows[key].drop_duplicates())
    return last.set_index(key).reindex(order[order.isin(last[key])]).rename_axis(key).reset_index()
