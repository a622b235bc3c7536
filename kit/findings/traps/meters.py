"""Do meters tell what an aircraft flew: resets, odd ratios, stands on the ground."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings.check.meters import METERS
from kit.findings.traps.context import TrapContext, no_cases, together
from kit.findings.units import LIKELY, POSSIBLE, SURE

TIMES_USUAL = 5.0
"""Usage per day, as a multiple of the aircraft's own, that points to a jump of the meter [-]."""

ODD_RATIO = 3.0
"""Distance from the ratio of the subtype beyond which an aircraft is named [robust deviations]."""

PARKED_DAYS, PARKED_SHARE = 60, 0.05
"""Longest time on the ground that is normal [days], and share of usual usage counted as none [-]."""


def _steps(context: TrapContext) -> pd.DataFrame:
    """Return readings with the step from the reading before, the rejected ones too."""
    rows = context.rows("usage")
    rows = rows.sort_values(["aircraft", "read_on", "meter_change", "row"], kind="stable")
    group = rows.groupby("aircraft", sort=False)
    rows = rows.assign(days=group["read_on"].diff().dt.days, before=group["read_on"].shift())
    for meter in METERS:
        rows[f"{meter}_step"] = group[meter].diff()
    return rows


def find_meter_jumps(context: TrapContext) -> pd.DataFrame:
    """Return meter changes, falls and jumps (T6).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`.
    """
    rows = _steps(context)
    parts = []
    change = rows["meter_change"].astype(bool)
    for meter in METERS:
        step = rows[f"{meter}_step"]
        rate = (step / rows["days"].where(rows["days"] > 0)).mask(change)
        usual = rate.groupby(rows["aircraft"]).transform("median")
        falls = rows[change & (step < 0)]
        found = [f"a new meter, {-n:,.1f} below the old one" for n in step[falls.index]]
        parts.append(context.cases("usage", falls, meter, found, confidence=SURE))
        back = rows[~change & (step < 0)]
        found = [f"falls by {-n:,.1f} without a meter change" for n in step[back.index]]
        parts.append(context.cases("usage", back, meter, found, confidence=SURE))
        fast = rows[(rate > TIMES_USUAL * usual) & (usual > 0)]
        found = [
            f"{a:.1f} a day, where {b:.1f} is usual"
            for a, b in zip(rate[fast.index], usual[fast.index], strict=True)
        ]
        parts.append(context.cases("usage", fast, meter, found, confidence=LIKELY))
    return together(*parts)


def find_landings(context: TrapContext) -> pd.DataFrame:
    """Return aircraft whose hours per cycle are not those of their subtype (T7).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, at the first reading of the aircraft.

    Notes
    -----
    Each year's hours per cycle are divided by the median of the subtype in that year; the
    median of these over the years is held against those of the other aircraft. Landings that
    were counted as cycles on all aircraft of a subtype alike cannot be seen so.
    """
    rows = _steps(context)
    rows = rows[rows["accepted"] & ~rows["meter_change"].astype(bool)]
    subtype = context.fleet.tables["aircraft"].set_index("aircraft")["subtype"]
    table = rows.groupby(["aircraft", rows["read_on"].dt.year])[
        ["flight_hours_step", "flight_cycles_step"]
    ].sum()
    table = table[table["flight_cycles_step"] > 50].reset_index()
    if not len(table):
        return no_cases()
    table["subtype"] = table["aircraft"].map(subtype)
    table["ratio"] = table["flight_hours_step"] / table["flight_cycles_step"]
    table["relative"] = table["ratio"] / table.groupby(["subtype", "read_on"])["ratio"].transform("median")
    own = table.groupby("aircraft")["relative"].median()
    kind = subtype.reindex(own.index)
    middle = own.groupby(kind).transform("median")
    spread = 1.4826 * (own - middle).abs().groupby(kind).transform("median")
    enough = own.groupby(kind).transform("size") >= 4
    far = (own - middle).abs() / spread.where(spread > 1e-4, 1e-4)
    odd = own.index[(far > ODD_RATIO) & enough]
    first = context.fleet.tables["usage"].sort_values(["aircraft", "read_on"]).drop_duplicates("aircraft")
    first = first[first["aircraft"].isin(odd)]
    found = [
        f"{name}: {own[name] / middle[name] - 1:+.1%} hours per cycle against its subtype"
        for name in first["aircraft"]
    ]
    return context.cases("usage", first, "flight_cycles", found, confidence=POSSIBLE)


def find_parked(context: TrapContext) -> pd.DataFrame:
    """Return times in which an aircraft stood on the ground (T20).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, at the reading that ended the time.
    """
    rows = _steps(context)
    rows = rows[rows["accepted"]]
    rate = rows["flight_cycles_step"] / rows["days"].where(rows["days"] > 0)
    usual = rate.groupby(rows["aircraft"]).transform("median")
    still = (rate <= PARKED_SHARE * usual) & (usual > 0)
    run = (~still).groupby(rows["aircraft"]).cumsum()
    table = rows.assign(run=run)[still]
    if not len(table):
        return no_cases()
    time = table.groupby(["aircraft", "run"])
    table = table.assign(total=time["days"].transform("sum"), start=time["before"].transform("min"))
    last = table[~table.duplicated(["aircraft", "run"], keep="last") & (table["total"] > PARKED_DAYS)]
    found = [
        f"{plane} hardly flew from {start:%Y-%m-%d} to {stop:%Y-%m-%d}, {n:.0f} days"
        for plane, start, stop, n in last[["aircraft", "start", "read_on", "total"]].itertuples(
            index=False, name=None
        )
    ]
    return context.cases("usage", last, "flight_cycles", np.asarray(found, dtype=object), confidence=SURE)
