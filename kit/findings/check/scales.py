"""Do sizes, damage limits and panels fit each other, or is one of them written in another unit than it says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.context import CheckContext
from kit.findings.check.evidence import SMALLEST_MM
from kit.findings.check.problems import one_problem
from kit.findings.keys import among
from kit.findings.methods import TAP_METHODS, is_damage
from kit.findings.tables import MM_PER_UNIT
from kit.findings.units import FAR_FROM_USUAL, FEWEST_USUAL, SMALLEST_TAPPED

SMALL_LIMIT = 10.0
"""Limit below which a tap test cannot tell what passes it: less than the touch of a coin (common practice, no source) [mm]."""

PANEL_SIZES = (100.0, 15_000.0)
"""Longest extents between which panels lie: a hand, and the longest door (common practice, no source) [mm]."""

SHARE_OF_QUARTERS = 0.1
"""Share of sizes in mm or cm with quarters or eighths above which they are in doubt: nobody reads a quarter of a millimetre
off a panel, and inches are read so (common practice, no source) [-]."""

SIZES_TOO_SMALL = "sizes of the group are smaller than a tap tells: written in another unit?"
"""Reason by which a group's sizes cannot be right as they stand."""

LIMIT_BEYOND_PANELS = "the limit is larger than any panel of its group: written in another unit?"
"""Reason by which a limit cannot be right as it stands."""

_EIGHTHS = (0.125, 0.25, 0.375, 0.625, 0.75, 0.875)


def check_scales(context: CheckContext) -> None:
    """Report units that whole tables speak against, where row by row nothing stands out; all are warnings.

    Parameters
    ----------
    context : CheckContext
        What the checks work on, once every table is checked.

    Notes
    -----
    A size is doubted row by row against the usual size of its kind (`suspect_units`); where all are in the wrong
    unit the usual one is wrong as well, so that sizes are held here against what a tap tells, against the
    damage limit of their group and against its panels.
    """
    zones, limits = context.tables["zones"], context.tables["limits"]
    box = shapely.bounds(zones["outline"].to_numpy(dtype=object))
    extent = pd.Series(np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]), index=zones.index)
    odd = (extent < PANEL_SIZES[0]) | (extent > PANEL_SIZES[1])
    _warn(
        context,
        "zones",
        zones,
        odd,
        "zone",
        reason="no panel is so large or so small: outline written in another unit?",
        expected=_of(
            zones, odd, extent, f"{PANEL_SIZES[0]:g} to {PANEL_SIZES[1]:,.0f} mm across (it is {{:,.4g}} mm)"
        ),
        mend="check length_unit of the dataset, or units of zones in the column map",
    )
    found = context.tables["findings"]
    found = found[(is_damage(found) & (found["length"] > 0)).to_numpy(dtype=bool)]
    found = found.assign(group=found["zone"].map(zones.set_index("zone")["group"]))
    tapped = found[found["method"].isin(TAP_METHODS)]
    sizes = tapped.groupby("group")["length"].agg(["median", "size"])
    sizes = sizes[sizes["size"] >= FEWEST_USUAL]
    median = zones["group"].map(sizes["median"]).astype("float64")
    small = (median < SMALLEST_TAPPED) & ~zones["group"].duplicated()
    _warn(
        context,
        "zones",
        zones,
        small,
        "group",
        reason=SIZES_TOO_SMALL,
        expected=_of(
            zones, small, median, f"a median length from {SMALLEST_TAPPED:g} mm on (it is {{:.3g}} mm)"
        ),
        mend="check size_unit of findings, or units of findings in the column map",
    )
    _quarters(context, found)
    _limits(context, limits, extent.groupby(zones["group"]).max(), sizes["median"])


def _limits(context: CheckContext, limits: pd.DataFrame, widest: pd.Series, median: pd.Series) -> None:
    """Report limits that a tap cannot tell, that no panel has room for, and that sizes of their group are far from."""
    size, length = limits["size"], limits["bounds"] != "area"
    mend = "check units of limits and of findings in the column map, and length_unit of the dataset"
    small = (
        length & (size < SMALL_LIMIT) & (size >= SMALLEST_MM)
    )  # still smaller ones are reported by themselves
    _warn(
        context,
        "limits",
        limits,
        small,
        "size",
        reason="a limit smaller than a tap test tells: written in another unit?",
        expected=_of(limits, small, size, f"at least {SMALL_LIMIT:g} mm (it is {{:.4g}} mm)"),
        mend=mend,
    )
    room = limits["group"].map(widest).astype("float64")
    beyond = length & (size > room)
    _warn(
        context,
        "limits",
        limits,
        beyond,
        "size",
        reason=LIMIT_BEYOND_PANELS,
        expected=_of(limits, beyond, room, "at most {:,.4g} mm, the longest extent of the panels"),
        mend=mend,
    )
    usual = limits["group"].map(median).astype("float64")
    ratio = (usual / size).where(length & (size > 0))
    far = ((ratio > FAR_FROM_USUAL) | (ratio < 1 / FAR_FROM_USUAL)) & ~beyond
    _warn(
        context,
        "limits",
        limits,
        far,
        "size",
        reason="limit and sizes of the group are as far apart as two units",
        expected=_of(limits, far, usual, "a limit near the sizes that are found (their median is {:.4g} mm)"),
        mend=mend,
    )


def _quarters(context: CheckContext, found: pd.DataFrame) -> None:
    """Report sizes in mm or cm that heap on quarters and eighths, as inches do."""
    current = context.known["findings"].current
    kept = current[["finding", "size_unit", "length", "file"]]
    if len(kept) > len(found):  # else it is all of them
        kept = kept[among(kept["finding"], found["finding"])]
    for unit in ("mm", "cm"):
        written = kept.loc[kept["size_unit"] == unit, "length"] / MM_PER_UNIT[unit]
        part = (written % 1).round(4)
        n = int(part.isin(_EIGHTHS).sum())
        if n >= FEWEST_USUAL and n > SHARE_OF_QUARTERS * len(written):
            problem = one_problem(
                "dataset",
                kept["file"].iloc[0],
                column="size_unit",
                value=unit,
                reason=f"sizes in {unit} heap on quarters and eighths, as inches do",
                expected=f"whole or tenth parts ({n} of {len(written)} are quarters or eighths)",
                mend="check size_unit of findings, or units of findings in the column map",
            )
            context.log.include(problem, warn=True)


def _of(rows: pd.DataFrame, mask: pd.Series, values: pd.Series, words: str) -> pd.Series:
    """Return what was expected of each row of a mask, by the id of the row."""
    key = rows.columns[0]
    return pd.Series(
        [words.format(value) for value in values[mask]], index=pd.Index(rows.loc[mask, key]), dtype="object"
    )


def _warn(
    context: CheckContext,
    name: str,
    rows: pd.DataFrame,
    mask: pd.Series,
    column: str,
    *,
    reason: str,
    expected: pd.Series,
    mend: str,
) -> None:
    """Report accepted rows, whose labels are no longer those of the table as read."""
    if not mask.any():
        return
    key = rows.columns[0]
    current = context.sound(name, context.known[name].current)
    marked = current[key].isin(expected.index)
    words = expected[~expected.index.duplicated()].reindex(current.loc[marked, key]).to_numpy(dtype=object)
    context.report(name, current, marked, column, reason=reason, expected=words, mend=mend, warn=True)
