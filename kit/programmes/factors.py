"""By how much panels of one zone, build lot, base or aircraft are damaged more often than their group."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import Fleet
from kit.intervals import Evidence
from kit.life import AFTER_REPAIR, Histories
from kit.numerics.typing import Floats
from kit.posterior import FrailtyDraws, KindDraws, expected_finds, frailty_draws
from kit.programmes.panels import LivingPanels


@dataclass(frozen=True, eq=False, kw_only=True)
class SharedFactors:
    """What panels share, for one kind of damage.

    Parameters
    ----------
    kind : str
        Kind of damage.
    factors : dict of str to FrailtyDraws
        By what is shared.
    """

    kind: str
    factors: dict[str, FrailtyDraws]

    def of_panels(self, living: LivingPanels, rows: np.ndarray) -> Floats:
        """Hazard of each panel over that of its group.

        Parameters
        ----------
        living : LivingPanels
            The panels.
        rows : ndarray of int
            Which of the draws.

        Returns
        -------
        ndarray, shape (n_rows, n_panels)
            Product over what it shares; 1 for a lot or base without lives [-].
        """
        out = np.ones((rows.size, len(living)))
        for name, draws in self.factors.items():
            at = pd.Index(draws.names).get_indexer(living.frame[name].astype(str))
            known = at >= 0
            out[:, known] *= draws.multiplier[rows][:, at[known]]
        return out

    def to_frame(self) -> pd.DataFrame:
        """Return one row for each zone, lot, base and aircraft.

        Returns
        -------
        DataFrame
            Columns kind, factor, name, found, expected, multiplier, lower, upper (5 % and 95 % of the draws).
        """
        frames = [
            draws.to_frame().reset_index().assign(kind=self.kind, factor=name)
            for name, draws in self.factors.items()
        ]
        names = ["kind", "factor", "name", "found", "expected", "multiplier", "lower", "upper"]
        return pd.concat(frames, ignore_index=True)[names]


def shared_factors(evidence: Evidence, histories: Histories, draws: KindDraws, *, seed: int) -> SharedFactors:
    """Work out what zones, lots, bases and aircraft add to the hazard of a kind of damage.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known.
    histories : Histories
        Lives of the group.
    draws : KindDraws
        Joint draws of the group, on the clock of the histories, the central value first.
    seed : int
        Of the random numbers.

    Returns
    -------
    SharedFactors
        With few finds each is near 1: finds are held against those that the common life expects from the same
        looks, and drawn towards it. Each is worked out given those before it, so that nothing counts twice.
    """
    fleet = evidence.fleet
    expected = expected_finds(
        histories, draws.detection(0), scale=float(draws.scale[0]), shape=float(draws.shape[0])
    )
    found = np.isfinite(histories.upper).astype(np.float64)
    factors: dict[str, FrailtyDraws] = {}
    for i, (name, shared) in enumerate(_labels(fleet, evidence, histories).items()):
        names, at = np.unique(shared.astype(str), return_inverse=True)
        by_group = np.bincount(at, weights=expected)
        one = frailty_draws(
            names.tolist(), np.bincount(at, weights=found), by_group, n=draws.n, seed=seed, stream=10 + i
        )
        mean = one.multiplier @ (by_group / by_group.sum())
        one = FrailtyDraws(
            names=one.names,
            found=one.found,
            expected=one.expected,
            multiplier=one.multiplier / mean[:, None],
            log_sd=one.log_sd,
        )
        factors[name] = one
        expected = expected * one.multiplier.mean(axis=0)[at]
    return SharedFactors(kind=draws.kind, factors=factors)


def _labels(fleet: Fleet, evidence: Evidence, histories: Histories) -> Mapping[str, np.ndarray]:
    """List what each life shares with others: where it was last, and what it was built of."""
    panel = pd.Series(histories.life, dtype=object).astype(str).str.split(AFTER_REPAIR, n=1).str[0]
    panels = fleet.tables["panels"].sort_values("fitted_on", kind="stable")
    last = panels.groupby("panel")[["aircraft", "build_lot"]].last()
    basing = fleet.tables["basing"].sort_values("valid_from", kind="stable")
    base = basing.groupby("aircraft")["base"].last()
    aircraft = panel.map(last["aircraft"])
    return {
        "zone": evidence.zones_of_lives(histories),
        "lot": panel.map(last["build_lot"]).fillna("").to_numpy(object),
        "base": aircraft.map(base).astype("str").fillna("").to_numpy(object),
        "aircraft": aircraft.fillna("").to_numpy(object),
    }
