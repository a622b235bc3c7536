"""Zones of a fleet in parts, ranked."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd

from kit.cluster.histories import joined, own_histories
from kit.cluster.parts import Parts
from kit.cluster.regions import joined_regions, own_regions
from kit.cluster.work import over_parts
from kit.findings import Fleet
from kit.life import Histories
from kit.ranking import (
    DISBOND_KINDS,
    Counted,
    DamageRanking,
    RankingSettings,
    Selection,
    ZoneSums,
    hours_of_sums,
    rank_counted,
    selected_regions,
    zone_sums,
)
from kit.ranking import rank_by_damage as rank_by_damage_in_memory
from kit.regions import tracked_regions

if TYPE_CHECKING:
    from distributed import Client


def rank_zones(
    parts: Parts, *, selection: Selection | None = None, client: Client | None = None, **asked: Any
) -> pd.DataFrame:
    """Rank zones by finds for their exposure, as `kit.ranking.rank_zones` does in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    selection : Selection, optional
        What counts. Default: all.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As there: by, kinds, level, worst, seed.

    Returns
    -------
    DataFrame
        As there.

    Raises
    ------
    ValueError
        As there.
    """
    fleet, counts = parts.without_looks(), selection or Selection()
    counts.checked(fleet)
    found = over_parts(partial(_counts_of_part, parts, counts), range(len(parts)), client=client)
    regions = _selected([one[1] for one in found])
    return rank_counted(hours_of_sums(fleet, [one[0] for one in found]), regions, **asked)


def _selected(found: Sequence[pd.DataFrame]) -> pd.DataFrame:
    return joined_regions(found).sort_values(["found_on", "finding"], kind="stable", ignore_index=True)


def _counts_of_part(parts: Parts, selection: Selection, part: int) -> tuple[ZoneSums, pd.DataFrame]:
    return _counts(parts, selection, part, parts.fleet(part))


def _counts(parts: Parts, selection: Selection, part: int, fleet: Fleet) -> tuple[ZoneSums, pd.DataFrame]:
    sums = zone_sums(fleet, selection, panels=lambda names: parts.own(names, part))
    return sums, own_regions(parts, part, fleet, selected_regions(fleet, selection))


def rank_by_damage(
    parts: Parts,
    *,
    settings: RankingSettings | None = None,
    kinds: Sequence[str] | None = None,
    selection: Selection | None = None,
    client: Client | None = None,
    **asked: Any,
) -> DamageRanking:
    """Rank zones by the damage that arises, as `kit.ranking.rank_by_damage` does in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    settings : RankingSettings, optional
        PODs by method and skin, false calls, clocks. Default: those beside the dataset, else assumed ones.
    kinds : sequence of str, optional
        Kinds of damage.
    selection : Selection, optional
        What counts. Default: all.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As there: by, prior, draws, pod_sets, seed.

    Returns
    -------
    DamageRanking
        As there.

    Raises
    ------
    ValueError
        As there.
    """
    fleet, counts = parts.without_looks(), selection or Selection()
    counts.checked(fleet)
    ask = RankingSettings.of_source(fleet.source) if settings is None else settings
    seen = set(fleet.damage["kind"])
    wanted = [kind for kind in DISBOND_KINDS if kind in seen] if kinds is None else list(kinds)
    clocks = {kind: ask.kind(kind).clock for kind in wanted}
    found = over_parts(partial(_lives_of_part, parts, counts, clocks), range(len(parts)), client=client)
    sums = [one[0] for one in found]
    counted = Counted(
        exposure=hours_of_sums(fleet, sums),
        regions=joined_regions([one[2] for one in found]),
        lives={kind: joined([one[3][kind] for one in found]) for kind in wanted},
        looks=pd.concat([one.looks for one in sums]).groupby("method")["looks"].sum(),
        selected=_selected([one[1] for one in found]),
    )
    return rank_by_damage_in_memory(
        fleet, settings=ask, kinds=wanted, selection=counts, counted=counted, **asked
    )


def _lives_of_part(
    parts: Parts, selection: Selection, clocks: dict[str, str], part: int
) -> tuple[ZoneSums, pd.DataFrame, pd.DataFrame, dict[str, Histories]]:
    fleet = parts.fleet(part)
    sums, selected = _counts(parts, selection, part, fleet)
    regions = own_regions(parts, part, fleet, tracked_regions(fleet))
    lives = {
        kind: own_histories(parts, part, fleet, {"kind": kind, "clock": clock, "include_repaired": True})
        for kind, clock in clocks.items()
    }
    return sums, selected, regions, lives
