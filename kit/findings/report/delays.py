"""How long until an event is in the records, and which of the newest months are not complete."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings.dates import day_numbers
from kit.findings.report.changes import as_day, recorded_rows
from kit.numerics.words import percent

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

DELAY_TABLES = ("findings", "cards")
"""Tables of which the reporting delay is estimated."""

_MONTHS_NAMED = 6


@dataclass(frozen=True, eq=False, repr=False)
class ReportingDelay:
    """How long after its event a row was recorded, allowing for rows that are still to come.

    Parameters
    ----------
    table : str
        Table of the rows.
    known_on : Timestamp
        Day up to which rows are known; NaT where it was not given.
    delay_days : ndarray of float, shape (n,)
        Delays that occur, rising [days].
    share : ndarray of float, shape (n,)
        Share recorded within each delay, corrected for right truncation [-].
    standard_error : ndarray of float, shape (n,)
        Standard error of `share` [-].
    naive_share : ndarray of float, shape (n,)
        The plain share of the rows known [-]; too high at short delays.
    horizon_days : float
        Longest delay that the data can tell of [days]; shares are of the rows recorded within it.
    n_rows : int
        Rows used.
    left_out : DataFrame
        Columns reason and rows: rows that were not used.
    """

    table: str
    known_on: pd.Timestamp
    delay_days: NDArray[np.float64]
    share: NDArray[np.float64]
    standard_error: NDArray[np.float64]
    naive_share: NDArray[np.float64]
    horizon_days: float
    n_rows: int
    left_out: pd.DataFrame = field(default_factory=lambda: pd.DataFrame({"reason": [], "rows": []}))

    def __repr__(self) -> str:
        """Return table, rows and the days within which half and 95 % are recorded."""
        known = "" if pd.isna(self.known_on) else f" as known on {self.known_on:%Y-%m-%d}"
        if not self.n_rows:
            return f"ReportingDelay({self.table}: no rows{known})"
        return (
            f"ReportingDelay({self.table}: {self.n_rows:,} rows{known}, half recorded "
            f"within {self.quantile(0.5):.0f} days, 95 % within {self.quantile(0.95):.0f} days)"
        )

    def share_reported(self, age_days: ArrayLike) -> NDArray[np.float64]:
        """Return the share of events that are recorded so many days after them.

        Parameters
        ----------
        age_days : array_like of float, shape (n,)
            Time since the event [days].

        Returns
        -------
        ndarray of float, shape (n,)
            Expected share [-]; nan where there are no rows to tell it from.
        """
        return self._read(self.share, age_days)

    def naive_share_reported(self, age_days: ArrayLike) -> NDArray[np.float64]:
        """Return the plain share of the rows known with at most such a delay.

        Parameters
        ----------
        age_days : array_like of float, shape (n,)
            Delay [days].

        Returns
        -------
        ndarray of float, shape (n,)
            Share [-]; too high, since long delays of new events are not known yet.
        """
        return self._read(self.naive_share, age_days)

    def words(self) -> str:
        """Say within how many days rows are recorded.

        Returns
        -------
        str
            One sentence.
        """
        known = "" if pd.isna(self.known_on) else f" as known on {self.known_on:%Y-%m-%d}"
        if not self.n_rows:
            return f"No {self.table}{known}, so that no delay can be told."
        return (
            f"{self.n_rows:,} {self.table}{known}: half are recorded within {self.quantile(0.5):,.0f} days, 95 % "
            f"within {self.quantile(0.95):,.0f}."
        )

    def _read(self, share: NDArray, age_days: ArrayLike) -> NDArray[np.float64]:
        """Return a step function at some ages."""
        age = np.atleast_1d(np.asarray(age_days, np.float64))
        if not self.n_rows:
            return np.full(age.shape, np.nan)
        steps = np.r_[0.0, share]
        return np.where(np.isnan(age), np.nan, steps[np.searchsorted(self.delay_days, age, side="right")])

    def quantile(self, share: float) -> float:
        """Return within how many days a share of the events is recorded.

        Parameters
        ----------
        share : float
            Above 0 and up to 1 [-].

        Returns
        -------
        float
            Shortest delay by which that share is recorded [days]; nan without rows.

        Raises
        ------
        ValueError
            If `share` is not above 0 and up to 1.
        """
        _check_share(share, "share")
        if not self.n_rows:
            return float("nan")
        return float(self.delay_days[np.argmax(self.share >= share - 1e-12)])

    def to_frame(self) -> pd.DataFrame:
        """Return the shares by delay.

        Returns
        -------
        DataFrame
            Columns delay_days, share, standard_error, naive_share.
        """
        names = ("delay_days", "share", "standard_error", "naive_share")
        return pd.DataFrame({name: getattr(self, name) for name in names})


def reporting_delay(
    fleet: Fleet, *, table: str = "findings", since: str | pd.Timestamp | None = None
) -> ReportingDelay:
    """Estimate how long after an event its row is recorded.

    Of the newest events only those with a short delay are known, so that the plain share of
    the rows known is too high at short delays, and the newest quarter always looks good.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    table : str
        findings or cards.
    since : str or Timestamp, optional
        Only events from this day on: the newest years may be reported otherwise than the first.

    Returns
    -------
    ReportingDelay
        Share recorded by the time since the event.

    Raises
    ------
    ValueError
        If `table` is neither, or `since` is no day.

    Notes
    -----
    Each row counts as it was first recorded; corrections do not. Left out and counted are
    events before the records of their aircraft begin, which were taken over in one go, and
    rows without an event day. See `delay_distribution` for the estimate.
    """
    if table not in DELAY_TABLES:
        raise ValueError(
            f"`table` must be one of {', '.join(DELAY_TABLES)}. Got {table!r}; correct the name."
        )
    rows = recorded_rows(fleet, table)
    rows = rows[rows["replaces"] == ""]
    if since is not None:
        rows = rows[~(rows["event_date"] < as_day(since, "since"))]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")["records_from"]
    name = fleet.as_read[table].typed["aircraft"].reindex(rows.index)
    begin = aircraft.reindex(name).set_axis(rows.index)
    taken_over = rows["event_date"] < begin
    no_day = rows["event_date"].isna() | (rows["event_date"] > rows["recorded_on"])
    kept = rows[~taken_over & ~no_day]
    event, recorded = day_numbers(kept["event_date"]), day_numbers(kept["recorded_on"])
    counts = {
        "before the records of the aircraft begin": int((taken_over & ~no_day).sum()),
        "no event day on or before recorded_on": int(no_day.sum()),
    }
    left_out = pd.DataFrame({"reason": list(counts), "rows": list(counts.values())})
    until = int(day_numbers([fleet.known_on])[0])
    return delay_distribution(
        recorded - event, until - event, table=table, known_on=fleet.known_on, left_out=left_out
    )


def delay_distribution(
    delay: ArrayLike,
    window: ArrayLike,
    *,
    table: str = "findings",
    known_on: pd.Timestamp | str = pd.NaT,
    left_out: pd.DataFrame | None = None,
) -> ReportingDelay:
    r"""Estimate a distribution of delays of which only those within a window are seen.

    Parameters
    ----------
    delay : array_like of float, shape (n,)
        Delays seen [days].
    window : array_like of float, shape (n,)
        Longest delay with which each row would have been seen: time from its event to the day
        up to which rows are known [days].
    table : str
        Table of the rows, for the result's words.
    known_on : Timestamp or str
        Day up to which rows are known, for the result's words.
    left_out : DataFrame, optional
        Columns reason and rows: rows that were left out already.

    Returns
    -------
    ReportingDelay
        Shares by delay.

    Raises
    ------
    ValueError
        If a row does not have 0 <= delay <= window.

    Notes
    -----
    The product-limit estimate in reverse time [1]_ (cited from memory): with
    :math:`n_j` rows of delay :math:`d_j` and :math:`r_j` rows with
    :math:`\mathrm{delay} \le d_j \le \mathrm{window}`,

    .. math:: \hat F(d) = \prod_{d_j > d} \left(1 - \frac{n_j}{r_j}\right),

    its variance by :math:`\hat F^2 \sum_{d_j > d} n_j / [r_j (r_j - n_j)]`. Valid where delay and
    event day are independent: reporting neither quicker nor slower over the years. Without
    truncation it is the plain share. Only the part up to the longest delay that could be seen can
    be told: a share is one of the rows recorded within `horizon_days`. Where no row with a shorter
    delay could have had a delay :math:`d_j`, longer delays say nothing of shorter ones; the
    horizon ends before it, and the rows beyond are counted in `left_out`.

    References
    ----------
    .. [1] S. W. Lagakos, L. M. Barraj and V. De Gruttola, "Nonparametric analysis of truncated
       survival data, with application to AIDS," *Biometrika* 75 (1988), pp. 515-523.

    Examples
    --------
    >>> delay_distribution([1, 1, 3], [2, 5, 5]).to_frame()["share"].round(3).tolist()
    [0.5, 1.0]
    """
    days, seen = np.broadcast_arrays(
        np.asarray(delay, np.float64).ravel(), np.asarray(window, np.float64).ravel()
    )
    bad = np.flatnonzero(~((days >= 0) & (days <= seen)))
    if bad.size:
        raise ValueError(
            f"`delay` must be from 0 to `window` in every row: {bad.size} of {days.size} rows are not, first row "
            f"{bad[0]} (delay={days[bad[0]]:g}, window={seen[bad[0]]:g}). Check event days and recorded_on."
        )
    lost = pd.DataFrame({"reason": [], "rows": []}).astype({"rows": int}) if left_out is None else left_out
    day = pd.Timestamp(known_on)
    if not days.size:
        empty = np.empty(0)
        return ReportingDelay(table, day, empty, empty, empty, empty, float("nan"), 0, lost)
    value, count = np.unique(days, return_counts=True)
    # Rows with delay <= d, less those whose window ended before d.
    at_risk = np.cumsum(count) - np.searchsorted(np.sort(seen), value, side="left")
    cut = np.flatnonzero((at_risk == count) & (np.arange(len(value)) > 0))
    horizon = float(seen.max())
    if cut.size:
        horizon = float(value[cut[0]]) - 1
        beyond = int(count[cut[0] :].sum())
        value, count, at_risk = value[: cut[0]], count[: cut[0]], at_risk[: cut[0]]
        more = pd.DataFrame(
            {"reason": ["delay beyond what shorter ones can be set against"], "rows": [beyond]}
        )
        lost = pd.concat([lost, more], ignore_index=True) if len(lost) else more
    step = 1 - count[1:] / at_risk[1:]
    share = np.r_[np.cumprod(step[::-1])[::-1], 1.0]
    term = count[1:] / (at_risk[1:] * (at_risk[1:] - count[1:]))
    error = share * np.sqrt(np.r_[np.cumsum(term[::-1])[::-1], 0.0])
    n_rows = int(count.sum())
    return ReportingDelay(table, day, value, share, error, np.cumsum(count) / n_rows, horizon, n_rows, lost)


@dataclass(frozen=True, eq=False, repr=False)
class RightEdge:
    """Which of the newest months are not complete yet.

    Parameters
    ----------
    table : str
        Table of the rows.
    level : float
        Share of a month's rows from which it counts as complete [-].
    incomplete_from : Timestamp
        First day of the first month that is not complete; NaT where all are.
    months : DataFrame
        The newest months: month (first day), rows (known), share_known (expected) and
        rows_expected (in the end).
    n_rows : int
        Rows from which the delay is estimated.
    known_on : Timestamp
        Day up to which rows are known.
    """

    table: str
    level: float
    incomplete_from: pd.Timestamp
    months: pd.DataFrame
    n_rows: int
    known_on: pd.Timestamp

    def __repr__(self) -> str:
        """Return table, level and the day on one line."""
        day = f"{self.incomplete_from:%Y-%m-%d}" if self.is_short else "none"
        return f"RightEdge({self.table}: months below {self.level:.0%} from {day}, as known on {self.known_on:%Y-%m-%d})"

    @property
    def is_short(self) -> bool:
        """Whether some of the newest months are not complete."""
        return not pd.isna(self.incomplete_from)

    def to_frame(self) -> pd.DataFrame:
        """Return the newest months.

        Returns
        -------
        DataFrame
            Columns month, rows, share_known, rows_expected.
        """
        return self.months.copy()

    def words(self) -> str:
        """Return the warning in words.

        Returns
        -------
        str
            One or two sentences, also where there is nothing to warn of.
        """
        if not self.n_rows:
            return (
                f"Right edge: no {self.table} with an event day, so nothing can be said of the newest months."
            )
        if not self.is_short:
            return (
                f"Right edge: every month is expected to hold at least {percent(self.level)} of its {self.table} "
                f"(delay estimated from {self.n_rows:,} rows)."
            )
        short = self.months[self.months["month"] >= self.incomplete_from]
        newest = short.tail(_MONTHS_NAMED)
        months = ", ".join(
            f"{month:%Y-%m} {100 * share:.1f} %"
            for month, share in zip(newest["month"], newest["share_known"], strict=True)
        )
        return (
            f"Right edge: {self.table} from {self.incomplete_from:%Y-%m-%d} on are not complete as known on "
            f"{self.known_on:%Y-%m-%d}. Share expected to be known: {months} (delay estimated from {self.n_rows:,} rows). "
            "A fall in these months is no improvement: end the analysis before them, or wait."
        )


def right_edge(
    fleet: Fleet, level: float = 0.95, *, table: str = "findings", delay: ReportingDelay | None = None
) -> RightEdge:
    """Return from which day on the newest months are not complete.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    level : float
        Share of a month's rows from which it counts as complete [-].
    table : str
        findings or cards.
    delay : ReportingDelay, optional
        What `reporting_delay` gave for the table, so that it is not worked out again.

    Returns
    -------
    RightEdge
        The last twelve months up to the cut-off, or more where more are incomplete.

    Raises
    ------
    ValueError
        If `level` is not above 0 and below 1, or `table` is unknown.

    Notes
    -----
    The share known of a month is the mean, over its days up to the cut-off, of the share that is
    recorded by the time from the day to `known_on`; events are taken as even within a month.
    """
    _check_share(level, "level", most=1 - 1e-12)
    if delay is None:
        delay = reporting_delay(fleet, table=table)
    elif delay.table != table:
        raise ValueError(
            f"`delay` must be that of `table`. Got one of {delay.table} for {table}; give the other one."
        )
    last = min(fleet.cut_off, fleet.known_on)
    reach = 0.0 if not delay.n_rows else delay.quantile(level)
    first = min(last - pd.Timedelta(days=reach), last - pd.DateOffset(months=11))
    days = pd.date_range(first.to_period("M").start_time, last, freq="D")
    share = delay.share_reported((fleet.known_on - days).days)
    month = days.to_period("M")
    known = pd.Series(share).groupby(month).mean()
    rows = recorded_rows(fleet, table)
    rows = rows.loc[rows["replaces"] == "", "event_date"].dt.to_period("M").value_counts()
    n_known = rows.reindex(known.index, fill_value=0).to_numpy()
    expected = np.divide(n_known, known, out=np.full(len(known), np.nan), where=known.to_numpy() > 0)
    months = pd.DataFrame(
        {
            "month": known.index.to_timestamp(),
            "rows": n_known,
            "share_known": known.to_numpy(),
            "rows_expected": np.asarray(expected),
        }
    )
    short = months.loc[months["share_known"] < level, "month"]
    begin = short.min() if len(short) else pd.NaT
    return RightEdge(table, level, begin, months, delay.n_rows, fleet.known_on)


def _check_share(value: float, name: str, *, most: float = 1.0) -> None:
    """Refuse a share that is none."""
    if not 0 < value <= most:
        top = "up to 1" if most == 1 else "below 1"
        raise ValueError(f"`{name}` must be above 0 and {top}. Got {value!r}; give a share such as 0.95.")
