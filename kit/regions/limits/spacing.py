"""Which other damage stood beside each finding on its day, and how far away."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings import Fleet
from kit.numerics.typing import Floats
from kit.regions.measure.pairs import joined, touching
from kit.regions.track.ends import repairs_of
from kit.regions.track.track import mark_lives, place_codes, track


def neighbours_then(fleet: Fleet, found: pd.DataFrame) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return each finding with every other damage of its panel that stood on its day.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    found : DataFrame
        Regions of findings, with a plain index; life and track are made where they are not there.

    Returns
    -------
    first, second : ndarray of int
        Rows of the finding and of the other region.
    """
    known = ~shapely.is_missing(found["geometry"].to_numpy(object)) & (found["panel"] != "").to_numpy()
    rows = found[known].reset_index(names="row")
    rows = rows if {"life", "track"} <= set(rows.columns) else track(mark_lives(rows, fleet))
    # A region stands until it is mapped again, and through the day of its repair.
    again = mapped_again(rows)
    repaired = repairs_of(rows, fleet)["repaired_on"].astype("datetime64[us]") + pd.Timedelta(days=1)
    key = rows.assign(again=again, until=repaired, damage=one_damage(rows))
    key = key[["panel", "row", "damage", "found_on", "again", "until"]]
    both = key[["panel", "row", "damage", "found_on"]].merge(key, on="panel", suffixes=("", "_other"))
    stands = (both["damage"] != both["damage_other"]) & (both["found_on_other"] <= both["found_on"])
    stands &= ~(both["again"] <= both["found_on"]) & ~(both["until"] <= both["found_on"])
    return both.loc[stands, "row"].to_numpy(np.int64), both.loc[stands, "row_other"].to_numpy(np.int64)


def one_damage(regions: pd.DataFrame) -> NDArray[np.int64]:
    """Return a number for each damage: regions of one track that touch are one, also within a day.

    So are a wet core and the damage that it touches: water under a broken bond is no second damage beside it.

    Parameters
    ----------
    regions : DataFrame
        Columns geometry and, where they are known, track, kind and panel.

    Returns
    -------
    ndarray of int, shape (n,)
        The same for regions of one damage; without tracks each region is its own, water apart.
    """
    shapes = regions["geometry"].to_numpy(object)
    pairs = [np.empty(0, np.int64), np.empty(0, np.int64)]
    if "track" in regions.columns:
        pairs = list(touching(shapes, pd.factorize(regions["track"])[0]))
    if {"kind", "panel"} <= set(regions.columns):
        first, second = touching(shapes, pd.factorize(regions["panel"])[0])
        wet = (regions["kind"] == "moisture").to_numpy()
        part = wet[first] != wet[second]
        pairs = [np.r_[own, more[part]] for own, more in zip(pairs, (first, second), strict=True)]
    return np.asarray(joined(*pairs, len(regions)), np.int64)


def mapped_again(regions: pd.DataFrame) -> pd.Series:
    """Return the day from which each region is superseded by a later mapping of the same damage.

    Parameters
    ----------
    regions : DataFrame
        Columns panel, found_on, geometry and track; optional kind and life.

    Returns
    -------
    Series of datetime64
        First later day on which a region of the same track, or of the same kind in another life of the
        panel, touches it; NaT where there is none.
    """
    place = place_codes(regions, across_kinds=True, across_lives=True)
    first, second = touching(regions["geometry"].to_numpy(object), place)
    day, number = regions["found_on"].to_numpy("datetime64[us]"), regions["track"].to_numpy()
    same = number[first] == number[second]
    if "kind" in regions.columns:
        kind = pd.factorize(regions["kind"])[0]
        same |= kind[first] == kind[second]
    first, second = first[same], second[same]
    swap = day[first] > day[second]
    earlier, later = np.where(swap, second, first), np.where(swap, first, second)
    strict = day[earlier] < day[later]
    days = pd.Series(day[later[strict]], index=earlier[strict]).groupby(level=0).min()
    return days.reindex(np.arange(len(regions))).astype("datetime64[us]").set_axis(regions.index)


def spacing_of(
    shapes: NDArray[np.object_], pairs: tuple[NDArray[np.int64], NDArray[np.int64]], grown: Floats
) -> Floats:
    """Return the distance of regions to the nearest other one when each has grown all round.

    Parameters
    ----------
    shapes : ndarray of Geometry, shape (n,)
        Regions [mm].
    pairs : tuple of ndarray of int
        Each region, and another that counts for it.
    grown : ndarray of float, shape (n,)
        How far each grows, less than 0 where it shrinks [mm].

    Returns
    -------
    ndarray of float, shape (n,)
        Distances; nan where no other counts [mm].
    """
    one, two = pairs
    gap = np.maximum(shapely.distance(shapes[one], shapes[two]) - grown[one] - grown[two], 0.0)
    one, gap = one[np.isfinite(gap)], gap[np.isfinite(gap)]
    out = np.full(len(shapes), np.inf)
    np.minimum.at(out, one, gap)
    return np.where(np.isinf(out), np.nan, out)
