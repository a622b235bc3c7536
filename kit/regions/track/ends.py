"""What became of each damage after its last mapping."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings import Fleet, build_looks, need_columns
from kit.regions.measure.pairs import touching
from kit.regions.track.graph import OTHER_KIND, TrackGraph
from kit.regions.track.track import place_codes

LASTING = ("interim", "permanent", "replacement")
"""Classes of repair after which a damage stands no more; a temporary one leaves it."""

WHY = (
    "repaired",
    "mapped again in a later life",
    "found as another kind",
    "not found again",
    "panel removed",
    "not looked at since",
    "seen at the last look",
)
"""What can end a chain of mappings; the first that holds is given."""


def track_ends(graph: TrackGraph, fleet: Fleet, *, looks: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return what became of each damage after its last mapping.

    Parameters
    ----------
    graph : TrackGraph
        Of the fleet's regions: columns finding, panel and found_on.
    fleet : Fleet
        Where looks, repairs and fittings stand.
    looks : DataFrame, optional
        What `kit.findings.build_looks` gave, so that it is not built again.

    Returns
    -------
    DataFrame
        A row for each region that has no later mapping (a track that split may have several): track,
        finding, panel, last_seen (its day), ends_track (whether that is the last day of its track), why,
        why_on (the day of the repair, of the later find, of the first look that did not find it, or of
        the removal; NaT for the rest) and looks_after (later looks that covered the place).

        why is the first that holds of: repaired (interim, permanent or replacement; a temporary repair
        leaves the damage); mapped again in a later life (of the panel, after a repair elsewhere on it);
        found as another kind (a later region of another kind touches it); not found again (a later look
        covered the whole region and wrote down no find there: missed, shrunk below what the look can
        detect, or known and not written again); panel removed (and fitted nowhere since); not looked at
        since (later looks at the panel left the place out); seen at the last look.

    Raises
    ------
    ValueError
        If a column is missing.

    Notes
    -----
    A repair is one of this region if it names its finding, if its outline touches the region, or if it
    has no outline and names a finding of the same track; on the day of the mapping or later.
    """
    check_fleet_columns(graph.regions)
    regions = graph.regions.reset_index(drop=True)
    own = graph.edges.loc[graph.edges["how"] != OTHER_KIND, "earlier"]
    is_end = ~graph.regions.index.isin(own)
    repaired = repairs_of(regions, fleet)
    again, other = _later_finds(regions, place_codes(regions, across_kinds=True, across_lives=True))
    ends = pd.DataFrame(
        {
            "track": regions["track"],
            "finding": regions["finding"],
            "panel": regions["panel"],
            "last_seen": regions["found_on"],
            "ends_track": regions["found_on"] == regions.groupby("track")["found_on"].transform("max"),
        }
    )
    ends = ends.loc[is_end]
    n_after, n_covered, first = _looks_after(
        ends, regions["geometry"].to_numpy(object)[is_end], build_looks(fleet) if looks is None else looks
    )
    fittings = fleet.tables["panels"]
    still = fittings["removed_on"].isna().groupby(fittings["panel"]).any()
    removed = fittings.groupby("panel")["removed_on"].max().where(~still)
    gone = ends["panel"].map(removed)
    days = [
        repaired.loc[is_end, "repaired_on"],
        again[is_end],
        other[is_end],
        first,
        gone.where(gone >= ends["last_seen"]),
    ]
    # The two without a day of their own: looks left the place out, or there were none.
    holds = [day.notna().to_numpy() for day in days] + [n_after > 0]
    chosen = np.select(holds, range(len(holds)), len(holds))
    why_on = pd.Series(pd.NaT, index=ends.index, dtype=ends["last_seen"].dtype)
    for k, day in enumerate(days):
        why_on = why_on.mask(chosen == k, day)
    out = ends.assign(why=pd.array(np.array(WHY)[chosen], dtype="str"), why_on=why_on, looks_after=n_covered)
    return out.sort_values(["track", "last_seen", "finding"], kind="stable").reset_index(drop=True)


def check_fleet_columns(regions: pd.DataFrame) -> None:
    """Refuse regions that the tables of a fleet cannot be joined to."""
    need_columns(
        regions,
        ("track", "finding", "panel", "found_on", "geometry"),
        "regions",
        "take them from `tracked_regions`",
    )


def repairs_of(regions: pd.DataFrame, fleet: Fleet, *, on: pd.Timestamp | None = None) -> pd.DataFrame:
    """Return the first lasting repair of each region, on the day of its mapping or later and up to a day."""
    repairs = fleet.tables["repairs"]
    repairs = repairs.loc[repairs["repair_class"].isin(LASTING)]
    if on is not None:
        repairs = repairs.loc[repairs["repaired_on"] <= on]
    panel = fleet.tables["findings"].set_index("finding")["panel"]
    track = pd.Series(regions["track"].to_numpy(), index=regions["finding"].to_numpy())
    repairs = pd.DataFrame(
        {
            "repair": repairs["repair"],
            "repaired_on": repairs["repaired_on"],
            "of": repairs["finding"],
            "of_track": repairs["finding"].map(track[~track.index.duplicated()]).astype(float),
            "outline": repairs["region"],
            "panel": repairs["finding"].map(panel).astype(regions["panel"].dtype),
        }
    )
    rows = regions[["finding", "panel", "found_on", "track"]].reset_index(drop=True).reset_index(names="row")
    tried = rows.merge(repairs, on="panel")
    tried = tried.loc[tried["repaired_on"] >= tried["found_on"]]
    shapes = regions["geometry"].to_numpy(object)[tried["row"].to_numpy()]
    outline = tried["outline"].to_numpy(object)
    mended = (tried["finding"] == tried["of"]).to_numpy() | shapely.intersects(shapes, outline)
    mended |= shapely.is_missing(outline) & (tried["track"] == tried["of_track"]).to_numpy()
    first = tried.loc[mended].sort_values(["repaired_on", "repair"], kind="stable").drop_duplicates("row")
    out = first.set_index("row")[["repair", "repaired_on"]].reindex(np.arange(len(regions)))
    return out.set_axis(regions.index)


def _later_finds(regions: pd.DataFrame, place: NDArray[np.intp]) -> tuple[pd.Series, pd.Series]:
    """Day on which each region was mapped again as another track of its kind, and as another kind."""
    first, second = touching(regions["geometry"].to_numpy(object), place)
    day = regions["found_on"].to_numpy()
    kind = pd.factorize(regions["kind"])[0] if "kind" in regions.columns else np.zeros(len(regions))
    swap = day[first] > day[second]
    earlier, later = np.where(swap, second, first), np.where(swap, first, second)
    strict = (day[earlier] < day[later]) & (
        regions["track"].to_numpy()[earlier] != regions["track"].to_numpy()[later]
    )
    earlier, later = earlier[strict], later[strict]
    same = kind[earlier] == kind[later]
    found = []
    for wanted in (same, ~same):
        days = pd.Series(day[later[wanted]], index=earlier[wanted]).groupby(level=0).min()
        found.append(
            days.reindex(np.arange(len(regions))).astype(regions["found_on"].dtype).set_axis(regions.index)
        )
    return found[0], found[1]


def _looks_after(
    ends: pd.DataFrame, shapes: NDArray[np.object_], looks: pd.DataFrame
) -> tuple[NDArray[np.intp], NDArray[np.intp], pd.Series]:
    """Count later looks at the panel and those that covered the region, with the day of the first of these."""
    rows = ends[["panel", "last_seen"]].reset_index(drop=True).reset_index(names="row")
    after = rows.merge(looks[["panel", "looked_on", "coverage"]], on="panel")
    after = after.loc[after["looked_on"] > after["last_seen"]]
    full = (after["coverage"] == "full").to_numpy()
    covered = full.copy()
    if not full.all():
        part = after.loc[~full]
        names, unique = pd.factorize(part["coverage"])
        outline = shapely.from_wkt(unique.to_numpy(object))[names]
        covered[~full] = shapely.covers(outline, shapes[part["row"].to_numpy()])
    row = after["row"].to_numpy()
    first = after.loc[covered].groupby("row")["looked_on"].min().reindex(np.arange(len(ends)))
    return (
        np.bincount(row, minlength=len(ends)),
        np.bincount(row[covered], minlength=len(ends)),
        first.astype(ends["last_seen"].dtype).set_axis(ends.index),
    )
