"""Is what two cells say of one thing the same: method of find and look, zone of look and task, size and outline, type and depth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.context import CheckContext
from kit.findings.check.lone import FEWEST_ROWS, most_lone
from kit.findings.frames import one_name_a_row
from kit.findings.keys import places
from kit.findings.methods import is_damage

FEWEST_OFF, SHARE_OFF = 3, 0.5
"""Recorded looks of a task, and share of them, that make the task odd and not the looks (common practice, no source) [-]."""

FEWEST_OF_KIND = 500
"""Damages of a type from which a depth may be told to be unlike the others: by then one that a hundredth of them has was seen more
than once."""

FAR_FROM_OUTLINE = 1.7
"""How many times size and outline may differ, a step of rounding apart (common practice, no source) [-]."""

_DIRECTIONS = 36  # of an outline's extents: 5 degrees apart, which is nearer than anybody measures


def check_looks_of_cards(context: CheckContext, rows: pd.DataFrame, card: np.ndarray) -> None:
    """Warn of recorded looks that are not at the zones, or not by the method, of the task of their card.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed looks.
    card : ndarray of int, shape (n_rows,)
        Where the card of each stands among the accepted ones; -1 for none.

    Notes
    -----
    Where most looks of a task are so, the task is named: its looks were made, and it says something else.
    """
    on_card = card >= 0
    cards, tasks = context.tables["cards"], context.tables["tasks"]
    if not on_card.any() or not len(tasks):
        return
    looks, card = rows[on_card], card[on_card]
    names = tasks["task"].drop_duplicates(keep="last")
    of_card = places(cards["task"], names)
    task = of_card[card]
    looks, card, task = looks[task >= 0], card[task >= 0], task[task >= 0]
    zone_names = context.tables["zones"]["zone"]
    zone = places(looks["zone"], zone_names)
    pairs = one_name_a_row(tasks[["task", "zones"]], "zones", "zone")
    asked = np.zeros(
        (len(names), len(zone_names) + 1), dtype=bool
    )  # the last column is for zones that are none
    asked[places(pairs["task"], names), places(pairs["zone"], zone_names)] = True
    of_task = tasks.set_index("task").loc[names.array]
    of_task = of_task[~of_task.index.duplicated(keep="last")]
    method = of_task["method"].array.take(task)
    own = cards["method"].array.take(card)
    given = np.asarray(own != "", dtype=bool)
    same = np.asarray(looks["method"].array == method, dtype=bool)
    same[given] = np.asarray(looks["method"].array[given] == own[given], dtype=bool)
    for column, differs, expected in (
        ("zone", (zone >= 0) & ~asked[task, zone], of_task["zones"]),
        ("method", ~same, of_task["method"]),
    ):
        n, n_off = (np.bincount(task[which], minlength=len(names)) for which in (slice(None), differs))
        odd = (n_off >= FEWEST_OFF) & (n_off >= SHARE_OFF * n)
        _odd_tasks(context, names.array[odd], column, looks[differs], task[differs], names.array)
        off = differs & ~odd[task]
        if len(off) < FEWEST_ROWS or off.sum() > most_lone(len(off)):
            continue
        context.report(
            "inspections",
            looks,
            off,
            column,
            reason=f"not the {column} of the task of its card, as nearly all looks have it",
            expected=[
                f"{text.replace(';', ', ')} (task {name})"
                for text, name in zip(
                    expected.array.take(task[off]), names.array.take(task[off]), strict=True
                )
            ],
            mend=f"correct the {column}, the card or the task of the card; if it was done so, nothing",
            warn=True,
        )


def _odd_tasks(
    context: CheckContext, odd: pd.Index, column: str, looks: pd.DataFrame, task: np.ndarray, names: pd.Index
) -> None:
    """Warn of tasks that name other zones, or another method, than most looks on their cards have."""
    if not len(odd):
        return
    own = "zones" if column == "zone" else "method"
    cells = pd.Series(looks[column].to_numpy(dtype=object)).groupby(names.take(task)).unique()
    rows = context.sound("tasks", context.known["tasks"].current)
    marked = rows["task"].isin(list(odd)).to_numpy()
    context.report(
        "tasks",
        rows,
        marked,
        own,
        reason=f"most looks on cards of the task have another {column}",
        expected=[
            f"{', '.join(sorted(cells[name]))}, as these looks have" for name in rows.loc[marked, "task"]
        ],
        mend=f"correct the {own} of the task, or the cards of the looks",
        warn=True,
    )


def check_methods_of_looks(context: CheckContext, rows: pd.DataFrame, method: pd.Series) -> None:
    """Warn of findings by another method than the look that found them, where nearly all are by its method.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed findings.
    method : Series of str
        Method of the look of each; missing for none.
    """
    apart = np.asarray(method.notna() & (method != rows["method"]) & (rows["method"] != ""), dtype=bool)
    n = int(method.notna().sum())
    if n < FEWEST_ROWS or apart.sum() > most_lone(n):
        return
    context.report(
        "findings",
        rows,
        apart,
        "method",
        reason="not the method of the look",
        expected=[f"{one}, the method of the look" for one in method[apart]],
        mend="correct the method here or at the look",
        warn=True,
    )


def check_sizes_twice(context: CheckContext, rows: pd.DataFrame, box: np.ndarray, named: pd.Index) -> None:
    """Warn of sizes that do not fit the outline, of widths beyond lengths, and of a depth that no other damage of the type has.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    rows : DataFrame
        Typed findings that nothing speaks against.
    box : ndarray of float, shape (n_rows, 4)
        Bounds of their outlines; nan without one [mm].
    named : Index
        Labels of rows whose sizes are warned of already.
    """
    damage = is_damage(rows).to_numpy(dtype=bool)
    fresh = damage & ~rows.index.isin(named) if len(named) else damage
    length, width = rows["length"].to_numpy(dtype=float), rows["width"].to_numpy(dtype=float)
    wide = fresh & (width > length)
    n_sized = int((length > 0).sum())
    if n_sized >= FEWEST_ROWS and wide.sum() <= most_lone(n_sized):
        context.report(
            "findings",
            rows,
            wide,
            "length",
            reason="the width is larger than the length, the longest extent",
            expected=[f"{size:g} mm, the width, or more" for size in width[wide]],
            mend="correct length or width, or exchange them",
            warn=True,
        )
    _against_outlines(context, rows, fresh, box, length, width)
    _lone_depths(context, rows, damage)


def _against_outlines(
    context: CheckContext,
    rows: pd.DataFrame,
    fresh: np.ndarray,
    box: np.ndarray,
    length: np.ndarray,
    width: np.ndarray,
) -> None:
    """Warn of lengths and widths far from the extents of the outline, where nearly all fit."""
    step = np.nan_to_num(rows["rounding"].to_numpy(dtype=float))
    reach_x, reach_y = box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]
    drawn = fresh & np.isfinite(reach_x)
    # The box of an outline holds its longest extent between its longer side and its diagonal: most fit by it alone.
    doubt = drawn & (length > 0)
    doubt &= (FAR_FROM_OUTLINE * (length + step) < np.hypot(reach_x, reach_y)) | (
        length - step > FAR_FROM_OUTLINE * np.maximum(reach_x, reach_y)
    )
    doubt |= drawn & (width > 0) & (width - step > FAR_FROM_OUTLINE * np.minimum(reach_x, reach_y))
    at = np.flatnonzero(doubt)
    if not len(at):
        return
    hulls = shapely.convex_hull(rows["outline"].to_numpy(dtype=object)[at])
    points, owner = shapely.get_coordinates(hulls, return_index=True)
    angle = np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS
    along = points @ np.array([np.cos(angle), np.sin(angle)])
    begin = np.searchsorted(owner, np.arange(len(at)))
    extent = np.maximum.reduceat(along, begin) - np.minimum.reduceat(along, begin)
    for column, size, real in (
        ("length", length[at], extent.max(axis=1)),
        ("width", width[at], extent.min(axis=1)),
    ):
        far = (size > 0) & (size - step[at] > FAR_FROM_OUTLINE * real)
        far |= (size > 0) & (FAR_FROM_OUTLINE * (size + step[at]) < real)
        if drawn.sum() < FEWEST_ROWS or far.sum() > most_lone(drawn.sum()):
            continue
        context.report(
            "findings",
            rows.iloc[at],
            far,
            column,
            reason=f"the {column} does not fit the outline",
            expected=[
                f"about {mm:.0f} mm, as the outline has (it is {one:g} mm)"
                for mm, one in zip(real[far], size[far], strict=True)
            ],
            mend=f"correct the {column}, its unit or the outline",
            warn=True,
        )


def _lone_depths(context: CheckContext, rows: pd.DataFrame, damage: np.ndarray) -> None:
    """Warn of the only damage of a type that lies at a depth."""
    depth, depths = pd.factorize(rows["depth"])
    kind, kinds = pd.factorize(rows["kind"])
    blank = np.asarray(depths == "", dtype=bool)
    counted = damage & (depth >= 0) & (kind >= 0)
    if not counted.any() or blank.all():
        return
    counts = np.zeros((len(kinds), len(depths)), dtype=np.int64)
    np.add.at(counts, (kind[counted], depth[counted]), 1)
    n = np.where(blank[None, :], 0, counts).sum(axis=1)
    lone = (counts == 1) & ~blank[None, :] & (n >= FEWEST_OF_KIND)[:, None]
    odd = counted & lone[kind, depth]
    usual = [", ".join(sorted(depths[(one > 1) & ~blank])) for one in counts]
    context.report(
        "findings",
        rows,
        odd,
        "depth",
        reason="no other damage of this type lies at this depth",
        expected=[f"{usual[k]}, as the {n[k] - 1:,} others of type {kinds[k]}" for k in kind[odd]],
        mend="correct the depth or the kind; if it was seen so, nothing",
        warn=True,
    )
