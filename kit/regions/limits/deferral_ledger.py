"""Which damage was left on the panels, under which limit, until when, and was it looked at again in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import DAMAGE_LEFT, Fleet, Meters, reinspections
from kit.regions.limits.limits import BEYOND, tier_findings

OPEN, PAST, CLOSED, LATE = "open", "open past its end", "closed in time", "closed late"
STATES = (OPEN, PAST, CLOSED, LATE)
"""What became of a deferral by a day."""

DONE, DONE_LATE, DUE, OVERDUE, NOT_ASKED = "done", "done late", "not yet due", "overdue", "none asked"
REINSPECTIONS = (DONE, DONE_LATE, DUE, OVERDUE, NOT_ASKED)
"""What became of the re-inspection that a deferral asks for."""

LEDGER_COLUMNS = (
    "deferral",
    "finding",
    "aircraft",
    "zone",
    "panel",
    "kind",
    "limit",
    "basis",
    "deferred_on",
    "until",
    "closed_on",
    "closed_by",
    "state",
    "days_left",
    "flown_hours",
    "flown_cycles",
    "reinspect_by",
    "reinspected_on",
    "reinspection_state",
    "tier",
    "limit_of_the_day",
    "is_beyond_rdl",
)
"""Columns of a ledger."""

CLOCK_LIMITS = {"flight_hours": "flown_hours", "flight_cycles": "flown_cycles"}


@dataclass(frozen=True, repr=False, kw_only=True)
class DeferralLedger:
    """Damage that was left, as the deferrals say, held against the limits of its day.

    Parameters
    ----------
    table : DataFrame
        A row for each deferral, as from `to_frame`.
    without : DataFrame
        Findings of damage that was left without a deferral: finding, aircraft, zone, kind, found_on,
        disposition, tier.
    on : Timestamp
        The day.
    """

    table: pd.DataFrame
    without: pd.DataFrame
    on: pd.Timestamp

    def __repr__(self) -> str:
        """Say on one line how many are open, past their end, and not looked at again."""
        state = self.table["state"]
        return (
            f"<DeferralLedger on {self.on:%Y-%m-%d}: {len(self.table)} deferrals, {int((state == OPEN).sum())} open, "
            f"{int((state == PAST).sum())} open past their end, "
            f"{int((self.table['reinspection_state'] == OVERDUE).sum())} re-inspections overdue, "
            f"{int(self.table['is_beyond_rdl'].sum())} beyond the repairable damage limit, "
            f"{len(self.without)} damages left without a deferral>"
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must do something about."""
        table, out = self.table, []
        for mask, words in (
            (
                table["state"] == PAST,
                "deferrals are open past their end: the end of a deferral is a hard stop",
            ),
            (
                table["reinspection_state"] == OVERDUE,
                "re-inspections that a deferral asks for are overdue",
            ),
            (table["is_beyond_rdl"], "damages were left beyond the repairable damage limit (RDL)"),
        ):
            if mask.any():
                out.append(f"{int(mask.sum())} {words}.")
        if len(self.without):
            out.append(f"{len(self.without)} damages were left without a deferral.")
        return tuple(out)

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each deferral.

        Returns
        -------
        DataFrame
            deferral, finding, aircraft, zone, panel, kind; limit (under which it was left), basis, deferred_on,
            until, closed_on, closed_by; state (one of `STATES`), days_left (to the end; negative: past it);
            flown_hours, flown_cycles (since it was deferred, to its closing or the day); reinspect_by,
            reinspected_on, reinspection_state (one of `REINSPECTIONS`); tier (of the finding on its day),
            limit_of_the_day (limit in force there and then) and is_beyond_rdl.
        """
        return self.table.copy()


def deferral_ledger(
    fleet: Fleet, on: str | pd.Timestamp | None = None, *, tiers: pd.DataFrame | None = None
) -> DeferralLedger:
    """Return what damage was left, until when, and what became of it by a day.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    on : date, optional
        The day; the cut-off by default.
    tiers : DataFrame, optional
        What `kit.tier_findings` gave, so that it is not made again.

    Returns
    -------
    DeferralLedger
        A row for each deferral that was open by then or earlier.

    Notes
    -----
    A deferral ends on its day `until`, or earlier where the flight hours or cycles that it allows are flown before,
    by the meters. Its re-inspection is the look that it names, and counts when that look was by the day, not before
    the deferral, of the panel and by a method that can see the damage (`kit.findings.reinspections`). Left
    damage is that of which the disposition says monitor or temporary repair; a mapping of a damage by
    another method on the day of a deferred one needs no deferral of its own.
    """
    day = fleet.cut_off if on is None else pd.Timestamp(on).normalize()
    tiers = tier_findings(fleet) if tiers is None else tiers
    rows = fleet.tables["deferrals"]
    rows = rows[rows["deferred_on"] <= day].reset_index(drop=True)
    found = fleet.tables["findings"].set_index("finding")
    table = rows[
        ["deferral", "finding", "limit", "basis", "deferred_on", "until", "closed_by", "reinspect_by"]
    ].copy()
    for name in ("aircraft", "zone", "panel", "kind"):
        table[name] = found[name].reindex(rows["finding"]).to_numpy(dtype=object)
    closed = rows["closed_on"].where(rows["closed_on"] <= day)
    table["closed_on"] = closed
    table["closed_by"] = rows["closed_by"].where(closed.notna(), "")
    end = closed.fillna(day)
    past = (rows["until"] < end).to_numpy(copy=True)
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    aircraft = table["aircraft"].to_numpy(dtype=object)
    for clock, name in CLOCK_LIMITS.items():
        flown = meters.at(aircraft, end.to_numpy(), clock) - meters.at(
            aircraft, rows["deferred_on"].to_numpy(), clock
        )
        table[name] = flown
        past |= flown > rows[clock].to_numpy(dtype=float)
    table["state"] = np.select(
        [closed.isna() & ~past, closed.isna(), ~past], [OPEN, PAST, CLOSED], LATE
    ).astype(object)
    table["days_left"] = (rows["until"] - end).dt.days
    named = reinspections(
        rows, *(fleet.tables[name] for name in ("findings", "inspections", "cards", "tasks"))
    )
    looked = named["looked_on"].where(named["counts"] & (named["looked_on"] <= day))
    table["reinspected_on"] = looked
    asked = rows["reinspect_by"].notna()
    # What was closed before its re-inspection fell due needed none.
    due = rows["reinspect_by"].where(closed.isna() | (closed > rows["reinspect_by"]))
    table["reinspection_state"] = np.select(
        [~asked, looked <= rows["reinspect_by"], looked.notna(), due.isna(), due >= day],
        [NOT_ASKED, DONE, DONE_LATE, NOT_ASKED, DUE],
        OVERDUE,
    ).astype(object)
    judged = tiers.drop_duplicates("finding").set_index("finding")
    table["tier"] = judged["tier"].reindex(rows["finding"]).fillna("").to_numpy()
    table["limit_of_the_day"] = judged["limit"].reindex(rows["finding"]).fillna("").to_numpy()
    table["is_beyond_rdl"] = (table["tier"] == BEYOND).to_numpy()
    return DeferralLedger(
        table=table[list(LEDGER_COLUMNS)], without=_without(fleet, rows, judged, day), on=day
    )


def _without(fleet: Fleet, rows: pd.DataFrame, judged: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """Return findings of damage that was left without a deferral."""
    found = fleet.damage
    left = found[found["disposition"].isin(DAMAGE_LEFT) & (found["found_on"] <= day)]
    named = found[found["finding"].isin(rows["finding"])]
    keys = ["panel", "kind", "found_on"]
    same = pd.MultiIndex.from_frame(left[keys]).isin(pd.MultiIndex.from_frame(named[keys]))
    left = left[~same & ~left["finding"].isin(rows["finding"])]
    out = left[["finding", "aircraft", "zone", "kind", "found_on", "disposition"]].reset_index(drop=True)
    return out.assign(tier=judged["tier"].reindex(out["finding"]).fillna("").to_numpy())
