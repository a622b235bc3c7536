"""Do rows of several tables bear each other out: groups and sides, tasks, earlier lives of panels, late records."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from kit.findings.check.context import CheckContext
from kit.findings.check.meters import MOST_PER_DAY
from kit.findings.frames import names_in, one_name_a_row
from kit.findings.methods import SEES
from kit.findings.tables import TABLES

FAR_AFTER = pd.Timedelta(3653, "D")
"""Time from an event to its record beyond which the day of the record is doubted: ten years (common practice, no source)."""

FEWEST_ALIKE, SHARE_ALIKE = 4, 0.75
"""How many panels fitted to one aircraft on one day, and what share of them, make the others odd."""

TIMES_FLEET = 3.0
"""How far hours per cycle and per day of a panel's earlier life may lie beyond those of the fleet's aircraft [-]."""

_PRIOR = {
    "prior_flight_hours": "flight_hours",
    "prior_flight_cycles": "flight_cycles",
    "prior_days": "calendar_days",
}
_EVENTS = ("usage", "cards", "inspections", "findings", "repairs", "deferrals")
_SAME_DAY = pd.Timedelta(1, "D")


def check_across(context: CheckContext) -> None:
    """Report accepted rows that other tables, or their neighbours in the same one, speak against; all are warnings.

    Parameters
    ----------
    context : CheckContext
        What the checks work on, once every table is checked.
    """
    _sides(context)
    zones = one_name_a_row(context.tables["tasks"], "zones", "zone") if len(context.tables["tasks"]) else None
    if zones is not None and len(zones):
        _groups_of_tasks(context, zones)
        _revisions_of_tasks(context, zones)
    _kinds_of_tasks(context)
    _lone_priors(context)
    _priors_of_fleet(context)
    _priors_of_one_panel(context)
    _late(context)


def warn_accepted(
    context: CheckContext,
    name: str,
    rows: pd.DataFrame,
    mask: object,
    column: str,
    *,
    reason: str,
    expected: Callable[[pd.DataFrame], list[str]],
    mend: str,
) -> None:
    """Warn of accepted rows, whose labels are no longer those of the table as read.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    name : str
        The table.
    rows : DataFrame
        Accepted rows of it.
    mask : array_like of bool, shape (n_rows,)
        Those that are warned of.
    column : str
        Column that holds it.
    reason, mend : str
        Why, and what to do.
    expected : callable
        From the rows of the mask, by their ids and in the order of the table as read, in which they are reported, to
        what was expected of each; asked only where there are any.
    """
    marked = np.asarray(mask, dtype=bool)
    if not marked.any():
        return
    key = TABLES[name].id_column
    by_id = rows[marked].set_index(key, drop=False)
    current = context.sound(name, context.known[name].current)
    own = current[key].isin(by_id.index)
    words = expected(by_id.reindex(current.loc[own, key]))
    context.report(name, current, own, column, reason=reason, expected=words, mend=mend, warn=True)


def _sides(context: CheckContext) -> None:
    """Report groups with more zones on one side than on the other: one of them may belong to another group."""
    zones = context.tables["zones"]
    counts = (
        zones.groupby(["group", "side"])
        .size()
        .unstack(fill_value=0)
        .reindex(columns=["left", "right"], fill_value=0)
    )
    # A door on one side only is common; two on one side and one on the other are a zone in the wrong group.
    uneven = counts[(counts["left"] != counts["right"]) & (counts.min(axis=1) > 0)]
    more = uneven.idxmax(axis=1)
    odd = zones["side"] == zones["group"].map(more)
    if not odd.any():
        return
    warn_accepted(
        context,
        "zones",
        zones,
        odd,
        "group",
        reason="the group has more zones on this side than on the other",
        expected=lambda named: [
            f"as many left as right ({group}: {counts.at[group, 'left']} left, {counts.at[group, 'right']} right)"
            for group in named["group"]
        ],
        mend="look whether one of them belongs to another group, or is on the other side",
    )


def _groups_of_tasks(context: CheckContext, zones: pd.DataFrame) -> None:
    """Report tasks of which one zone is of another group than all others, whose other zones it leaves out."""
    group = context.tables["zones"].set_index("zone")["group"]
    pairs = zones[["task", "zone"]].assign(group=zones["zone"].map(group))
    n_zones = pairs.groupby(["task", "group"])["zone"].nunique().reset_index(name="n")
    n_groups = n_zones.groupby("task")["group"].transform("size")
    n_all = group.groupby(group).size()
    lone = n_zones[(n_groups == 2) & (n_zones["n"] == 1)]
    lone = lone[lone["group"].map(n_all) > 1]
    most = n_zones.groupby("task")["n"].max()
    lone = lone[lone["task"].map(most) > 1]
    if not len(lone):
        return
    odd = lone.merge(pairs, on=["task", "group"]).set_index("task")
    main = n_zones.sort_values("n").drop_duplicates("task", keep="last").set_index("task")["group"]
    tasks = context.tables["tasks"]
    warn_accepted(
        context,
        "tasks",
        tasks,
        tasks["task"].isin(odd.index),
        "zones",
        reason="one zone of the task is of another group than the others",
        expected=lambda named: [
            f"zones of group {main[task]} ({odd.at[task, 'zone']} is of {odd.at[task, 'group']}, whose other zones are not in the task)"
            for task in named["task"]
        ],
        mend="correct the group of the zone, or the zones of the task",
    )


def _kinds_of_tasks(context: CheckContext) -> None:
    """Report tasks that look for a kind that is none, or that their method cannot see."""
    tasks = context.tables["tasks"]
    odd = {
        task: [kind for kind in names_in(text) if kind not in SEES.get(method, ())]
        for task, text, method in tasks[["task", "looks_for", "method"]].itertuples(index=False, name=None)
    }
    warn_accepted(
        context,
        "tasks",
        tasks,
        [bool(odd[task]) for task in tasks["task"]],
        "looks_for",
        reason="the task looks for a kind that its method cannot see",
        expected=lambda named: [
            f"any of {', '.join(SEES[method])} (not {', '.join(odd[task])})"
            for task, method in named[["task", "method"]].itertuples(index=False, name=None)
        ],
        mend="correct looks_for or the method; blank: all that the method sees",
    )


def _revisions_of_tasks(context: CheckContext, zones: pd.DataFrame) -> None:
    """Report tasks that begin the day after one by the same method ended and share some of its zones, not all."""
    tasks = context.tables["tasks"]
    ended = tasks[tasks["valid_to"].notna()]
    if not len(ended):
        return
    own = zones.groupby("task")["zone"].agg(frozenset)
    pairs = ended.assign(next_day=ended["valid_to"] + _SAME_DAY).merge(
        tasks, left_on=["method", "next_day"], right_on=["method", "valid_from"], suffixes=("_before", "")
    )
    expected = {}
    for before, task in pairs[["task_before", "task"]].itertuples(index=False, name=None):
        first, second = own.get(before, frozenset()), own.get(task, frozenset())
        if first & second and first != second:
            gone, come = (
                ", ".join(sorted(first - second)) or "none",
                ", ".join(sorted(second - first)) or "none",
            )
            expected[task] = f"the zones of {before}, which it follows (gone: {gone}; new: {come})"
    warn_accepted(
        context,
        "tasks",
        tasks,
        tasks["task"].isin(list(expected)),
        "zones",
        reason="the zones jump from one revision of the task to the next",
        expected=lambda named: [expected[task] for task in named["task"]],
        mend="correct the zones; if the programme changed, nothing",
    )


def _lone_priors(context: CheckContext) -> None:
    """Report earlier lives that differ from those of nearly all panels fitted to the aircraft that day."""
    rows = context.tables["panels"]
    place = [rows["aircraft"], rows["fitted_on"]]
    for column in _PRIOR:
        cells = rows[column]
        if cells.count() < FEWEST_ALIKE:
            continue
        n_given = cells.groupby(place).transform("count")
        usual = cells.groupby(place).transform("median")
        n_usual = (cells == usual).groupby(place).transform("sum")
        size = cells.groupby(place).transform("size")
        many = (n_given >= FEWEST_ALIKE) & (n_usual >= SHARE_ALIKE * size) & (n_usual >= FEWEST_ALIKE)
        odd = many & (cells != usual)
        warn_accepted(
            context,
            "panels",
            rows,
            odd,
            column,
            reason=f"{column} is not that of the other panels fitted that day",
            expected=lambda named, usual=usual: [
                f"{value:g}, as nearly all others have"
                for value in usual.set_axis(rows["fitting"]).reindex(named["fitting"])
            ],
            mend="correct the number; if this panel came from elsewhere, nothing",
        )


def _priors_of_fleet(context: CheckContext) -> None:
    """Report earlier lives whose hours, cycles and days do not fit each other, by the ratios of the fleet."""
    rows, usage = context.tables["panels"], context.tables["usage"]
    if not rows[list(_PRIOR)].count().any():
        return
    usage = usage.sort_values(["aircraft", "read_on", "reading"], kind="stable")
    planes = usage.groupby("aircraft")
    steps = {name: planes[name].diff().clip(lower=0) for name in MOST_PER_DAY}  # a new meter falls
    steps["calendar_days"] = planes["read_on"].diff().dt.days
    flown = pd.DataFrame(steps).groupby(usage["aircraft"]).sum()
    for first, second, most in (
        ("prior_flight_hours", "prior_flight_cycles", np.inf),
        ("prior_flight_hours", "prior_days", MOST_PER_DAY["flight_hours"]),
        ("prior_flight_cycles", "prior_days", MOST_PER_DAY["flight_cycles"]),
    ):
        above, below = flown[_PRIOR[first]], flown[_PRIOR[second]]
        ratio = (above / below)[(above > 0) & (below > 0)]
        if not len(ratio):
            continue
        low, high = ratio.min() / TIMES_FLEET, min(ratio.max() * TIMES_FLEET, most)
        own = rows[first] / rows[second].where(rows[second] > 0)
        odd = (own < low) | (own > high)
        warn_accepted(
            context,
            "panels",
            rows,
            odd,
            first,
            reason=f"{first} does not fit {second}, by what the fleet flies",
            expected=lambda named, own=own, low=low, high=high, second=second: [
                f"{low:.3g} to {high:.3g} times {second} (it is {value:.3g} times)"
                for value in own.set_axis(rows["fitting"]).reindex(named["fitting"])
            ],
            mend=f"correct {first} or {second}: a digit too few or too many, or the two exchanged",
        )


def _priors_of_one_panel(context: CheckContext) -> None:
    """Report earlier lives that fall, or rise faster than time allows, from one fitting of a panel to the next."""
    rows = context.tables["panels"]
    if (rows[list(_PRIOR)].count() < 2).all():
        return
    rows = rows.sort_values(["panel", "fitted_on", "fitting"], kind="stable")
    days = rows.groupby("panel")["fitted_on"].diff().dt.days
    for column, most in zip(_PRIOR, (*MOST_PER_DAY.values(), 1.0), strict=True):
        step = rows.groupby("panel")[column].diff()
        odd = (step < 0) | (step > most * (days + 1))
        before = rows.groupby("panel")[column].shift().set_axis(rows["fitting"])
        warn_accepted(
            context,
            "panels",
            rows,
            odd,
            column,
            reason=f"{column} falls or leaps from one fitting of the panel to the next",
            expected=lambda named, before=before, most=most: [
                f"from {before[fitting]:g}, as at the fitting before, by at most {most:g} a day"
                for fitting in named["fitting"]
            ],
            mend="correct the number here or at the fitting before",
        )


def _late(context: CheckContext) -> None:
    """Report events recorded more than ten years after: the day of the record decides what was known when."""
    for name in _EVENTS:
        rows, column = context.tables[name], TABLES[name].event_date
        late = (rows["recorded_on"] - rows[column] > FAR_AFTER) & (rows["replaces"] == "")
        warn_accepted(
            context,
            name,
            rows,
            late,
            "recorded_on",
            reason=f"recorded more than ten years after {column}",
            expected=lambda named, column=column: [
                f"a day soon after {day:%Y-%m-%d}" for day in named[column]
            ],
            mend=f"correct recorded_on or {column}; if it was entered from old paper, nothing",
        )
