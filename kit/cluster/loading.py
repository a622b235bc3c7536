"""Datasets of several operators, each loaded and checked by itself, as the parts of one fleet."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from kit.cluster.parts import SHARED, Parts, write_rows, write_whole
from kit.cluster.work import over_parts
from kit.findings import TABLES, Fleet, digest_over_all, load_fleet
from kit.intervals import traps_by_group

if TYPE_CHECKING:
    from distributed import Client

_ALL = "all"  # key of the digest over all tables


@dataclass(frozen=True)
class _Loaded:
    """One dataset without what lies in its part: tables that all share, problems, traps, and where its panels were."""

    fleet: Fleet
    traps: pd.DataFrame
    homes: pd.DataFrame
    aircraft: tuple[str, ...]


def load_parts(sources: Sequence[str | Path], folder: str | Path, *, client: Client | None = None) -> Parts:
    """Load and check a dataset an operator, each for itself, and write them as the parts of one fleet.

    No process holds more than one of them, and then one table of all.

    Parameters
    ----------
    sources : sequence of str or Path
        Datasets as `kit.load_fleet` takes them. Zones, tasks, limits, packages, planned usage and targets must be the same in
        all; aircraft, panels and ids must not meet: operators who exchange panels are one dataset.
    folder : str or Path
        Where to; it must not exist yet. The rejected rows of each source go there, too.
    client : Client, optional
        A connected Dask client; without one the datasets are loaded here, one after the other.

    Returns
    -------
    Parts
        A part a source. Accepted rows, their digest and all answers are those of the one dataset of all rows, loaded in memory.

    Raises
    ------
    TableError
        If a dataset cannot be used.
    ValueError
        If there is no source, or if two of them do not go together: says which and why.
    FileExistsError
        If the folder is there already.

    Notes
    -----
    What is held against the fleet (hours per cycle of earlier lives, usual sizes of a group, cells that nearly all rows have) is
    held against the operator's own rows. Problems name the source before the file.
    """
    if not len(sources):
        raise ValueError("`sources` must name at least one dataset.")
    target = Path(folder)
    if target.exists():
        raise FileExistsError(f"`folder` must not exist yet. Got {target}. Name another, or remove it.")
    beside = target.with_name(f".{target.name}.being-written")
    shutil.rmtree(beside, ignore_errors=True)
    (beside / "rejected_rows").mkdir(parents=True)
    try:
        named = [(k, str(source)) for k, source in enumerate(sources)]
        loaded = over_parts(partial(_load_one, beside), named, client=client)
        _go_together(loaded)
        aircraft = tuple(one.aircraft for one in loaded)
        digests = _digests(loaded[0].fleet, beside, len(loaded))
        write_whole(
            _whole(loaded),
            beside,
            aircraft,
            homes=pd.concat([one.homes for one in loaded], ignore_index=True),
            traps=pd.concat([one.traps for one in loaded], ignore_index=True),
            fingerprint=digests,
        )
        beside.rename(target)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return Parts(target, aircraft)


def _load_one(folder: Path, named: tuple[int, str]) -> _Loaded:
    """Load one dataset and write its part; done again from the start where a worker was lost on the way."""
    k, source = named
    fleet = load_fleet(source, set_aside=folder / "rejected_rows" / f"{k:05d}.csv")
    planes = fleet.tables["aircraft"]["aircraft"].tolist()
    write_rows(fleet, folder, dict.fromkeys(planes, k), [k])
    homes = fleet.tables["panels"][["panel", "aircraft"]].assign(home=k)
    light = {name: rows if name in SHARED else rows.iloc[:0] for name, rows in fleet.tables.items()}
    lost = {name: rows for name, rows in fleet.unusable.items() if name in SHARED}
    said = {name: _from(getattr(fleet, name), fleet.source) for name in ("rejected", "warnings")}
    kept = replace(fleet, tables=light, unusable=lost, as_read={}, file_problems=(), **said)
    return _Loaded(kept, traps_by_group(fleet), homes, tuple(sorted(planes)))


def _from(problems: pd.DataFrame, source: str) -> pd.DataFrame:
    return problems.assign(file=source + "/" + problems["file"])


def _go_together(loaded: Sequence[_Loaded]) -> None:
    """Refuse datasets whose shared tables differ, or in which one aircraft, panel or id stands twice."""
    first, seen = loaded[0].fleet, {}
    digests = first.fingerprint()
    for one in loaded:
        fleet = one.fleet
        own = fleet.fingerprint()
        # Tables of rows are left blank here; what differs is a shared table, or what the description states.
        differs = sorted(name for name in {*digests, *own} - {_ALL} if digests.get(name) != own.get(name))
        differs += ["clocks"] * (fleet.clocks != first.clocks) + ["cut_off"] * (
            fleet.cut_off != first.cut_off
        )
        if differs:
            raise ValueError(
                f"`sources` must share {', '.join([*SHARED, 'packages, planned usage, targets, clocks and cut-off'])}. "
                f"{', '.join(differs)} of {fleet.source} differ from those of {first.source}: write the same in both."
            )
        for what, names in (
            ("aircraft", one.aircraft),
            ("panel", one.homes["panel"].unique()),
        ):
            for name in names:
                if (what, name) in seen:
                    raise ValueError(
                        f"`sources` must not share aircraft or panels. {what} {name} stands in {seen[what, name]} and in {fleet.source}: "
                        "put these two into one dataset."
                    )
                seen[what, name] = fleet.source


def _digests(fleet: Fleet, folder: Path, n_parts: int) -> dict[str, str]:
    """Return the digest of the whole, table by table, and refuse ids that stand in two parts."""
    parts = Parts(folder, ((),) * n_parts)
    out = fleet.fingerprint()
    for name, table in TABLES.items():
        if name in SHARED:
            continue
        rows = pd.concat([parts.rows(name, k) for k in range(n_parts)], ignore_index=True)
        twice = rows.loc[rows[table.id_column].duplicated(), table.id_column]
        if len(twice):
            raise ValueError(
                f"`sources` must not share an id. {len(twice):,} ids of {name} stand in two of them, first {twice.iloc[0]}: "
                "put the operator's sign before its ids."
            )
        # Clocks and the like stand in each of these digests alike; only that of the table counts.
        own = replace(fleet, tables={name: rows}, stated={}).fingerprint()
        out.pop(name, None)
        out |= {key: digest for key, digest in own.items() if key == name}
    return out | {_ALL: digest_over_all(out)}


def _whole(loaded: Sequence[_Loaded]) -> Fleet:
    """Return what stands for all: of the first, with the problems of all and the last day of any."""
    first = loaded[0].fleet
    return replace(
        first,
        rejected=pd.concat([one.fleet.rejected for one in loaded], ignore_index=True),
        warnings=pd.concat([one.fleet.warnings for one in loaded], ignore_index=True),
        known_on=max(one.fleet.known_on for one in loaded),
        source="; ".join(one.fleet.source for one in loaded),
    )
