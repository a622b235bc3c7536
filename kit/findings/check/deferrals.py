"""Do deferrals agree with the findings that were left, their limits, and the day."""

from __future__ import annotations

import pandas as pd

from kit.findings.check.context import CheckContext
from kit.findings.keys import places
from kit.findings.methods import is_damage, methods_seeing
from kit.findings.reinspections import reinspections


def check_deferrals(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check deferrals against their findings and limits, and whether their end was kept.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed rows of deferrals.

    Returns
    -------
    DataFrame
        The rows.
    """
    if not len(rows):
        return rows
    findings = context.tables["findings"]
    at = places(rows["finding"], findings["finding"])
    found = findings.take(at[at >= 0])
    good = rows[at >= 0]
    day = found["found_on"].set_axis(good.index)
    early = good["deferred_on"] < day
    context.report(
        "deferrals",
        good,
        early,
        "deferred_on",
        reason="deferred before it was found",
        expected=[f"{one:%Y-%m-%d}, the day it was found, or later" for one in day[early]],
        mend="correct deferred_on, or the finding that it names",
    )
    context.report(
        "deferrals",
        good,
        ~is_damage(found).set_axis(good.index),
        "finding",
        reason="the finding is no damage, so that nothing was left",
        expected="a finding of damage",
        mend="correct the finding, or its disposition",
        warn=True,
    )
    before = rows["until"] < rows["deferred_on"]
    context.report(
        "deferrals",
        rows,
        before,
        "until",
        reason="until is before deferred_on",
        expected=[f"{one:%Y-%m-%d} or later" for one in rows.loc[before, "deferred_on"]],
        mend="correct until or deferred_on",
    )
    _limits(context, good, found.set_axis(good.index))
    _reinspections(context, good)
    end = rows["closed_on"].fillna(context.cut_off)
    past = (rows["until"] < end) & ~before
    is_open = rows["closed_on"].isna()
    for mask, reason, mend in (
        (
            past & is_open,
            "open past its end: the end of a deferral is a hard stop",
            "close it, or write what was done",
        ),
        (
            past & ~is_open,
            "closed after its end",
            "check closed_on; write the renewal as a deferral of its own",
        ),
    ):
        context.report(
            "deferrals",
            rows,
            mask,
            "until",
            reason=reason,
            expected=[f"closed by {one:%Y-%m-%d}" for one in rows.loc[mask, "until"]],
            mend=mend,
            warn=True,
        )
    overdue = (rows["reinspect_by"] < end) & (rows["reinspection"] == "")
    context.report(
        "deferrals",
        rows,
        overdue,
        "reinspection",
        reason="the re-inspection that it asks for is not on record",
        expected=[f"a look by {one:%Y-%m-%d}" for one in rows.loc[overdue, "reinspect_by"]],
        mend="name the look, or say in closed_on when the damage was repaired",
        warn=True,
    )
    context.report(
        "deferrals",
        rows,
        rows["closed_on"].notna() & (rows["closed_by"] == ""),
        "closed_by",
        reason="closed, but not how",
        expected="repaired, replaced, renewed or withdrawn",
        mend="write how it ended",
        warn=True,
    )
    return rows


def _limits(context: CheckContext, rows: pd.DataFrame, found: pd.DataFrame) -> None:
    """Report deferrals under a limit of another group or kind, or of a day to come."""
    limits = context.tables["limits"].set_index("limit")
    named = limits.reindex(rows["limit"])[["group", "kind", "valid_from"]].set_axis(rows.index)
    group = found["zone"].map(context.tables["zones"].set_index("zone")["group"])
    other = named["group"].notna() & group.notna() & (named["group"] != group)
    context.report(
        "deferrals",
        rows,
        other,
        "limit",
        reason="the limit is one of another group",
        expected=[f"a limit of group {name}" for name in group[other]],
        mend="correct the limit or the finding",
    )
    wrong = named["kind"].fillna("").ne("") & (named["kind"] != found["kind"])
    context.report(
        "deferrals",
        rows,
        wrong,
        "limit",
        reason="the limit is one for another damage type",
        expected=[f"a limit for {kind}, or for every kind" for kind in found["kind"][wrong]],
        mend="correct the limit or the finding",
    )
    late = named["valid_from"] > rows["deferred_on"]
    context.report(
        "deferrals",
        rows,
        late,
        "limit",
        reason="the limit was not in force yet",
        expected="the revision in force on deferred_on",
        mend="name that revision, or correct deferred_on",
        warn=True,
    )


def _reinspections(context: CheckContext, rows: pd.DataFrame) -> None:
    """Report re-inspections of another panel, before the deferral, or by a method blind to the damage."""
    named = reinspections(
        rows, *(context.tables[name] for name in ("findings", "inspections", "cards", "tasks"))
    )
    named = named.assign(deferred_on=rows["deferred_on"])
    for problem, reason, expected, mend in (
        (
            "other_panel",
            "the re-inspection is of another panel",
            lambda one: (
                f"a look at panel {one.panel}, whose damage was left (it is of {one.looked_panel or 'no known panel'})"
            ),
            "name the look at that panel, or leave it blank until it is done",
        ),
        (
            "too_early",
            "the re-inspection was before the damage was deferred",
            lambda one: f"a look on {one.deferred_on:%Y-%m-%d} or later (it was on {one.looked_on:%Y-%m-%d})",
            "name the look that came after, or correct deferred_on",
        ),
        (
            "blind",
            "the re-inspection was by a method that cannot see the damage",
            lambda one: (
                f"a look at {one.kind} by {', '.join(methods_seeing(one.kind))} (it was by {one.looked_with})"
            ),
            "look again by such a method, and name that look",
        ),
    ):
        context.report(
            "deferrals",
            rows,
            named[problem],
            "reinspection",
            reason=f"{reason}; it does not count as done",
            expected=[expected(one) for one in named[named[problem]].itertuples()],
            mend=mend,
            warn=True,
        )
