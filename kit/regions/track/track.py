"""Which regions are the same damage, mapped again."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.findings import Fleet, need_columns
from kit.regions.make.make import finding_regions
from kit.regions.measure.pairs import joined, touching


def track(regions: pd.DataFrame, *, across_kinds: bool = False) -> pd.DataFrame:
    """Join regions that overlap on the same panel into tracks.

    Parameters
    ----------
    regions : DataFrame
        Columns geometry (polygons, mm), age or found_on (for the order), and panel, or zone if there
        is none. Optional ``life``: regions of different lives of a panel are never the same damage.
        Optional ``kind``: nor are regions of different kinds.
    across_kinds : bool
        Join regions of different kinds that overlap all the same.

    Returns
    -------
    DataFrame
        A copy with the column track: a whole number for each damage, in order of first sight. Damages
        that merge or split share a track.

    Raises
    ------
    ValueError
        If a column is missing.

    See Also
    --------
    track_graph : Which region became which, with merges and splits, and how each track ends.
    """
    order = check_columns(regions)
    out = regions.copy()
    if not len(out):
        return out.assign(track=pd.Series([], dtype="int64"))
    code = place_codes(regions, across_kinds=across_kinds)
    pairs = touching(regions["geometry"].to_numpy(object), code)
    return out.assign(track=numbers(joined(*pairs, len(out)), regions[order]))


def check_columns(regions: pd.DataFrame) -> str:
    """Return the column that gives the order in time, once all columns for tracking are there."""
    place = "panel" if "panel" in regions.columns else "zone"
    order = "age" if "age" in regions.columns else "found_on"
    need_columns(regions, ("geometry", place, order), "regions")
    return order


def place_codes(
    regions: pd.DataFrame, *, across_kinds: bool = False, across_lives: bool = False
) -> NDArray[np.intp]:
    """Return a number for each panel (or zone), life and kind: regions of one can be the same damage."""
    keys = ["panel" if "panel" in regions.columns else "zone"]
    keys += [] if across_lives or "life" not in regions.columns else ["life"]
    keys += [] if across_kinds or "kind" not in regions.columns else ["kind"]
    return regions.groupby(keys, sort=False, dropna=False).ngroup().to_numpy(np.intp)


def numbers(label: NDArray[np.integer], order: pd.Series) -> NDArray[np.int64]:
    """Give the labels numbers in order of first sight."""
    first_seen = pd.Series(order.to_numpy()).groupby(label).transform("min")
    rank = (
        pd.DataFrame({"first": first_seen, "label": label}).drop_duplicates().sort_values(["first", "label"])
    )
    number = pd.Series(np.arange(len(rank)), index=rank["label"].to_numpy())
    return number.loc[label].to_numpy()


def tracked_regions(fleet: Fleet, *, across_kinds: bool = False) -> pd.DataFrame:
    """Return the regions of all damage of a fleet, with life and track.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    across_kinds : bool
        Join regions of different kinds that overlap.

    Returns
    -------
    DataFrame
        As `finding_regions` gives them, with life (`mark_lives`) and track (`track`).
    """
    return track(mark_lives(finding_regions(fleet), fleet), across_kinds=across_kinds)


def mark_lives(regions: pd.DataFrame, fleet: Fleet) -> pd.DataFrame:
    """Give a number to each life of a panel between repairs that change its clock.

    Parameters
    ----------
    regions : DataFrame
        Columns panel and found_on.
    fleet : Fleet
        Where the repairs stand.

    Returns
    -------
    DataFrame
        A copy with the column life: repairs of the panel before the day of the finding.
    """
    findings = fleet.tables["findings"].set_index("finding")["panel"]
    repairs = fleet.tables["repairs"]
    repairs = repairs.loc[repairs["restoration_factor"] < 1]
    done = pd.DataFrame({"panel": repairs["finding"].map(findings), "on": repairs["repaired_on"]})
    # A table without repairs maps to untyped blanks, which a join by panel would refuse.
    done = done.dropna().astype({"panel": regions["panel"].dtype}).sort_values(["panel", "on"], kind="stable")
    done["life"] = done.groupby("panel").cumcount() + 1
    rows = regions.reset_index(drop=True).reset_index(names="order")
    merged = pd.merge_asof(
        rows.sort_values("found_on", kind="stable"),
        done.sort_values("on", kind="stable"),
        left_on="found_on",
        right_on="on",
        by="panel",
        allow_exact_matches=False,
    ).sort_values("order", kind="stable")
    return regions.assign(life=merged["life"].fillna(0).astype("int64").to_numpy())
