"""What is known of a fleet, now or on an earlier day."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pandas as pd

from kit.findings.check.check import check_tables
from kit.findings.check.counts import count_problems
from kit.findings.check.problems import sorted_problems
from kit.findings.fingerprint import ALL, digest_of_rows, digest_over_all, fingerprint, row_texts
from kit.findings.frames import one_name_a_row
from kit.findings.methods import is_damage
from kit.findings.read.columns import RawTable
from kit.findings.report.changes import as_day, changes, rows_since
from kit.findings.stated import DATES, KEYS, USAGE, in_force, known_by
from kit.findings.tables import TABLES
from kit.numerics.refusals import need


@dataclass(frozen=True, eq=False, repr=False)
class Fleet:
    """A dataset as it stood on a day: what was accepted, and what was wrong with the rest.

    Parameters
    ----------
    name, notice : str
        Name of the dataset, and what must be said of it.
    tables : dict of str to DataFrame
        Accepted current rows by table, in the order of their ids: days as datetime64, lengths
        and polygons in mm, flags as bool, text "" where blank; `file` and `row` say where a
        row stands.
    rejected, warnings : DataFrame
        Problems of rows that were rejected, and of rows accepted with a warning: table, file,
        row, column, value, reason, expected, mend.
    cut_off : Timestamp
        Last day of which events count.
    known_on : Timestamp
        Rows recorded after this day are left out.
    packages : DataFrame
        Scheduled checks in force, smallest first: name, flight_hours, flight_cycles, days.
    planned_usage : DataFrame
        What is in force for each subtype: flight_hours, flight_cycles [per year], aircraft.
    clocks : tuple of str
        Clocks that the dataset holds.
    source : str
        Where it was read.
    as_read : dict of str to RawTable
        Every table as read, rejected and superseded rows too, typed and as text.
    unusable : dict of str to DataFrame
        Rejected rows by table, as far as they could be read.
    file_problems : tuple of DataFrame
        Problems of rows that were not read, and of the headings; none where nothing was.
    stated : dict of str to DataFrame
        All rows of packages, planned usage and targets with valid_from and recorded_on, in force or not, by
        `PACKAGES`, `USAGE` and `TARGETS`.
    targets : DataFrame
        Target in force for each structure class that has one: structure_class, measure, per_10000_flight_hours,
        share_of_draws, window_flight_hours, basis.
    """

    name: str
    notice: str
    tables: dict[str, pd.DataFrame]
    rejected: pd.DataFrame
    warnings: pd.DataFrame
    cut_off: pd.Timestamp
    known_on: pd.Timestamp
    packages: pd.DataFrame
    planned_usage: pd.DataFrame
    clocks: tuple[str, ...]
    source: str
    as_read: dict[str, RawTable] = field(default_factory=dict)
    unusable: dict[str, pd.DataFrame] = field(default_factory=dict)
    file_problems: tuple[pd.DataFrame, ...] = ()
    stated: dict[str, pd.DataFrame] = field(default_factory=dict)
    targets: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["structure_class"]))

    def __repr__(self) -> str:
        """Return name, size, days and counts of problems on one line."""
        n_rows = sum(len(table) for table in self.tables.values())
        return (
            f"Fleet({self.name!r}: {len(self.tables['aircraft'])} aircraft, {len(self.tables['findings']):,} findings, "
            f"{n_rows:,} rows as known on {self.known_on:%Y-%m-%d}, cut-off {self.cut_off:%Y-%m-%d}, "
            f"{len(self.rejected):,} rejects, {len(self.warnings):,} warnings)"
        )

    def words(self) -> str:
        """Say in Markdown which dataset this is, as of when, how large, and what was set aside.

        Returns
        -------
        str
            Three lines: what it is, what is not in it, and its notice where it has one.
        """
        n_rows = sum(len(table) for table in self.tables.values())
        set_aside = len(self.rejected.drop_duplicates(["table", "row"]))
        warned = len(self.warnings.drop_duplicates(["table", "row"]))
        lines = [
            f"**{self.name}**, as known on {self.known_on:%Y-%m-%d}, cut-off {self.cut_off:%Y-%m-%d}: "
            f"{len(self.tables['aircraft'])} aircraft, {len(self.tables['findings']):,} findings, {n_rows:,} rows. "
            f"Fingerprint `{self.fingerprint()[ALL][:16]}`.",
            f"{set_aside:,} rows are set aside with a reason and do not count; {warned:,} are accepted with a warning.",
            *([self.notice] if self.notice else []),
        ]
        return "\n\n".join(lines)

    @property
    def damage(self) -> pd.DataFrame:
        """Accepted findings that stand for damage: not a false call, a duplicate or void."""
        findings = self.tables["findings"]
        return findings.loc[is_damage(findings)]

    @property
    def task_zones(self) -> pd.DataFrame:
        """The zones of each task, one a row: columns task and zone."""
        return one_name_a_row(self.tables["tasks"][["task", "zones"]], "zones", "zone")

    @property
    def zone_subtypes(self) -> pd.DataFrame:
        """The subtypes that have each zone, one a row: columns zone, group and subtype."""
        return one_name_a_row(self.tables["zones"][["zone", "group", "subtypes"]], "subtypes", "subtype")

    def as_known_on(self, date: str | pd.Timestamp) -> Fleet:
        """Return the whole dataset as it stood on a day.

        Parameters
        ----------
        date : str or Timestamp
            The day. A day after `known_on` changes nothing: no more is known.

        Returns
        -------
        Fleet
            Rows recorded by that day, less those that another such row corrects; a reference
            to a corrected row names the row that stands for it. The cut-off is no later than
            the day. The checks are made again on these rows, and their rejects are in
            `rejected`, without an error.

        Raises
        ------
        ValueError
            If `date` is not a day.
        """
        day = as_day(date)
        known_on, cut_off = min(day, self.known_on), min(day, self.cut_off)
        checked = check_tables(self.as_read, cut_off=cut_off, known_on=known_on)
        ragged, columns = self.file_problems or (pd.DataFrame(), pd.DataFrame())
        stated = self.stated_in_force(known_on=known_on, cut_off=cut_off)
        counts = count_problems(stated.get("planned_usage", self.planned_usage), checked.tables["aircraft"])
        return replace(
            self,
            **stated,
            tables=checked.tables,
            rejected=sorted_problems([ragged, checked.rejected]),
            warnings=sorted_problems([columns, checked.warnings, counts]),
            cut_off=cut_off,
            known_on=known_on,
            unusable=checked.unusable,
        )

    def fingerprint(self) -> dict[str, str]:
        """Return a SHA-256 of the accepted current rows of each table, and one over all.

        Returns
        -------
        dict of str to str
            Digest in hex by table, and over all tables under "all".

        Notes
        -----
        Rejected and superseded rows are not part of it: it stands for what analyses see. The
        order of rows and the lay-out of the files do not matter; any other change of an
        accepted cell does.
        """
        digests = fingerprint(self.tables)
        digests |= {name: digest_of_rows(rows) for name, rows in self.stated_known().items() if len(rows)}
        return digests | {ALL: digest_over_all(digests)}

    def stated_known(self) -> dict[str, pd.DataFrame]:
        """Return packages, planned usage and targets as known then, whether in force yet or not.

        Returns
        -------
        dict of str to DataFrame
            By list, with the days of each row.
        """
        return {name: known_by(rows, self.known_on) for name, rows in self.stated.items()}

    def stated_in_force(self, *, known_on: pd.Timestamp, cut_off: pd.Timestamp) -> dict[str, pd.DataFrame]:
        """Return packages, planned usage and targets in force, as known on a day.

        Parameters
        ----------
        known_on : Timestamp
            Rows recorded later do not count.
        cut_off : Timestamp
            Rows valid only from later on do not count.

        Returns
        -------
        dict of str to DataFrame
            The fields `packages`, `planned_usage` and `targets`; empty where nothing is stated with days.
        """
        out = {
            name: in_force(rows, KEYS[name], known_on=known_on, cut_off=cut_off).drop(columns=list(DATES))
            for name, rows in self.stated.items()
        }
        return out | {USAGE: out[USAGE].set_index(KEYS[USAGE])} if USAGE in out else out

    def row_texts(self) -> tuple[str, ...]:
        """Return every row that analyses see in its canonical form, packages, planned usage and targets included.

        Returns
        -------
        tuple of str
            As `kit.findings.fingerprint.row_texts` makes them, in order of table and id.
        """
        parts = {name: (table, TABLES[name].id_column) for name, table in self.tables.items()}
        for name, rows in self.stated_known().items():
            days = rows["valid_from"].dt.strftime(" from %Y-%m-%d").fillna("")
            noted = rows["recorded_on"].dt.strftime(" noted %Y-%m-%d").fillna("")
            parts[name] = (rows.assign(_id=rows[KEYS[name]].astype("str") + days + noted), "_id")
        return tuple(text for name in sorted(parts) for _, text in row_texts(name, *parts[name]))

    def rows_since(self, date: str | pd.Timestamp) -> pd.DataFrame:
        """Return rows that became known after a day and change what was known of it.

        Parameters
        ----------
        date : str or Timestamp
            The day.

        Returns
        -------
        DataFrame
            Columns table, id, replaces, recorded_on, event_date (NaT for a zone) and what:
            "late" for a row about an event up to the day, "corrected" for one that replaces
            such a row or one recorded by the day, "withdrawn" for a correction by which a
            finding is no damage any more. Rejected rows are left out.

        Raises
        ------
        ValueError
            If `date` is not a day.
        """
        return rows_since(self, as_day(date))

    def changes(self, since: str | pd.Timestamp, until: str | pd.Timestamp | None = None) -> pd.DataFrame:
        """Return all rows that became known after one day and up to another.

        Parameters
        ----------
        since : str or Timestamp
            The last day that does not count.
        until : str or Timestamp, optional
            The last day that counts; default `known_on`.

        Returns
        -------
        DataFrame
            Columns table, id, replaces, event_date (NaT for a zone), recorded_on, lag_days (from
            the event to the record [days]; nan for a zone), what, and changed, old and new:
            the columns that a correction changed and their cells before and after, as written,
            as tuples. In the order of recorded_on, table and id. What is "added", "added late"
            (more than 30 days after the event), "corrected", or "withdrawn" for a correction by
            which a finding is no damage any more.

        Raises
        ------
        ValueError
            If a day is none, or `since` is after `until`.

        See Also
        --------
        rows_since : Only the rows that bear on what was known of a day.

        Notes
        -----
        Rejected rows are left out. A row corrected later is listed on its own day, and its
        correction on its own. A removal written as a correction of the row of the fitting is
        "corrected", too. `changes(...).explode(["changed", "old", "new"])` gives a row for
        each changed cell.
        """
        start = as_day(since, "since")
        end = self.known_on if until is None else min(as_day(until, "until"), self.known_on)
        if until is not None and start > as_day(until, "until"):
            raise ValueError(
                f"`since` must not be after `until`. Got {start:%Y-%m-%d} and {as_day(until, 'until'):%Y-%m-%d}; exchange them."
            )
        return changes(self, start, end)


def need_fleet(fleet: object, *others: type, name: str = "fleet", must: str = "a fleet") -> None:
    """Refuse what is no fleet, before anything is asked of it.

    Parameters
    ----------
    fleet : object
        What was given.
    *others : type
        What else a call takes in its place.
    name : str
        Name of the argument.
    must : str
        What it must be, in words.

    Raises
    ------
    TypeError
        If it is none of these.
    """
    need(
        name,
        fleet,
        (Fleet, *others),
        must,
        "Load one with `kit.load_fleet(folder)`, and give what that returns.",
    )
