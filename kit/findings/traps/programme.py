"""Are looks where one would expect them: sisters, lost cards, methods, campaigns."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.findings.check.cadence import CHECK_DAYS
from kit.findings.traps.context import CASE_COLUMNS, TrapContext, no_cases, together
from kit.findings.units import LIKELY, POSSIBLE, SURE
from kit.numerics.typing import Floats

SISTER_DAYS = 7
"""Time after a find in which a look at the sister panel hangs on it [days]."""

RIDES = 0.6
"""Share of the checks with another task at which a task is closed too, from which on it is expected beside it [-]."""

FEWEST_CHECKS = 3
"""Checks with another task that are needed before a task is said to ride with it."""

METHOD_STEP, FEWEST_LOOKS = 0.15, 20
"""Change of the share of a method from year to year that is named [-], and the fewest looks of a year."""

CAMPAIGN_DAYS, CAMPAIGN_SHARE = 120, 0.3
"""Length of a campaign [days], and the share of the aircraft that it takes in [-]."""

_FEWEST_AIRCRAFT = 3


def find_sisters(context: TrapContext) -> pd.DataFrame:
    """Return looks at sister panels made because of a find (T10).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, at looks that belong to no card, or to one that holds no
        other look, within a week after damage was found on a panel of the same group of the
        aircraft.
    """
    looks = context.fleet.tables["inspections"]
    group = context.zones["group"]
    damages = context.damages
    damages = damages[damages["accepted"]]
    finds = pd.DataFrame(
        {
            "aircraft": damages["aircraft"],
            "group": damages["zone"].map(group),
            "zone_found": damages["zone"],
            "found_on": damages["found_on"],
            "finding": damages["finding"],
            "inspection_found": damages["inspection"],
        }
    )
    routine = context.fleet.tables["tasks"].set_index("task")[
        ["repeat_flight_hours", "repeat_flight_cycles", "repeat_days"]
    ]
    routine = routine.notna().any(axis=1)
    task = context.fleet.tables["cards"].set_index("card")["task"].reindex(looks["card"])
    planned = task.isin(routine.index[routine]).to_numpy()
    rows = looks[~planned].assign(group=looks["zone"].map(group))
    own = set(damages["inspection"])
    pairs = rows[~rows["inspection"].isin(own)].merge(finds, on=["aircraft", "group"])
    days = (pairs["inspected_on"] - pairs["found_on"]).dt.days
    pairs = pairs[(pairs["zone"] != pairs["zone_found"]) & (days >= 0) & (days <= SISTER_DAYS)]
    pairs = pairs[pairs["inspection"] != pairs["inspection_found"]].drop_duplicates("inspection")
    found = "looked at after " + pairs["finding"] + " at " + pairs["zone_found"] + " of the same aircraft"
    return context.cases("inspections", pairs, "inspection", found, confidence=LIKELY)


def _card_table(context: TrapContext) -> pd.DataFrame:
    """Return the cards of tasks that repeat, those of walk-rounds apart, with the check that each belongs to."""
    tasks = context.fleet.tables["tasks"]
    repeats = tasks[["repeat_flight_hours", "repeat_flight_cycles", "repeat_days"]].notna().any(axis=1)
    kept = tasks[(tasks["method"] != "visual") & repeats]
    cards = context.fleet.tables["cards"]
    cards = cards[cards["task"].isin(kept["task"])].sort_values(["aircraft", "closed_on", "task"])
    apart = cards.groupby("aircraft")["closed_on"].diff().dt.days
    return cards.assign(check=(apart.isna() | (apart > CHECK_DAYS)).cumsum())


def find_busy_checks(context: TrapContext) -> pd.DataFrame:
    """Return checks at which cards or zones are missing that are there as a rule (T14).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`. A missing card has no id: it is named as aircraft, task
        and day in `value`. Zones that were not done stand at their card.

    Notes
    -----
    A task is expected at a check where it was in force and where another task is closed with which it rides: at
    most of the checks that hold that one, it is closed as well. So a task that is due at every second check is
    held against the others of these checks, not against all. A check all of whose cards are lost is not seen, and
    neither is a task that rides with no other.
    """
    cards = _card_table(context)
    skipped = context.fleet.tables["cards"]
    skipped = skipped[skipped["zones_not_done"] != ""]
    found = (
        "not done: "
        + skipped["zones_not_done"]
        + skipped["why_not_done"].map(lambda why: f" ({why})" if why else "")
    )
    not_done = context.cases("cards", skipped, "zones_not_done", found, confidence=SURE)
    if not len(cards):
        return not_done
    checks = cards.groupby("check").agg(
        aircraft=("aircraft", "first"), day=("closed_on", "median"), n=("task", "nunique")
    )
    checks = checks[checks["n"] >= 2]
    tasks = context.fleet.tables["tasks"].set_index("task")
    names = sorted(cards["task"].unique())
    held = (
        pd.crosstab(cards["check"], cards["task"]).reindex(index=checks.index, columns=names, fill_value=0)
        > 0
    )
    day = checks["day"].to_numpy()[:, None]
    begin = tasks["valid_from"].reindex(names).to_numpy()
    end = tasks["valid_to"].reindex(names).to_numpy()
    alive = (day >= begin) & ((day <= end) | np.isnat(end))
    own = (
        context.fleet.task_zones.merge(context.fleet.zone_subtypes, on="zone")
        .groupby("task")["subtype"]
        .unique()
    )
    subtype = context.fleet.tables["aircraft"]["subtype"]
    has = np.array([subtype.isin(own.get(name, ())).to_numpy() for name in names]).T
    plane = pd.Index(context.fleet.tables["aircraft"]["aircraft"]).get_indexer(pd.Index(checks["aircraft"]))
    asked, closed = alive & has[plane], held.to_numpy()
    share, beside = _riding(asked, closed)
    missing = asked & ~closed & (share > 0)
    at, task = np.nonzero(missing)
    where = checks.iloc[at]
    value = [
        f"{plane_} {names[k]} {day_:%Y-%m-%d}"
        for plane_, k, day_ in zip(where["aircraft"], task, where["day"], strict=True)
    ]
    found = [
        f"no card, though {share[c, k]:.0%} of the checks with {names[beside[c, k]]} hold one; {n} others were closed"
        for c, k, n in zip(at, task, where["n"], strict=True)
    ]
    lost = _without_row("cards", "card", value, found, POSSIBLE)
    return together(lost, not_done)


def _riding(asked: NDArray[np.bool_], closed: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.int64]]:
    """Return for each check and task the largest share at which it rides with a task closed there, and which.

    The share is 0 where it rides with none of them.
    """
    of = asked.T.astype(np.int64) @ closed.astype(np.int64)  # [task, other]: checks with the other
    with np.errstate(invalid="ignore"):
        share = ((asked & closed).T.astype(np.int64) @ closed.astype(np.int64)) / of
    share[(of < FEWEST_CHECKS) | ~(share >= RIDES)] = 0.0
    np.fill_diagonal(share, 0.0)
    there = np.where(closed[:, None, :], share[None, :, :], 0.0)
    return there.max(axis=2), there.argmax(axis=2)


def _without_row(
    table: str, column: str, value: list[str], found: list[str], confidence: str
) -> pd.DataFrame:
    """Return what was found that no single row of the tables holds."""
    cells = (table, "", "", 0, column, value, found, "", confidence)
    return pd.DataFrame(dict(zip(CASE_COLUMNS, cells, strict=True)), index=range(len(value)))


def find_method_changes(context: TrapContext) -> pd.DataFrame:
    """Return years in which the share of a tap method stepped (T16).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, without an id: the method and the year stand in `value`.
    """
    looks = context.looks
    if not len(looks):
        return no_cases()
    counts = pd.crosstab(looks["looked_on"].dt.year, looks["method"])
    counts = counts[counts.sum(axis=1) >= FEWEST_LOOKS]
    share = counts.div(counts.sum(axis=1), axis=0)
    step = share.diff()
    rows = [
        (method, year)
        for year in step.index
        for method in step.columns
        if step.at[year, method] >= METHOD_STEP
    ]
    before = share.shift()
    found = [
        f"from {before.at[y, m]:.0%} to {share.at[y, m]:.0%} of the tap looks of a year" for m, y in rows
    ]
    return _without_row("inspections", "method", [f"{m} {y}" for m, y in rows], found, SURE)


def find_campaigns(context: TrapContext) -> pd.DataFrame:
    """Return campaigns: many looks at one group outside the programme in a short time (T17).

    Looks at a place where damage was found before follow from the find and do not count.

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, without an id: the group and the days stand in `value`.
    """
    tables = context.fleet.tables
    tasks = tables["tasks"]
    repeats = tasks[["repeat_flight_hours", "repeat_flight_cycles", "repeat_days"]].notna().any(axis=1)
    once = context.fleet.task_zones.merge(tasks.loc[~repeats, ["task"]], on="task")
    cards = tables["cards"][["task", "aircraft", "closed_on"]].merge(once[["task", "zone"]], on="task")
    alone = tables["inspections"]
    alone = alone[(alone["card"] == "")][["aircraft", "inspected_on", "zone"]].set_axis(
        ["aircraft", "closed_on", "zone"], axis=1
    )
    looks = pd.concat([cards[["aircraft", "closed_on", "zone"]], alone], ignore_index=True)
    first = context.damages.groupby(["aircraft", "zone"], as_index=False)["found_on"].min()
    looks = (
        looks.merge(first, on=["aircraft", "zone"], how="left")
        if len(looks)
        else looks.assign(found_on=pd.NaT)
    )
    looks = looks[~(looks["found_on"] < looks["closed_on"])].drop(columns="found_on")
    looks["group"] = looks["zone"].map(context.zones["group"])
    n_fleet = len(tables["aircraft"])
    value, found = [], []
    for group, rows in looks.dropna().sort_values("closed_on", kind="stable").groupby("group"):
        day = rows["closed_on"].to_numpy().astype("datetime64[D]").astype(np.int64)
        last = np.searchsorted(day, day + CAMPAIGN_DAYS, side="right")
        n = last - np.arange(len(day))
        best = int(n.argmax())
        part = rows.iloc[best : last[best]]
        n_aircraft = part["aircraft"].nunique()
        years = max((day[-1] - day[0]) / 365.25, 1.0)
        usual = len(rows) / years * CAMPAIGN_DAYS / 365.25
        if n_aircraft < max(_FEWEST_AIRCRAFT, CAMPAIGN_SHARE * n_fleet) or n[best] < 3 * usual:
            continue
        value.append(f"{group} {part['closed_on'].min():%Y-%m-%d} to {part['closed_on'].max():%Y-%m-%d}")
        found.append(
            f"{n[best]} looks outside the programme on {n_aircraft} aircraft, where {usual:.1f} are usual"
        )
    return _without_row("cards", "task", value, found, LIKELY)
