"""What the checks of all tables work on together."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kit.findings.check.labels import ZoneLabels
from kit.findings.check.problems import ProblemLog
from kit.findings.fittings import Fittings
from kit.findings.known import KnownRows
from kit.findings.read.columns import RawTable

PLACED = (("findings", "inspection"), ("repairs", "finding"))
"""Tables and columns of which the checks ask where the row that is named stands: with millions of names a look-up is dear."""


@dataclass
class CheckContext:
    """What the checks work on: the rows known, what is accepted so far, and the problems.

    Parameters
    ----------
    raw : dict of str to RawTable
        Every table as read.
    known : dict of str to KnownRows
        Rows known of every table.
    tables : dict of str to DataFrame
        Accepted rows of the tables checked so far.
    log : ProblemLog
        Where problems go.
    cut_off : Timestamp
        Last day of which events count.
    labels : ZoneLabels or None
        Present and former labels, once zones are checked.
    fittings : Fittings or None
        Which panel was where, once panels are checked.
    places : dict of (str, str) to ndarray of int
        Of a table and a column of `PLACED`: where each row's name stands among the accepted rows that it names, -1 where
        it is not there. Looked up once, when references are resolved.
    looks_found : (ndarray of int, ndarray of int) or None
        Places of the accepted looks on which damage hangs, and on which any finding does, once findings are checked.
    """

    raw: dict[str, RawTable]
    known: dict[str, KnownRows]
    tables: dict[str, pd.DataFrame]
    log: ProblemLog
    cut_off: pd.Timestamp
    labels: ZoneLabels | None = None
    fittings: Fittings | None = None
    places: dict[tuple[str, str], np.ndarray] = field(default_factory=dict)
    looks_found: tuple[np.ndarray, np.ndarray] | None = None

    def text(self, name: str, rows: pd.DataFrame) -> pd.DataFrame:
        """Return rows of a table as they were written.

        Parameters
        ----------
        name : str
            The table.
        rows : DataFrame
            Typed rows of it.

        Returns
        -------
        DataFrame
            The same rows as text.
        """
        return self.raw[name].text.loc[rows.index]

    def report(self, name: str, rows: pd.DataFrame, mask: object, column: str, **words: object) -> None:
        """Report the rows of a mask, with the cells of a column as written.

        Parameters
        ----------
        name : str
            The table.
        rows : DataFrame
            Typed rows of it.
        mask : array_like of bool, shape (n_rows,)
            Which rows have the problem.
        column : str
            Column that holds it.
        **words
            Reason, expected, mend and warn, as for `ProblemLog.add`.
        """
        marked = np.asarray(mask, dtype=bool)
        if not marked.any():
            return
        bad = rows[marked]
        self.log.add(name, bad, column, self.text(name, bad)[column], **words)

    def sound(self, name: str, rows: pd.DataFrame) -> pd.DataFrame:
        """Return the rows that nothing has been found against.

        Parameters
        ----------
        name : str
            The table.
        rows : DataFrame
            Typed rows of it.

        Returns
        -------
        DataFrame
            Those not rejected so far.
        """
        labels = self.log.rejected_labels(name)
        lost = rows.index.isin(labels) if len(labels) else np.zeros(0, dtype=bool)
        return rows[~lost] if lost.any() else rows.copy(deep=False)
