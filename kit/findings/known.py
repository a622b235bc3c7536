"""Which rows of a table were known on a day, and which of them were superseded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings.check.problems import ProblemLog
from kit.findings.keys import all_apart, among
from kit.findings.read.columns import RawTable
from kit.findings.tables import GEOMETRIES, Table

MOST_CORRECTED = 0.5
"""Share of the cells that a correction may change before it is doubted that it is one [-]."""


@dataclass(frozen=True)
class KnownRows:
    """The rows of a table as they stood on a day.

    Parameters
    ----------
    current : DataFrame
        Typed rows known and not superseded.
    superseded : dict of str to str
        Id of each superseded row, and the id of the row that stands for it.
    ids : Series of str
        Ids of all rows known.
    later : Series of str
        Ids of the rows that became known only later.
    """

    current: pd.DataFrame
    superseded: dict[str, str]
    ids: pd.Series
    later: pd.Series


def rows_known(table: Table, raw: RawTable, known_on: pd.Timestamp, log: ProblemLog) -> KnownRows:
    """Return the rows of a table as they stood on a day.

    Parameters
    ----------
    table : Table
        What the table holds.
    raw : RawTable
        The table as read.
    known_on : Timestamp
        The day.
    log : ProblemLog
        Where problems go: an id twice, a correction of a row that is not there, two
        corrections of one row, corrections in a ring.

    Returns
    -------
    KnownRows
        Rows recorded by that day, less those that another such row corrects.

    Notes
    -----
    A row that corrects a row with the same id supersedes the rows of that id recorded before
    it. Rows whose `recorded_on` cannot be read count as known, so that they are reported.
    """
    key = table.id_column
    recorded = raw.typed["recorded_on"]
    is_known = (recorded.isna() | (recorded <= known_on)).to_numpy()
    rows = raw.typed if is_known.all() else raw.typed[is_known]
    ids, targets = rows[key], rows["replaces"]
    corrects = ((targets != "") & (ids != "") & rows["recorded_on"].notna()).to_numpy()
    gone = pd.Series(False, index=rows.index)
    superseded: dict[str, str] = {}
    if corrects.any():
        other = corrects & (targets != ids).to_numpy()
        gone, superseded = _superseded_by_others(table, rows, rows[other], log)
        gone |= _superseded_by_same_id(table, rows, corrects & ~other, log)
    current = rows[~gone] if gone.any() else rows
    later = raw.typed.loc[~is_known, key]
    _report_twice(table, current, raw.text, log)
    return KnownRows(
        current,
        superseded,
        ids[ids != ""],
        later[~among(later, ids)],
    )


def _superseded_by_others(
    table: Table, rows: pd.DataFrame, correcting: pd.DataFrame, log: ProblemLog
) -> tuple[pd.Series, dict[str, str]]:
    """Return which rows are superseded by rows with other ids, and what stands for each."""
    name, key = table.name, table.id_column
    target = correcting["replaces"]
    recorded = rows[rows[key].isin(target)].groupby(key)["recorded_on"].min()
    unknown = ~target.isin(recorded.index)
    log.add(
        name,
        correcting[unknown],
        "replaces",
        target[unknown],
        reason="corrects a row that is not there",
        expected=f"the id of a row of {name} that was recorded before",
        mend="correct the id, or leave the cell blank",
    )
    before = recorded.reindex(target).set_axis(target.index)
    early = ~unknown & (correcting["recorded_on"] < before)
    log.add(
        name,
        correcting[early],
        "replaces",
        target[early],
        reason="corrects a row that was recorded after it",
        expected=[f"recorded_on from {day:%Y-%m-%d} on" for day in before[early]],
        mend="correct recorded_on, or exchange the two rows",
    )
    valid = correcting[~unknown & ~early]
    forked = valid["replaces"].duplicated(keep=False)
    log.add(
        name,
        valid[forked],
        "replaces",
        valid.loc[forked, "replaces"],
        reason="one row is corrected by several rows",
        expected="one correction of each row, a further one correcting the correction",
        mend="name in the later row the earlier correction",
    )
    _report_other_subject(table, rows, valid[~forked], log)
    after = dict(zip(valid["replaces"], valid[key], strict=True))
    final: dict[str, str] = {}
    ring: set[str] = set()
    for start in after:
        seen = [start]
        while seen[-1] in after and after[seen[-1]] not in seen:
            seen.append(after[seen[-1]])
        if seen[-1] in after:
            ring.add(start)
        else:
            final[start] = seen[-1]
    if ring:
        looped = valid[valid[key].isin(ring)]
        log.add(
            name,
            looped,
            "replaces",
            looped["replaces"],
            reason="rows correct each other in a ring",
            expected="a chain that ends at the row that stands",
            mend="leave the cell of the first row blank",
        )
    # an id that two rows have is reported as such: it is not known which of them is corrected
    firsts = rows[(rows["replaces"] != rows[key]) & rows[key].isin(set(final))]
    twice = set(firsts.loc[firsts[key].duplicated(), key])
    return rows[key].isin(set(final) - twice), final


def _report_other_subject(table: Table, rows: pd.DataFrame, valid: pd.DataFrame, log: ProblemLog) -> None:
    """Report corrections that share so little with what they correct that another row may be meant."""
    if not len(valid):
        return
    key = table.id_column
    columns = [c.name for c in table.columns if c.type not in GEOMETRIES and c.name not in (key, "remarks")]
    old = rows.drop_duplicates(key).set_index(key)[columns].loc[valid["replaces"]]
    new = valid[columns]
    n_given, n_differ, n_named = (np.zeros(len(new)) for _ in range(3))
    names = {c.name for c in table.columns if c.type in ("ref", "refs")} | {table.event_date}
    for column in columns:
        first, second = old[column].to_numpy(dtype=object), new[column].to_numpy(dtype=object)
        blank = [pd.isna(cells) | np.isin(cells, ["", False]) for cells in (first, second)]
        n_given += ~(blank[0] & blank[1])
        differs = ~(blank[0] & blank[1]) & (first != second)
        n_differ += differs
        n_named += differs & (column in names)
    other = (n_differ > MOST_CORRECTED * n_given) | (n_named > 1)
    log.add(
        table.name,
        valid[other],
        "replaces",
        valid.loc[other, "replaces"],
        reason="the correction shares little with the row that it corrects",
        expected=[
            f"the same row with a few cells corrected ({a:.0f} of {b:.0f} differ)"
            for a, b in zip(n_differ[other], n_given[other], strict=True)
        ],
        mend="check the id in replaces: the row that it names does not count any more",
        warn=True,
    )


def _superseded_by_same_id(
    table: Table, rows: pd.DataFrame, corrects: np.ndarray, log: ProblemLog
) -> pd.Series:
    """Return which rows are superseded by a later row with the same id that says so."""
    gone = pd.Series(False, index=rows.index)
    if not corrects.any():
        return gone
    key = table.id_column
    frame = pd.DataFrame({"id": rows[key], "recorded": rows["recorded_on"], "corrects": corrects})
    frame = frame[frame["id"].isin(rows.loc[corrects, key]) & frame["recorded"].notna()]
    frame = frame.sort_values(["id", "recorded", "corrects"], kind="stable")
    first = ~frame["id"].duplicated() & frame["corrects"]
    alone = rows.loc[frame.index[first]]
    log.add(
        table.name,
        alone,
        "replaces",
        alone["replaces"],
        reason="corrects a row that is not there",
        expected=f"a row of {table.name} with this id, recorded before",
        mend="correct the id, or leave the cell blank",
    )
    last = frame[frame["corrects"]].groupby("id")["recorded"].transform("max").reindex(frame.index)
    last = frame["id"].map(last.groupby(frame["id"]).max())
    gone[frame.index] = (frame["recorded"] < last) | ((frame["recorded"] == last) & ~frame["corrects"])
    return gone


def _report_twice(table: Table, current: pd.DataFrame, text: pd.DataFrame, log: ProblemLog) -> None:
    """Report ids that several rows have: a copy is rejected, rows that differ all are."""
    key = table.id_column
    if all_apart(current[key]):
        return
    twice = current[key].duplicated(keep=False) & (current[key] != "")
    if not twice.any():
        return
    rows = current[twice].sort_values([key, "row"])
    written = text.loc[rows.index].drop(columns=["file", "row"])
    copies = written.duplicated()
    n_kinds = written.drop_duplicates().groupby(key).size()
    differ = rows[key].map(n_kinds) > 1
    first = rows.groupby(key)["row"].transform("min")
    last = rows.groupby(key)["row"].transform("max")
    other = first.where(rows["row"] != first, last)
    for mask, reason, mend in (
        (
            differ,
            "id used twice, and the rows differ",
            "give one row an id of its own, or say in replaces what it corrects",
        ),
        (copies & ~differ, "id used twice, the rows are equal", "take one of them out"),
    ):
        expected = [f"an id of its own; row {n} has the same" for n in other[mask]]
        log.add(table.name, rows[mask], key, rows.loc[mask, key], reason=reason, expected=expected, mend=mend)
