"""Histories of a fleet in parts."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kit.cluster.parts import Parts
from kit.cluster.work import over_parts
from kit.findings import Fleet
from kit.life import Histories
from kit.life import build_histories as build_in_memory

if TYPE_CHECKING:
    from distributed import Client

TABLES_OF_LOOKS = ("aircraft", "basing", "panels", "usage", "cards", "inspections", "findings", "repairs")
"""What histories are made of: the other tables are not read."""


def build_histories(parts: Parts, *, client: Client | None = None, **asked: object) -> Histories:
    """Build the histories of a fleet in parts, as `kit.build_histories` does of a fleet in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here, one after the other.
    **asked : object
        As `kit.build_histories` takes it: kind, clock, zones, basis and so on.

    Returns
    -------
    Histories
        One row a life, in the order of their names.
    """
    return joined(over_parts(partial(histories_of_part, parts, asked), range(len(parts)), client=client))


def histories_of_part(parts: Parts, asked: dict[str, object], part: int) -> Histories:
    """Build the histories of the panels of one part.

    Parameters
    ----------
    parts : Parts
        The fleet.
    asked : dict
        As `kit.build_histories` takes it.
    part : int
        Number of the part.

    Returns
    -------
    Histories
        Of its own panels.
    """
    return own_histories(parts, part, parts.fleet(part, TABLES_OF_LOOKS, outlines=False), asked)


def own_histories(parts: Parts, part: int, fleet: Fleet, asked: dict[str, object]) -> Histories:
    """Build the histories of the panels of one part from what was read to work on it.

    Parameters
    ----------
    parts : Parts
        The fleet.
    part : int
        Number of the part.
    fleet : Fleet
        What was read to work on it: the tables of `TABLES_OF_LOOKS` at least.
    asked : dict
        As `kit.build_histories` takes it.

    Returns
    -------
    Histories
        Of its own panels.
    """
    every = build_in_memory(fleet, **asked)
    own = every.take(np.flatnonzero(parts.own(every.life, part)))
    excluded = every.excluded[parts.own(every.excluded["life"], part)]
    return dataclasses.replace(own, excluded=excluded.reset_index(drop=True))


def joined(some: Sequence[Histories]) -> Histories:
    """Put histories of different lives together, in the order of their names.

    Parameters
    ----------
    some : sequence of Histories
        Of one kind and clock.

    Returns
    -------
    Histories
        All of them.
    """
    full = [one for one in some if len(one)] or list(some[:1])

    def together(name: str) -> np.ndarray | None:
        given = [getattr(one, name) for one in full]
        return None if any(one is None for one in given) else np.concatenate(given)

    lengths = np.concatenate([np.diff(one.look_start) for one in full])
    whole = dataclasses.replace(
        full[0],
        **{name: together(name) for name in ("life", "entry", "lower", "upper", "count", "cluster", "look_age", "look_method")},
        look_start=np.r_[0, np.cumsum(lengths)].astype(np.int64),
        excluded=pd.concat([one.excluded for one in some], ignore_index=True).sort_values(["life", "reason"], ignore_index=True),
    )  # fmt: skip
    return whole.take(np.argsort(whole.life.astype(str), kind="stable"))
