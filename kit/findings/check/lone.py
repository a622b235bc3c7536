"""Is one cell unlike those of nearly all other rows: a blank among given cells, a rounding, a day of fitting or a repair that no other has."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings.check.context import CheckContext
from kit.findings.methods import is_damage
from kit.findings.read.lazy_text import given_cells

MOSTLY_GIVEN = {
    "zones": (
        "outer_material",
        "outer_thickness",
        "inner_material",
        "inner_thickness",
        "core_material",
        "core_thickness",
    ),
    "limits": ("bounds",),
    "inspections": ("coverage",),
    "findings": ("length", "size_unit", "rounding", "depth", "side"),
}
"""Columns that may be blank, but whose blank means less than a cell: where nearly all rows have one, it was forgotten."""

FEWEST_ROWS, FEWEST_SIZES = 20, 100
"""Rows of a table, and sizes in one unit, from which one may be told to be unlike the others (common practice, no source)."""

SHARE_LONE = 0.01
"""Share of the rows up to which those are lone that differ (common practice, no source) [-]."""


def most_lone(n: int | np.ndarray) -> np.ndarray:
    """Return how many of some rows may differ and still be lone: one, or a hundredth.

    Parameters
    ----------
    n : int or ndarray of int
        Rows.

    Returns
    -------
    ndarray of float
        Of the shape of `n`.
    """
    return np.maximum(1, SHARE_LONE * n)


def check_lone(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Warn of blanks where nearly all rows have a cell, and of roundings, days of fitting and repairs that nearly no other row has.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    name : str
        The table.
    rows : DataFrame
        Typed rows of it.
    """
    if name == "findings":
        rows = rows[is_damage(rows).to_numpy(dtype=bool)]  # a false call has no size
    if len(rows) < FEWEST_ROWS:
        return
    for column in MOSTLY_GIVEN.get(name, ()):
        blank = ~given_cells(rows[column])
        if 0 < blank.sum() <= most_lone(len(rows)):
            context.report(
                name,
                rows,
                blank,
                column,
                reason=f"{column} is blank, and nearly all other rows have it",
                expected=f"{column} as in the {len(rows) - int(blank.sum()):,} other rows",
                mend=f"write the {column}; if nobody knows it, nothing",
                warn=True,
            )
    if name == "findings":
        _roundings(context, rows)
    if name == "panels":
        _before_entry(context, rows)
    if name == "repairs":
        _repairs(context, rows)


def _repairs(context: CheckContext, rows: pd.DataFrame) -> None:
    """Warn of classes and restoration factors that nearly no other repair by the same method has; a blank is one of them."""
    method, names = pd.factorize(rows["repair_method"])
    n = np.bincount(method[method >= 0], minlength=len(names))
    for column in ("repair_class", "restoration_factor"):
        cell, cells = pd.factorize(rows[column], use_na_sentinel=False)
        counts = np.zeros((len(names), len(cells)), dtype=np.int64)
        np.add.at(counts, (method[method >= 0], cell[method >= 0]), 1)
        enough = (method >= 0) & (rows["repair_method"] != "").to_numpy() & (n[method] >= FEWEST_ROWS)
        lone = enough & (n[method] - counts.max(axis=1)[method] <= most_lone(n[method]))
        usual = counts.argmax(axis=1)[method]
        odd = lone & (cell != usual)
        context.report(
            "repairs",
            rows,
            odd,
            column,
            reason=f"nearly no other repair by this method has this {column}",
            expected=[
                f"{'nothing' if pd.isna(cells[k]) else cells[k]}, as {counts[m, k]:,} of {n[m]:,} repairs by {names[m]!r}"
                for m, k in zip(method[odd], usual[odd], strict=True)
            ],
            mend=f"check {column} and repair_method; if this repair was another one, nothing",
            warn=True,
        )


def _before_entry(context: CheckContext, rows: pd.DataFrame) -> None:
    """Warn of panels fitted before their aircraft entered service, where nearly no other was."""
    planes = context.tables["aircraft"].drop_duplicates("aircraft").set_index("aircraft")
    entry = planes["entry_into_service"].reindex(rows["aircraft"]).set_axis(rows.index)
    early = (rows["fitted_on"] < entry).to_numpy()
    if 0 < early.sum() <= most_lone(len(rows)):
        context.report(
            "panels",
            rows,
            early,
            "fitted_on",
            reason="fitted before the aircraft entered service, and nearly no other panel was",
            expected=[f"{day:%Y-%m-%d} or later" for day in entry[early]],
            mend="correct fitted_on, the aircraft or its entry_into_service; if the panel was built in early, nothing",
            warn=True,
        )


def _roundings(context: CheckContext, rows: pd.DataFrame) -> None:
    """Warn of steps of rounding that nearly no other size in the same unit has."""
    sized = (rows["length"] > 0).to_numpy() & (rows["rounding"] > 0).to_numpy()
    unit = context.text("findings", rows)["size_unit"].to_numpy(dtype=object)
    step = rows["rounding"].round(6).to_numpy()
    odd, usual = np.zeros(len(rows), dtype=bool), np.full(len(rows), np.nan)
    for one in pd.unique(unit[sized]):
        own = sized & (unit == one)
        counts = pd.Series(step[own]).value_counts()
        if own.sum() >= FEWEST_SIZES:
            lone = counts.index[counts <= SHARE_LONE * own.sum()]
            odd |= own & np.isin(step, lone)
            usual[own] = counts.index[0]
    context.report(
        "findings",
        rows,
        odd,
        "rounding",
        reason="nearly no other size in this unit is rounded so",
        expected=[
            f"{mm:g} mm, as most sizes in {one}" for mm, one in zip(usual[odd], unit[odd], strict=True)
        ],
        mend="check rounding and size_unit; if the size was read to this step, nothing",
        warn=True,
    )
