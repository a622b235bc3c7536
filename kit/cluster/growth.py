"""Growth fitted to the repeat mappings of a fleet in parts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from kit.cluster.evidence import evidence_of
from kit.cluster.parts import Parts
from kit.growth import TrackFit
from kit.growth import fit_tracks as fit_in_memory

if TYPE_CHECKING:
    from distributed import Client


def fit_tracks(
    parts: Parts,
    *,
    kind: str,
    clock: str,
    groups: Sequence[str] = (),
    measured_to_true: float = 1.0,
    client: Client | None = None,
    **asked: Any,
) -> TrackFit:
    """Fit growth to the damages of a fleet in parts that were mapped twice or more, as `kit.fit_tracks` does in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    kind : str
        Kind of damage.
    clock : str
        Clock of the ages.
    groups : sequence of str
        Groups of zones; empty: all.
    measured_to_true : float
        True size over size as mapped [-].
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As `kit.fit_tracks` takes it: form, detection, priors and so on.

    Returns
    -------
    TrackFit
        The same fit.

    Raises
    ------
    ValueError
        As there.

    Notes
    -----
    Regions are made, measured and tracked where the parts are, which is nearly all of the work; their sizes (some hundred bytes a
    mapping, without outlines) come back and are fitted here.
    """
    evidence = evidence_of(parts, client=client)
    zones = evidence.fleet.tables["zones"]
    named = tuple(groups) or tuple(sorted(set(zones["group"])))
    return fit_in_memory(evidence.tracks(named, kind, clock, measured_to_true), clock=clock, **asked)
