"""Is the stated confidence the delivered one: fleets drawn from known worlds, answered and judged.

Each fleet is drawn event by event: panels with their looks, damage that begins, grows, is found or
missed, is repaired or mapped again. The kit answers as it would for an operator; what its answer lets
through in truth comes from the world that the fleet was drawn from. Run as
``python -m kit.simulate.confidence docs/confidence.md 200 --processes 2``; broken off, it goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from kit.detection import DetectionCurve
from kit.findings import replace_text
from kit.intervals import ONSET_SPREAD, JointRisk, Study, Usage, worst_window
from kit.life import Histories
from kit.numerics.typing import Floats
from kit.posterior import (
    PRIORS,
    FoundSizes,
    KindDraws,
    KindEvidence,
    PodBelief,
    PodDraws,
    ShapePrior,
    TrackGrowth,
    joint_draws,
    zone_frailty,
)
from kit.simulate.progress import progress

LEVELS = (0.80, 0.90, 0.95)
MEASURES = ("exposure", "preventable")
FIRST, REPEAT, HORIZON, LIMIT = 10_000.0, 6_000.0, 40_000.0, 40.0
REPEATS = np.geomspace(1_200.0, 24_000.0, 17)
SHAPE = ShapePrior(median=2.0, log_sd=0.35, basis="stated in the study")
"""Prior of the shape that the analyst states."""


@dataclass(frozen=True, kw_only=True)
class World:
    """Truth that a fleet is drawn from; the analyst is told the defaults of what cannot be fitted.

    Parameters
    ----------
    scale, shape : float
        Weibull life [flight hours], [-].
    onset_median, onset_log_sd : float
        Size at onset [mm], [-].
    rate, rate_log_sd, still : float
        Growth [mm per flight hour] (or log size per flight hour), [-], [-].
    error : float
        Standard deviation of the log of one size [-].
    a50, slope, plateau : float
        POD.
    factor : float
        True size over size as mapped [-].
    form : str
        Form of growth.
    inspectors_log_sd : float
        Spread of the log of a50 between looks [-].
    arrest_share, arrest_ratio : float
        Share of damage that stops growing, and at how many times its size at onset [-].
    frailty_variance : float
        Variance of a gamma frailty between panels [-].
    zones, zone_log_sd : int, float
        Zones pooled, and the log standard deviation of their scales [-].
    ratio : float
        Units of the damage's clock per flight hour of half of the panels; the others fly 1 [-].
    late_share : float
        Share of panels whose early looks are not on record [-].
    untrue_looks : float
        Share of clean looks on record that did not take place [-].
    jump_share, jump_factor : float
        Share of damage that becomes larger at once, and how many times as large [-].
    jump_delay : float
        Mean of the exponential time from onset to the jump [flight hours].
    """

    scale: float = 50_000.0
    shape: float = 2.0
    onset_median: float = 18.0
    onset_log_sd: float = 0.40
    rate: float = 0.0025
    rate_log_sd: float = 0.6
    still: float = 0.2
    error: float = 0.15
    a50: float = 20.0
    slope: float = 4.0
    plateau: float = 0.97
    factor: float = 1.0
    form: str = "linear"
    inspectors_log_sd: float = 0.0
    arrest_share: float = 0.0
    arrest_ratio: float = np.inf
    frailty_variance: float = 0.0
    zones: int = 1
    zone_log_sd: float = 0.0
    ratio: float = 1.0
    late_share: float = 0.0
    untrue_looks: float = 0.0
    jump_share: float = 0.0
    jump_factor: float = 3.0
    jump_delay: float = 8_000.0


@dataclass(frozen=True, kw_only=True)
class Setting:
    """A world with an amount of evidence.

    Parameters
    ----------
    name : str
        In words.
    panels, sisters : int
        Panels of the group, and of others that are pooled for growth and size at onset.
    world : World
        The truth.
    known : bool
        Whether POD, size factor and shape are exactly what is stated; otherwise each fleet has its own,
        drawn from the stated spreads.
    spreads : tuple of float
        What the analyst states, as a trial may leave it: standard deviations of the logs of a50, slope and
        size factor [-].
    drawn : bool
        Whether the form of growth, the spreads of rates and of sizes at onset and the share that stands still differ from
        fleet to fleet as the weak priors say; otherwise they are those of the world, near the middle of these priors.
    """

    name: str
    panels: int
    sisters: int
    world: World = World()
    known: bool = False
    spreads: tuple[float, float, float] = (0.15, 0.15, 0.05)
    drawn: bool = False


OWN = (
    Setting(name="3 finds", panels=19, sisters=330),
    Setting(name="16 finds", panels=100, sisters=300),
    Setting(
        name="16 finds, POD and size factor known",
        panels=100,
        sisters=300,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="48 finds", panels=298, sisters=0),
    Setting(
        name="48 finds, POD and size factor known",
        panels=298,
        sisters=0,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="150 finds", panels=930, sisters=1060),
    Setting(
        name="150 finds, POD and size factor known",
        panels=930,
        sisters=1060,
        known=True,
        spreads=(0.0, 0.0, 0.0),
    ),
    Setting(name="16 finds, all drawn", panels=100, sisters=300, drawn=True),
    Setting(name="150 finds, all drawn", panels=930, sisters=1060, drawn=True),
)
"""Worlds as the model has them."""

BROKEN = tuple(
    replace(setting, known=True, spreads=(0.2, 0.2, 0.1))
    for setting in (
        Setting(name="a50 30 % larger than stated", panels=100, sisters=300, world=World(a50=26.0)),
        Setting(name="sizes 14 % understated, untold", panels=100, sisters=300, world=World(factor=1.163)),
        Setting(name="inspectors differ (.5)", panels=100, sisters=300, world=World(inspectors_log_sd=0.5)),
        Setting(
            name="half of the damage stops at 2.2 times its size",
            panels=100,
            sisters=300,
            world=World(arrest_share=0.5, arrest_ratio=2.2),
        ),
        Setting(name="frailty, variance 1", panels=100, sisters=300, world=World(frailty_variance=1.0)),
        Setting(
            name="growth in proportion to size",
            panels=100,
            sisters=300,
            world=World(form="proportional", rate=0.0025 / 25),
        ),
        Setting(
            name="four zones pooled, log sd .4",
            panels=120,
            sisters=300,
            world=World(zones=4, zone_log_sd=0.4),
        ),
        Setting(name="two subtypes, clocks 0.4 and 1.6", panels=100, sisters=300, world=World(ratio=4.0)),
        Setting(name="left truncation, 40 %", panels=100, sisters=300, world=World(late_share=0.4)),
        Setting(name="2 % of clean looks not done", panels=100, sisters=300, world=World(untrue_looks=0.02)),
        Setting(
            name="a tenth of the damage jumps to 3 times its size",
            panels=100,
            sisters=300,
            world=World(jump_share=0.1),
        ),
    )
)
"""Worlds that break the model, under the spreads that the kit takes where nobody states any."""


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


def world_of(setting: Setting, seed: int) -> World:
    """Return the truth of one fleet.

    Parameters
    ----------
    setting : Setting
        World and what differs from fleet to fleet.
    seed : int
        Of the fleet.

    Returns
    -------
    World
        With its own POD, size factor and shape unless they are known, and more where all is drawn.
    """
    world = setting.world
    rng = np.random.default_rng(np.random.SeedSequence([seed, 17]))
    z = rng.standard_normal(8)
    if not setting.known:
        world = replace(
            world,
            a50=world.a50 * float(np.exp(setting.spreads[0] * z[0])),
            slope=world.slope * float(np.exp(setting.spreads[1] * z[1])),
            factor=world.factor * float(np.exp(setting.spreads[2] * z[2])),
            shape=world.shape * float(np.exp(SHAPE.log_sd * z[3])),
        )
    if setting.drawn:
        rates, still = PRIORS["rate_log_sd"], PRIORS["no_growth_share"]
        proportional = z[7] > 0
        world = replace(
            world,
            rate_log_sd=rates[0] * float(np.exp(rates[1] * z[4])),
            onset_log_sd=ONSET_SPREAD[0] * float(np.exp(ONSET_SPREAD[1] * z[5])),
            still=float(expit(logit(still[0]) + still[1] * z[6])),
            form="proportional" if proportional else "linear",
            rate=world.rate / 25.0 if proportional else world.rate,
        )
    return world


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


def risks_by_repeat(risk: JointRisk, **which: object) -> dict[str, Floats]:
    """Work out both measures for every repeat interval of the study.

    Parameters
    ----------
    risk : JointRisk
        Of the group.
    **which
        As `JointRisk.values` takes them: part, multipliers.

    Returns
    -------
    dict of str to ndarray, shape (n_repeats, n_draws)
        Exposure in the worst window, and mean preventable exceedances.
    """
    return {
        name: np.array(
            [
                risk.values(name, first=FIRST, repeat=float(r), worst=name == "exposure", **which)
                for r in REPEATS
            ]
        )
        for name in MEASURES
    }


def risks_of(kinds: Sequence[KindDraws], world: World, *, samples: int, seed: int) -> JointRisk:
    """Prepare the risk of schedules under draws.

    Parameters
    ----------
    kinds : sequence of KindDraws
        Draws.
    world : World
        For the use of the fleet.
    samples, seed : int
        As for `JointRisk.prepare`.

    Returns
    -------
    JointRisk
        Of the group.
    """
    return JointRisk.prepare(
        kinds,
        usages=usages_of(world),
        clock="flight_hours",
        limit=LIMIT,
        horizon=HORIZON,
        seed=seed,
        samples=samples,
    )


def longest_repeat(risk: Floats, target: float) -> float:
    """Return the longest repeat up to which all meet a target, by straight lines in the logs.

    Parameters
    ----------
    risk : ndarray, shape (n_repeats,)
        Risk at `REPEATS`.
    target : float
        What it may reach.

    Returns
    -------
    float
        Repeat interval; the shortest of the study where not even that meets it [flight hours].
    """
    rising = np.maximum.accumulate(np.log(risk)) + 1e-9 * np.arange(risk.size)
    return float(np.exp(np.interp(np.log(target), rising, np.log(REPEATS))))


def at_repeat(risk: Floats, repeat: float) -> float:
    """Return the risk of a repeat interval between those of the study.

    Parameters
    ----------
    risk : ndarray, shape (n_repeats,)
        Risk at `REPEATS`.
    repeat : float
        Repeat interval [flight hours].

    Returns
    -------
    float
        By straight lines in the logs.
    """
    return float(np.exp(np.interp(np.log(repeat), np.log(REPEATS), np.log(risk))))


def one_fleet(setting: Setting, seed: int, *, draws: int = 512, samples: int = 96) -> list[dict[str, object]]:
    """Draw one fleet, answer it and hold the answers against the truth.

    Parameters
    ----------
    setting : Setting
        World and evidence.
    seed : int
        Of fleet and answer.
    draws, samples : int
        Joint draws, and samples of damage for each.

    Returns
    -------
    list of dict
        One row for each measure and for the mean and the worst zone: asked level to whether the truth
        meets the target and to the length of the interval over the oracle's; whether the band holds, and how many
        standard deviations of the draws the log of the true risk is off their mean; seconds of processor time.
    """
    begin = time.process_time()
    world = world_of(setting, seed)
    records = draw_records(setting, world, seed)
    stated = World()
    kind = KindEvidence(
        kind="damage",
        clock="damage",
        histories=records.histories,
        shape_prior=SHAPE,
        growth=TrackGrowth.from_tracks(records.tracks, clock="damage", forms=("linear", "proportional")),
        onset=FoundSizes(histories=records.pooled, diameter_mm=records.first_size),
        pod=PodBelief(
            curve=DetectionCurve(stated.a50, stated.slope, stated.plateau),
            log_a50_sd=setting.spreads[0],
            log_slope_sd=setting.spreads[1],
        ),
    )
    kinds = joint_draws([kind], n=draws, seed=seed, log_size_factor_sd=setting.spreads[2])
    risk = risks_of(kinds, world, samples=samples, seed=seed)
    answers = {"mean": risks_by_repeat(risk)}
    truths = {"mean": _truth(setting, world)}
    if world.zones > 1:
        answers["worst zone"] = _worst_zone(kinds[0], kind, records, risk, seed=seed)
        each = [
            risks_by_repeat(risks_of([true_draws(world, s)], world, samples=8192, seed=4))
            for s in records.zone_scale
        ]
        truths["worst zone"] = {name: np.max([e[name][:, 0] for e in each], axis=0) for name in MEASURES}
        truths["mean"] = {name: np.mean([e[name][:, 0] for e in each], axis=0) for name in MEASURES}
    if world.ratio != 1:
        answers["busiest part"] = risks_by_repeat(risk, part="fast")
        whole = risks_of([true_draws(world)], world, samples=8192, seed=4)
        truths["busiest part"] = {k: v[:, 0] for k, v in risks_by_repeat(whole, part="fast").items()}
        truths["mean"] = {k: v[:, 0] for k, v in risks_by_repeat(whole).items()}
    rows = []
    for whose, answer in answers.items():
        for name in MEASURES:
            truth = truths[whose][name]
            target = at_repeat(truth, REPEAT)
            row: dict[str, object] = {
                "setting": setting.name,
                "whose": whose,
                "measure": name,
                "finds": records.histories.n_finds,
                "tracks": kinds[0].diagnostics["tracks"],
                "k_hat": kinds[0].diagnostics["growth_k_hat"],
            }
            for level in LEVELS:
                repeat = longest_repeat(np.quantile(answer[name][:, 1:], level, axis=1), target)
                row[f"delivered_{level:.2f}"] = at_repeat(truth, repeat) <= target * (1 + 1e-6)
                row[f"ratio_{level:.2f}"] = repeat / REPEAT
            here = int(np.argmin(np.abs(np.log(REPEATS / REPEAT))))
            low, high = np.quantile(answer[name][here, 1:], [0.05, 0.95])
            row["band"] = bool(low <= truth[here] <= high)
            logs = np.log(answer[name][here, 1:])
            row["off"] = float((np.log(truth[here]) - logs.mean()) / logs.std())
            rows.append(row | {"seconds": time.process_time() - begin})
    return rows


_SIMULATED: dict[World, dict[str, Floats]] = {}


def _truth(setting: Setting, world: World) -> dict[str, Floats]:
    """Return the true risk at each repeat: simulated where the model cannot hold the world."""
    plain = replace(
        world,
        inspectors_log_sd=0.0,
        arrest_share=0.0,
        frailty_variance=0.0,
        late_share=0.0,
        untrue_looks=0.0,
        jump_share=0.0,
    )
    breaks = replace(world, late_share=0.0, untrue_looks=0.0) != plain
    if not breaks:
        whole = risks_of([true_draws(world)], world, samples=8192, seed=4)
        return {name: value[:, 0] for name, value in risks_by_repeat(whole).items()}
    key = replace(world, late_share=0.0, untrue_looks=0.0)
    if key not in _SIMULATED:
        _SIMULATED[key] = simulated_risk(key)
    return _SIMULATED[key]


def _worst_zone(
    draws: KindDraws, kind: KindEvidence, records: SimulatedRecords, risk: JointRisk, *, seed: int
) -> dict[str, Floats]:
    """Return the risk of the zone that is worst in each draw."""
    multipliers = zone_frailty(draws, kind, records.zone, seed=seed).multiplier
    each = [risks_by_repeat(risk, multipliers={draws.kind: column}) for column in multipliers.T]
    return {name: np.max([e[name] for e in each], axis=0) for name in MEASURES}


def study(
    settings: Sequence[Setting],
    fleets: int,
    *,
    processes: int = 1,
    seed: int = 1,
    draws: int = 512,
    kept: Path | None = None,
    so_far: bool = False,
) -> pd.DataFrame:
    """Answer many simulated fleets.

    Parameters
    ----------
    settings : sequence of Setting
        Worlds and evidence.
    fleets : int
        Fleets of each.
    processes : int
        Processes that share the work; the answer does not depend on it.
    seed, draws : int
        First seed, and joint draws of each answer.
    kept : Path, optional
        File to which each fleet is added as soon as it is answered, and from which a run that was broken off goes on.
        Fleets are known by all that makes them but the kit's version: delete it after a change of the kit.
    so_far : bool
        Whether to take what is kept and answer no more.

    Returns
    -------
    DataFrame
        The rows of `one_fleet`.
    """
    work = [(setting, seed + k, draws) for setting in settings for k in range(fleets)]
    done: dict[str, list[dict[str, object]]] = {}
    if kept is not None and kept.exists():
        lines = kept.read_text(encoding="utf-8").splitlines(keepends=True)
        if lines and not lines[-1].endswith("\n"):  # that of a run that was broken off while it wrote
            replace_text(kept, "".join(lines[:-1]))
        for one in (json.loads(line) for line in lines if line.endswith("\n")):
            done[one["fleet"]] = one["rows"]
    if so_far:
        work = [job for job in work if repr(job) in done]
    left = [job for job in work if repr(job) not in done]

    def take(answered: Iterable[list[dict[str, object]]]) -> None:
        for job, rows in zip(left, progress(answered, "fleets", total=len(left)), strict=True):
            done[repr(job)] = rows
            if kept is not None:
                with kept.open("a", encoding="utf-8") as file:
                    file.write(json.dumps({"fleet": repr(job), "rows": rows}, default=_plain) + "\n")

    if processes == 1:
        take(map(_one, left))
    else:
        with ProcessPoolExecutor(processes) as pool:
            take(pool.map(_one, left))
    return pd.DataFrame([row for job in work for row in done[repr(job)]])


def _plain(value: object) -> object:
    """Return a number of numpy as one that JSON knows."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"{type(value).__name__} is not expected in a row")


def _one(job: tuple[Setting, int, int]) -> list[dict[str, object]]:
    setting, seed, draws = job
    try:
        return one_fleet(setting, seed, draws=draws)
    except ValueError as error:
        return [{"setting": setting.name, "whose": "none", "measure": "none", "refused": str(error)[:60]}]


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    """Summarise a study.

    Parameters
    ----------
    rows : DataFrame
        As `study` gives them.

    Returns
    -------
    DataFrame
        One row for each setting, measure and whose risk: fleets answered and refused, mean finds and
        tracks, delivered confidence at each level, share of bands that hold the truth, the root mean square of how many
        standard deviations of the draws the truth is off, the median interval over the oracle's, and mean seconds.
    """
    out = []
    for (setting, whose, measure), part in rows.loc[rows["whose"] != "none"].groupby(
        ["setting", "whose", "measure"], sort=False
    ):
        row = {"setting": setting, "whose": whose, "measure": measure, "fleets": len(part)}
        row["refused"] = int(((rows["setting"] == setting) & (rows["whose"] == "none")).sum())
        row |= {"finds": part["finds"].mean(), "tracks": part["tracks"].astype(float).mean()}
        row |= {f"delivered_{level:.2f}": part[f"delivered_{level:.2f}"].mean() for level in LEVELS}
        row |= {"band": part["band"].mean(), "ratio": part["ratio_0.95"].median()}
        row |= {"off": float(np.sqrt((part["off"] ** 2).mean())), "seconds": part["seconds"].mean()}
        out.append(row)
    return pd.DataFrame(out)


_LEAD = """# Stated and delivered confidence

Made by `python -m kit.simulate.confidence docs/confidence.md {fleets}`{so_far}; do not edit by hand.

The kit promises that a recommended interval meets its target in a stated share of joint draws. This page says in
which share of simulated fleets it met the target **in truth**. Each fleet is drawn event by event: panels with looks
every 3,000 to 5,000 flight hours, damage that begins, grows, is found or missed, is repaired when found beyond the
limit of 40 mm, else in 60 % of cases left and mapped again. The kit answers from the records alone, with 512 joint
draws; the target is the true risk of a first look at 10,000 and a repeat of 6,000 flight hours, so that an oracle that
knew the truth would answer 6,000. Growth is fitted in two forms (straight, and in proportion to size) and averaged by
their evidence.

- **delivered**: share of fleets whose recommended repeat meets the target in truth, for each share of draws asked.
  Standard error where 95 % are delivered: {error:.1%} for {least} fleets, the fewest of a world below, 2.2 % for 100, 1.5 % for 200.
- **band**: share of fleets whose 5 to 95 % band of the risk of a fixed schedule (10,000 and about 6,000) holds the truth.
- **off**: root mean square of how far the log of the true risk of that schedule is off the mean of the draws, in their standard
  deviations: 1 where the draws are as wide as they should be, less where they are wider.
- **interval**: median recommended repeat at 95 % of draws, over the 6,000 of the oracle.
- **refused**: fleets that the kit does not answer, for want of damage mapped twice (fewer than five): their growth has to
  be stated.

Exposure is held against its worst window of 10,000 flight hours; preventable exceedances against their mean over 40,000.
Damage beyond the limit counts as found no more surely than damage at it, and panels that are damaged and unfound as open
to further damage: both err to the safe side, the more the longer the interval.

"""

_OWN_WORDS = """## Worlds as the model has them

In each fleet a50, slope, size factor and Weibull shape are not what the analyst states but drawn from the spreads that
the analyst states beside them (log a50 and log slope 0.15, log size factor 0.05, log shape 0.35). Form of growth, spread of
rates and of sizes at onset, and the share that stands still are the same in every fleet and lie near the middle of the weak
priors, so that bands hold the truth more often than they say. In the last two worlds they are drawn from these priors as well: there
the bands are judged.

The oracle of the column *interval* knows the POD and the size factor. No number of finds tells them (nothing but a trial does), so that under a
stated spread the interval stays short of the oracle's: the worlds in which both are known show what finds and mappings alone
leave open, and the difference between the two rows is what a better trial is worth. With 150 finds, what is worked out for single draws with 96
samples of damage adds 10 to 19 % to the spread of the draws where POD and size factor are known, and hardly anything where they are not (two fleets).

"""

_BROKEN_WORDS = """## Worlds that break the model

Here the truth is off in one way that the analyst does not know of; the analyst states the spreads that the kit takes
where nobody states any (log a50 and log slope 0.2, log size factor 0.1). Where the world is not one that the model can
hold, the truth is simulated event by event with 120,000 panels for each interval.

"""


def page(own: pd.DataFrame, broken: pd.DataFrame, fleets: int, *, so_far: bool = False) -> str:
    """Write the study as a page.

    Parameters
    ----------
    own, broken : DataFrame
        Summaries of both kinds of worlds.
    fleets : int
        Fleets of each that were asked for.
    so_far : bool
        Whether the study is not at its end.

    Returns
    -------
    str
        Markdown.
    """
    found = measured(own, broken)
    least = min(found.own_fleets, found.broken_fleets)
    text = _LEAD.format(
        fleets=fleets,
        so_far=", which is not at its end: the column *fleets* says how far it has come" if so_far else "",
        least=least,
        error=float(np.sqrt(0.95 * 0.05 / least)),
    )
    said = found.words()
    text += f"**In short**: {said}.\n\n"
    return text + _OWN_WORDS + _rows(own) + "\n" + _BROKEN_WORDS + _rows(broken)


def measured(own: pd.DataFrame, broken: pd.DataFrame) -> Study:
    """Return the figures that answers quote.

    Parameters
    ----------
    own, broken : DataFrame
        Summaries of both kinds of worlds.

    Returns
    -------
    Study
        Of 95 % of the draws, rounded as the page shows them.
    """
    ends = [
        (round(float(t["delivered_0.95"].min()), 2), round(float(t["delivered_0.95"].max()), 2))
        for t in (own, broken)
    ]
    numbers = [int((t["fleets"] + t["refused"]).min()) for t in (own, broken)]
    return Study(own_fleets=numbers[0], broken_fleets=numbers[1], own=ends[0], broken=ends[1])


def _rows(table: pd.DataFrame) -> str:
    head = (
        "| world | whose risk | measure | fleets | finds | tracks | refused | delivered at 80 % | at 90 % | at 95 % | band | off | interval |\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n"
    )
    lines = []
    for row in table.to_dict("records"):
        shares = " | ".join(f"{row[f'delivered_{level:.2f}']:.0%}" for level in LEVELS)
        lines.append(
            f"| {row['setting']} | {row['whose']} | {row['measure']} | {row['fleets'] + row['refused']:.0f} | {row['finds']:.0f} | {row['tracks']:.0f} | "
            f"{row['refused']} | {shares} | {row['band']:.0%} | {row['off']:.2f} | {row['ratio']:.2f} |\n"
        )
    return head + "".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Write the page to a file; broken off, it goes on where it was when it is started again.

    Parameters
    ----------
    arguments : sequence of str, optional
        Of the command line.
    """
    parser = argparse.ArgumentParser(prog="python -m kit.simulate.confidence", description=main.__doc__)
    parser.add_argument("target", type=Path, help="file to write")
    parser.add_argument(
        "fleets",
        type=int,
        nargs="?",
        default=200,
        help="of each world as the model has them; half of the others",
    )
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--so-far", action="store_true", help="write the page from what is kept, and answer no more fleets"
    )
    asked = parser.parse_args(arguments)
    kept = asked.target.with_suffix(".kept.jsonl")
    own, broken = (
        summary(study(settings, number, processes=asked.processes, kept=kept, so_far=asked.so_far))
        for settings, number in ((OWN, asked.fleets), (BROKEN, max(asked.fleets // 2, 1)))
    )
    replace_text(asked.target, page(own, broken, asked.fleets, so_far=asked.so_far))
    if not asked.so_far:
        kept.unlink(missing_ok=True)
    seconds = pd.concat([own, broken]).groupby("setting", sort=False)["seconds"].first().round(1)
    sys.stdout.write(f"Seconds of one fleet\n{seconds.to_string()}\n")
    sys.stdout.write(f"Quoted by answers: set `kit.intervals.covered.MEASURED` to {measured(own, broken)}\n")


if __name__ == "__main__":
    main()
