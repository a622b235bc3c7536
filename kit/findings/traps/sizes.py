"""Is a size written in another unit than it says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings.check.shapes import MIX_UPS, NEAR, STEPS
from kit.findings.tables import MM_PER_UNIT, TAP_METHODS
from kit.findings.traps.context import LIKELY, POSSIBLE, SURE, TrapContext, no_cases

SMALLEST_TAPPED = 4.0
"""Length below which a tap test tells nothing [mm]."""

SAME_PLACE = 60.0
"""Distance within which two mappings may be of one damage [mm]."""

_IN_REMARKS = r"\bsize[sd]?\b[^;.]{0,20}?\bin\s+(mm|cm|in|inch|inches|millimet\w+|centimet\w+)\b"
_UNITS = {"inch": "in", "inches": "in", "in": "in", "mm": "mm", "cm": "cm", "mil": "mm", "cen": "cm"}


def find_unit_mix_ups(context: TrapContext) -> pd.DataFrame:
    """Return findings whose size fits another unit better (T2).

    The written length is held against the outline, the panel, the step of rounding, the
    smallest damage that a tap tells, the other mappings of the same place, and the remarks.

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; the suggestion is the unit that fits.
    """
    rows = context.rows("findings")
    rows = rows[rows["size_unit"].isin(list(MM_PER_UNIT)) & rows["length"].notna()].reset_index(drop=True)
    if not len(rows):
        return no_cases()
    size = rows["length"].to_numpy()
    reasons: list[list[str]] = [[] for _ in range(len(rows))]
    votes = np.full((len(rows), len(MM_PER_UNIT)), 0)
    units = np.array(list(MM_PER_UNIT), dtype=object)
    factors = np.array(list(MM_PER_UNIT.values()))
    other = size[:, None] / rows["size_unit"].map(MM_PER_UNIT).to_numpy()[:, None] * factors
    strong = np.zeros(len(rows), dtype=bool)

    def hold(mask: NDArray, fits: NDArray, words: list[str], *, is_strong: bool = False) -> None:
        for k, word in zip(np.flatnonzero(mask), words, strict=True):
            reasons[k].append(word)
        votes[mask] += fits[mask]
        if is_strong:
            strong[mask] = True

    own = _outline_length(rows, size)
    mask = _near_mix_up(size, own)
    fits = (np.abs(np.log(other / own[:, None])) < np.log(NEAR)) * 4
    words = [f"{size[k]:.4g} mm beside an outline {own[k]:.4g} mm long" for k in np.flatnonzero(mask)]
    hold(mask, fits, words, is_strong=True)
    panel = context.extent(rows["zone"])
    mask = size > panel
    fits = ((other <= panel[:, None] / 2) & (other >= SMALLEST_TAPPED)).astype(int)
    hold(mask, fits, [f"{size[k]:.4g} mm on a panel of {panel[k]:.4g} mm" for k in np.flatnonzero(mask)])
    near, partner = _other_mapping(context, rows, size)
    fits = (np.abs(np.log(other / partner[:, None])) < np.log(NEAR)) * 2
    words = [f"{size[k]:.4g} mm, mapped again as {partner[k]:.4g} mm" for k in np.flatnonzero(near)]
    hold(near, fits, words)
    step = rows["rounding"].to_numpy()
    mask = (step > STEPS[1]) | ((step < STEPS[0]) & (step > 0))
    steps = step[:, None] / rows["size_unit"].map(MM_PER_UNIT).to_numpy()[:, None] * factors
    fits = ((steps >= STEPS[0]) & (steps <= STEPS[1])).astype(int)
    quarter = np.isin(np.round(steps[:, 0] * 16) / 16, (0.0625, 0.125, 0.25, 0.5, 0.75))
    fits[:, units == "in"] += quarter[:, None]
    hold(mask, fits, [f"rounded to {step[k]:.4g} mm" for k in np.flatnonzero(mask)])
    mask = (size < SMALLEST_TAPPED) & (size > 0) & rows["method"].isin(TAP_METHODS).to_numpy()
    fits = ((other >= SMALLEST_TAPPED) & (other <= 300)).astype(int)
    hold(mask, fits, [f"{size[k]:.4g} mm is less than a tap tells" for k in np.flatnonzero(mask)])
    asked = rows["remarks"].str.lower().str.extract(_IN_REMARKS)[0].fillna("")
    named = asked.map(lambda word: _UNITS.get(word, _UNITS.get(word[:3], "")))
    mask = ((named != "") & (named != rows["size_unit"])).to_numpy()
    fits = (named.to_numpy(dtype=object)[:, None] == units).astype(int) * 2
    hold(mask, fits, [f"the remarks say {unit}" for unit in named[mask]])

    hit = np.array([len(why) > 0 for why in reasons])
    votes[rows["size_unit"].to_numpy(dtype=object)[:, None] == units] = 0
    best = votes.max(axis=1)
    one = (votes == best[:, None]).sum(axis=1) == 1
    suggestion = np.where((best > 0) & one, units[votes.argmax(axis=1)], "")
    n_reasons = np.array([len(why) for why in reasons])
    confidence = np.where(
        strong & (n_reasons > 1), SURE, np.where(strong | (n_reasons > 1), LIKELY, POSSIBLE)
    )
    found = ["; ".join(why) for why in reasons if why]
    return context.cases(
        "findings", rows[hit], "size_unit", found, suggestion=suggestion[hit], confidence=confidence[hit]
    )


def _near_mix_up(first: NDArray, second: NDArray) -> NDArray[np.bool_]:
    """Return whether the ratio of sizes, either way, is that of two units."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.abs(np.log(first / second))
    return np.any([np.abs(ratio - np.log(factor)) < np.log(NEAR) for factor in MIX_UPS], axis=0)


def _outline_length(rows: pd.DataFrame, size: NDArray) -> NDArray[np.float64]:
    """Return the longer side of the rectangle round each outline whose size is far off [mm]."""
    shapes = rows["outline"].to_numpy(dtype=object)
    box = shapely.bounds(shapes)
    own = np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        far = np.flatnonzero(np.abs(np.log(size / own)) > np.log(4))
    for k in far:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapes[k]))[:3]
        own[k] = np.hypot(*np.diff(corners, axis=0).T).max()
    return own


def _other_mapping(
    context: TrapContext, rows: pd.DataFrame, size: NDArray
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Return which sizes are another unit away from one at the same place, and that one.

    Of two such sizes the one that is farther from what is usual in the group is in doubt.
    """
    x, y = context.centres(rows)
    group = context.zones["group"].reindex(rows["zone"]).to_numpy(dtype=object)
    usual = pd.Series(size).groupby(group).transform("median").to_numpy()
    table = pd.DataFrame({"panel": rows["panel"], "x": x, "y": y, "size": size, "k": np.arange(len(rows))})
    table = table[(table["panel"] != "") & table["x"].notna() & (table["size"] > 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        odd = np.abs(np.log(size / usual)) > np.log(3)
    pairs = table[odd[table["k"]]].merge(table, on="panel", suffixes=("", "_other"))
    near = np.hypot(pairs["x"] - pairs["x_other"], pairs["y"] - pairs["y_other"]) < SAME_PLACE
    pairs = pairs[near & _near_mix_up(pairs["size"].to_numpy(), pairs["size_other"].to_numpy())]
    farther = np.abs(np.log(pairs["size"] / usual[pairs["k"]])) > np.abs(
        np.log(pairs["size_other"] / usual[pairs["k"]])
    )
    pairs = pairs[farther].drop_duplicates("k")
    hit, partner = np.zeros(len(rows), dtype=bool), np.full(len(rows), np.nan)
    hit[pairs["k"]] = True
    partner[pairs["k"]] = pairs["size_other"]
    return hit, partner
