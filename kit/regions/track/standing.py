"""Which damage stands on the fitted panels on a day."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd

from kit.findings import Fleet
from kit.regions.measure.pairs import touching
from kit.regions.track.ends import check_fleet_columns, repairs_of
from kit.regions.track.track import place_codes, tracked_regions


def standing_regions(
    fleet: Fleet, on: str | date | pd.Timestamp, *, regions: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return the regions that stand on the panels fitted at the end of a day.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    on : date or str
        The day, not after the cut-off.
    regions : DataFrame, optional
        What `tracked_regions` gave, so that it is not made again.

    Returns
    -------
    DataFrame
        A row for each region found by that day and not mapped again by then, with the columns of
        `regions` and last_seen (the last day its track was mapped by then); aircraft, zone and group are
        those where the panel is on that day.

    Raises
    ------
    ValueError
        If `on` is no day or after the cut-off, or a column is missing.

    Notes
    -----
    Left out are regions with an interim or permanent repair or a replacement by that day, and regions
    of panels that were removed by then and not fitted again. A temporary repair leaves the damage
    standing. So does a later look that did not find it: looks miss damage, and damage does not heal. A
    track that split stands with each part that was not mapped again. Findings that name no known panel
    stand nowhere.
    """
    try:
        day = pd.Timestamp(on)
    except (TypeError, ValueError):
        day = pd.NaT
    if pd.isna(day) or day.normalize() > fleet.cut_off:
        raise ValueError(
            f"`on` must be a day, no later than the cut-off {fleet.cut_off:%Y-%m-%d}. Got {on!r}; "
            "give a day such as 2020-06-30."
        )
    day = day.normalize()
    every = tracked_regions(fleet) if regions is None else regions
    check_fleet_columns(every)
    found = every.loc[every["found_on"] <= day]
    last = found.groupby("track")["found_on"].transform("max")
    found = found.assign(last_seen=last).reset_index(drop=True)
    found = found.loc[_not_mapped_again(found)]
    found = found.loc[repairs_of(found, fleet, on=day)["repair"].isna()]
    fittings = fleet.tables["panels"]
    now = fittings.loc[
        (fittings["fitted_on"] <= day) & ~(fittings["removed_on"] <= day),
        ["panel", "aircraft", "zone", "fitted_on"],
    ]
    now = now.sort_values("fitted_on", kind="stable").drop_duplicates("panel", keep="last").set_index("panel")
    found = found.loc[found["panel"].isin(now.index)].reset_index(drop=True)
    for name in ("aircraft", "zone"):
        found[name] = now[name].reindex(found["panel"]).to_numpy()
    if "group" in found.columns:
        found["group"] = found["zone"].map(fleet.tables["zones"].set_index("zone")["group"])
    return found.astype({name: every[name].dtype for name in ("aircraft", "zone") if name in every.columns})


def _not_mapped_again(regions: pd.DataFrame) -> np.ndarray:
    """Tell for each region whether no later one of its track, or of its kind in a later life, touches it."""
    first, second = touching(
        regions["geometry"].to_numpy(object), place_codes(regions, across_kinds=True, across_lives=True)
    )
    day, track = regions["found_on"].to_numpy(), regions["track"].to_numpy()
    kind = pd.factorize(regions["kind"])[0] if "kind" in regions.columns else np.zeros(len(regions))
    same = (track[first] == track[second]) | (kind[first] == kind[second])
    first, second = first[same], second[same]
    earlier = np.r_[first[day[first] < day[second]], second[day[second] < day[first]]]
    out = np.ones(len(regions), dtype=bool)
    out[earlier] = False
    return out
