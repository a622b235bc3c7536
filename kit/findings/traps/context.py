"""What the detectors of traps look at: accepted and rejected rows, what is fitted where, looks."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.fittings import Fittings
from kit.findings.looks import build_looks
from kit.findings.methods import is_damage
from kit.findings.tables import TABLES
from kit.findings.units import LIKELY

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

CASE_COLUMNS = ("table", "id", "file", "row", "column", "value", "found", "suggestion", "confidence")
"""Columns of what a detector returns."""


class TrapContext:
    """The tables of a fleet as detectors need them, each made once.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    """

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self._rows: dict[str, pd.DataFrame] = {}

    def rows(self, name: str) -> pd.DataFrame:
        """Return the rows of a table, the rejected ones too.

        Parameters
        ----------
        name : str
            The table.

        Returns
        -------
        DataFrame
            Typed rows; `accepted` says which are.
        """
        if name not in self._rows:
            good = self.fleet.tables[name].assign(accepted=True)
            bad = self.fleet.unusable.get(name)
            if bad is not None and len(bad):
                good = pd.concat([good, bad.assign(accepted=False)[list(good.columns)]], ignore_index=True)
            self._rows[name] = good
        return self._rows[name]

    @cached_property
    def damages(self) -> pd.DataFrame:
        """Return the findings that stand for damage, the rejected ones too."""
        rows = self.rows("findings")
        return rows[is_damage(rows)]

    @cached_property
    def zones(self) -> pd.DataFrame:
        """Return the accepted zones by label."""
        return self.fleet.tables["zones"].set_index("zone")

    @cached_property
    def fittings(self) -> Fittings:
        """Return which panel was where."""
        return Fittings(self.fleet.tables["panels"])

    @cached_property
    def looks(self) -> pd.DataFrame:
        """Return the looks by tapping, recorded and implied."""
        return build_looks(self.fleet)

    def is_mirror(self, first: ArrayLike, second: ArrayLike) -> NDArray[np.bool_]:
        """Return whether pairs of zones are of one group on either side of the aircraft.

        Parameters
        ----------
        first, second : array_like of str, shape (n,)
            Zones.

        Returns
        -------
        ndarray of bool, shape (n,)
            Whether they are.
        """
        one, two = (self.zones.reindex(pd.Index(zone)) for zone in (first, second))
        sides = {("left", "right"), ("right", "left")}
        opposite = [pair in sides for pair in zip(one["side"], two["side"], strict=True)]
        same = one["group"].to_numpy(dtype=object) == two["group"].to_numpy(dtype=object)
        return same & np.array(opposite, dtype=bool)

    def label_on(self, zone: ArrayLike, dates: ArrayLike) -> NDArray[np.object_]:
        """Return what zones were called on days.

        Parameters
        ----------
        zone : array_like of str, shape (n,)
            Present labels.
        dates : array_like of datetime64, shape (n,)
            Days.

        Returns
        -------
        ndarray of str, shape (n,)
            Labels of the day.
        """
        names = np.asarray(zone, dtype=object)
        rows = self.zones.reindex(pd.Index(names))
        old = ((rows["former_label"].fillna("") != "") & rows["former_label_until"].notna()).to_numpy()
        old = old & (np.asarray(dates, dtype="datetime64[us]") <= rows["former_label_until"].to_numpy())
        return np.where(old, rows["former_label"].to_numpy(dtype=object), names)

    def cases(
        self,
        name: str,
        rows: pd.DataFrame,
        column: str,
        found: Any,
        *,
        suggestion: Any = "",
        confidence: Any = LIKELY,
        value: Any = None,
    ) -> pd.DataFrame:
        """Return what was found as rows of a table.

        Parameters
        ----------
        name : str
            Table of the rows.
        rows : DataFrame
            Typed rows, with `file` and `row`.
        column : str
            Column that holds it, and that a correction would change.
        found, suggestion, confidence : str or array_like of str
            What was found, what to write instead, and how far the data bear it out; one for
            all rows or one each.
        value : array_like of str, optional
            The cells; as they were written where left out.

        Returns
        -------
        DataFrame
            The columns of `CASE_COLUMNS`.
        """
        cells = {
            "table": name,
            "id": rows[TABLES[name].id_column],
            "file": rows["file"],
            "row": rows["row"],
            "column": column,
            "value": self.written(name, rows, column) if value is None else value,
            "found": found,
            "suggestion": suggestion,
            "confidence": confidence,
        }
        cells = {
            key: np.asarray(cell, dtype=object) if np.ndim(cell) else cell for key, cell in cells.items()
        }
        return pd.DataFrame(cells, index=range(len(rows)), columns=list(CASE_COLUMNS))

    def written(self, name: str, rows: pd.DataFrame, column: str) -> NDArray[np.object_]:
        """Return the cells of a column as they were written.

        Parameters
        ----------
        name : str
            Table of the rows.
        rows : DataFrame
            Typed rows, with `file` and `row`.
        column : str
            The column.

        Returns
        -------
        ndarray of str, shape (n_rows,)
            The cells.
        """
        raw = self.fleet.as_read.get(name)
        if raw is None or column not in raw.text:
            return rows[column].astype("str").to_numpy(dtype=object)
        text = raw.text[raw.text["row"].isin(rows["row"])]
        keys = pd.MultiIndex.from_frame(text[["file", "row"]])
        cells = pd.Series(text[column].to_numpy(dtype=object), index=keys)
        cells = cells[~cells.index.duplicated()]
        return cells.reindex(pd.MultiIndex.from_frame(rows[["file", "row"]])).to_numpy(dtype=object)


def no_cases() -> pd.DataFrame:
    """Return a table of what was found without rows.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`.
    """
    return pd.DataFrame(columns=list(CASE_COLUMNS))


def together(*parts: pd.DataFrame) -> pd.DataFrame:
    """Put what was found together, each row once.

    Parameters
    ----------
    *parts : DataFrame
        Tables with the columns of `CASE_COLUMNS`, the surest first.

    Returns
    -------
    DataFrame
        The same columns; of several detections of one cell the first.
    """
    kept = [part for part in parts if len(part)]
    if not kept:
        return no_cases()
    every = pd.concat(kept, ignore_index=True)
    named = every["id"] != ""
    again = every.duplicated(["table", "id", "file", "row", "column"]) & named
    return every[~again].reset_index(drop=True)
