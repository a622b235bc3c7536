"""Is each panel as a whole within its limits on a day, all its damages together."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from kit.findings import KINDS, PLACES, Fleet
from kit.regions.limits.limits import (
    ALLOWABLE,
    FASTENER_BAND,
    NO_LIMIT,
    NO_SIZE,
    REPAIRABLE,
    TIERS,
    bounded_size,
    damage_place,
    judge,
    kinds_of,
    limits_in_force,
)
from kit.regions.limits.spacing import one_damage, spacing_of
from kit.regions.measure.measure import measure, panel_share
from kit.regions.track.standing import standing_regions

COLUMNS = (
    "panel",
    "aircraft",
    "zone",
    "group",
    "n_damages",
    "union_area_mm2",
    "share",
    "spacing_mm",
    "worst_finding",
    "tier",
    "clause",
    "value",
    "limit_value",
    "margin",
    "margin_share",
    "limit",
    "revision",
    "n_not_judged",
)
"""Columns of a table of panels."""

_RANK = {name: k for k, name in enumerate(TIERS)}


def tier_panels(
    fleet: Fleet,
    on: str | pd.Timestamp | None = None,
    *,
    regions: pd.DataFrame | None = None,
    panels: Sequence[str] | None = None,
    fastener_band_mm: float = FASTENER_BAND,
) -> pd.DataFrame:
    """Judge each panel fitted on a day, all the damages that stand on it together.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    on : date, optional
        The day, whose limits hold too; the cut-off by default.
    regions : DataFrame, optional
        Regions that stand on the day, with finding, panel, geometry, diameter_mm and, where they are
        known, kind (else that of the finding) and track: regions of one track that touch are one damage. Those of
        `kit.regions.standing_regions` by default.
    panels : sequence of str, optional
        Serials of the panels that are judged; all by default.
    fastener_band_mm : float
        How near to a row of fasteners a damage is in it [mm].

    Returns
    -------
    DataFrame
        A row for each fitted panel, those without damage too: panel, aircraft, zone, group, n_damages,
        union_area_mm2 and share (damaged area, each spot once, and as share of the panel [-]), spacing_mm
        (smallest between two damages; nan below two), worst_finding, tier, clause (what decided), value, limit_value,
        margin, margin_share (as from `kit.regions.judge`), limit and revision of that clause, and n_not_judged
        (damages without a limit or a size).

    Notes
    -----
    The tier is the gravest of those of its damages and of the clauses total_share and most_damages. A panel
    that misses one of the latter two is ``repairable`` at best: repairing some of its damages brings it
    within them. A limit for anywhere and every kind (blank place and kind) counts all damages of the panel; one for
    a place or a kind counts those in that place, or of that kind. A panel with a damage that cannot be judged is ``no limit known`` or ``no size
    known``, unless another is beyond.
    """
    day = fleet.cut_off if on is None else pd.Timestamp(on).normalize()
    if regions is None:
        regions = standing_regions(fleet, day)
    panels = _fitted(fleet, day, panels)
    damages = _judged(fleet, panels, regions, day, fastener_band_mm)
    stated = fleet.tables["limits"].dropna(subset=["total_share", "most_damages"], how="all")
    spoken_of = {("", ""), *zip(stated["kind"], stated["place"], strict=True)}
    whole = pd.concat(
        [
            _whole(fleet, panels, damages, day, place, kind)
            for kind, place in itertools.product(("", *KINDS), ("", *PLACES))
            if (kind, place) in spoken_of  # no other can miss a clause of the panel as a whole
        ]
    )
    every = pd.concat([damages, whole], ignore_index=True) if len(damages) else whole
    every["rank"] = every["tier"].map(_RANK)
    every["margin_sort"] = every["margin_share"].fillna(np.inf)
    every = every.sort_values(
        ["panel", "rank", "margin_sort", "finding"], ascending=[True, False, True, True]
    )
    worst = every.drop_duplicates("panel").set_index("panel").reindex(panels["panel"])
    out = panels.reset_index(drop=True)
    taken = _taken(damages).reindex(out["panel"])
    out["n_damages"] = taken["n_damages"].fillna(0).to_numpy(dtype="int64")
    out["union_area_mm2"] = taken["union_area_mm2"].fillna(0.0).to_numpy(dtype=float)
    out["share"] = taken["share"].fillna(0.0).to_numpy(dtype=float)
    spacing = damages.groupby("panel")["spacing_mm"].min()
    out["spacing_mm"] = spacing.reindex(out["panel"]).to_numpy()
    single = damages.assign(rank=damages["tier"].map(_RANK), order=damages["margin_share"].fillna(np.inf))
    single = single.sort_values(["rank", "order", "finding"], ascending=[False, True, True])
    first = single.drop_duplicates("panel").set_index("panel")["finding"]
    out["worst_finding"] = first.reindex(out["panel"]).fillna("").to_numpy()
    for name in ("tier", "clause", "limit", "revision"):
        out[name] = worst[name].fillna("").to_numpy()
    for name in ("value", "limit_value", "margin", "margin_share"):
        out[name] = worst[name].to_numpy(dtype=float)
    unknown = damages.loc[damages["tier"].isin([NO_LIMIT, NO_SIZE])].groupby("panel").size()
    out["n_not_judged"] = unknown.reindex(out["panel"], fill_value=0).to_numpy()
    return out[list(COLUMNS)]


def _fitted(fleet: Fleet, day: pd.Timestamp, panels: Sequence[str] | None) -> pd.DataFrame:
    """Return the panels fitted at the end of a day, or some of them, with their zone."""
    rows = fleet.tables["panels"]
    rows = rows if panels is None else rows[rows["panel"].isin(list(panels))]
    rows = rows[(rows["fitted_on"] <= day) & ~(rows["removed_on"] <= day)]
    rows = rows.sort_values(["panel", "fitted_on"]).drop_duplicates("panel", keep="last")
    zones = fleet.tables["zones"].set_index("zone").reindex(rows["zone"])
    out = rows[["panel", "aircraft", "zone"]].reset_index(drop=True)
    for name in ("group", "outline", "edge_band", "fastener_rows"):
        out[name] = zones[name].to_numpy()
    return out


def _judged(
    fleet: Fleet, panels: pd.DataFrame, regions: pd.DataFrame, day: pd.Timestamp, fastener_band_mm: float
) -> pd.DataFrame:
    """Return each damage of a fitted panel with its place and tier."""
    names = ["finding", "panel", "geometry", "diameter_mm", "damage", "kind"]
    rows = (
        regions.assign(damage=one_damage(regions), kind=kinds_of(fleet, regions))[names]
        .merge(panels, on="panel", how="inner")
        .sort_values(["panel", "finding"])
    )
    rows = rows.reset_index(drop=True)
    shapes, outlines = rows["geometry"].to_numpy(object), rows["outline"].to_numpy(object)
    rows["place"] = damage_place(
        shapes,
        outlines,
        edge_band_mm=rows["edge_band"].to_numpy(dtype=float),
        fastener_rows=rows["fastener_rows"].to_numpy(object),
        fastener_band_mm=fastener_band_mm,
    )
    both = rows[["panel", "damage"]].reset_index(names="row")
    both = both.merge(both, on="panel", suffixes=("", "_other"))
    both = both[both["damage"] != both["damage_other"]]
    pairs = both["row"].to_numpy(np.int64), both["row_other"].to_numpy(np.int64)
    rows["spacing_mm"] = spacing_of(shapes, pairs, np.zeros(len(rows)))
    rows["edge_distance_mm"] = measure(shapes, outlines=outlines)["edge_distance_mm"]
    on = np.full(len(rows), day)
    limits = limits_in_force(fleet.tables["limits"], rows["group"], rows["place"], on, rows["kind"])
    judged = judge(
        bounded_size(shapes, limits["bounds"]),
        limits,
        spacing_mm=rows["spacing_mm"],
        edge_distance_mm=rows["edge_distance_mm"],
    )
    return pd.concat([rows, judged, limits[["limit", "revision"]]], axis=1)


def _taken(damages: pd.DataFrame) -> pd.DataFrame:
    """Return by panel the number, the area and the share of damages, each damage and each spot once."""
    taken = panel_share(
        damages["geometry"].to_numpy(object), damages["panel"], damages["outline"].to_numpy(object)
    )
    taken = taken.set_index("place")
    return taken.assign(n_damages=damages.groupby("panel")["damage"].nunique().reindex(taken.index))


def _whole(
    fleet: Fleet, panels: pd.DataFrame, damages: pd.DataFrame, day: pd.Timestamp, place: str, kind: str
) -> pd.DataFrame:
    """Return number and share of the damages of each panel that a limit of a place and a kind counts, judged."""
    n = len(panels)
    limits = limits_in_force(
        fleet.tables["limits"], panels["group"], np.full(n, place), np.full(n, day), kind
    )
    # A place without a limit of its own falls under that for anywhere, a kind under that for every kind.
    own = (limits["place"] == place) & (limits["kind"] == kind)
    counted = damages if not place else damages[damages["place"] == place]
    counted = counted if not kind else counted[counted["kind"] == kind]
    taken = _taken(counted).reindex(panels["panel"])
    share = taken["share"].fillna(0.0).to_numpy(dtype=float)
    count = taken["n_damages"].fillna(0).to_numpy(dtype=float)
    parts = []
    for clause, value in (("total_share", share), ("most_damages", count)):
        stated = limits[clause].to_numpy(dtype=float)
        margin = stated - value
        with np.errstate(divide="ignore", invalid="ignore"):
            margin_share = np.where(stated > 0, margin / stated, np.where(margin == 0, 0.0, -np.inf))
        part = pd.DataFrame(
            {
                "panel": panels["panel"].to_numpy(),
                "finding": "",
                "tier": np.where(margin < 0, REPAIRABLE, ALLOWABLE),
                "clause": clause,
                "value": value,
                "limit_value": stated,
                "margin": margin,
                "margin_share": margin_share,
                "limit": limits["limit"].to_numpy(),
                "revision": limits["revision"].to_numpy(),
            }
        )
        parts.append(part[own.to_numpy() & np.isfinite(stated) & (count > 0)])
    if (
        not place and not kind
    ):  # a panel that no clause speaks of: without damage it is within its limits, if it has any
        bare = parts[0].iloc[:0].reindex(range(n))
        bare["panel"], bare["finding"], bare["clause"] = panels["panel"].to_numpy(), "", ""
        known = limits["limit"] != ""
        bare["tier"] = np.where(known | (count > 0), ALLOWABLE, NO_LIMIT)
        bare["limit"], bare["revision"] = limits["limit"].to_numpy(), limits["revision"].to_numpy()
        parts.append(bare)
    return pd.concat(parts, ignore_index=True)
