"""Which panels were tapped when, and which went without a look while they were fitted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.findings.dates import NO_DAY, day_numbers
from kit.findings.looks import build_looks
from kit.findings.methods import TAP_METHODS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kit.findings.fleet import Fleet

FREQUENCIES = {"YS": "year", "QS": "quarter", "MS": "month"}
"""Periods of a coverage table, and their words."""

_KEYS = {"panel": ["panel"], "position": ["aircraft", "zone"]}


def coverage_table(
    fleet: Fleet,
    *,
    zones: Sequence[str] | None = None,
    freq: str = "YS",
    methods: Sequence[str] = TAP_METHODS,
    by: str = "panel",
    looks: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Count the looks at each panel, or position, in each period in which it could be looked at.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    zones : sequence of str, optional
        Labels of the zones; default all. A panel counts while fitted at one of them.
    freq : str
        ``YS``, ``QS`` or ``MS``: years, quarters or months.
    methods : sequence of str
        Methods whose looks count.
    by : str
        ``panel``, or ``position`` (aircraft and zone).
    looks : DataFrame, optional
        What `build_looks` gave for the same methods, so that it is not built again.

    Returns
    -------
    DataFrame
        A row for each panel (or aircraft and zone) and period: panel, or aircraft and zone; label
        (both as one text); period (first day); recorded, implied and looks (their sum);
        fitted_days (days fitted while records were kept, up to the cut-off [days]); without_look;
        and share_without_look, the share of the periods of that panel or position without any look
        [-]. Periods in which it was not fitted, or no records were kept, are left out.

    Raises
    ------
    ValueError
        If a zone is not in the dataset, or `freq`, `by` or a method is unknown.

    Notes
    -----
    A period counts with however few days of fitting in it: the first and the last are often short,
    and their lack of a look is no neglect. `fitted_days` tells. Without a look here is no breach of
    the programme, which asks by hours, cycles or days of its own.
    """
    if freq not in FREQUENCIES:
        raise ValueError(f"`freq` must be one of {', '.join(FREQUENCIES)}. Got {freq!r}; correct the name.")
    if by not in _KEYS:
        raise ValueError(f"`by` must be panel or position. Got {by!r}; correct the name.")
    all_zones = fleet.tables["zones"]["zone"]
    wanted = list(all_zones) if zones is None else list(zones)
    unknown = sorted(set(wanted) - set(all_zones))
    if isinstance(zones, str) or unknown:
        raise ValueError(
            f"`zones` must be a list of zones of the dataset. Got {zones!r}. Known are {', '.join(sorted(all_zones))}."
        )
    keys = _KEYS[by]
    fitted = _fitted_days(fleet, wanted, freq, keys)
    made = build_looks(fleet, methods=methods) if looks is None else looks
    made = made[made["zone"].isin(wanted)]
    made = made.assign(period=made["looked_on"].dt.to_period(freq[0]).dt.start_time)
    counts = made.groupby([*keys, "period", "basis"]).size().unstack("basis")
    counts = counts.reindex(columns=["recorded", "implied"]).reset_index()
    table = fitted.merge(counts, on=[*keys, "period"], how="left")
    for basis in ("recorded", "implied"):
        table[basis] = table[basis].fillna(0).astype("int64")
    table["looks"] = table["recorded"] + table["implied"]
    table["without_look"] = table["looks"] == 0
    table["share_without_look"] = table.groupby(keys)["without_look"].transform("mean").astype("float64")
    label = table[keys[0]] if len(keys) == 1 else table["aircraft"] + " " + table["zone"]
    table["label"] = label.astype("str")
    counted = ["recorded", "implied", "looks", "fitted_days", "without_look", "share_without_look"]
    return table[[*keys, "label", "period", *counted]]


def _fitted_days(fleet: Fleet, zones: Sequence[str], freq: str, keys: list[str]) -> pd.DataFrame:
    """Return for each panel or position and period the days fitted while records were kept."""
    panels = fleet.tables["panels"]
    panels = panels[panels["zone"].isin(zones)]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    begins = aircraft["records_from"].fillna(aircraft["entry_into_service"])
    since = day_numbers(begins.reindex(panels["aircraft"]).to_numpy())
    cut_off = int(day_numbers([fleet.cut_off])[0])
    start = np.maximum(day_numbers(panels["fitted_on"]), since)
    removed = day_numbers(panels["removed_on"])
    end = np.minimum(np.where(removed == NO_DAY, cut_off, removed), cut_off)
    keep = start <= end
    panels, start, end = panels[keep], start[keep], end[keep]
    if not len(panels):
        empty = {name: pd.Series(dtype="str") for name in keys}
        return pd.DataFrame(
            empty | {"period": pd.Series(dtype="datetime64[us]"), "fitted_days": pd.Series(dtype="int64")}
        )
    low = pd.Timestamp(start.min().astype("datetime64[D]")).to_period(freq[0]).start_time
    edges = pd.date_range(low, fleet.cut_off, freq=freq)
    first_day = day_numbers(edges.to_numpy())
    last_day = np.r_[first_day[1:] - 1, cut_off]
    one = np.searchsorted(first_day, start, side="right") - 1
    two = np.searchsorted(first_day, end, side="right") - 1
    n = two - one + 1
    row = np.repeat(np.arange(len(panels)), n)
    period = np.arange(len(row)) - np.repeat(np.cumsum(n) - n, n) + one[row]
    days = np.minimum(end[row], last_day[period]) - np.maximum(start[row], first_day[period]) + 1
    frame = panels[keys].take(row).reset_index(drop=True)
    frame["period"] = edges.to_numpy().astype("datetime64[us]")[period]
    frame["fitted_days"] = np.minimum(days, last_day[period] - first_day[period] + 1)
    frame = frame.groupby([*keys, "period"], as_index=False)["fitted_days"].sum()
    # The day of a change belongs to both panels; a position cannot have more days than the period.
    length = pd.Series(last_day - first_day + 1, index=edges.to_numpy().astype("datetime64[us]"))
    frame["fitted_days"] = np.minimum(frame["fitted_days"], length.reindex(frame["period"]).to_numpy())
    return frame
