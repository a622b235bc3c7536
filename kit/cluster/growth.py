"""Growth fitted to repeat mappings that stay where they are: value and gradient, and the Hessian by it, are summed over the parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.cluster.parts import Parts
from kit.cluster.work import futures_of, over_parts
from kit.detection import DetectionCurve
from kit.growth import GrowthForm, Likelihood, Mappings, TrackFit, read_mappings
from kit.growth import fit_tracks as fit_in_memory
from kit.intervals import Evidence
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from distributed import Client

_TOLD = ("age", "diameter_mm", "rounding_mm", "width_assumed")


@dataclass
class SummedTracks:
    """The likelihood of repeat mappings in parts: nodes are placed and kept where the mappings are.

    Parameters
    ----------
    data : Mappings
        All mappings, for what is asked of them as a whole: where to begin, ranges and cautions.
    form : GrowthForm
        Form of growth.
    active : ndarray of bool, shape (11,)
        Which parameters are in the model.
    curve : DetectionCurve or None
        POD by size of the look that found the damage.
    pieces : sequence
        `Mappings` of each part, or futures of them.
    client : Client or None
        Where the futures are.
    """

    data: Mappings
    form: GrowthForm
    active: NDArray[np.bool_]
    curve: DetectionCurve | None
    pieces: Sequence[Any] = field(repr=False)
    client: Any = field(default=None, repr=False)
    _placed: list[Any] = field(default_factory=list, repr=False)

    def place(self, p: Floats) -> None:
        """Place the nodes of every track where it is likely under some parameters.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The parameters.
        """
        asked = (self.form, self.active, self.curve, p.copy())
        if self.client is None:
            self._placed = [_with_nodes(one, *asked) for one in self.pieces]
        else:
            # A worker that dies takes nodes with it; they are placed anew elsewhere, from the mappings and the same parameters.
            self._placed = futures_of(_with_nodes, self.pieces, *asked, client=self.client)

    def value(self, p: Floats) -> tuple[float, Floats]:
        """Log-likelihood and gradient, without priors: the sums over the parts.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The parameters.

        Returns
        -------
        value : float
            Log-likelihood.
        gradient : ndarray, shape (11,)
            First derivatives.
        """
        each = over_parts(_value, self._placed, p, client=self.client)
        return float(sum(one[0] for one in each)), np.sum([one[1] for one in each], axis=0)

    def release(self) -> None:
        """Let the workers forget mappings and nodes; form, curve and all mappings stay here."""
        self.pieces, self._placed = [], []


def _with_nodes(
    data: Mappings,
    form: GrowthForm,
    active: NDArray[np.bool_],
    curve: DetectionCurve | None,
    p: Floats,
) -> Likelihood:
    like = Likelihood(data, form, active, curve)
    like.place(p)
    return like


def _value(like: Likelihood, p: Floats) -> tuple[float, Floats]:
    return like.value(p)


def _rows_of_part(
    parts: Parts, groups: tuple[str, ...], kind: str, clock: str, measured_to_true: float, part: int
) -> pd.DataFrame:
    """Return the repeat mappings of the panels of one part, with what tells the order of their tracks among those of all parts."""
    evidence = Evidence(parts.fleet(part))
    rows = evidence.tracks(groups, kind, clock, measured_to_true)
    rows = rows[parts.own(rows["panel"], part)]
    # In memory tracks have numbers in the order of first sight, those of one day in the order of their findings.
    seen = evidence.regions.groupby("track").agg(day=("found_on", "min"), finding=("finding", "min"))
    seen = seen.sort_values(["day", "finding"]).assign(number=np.arange(len(seen)))
    told = seen.loc[rows["track"]].set_axis(rows.index)
    return rows[list(_TOLD)].assign(track=told["number"], day=told["day"], finding=told["finding"])


def _mappings(rows: pd.DataFrame, width_log_sd: float) -> Mappings:
    return read_mappings(rows, width_log_sd=width_log_sd)[0]


def fit_tracks(
    parts: Parts,
    *,
    kind: str,
    clock: str,
    groups: Sequence[str] = (),
    measured_to_true: float = 1.0,
    width_log_sd: float = 0.15,
    polish: bool = True,
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
    width_log_sd : float
        Extra error of the log of a size whose width was assumed [-].
    polish : bool
        As `kit.fit_tracks` takes it: with it the fit is the same to rounding, without it to where a search stops (some 1e-7).
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As `kit.fit_tracks` takes it: form, detection, priors and so on.

    Returns
    -------
    TrackFit
        The same fit as in memory with ``polish=True``. What is asked of its likelihood afterwards (profile bounds, draws) is worked out here.

    Raises
    ------
    ValueError
        As there.

    Notes
    -----
    Regions are made, measured and tracked where the parts are, and the nodes over which sizes and rates are integrated are placed and
    kept there: some kilobytes a mapping. Every step of the search sends eleven numbers to each part and gets twelve back; the
    Hessian is that of the summed gradients. Age, size, rounding and the number of the track of each mapping (some 60 bytes) come
    back once: they tell where to begin, the ranges of the parameters and the cautions.
    """
    zones = parts.without_looks().tables["zones"]
    named = tuple(groups) or tuple(sorted(set(zones["group"])))
    make: Callable[[int], pd.DataFrame] = partial(_rows_of_part, parts, named, kind, clock, measured_to_true)
    numbers = range(len(parts))
    if client is None:
        told = [make(part) for part in numbers]
        data = [_mappings(one, width_log_sd) for one in told]
    else:
        there = futures_of(make, numbers, client=client)
        data = futures_of(_mappings, there, width_log_sd, client=client)
        told = client.gather(there)
    rows, of_part = _numbered(told)
    made: list[SummedTracks] = []

    def summed(
        whole: Mappings,
        tracks: NDArray[np.int64],
        form: GrowthForm,
        active: NDArray[np.bool_],
        curve: DetectionCurve | None,
    ) -> SummedTracks:
        own = [np.flatnonzero(np.isin(one, tracks)) for one in of_part]
        held = [k for k, one in enumerate(own) if one.size]
        if client is None:
            pieces = [data[k].take(own[k]) for k in held]
        else:
            pieces = client.map(Mappings.take, [data[k] for k in held], [own[k] for k in held], pure=False)
        made.append(SummedTracks(whole, form, active, curve, pieces, client))
        return made[-1]

    fit = fit_in_memory(
        rows, clock=clock, width_log_sd=width_log_sd, likelihood=summed, polish=polish, **asked
    )
    for one in made:
        one.release()
    return fit


def _numbered(told: Sequence[pd.DataFrame]) -> tuple[pd.DataFrame, list[NDArray[np.int64]]]:
    """Return the mappings of all parts under one numbering of tracks, and the numbers of the tracks of each part."""
    rows = pd.concat([one.assign(part=k) for k, one in enumerate(told)], ignore_index=True)
    tracks = rows.drop_duplicates(["part", "track"]).sort_values(["day", "finding"], kind="stable")
    tracks = tracks.assign(number=np.arange(len(tracks)))
    number = tracks.set_index(["part", "track"])["number"]
    of_part = [
        np.sort(tracks.loc[tracks["part"] == k, "number"].to_numpy(np.int64)) for k in range(len(told))
    ]
    pairs = pd.MultiIndex.from_frame(rows[["part", "track"]])
    return rows[list(_TOLD)].assign(track=number.reindex(pairs).to_numpy(np.int64)), of_part
