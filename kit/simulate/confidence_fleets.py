"""A fleet drawn from a world event by event, as its operator would hold it, and what a schedule lets through in truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.intervals import Usage, worst_window
from kit.life import Histories
from kit.numerics.typing import Floats
from kit.posterior import (
    KindDraws,
    PodDraws,
)
from kit.simulate.confidence_worlds import FIRST, HORIZON, LIMIT, MEASURES, REPEATS, Setting, World


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedRecords:
    """What an operator's records of a simulated fleet hold.

    Parameters
    ----------
    histories, pooled : Histories
        Lives of the group, and with the pooled ones.
    first_size : ndarray
        Size at first find of the pooled lives as mapped, nan where none [mm].
    tracks : DataFrame
        Repeat mappings: track, age, diameter_mm.
    zone : ndarray of int
        Zone of each life of the group.
    zone_scale : ndarray
        True scale of each zone [flight hours].
    """

    histories: Histories
    pooled: Histories
    first_size: Floats
    tracks: pd.DataFrame
    zone: np.ndarray
    zone_scale: Floats


def draw_records(setting: Setting, world: World, seed: int) -> SimulatedRecords:
    """Draw a fleet and what its looks put on record.

    Parameters
    ----------
    setting : Setting
        How many panels.
    world : World
        The truth of this fleet.
    seed : int
        Of the random numbers.

    Returns
    -------
    SimulatedRecords
        As an operator would hold it.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 71]))
    n = setting.panels + setting.sisters
    zone = np.arange(n) % world.zones
    # The scales of the zones have a geometric mean of 1, so that the pooled life is that of the world.
    spread = rng.standard_normal(world.zones)
    zone_scale = world.scale * np.exp(world.zone_log_sd * (spread - spread.mean()))
    pace = np.where(np.arange(n) % 2, world.ratio, 1.0) if world.ratio != 1 else np.ones(n)
    pace = pace * (2.0 / (1.0 + world.ratio))
    frailty = (
        rng.gamma(1 / world.frailty_variance, world.frailty_variance, n)
        if world.frailty_variance > 0
        else np.ones(n)
    )
    end = rng.uniform(8_000.0, 40_000.0, n)
    gap = rng.uniform(3_000.0, 5_000.0, n)
    begin = 2_000.0 + gap * rng.random(n)
    onset = zone_scale[zone] * (rng.exponential(size=n) / frailty) ** (1 / world.shape) / pace
    size = world.onset_median * np.exp(world.onset_log_sd * rng.standard_normal(n))
    rate = world.rate * pace * np.exp(world.rate_log_sd * rng.standard_normal(n))
    rate = rate * (rng.random(n) >= world.still)
    largest = np.where(rng.random(n) < world.arrest_share, size * world.arrest_ratio, np.inf)
    late = rng.random(n) < world.late_share
    jump_at = onset + _jump_delay(world, rng, n)
    looks, tracks, first = [], [], {}

    def size_at(i: int, t: float) -> float:
        since = t - onset[i]
        grown = size[i] + rate[i] * since if world.form == "linear" else size[i] * np.exp(rate[i] * since)
        return float(min(grown, largest[i])) * (world.jump_factor if t >= jump_at[i] else 1.0)

    def mapped(i: int, t: float) -> float:
        value = size_at(i, t) / world.factor * float(np.exp(world.error * rng.standard_normal()))
        tracks.append((i, t * pace[i], value))
        return value

    for i in range(n):
        entry = float(rng.uniform(0.2, 0.6) * end[i]) if late[i] else 0.0
        found = monitored = False
        seen: list[tuple[int, float, bool]] = []
        for t in np.arange(begin[i], end[i], gap[i]):
            if not found:
                took_place = rng.random() >= world.untrue_looks
                if t > onset[i] and took_place:
                    a50 = world.a50 * np.exp(world.inspectors_log_sd * rng.standard_normal())
                    found = rng.random() < world.plateau / (1 + (a50 / size_at(i, t)) ** world.slope)
                seen.append((i, t, found))
                if found:
                    first[i] = mapped(i, t)
                    monitored = first[i] <= LIMIT and rng.random() < 0.6
                    if not monitored:
                        break
            elif mapped(i, t) > LIMIT:
                break
        if late[i]:
            # What was before the record began is not known; damage found before is not in it.
            if seen and seen[-1][2] and seen[-1][1] <= entry:
                continue
            seen = [row for row in seen if row[1] > entry]
            if len(seen) < 2 or seen[0][2]:
                continue
            entry = seen[0][1]
        looks += [(i, t * pace[i], hit, entry * pace[i]) for i, t, hit in seen]
    frame = pd.DataFrame(looks, columns=["life", "age", "found", "entry"])
    pooled = Histories.from_looks(frame)
    own = frame.loc[frame["life"] < setting.panels]
    histories = Histories.from_looks(own)
    return SimulatedRecords(
        histories=histories,
        pooled=pooled,
        first_size=np.array([first.get(int(life), np.nan) for life in pooled.life]),
        tracks=pd.DataFrame(tracks, columns=["track", "age", "diameter_mm"]),
        zone=zone[histories.life.astype(int)],
        zone_scale=zone_scale,
    )


def usages_of(world: World) -> list[Usage]:
    """Return the parts of a simulated fleet that fly alike.

    Parameters
    ----------
    world : World
        The truth.

    Returns
    -------
    list of Usage
        One part, or two of half the panels each.
    """
    half = 2.0 / (1.0 + world.ratio)
    if world.ratio == 1:
        return [Usage(name="all", share=1.0, clock_per_unit={"flight_hours": 1.0, "damage": 1.0})]
    return [
        Usage(name=name, share=0.5, clock_per_unit={"flight_hours": 1.0, "damage": pace})
        for name, pace in (("slow", half), ("fast", half * world.ratio))
    ]


def true_draws(world: World, scale: float | None = None) -> KindDraws:
    """Return a truth that the model can hold, in the form of one draw.

    Parameters
    ----------
    world : World
        The truth; what breaks the model is left out.
    scale : float, optional
        Another scale, such as a zone's [flight hours].

    Returns
    -------
    KindDraws
        One draw.
    """
    one = np.ones(1)
    return KindDraws(
        kind="damage",
        clock="damage",
        scale=(world.scale if scale is None else scale) * one,
        shape=world.shape * one,
        onset_median=world.onset_median * one,
        onset_log_sd=world.onset_log_sd * one,
        rate_median=world.rate * one,
        rate_log_sd=world.rate_log_sd * one,
        no_growth_share=world.still * one,
        form=np.full(1, world.form),
        pod=PodDraws(
            a50=world.a50 * one,
            slope=world.slope * one,
            plateau=world.plateau * one,
            far_side_share=0 * one,
            far_side_plateau=0 * one,
        ),
        restoration=0 * one,
        diagnostics={},
    )


def simulated_risk(world: World, *, panels: int = 120_000, seed: int = 9) -> dict[str, Floats]:
    """Simulate panels event by event under each repeat interval: the judge of worlds that break the model.

    Parameters
    ----------
    world : World
        The truth.
    panels : int
        Panels for each interval.
    seed : int
        Of the random numbers; the same damage meets every interval at first.

    Returns
    -------
    dict of str to ndarray, shape (n_repeats,)
        The worst mean exposure in a window of 10,000 hours, and the mean of preventable exceedances, per
        10,000 panel flight hours.
    """
    found = [_play(world, float(repeat), panels, seed) for repeat in REPEATS]
    return {name: np.array(column) for name, column in zip(MEASURES, zip(*found, strict=True), strict=True)}


def _play(world: World, repeat: float, panels: int, seed: int) -> tuple[float, float]:
    """Simulate panels under one repeat interval; return exposure and preventable exceedances."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 5]))
    pace = np.where(np.arange(panels) % 2, world.ratio, 1.0) * (2.0 / (1.0 + world.ratio))
    frailty = (
        rng.gamma(1 / world.frailty_variance, world.frailty_variance, panels)
        if world.frailty_variance > 0
        else np.ones(panels)
    )
    spread = rng.standard_normal(world.zones)
    zone_scale = world.scale * np.exp(world.zone_log_sd * (spread - spread.mean()))
    scale = zone_scale[np.arange(panels) % world.zones] / pace

    def begin(rows: np.ndarray, age: float) -> None:
        """Let new damage begin on panels that are new at an age."""
        m = rows.size
        onset[rows] = age + scale[rows] * (rng.exponential(size=m) / frailty[rows]) ** (1 / world.shape)
        size[rows] = world.onset_median * np.exp(world.onset_log_sd * rng.standard_normal(m))
        rate[rows] = world.rate * pace[rows] * np.exp(world.rate_log_sd * rng.standard_normal(m))
        rate[rows] *= rng.random(m) >= world.still
        largest[rows] = np.where(rng.random(m) < world.arrest_share, size[rows] * world.arrest_ratio, np.inf)
        jump_at[rows] = onset[rows] + _jump_delay(world, rng, m)
        within[rows] = size[rows] < LIMIT
        by_jump = np.maximum(jump_at[rows], onset[rows] + delay_to(rows, LIMIT / world.jump_factor))
        passes[rows] = np.minimum(onset[rows] + delay_to(rows, LIMIT), by_jump)

    def delay_to(rows: np.ndarray, limit: float) -> Floats:
        """Return how long after onset damage that does not jump reaches a size; inf where never."""
        way = limit - size[rows] if world.form == "linear" else np.log(limit / size[rows])
        with np.errstate(divide="ignore"):
            delay = np.where(way <= 0, 0.0, way / rate[rows])
        return np.where((largest[rows] < limit) & (way > 0), np.inf, delay)

    onset, size, rate, largest, jump_at, passes = (np.empty(panels) for _ in range(6))
    within = np.empty(panels, bool)
    begin(np.arange(panels), 0.0)
    looks = np.arange(FIRST, HORIZON, repeat)
    ends = np.concatenate([looks, [HORIZON]])
    sums, late, before = [0.0], 0.0, 0.0
    for m, end in enumerate(ends):
        sums.append(sums[-1] + float(np.maximum(end - np.maximum(passes, before), 0.0).sum()))
        late += float(((passes > before) & (passes <= end) & within).sum())
        if m < looks.size:
            there = np.flatnonzero(onset < end)
            since = end - onset[there]
            grown = (
                size[there] + rate[there] * since
                if world.form == "linear"
                else size[there] * np.exp(np.minimum(rate[there] * since, 50.0))
            )
            a50 = world.a50 * np.exp(world.inspectors_log_sd * rng.standard_normal(there.size))
            grown = np.minimum(grown, largest[there])
            grown *= np.where(end >= jump_at[there], world.jump_factor, 1.0)
            pod = world.plateau / (1 + (a50 / grown) ** world.slope)
            begin(there[rng.random(there.size) < pod], end)
        before = end
    ages = np.concatenate([[0.0], ends])
    exposure = 1e4 * worst_window(ages[1:], np.array(sums[1:])[None] / panels, window=1e4, horizon=HORIZON)[0]
    return float(exposure), 1e4 * late / panels / HORIZON


def _jump_delay(world: World, rng: np.random.Generator, n: int) -> Floats:
    """Draw how long after onset damage jumps; inf where it does not, and no number is drawn where none does."""
    if world.jump_share == 0:
        return np.full(n, np.inf)
    return np.where(rng.random(n) < world.jump_share, rng.exponential(world.jump_delay, n), np.inf)
