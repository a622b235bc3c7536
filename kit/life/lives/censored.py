"""Lives as periodic looks leave them: clean until one age, found by another, under watch from a third.

A life is one panel from new or renewed until it is removed, renewed or cut off. Damage
that was there when a look was clean does not exist here; what imperfect looks may have
missed is the business of the fit, so every history keeps the ages of all its looks.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.numerics.refusals import need


@dataclass(frozen=True, eq=False)
class Histories:
    """Lives, interval-censored, right-censored and left-truncated: clean until one age, found by another.

    Parameters
    ----------
    life : ndarray of object, shape (n,)
        Name of each life.
    entry : ndarray of float, shape (n,)
        Age at which the life comes under watch; it counts only because it was clean then [clock units].
    lower : ndarray of float, shape (n,)
        Age at the last clean look before the first find, or at the last look [clock units].
    upper : ndarray of float, shape (n,)
        Age at the first find; infinite if never found [clock units].
    count : ndarray of float, shape (n,)
        Number of lives that a row stands for [-].
    cluster : ndarray of object, shape (n,) or None
        Name of the cluster, usually the aircraft; lives of one cluster are not independent.
    look_age : ndarray of float, shape (n_looks,)
        Ages of the looks of all lives, one life after the other, up to the first find [clock units].
    look_start : ndarray of int, shape (n + 1,)
        Where the looks of each life begin in `look_age`.
    clock : str
        Clock of the ages.
    excluded : DataFrame
        Lives left out: columns life and reason.
    kind : str
        Kind of damage, empty where it was not said.
    look_method : ndarray of object, shape (n_looks,) or None
        Method of each look, where it was said.
    """

    life: NDArray[np.object_]
    entry: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    count: NDArray[np.float64]
    cluster: NDArray[np.object_] | None
    look_age: NDArray[np.float64]
    look_start: NDArray[np.int64]
    clock: str = "age"
    excluded: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame({"life": [], "reason": []}, dtype=object)
    )
    kind: str = ""
    look_method: NDArray[np.object_] | None = None

    def __len__(self) -> int:
        """Return the number of rows."""
        return self.lower.size

    def __repr__(self) -> str:
        """Return one line with the counts."""
        return (
            f"Histories(kind={self.kind!r}, clock={self.clock!r}, lives={self.n_lives:g}, "
            f"finds={self.n_finds:g}, excluded={len(self.excluded)})"
        )

    @property
    def n_lives(self) -> float:
        """Lives, counted with their count [-]."""
        return float(self.count.sum())

    @property
    def n_finds(self) -> float:
        """Lives with a find, counted with their count [-]."""
        return float(self.count[np.isfinite(self.upper)].sum())

    @property
    def excluded_by_reason(self) -> pd.Series:
        """Number of lives left out, by reason."""
        return self.excluded.groupby("reason", sort=True).size().rename("lives")

    def to_frame(self) -> pd.DataFrame:
        """Return the rows as a table.

        Returns
        -------
        DataFrame
            Columns life, entry, lower, upper, count, cluster, n_looks; ages in clock units.
        """
        return pd.DataFrame(
            {
                "life": self.life,
                "entry": self.entry,
                "lower": self.lower,
                "upper": self.upper,
                "count": self.count,
                "cluster": self.cluster if self.cluster is not None else self.life,
                "n_looks": np.diff(self.look_start),
            }
        )

    def take(self, rows: ArrayLike, *, count: ArrayLike | None = None) -> Histories:
        """Return some of the lives, with their looks.

        Parameters
        ----------
        rows : array_like of int
            Rows of the lives, in the order wanted.
        count : array_like of float, optional
            Number of lives that each stands for. Default: as it was.

        Returns
        -------
        Histories
            These lives.
        """
        at = np.asarray(rows, dtype=np.int64)
        lengths = np.diff(self.look_start)[at]
        start = np.r_[0, np.cumsum(lengths)].astype(np.int64)
        look = np.arange(start[-1]) - np.repeat(start[:-1], lengths) + np.repeat(self.look_start[at], lengths)
        return dataclasses.replace(
            self,
            life=self.life[at],
            entry=self.entry[at],
            lower=self.lower[at],
            upper=self.upper[at],
            count=self.count[at] if count is None else np.asarray(count, np.float64),
            cluster=None if self.cluster is None else self.cluster[at],
            look_age=self.look_age[look],
            look_start=start,
            look_method=None if self.look_method is None else self.look_method[look],
        )

    @classmethod
    def from_looks(
        cls,
        frame: pd.DataFrame,
        *,
        clock: str = "age",
        kind: str = "",
        excluded: pd.DataFrame | None = None,
    ) -> Histories:
        """Build histories from looks.

        Parameters
        ----------
        frame : DataFrame
            One row a look: columns ``life``, ``age`` [clock units], ``found`` (bool). Optional:
            ``entry``, ``cluster``, ``count``, the same for all looks of a life, and ``method``, the
            method of each look. Looks at or before the entry age are those that the life had to pass to come under watch. Looks after the
            first find say nothing of the onset and are not used.
        clock : str
            Name of the clock of ``age``.
        kind : str
            Kind of damage.
        excluded : DataFrame, optional
            Lives already left out (life, reason), to be counted with those left out here.

        Returns
        -------
        Histories
            One row a life, in the order of the life names.

        Raises
        ------
        ValueError
            If a column is missing, an age is negative or not finite, or a value that belongs to the
            life differs between its looks.

        Notes
        -----
        A life found at the first look after an entry with no look at the entry itself has its
        onset in (entry, age]. A life already found at or before its entry age is prevalent: it is
        left out and counted.

        Examples
        --------
        >>> looks = pd.DataFrame({"life": ["a", "a", "b"], "age": [400.0, 800.0, 500.0],
        ...                       "found": [False, True, False]})
        >>> Histories.from_looks(looks).to_frame()[["life", "lower", "upper"]]
          life  lower  upper
        0    a  400.0  800.0
        1    b  500.0    inf
        """
        need(
            "frame",
            frame,
            pd.DataFrame,
            "a table of looks",
            "Make a DataFrame with one row a look: life, age, found.",
        )
        missing = [name for name in ("life", "age", "found") if name not in frame.columns]
        if missing:
            raise ValueError(
                f"`frame` must have the columns life, age and found. Got {list(frame.columns)!r}: "
                f"{', '.join(missing)} missing. Rename the columns of the looks."
            )
        age = ages_of(frame, "life", "looks")
        left_out = [] if excluded is None else [excluded[["life", "reason"]].astype(object)]
        code, names = pd.factorize(frame["life"], sort=True)
        if (code < 0).any():
            raise ValueError(
                "`life` must name a life in every row. Got a blank. Fill it in, or drop the look."
            )
        said = frame["found"].isin([True, False])
        if not said.all():
            row = int(np.argmin(said))
            raise ValueError(
                f"`found` must be true or false for every look. Got {frame['found'].iloc[row]!r} in row {row} "
                f"(life={frame['life'].iloc[row]!r}). Say of each look whether it found damage."
            )
        found = frame["found"].to_numpy(bool)
        # A clean and a finding look at one age: the find counts, so it is sorted first.
        order = np.lexsort((~found, age, code))
        code, age, found = code[order], age[order], found[order]
        n = len(names)
        entry = _of_life(frame, "entry", code, order, n, 0.0)
        count = _of_life(frame, "count", code, order, n, 1.0)
        for name, values, floor in (("entry", entry, 0.0), ("count", count, np.finfo(float).tiny)):
            wrong = np.flatnonzero(~(np.isfinite(values) & (values >= floor)))
            if wrong.size:
                raise ValueError(
                    f"`{name}` must be finite and {'at least 0' if name == 'entry' else 'above 0'}. "
                    f"Got {values[wrong[0]]:g} for life {names[wrong[0]]!r}. Correct it, or leave the life out."
                )
        cluster = None
        if "cluster" in frame.columns:
            cluster = np.empty(n, object)
            cluster[code[::-1]] = frame["cluster"].to_numpy(object)[order][::-1]

        position = np.arange(age.size)
        start = np.searchsorted(code, np.arange(n + 1))
        first_find = np.minimum.reduceat(np.where(found, position, age.size), start[:-1]) if n else start[:0]
        has_find = first_find < age.size
        end = np.where(has_find, first_find, start[1:] - 1)  # last look that is used
        upper = np.where(has_find, age[np.minimum(first_find, age.size - 1)], np.inf) if n else np.empty(0)
        prevalent = has_find & (upper <= entry) & ((entry > 0) | (upper == 0))
        # The last clean look: the look before the find unless that is another life's.
        before = end - 1
        lower = np.where(
            has_find,
            np.where(before >= start[:-1], age[np.maximum(before, 0)], 0.0),
            age[np.maximum(end, 0)],
        )
        lower = np.maximum(lower, entry)
        no_watch = ~has_find & (lower <= entry)  # clean, and never seen after its entry: nothing known
        keep = ~prevalent & ~no_watch
        for mask, reason in (
            (prevalent, "already damaged at its first recorded look (prevalent)"),
            (no_watch, "no look after it came under watch"),
        ):
            if mask.any():
                left_out.append(
                    pd.DataFrame({"life": np.asarray(names)[mask], "reason": reason}, dtype=object)
                )
        used = (position <= end[code]) & keep[code]
        lengths = np.bincount(code[used], minlength=n)[keep]
        return cls(
            np.asarray(names, dtype=object)[keep],
            entry[keep],
            lower[keep],
            upper[keep],
            count[keep],
            None if cluster is None else cluster[keep],
            age[used],
            np.r_[0, np.cumsum(lengths)].astype(np.int64),
            clock,
            pd.concat(left_out, ignore_index=True)
            if left_out
            else pd.DataFrame({"life": [], "reason": []}, dtype=object),
            kind,
            frame["method"].to_numpy(object)[order][used] if "method" in frame.columns else None,
        )


def _of_life(
    frame: pd.DataFrame,
    column: str,
    code: NDArray[np.int64],
    order: NDArray[np.int64],
    n: int,
    default: float,
) -> NDArray[np.float64]:
    """Value of a column that is the same for all looks of a life."""
    if column not in frame.columns:
        return np.full(n, default)
    values = frame[column].to_numpy(np.float64)[order]
    out = np.empty(n)
    out[code] = values
    differs = np.flatnonzero(out[code] != values)
    if differs.size:
        raise ValueError(
            f"`{column}` must be the same for all looks of a life. Got {values[differs[0]]:g} and "
            f"{out[code[differs[0]]]:g} for one life ({frame['life'].iloc[order[differs[0]]]!r}). Correct one of them."
        )
    return out


def need_histories(histories: object) -> None:
    """Refuse what is no histories.

    Parameters
    ----------
    histories : object
        What was given.

    Raises
    ------
    TypeError
        If it is something else.
    """
    do = "Make them with `kit.build_histories` or `kit.Histories.from_looks`."
    need("histories", histories, Histories, "histories with the ages of their looks", do)


def ages_of(frame: pd.DataFrame, of: str, rows: str) -> NDArray[np.float64]:
    """Return the ages of a table's rows, each known and not below 0.

    Parameters
    ----------
    frame : DataFrame
        With the column age [clock units].
    of : str
        Column that names whose age it is, for the message.
    rows : str
        What the rows are, in the plural, for the message.

    Returns
    -------
    ndarray of float
        Ages [clock units].

    Raises
    ------
    ValueError
        If one is missing, infinite or below 0.
    """
    age = frame["age"].to_numpy(np.float64)
    bad = np.flatnonzero(~(np.isfinite(age) & (age >= 0)))
    if bad.size:
        raise ValueError(
            f"`age` must be finite and at least 0: {bad.size} of {age.size} {rows} are not, first row {bad[0]} "
            f"({of}={frame[of].iloc[bad[0]]!r}, age={age[bad[0]]:g}). Give each an age, or drop those at unknown ages."
        )
    return age


def looks_with_entries(
    histories: Histories,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.object_] | None, NDArray[np.int64]]:
    """Return all looks, with one at its entry for each life that came under watch late.

    Parameters
    ----------
    histories : Histories
        With the ages of all looks.

    Returns
    -------
    age : ndarray of float, shape (n_looks,)
        Ages, life by life, rising; of two looks of a life at one age both stay [clock units].
    life : ndarray of int, shape (n_looks,)
        Row of the life of each.
    method : ndarray of object, shape (n_looks,) or None
        Method of each; blank for a look at an entry that is not on record.
    start : ndarray of int, shape (n_lives + 1,)
        Where the looks of each life begin.
    """
    n = len(histories)
    age, life = histories.look_age, np.repeat(np.arange(n), np.diff(histories.look_start))
    # Every life that entered late passed a look at its entry, recorded or not.
    passed = np.zeros(n, bool)
    passed[life[age == histories.entry[life]]] = True
    more = np.flatnonzero((histories.entry > 0) & ~passed)
    age, life = np.r_[age, histories.entry[more]], np.r_[life, more]
    order = np.lexsort((age, life))
    method = histories.look_method
    if method is not None:
        method = np.r_[method, np.full(more.size, "", dtype=object)][order]
    return age[order], life[order], method, np.searchsorted(life[order], np.arange(n + 1))


def check_rows(
    lower: ArrayLike,
    upper: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], ...]:
    """Check rows of known ages and return them as arrays.

    Parameters
    ----------
    lower, upper : array_like of float, shape (n,)
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.

    Returns
    -------
    entry, lower, upper, count : ndarray of float, shape (n,)
        The rows.

    Raises
    ------
    ValueError
        If a row does not have 0 <= entry <= lower <= upper, or a count is not positive.
    """
    low, up = (np.atleast_1d(np.asarray(x, np.float64)) for x in (lower, upper))
    if low.ndim != 1 or low.shape != up.shape:
        raise ValueError(f"`lower` and `upper` must be of one length. Got shapes {low.shape} and {up.shape}.")
    start = np.zeros_like(low) if entry is None else np.broadcast_to(np.asarray(entry, np.float64), low.shape)
    number = np.ones_like(low) if count is None else np.broadcast_to(np.asarray(count, np.float64), low.shape)
    good = (start >= 0) & (start <= low) & (low <= up) & (low < np.inf) & (up > 0)
    if not good.all():
        row = int(np.argmin(good))
        raise ValueError(
            f"Each row must have 0 <= entry <= lower <= upper, finite but for `upper`: {int((~good).sum())} of "
            f"{low.size} rows do not, first row {row} (entry={start[row]:g}, lower={low[row]:g}, upper={up[row]:g}). "
            "Check the order of the inspection dates and the unit of the ages."
        )
    positive = (number > 0) & (number < np.inf)
    if not positive.all():
        row = int(np.argmin(positive))
        raise ValueError(
            f"`count` must be above 0 in every row. Got {number[row]:g} in row {row}. Drop rows of no life."
        )
    return start, low, up, number
