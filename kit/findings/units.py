"""Is a size written in another unit than it says: the one decision that all of the kit uses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings.keys import among
from kit.findings.methods import TAP_METHODS, is_damage
from kit.findings.tables import MM_PER_UNIT

MIX_UPS = (25.4, 10.0)
"""Ratios of sizes that point to two units: in and mm, cm and mm."""

NEAR = 1.35
"""How near to such a ratio, as a factor [-]."""

STEPS = (1.0, 26.0)
"""Steps to which a tap test may be rounded: a coin's touch cannot tell less, 1 in is coarse [mm]."""

SMALLEST_TAPPED = 4.0
"""Length below which a tap test tells nothing [mm]."""

SAME_PLACE = 60.0
"""Distance within which two mappings may be of one damage [mm]."""

FAR_FROM_USUAL = 8.0
"""A length so many times larger or smaller than the median of its kind is in doubt: millimetres and inches differ by
25.4 (assumed, no source) [-]."""

FEWEST_USUAL = 5
"""Damages of a kind from which on their median is called usual (assumed)."""

SURE, LIKELY, POSSIBLE = "sure", "likely", "possible"
"""How far the data bear a suspicion out, in words."""

_IN_REMARKS = r"\bsize[sd]?\b[^;.]{0,20}?\bin\s+(mm|cm|in|inch|inches|millimet\w+|centimet\w+)\b"
_UNITS = {"inch": "in", "inches": "in", "in": "in", "mm": "mm", "cm": "cm", "mil": "mm", "cen": "cm"}


def suspect_units(findings: pd.DataFrame, zones: pd.DataFrame) -> pd.DataFrame:
    """Return findings whose size fits another unit better than its own.

    The written length is held against the outline, the panel, the usual size of its kind, the step of
    rounding, the smallest damage that a tap tells, the other mappings of the same place, and the remarks.

    Parameters
    ----------
    findings : DataFrame
        Typed rows of the table findings.
    zones : DataFrame
        Accepted zones.

    Returns
    -------
    DataFrame
        Rows in doubt, with the index of `findings`: found (why, in words), suggestion (the unit that fits,
        blank where none or several do), confidence (one of sure, likely, possible).
    """
    rows = findings[findings["size_unit"].isin(list(MM_PER_UNIT)) & findings["length"].notna()]
    index, rows = rows.index, rows.reset_index(drop=True)
    if not len(rows):
        return pd.DataFrame({"found": [], "suggestion": [], "confidence": []}, dtype="str")
    zones = zones.set_index("zone")
    size = rows["length"].to_numpy()
    reasons: dict[int, list[str]] = {}  # of the few rows in doubt
    votes = np.full((len(rows), len(MM_PER_UNIT)), 0)
    units = np.array(list(MM_PER_UNIT), dtype=object)
    factors = np.array(list(MM_PER_UNIT.values()))
    unit = _of_each(rows["size_unit"], {name: k for k, name in enumerate(MM_PER_UNIT)})
    other = size[:, None] / factors[unit][:, None] * factors
    strong = np.zeros(len(rows), dtype=bool)

    def hold(mask: NDArray, fits: NDArray, words: list[str], *, is_strong: bool = False) -> None:
        for k, word in zip(np.flatnonzero(mask), words, strict=True):
            reasons.setdefault(int(k), []).append(word)
        votes[mask] += fits[mask]
        if is_strong:
            strong[mask] = True

    own = _outline_length(rows, size)
    mask = _near_mix_up(size, own)
    fits = (_apart(other, own[:, None]) < np.log(NEAR)) * 4
    words = [f"{size[k]:.4g} mm beside an outline {own[k]:.4g} mm long" for k in np.flatnonzero(mask)]
    hold(mask, fits, words, is_strong=True)
    panel = _extent(zones, rows["zone"])
    mask = size > panel
    fits = ((other <= panel[:, None] / 2) & (other >= SMALLEST_TAPPED)).astype(int)
    hold(mask, fits, [f"{size[k]:.4g} mm on a panel of {panel[k]:.4g} mm" for k in np.flatnonzero(mask)])
    real = is_damage(rows).to_numpy()
    by_kind = pd.Series(np.where(real, size, np.nan)).groupby(rows["kind"])
    usual = by_kind.transform("median").where(by_kind.transform("count") >= FEWEST_USUAL).to_numpy()
    mask = (_apart(size, usual) > np.log(FAR_FROM_USUAL)) & (size > 0)
    fits = (_apart(other, usual[:, None]) < np.log(3)).astype(int)
    words = [f"{size[k]:.4g} mm where {usual[k]:.4g} mm is usual" for k in np.flatnonzero(mask)]
    hold(mask, fits, words)
    near, partner = _other_mapping(rows, size, zones["group"])
    fits = (_apart(other, partner[:, None]) < np.log(NEAR)) * 2
    words = [f"{size[k]:.4g} mm, mapped again as {partner[k]:.4g} mm" for k in np.flatnonzero(near)]
    hold(near, fits, words)
    step = rows["rounding"].to_numpy()
    mask = (step > STEPS[1]) | ((step < STEPS[0]) & (step > 0))
    steps = step[:, None] / factors[unit][:, None] * factors
    fits = ((steps >= STEPS[0]) & (steps <= STEPS[1])).astype(int)
    quarter = np.isin(np.round(steps[:, 0] * 16) / 16, (0.0625, 0.125, 0.25, 0.5, 0.75))
    fits[:, units == "in"] += quarter[:, None]
    hold(mask, fits, [f"rounded to {step[k]:.4g} mm" for k in np.flatnonzero(mask)])
    mask = (size < SMALLEST_TAPPED) & (size > 0) & rows["method"].isin(TAP_METHODS).to_numpy()
    fits = ((other >= SMALLEST_TAPPED) & (other <= 300)).astype(int)
    hold(mask, fits, [f"{size[k]:.4g} mm is less than a tap tells" for k in np.flatnonzero(mask)])
    named = _units_in_remarks(rows["remarks"], units)
    mask = (named >= 0) & (named != unit)
    fits = (named[:, None] == np.arange(len(units))).astype(int) * 2
    hold(mask, fits, [f"the remarks say {units[k]}" for k in named[mask]])

    hit = np.array(sorted(reasons), dtype=np.int64)
    votes, strong = votes[hit], strong[hit]
    votes[np.arange(len(hit)), unit[hit]] = 0
    best = votes.max(axis=1)
    one = (votes == best[:, None]).sum(axis=1) == 1
    suggestion = np.where((best > 0) & one, units[votes.argmax(axis=1)], "")
    n_reasons = np.array([len(reasons[k]) for k in hit])
    confidence = np.where(
        strong & (n_reasons > 1), SURE, np.where(strong | (n_reasons > 1), LIKELY, POSSIBLE)
    )
    found = np.array(["; ".join(reasons[k]) for k in hit], dtype=object)
    out = pd.DataFrame({"found": found, "suggestion": suggestion, "confidence": confidence}, index=index[hit])
    return out.astype("str")


def _of_each(cells: pd.Series, values: dict[str, int]) -> NDArray[np.int64]:
    """Return the value of each cell, looked up once for each kind of cell."""
    codes, kinds = pd.factorize(cells)
    return np.array([values[kind] for kind in kinds], dtype=np.int64)[codes]


def _units_in_remarks(remarks: pd.Series, units: NDArray) -> NDArray[np.int64]:
    """Return which unit the remarks beside each size name, -1 where none; many remarks are alike or blank."""
    codes, kinds = pd.factorize(remarks)
    words = pd.Series(kinds, dtype="str").str.lower().str.extract(_IN_REMARKS)[0].fillna("")
    names = [_UNITS.get(word, _UNITS.get(word[:3], "")) for word in words]
    where = {name: k for k, name in enumerate(units)}
    return np.array([where.get(name, -1) for name in names], dtype=np.int64)[codes]


def _extent(zones: pd.DataFrame, zone: pd.Series) -> NDArray[np.float64]:
    """Return the diagonals of panels [mm]; nan where there is no such zone."""
    box = shapely.bounds(zones["outline"].to_numpy(dtype=object))
    size = pd.Series(np.hypot(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]), index=zones.index)
    return size.reindex(pd.Index(zone)).to_numpy()


def _apart(first: NDArray, second: NDArray) -> NDArray[np.float64]:
    """Return how far apart sizes are, as the logarithm of their ratio; infinite or nan where one is 0."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.abs(np.log(first / second))


def _near_mix_up(first: NDArray, second: NDArray) -> NDArray[np.bool_]:
    """Return whether the ratio of sizes, either way, is that of two units."""
    ratio = _apart(first, second)
    return np.any([np.abs(ratio - np.log(factor)) < np.log(NEAR) for factor in MIX_UPS], axis=0)


def _outline_length(rows: pd.DataFrame, size: NDArray) -> NDArray[np.float64]:
    """Return the longer side of the rectangle round each outline whose size is far off [mm]."""
    shapes = rows["outline"].to_numpy(dtype=object)
    box = shapely.bounds(shapes)
    own = np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1])
    for k in np.flatnonzero(_apart(size, own) > np.log(4)):
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapes[k]))[:3]
        own[k] = np.hypot(*np.diff(corners, axis=0).T).max()
    return own


def _other_mapping(
    rows: pd.DataFrame, size: NDArray, groups: pd.Series
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Return which sizes are another unit away from one at the same place, and that one.

    Of two such sizes the one that is farther from what is usual in the group is in doubt.
    """
    group = groups.reindex(rows["zone"]).to_numpy(dtype=object)
    usual = pd.Series(size).groupby(group).transform("median").to_numpy()
    odd = _apart(size, usual) > np.log(3)
    table = rows[["panel", "kind"]].assign(size=size, k=np.arange(len(rows)))
    # Few sizes are odd: only on their panels is it asked where damages lie.
    table = table[(size > 0) & among(table["panel"], table.loc[odd & (table["panel"] != ""), "panel"])]
    x, y = centres(rows.iloc[table["k"]])
    table = table.assign(x=x, y=y)
    table = table[table["x"].notna()]
    pairs = table[odd[table["k"]]].merge(table, on=["panel", "kind"], suffixes=("", "_other"))
    near = np.hypot(pairs["x"] - pairs["x_other"], pairs["y"] - pairs["y_other"]) < SAME_PLACE
    pairs = pairs[near & _near_mix_up(pairs["size"].to_numpy(), pairs["size_other"].to_numpy())]
    middle = usual[pairs["k"]]
    farther = _apart(pairs["size"].to_numpy(), middle) > _apart(pairs["size_other"].to_numpy(), middle)
    pairs = pairs[farther].drop_duplicates("k")
    hit, partner = np.zeros(len(rows), dtype=bool), np.full(len(rows), np.nan)
    hit[pairs["k"]] = True
    partner[pairs["k"]] = pairs["size_other"]
    return hit, partner


def centres(rows: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the centres of findings.

    Parameters
    ----------
    rows : DataFrame
        Findings.

    Returns
    -------
    x, y : ndarray of float, shape (n_rows,)
        Centre of the outline, else as written [mm].
    """
    shapes = rows["outline"].to_numpy(dtype=object)
    drawn = ~shapely.is_missing(shapes)
    middle = shapely.centroid(shapes)
    return (
        np.where(drawn, shapely.get_x(middle), rows["centre_x"].to_numpy()),
        np.where(drawn, shapely.get_y(middle), rows["centre_y"].to_numpy()),
    )
