"""Why zones differ: what of climate, lot, construction, position and repairs goes with more damage, looks that miss allowed for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import Fleet
from kit.life import NoFiniteMaximum, RegressionFit, fit_regression, with_covariates
from kit.ranking.lives import KindLives, lives_of_kind
from kit.ranking.selection import EVERYTHING, Selection
from kit.ranking.settings import RankingSettings
from kit.ranking.shrinkage import shrink


@dataclass(frozen=True, eq=False, kw_only=True)
class ZoneReasons:
    """What goes with more damage of a kind, and how much of the difference between zones it takes away.

    Parameters
    ----------
    kind : str
        Kind of damage.
    columns : tuple of str
        What was looked at.
    fit : RegressionFit
        The life with these covariates.
    groups : tuple of str
        Groups of zones that it is of.
    spread_before, spread_after : float
        Spread of the multipliers between zones without and with the covariates (median of the draws) [-].
    left_out : int
        Lives of levels without a find, which no regression can place.
    """

    kind: str
    columns: tuple[str, ...]
    fit: RegressionFit
    groups: tuple[str, ...]
    spread_before: float
    spread_after: float
    left_out: int

    def to_frame(self, *, level: float = 0.95) -> pd.DataFrame:
        """Return one row a level.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        DataFrame
            What `RegressionFit.to_frame` gives: hazard ratios against the reference with bounds.
        """
        return self.fit.to_frame(level=level)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"ZoneReasons({self.kind} by {', '.join(self.columns)}; spread between zones {self.spread_before:.2f} -> "
            f"{self.spread_after:.2f})"
        )


def why_zones_differ(
    fleet: Fleet,
    columns: Sequence[str],
    *,
    kind: str,
    groups: Sequence[str] | None = None,
    settings: RankingSettings | None = None,
    selection: Selection = EVERYTHING,
    seed: int = 1,
) -> ZoneReasons:
    """Fit how damage goes with what is known of each life, and see what is left between zones.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    columns : sequence of str
        Among `kit.life.COVARIATES`: climate, subtype, build_lot, side, low_point, structure_class, core_material, repair_class, group ...
    kind : str
        Kind of damage.
    groups : sequence of str, optional
        Groups of zones. Default all.
    settings : RankingSettings, optional
        PODs and clocks. Default: those beside the dataset, else assumed ones.
    selection : Selection
        What counts.
    seed : int
        Of the draws of the spread.

    Returns
    -------
    ZoneReasons
        An accelerated life with these covariates, on the clock of the kind, with looks that miss by method and skin.

    Raises
    ------
    ValueError
        If a column or group is unknown, or there is no finite maximum; the message says of what.

    Notes
    -----
    Lives of a level without a find are left out and counted: nothing says how much better it is. What goes together in the
    fleet - a lot that flies in one climate only - are indistinguishable, and none of it shows a cause.
    """
    made = lives_of_kind(fleet, kind, settings=settings, selection=selection)
    zones = fleet.tables["zones"].set_index("zone")["group"]
    known = sorted(set(zones))
    wanted = known if groups is None else list(groups)
    if set(wanted) - set(known):
        raise ValueError(
            f"`groups` must be groups of the zones table. Got {', '.join(sorted(set(wanted) - set(known)))}. Known are "
            f"{', '.join(known)}."
        )
    frame = with_covariates(made.lives, fleet, list(columns))
    # The detection is by look, which the fit takes from the histories by the name of each life.
    of_group = pd.Series(made.zone, dtype=object).map(zones).isin(wanted).to_numpy()
    keep = of_group.copy()
    for _ in columns:
        for name in columns:
            finds = frame.loc[keep & np.isfinite(frame["upper"])].groupby(name).size()
            keep &= frame[name].isin(finds.index[finds > 0]).to_numpy()
    left_out = int((of_group & ~keep).sum())
    some = frame.loc[keep]
    varying = [name for name in columns if some[name].nunique() > 1]
    if not varying:
        raise ValueError(
            f"`columns` must hold one that differs between the lives of {', '.join(wanted)} with finds of {kind}. Got "
            f"{', '.join(columns)}, the same everywhere. Give another, or more groups."
        )
    try:
        fit = fit_regression(some, varying, detection=made.detection(), histories=made.lives)
    except NoFiniteMaximum as problem:
        raise ValueError(f"why zones differ in {kind}: {problem}") from None
    before, after = _spreads(made, some, varying, fit, keep, seed)
    return ZoneReasons(
        kind=kind,
        columns=tuple(varying),
        fit=fit,
        groups=tuple(wanted),
        spread_before=before,
        spread_after=after,
        left_out=left_out,
    )


def _spreads(
    made: KindLives, some: pd.DataFrame, columns: list[str], fit: RegressionFit, keep: np.ndarray, seed: int
) -> tuple[float, float]:
    """Spread between zones of found over expected, without and with the covariates."""
    expected = made.expected()["expected"].to_numpy()[keep]
    zone, names = pd.factorize(made.zone[keep], sort=True)
    found = np.bincount(zone, weights=made.found[keep], minlength=len(names))
    # (scale of the life) ** -shape is the hazard at each age.
    rows = some[columns].reset_index(drop=True)
    scale = np.asarray(fit.scale(rows), np.float64)
    hazard = (scale / np.exp(np.log(scale).mean())) ** -fit.shape
    out = []
    for weight in (np.ones(expected.size), hazard):
        sums = np.bincount(zone, weights=expected * weight, minlength=len(names))
        if found.sum() <= 0 or len(names) < 3:
            out.append(float("nan"))
            continue
        out.append(float(np.median(shrink(names, found, np.maximum(sums, 1e-9), n=1024, seed=seed).spread)))
    return out[0], out[1]
