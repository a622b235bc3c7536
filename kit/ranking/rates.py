"""Which zones are found damaged most, for what was flown, looked at and exposed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely

from kit.findings import DAYS_BEYOND, KINDS, Fleet, Meters, build_looks, need_fleet
from kit.numerics.poisson import poisson_bounds
from kit.regions import tracked_regions

_PER_FLIGHT_HOURS = 1000.0
_MM2_PER_M2 = 1e6


def zone_exposure(fleet: Fleet) -> pd.DataFrame:
    """Return what each zone was exposed to while records were kept.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.

    Returns
    -------
    DataFrame
        Index zone: group, positions (aircraft that have it), panel_flight_hours (flown with a panel
        fitted, from the first day with records to the cut-off, or to 60 days after the last meter
        reading of the aircraft), looks (tap tests of any basis),
        area_m2 (skin of all positions).
    """
    need_fleet(fleet)
    zones = fleet.tables["zones"].set_index("zone")
    fittings = fleet.tables["panels"]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    begin = aircraft["records_from"].fillna(aircraft["entry_into_service"]).reindex(fittings["aircraft"])
    start = np.maximum(fittings["fitted_on"].to_numpy(), begin.to_numpy())
    stop = fittings["removed_on"].fillna(fleet.cut_off).to_numpy()
    stop = np.minimum(stop, np.datetime64(fleet.cut_off))
    # Beyond its last reading an aircraft has no usage; what it had flown by then still counts.
    known = fleet.tables["usage"].groupby("aircraft")["read_on"].max() + pd.Timedelta(days=DAYS_BEYOND)
    stop = np.fmin(stop, known.reindex(fittings["aircraft"]).to_numpy())
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    names = fittings["aircraft"].to_numpy(object)
    flown = meters.at(names, np.maximum(stop, start), "flight_hours") - meters.at(
        names, start, "flight_hours"
    )
    hours = pd.Series(np.nan_to_num(flown), index=fittings["zone"].to_numpy()).groupby(level=0).sum()
    positions = fittings.groupby("zone")["aircraft"].nunique()
    looks = build_looks(fleet).groupby("zone").size()
    area = pd.Series(shapely.area(zones["outline"].to_numpy(object)) / _MM2_PER_M2, index=zones.index)
    out = pd.DataFrame({"group": zones["group"]})
    out["positions"] = positions.reindex(out.index).fillna(0).astype(int)
    out["panel_flight_hours"] = hours.reindex(out.index).fillna(0.0)
    out["looks"] = looks.reindex(out.index).fillna(0).astype(int)
    out["area_m2"] = area * out["positions"]
    return out.sort_index()


def rank_zones(
    fleet: Fleet,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Rank zones by finds for their exposure, beside the raw counts.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage; default those found in the fleet. All of them together are the kind ``all``.
    level : float
        Confidence of the bounds [-].

    Returns
    -------
    DataFrame
        One row for each zone (or group) and kind, highest rate first within a kind: finds (damages,
        re-mappings not counted again), findings (rows as written), panel_flight_hours, looks,
        area_m2; per_1000_fh, per_look and per_m2, each with _lower and _upper (exact Poisson);
        rank_by_count and rank_by_rate; tied_with_first: whether its bounds reach those of the first.

    Raises
    ------
    ValueError
        If `by` or a kind is unknown.

    Notes
    -----
    A rate of finds is not a rate of damage: what looks missed is not in it, and a zone tapped more
    often shows more. The bounds take finds as independent.
    """
    need_fleet(fleet)
    if by not in ("zone", "group"):
        raise ValueError(f"`by` must be zone or group. Got {by!r}.")
    unknown = sorted(set(kinds or ()) - set(KINDS))
    if unknown:
        raise ValueError(f"`kinds` must be among {', '.join(KINDS)}. Got {', '.join(unknown)}.")
    exposure = zone_exposure(fleet)
    regions = tracked_regions(fleet)
    regions = regions.sort_values(["found_on", "finding"], kind="stable")
    first = regions.drop_duplicates("track")
    if by == "group":
        exposure = exposure.groupby("group").sum(numeric_only=True)
    else:
        exposure = exposure.drop(columns="group")
    wanted = [k for k in KINDS if k in set(first["kind"])] if kinds is None else list(kinds)
    parts = []
    for kind in ["all", *wanted]:
        counted = first if kind == "all" else first.loc[first["kind"] == kind]
        written = regions if kind == "all" else regions.loc[regions["kind"] == kind]
        frame = exposure.copy()
        frame.insert(0, "kind", kind)
        frame.insert(1, "finds", counted[by].value_counts().reindex(frame.index).fillna(0).astype(int))
        frame.insert(2, "findings", written[by].value_counts().reindex(frame.index).fillna(0).astype(int))
        lower, upper = poisson_bounds(frame["finds"].to_numpy(), level=level)
        for name, base in (
            ("per_1000_fh", frame["panel_flight_hours"] / _PER_FLIGHT_HOURS),
            ("per_look", frame["looks"].astype(float)),
            ("per_m2", frame["area_m2"]),
        ):
            amount = base.where(base > 0).to_numpy()
            frame[name] = frame["finds"].to_numpy() / amount
            frame[f"{name}_lower"], frame[f"{name}_upper"] = lower / amount, upper / amount
        frame["rank_by_count"] = frame["finds"].rank(method="min", ascending=False).astype(int)
        frame["rank_by_rate"] = (
            frame["per_1000_fh"].rank(method="min", ascending=False, na_option="bottom").astype(int)
        )
        frame = frame.sort_values(["rank_by_rate", "finds"], ascending=[True, False], kind="stable")
        frame["tied_with_first"] = (
            frame["per_1000_fh_upper"] >= frame["per_1000_fh_lower"].iloc[0] if len(frame) else []
        )
        parts.append(frame.rename_axis(by).reset_index())
    return pd.concat(parts, ignore_index=True)
