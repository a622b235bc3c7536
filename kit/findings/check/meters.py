"""Which meter readings go backwards without a meter change."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.findings.check.lone import most_lone
from kit.findings.check.problems import ProblemLog

METERS = ("flight_hours", "flight_cycles")
"""Columns that hold a meter."""

MOST_PER_DAY = {"flight_hours": 24.0, "flight_cycles": 48.0}
"""What no aircraft flies in a day: more than its hours, and a flight every half hour."""

STILL = {"flight_hours": 24.0, "flight_cycles": 1.0}
"""What one meter may rise by while the other stands: no flight lasts longer than a day, none takes no time (common practice, no source)."""


FEWEST_READINGS = 100
"""Readings from which one may be told to be unlike the others (common practice, no source)."""

OFF_LINE, TIMES_SPREAD = 0.02, 10.0
"""How far a reading lies off the line of hours and cycles through the two beside it, as a share of what was flown between these,
and as a multiple of the median of all readings, from which it is doubted (common practice, no source) [-]."""


def check_meters(log: ProblemLog, usage: pd.DataFrame, text: pd.DataFrame) -> None:
    """Report readings that go backwards, rise too fast or stand still alone, and meter changes without a last reading.

    Parameters
    ----------
    log : ProblemLog
        Where problems go.
    usage : DataFrame
        Typed readings.
    text : DataFrame
        The same as written.

    Notes
    -----
    Between meter changes the readings that fit together in the longest rising row are kept;
    the others are the ones that offend. One reading with a digit too many is so found to be
    wrong, and not all those that come after it. Of two readings that rise faster than any
    aircraft flies (`MOST_PER_DAY`), one may be as wrong as the other: both are rejected.
    """
    if len(usage) < 2:
        return
    order = usage.sort_values(["aircraft", "read_on", "meter_change", *METERS, "reading"], kind="stable")
    aircraft = order.groupby("aircraft", sort=False).ngroup().to_numpy()
    change = order["meter_change"].to_numpy(dtype=bool)
    same = np.r_[False, aircraft[1:] == aircraft[:-1]]
    stretch = np.cumsum(~same | change)
    day = order["read_on"].to_numpy()
    lonely = np.flatnonzero(change & ~(same & (day == np.r_[day[:1], day[:-1]])))
    log.add(
        "usage",
        order.iloc[lonely],
        "meter_change",
        "yes",
        reason="meter changed without a last reading of the old meter on that day",
        expected="the last reading of the old meter as a row of the same day",
        mend="add it; until then no usage is counted between the reading before and the change",
        warn=True,
    )
    for column in METERS:
        values = order[column].to_numpy()
        offends = np.zeros(len(order), dtype=bool)
        falls = np.flatnonzero((np.diff(values) < 0) & (np.diff(stretch) == 0))
        for name in np.unique(stretch[falls]):
            part = np.flatnonzero(stretch == name)
            wrong = part[~_longest_rising(values[part])]
            offends[wrong] = True
            before = [values[part[part < k]].max(initial=0.0) for k in wrong]
            after = [values[part[part > k]].min(initial=np.inf) for k in wrong]
            rows = order.iloc[wrong]
            expected = [
                f"a reading that rises with the date ({values[k]:g} on {day[k].astype('datetime64[D]')}; before it up to "
                f"{low:g}, after it from {high:g})"
                for k, low, high in zip(wrong, before, after, strict=True)
            ]
            log.add(
                "usage",
                rows,
                column,
                text.loc[rows.index, column],
                reason=f"{column} goes backwards",
                expected=expected,
                mend="correct the reading; if the meter was changed, add a row with meter_change = yes",
            )
        _report_too_fast(log, order[~offends], stretch[~offends], text, column)
    _report_still(log, order, stretch, text)
    if len(order) >= FEWEST_READINGS:
        inner = np.flatnonzero(stretch[2:] == stretch[:-2]) + 1  # readings between two others of their meter
        if len(inner):
            _report_off_line(log, order, inner, text)
        _report_days(log, order, stretch, inner, text)


def _report_off_line(log: ProblemLog, order: pd.DataFrame, inner: NDArray, text: pd.DataFrame) -> None:
    """Report readings whose hours and cycles do not fit each other, by the readings before and after."""
    hours, cycles = (order[column].to_numpy(dtype=float) for column in METERS)
    day = order["read_on"].to_numpy().astype("datetime64[D]").astype(float)
    before, after = inner - 1, inner + 1
    flown = [values[after] - values[before] for values in (hours, cycles)]
    steps = [values[inner] - values[before] for values in (hours, cycles)]
    rises = (flown[0] > 0) & (flown[1] > 0) & (steps[0] >= 0) & (steps[1] >= 0)
    inner, before, after = inner[rises], before[rises], after[rises]
    (flown_h, flown_c), (step_h, step_c) = ([one[rises] for one in part] for part in (flown, steps))
    off = step_c / flown_c - step_h / flown_h
    usual = float(np.median(np.abs(off))) if len(off) else 0.0
    far = np.zeros(len(order))
    far[inner] = np.abs(off)
    # A wrong reading puts its neighbours off by half as much: the farthest is named.
    odd = (np.abs(off) > max(OFF_LINE, TIMES_SPREAD * usual)) & (
        np.abs(off) >= np.maximum(far[before], far[after])
    )
    if not odd.any() or odd.sum() > most_lone(len(off)):
        return
    # Of the two meters the one is doubted that does not rise evenly with the days.
    time = (day[inner] - day[before]) / np.maximum(day[after] - day[before], 1.0)
    of_hours = np.abs(step_h / flown_h - time) > np.abs(step_c / flown_c - time)
    fits = {
        "flight_hours": hours[before] + flown_h * step_c / flown_c,
        "flight_cycles": cycles[before] + flown_c * step_h / flown_h,
    }
    for column, doubted in (("flight_hours", of_hours), ("flight_cycles", ~of_hours)):
        own = odd & doubted
        rows = order.iloc[inner[own]]
        other = next(name for name in METERS if name != column)
        log.add(
            "usage",
            rows,
            column,
            text.loc[rows.index, column],
            reason=f"{column} does not fit {other}, by the readings before and after",
            expected=[f"about {value:,.0f}, by {other} of that day" for value in fits[column][own]],
            mend=f"correct {column} or {other} of this reading; if it flew so, nothing",
            warn=True,
        )


def _report_days(
    log: ProblemLog, order: pd.DataFrame, stretch: NDArray, inner: NDArray, text: pd.DataFrame
) -> None:
    """Report second readings of a day, and readings on another day of the month, where nearly all others are of one."""
    day = order["read_on"]
    same = np.flatnonzero((np.diff(stretch) == 0) & (np.diff(day.to_numpy()) == np.timedelta64(0)))
    if 0 < len(same) <= most_lone(len(order)):
        rows = order.iloc[np.unique(np.r_[same, same + 1])]
        log.add(
            "usage",
            rows,
            "read_on",
            text.loc[rows.index, "read_on"],
            reason="two readings of an aircraft on one day, without a meter change",
            expected="one reading a day, as nearly all others",
            mend="correct the day of one of them, or leave the earlier one out",
            warn=True,
        )
    # The first and the last reading of a meter are of the day on which it began and ended.
    of_month = day.dt.day.to_numpy()[inner]
    if not len(inner):
        return
    counts = np.bincount(of_month)
    usual = int(counts.argmax())
    odd = of_month != usual
    if len(inner) >= FEWEST_READINGS and 0 < odd.sum() <= most_lone(len(inner)):
        rows = order.iloc[inner[odd]]
        log.add(
            "usage",
            rows,
            "read_on",
            text.loc[rows.index, "read_on"],
            reason="not the day of the month on which nearly all readings are taken",
            expected=f"day {usual} of a month, as {counts[usual]:,} of {len(inner):,} readings",
            mend="check the day; if it was read on that day, nothing",
            warn=True,
        )


def _report_too_fast(
    log: ProblemLog, order: pd.DataFrame, stretch: NDArray, text: pd.DataFrame, column: str
) -> None:
    """Report pairs of readings between which a meter rises faster than any aircraft flies."""
    values, day = order[column].to_numpy(), order["read_on"].to_numpy().astype("datetime64[D]")
    days = np.diff(day).astype(float) + 1
    fast = np.flatnonzero((np.diff(stretch) == 0) & (np.diff(values) > MOST_PER_DAY[column] * days))
    where = np.unique(np.r_[fast, fast + 1])
    partner = {int(k): int(k) + 1 for k in fast} | {int(k) + 1: int(k) for k in fast}
    rows = order.iloc[where]
    log.add(
        "usage",
        rows,
        column,
        text.loc[rows.index, column],
        reason=f"{column} rises faster than an aircraft flies",
        expected=[
            f"at most {MOST_PER_DAY[column]:g} a day ({values[k]:g} on {day[k]}, {values[partner[k]]:g} on {day[partner[k]]})"
            for k in where.tolist()
        ],
        mend="correct one of the readings; if the meter was changed, say so with meter_change = yes",
    )


def _report_still(log: ProblemLog, order: pd.DataFrame, stretch: NDArray, text: pd.DataFrame) -> None:
    """Report pairs of readings between which one meter stands still while the other rises by more than it can."""
    day = order["read_on"].to_numpy().astype("datetime64[D]")
    steps = {column: np.diff(order[column].to_numpy()) for column in METERS}
    for column, other in (METERS, METERS[::-1]):
        rise = steps[other]
        still = np.flatnonzero((np.diff(stretch) == 0) & (steps[column] == 0) & (rise > STILL[other]))
        if not len(still):
            continue
        # Either of the two may be the copy: both are named.
        where, first = np.unique(np.r_[still, still + 1], return_index=True)
        pair = np.r_[still, still][first]
        rows = order.iloc[where]
        log.add(
            "usage",
            rows,
            column,
            text.loc[rows.index, column],
            reason=f"{column} stands still while {other} rises",
            expected=[
                f"a reading that rises from {day[k]} to {day[k + 1]}, as {other} does by {rise[k]:g}"
                for k in pair.tolist()
            ],
            mend=f"correct the reading of one of the two days; if {column} was not read on one of them, leave its row out",
            warn=True,
        )


def _longest_rising(values: NDArray) -> NDArray[np.bool_]:
    """Return which values make the longest row that never falls, the earliest such row."""
    tails: list[float] = []
    ends: list[int] = []
    previous = np.full(len(values), -1)
    for k, value in enumerate(values):
        slot = int(np.searchsorted(tails, value, side="right"))
        previous[k] = ends[slot - 1] if slot else -1
        if slot == len(tails):
            tails.append(value)
            ends.append(k)
        else:
            tails[slot], ends[slot] = value, k
    kept = np.zeros(len(values), dtype=bool)
    at = ends[-1]
    while at >= 0:
        kept[at] = True
        at = previous[at]
    return kept
