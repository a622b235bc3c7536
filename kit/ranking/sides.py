"""Damage on the left: what of the right, of the same lot, and which panel to tap first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import gammaln

from kit.findings import DAYS_BEYOND, Fleet, Meters
from kit.ranking.false_calls import binomial_bounds
from kit.ranking.funnel import step_up
from kit.ranking.selection import exposure_of, first_detections, selected_looks
from kit.ranking.shrinkage import shrink

_PER_FLIGHT_HOURS = 1000.0


def mirror_zones(fleet: Fleet) -> dict[str, str]:
    """Return the zone on the other side of each zone.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.

    Returns
    -------
    dict of str to str
        The zones of a group on the left and on the right, each in order of their labels, are taken as pairs; groups with
        unlike numbers of them, and zones in the centre, have none.
    """
    out: dict[str, str] = {}
    for _, part in fleet.tables["zones"].groupby("group"):
        left, right = (sorted(part.loc[part["side"] == side, "zone"]) for side in ("left", "right"))
        if left and len(left) == len(right):
            out |= dict(zip(left, right, strict=True)) | dict(zip(right, left, strict=True))
    return out


def left_and_right(fleet: Fleet, *, kinds: Sequence[str] | None = None, level: float = 0.95) -> pd.DataFrame:
    """Return the chance of damage on one side given damage on the other, by group.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    level : float
        Confidence of the bounds [-].

    Returns
    -------
    DataFrame
        Index group, and ``all``: pairs (of positions on one aircraft), both, one, neither; given_other (share of sides whose other
        side was found damaged that were found damaged too) with _lower and _upper (exact), without_other (the share where
        the other side was clean), odds_ratio and p_value (exact, conditional on the margins, two-sided).

    Notes
    -----
    Found at any time counts; both sides of an aircraft are tapped on the same days, so that a longer watch or a harder life of an
    aircraft makes sides alike as well as a common cause does. Each pair gives its two sides, so that the bounds of shares are
    somewhat narrow; the test is over pairs.
    """
    mirror = mirror_zones(fleet)
    first = first_detections(fleet, kinds=kinds)
    fitted = fleet.tables["panels"][["aircraft", "zone"]].drop_duplicates()
    hit = set(zip(first["aircraft"], first["zone"], strict=True))
    zones = fleet.tables["zones"].set_index("zone")
    rows = []
    for aircraft, zone in zip(fitted["aircraft"], fitted["zone"], strict=True):
        other = mirror.get(zone)
        if other is not None and zones["side"][zone] == "left":
            rows.append((zones["group"][zone], (aircraft, zone) in hit, (aircraft, other) in hit))
    pairs = pd.DataFrame(rows, columns=["group", "left", "right"])
    out = {}
    for name, part in [*pairs.groupby("group"), ("all", pairs)]:
        both = int((part["left"] & part["right"]).sum())
        left, right = int(part["left"].sum()), int(part["right"].sum())
        one, n = left + right - 2 * both, len(part)
        low, high = binomial_bounds(2 * both, max(2 * both + one, 1), level=level)
        given = 2 * both / (2 * both + one) if 2 * both + one else np.nan
        neither = n - both - one
        without = one / (one + 2 * neither) if one + 2 * neither else np.nan
        a, b, c, d = both, left - both, right - both, neither
        ratio = (a * d) / (b * c) if b * c else np.nan
        out[name] = {
            "pairs": n,
            "both": both,
            "one": one,
            "neither": neither,
            "given_other": given,
            "given_other_lower": float(low),
            "given_other_upper": float(high),
            "without_other": without,
            "odds_ratio": ratio,
            "p_value": exact_two_by_two(a, b, c, d),
        }
    return pd.DataFrame.from_dict(out, orient="index").rename_axis("group")


def exact_two_by_two(a: int, b: int, c: int, d: int) -> float:
    """Exact two-sided p value of a table of two by two, given its margins.

    Parameters
    ----------
    a, b, c, d : int
        Counts: both, the first alone, the second alone, neither.

    Returns
    -------
    float
        The chance of a table no more likely than this one [-].

    Examples
    --------
    >>> round(exact_two_by_two(3, 1, 1, 3), 4)
    0.4857
    """
    n1, n2, k = a + b, c + d, a + c
    x = np.arange(max(0, k - n2), min(k, n1) + 1)

    def log_choose(n: int, m: np.ndarray) -> np.ndarray:
        return gammaln(n + 1) - gammaln(m + 1) - gammaln(n - m + 1)

    log_p = log_choose(n1, x) + log_choose(n2, k - x)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    return float(min(1.0, p[p <= p[x == a][0] * (1 + 1e-7)].sum()))


def lots_that_stand_out(
    fleet: Fleet, *, kinds: Sequence[str] | None = None, rate: float = 0.05, seed: int = 1
) -> pd.DataFrame:
    """Return finds of each build lot against those of its zone group, for their hours.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    rate : float
        Greatest share of wrong calls among the lots called [-].
    seed : int
        Of the draws behind the multipliers.

    Returns
    -------
    DataFrame
        Columns group, build_lot, panels, panel_flight_hours, finds, expected (the hours of the lot at the rate of the other lots of its
        group), ratio, p_value (exact, two-sided, given the finds of lot and others together), q_value, called, multiplier (shrunken,
        over the mean of all lots); highest ratio first.
    """
    flown = exposure_of(fleet)
    lot = (
        fleet.tables["panels"]
        .loc[fleet.tables["panels"]["build_lot"] != ""]
        .groupby("panel")["build_lot"]
        .first()
    )
    group = fleet.tables["zones"].set_index("zone")["group"]
    flown = flown.assign(
        build_lot=lot.reindex(flown["panel"]).to_numpy(object),
        group=group.reindex(flown["zone"]).to_numpy(object),
    )
    first = first_detections(fleet, kinds=kinds)
    first = first.assign(build_lot=lot.reindex(first["panel"]).to_numpy(object))
    keys = ["group", "build_lot"]
    out = pd.DataFrame(
        {
            "panels": flown.groupby(keys)["panel"].nunique(),
            "panel_flight_hours": flown.groupby(keys)["panel_flight_hours"].sum(),
        }
    )
    out["finds"] = first.groupby(keys).size().reindex(out.index).fillna(0).astype(int)
    out = out.loc[out["panel_flight_hours"] > 0].reset_index()
    sums = out.groupby("group")[["finds", "panel_flight_hours"]].transform("sum")
    out["others"] = sums["finds"] - out["finds"]
    out["other_hours"] = sums["panel_flight_hours"] - out["panel_flight_hours"]
    out = out.loc[out["other_hours"] > 0].reset_index(drop=True)
    others, hours = out.pop("others").to_numpy(float), out.pop("other_hours").to_numpy(float)
    out["expected"] = others / hours * out["panel_flight_hours"]
    out["ratio"] = out["finds"] / out["expected"].where(out["expected"] > 0)
    share = out["panel_flight_hours"].to_numpy() / (out["panel_flight_hours"].to_numpy() + hours)
    total = out["finds"].to_numpy(float) + others
    p = np.array([_binomial_p(x, n, s) for x, n, s in zip(out["finds"], total, share, strict=True)])
    out["p_value"] = p
    out["called"], out["q_value"] = step_up(p, rate=rate)
    within = share * total
    made = (
        shrink(out.index, out["finds"], np.maximum(within, 1e-9), seed=seed) if out["finds"].sum() else None
    )
    out["multiplier"] = np.nan if made is None else made.multiplier.mean(axis=0)
    return out.sort_values("ratio", ascending=False, kind="stable", na_position="last").reset_index(drop=True)


def _binomial_p(x: float, n: float, share: float) -> float:
    """Twice the smaller tail of a binomial count, at most 1."""
    from scipy.special import bdtr, bdtrc

    if n <= 0:
        return 1.0
    below = float(bdtr(x, int(n), share))
    above = float(bdtrc(x - 1, int(n), share)) if x > 0 else 1.0
    return min(1.0, 2 * min(below, above))


def tap_first(
    fleet: Fleet,
    *,
    kinds: Sequence[str] | None = None,
    multipliers: pd.Series | None = None,
    top: int | None = None,
) -> pd.DataFrame:
    """List the panels fitted today, those first that most likely hold damage that nobody found yet.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.
    multipliers : Series of float, optional
        Damage that arises per 1,000 panel flight hours by zone or group, such as the rate of `rank_by_damage`. Default: the
        shrunken rate of finds of the group.
    top : int, optional
        How many. Default: all.

    Returns
    -------
    DataFrame
        Columns aircraft, zone, group, panel, build_lot, last_look, hours_since_look, group_rate, lot_factor, mirror_factor (1 where
        the other side has no damage on record), expected (damages since the last look: hours times rate times
        factors) and why; highest first.

    Notes
    -----
    An order for the next taps, not a chance to rely on: the factors are taken as independent. A panel without a look counts from the day
    on which it came under watch.
    """
    flown = exposure_of(fleet)
    group = fleet.tables["zones"].set_index("zone")["group"]
    now = fleet.tables["panels"].loc[
        fleet.tables["panels"]["removed_on"].isna(), ["panel", "aircraft", "zone", "build_lot", "fitted_on"]
    ]
    looks = selected_looks(fleet)
    last = looks.groupby("panel")["looked_on"].max()
    out = now.assign(group=group.reindex(now["zone"]).to_numpy(object)).reset_index(drop=True)
    out["last_look"] = last.reindex(out["panel"]).to_numpy()
    since = flown.groupby("panel")["start"].min()
    begin = (
        out["last_look"]
        .fillna(pd.Series(since.reindex(out["panel"]).to_numpy(), index=out.index))
        .fillna(out["fitted_on"])
    )
    out["hours_since_look"] = _flown_since(fleet, out["aircraft"], np.maximum(begin, out["fitted_on"]))
    first = first_detections(fleet, kinds=kinds)
    if multipliers is None:
        hours = (
            flown.assign(group=group.reindex(flown["zone"]).to_numpy(object))
            .groupby("group")["panel_flight_hours"]
            .sum()
        )
        hours = hours.loc[hours > 0] / _PER_FLIGHT_HOURS
        finds = first.groupby("group").size().reindex(hours.index).fillna(0)
        made = shrink(hours.index, finds, hours, n=1024)
        multipliers = pd.Series(made.multiplier.mean(axis=0), index=hours.index)
    by_zone = set(multipliers.index) <= set(group.index)
    out["group_rate"] = multipliers.reindex(out["zone"] if by_zone else out["group"]).to_numpy(float)
    lots = lots_that_stand_out(fleet, kinds=kinds).set_index(["group", "build_lot"])["multiplier"]
    key = pd.MultiIndex.from_frame(out[["group", "build_lot"]])
    out["lot_factor"] = np.nan_to_num(lots.reindex(key).to_numpy(float), nan=1.0)
    sides = left_and_right(fleet, kinds=kinds)
    mirror = mirror_zones(fleet)
    hit = set(zip(first["aircraft"], first["zone"], strict=True))
    other = [(a, mirror.get(z)) in hit for a, z in zip(out["aircraft"], out["zone"], strict=True)]
    everywhere = sides.loc["all", "given_other"] / sides.loc["all", "without_other"] if len(sides) else 1.0
    factor = everywhere if np.isfinite(everywhere) else 1.0
    out["mirror_factor"] = np.where(other, max(float(factor), 1.0), 1.0)
    out["expected"] = (
        out["hours_since_look"]
        / _PER_FLIGHT_HOURS
        * out["group_rate"]
        * out["lot_factor"]
        * out["mirror_factor"]
    )
    out["why"] = [
        "; ".join(
            word
            for word, holds in (
                (f"{row.hours_since_look:,.0f} hours since the last look", True),
                ("damage found on the other side", row.mirror_factor > 1),
                (f"lot {row.build_lot} stands out", row.lot_factor > 1.25),
            )
            if holds
        )
        for row in out.itertuples()
    ]
    out = out.sort_values("expected", ascending=False, kind="stable", na_position="last").drop(
        columns="fitted_on"
    )
    return out.reset_index(drop=True) if top is None else out.head(top).reset_index(drop=True)


def _flown_since(fleet: Fleet, aircraft: pd.Series, day: pd.Series) -> np.ndarray:
    """Hours that each aircraft has flown since a day, up to the cut-off or its last reading."""
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    known = fleet.tables["usage"].groupby("aircraft")["read_on"].max() + pd.Timedelta(days=DAYS_BEYOND)
    stop = np.minimum(known.reindex(aircraft).to_numpy(), np.datetime64(fleet.cut_off))
    names = aircraft.to_numpy(object)
    flown = meters.at(names, stop, "flight_hours") - meters.at(names, day.to_numpy(), "flight_hours")
    return np.maximum(np.nan_to_num(flown), 0.0)
