"""Which zones are found damaged most, for what was flown, inspected and exposed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from kit.findings import KINDS, TAP_METHODS, Fleet, blind_to, need_fleet
from kit.numerics.poisson import poisson_bounds
from kit.numerics.renamed import formerly
from kit.numerics.typing import Floats
from kit.ranking.ranks import RankDraws
from kit.ranking.selection import (
    EVERYTHING,
    PURPOSES,
    Selection,
    check_by,
    check_kinds,
    exposure_of,
    selected_looks,
    selected_regions,
)
from kit.ranking.shrinkage import shrink

_PER_FLIGHT_HOURS = 1000.0
_MM2_PER_M2 = 1e6
_DRAWS = 2048

RATES = {
    "per_1000_fh": "per 1,000 panel flight hours",
    "per_1000_fc": "per 1,000 panel flight cycles",
    "per_year": "per panel year",
    "per_look": "per look",
    "per_routine_look": "per routine look",
    "per_m2": "per m² of skin",
}
"""Rates of a ranking, by the name of their column."""


def zone_hours(fleet: Fleet, selection: Selection = EVERYTHING) -> pd.DataFrame:
    """Return what each zone was exposed to while records were kept.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.

    Returns
    -------
    DataFrame
        Index zone: group, positions (aircraft that have it), panel_flight_hours, panel_flight_cycles and
        panel_years (with a panel fitted, from the first day with records to the cut-off, or to 60 days after the last
        meter reading of the aircraft), looks (tap tests of any basis, or by the methods of the selection) and those of
        each purpose (looks_routine, looks_reinspection, looks_campaign, looks_not_planned), area_m2 (skin of all
        positions).
    """
    need_fleet(fleet)
    return hours_of_sums(fleet, [zone_sums(fleet, selection)])


@dataclass(frozen=True, eq=False)
class ZoneSums:
    """What some panels of a fleet were exposed to, by zone, ready to be added up.

    Parameters
    ----------
    flown : DataFrame
        Index zone: panel_flight_hours, panel_flight_cycles, panel_years.
    places : DataFrame
        Columns zone and aircraft: where such panels were fitted.
    looks : DataFrame
        Columns zone, purpose, method and looks, their number.
    """

    flown: pd.DataFrame
    places: pd.DataFrame
    looks: pd.DataFrame


def zone_sums(
    fleet: Fleet,
    selection: Selection = EVERYTHING,
    *,
    panels: Callable[[pd.Series], NDArray[np.bool_]] | None = None,
) -> ZoneSums:
    """Add up by zone what the panels of a fleet, or some of them, were exposed to.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.
    panels : callable, optional
        Says of names of panels which count. Default: all.

    Returns
    -------
    ZoneSums
        Sums over fleets whose panels differ can be put together by `hours_of_sums`.
    """
    fittings, flown = fleet.tables["panels"], exposure_of(fleet, selection)
    looks = selected_looks(fleet, selection)
    if panels is not None:
        fittings, flown, looks = (rows.loc[panels(rows["panel"])] for rows in (fittings, flown, looks))
    # Without a selection a position counts that never flew while records were kept.
    held = fittings if selection == EVERYTHING else flown
    return ZoneSums(
        flown=flown.groupby("zone")[["panel_flight_hours", "panel_flight_cycles", "panel_years"]].sum(),
        places=held[["zone", "aircraft"]].drop_duplicates(),
        looks=looks.groupby(["zone", "purpose", "method"]).size().rename("looks").reset_index(),
    )


def hours_of_sums(fleet: Fleet, sums: Sequence[ZoneSums]) -> pd.DataFrame:
    """Put sums by zone together, as `zone_hours` tells them.

    Parameters
    ----------
    fleet : Fleet
        Whose zones they are.
    sums : sequence of ZoneSums
        Of different panels.

    Returns
    -------
    DataFrame
        As `zone_hours`.
    """
    zones = fleet.tables["zones"].set_index("zone")
    flown = pd.concat([one.flown for one in sums]).groupby(level=0).sum()
    places = pd.concat([one.places for one in sums]).drop_duplicates()
    looks = pd.concat([one.looks for one in sums])
    positions = places.groupby("zone")["aircraft"].nunique()
    area = pd.Series(shapely.area(zones["outline"].to_numpy(object)) / _MM2_PER_M2, index=zones.index)
    out = pd.DataFrame({"group": zones["group"]})
    out["positions"] = positions.reindex(out.index).fillna(0).astype(int)
    for name in flown.columns:
        out[name] = flown[name].reindex(out.index).fillna(0.0)
    out["looks"] = looks.groupby("zone")["looks"].sum().reindex(out.index).fillna(0).astype(int)
    for purpose in PURPOSES:
        some = looks.loc[looks["purpose"] == purpose].groupby("zone")["looks"].sum()
        out[f"looks_{purpose.replace(' ', '_')}"] = some.reindex(out.index).fillna(0).astype(int)
    out["area_m2"] = area * out["positions"]
    return out.sort_index()


zone_exposure = formerly(zone_hours, "zone_exposure")


def rank_zones(
    fleet: Fleet,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    level: float = 0.95,
    selection: Selection = EVERYTHING,
    worst: int = 3,
    seed: int = 1,
) -> pd.DataFrame:
    """Rank zones by finds for their exposure, beside the raw counts.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage; default those found in the fleet. The kinds named together are the kind ``all``; where none are named,
        those that tapping can see: water has looks of its own, and a row of its own.
    level : float
        Confidence of the bounds [-].
    selection : Selection
        Period, methods, tasks, purposes, subtypes, climates, aircraft and causes that count.
    worst : int
        Number k of the chance to be among the worst k.
    seed : int
        Of the draws behind the chances.

    Returns
    -------
    DataFrame
        One row for each zone (or group) and kind, highest rate first within a kind: finds (damages at their first
        detection), findings (rows as written), remapped (rows that map known damage again), finds by the purpose of the
        look that made them (finds_routine and so on) and finds_other_method (first seen otherwise than by tapping);
        the exposures of `zone_hours`; the rates of `RATES`, each with _lower and _upper (exact Poisson);
        rank_by_count and rank_by_rate; shrunken_per_1000_fh (gamma-Poisson), p_worst and p_among_worst.

    Raises
    ------
    ValueError
        If `by` or a kind is unknown, or the selection names what the dataset has not.

    See Also
    --------
    rank_by_damage : What looks missed, and false calls, taken into account.

    Notes
    -----
    A rate of finds is not a rate of damage: what looks missed is not in it, and a zone tapped more
    often shows more. The bounds take finds as independent. per_routine_look sets first detections by tapping
    at routine looks against those looks, so that neither campaigns nor looks at known damage move it. p_worst is the chance
    that a zone has the highest rate of finds, from gamma-Poisson draws: two bounds that overlap are no test.
    """
    need_fleet(fleet)
    check_by(by)
    check_kinds(kinds)
    selection.checked(fleet)
    exposure, regions = zone_hours(fleet, selection), selected_regions(fleet, selection)
    return rank_counted(exposure, regions, by=by, kinds=kinds, level=level, worst=worst, seed=seed)


def rank_counted(
    exposure: pd.DataFrame,
    regions: pd.DataFrame,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    level: float = 0.95,
    worst: int = 3,
    seed: int = 1,
) -> pd.DataFrame:
    """Rank zones as `rank_zones` does, once hours and findings are at hand.

    Parameters
    ----------
    exposure : DataFrame
        As `zone_hours` gives it.
    regions : DataFrame
        As `kit.ranking.selected_regions` gives them.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage, as for `rank_zones`.
    level : float
        Confidence of the bounds [-].
    worst : int
        Number k of the chance to be among the worst k.
    seed : int
        Of the draws behind the chances.

    Returns
    -------
    DataFrame
        As `rank_zones`.
    """
    check_by(by)
    check_kinds(kinds)
    first = regions.loc[regions["is_first"]]
    if by == "group":
        exposure = exposure.groupby("group").sum(numeric_only=True)
    else:
        exposure = exposure.drop(columns="group")
    wanted = [k for k in KINDS if k in set(first["kind"])] if kinds is None else list(kinds)
    together = list(kinds or []) or [kind for kind in KINDS if kind not in blind_to(TAP_METHODS[0])]
    parts = []
    for kind in ["all", *wanted]:
        some = together if kind == "all" else [kind]
        counted, written = (rows.loc[rows["kind"].isin(some)] for rows in (first, regions))
        frame = _counted(exposure, counted, written, by)
        frame.insert(0, "kind", kind)
        _rated(frame, level)
        chance, mean = _chances(frame, worst, seed)
        frame["rank_by_count"] = frame["finds"].rank(method="min", ascending=False).astype(int)
        # Zones flown alike tie, in whatever order their hours were added up.
        rate = frame["per_1000_fh"].map(lambda value: float(f"{value:.12g}"))
        frame["rank_by_rate"] = rate.rank(method="min", ascending=False, na_option="bottom").astype(int)
        frame["shrunken_per_1000_fh"] = mean
        frame["p_worst"], frame["p_among_worst"] = chance
        frame = frame.sort_values(["rank_by_rate", "finds"], ascending=[True, False], kind="stable")
        parts.append(frame.rename_axis(by).reset_index())
    return pd.concat(parts, ignore_index=True)


def _counted(exposure: pd.DataFrame, counted: pd.DataFrame, written: pd.DataFrame, by: str) -> pd.DataFrame:
    """Count finds of each kind of look beside the exposures."""
    frame = exposure.copy()

    def number(rows: pd.DataFrame) -> pd.Series:
        return rows[by].value_counts().reindex(frame.index).fillna(0).astype(int)

    tapped = counted["method"].isin(TAP_METHODS)
    columns = {"finds": number(counted), "findings": number(written)}
    columns["remapped"] = number(written.loc[~written["is_first"]])
    for purpose in PURPOSES:
        some = counted.loc[tapped & (counted["purpose"] == purpose)]
        columns[f"finds_{purpose.replace(' ', '_')}"] = number(some)
    columns["finds_other_method"] = number(counted.loc[~tapped])
    for at, (name, values) in enumerate(columns.items()):
        frame.insert(at, name, values)
    return frame


def _rated(frame: pd.DataFrame, level: float) -> None:
    """Add the rates with their bounds."""
    bases = {
        "per_1000_fh": ("finds", frame["panel_flight_hours"] / _PER_FLIGHT_HOURS),
        "per_1000_fc": ("finds", frame["panel_flight_cycles"] / _PER_FLIGHT_HOURS),
        "per_year": ("finds", frame["panel_years"]),
        "per_look": ("finds", frame["looks"].astype(float)),
        "per_routine_look": ("finds_routine", frame["looks_routine"].astype(float)),
        "per_m2": ("finds", frame["area_m2"]),
    }
    for name, (count, base) in bases.items():
        lower, upper = poisson_bounds(frame[count].to_numpy(), level=level)
        amount = base.where(base > 0).to_numpy()
        frame[name] = frame[count].to_numpy() / amount
        frame[f"{name}_lower"], frame[f"{name}_upper"] = lower / amount, upper / amount


def _chances(frame: pd.DataFrame, worst: int, seed: int) -> tuple[tuple[Floats, Floats], Floats]:
    """Chance to have the highest rate of finds and to be among the highest, and the shrunken rates."""
    hours = frame["panel_flight_hours"].to_numpy() / _PER_FLIGHT_HOURS
    some, n = hours > 0, len(frame)
    out = (np.full(n, np.nan), np.full(n, np.nan)), np.full(n, np.nan)
    finds = frame["finds"].to_numpy(float)
    if some.sum() < 2 or finds[some].sum() <= 0:
        return out
    made = shrink(frame.index[some], finds[some], hours[some], n=_DRAWS, seed=seed)
    draws = RankDraws(names=made.names, rate=made.multiplier)
    out[0][0][some], out[0][1][some] = draws.among_worst(1), draws.among_worst(min(worst, int(some.sum())))
    out[1][some] = made.multiplier.mean(axis=0)
    return out
