"""Which regions are the same damage, mapped again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from kit.findings import Fleet


def track(regions: pd.DataFrame) -> pd.DataFrame:
    """Join regions that overlap on the same panel into tracks.

    Parameters
    ----------
    regions : DataFrame
        Columns geometry (polygons, mm), age or found_on (for the order), and panel, or zone if there
        is none. Optional ``life``: regions of different lives of a panel are never the same damage.

    Returns
    -------
    DataFrame
        A copy with the column track: a whole number for each damage, in order of first sight. Damages
        that merge or split share a track.

    Raises
    ------
    ValueError
        If a column is missing.
    """
    place = "panel" if "panel" in regions.columns else "zone"
    order = "age" if "age" in regions.columns else "found_on"
    for name in ("geometry", place, order):
        if name not in regions.columns:
            raise ValueError(
                f"`regions` must have a column {name}. Got {', '.join(map(str, regions.columns))}."
            )
    out = regions.copy()
    if not len(out):
        return out.assign(track=pd.Series([], dtype="int64"))
    keys = [place, "life"] if "life" in regions.columns else [place]
    code = regions.groupby(keys, sort=False, dropna=False).ngroup().to_numpy()
    shapes = regions["geometry"].to_numpy(object)
    pairs = []
    by_place = np.argsort(code, kind="stable")
    ends = np.flatnonzero(np.r_[np.diff(code[by_place]) != 0, True]) + 1
    for rows in np.split(by_place, ends[:-1]):
        if rows.size < 2:
            continue
        if rows.size <= 64:
            i, j = np.triu_indices(rows.size, 1)
        else:
            i, j = shapely.STRtree(shapes[rows]).query(shapes[rows])
            i, j = i[i < j], j[i < j]
        pairs.append(np.stack([rows[i], rows[j]]))
    pair = np.concatenate(pairs, axis=1) if pairs else np.empty((2, 0), int)
    touching = shapely.intersects(shapes[pair[0]], shapes[pair[1]])
    i, j = pair[:, touching]
    n = len(out)
    _, label = connected_components(coo_array((np.ones(i.size), (i, j)), shape=(n, n)), directed=False)
    first_seen = pd.Series(regions[order].to_numpy()).groupby(label).transform("min")
    rank = (
        pd.DataFrame({"first": first_seen, "label": label}).drop_duplicates().sort_values(["first", "label"])
    )
    number = pd.Series(np.arange(len(rank)), index=rank["label"].to_numpy())
    return out.assign(track=number.loc[label].to_numpy())


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
