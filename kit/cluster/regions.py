"""Regions of a fleet in parts, measured and tracked."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.cluster.parts import Parts
from kit.cluster.work import over_parts
from kit.findings import Fleet
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
        The same rows, measures and numbers of tracks.
    """
    found = over_parts(partial(_of_part, parts, across_kinds), range(len(parts)), client=client)
    return joined_regions(found)


def joined_regions(found: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put regions of several parts together as `kit.regions.tracked_regions` has them.

    Parameters
    ----------
    found : sequence of DataFrame
        Regions of each part, with finding, found_on and track.

    Returns
    -------
    DataFrame
        In the order of the findings; tracks have numbers in the order of first sight, of one day in that of the findings.
    """
    whole = _one_numbering(found).sort_values("finding", kind="stable", ignore_index=True)
    code, _ = pd.factorize(whole["track"])
    first = whole["found_on"].groupby(code).min().to_numpy()
    number = np.empty(first.size, np.int64)
    number[np.lexsort((np.arange(first.size), first))] = np.arange(first.size)
    return whole.assign(track=number[code])


def _one_numbering(found: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Put regions together, so that no two parts share the number of a track."""
    step, tables = 0, []
    for one in found:
        tables.append(one.assign(track=one["track"] + step))
        step += int(one["track"].max()) + 1 if len(one) else 0
    return pd.concat(tables, ignore_index=True)


def _of_part(parts: Parts, across_kinds: bool, part: int) -> pd.DataFrame:
    fleet = parts.fleet(part)
    return own_regions(parts, part, fleet, track_in_memory(fleet, across_kinds=across_kinds))


def own_regions(parts: Parts, part: int, fleet: Fleet, regions: pd.DataFrame) -> pd.DataFrame:
    """Keep the regions of the panels of one part; those whose panel is unknown count where their aircraft is.

    Parameters
    ----------
    parts : Parts
        The fleet.
    part : int
        Number of the part.
    fleet : Fleet
        What was read to work on it.
    regions : DataFrame
        Regions of that, with finding and panel.

    Returns
    -------
    DataFrame
        Those that belong to the part.
    """
    plane = fleet.tables["findings"].set_index("finding")["aircraft"].reindex(regions["finding"]).to_numpy()
    nobody = (regions["panel"] == "").to_numpy() & pd.Series(plane).isin(parts.aircraft[part]).to_numpy()
    return regions[parts.own(regions["panel"], part) | nobody]
