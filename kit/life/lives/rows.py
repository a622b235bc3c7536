"""The one way in for all fits of lives: histories, a table of rows, or arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.life.lives.censored import Histories, check_rows
from kit.numerics.refusals import described
from kit.numerics.typing import Floats

WAYS = "histories, a table with the columns lower and upper (optional entry, count, cluster), or left out for arrays"
_DO = "Make histories of a fleet with `kit.build_histories(fleet)` and of a table of looks with `kit.Histories.from_looks(frame)`."


@dataclass(frozen=True, kw_only=True, eq=False)
class LifeRows:
    """Checked rows of lives, whatever way they came in.

    Parameters
    ----------
    entry, lower, upper, count : ndarray of float, shape (n,)
        As `kit.life.lives.histories.check_rows` gives them [clock units], [-].
    cluster : ndarray of object, shape (n,) or None
        Name of each row's cluster.
    clock, kind : str
        Clock of the ages, and kind of damage; empty where it was not said.
    histories : Histories or None
        The same with the ages of all looks, where they are known.
    table : DataFrame or None
        The table that the rows came from, with whatever other columns it has.
    """

    entry: Floats
    lower: Floats
    upper: Floats
    count: Floats
    cluster: NDArray[np.object_] | None
    clock: str
    kind: str
    histories: Histories | None = field(repr=False)
    table: pd.DataFrame | None = field(repr=False)

    @property
    def cluster_code(self) -> NDArray[np.int64] | None:
        """Number of each row's cluster; None where there are none, or one only, which says nothing of how they differ."""
        if self.cluster is None:
            return None
        code = pd.factorize(self.cluster)[0].astype(np.int64)
        return code if code.size and code.max() > 0 else None

    @property
    def found(self) -> NDArray[np.bool_]:
        """Rows with a find."""
        return np.isfinite(self.upper)

    def looks(self, detection: object) -> Histories:
        """Return the histories with the ages of all looks, which imperfect looks need.

        Parameters
        ----------
        detection : object
            The detection that asks for them, for the message.

        Returns
        -------
        Histories
            In the order of the rows.

        Raises
        ------
        ValueError
            If the rows came without the ages of the looks.
        """
        if self.histories is None:
            raise ValueError(
                f"`detection` below 1 needs the ages of all looks. Got detection={detection!r} and no `histories`, but "
                "`lower` and `upper` only. Build histories with `Histories.from_looks` or `build_histories`, and give them, or "
                "give them beside the table that was made from them."
            )
        return self.histories


def life_rows(
    histories: Histories | pd.DataFrame | None,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | str | None = None,
    looks: Histories | None = None,
    name: str = "histories",
) -> LifeRows:
    """Check what was given of the lives, in any of the ways that fits take.

    Parameters
    ----------
    histories : Histories, DataFrame or None
        Histories, or one row a life with the columns of `Histories.to_frame`: lower, upper, optional entry, count
        and cluster.
    lower, upper, entry, count : array_like of float, shape (n,), optional
        In place of it, or of these columns of a table that has none of lower and upper.
    cluster : sequence, shape (n,), or str, optional
        Name of each row's cluster, or of the column of a table that has it.
    looks : Histories, optional
        The histories that the rows of a table were made from; its column life says which is which.
    name : str
        Name of the first argument, for messages.

    Returns
    -------
    LifeRows
        The rows.

    Raises
    ------
    TypeError
        If the first argument is none of these.
    ValueError
        If the arguments do not go together, a column is missing, or rows are impossible.
    """
    if histories is None:
        if lower is None or upper is None:
            raise ValueError(f"Give either `{name}`, or both `lower` and `upper`.")
        table = None
    elif isinstance(histories, Histories):
        if lower is not None or upper is not None:
            raise ValueError(f"Give either `{name}` or `lower` and `upper`, not both.")
        if any(x is not None for x in (entry, count, cluster)):
            raise ValueError(
                "`entry`, `count` and `cluster` belong to `lower` and `upper`; histories carry their own."
            )
        h = histories
        return LifeRows(
            entry=h.entry, lower=h.lower, upper=h.upper, count=h.count, cluster=h.cluster, clock=h.clock, kind=h.kind,
            histories=h, table=None,
        )  # fmt: skip
    elif isinstance(histories, pd.DataFrame):
        table = histories
    else:
        raise TypeError(f"`{name}` must be {WAYS} `lower=` and `upper=`. Got {described(histories)}. {_DO}")
    has = set() if table is None else {"lower", "upper"} & set(table.columns)
    if table is not None and lower is None and upper is None and has != {"lower", "upper"}:
        do = (
            _DO
            if "found" in table.columns
            else "Make the rows with `Histories.to_frame`, or give `lower=` and `upper=`."
        )
        raise ValueError(
            f"`{name}` must have the columns lower and upper. Got {', '.join(map(str, table.columns))}. {do}"
        )
    if has and (lower is not None or upper is not None):
        raise ValueError(
            "Give either a table with the columns lower and upper or `lower=` and `upper=`, not both."
        )
    given = {"lower": lower, "upper": upper, "entry": entry, "count": count}
    column = {key: _column(table, key) if value is None else value for key, value in given.items()}
    start, low, up, number = check_rows(column["lower"], column["upper"], column["entry"], column["count"])
    if table is not None and len(table) != low.size:
        raise ValueError(
            f"`lower` must have {len(table)} entries, one for each row of `{name}`. Got {low.size}."
        )
    clusters = _clusters(table, cluster, low.size)
    attributes = {} if table is None else table.attrs
    taken = None if looks is None else _same_lives(table, looks, low, up, number, name)
    return LifeRows(
        entry=start, lower=low, upper=up, count=number, cluster=clusters, clock=str(attributes.get("clock", "age")),
        kind=str(attributes.get("kind", "")), histories=taken, table=table,
    )  # fmt: skip


def _column(table: pd.DataFrame | None, name: str) -> ArrayLike | None:
    return None if table is None or name not in table.columns else table[name].to_numpy()


def _clusters(
    table: pd.DataFrame | None, cluster: Sequence[object] | str | None, n: int
) -> NDArray[np.object_] | None:
    """Name of each row's cluster, where there are any."""
    name = cluster if isinstance(cluster, str) else "cluster"
    if cluster is None or isinstance(cluster, str):
        if table is None or name not in table.columns:
            if cluster is not None:
                there = "no table" if table is None else ", ".join(map(str, table.columns))
                raise ValueError(f"`cluster` must name a column. Got {cluster!r}. There are {there}.")
            return None
        values = table[name].astype(object).to_numpy()
    else:
        values = np.asarray(cluster, dtype=object)
    if values.shape != (n,):
        raise ValueError(f"`cluster` must have {n} entries, one for each row. Got {values.size}.")
    blank = pd.isna(values)
    if blank.any():
        raise ValueError(
            f"{name!r} must name a cluster in every row. Got a blank in row {int(np.argmax(blank))}. Fill it in."
        )
    return values


def _same_lives(
    table: pd.DataFrame | None, looks: Histories, lower: Floats, upper: Floats, count: Floats, name: str
) -> Histories:
    """Histories in the order of the rows, with the counts of the rows."""
    if table is None or "life" not in table.columns:
        raise ValueError(
            f"`histories` go with a table that says in a column life which row is which. Got no column life in `{name}`."
        )
    at = pd.Index(looks.life).get_indexer(table["life"])
    if (at < 0).any():
        raise ValueError(
            f"`histories` must hold every life of the rows. Got none for {table['life'].iloc[int(np.argmin(at))]!r}."
        )
    taken = looks.take(at, count=count)
    differs = np.flatnonzero((taken.lower != lower) | (taken.upper != upper))
    if differs.size:
        raise ValueError(
            f"`histories` must say the same as the rows. Got other ages for {table['life'].iloc[differs[0]]!r}. "
            "Make the rows from these histories."
        )
    return taken
