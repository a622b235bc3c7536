"""What do the records leave open: early years, ages, false calls, limits, causes."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from kit.findings.dates import day_numbers
from kit.findings.fittings import SPAN
from kit.findings.methods import TAP_METHODS
from kit.findings.traps.context import TrapContext, no_cases, together
from kit.findings.traps.places import find_sides_and_labels
from kit.findings.units import LIKELY, POSSIBLE, SURE

_PRIOR = ("prior_flight_hours", "prior_flight_cycles", "prior_days")
_NO_CAUSE = ("", "unknown", "not known", "unk", "n/a", "na", "none", "?", "-", "tbd", "tba")
_FALSE_CALL = (
    r"not confirmed|unconfirmed|false (?:call|alarm|indication)|no (?:damage|disbond|fault) found"
    r"|could not be (?:found|confirmed)|rings? clear|nothing found"
)


def find_late_records(context: TrapContext) -> pd.DataFrame:
    """Return aircraft whose early years have no records (T11).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`.
    """
    rows = context.fleet.tables["aircraft"]
    days = (rows["records_from"] - rows["entry_into_service"]).dt.days
    late = (days > 0).to_numpy()
    found = [f"no records for the first {n / 365.25:.1f} years in service" for n in days[late]]
    return context.cases("aircraft", rows[late], "records_from", found, confidence=SURE)


def find_unknown_ages(context: TrapContext) -> pd.DataFrame:
    """Return fittings of panels whose age is not known (T12).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`: panels fitted used for the first time, without prior ages.
    """
    rows = context.fleet.tables["panels"].sort_values(["panel", "fitted_on", "fitting"], kind="stable")
    first = ~rows["panel"].duplicated()
    blank = rows[list(_PRIOR)].isna().all(axis=1)
    rows = rows[first & blank & (rows["state"] != "new")]
    return context.cases("panels", rows, "prior_days", "fitted used, and no age is written", confidence=SURE)


def find_false_calls(context: TrapContext) -> pd.DataFrame:
    """Return findings that stand for damage, though it was not confirmed (T13).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`: remarks that say so, and findings left without a repair
        after which the panel was tapped and clean, and never found damaged again.
    """
    rows = context.damages
    rows = rows[rows["accepted"]].reset_index(drop=True)
    said = rows["remarks"].str.contains(_FALSE_CALL, case=False, regex=True).to_numpy(dtype=bool)
    found = "remarks: " + rows.loc[said, "remarks"]
    first = context.cases(
        "findings", rows[said], "disposition", found, suggestion="not_confirmed", confidence=LIKELY
    )
    left = rows["disposition"].isin(["within_limits", "monitor"]) & rows["method"].isin(TAP_METHODS)
    left &= ~rows["finding"].isin(context.rows("repairs")["finding"]) & (rows["panel"] != "")
    looks = context.looks
    names = pd.Index(rows["panel"].unique())
    code = names.get_indexer(pd.Index(looks["panel"]))
    clean = looks[(code >= 0) & ~looks["found"].to_numpy(dtype=bool)]
    keys = np.sort(names.get_indexer(pd.Index(clean["panel"])) * SPAN + day_numbers(clean["looked_on"]))
    panel, day = names.get_indexer(pd.Index(rows["panel"])), day_numbers(rows["found_on"])
    start = np.searchsorted(keys, panel * SPAN + day, side="right")
    stop = np.searchsorted(keys, (panel + 1) * SPAN)
    n_clean = stop - start
    last = rows.groupby("panel")["found_on"].transform("max")
    hit = left.to_numpy() & (n_clean > 0) & (rows["found_on"] == last).to_numpy()
    hit &= ~rows["finding"].isin(find_sides_and_labels(context)["id"]).to_numpy()  # clean is another panel
    found = [
        f"left as it was, and {n} later tap look{'s were' if n > 1 else ' was'} clean" for n in n_clean[hit]
    ]
    second = context.cases("findings", rows[hit], "disposition", found, confidence=POSSIBLE)
    return together(first, second)


def find_other_limits(context: TrapContext) -> pd.DataFrame:
    """Return findings that seem judged by a limit that was not in force that day (T15).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`: findings within limits by another revision only, and
        findings on a day for which the table has no limit.
    """
    rows = context.damages
    rows = rows[rows["accepted"]].reset_index(drop=True)
    limits = context.fleet.tables["limits"]
    rows["group"] = rows["zone"].map(context.zones["group"])
    if not len(rows):
        return no_cases()
    words = "no limit of the group was in force that day"
    if not len(limits):
        return context.cases("findings", rows, "found_on", words, confidence=SURE)
    start = limits.groupby("group")["valid_from"].min().reindex(rows["group"]).set_axis(rows.index)
    # A limit for the edge band or a row of fasteners says nothing of damage elsewhere.
    limits = limits[limits["place"].isin(["", "field"])]
    limits = _by_kind(limits, rows["kind"].unique())
    ordered = limits.sort_values("valid_from")[["group", "kind", "valid_from", "size", "revision"]]
    dated = rows[rows["found_on"].notna()].sort_values("found_on", kind="stable")
    both = pd.merge_asof(
        dated[["group", "kind", "found_on"]].assign(k=dated.index),
        ordered,
        left_on="found_on",
        right_on="valid_from",
        by=["group", "kind"],
    ).set_index("k")
    rows["limit_size"], rows["revision"] = both["size"].astype("float64"), both["revision"]
    largest = limits.groupby(["group", "kind"])["size"].max()
    largest = largest.reindex(pd.MultiIndex.from_frame(rows[["group", "kind"]])).to_numpy()
    allowed = rows["disposition"] == "within_limits"
    other = allowed & (rows["length"] > rows["limit_size"]) & (rows["length"] <= largest)
    found = [
        f"called within limits at {size:.4g} mm; revision {revision}, in force that day, allows {limit:.4g} mm, another {most:.4g} mm"
        for size, revision, limit, most in zip(
            rows.loc[other, "length"],
            rows.loc[other, "revision"],
            rows.loc[other, "limit_size"],
            largest[other],
            strict=True,
        )
    ]
    first = context.cases("findings", rows[other], "disposition", found, confidence=LIKELY)
    none = rows[~(start <= rows["found_on"]) & rows["found_on"].notna() & rows["group"].notna()]
    second = context.cases("findings", none, "found_on", words, confidence=SURE)
    return together(first, second)


def _by_kind(limits: pd.DataFrame, kinds: Iterable[str]) -> pd.DataFrame:
    """Return limits with a row for each kind: those of the kind, else those for every kind of the group."""
    parts = [limits.iloc[:0]]
    for kind in kinds:
        own = limits[limits["kind"] == kind]
        rest = limits[(limits["kind"] == "") & ~limits["group"].isin(own["group"])]
        parts.append(pd.concat([own, rest]).assign(kind=kind))
    return pd.concat(parts)


def find_blank_causes(context: TrapContext) -> pd.DataFrame:
    """Return findings of which the cause is blank or says nothing (T18).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`.
    """
    rows = context.rows("findings")
    rows = rows[rows["cause"].str.lower().str.strip(" .").isin(_NO_CAUSE)]
    return context.cases("findings", rows, "cause", "no cause is written", confidence=SURE)
