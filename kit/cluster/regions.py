"""Regions of a fleet in parts, measured and tracked."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from kit.cluster.parts import Parts
from kit.cluster.work import over_parts
from kit.regions import tracked_regions as track_in_memory

if TYPE_CHECKING:
    from distributed import Client


def tracked_regions(
    parts: Parts, *, across_kinds: bool = False, client: Client | None = None
) -> pd.DataFrame:
    """Return the regions of all damage with measures, life and track, as `kit.regions.tracked_regions` does.

    Parameters
    ----------
    parts : Parts
        The fleet.
    across_kinds : bool
        Join regions of different kinds that overlap.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.

    Returns
    -------
    DataFrame
        In the order of the findings; tracks are numbered by their first finding.
    """
    found = over_parts(partial(_of_part, parts, across_kinds), range(len(parts)), client=client)
    step, tables = 0, []
    for one in found:
        tables.append(one.assign(track=one["track"] + step))
        step += int(one["track"].max()) + 1 if len(one) else 0
    whole = pd.concat(tables, ignore_index=True).sort_values("finding", kind="stable", ignore_index=True)
    return whole.assign(track=pd.factorize(whole["track"])[0])


def _of_part(parts: Parts, across_kinds: bool, part: int) -> pd.DataFrame:
    """Regions of the panels of one part; those whose panel is unknown count where their aircraft is."""
    fleet = parts.fleet(part)
    regions = track_in_memory(fleet, across_kinds=across_kinds)
    plane = fleet.tables["findings"].set_index("finding")["aircraft"].reindex(regions["finding"]).to_numpy()
    nobody = (regions["panel"] == "").to_numpy() & pd.Series(plane).isin(parts.aircraft[part]).to_numpy()
    return regions[parts.own(regions["panel"], part) | nobody]
