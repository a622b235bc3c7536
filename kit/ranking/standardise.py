"""Which zones lead once they are compared at the same ages, climates and subtypes: direct and indirect standardisation."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import pandas as pd

from kit.findings import Fleet, PanelAges
from kit.numerics.poisson import poisson_bounds
from kit.ranking.selection import EVERYTHING, Selection, exposure_of, selected_regions

STRATA = ("age_band", "climate", "subtype")
"""By what zones can be made alike."""

_PER_FLIGHT_HOURS = 1000.0
_DAYS_PER_YEAR = 365.25


def strata_table(
    fleet: Fleet,
    *,
    by: str = "group",
    kinds: Sequence[str] | None = None,
    strata: Sequence[str] = STRATA,
    age_years: Sequence[float] = (4.0, 8.0, 12.0),
    selection: Selection = EVERYTHING,
) -> pd.DataFrame:
    """Return finds and hours of each zone by stratum.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    by : str
        ``zone`` or ``group``.
    kinds : sequence of str, optional
        Kinds of damage; default all.
    strata : sequence of str
        Among `STRATA`.
    age_years : sequence of float
        Ages of the panel between the bands [years].
    selection : Selection
        What counts.

    Returns
    -------
    DataFrame
        Columns zone or group, the strata, finds and panel_flight_hours; panels of unknown age are in the band
        ``not known``.
    """
    unknown = sorted(set(strata) - set(STRATA))
    if unknown or not strata or by not in ("group", "zone"):
        raise ValueError(
            f"`strata` must be among {', '.join(STRATA)} and `by` zone or group. Got {', '.join(unknown) or 'none'!s}, {by!r}."
        )
    selection.checked(fleet)
    ages = PanelAges(fleet, "calendar_days")
    flown = exposure_of(fleet, selection)
    group_of = fleet.tables["zones"].set_index("zone")["group"]
    if "age_band" in strata:
        flown = _by_band(flown, ages, age_years)
    flown["group"] = group_of.reindex(flown["zone"]).to_numpy(object)
    first = selected_regions(fleet, selection)
    first = first.loc[first["is_first"]]
    if kinds is not None:
        first = first.loc[first["kind"].isin(list(kinds))]
    age = ages.at(first["panel"].to_numpy(object), first["found_on"].to_numpy())
    first = first.assign(age_band=_band(age, age_years))
    keys = [by, *strata]
    hours = flown.groupby(keys)["panel_flight_hours"].sum()
    finds = first.groupby(keys).size()
    out = pd.concat([finds.rename("finds"), hours], axis=1).fillna(0.0)
    return out.astype({"finds": int}).reset_index()


def _band(age_days: np.ndarray, age_years: Sequence[float]) -> np.ndarray:
    edges = np.asarray(age_years, np.float64) * _DAYS_PER_YEAR
    names = np.array(
        [
            f"{low:g} to {high:g} years" if np.isfinite(high) else f"from {low:g} years"
            for low, high in zip([0.0, *age_years], [*age_years, np.inf], strict=True)
        ],
        dtype=object,
    )
    code = np.searchsorted(edges, np.nan_to_num(age_days), side="right")
    return np.where(np.isfinite(age_days), names[code], "not known")


def _by_band(flown: pd.DataFrame, ages: PanelAges, age_years: Sequence[float]) -> pd.DataFrame:
    """Share the hours of each stay among the bands of age, evenly in time."""
    begin = ages.at(flown["panel"].to_numpy(object), flown["start"].to_numpy())
    days = (flown["stop"] - flown["start"]).dt.days.to_numpy(float)
    edges = np.r_[0.0, np.asarray(age_years) * _DAYS_PER_YEAR, np.inf]
    parts = [flown.loc[~np.isfinite(begin)].assign(age_band="not known")]
    for low, high in pairwise(edges):
        inside = np.clip(np.minimum(begin + days, high) - np.maximum(begin, low), 0.0, None)
        some = np.isfinite(begin) & (inside > 0)
        part = flown.loc[some].copy()
        part["panel_flight_hours"] *= (inside / np.maximum(days, 1e-9))[some]
        part["age_band"] = _band(np.full(int(some.sum()), low + 0.5), age_years)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def standardised_rates(table: pd.DataFrame, *, level: float = 0.95) -> pd.DataFrame:
    r"""Standardise rates of finds, directly and indirectly.

    Parameters
    ----------
    table : DataFrame
        As `strata_table` gives it: the unit in the first column, then strata, finds and panel_flight_hours.
    level : float
        Confidence of the bounds [-].

    Returns
    -------
    DataFrame
        Index the unit, highest direct rate first: finds, crude_per_1000_fh, expected (finds that the hours of each stratum would
        give at the fleet's rates), ratio (found over expected) with bounds (exact), indirect_per_1000_fh, direct_per_1000_fh (at
        the fleet's share of hours in each stratum) with bounds, covered (share of the fleet's hours that lie in strata in which the
        unit flew; the direct rate is over those alone), rank_crude, rank_indirect, rank_direct.

    Notes
    -----
    Direct: :math:`\sum_s w_s x_s / h_s`, with gamma bounds. Indirect: :math:`\sum x_s / \sum h_s r_s` times the crude rate of the fleet.
    Indirect ratios of two units may not be compared strictly where their mixes differ much; the direct rates may.

    References
    ----------
    .. [1] M. P. Fay and E. J. Feuer, "Confidence intervals for directly standardized rates: a method based on the gamma
       distribution", *Statist. Med.*, vol. 16, 1997, pp. 791-801 (formula from memory).
    .. [2] R. C. Tiwari, L. X. Clegg, Z. Zou, "Efficient interval estimation for age-adjusted cancer rates", *Statist.
       Methods Med. Res.*, vol. 15, 2006, pp. 547-569: one more find of mean weight in the upper bound (from memory).
    """
    from scipy.special import gammaincinv

    unit = table.columns[0]
    strata = [name for name in table.columns if name not in (unit, "finds", "panel_flight_hours")]
    rows = table.loc[table["panel_flight_hours"] > 0]
    total = rows.groupby(strata)[["finds", "panel_flight_hours"]].sum()
    rate = total["finds"] / total["panel_flight_hours"]
    share = total["panel_flight_hours"] / total["panel_flight_hours"].sum()
    key = pd.MultiIndex.from_frame(rows[strata]) if len(strata) > 1 else pd.Index(rows[strata[0]])
    rows = rows.assign(
        expected=rate.reindex(key).to_numpy() * rows["panel_flight_hours"],
        weight=share.reindex(key).to_numpy(),
    )
    covered = rows.groupby(unit)["weight"].sum()
    rows["weight"] /= covered.reindex(rows[unit]).to_numpy()
    rows["per_find"] = rows["weight"] / rows["panel_flight_hours"] * _PER_FLIGHT_HOURS
    rows["direct"] = rows["per_find"] * rows["finds"]
    rows["variance"] = rows["per_find"] ** 2 * rows["finds"]
    sums = rows.groupby(unit)[["finds", "panel_flight_hours", "expected", "direct", "variance"]].sum()
    each = rows.groupby(unit)["per_find"]
    mean, square = each.mean().to_numpy(), each.agg(lambda w: (w**2).mean()).to_numpy()
    low, high = poisson_bounds(sums["finds"].to_numpy(), level=level)
    overall = total["finds"].sum() / total["panel_flight_hours"].sum() * _PER_FLIGHT_HOURS
    out = pd.DataFrame({"finds": sums["finds"].astype(int)})
    out["crude_per_1000_fh"] = sums["finds"] / sums["panel_flight_hours"] * _PER_FLIGHT_HOURS
    out["expected"] = sums["expected"]
    expected = sums["expected"].where(sums["expected"] > 0)
    out["ratio"] = sums["finds"] / expected
    out["ratio_lower"], out["ratio_upper"] = low / expected, high / expected
    out["indirect_per_1000_fh"] = out["ratio"] * overall
    out["direct_per_1000_fh"] = sums["direct"]
    tail = (1 - level) / 2
    x, v = sums["direct"].to_numpy(), sums["variance"].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        lower = np.where(x > 0, v / x * gammaincinv(np.where(x > 0, x**2 / v, 1.0), tail), 0.0)
    out["direct_lower"] = lower
    out["direct_upper"] = (v + square) / (x + mean) * gammaincinv((x + mean) ** 2 / (v + square), 1 - tail)
    out["covered"] = covered
    for name in ("crude", "indirect", "direct"):
        out[f"rank_{name}"] = (
            out[f"{name}_per_1000_fh"].rank(method="min", ascending=False, na_option="bottom").astype(int)
        )
    return out.sort_values("direct_per_1000_fh", ascending=False, kind="stable")
