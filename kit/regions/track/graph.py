"""Which mapped region became which: damage over repeat inspections as a graph, and how it ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import csr_array

from kit.findings import CLOCKS, Fleet, PanelAges
from kit.regions.measure.blocks import by_rows
from kit.regions.measure.measure import equivalent_diameter
from kit.regions.measure.pairs import joined, touching
from kit.regions.track.track import check_columns, numbers, place_codes

OTHER_KIND = "other kind"
"""How an edge joins two tracks of different kinds."""


@dataclass(frozen=True, eq=False, repr=False)
class TrackGraph:
    """Regions mapped over repeat inspections, and which became which.

    Parameters
    ----------
    regions : DataFrame
        The regions as given, with the column track.
    edges : DataFrame
        A row for each region and one that it became at its next mapping: earlier and later (labels of
        the index of `regions`), track (of the later one), overlap_mm2, share_of_earlier and
        share_of_later (overlap over their areas [-]; nan for a region without area), and how: same, merge
        (the later one has several earlier ones), split (the earlier one has several later ones), merge
        and split, or other kind (two tracks of different kinds at their first contact).
    order : str
        Column that gave the order in time: age or found_on.
    clock : str
        Clock of the ages, blank where regions came with ages of their own or there are none.
    """

    regions: pd.DataFrame
    edges: pd.DataFrame
    order: str
    clock: str = ""

    def __repr__(self) -> str:
        """Return counts on one line."""
        how = self.edges["how"].value_counts()
        return (
            f"TrackGraph({len(self.regions):,} regions, {self.regions['track'].nunique():,} tracks, "
            f"{len(self.edges):,} edges: "
            + (", ".join(f"{n:,} {name}" for name, n in how.sort_index().items()) or "none")
            + ")"
        )

    def to_frame(self) -> pd.DataFrame:
        """Return size against age of each track.

        Returns
        -------
        DataFrame
            A row for each track and day it was mapped: track, panel (or zone), age [clock units] and
            found_on as far as they are known, n_regions, area_mm2 (of their union), diameter_mm (of the
            circle of that area), and diameter_lower_mm and diameter_upper_mm where the regions have them:
            those of the union, in the proportion of the areas that the single regions allow.
        """
        regions, order = self.regions, self.order
        place = "panel" if "panel" in regions.columns else "zone"
        keys = ["track", order]
        shown = [name for name in (place, "age", "found_on") if name in regions.columns and name != order]
        shapes = regions["geometry"].to_numpy(object)
        frame = regions[[*keys, *shown]].assign(_area=shapely.area(shapes), n_regions=1)
        ends = [n for n in ("diameter_lower_mm", "diameter_upper_mm") if n in regions.columns]
        for name in ends:
            frame[name] = np.pi * regions[name] ** 2 / 4
        look = frame.groupby(keys, sort=True, dropna=False)
        sums = {"_area": "sum", "n_regions": "sum"} | dict.fromkeys(ends, "sum")
        # A region without a shape has no size; a sum must not make it 0.
        out = look.agg(dict.fromkeys(shown, "first") | sums).reset_index()
        code = look.ngroup().to_numpy()
        missing = np.bincount(code, weights=np.isnan(frame["_area"]), minlength=len(out)) > 0
        total = out["_area"].to_numpy(np.float64)
        union = total.copy()
        rows = np.flatnonzero(out["n_regions"].to_numpy()[code] > 1)
        rows = rows[np.argsort(code[rows], kind="stable")]
        if rows.size:
            for part in np.split(rows, np.flatnonzero(np.diff(code[rows])) + 1):
                union[code[part[0]]] = min(
                    float(shapely.area(shapely.union_all(shapes[part]))), union[code[part[0]]]
                )
        union[missing] = np.nan
        with np.errstate(divide="ignore", invalid="ignore"):
            once = np.where(total > 0, union / total, 1.0)
        out["area_mm2"], out["diameter_mm"] = union, equivalent_diameter(union)
        for name in ends:
            out[name] = equivalent_diameter(out[name].to_numpy(np.float64) * once)
        first = ["track", place, *[n for n in ("age", "found_on") if n in regions.columns]]
        return out[[*first, "n_regions", "area_mm2", "diameter_mm", *ends]]


def track_graph(
    regions: pd.DataFrame, *, across_kinds: bool = False, fleet: Fleet | None = None, clock: str = ""
) -> TrackGraph:
    """Follow damage from one mapping to the next, with merges and splits.

    Parameters
    ----------
    regions : DataFrame
        As `track` takes it. Regions of one place and day are one look at it.
    across_kinds : bool
        Take overlapping regions of different kinds as the same damage. If not, the first contact of two
        tracks of different kinds (a moisture region and the disbond that begins in it) is an edge of its
        own, and they stay two tracks.
    fleet : Fleet, optional
        Where panel ages come from, for a `clock`.
    clock : str
        Clock on which to add ages to regions that have only days: flight_hours, flight_cycles or
        calendar_days.

    Returns
    -------
    TrackGraph
        Regions with track, edges, and by `to_frame` size against age.

    Raises
    ------
    ValueError
        If a column is missing, or `clock` is unknown, or is given without `fleet` or for regions that
        have ages.

    Notes
    -----
    An edge joins a region to one that it touches at a later look, unless a region of a look between
    touches both: edges join consecutive mappings. A damage that a look passed over is joined to its
    next mapping.
    """
    order = check_columns(regions)
    if clock:
        regions = _aged(regions, fleet, clock)
    shapes = regions["geometry"].to_numpy(object)
    n = len(regions)
    pair = np.stack(touching(shapes, place_codes(regions, across_kinds=True)))
    same = np.ones(pair.shape[1], dtype=bool)
    if n and not across_kinds:
        code = place_codes(regions)
        same = code[pair[0]] == code[pair[1]]
    label = joined(*pair[:, same], n) if n else np.empty(0, np.int64)
    number = numbers(label, regions[order]) if n else np.empty(0, np.int64)
    when = pd.factorize(regions[order], sort=True)[0]  # an unknown day (-1) has no order
    swap = when[pair[0]] > when[pair[1]]
    pair = np.where(swap, pair[::-1], pair)
    ordered = (when[pair[0]] < when[pair[1]]) & (when[pair].min(axis=0, initial=0) >= 0)
    own = _consecutive(pair[:, ordered & same], n)
    # A track of another kind is joined once: its first region, to the last one before it.
    other = pair[:, ordered & ~same]
    other = other[:, np.lexsort((-when[other[0]], when[other[1]]))]
    _, first = np.unique(np.sort(number[other], axis=0), axis=1, return_index=True)
    other = other[:, np.sort(first)]
    incoming, outgoing = np.bincount(own[1], minlength=n), np.bincount(own[0], minlength=n)
    merge, split = incoming[own[1]] > 1, outgoing[own[0]] > 1
    how = np.select([merge & split, merge, split], ["merge and split", "merge", "split"], "same")
    how = np.r_[how, np.full(other.shape[1], OTHER_KIND)]
    both = np.concatenate([own, other], axis=1)
    sorting = np.lexsort((both[0], when[both[1]], number[both[1]]))
    (earlier, later), how = both[:, sorting], how[sorting]
    area = shapely.area(shapes)
    overlap = by_rows(lambda a, b: shapely.area(shapely.intersection(a, b)), shapes[earlier], shapes[later])
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = overlap / area[earlier], overlap / area[later]
    edges = pd.DataFrame(
        {
            "earlier": regions.index.to_numpy()[earlier],
            "later": regions.index.to_numpy()[later],
            "track": number[later],
            "overlap_mm2": overlap,
            "share_of_earlier": shares[0],
            "share_of_later": shares[1],
            "how": pd.Series(how, dtype="str"),
        }
    )
    return TrackGraph(regions.assign(track=number), edges, order, clock)


def _aged(regions: pd.DataFrame, fleet: Fleet | None, clock: str) -> pd.DataFrame:
    """Add the ages of the panels on a clock."""
    if clock not in CLOCKS:
        raise ValueError(f"`clock` must be one of {', '.join(CLOCKS)}. Got {clock!r}; correct the name.")
    if fleet is None or "age" in regions.columns or "panel" not in regions.columns:
        raise ValueError(
            "`clock` must come with `fleet` and with regions that have panel and found_on but no age. "
            f"Got fleet={fleet!r} and the columns {', '.join(map(str, regions.columns))}."
        )
    age = PanelAges(fleet, clock).at(regions["panel"].to_numpy(object), regions["found_on"].to_numpy())
    return regions.assign(age=age)


def _consecutive(pair: NDArray[np.intp], n: int) -> NDArray[np.intp]:
    """Leave out pairs of an earlier and a later region that a third one between them touches both."""
    if not pair.shape[1]:
        return pair
    linked = csr_array((np.ones(pair.shape[1], np.float32), tuple(pair)), shape=(n, n))
    by_way = (linked @ linked).multiply(linked).tocoo()
    direct = np.sort(pair[0].astype(np.int64) * n + pair[1])
    passed = by_way.row.astype(np.int64) * n + by_way.col
    keep = np.setdiff1d(direct, passed, assume_unique=True)
    return np.stack([keep // n, keep % n]).astype(np.intp)
