"""Is each damage within the limits that were in force, by size, spacing, edge distance and place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from kit.findings import BOUNDED, KINDS, PLACES, Fleet
from kit.numerics.typing import Floats
from kit.regions.limits.spacing import neighbours_then, spacing_of
from kit.regions.make.make import finding_regions
from kit.regions.measure.extents import extents
from kit.regions.measure.measure import equivalent_diameter, measure

ALLOWABLE = "allowable"
REPAIRABLE = "repairable"
BEYOND = "beyond"
NO_LIMIT = "no limit known"
NO_SIZE = "no size known"

TIERS = (ALLOWABLE, REPAIRABLE, NO_SIZE, NO_LIMIT, BEYOND)
"""Answers, the gravest last: within the allowable damage limit (ADL), beyond it and within the repairable damage limit
(RDL), not known, beyond the RDL."""

TIER_WORDS = {
    ALLOWABLE: "may stay (within the allowable damage limit)",
    REPAIRABLE: "must be repaired before flight, unless approved data allow a deferral (beyond the allowable, within the repairable limit)",
    NO_SIZE: "cannot be judged: no size known",
    NO_LIMIT: "cannot be judged: no limit known",
    BEYOND: "beyond repair limits",
}
"""The tiers as the trade says them."""

FASTENER_BAND = 25.0
"""How near to a row of fasteners a damage counts as in it, where nothing else is said (assumed) [mm]."""

LIMIT_COLUMNS = ("size", "repairable_size", "spacing", "edge_distance", "total_share", "most_damages")
"""Clauses of a limit."""


def damage_place(
    geometries: ArrayLike,
    outlines: ArrayLike,
    *,
    edge_band_mm: ArrayLike = np.nan,
    fastener_rows: ArrayLike = None,
    fastener_band_mm: float = FASTENER_BAND,
) -> NDArray[np.object_]:
    """Say in which part of its panel each damage lies.

    Parameters
    ----------
    geometries : array_like of Polygon or MultiPolygon, shape (n,)
        Regions [mm].
    outlines : array_like of Polygon, shape (n,) or ()
        Outlines of their panels [mm].
    edge_band_mm : array_like of float, shape (n,) or ()
        Width of the band along the edge; nan: the panel has none [mm].
    fastener_rows : array_like of LineString or MultiLineString, shape (n,) or ()
        Rows of fasteners; None: none known [mm].
    fastener_band_mm : float
        How near to a row a damage is in it, to each side [mm].

    Returns
    -------
    ndarray of str, shape (n,)
        ``fastener_row``, ``edge_band`` or ``field``; "" where there is no region.

    Raises
    ------
    ValueError
        If a width is negative.

    Notes
    -----
    Any part of a damage that is nearer than the width puts it into the band. One that is in both is in the
    fastener row, which is the narrower of the two and mostly lies within the edge band. A cut-out is an
    edge like any other.

    Examples
    --------
    >>> box = [shapely.box(x, 100, x + 20, 120) for x in (2, 100)]
    >>> damage_place(box, shapely.box(0, 0, 400, 200), edge_band_mm=25).tolist()
    ['edge_band', 'field']
    """
    shapes = np.atleast_1d(np.asarray(geometries, dtype=object))
    band = np.broadcast_to(np.asarray(edge_band_mm, np.float64), shapes.shape)
    if (band < 0).any() or not fastener_band_mm >= 0:
        raise ValueError(
            f"`edge_band_mm` and `fastener_band_mm` must not be negative. Got {np.nanmin([*band, fastener_band_mm]):g}."
        )
    far = measure(shapes, outlines=outlines, fastener_rows=fastener_rows)
    place = np.where(shapely.is_missing(shapes), "", "field").astype(object)
    place[far["edge_distance_mm"].to_numpy() < band] = "edge_band"
    if fastener_rows is not None:
        place[far["fastener_distance_mm"].to_numpy() < fastener_band_mm] = "fastener_row"
    return place


def limits_in_force(
    limits: pd.DataFrame, group: ArrayLike, place: ArrayLike, on: ArrayLike, kind: ArrayLike = ""
) -> pd.DataFrame:
    """Return the limit that holds for each group, place, kind of damage and day.

    Parameters
    ----------
    limits : DataFrame
        The table limits, lengths in mm.
    group, place : array_like of str, shape (n,)
        Zone group and place in the panel.
    on : array_like of datetime64, shape (n,)
        Days.
    kind : array_like of str, shape (n,) or ()
        Kinds of damage; "": the limits for every kind.

    Returns
    -------
    DataFrame
        The row of the table for each, in order: limit, revision, place, kind and the clauses; "" and nan where
        none is in force.

    Notes
    -----
    A row stands until another for the same group, place and kind follows it. A limit for the kind and the place
    goes before one for the kind or for the place alone, and those before one for every kind anywhere (blank).
    Where one is for the kind and another for the place, the one with the smaller allowable damage holds, an area
    taken as the disc of that area; loading warns of it. Of two rows from one day the last by id holds.
    """
    names = ["limit", "revision", "place", "kind", "bounds"]
    asked = pd.DataFrame({"group": group, "place": place, "on": pd.to_datetime(pd.Series(on)).to_numpy()})
    asked["kind"] = np.broadcast_to(np.asarray(kind, object), len(asked))
    limits = limits.assign(**{name: "" for name in ("kind", "bounds") if name not in limits.columns})
    ordered = limits.sort_values(["valid_from", "limit"], kind="stable").reset_index(drop=True)
    place_of, kind_of = pd.Index(["", *PLACES]), pd.Index(["", *KINDS])
    code = pd.Index(ordered["group"].unique())

    def key(groups: ArrayLike, places: ArrayLike, kinds: ArrayLike) -> NDArray[np.int64]:
        parts = [
            of.get_indexer(pd.Index(values))
            for of, values in ((code, groups), (place_of, places), (kind_of, kinds))
        ]
        whole = (parts[0] * len(place_of) + parts[1]) * len(kind_of) + parts[2]
        return np.where(np.min(parts, axis=0) < 0, -1, whole)

    keys = key(ordered["group"], ordered["place"], ordered["kind"])
    days = ordered["valid_from"].to_numpy("datetime64[us]")

    def in_force(places: ArrayLike, kinds: ArrayLike) -> NDArray[np.int64]:
        row = np.full(len(asked), -1)
        every = [np.broadcast_to(np.asarray(values, object), len(asked)) for values in (places, kinds)]
        wanted = key(asked["group"], *every)
        for one in np.unique(wanted[wanted >= 0]):
            mine, theirs = np.flatnonzero(wanted == one), np.flatnonzero(keys == one)
            if theirs.size:
                after = np.searchsorted(
                    days[theirs], asked["on"].to_numpy("datetime64[us]")[mine], side="right"
                )
                row[mine] = np.where(after > 0, theirs[after - 1], -1)
        return row

    own_place, own_kind = asked["place"].to_numpy(object), asked["kind"].to_numpy(object)
    row, of_place = in_force("", ""), in_force(own_place, "")
    row = np.where(of_place >= 0, of_place, row)
    if (ordered["kind"] != "").any():
        of_kind, of_both = in_force("", own_kind), in_force(own_place, own_kind)
        allowed = _as_diameter(ordered["size"], ordered["bounds"])
        narrower = (of_place < 0) | (own_place == "") | (allowed[of_kind] <= allowed[of_place])
        row = np.where((of_kind >= 0) & narrower, of_kind, row)
        row = np.where(of_both >= 0, of_both, row)
    out = ordered[[*names, *LIMIT_COLUMNS]].reindex(row).reset_index(drop=True)
    out[names] = out[names].fillna("")
    out["bounds"] = out["bounds"].mask((out["bounds"] == "") & (out["limit"] != ""), BOUNDED[0])
    return out


def _as_diameter(size: ArrayLike, bounds: ArrayLike) -> Floats:
    """Return sizes as diameters: an area as that of the disc of its area [mm]."""
    size = np.asarray(size, np.float64)
    return np.where(np.asarray(bounds, dtype=object) == "area", equivalent_diameter(size), size)


def bounded_size(shapes: ArrayLike, bounds: ArrayLike) -> Floats:
    """Return the size of each region that its limit bounds.

    Parameters
    ----------
    shapes : array_like of Polygon or MultiPolygon, shape (n,)
        Regions [mm].
    bounds : array_like of str, shape (n,)
        ``longest_extent``, ``equivalent_diameter`` or ``area``, as from `limits_in_force`; "": no limit.

    Returns
    -------
    ndarray of float, shape (n,)
        Longest chord or equivalent diameter [mm], or area [mm²]; nan without a region. Without a limit
        the longest chord.

    Examples
    --------
    >>> square = shapely.box(0, 0, 30, 40)
    >>> bounded_size([square] * 3, ["longest_extent", "equivalent_diameter", "area"]).round(1).tolist()
    [50.0, 39.1, 1200.0]
    """
    shapes = np.atleast_1d(np.asarray(shapes, dtype=object))
    what = np.broadcast_to(np.asarray(bounds, dtype=object), shapes.shape)
    area = np.where(shapely.is_missing(shapes), np.nan, shapely.area(shapes))
    chord = extents(shapes)[:, 2]
    return np.select(
        [what == "equivalent_diameter", what == "area"], [equivalent_diameter(area), area], chord
    )


def judge(
    size_mm: ArrayLike,
    limits: pd.DataFrame,
    *,
    spacing_mm: ArrayLike = np.nan,
    edge_distance_mm: ArrayLike = np.nan,
) -> pd.DataFrame:
    r"""Judge damages by their limits.

    Parameters
    ----------
    size_mm : array_like of float, shape (n,)
        Sizes, each as its limit bounds it: see `bounded_size` [mm; mm² for an area].
    limits : DataFrame
        A row for each: limit, size, repairable_size, spacing, edge_distance [mm], as from
        `limits_in_force`; nan where a clause is not stated.
    spacing_mm : array_like of float, shape (n,) or ()
        Distance to the next damage of the panel; nan where there is none [mm].
    edge_distance_mm : array_like of float, shape (n,) or ()
        Distance to the edge [mm].

    Returns
    -------
    DataFrame
        A row for each: tier, clause (what decided), value, limit_value and margin [mm; negative: not kept],
        margin_share (margin over limit [-]). Without a limit or a size only the tier says so.

    Notes
    -----
    ``allowable``: within the allowable damage limit (ADL), every clause is kept and the damage may stay; the clause named
    is the one with the least margin for its limit. ``repairable``: beyond the ADL, within the repairable damage
    limit (RDL): repaired before flight, or deferred as the approved data allow; the clause named is the one
    missed by most. ``beyond``: beyond the RDL, or a clause is not kept and no RDL is stated. A value equal to its
    limit keeps it.
    """
    size, spacing, edge = (
        np.broadcast_to(np.asarray(value, np.float64), len(limits))
        for value in (size_mm, spacing_mm, edge_distance_mm)
    )
    clauses = {"size": size, "spacing": spacing, "edge_distance": edge}
    values = np.column_stack(list(clauses.values())).reshape(len(limits), len(clauses))
    stated = limits[list(clauses)].to_numpy(dtype=float).reshape(values.shape)
    sense = np.array([1.0, -1.0, -1.0])
    margin, share = _margins(values, stated, sense)
    repairable = limits["repairable_size"].to_numpy(dtype=float)
    fails = (margin < 0).any(axis=1)
    too_large = size > repairable
    beyond = too_large | (fails & np.isnan(repairable))
    out = pd.DataFrame(
        {"tier": np.select([beyond, fails], [BEYOND, REPAIRABLE], ALLOWABLE)}, index=limits.index
    )
    worst = np.where(np.isnan(share), np.inf, share).argmin(axis=1) if len(limits) else np.empty(0, int)
    row = np.arange(len(limits))
    repair_margin, repair_share = _margins(size, repairable, np.array(1.0))
    out["clause"] = np.where(too_large, "repairable_size", np.array(list(clauses))[worst])
    for name, of_repair, of_clause in (
        ("value", size, values),
        ("limit_value", repairable, stated),
        ("margin", repair_margin, margin),
        ("margin_share", repair_share, share),
    ):
        out[name] = np.where(too_large, of_repair, of_clause[row, worst])
    no_limit = (limits["limit"] == "").to_numpy() | np.isnan(limits["size"].to_numpy(dtype=float))
    no_size = np.isnan(size)
    out.loc[no_size, "tier"] = NO_SIZE
    out.loc[no_limit, "tier"] = NO_LIMIT
    out.loc[no_limit | no_size, "clause"] = ""
    out.loc[no_limit | no_size, ["value", "limit_value", "margin", "margin_share"]] = np.nan
    return out.astype({"tier": "str", "clause": "str"})


def _margins(value: Floats, limit: Floats, sense: Floats) -> tuple[Floats, Floats]:
    """Return how far values are within their limits, as such and for the limit; nan where there is none."""
    margin = sense * (limit - value)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(limit > 0, margin / limit, np.where(margin == 0, 0.0, np.sign(margin) * np.inf))
    return margin, np.where(np.isnan(margin), np.nan, share)


def kinds_of(fleet: Fleet, regions: pd.DataFrame) -> NDArray[np.object_]:
    """Return the kind of damage of each region, as the region says it or else its finding.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    regions : DataFrame
        Column kind, or finding.

    Returns
    -------
    ndarray of str, shape (n,)
        Kinds; "" where neither is known, so that only limits for every kind hold.
    """
    if "kind" in regions.columns:
        return regions["kind"].to_numpy(object)
    found = fleet.tables["findings"].drop_duplicates("finding").set_index("finding")["kind"]
    return found.reindex(regions["finding"]).fillna("").to_numpy(object)


def tier_findings(
    fleet: Fleet,
    regions: pd.DataFrame | None = None,
    *,
    as_of: str | pd.Timestamp | None = None,
    fastener_band_mm: float = FASTENER_BAND,
) -> pd.DataFrame:
    """Judge each finding by the limits in force on its day.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    regions : DataFrame, optional
        What `kit.finding_regions` gave. With the columns diameter_lower_mm and diameter_upper_mm the tiers
        that the uncertain outline allows are given too.
    as_of : date, optional
        Judge all findings by the limits in force on this day.
    fastener_band_mm : float
        How near to a row of fasteners a damage is in it [mm].

    Returns
    -------
    DataFrame
        A row for each region, in order: finding, panel, aircraft, zone, group, found_on, place,
        diameter_mm, size and bounds (the size that the limit bounds, and what it is), edge_distance_mm, spacing_mm
        (to the nearest other damage that stood then; nan without), limit, revision, judged_on (day of the limits), and the columns of `judge`; where there
        are bounds of the diameter tier_lower, tier_upper and may_be_beyond (beyond by the upper bound only).

    Notes
    -----
    Place and width of the edge band: see `damage_place`; which limit: `limits_in_force`; tiers: `judge`.

    Other damages of the panel count for the spacing as in `kit.regions.standing_regions`, but through the day of
    their repair: what is found and repaired on one day stood beside each other. Regions of one track that
    touch are one damage, such as a finding written twice. Of different kinds, regions that touch have a
    spacing of 0; whether they are one damage, a person must say. For the bounds of a tier a damage grows
    (or shrinks) all round by half the difference of the diameters, and so do its neighbours.
    """
    found = (finding_regions(fleet) if regions is None else regions).reset_index(drop=True)
    zones = fleet.tables["zones"].set_index("zone").reindex(found["zone"])
    shapes = found["geometry"].to_numpy(object)
    outlines = zones["outline"].to_numpy(object)
    out = found[["finding", "panel", "aircraft", "zone", "group", "found_on"]].copy()
    out["place"] = damage_place(
        shapes,
        outlines,
        edge_band_mm=zones["edge_band"].to_numpy(dtype=float),
        fastener_rows=zones["fastener_rows"].to_numpy(object),
        fastener_band_mm=fastener_band_mm,
    )
    out["place"] = out["place"].astype("str")
    out["diameter_mm"] = found["diameter_mm"]
    out["edge_distance_mm"] = measure(shapes, outlines=outlines)["edge_distance_mm"]
    pairs = neighbours_then(fleet, found)
    out["spacing_mm"] = spacing_of(shapes, pairs, np.zeros(len(found)))
    day = found["found_on"] if as_of is None else pd.Series(pd.Timestamp(as_of), index=found.index)
    rows = limits_in_force(fleet.tables["limits"], found["group"], out["place"], day, kinds_of(fleet, found))
    out["limit"], out["revision"], out["judged_on"] = rows["limit"], rows["revision"], day
    size = bounded_size(shapes, rows["bounds"])
    out.insert(out.columns.get_loc("diameter_mm") + 1, "size", size)
    out.insert(out.columns.get_loc("size") + 1, "bounds", rows["bounds"])
    judged = judge(size, rows, spacing_mm=out["spacing_mm"], edge_distance_mm=out["edge_distance_mm"])
    out = pd.concat([out, judged], axis=1)
    if {"diameter_lower_mm", "diameter_upper_mm"} <= set(found.columns):
        for name in ("lower", "upper"):
            bound_mm, diameter = (
                found[c].to_numpy(dtype=float) for c in (f"diameter_{name}_mm", "diameter_mm")
            )
            grown = 0.5 * np.nan_to_num(bound_mm - diameter)
            with np.errstate(divide="ignore", invalid="ignore"):
                ratio = bound_mm / diameter
            bound = judge(
                size * np.where(rows["bounds"] == "area", ratio**2, ratio),
                rows,
                spacing_mm=spacing_of(shapes, pairs, grown),
                edge_distance_mm=np.maximum(out["edge_distance_mm"] - grown, 0.0),
            )
            out[f"tier_{name}"] = bound["tier"]
        out["may_be_beyond"] = (out["tier_upper"] == BEYOND) & (out["tier"] != BEYOND)
    return out


def compare_revisions(
    fleet: Fleet,
    regions: pd.DataFrame | None = None,
    *,
    as_of: str | pd.Timestamp | None = None,
    fastener_band_mm: float = FASTENER_BAND,
) -> pd.DataFrame:
    """Set the judgement of each finding by the limits of its day against that by the limits of another day.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    regions : DataFrame, optional
        What `kit.finding_regions` gave.
    as_of : date, optional
        The other day; the cut-off by default.
    fastener_band_mm : float
        How near to a row of fasteners a damage is in it [mm].

    Returns
    -------
    DataFrame
        A row for each region: finding, panel, zone, group, found_on, place, diameter_mm; limit_then,
        revision_then, tier_then, clause_then; the same with _now; and changed (the tier is another one).
    """
    found = finding_regions(fleet) if regions is None else regions
    day = fleet.cut_off if as_of is None else as_of
    then = tier_findings(fleet, found, fastener_band_mm=fastener_band_mm)
    now = tier_findings(fleet, found, as_of=day, fastener_band_mm=fastener_band_mm)
    out = then[["finding", "panel", "zone", "group", "found_on", "place", "diameter_mm"]].copy()
    for when, judged in (("then", then), ("now", now)):
        for name in ("limit", "revision", "tier", "clause"):
            out[f"{name}_{when}"] = judged[name]
    out["changed"] = out["tier_then"] != out["tier_now"]
    return out


def tiers_in_words(tiers: ArrayLike, *, of: str = "panels") -> str:
    """Say in a sentence how many are of each tier.

    Parameters
    ----------
    tiers : array_like of str
        Tier of each, as `tier_panels` and `tier_findings` give it.
    of : str
        What they are.

    Returns
    -------
    str
        Markdown, the gravest first.
    """
    values = np.asarray(tiers, dtype=object)
    counted = [(int((values == tier).sum()), words) for tier, words in reversed(TIER_WORDS.items())]
    told = "; ".join(f"**{n}** {words}" for n, words in counted if n)
    return f"Of {values.size:,} {of}: {told or 'none was judged'}."
