"""Is one damage written down twice, or have two become one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings.traps.context import TrapContext, no_cases
from kit.findings.traps.sizes import find_unit_mix_ups
from kit.findings.units import LIKELY, POSSIBLE, SURE, centres

DAYS_APART = 7
"""Longest time between two entries of one damage [days]."""

COVERED = 0.7
"""Share of the area of an earlier region that lies in a later one into which it has grown [-]."""

_SLACK = 10.0  # two mappings by hand never agree to the millimetre [mm]


def find_duplicates(context: TrapContext) -> pd.DataFrame:
    """Return findings that write down a damage that another one holds already (T3).

    Two findings are taken for one damage where panel and kind are the same, the centres are
    nearer than half the longer length, and the days at most a week apart. Two findings of two
    different looks are two mappings of a damage and no duplicate.

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; the suggestion is the disposition duplicate, for the
        finding recorded later.
    """
    rows = context.damages.reset_index(drop=True)
    rows = rows[rows["accepted"] & (rows["panel"] != "")].reset_index(drop=True)
    if len(rows) < 2:
        return no_cases()
    x, y = centres(rows)
    table = rows[["panel", "kind", "found_on", "finding", "inspection", "recorded_on"]].assign(
        x=x,
        y=y,
        size=_size(rows, context),
        length=rows["length"],
        disposition=rows["disposition"],
        k=rows.index,
    )
    table = table.sort_values(["recorded_on", "finding"], kind="stable").assign(order=np.arange(len(table)))
    pairs = table.merge(table, on=["panel", "kind"], suffixes=("", "_first"))
    pairs = pairs[pairs["order_first"] < pairs["order"]]
    days = (pairs["found_on"] - pairs["found_on_first"]).abs().dt.days
    apart = np.hypot(pairs["x"] - pairs["x_first"], pairs["y"] - pairs["y_first"])
    two_looks = (
        (pairs["inspection"] != "")
        & (pairs["inspection_first"] != "")
        & (pairs["inspection"] != pairs["inspection_first"])
    )
    near = apart < np.fmax(pairs["size"], pairs["size_first"]) / 2
    pairs = pairs[(days <= DAYS_APART) & near & ~two_looks].drop_duplicates("k")
    if not len(pairs):
        return no_cases()
    equal = (
        (pairs["inspection"] == pairs["inspection_first"])
        & (pairs["length"] == pairs["length_first"])
        & (pairs["found_on"] == pairs["found_on_first"])
    )
    found = [
        f"{first} is at the same place {(abs((day - before).days)) or 'no'} days apart"
        for first, day, before in pairs[["finding_first", "found_on", "found_on_first"]].itertuples(
            index=False, name=None
        )
    ]
    return context.cases(
        "findings",
        rows.loc[pairs["k"]],
        "disposition",
        found,
        suggestion="duplicate",
        confidence=np.where(equal, SURE, LIKELY),
    )


def _size(rows: pd.DataFrame, context: TrapContext) -> np.ndarray:
    """Return the extent of findings, of the outline where there is one [mm]."""
    box = shapely.bounds(rows["outline"].to_numpy(dtype=object))
    drawn = np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    doubtful = find_unit_mix_ups(context)["id"]
    written = rows["length"].mask(rows["finding"].isin(doubtful), 50.0)
    return np.where(np.isnan(drawn), written, drawn)


def find_merged(context: TrapContext) -> pd.DataFrame:
    """Return findings into which two or more earlier ones have grown together (T4).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`, a row for each later region that holds at least two
        earlier ones apart from each other.
    """
    rows = context.damages
    rows = rows[rows["accepted"] & (rows["panel"] != "")].reset_index(drop=True)
    shapes = _regions(context, rows)
    have = ~shapely.is_missing(shapes)
    rows, shapes = rows[have].reset_index(drop=True), shapes[have]
    many = rows["panel"].duplicated(keep=False).to_numpy()
    rows, shapes = rows[many].reset_index(drop=True), shapes[many]
    if len(rows) < 3:
        return no_cases()
    table = pd.DataFrame(
        {
            "panel": rows["panel"],
            "day": rows["found_on"],
            "k": np.arange(len(rows)),
            "area": shapely.area(shapes),
        }
    )
    pairs = table.merge(table, on="panel", suffixes=("", "_part"))
    pairs = pairs[(pairs["day_part"] < pairs["day"]) & (pairs["area_part"] < pairs["area"])]
    grown = shapely.buffer(shapes, _SLACK / 2)
    inside = shapely.area(shapely.intersection(grown[pairs["k"]], shapes[pairs["k_part"]]))
    pairs = pairs[inside >= COVERED * pairs["area_part"]]
    pairs = pairs[pairs["k"].duplicated(keep=False)]
    two = pairs.merge(pairs[["k", "k_part"]], on="k", suffixes=("", "_other"))
    two = two[two["k_part"] < two["k_part_other"]]
    apart = ~shapely.intersects(shapes[two["k_part"]], shapes[two["k_part_other"]])
    two = two[apart].drop_duplicates("k")
    names = rows["finding"].to_numpy(dtype=object)
    found = [
        f"covers {names[a]} and {names[b]}, found apart before"
        for a, b in two[["k_part", "k_part_other"]].to_numpy()
    ]
    return context.cases("findings", rows.loc[two["k"]], "finding", found, confidence=POSSIBLE)


def _regions(context: TrapContext, rows: pd.DataFrame) -> np.ndarray:
    """Return outlines, and discs where only centre and length are written, without doubtful units."""
    shapes = rows["outline"].to_numpy(dtype=object).copy()
    disc = (
        shapely.is_missing(shapes) & rows[["centre_x", "centre_y", "length"]].notna().all(axis=1).to_numpy()
    )
    disc &= ~rows["finding"].isin(find_unit_mix_ups(context)["id"]).to_numpy()
    points = shapely.points(rows.loc[disc, ["centre_x", "centre_y"]].to_numpy())
    across = rows.loc[disc, "width"].fillna(rows.loc[disc, "length"])
    shapes[disc] = shapely.buffer(points, np.sqrt(rows.loc[disc, "length"] * across).to_numpy() / 2)
    return shapes
