"""Do taps say what was heard where, and do findings name grids that are there and on the panel."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import KDTree

from kit.findings.check.context import CheckContext
from kit.findings.check.shapes import FARTHEST
from kit.findings.keys import among
from kit.findings.methods import is_damage

ON_PANEL = 1e-6
"""How far off the panel a tap may lie and count as on it: rounding [mm]."""

MOSTLY = 0.5
"""Share of the taps of a grid that may lie off the panel before the grid is refused [-]."""


N_NEIGHBOURS = 4
"""How many of the nearest taps a contact time is held against."""

TIMES_NEIGHBOURS = 2.5
"""How many times as long or short as all of these a contact time is odd; a disbond makes it up to twice as long
(common practice, no source)."""


def check_taps(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Report taps of which nothing was heard or read, that lie far away, or that contradict each other.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed rows of taps.

    Returns
    -------
    DataFrame
        The rows.
    """
    if not len(rows):
        return rows
    context.report(
        "taps",
        rows,
        (rows["mark"] == "") & rows["contact_time"].isna(),
        "mark",
        reason="the tap has neither a mark nor a contact time",
        expected="clear, dull or not_tapped, or the contact time in µs",
        mend="write the mark, or take the row out",
    )
    for column in ("x", "y"):
        context.report(
            "taps",
            rows,
            rows[column].abs() > FARTHEST,
            column,
            reason=f"{column} reaches farther than any aircraft",
            expected=f"coordinates within {FARTHEST:g} mm of the datum of the panel",
            mend="check the tap and the length_unit of the dataset",
        )
    good = context.sound("taps", rows)
    marked = good[good["mark"].isin(["clear", "dull"])]
    place = pd.DataFrame({"grid": marked["grid"], "x": marked["x"].round(3), "y": marked["y"].round(3)})
    n_marks = marked["mark"].groupby([place["grid"], place["x"], place["y"]]).transform("nunique")
    context.report(
        "taps",
        marked,
        n_marks > 1,
        "mark",
        reason="two taps at one place are marked otherwise; dull counts",
        expected="one mark of each place",
        mend="take one of them out",
        warn=True,
    )
    _lone_contact_times(context, good)
    return rows


def _lone_contact_times(context: CheckContext, rows: pd.DataFrame) -> None:
    """Report contact times far from all of their neighbours in the grid: a digit lost, and no damage has one tap alone."""
    timed = rows[rows["contact_time"].notna()]
    timed = timed[timed.groupby("grid")["grid"].transform("size") > N_NEIGHBOURS]
    if not len(timed):
        return
    low, high = (pd.Series(np.nan, index=timed.index) for _ in range(2))
    for _, taps in timed.groupby("grid", sort=False):
        points = taps[["x", "y"]].to_numpy()
        # The nearest of itself is itself; the tree stays small beside the taps of a fleet.
        _, near = KDTree(points).query(points, k=N_NEIGHBOURS + 1)
        times = taps["contact_time"].to_numpy()[near]
        own = near == np.arange(len(taps))[:, None]
        low.loc[taps.index] = np.where(own, np.inf, times).min(axis=1)
        high.loc[taps.index] = np.where(own, -np.inf, times).max(axis=1)
    time = timed["contact_time"]
    odd = (time > TIMES_NEIGHBOURS * high) | (time * TIMES_NEIGHBOURS < low)
    context.report(
        "taps",
        timed,
        odd,
        "contact_time",
        reason="the contact time is far from those of all taps around it",
        expected=[f"about {a:g} to {b:g} µs, as around it" for a, b in zip(low[odd], high[odd], strict=True)],
        mend="correct the number: a digit too few or too many",
        warn=True,
    )


def check_tap_grids(
    context: CheckContext, rows: pd.DataFrame, panels: NDArray[np.object_]
) -> NDArray[np.bool_]:
    """Report findings whose tap grid is not there, or is not on the panel, or has nothing dull.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed rows of findings.
    panels : ndarray of Polygon or None, shape (n_rows,)
        Outline of the panel of each [mm].

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Whether taps stand for the shape of the finding: a mark that is dull or a contact time, on
        that day or recorded later.
    """
    named = (rows["tap_grid"] != "").to_numpy(dtype=bool)
    if not named.any():
        return named
    later = _report_missing(context, rows, named)
    taps = context.tables["taps"]
    heard = taps["grid"][(taps["mark"] == "dull") | ((taps["mark"] == "") & taps["contact_time"].notna())]
    tells = named & among(rows["tap_grid"], heard)
    context.report(
        "findings",
        rows,
        named & ~tells & among(rows["tap_grid"], taps["grid"]) & is_damage(rows),
        "tap_grid",
        reason="no tap of the grid is dull, so it gives no region",
        expected="a grid with at least one dull tap, or with contact times",
        mend="correct the marks, or the name of the grid",
        warn=True,
    )
    _report_off_panel(context, rows, named, panels)
    return tells | later


def _report_missing(context: CheckContext, rows: pd.DataFrame, named: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Report grids that no accepted tap is of, and return which are known later."""
    known, accepted = context.known["taps"].current, context.tables["taps"]
    told = context.raw["findings"].rejected
    told = told.index[told["column"] == "tap_grid"] if len(told) else pd.Index([])
    missing = named & ~among(rows["tap_grid"], accepted["grid"]) & ~rows.index.isin(told)
    if not missing.any():
        return missing
    is_lost = missing & among(rows["tap_grid"], known["grid"])
    is_later = missing & ~is_lost & among(rows["tap_grid"], context.raw["taps"].typed["grid"])
    first = known.drop_duplicates("grid").set_index("grid")
    place = dict(zip(first.index, first["file"] + " row " + first["row"].astype("str"), strict=True))
    context.report(
        "findings",
        rows,
        is_lost,
        "tap_grid",
        reason="all taps of the grid are rejected",
        expected="a grid with accepted taps",
        mend=[f"correct {place[grid]} and those after it first" for grid in rows["tap_grid"][is_lost]],
    )
    context.report(
        "findings",
        rows,
        is_later,
        "tap_grid",
        reason="refers to taps that became known later",
        expected="a grid of taps known on that day",
        mend="nothing, if the taps were recorded late",
        warn=True,
    )
    context.report(
        "findings",
        rows,
        missing & ~is_lost & ~is_later,
        "tap_grid",
        reason="no such grid in taps",
        expected="a grid in taps, or a CSV file in the folder of the dataset, such as taps/TG-1.csv",
        mend="correct the name, or add the taps",
    )
    return is_later


def _report_off_panel(
    context: CheckContext, rows: pd.DataFrame, named: NDArray[np.bool_], panels: NDArray[np.object_]
) -> None:
    """Report grids of which some taps, or most, lie off the panel."""
    own = pd.DataFrame({"grid": rows["tap_grid"].to_numpy(), "panel": panels})[
        named & ~shapely.is_missing(panels)
    ]
    taps = context.tables["taps"]
    taps = taps.loc[among(taps["grid"], own["grid"]), ["grid", "x", "y", "file", "row"]]
    both = own.reset_index(names="at").merge(taps, on="grid")
    if not len(both):
        return
    away = shapely.distance(both["panel"].to_numpy(object), shapely.points(both["x"], both["y"])) > ON_PANEL
    count = both.assign(away=away).groupby("at")["away"].agg(["sum", "size"])
    first = both[away].drop_duplicates("at").set_index("at")
    for is_most, warn in ((True, False), (False, True)):
        some = count[(count["sum"] > 0) & ((count["sum"] > MOSTLY * count["size"]) == is_most)]
        mask = np.zeros(len(rows), dtype=bool)
        mask[some.index] = True
        context.report(
            "findings",
            rows,
            mask,
            "tap_grid",
            reason="the tap grid is mostly off the panel"
            if is_most
            else "taps off the panel, the region is clipped",
            expected=[
                f"taps on the panel ({n} of {size} are off it, first {where.file} row {where.row})"
                for n, size, where in zip(
                    some["sum"], some["size"], first.loc[some.index].itertuples(), strict=True
                )
            ],
            mend="check the zone, the datum and the length_unit, or the name of the grid",
            warn=warn,
        )
