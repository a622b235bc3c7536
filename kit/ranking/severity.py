"""Which zones are damaged worst: damage beyond its limit, and hours flown with it, beside counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from kit.findings import Fleet, Meters
from kit.numerics.poisson import poisson_bounds
from kit.ranking.ranks import RankDraws
from kit.ranking.rates import zone_hours
from kit.ranking.selection import (
    DISBOND_KINDS,
    EVERYTHING,
    Selection,
    check_by,
    selected_looks,
    selected_regions,
)
from kit.ranking.shrinkage import shrink
from kit.regions import tier_findings

_PER_FLIGHT_HOURS = 1000.0
_BEYOND = ("repairable", "beyond")
"""Tiers above the allowable damage limit."""


def severity_table(
    fleet: Fleet,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    selection: Selection = EVERYTHING,
    level: float = 0.95,
    seed: int = 1,
) -> pd.DataFrame:
    """Rank zones by damage beyond its allowable limit, and by the hours flown with it.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    selection : Selection
        What counts.
    level : float
        Confidence of the bounds [-].
    seed : int
        Of the draws behind the chances.

    Returns
    -------
    DataFrame
        Index zone or group, worst first: structure_class (the most critical one), finds, beyond (damages found beyond their
        allowable limit, once each), beyond_repairable (of them, beyond the repairable size as well), share_beyond,
        per_1000_fh with bounds, p_worst, panel_flight_hours, hours_known (flown after the find until it was repaired or its
        panel removed, up to the cut-off), hours_unfound (flown between the last look before the find and the
        find), rank_by_finds, rank_by_beyond, rank_by_hours.

    Notes
    -----
    A damage counts when the limit in force on the day of a finding was exceeded. hours_unfound is the most that was flown
    beyond the limit if the look before would have seen it, and all too little where it missed it. Damage that no
    look found is in neither.
    """
    check_by(by)
    selection.checked(fleet)
    regions = selected_regions(fleet, selection)
    regions = regions.loc[regions["kind"].isin(list(kinds or DISBOND_KINDS))]
    tiers = tier_findings(fleet).set_index("finding")["tier"]
    regions = regions.assign(tier=tiers.reindex(regions["finding"]).to_numpy(object))
    beyond = regions.loc[regions["tier"].isin(_BEYOND)].drop_duplicates("track")
    most = regions.loc[regions["tier"] == "beyond"].drop_duplicates("track")
    hours = _hours(fleet, beyond, selected_looks(fleet, EVERYTHING))
    exposure = zone_hours(fleet, selection)
    classes = _most_critical(fleet, by)
    flown = (
        exposure.groupby("group")["panel_flight_hours"].sum()
        if by == "group"
        else exposure["panel_flight_hours"]
    )
    out = pd.DataFrame({"structure_class": classes.reindex(flown.index)}, index=flown.index)

    def number(rows: pd.DataFrame) -> pd.Series:
        return rows[by].value_counts().reindex(out.index).fillna(0).astype(int)

    out["finds"] = number(regions.loc[regions["is_first"]])
    out["beyond"], out["beyond_repairable"] = number(beyond), number(most)
    out["share_beyond"] = out["beyond"] / out["finds"].where(out["finds"] > 0)
    base = (flown / _PER_FLIGHT_HOURS).where(flown > 0)
    lower, upper = poisson_bounds(out["beyond"].to_numpy(), level=level)
    out["per_1000_fh"] = out["beyond"] / base
    out["per_1000_fh_lower"], out["per_1000_fh_upper"] = lower / base, upper / base
    out["p_worst"] = np.nan
    some = base.notna().to_numpy()
    if out.loc[some, "beyond"].sum() > 0 and some.sum() > 1:
        made = shrink(out.index[some], out.loc[some, "beyond"], base[some], n=2048, seed=seed)
        out.loc[some, "p_worst"] = RankDraws(names=made.names, rate=made.multiplier).among_worst(1)
    out["panel_flight_hours"] = flown
    for name in ("hours_known", "hours_unfound"):
        out[name] = hours.groupby(by)[name].sum().reindex(out.index).fillna(0.0)
    out["rank_by_finds"] = (
        (out["finds"] / base).rank(method="min", ascending=False, na_option="bottom").astype(int)
    )
    out["rank_by_beyond"] = (
        out["per_1000_fh"].rank(method="min", ascending=False, na_option="bottom").astype(int)
    )
    both = (out["hours_known"] + out["hours_unfound"]) / base
    out["rank_by_hours"] = both.rank(method="min", ascending=False, na_option="bottom").astype(int)
    return out.sort_values(["rank_by_beyond", "rank_by_hours"], kind="stable").rename_axis(by)


def _most_critical(fleet: Fleet, by: str) -> pd.Series:
    """Return the most critical class of the structure of each unit."""
    order = ["critical", "primary", "secondary", "tertiary"]
    zones = fleet.tables["zones"]
    rank = zones["structure_class"].map({name: i for i, name in enumerate(order)}).fillna(len(order))
    least = rank.groupby(zones[by]).min().astype(int)
    return least.map(dict(enumerate([*order, ""])))


def _hours(fleet: Fleet, beyond: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Hours flown before and after the finds of damage beyond its limit."""
    out = beyond[["finding", "zone", "group", "panel", "aircraft", "found_on", "track"]].copy()
    if not len(out):
        return out.assign(hours_known=0.0, hours_unfound=0.0)
    repairs = fleet.tables["repairs"][["finding", "repaired_on"]]
    regions = selected_regions(fleet)[["finding", "track"]]
    mended = repairs.merge(regions, on="finding").groupby("track")["repaired_on"].min()
    panels = fleet.tables["panels"]
    removed = panels.groupby("panel")["removed_on"].agg(
        lambda days: days.max() if days.notna().all() else pd.NaT
    )
    end = mended.reindex(out["track"]).to_numpy("datetime64[ns]")
    gone = removed.reindex(out["panel"]).to_numpy("datetime64[ns]")
    end = np.fmin(np.fmin(end, gone), np.datetime64(fleet.cut_off))
    end = np.maximum(np.where(np.isnat(end), np.datetime64(fleet.cut_off), end), out["found_on"].to_numpy())
    before = (
        looks[["panel", "looked_on"]]
        .sort_values("looked_on", kind="stable")
        .rename(columns={"looked_on": "last"})
    )
    left = (
        out[["panel", "found_on"]]
        .reset_index(drop=True)
        .reset_index(names="order")
        .sort_values("found_on", kind="stable")
    )
    merged = pd.merge_asof(
        left.astype({"panel": before["panel"].dtype}),
        before.assign(looked_on=before["last"]),
        left_on="found_on",
        right_on="looked_on",
        by="panel",
        allow_exact_matches=False,
    ).sort_values("order", kind="stable")
    fitted = panels.groupby("panel")["fitted_on"].min()
    start = (
        merged["last"]
        .fillna(fitted.reindex(merged["panel"]).set_axis(merged.index))
        .to_numpy("datetime64[ns]")
    )
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    names = out["aircraft"].to_numpy(object)
    at = [meters.at(names, days, "flight_hours") for days in (start, out["found_on"].to_numpy(), end)]
    out["hours_unfound"] = np.maximum(np.nan_to_num(at[1] - at[0]), 0.0)
    out["hours_known"] = np.maximum(np.nan_to_num(at[2] - at[1]), 0.0)
    return out
