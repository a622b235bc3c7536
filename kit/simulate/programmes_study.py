"""Are present risk, forecast and comparison as sure as they say: fleets simulated event by event, before today and after.

Each fleet is drawn panel by panel: damage that begins, grows, is found or missed by each look, is repaired or left and
mapped again, and goes on after today under two programmes. The kit answers from the records alone. Nothing of the
kit's own walk is used by this simulation: the one judges the other. Run as
``python -m kit.simulate.programmes_study docs/programmes.md 200``.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.detection import DetectionCurve
from kit.findings import replace_text
from kit.life import Histories
from kit.numerics.typing import Floats
from kit.numerics.words import spelled
from kit.posterior import FoundSizes, KindDraws, KindEvidence, PodBelief, TrackGrowth, joint_draws
from kit.programmes import (
    LivingPanels,
    PanelLives,
    PanelUsage,
    count_limits,
    count_mass,
    events_of,
    present_chances,
    share_inside,
    simulate_programme,
    thinned,
)
from kit.simulate.confidence_worlds import SHAPE, World

LIMIT = 40.0
LEVEL = 0.90
PANELS, SISTERS = 300, 300
AHEAD_HOURS, PERIODS = 8_000.0, 4
"""Time after today that is simulated [flight hours], and the periods in which finds are counted."""
_PER_DAY = 8.0  # flight hours
_MONITORED = 0.6  # share of damage within the limit that is left and mapped again


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedPanels:
    """A fleet simulated up to today: what is on record, and what nobody knows.

    Parameters
    ----------
    looks : DataFrame
        One row a look of each life: life, age, found.
    tracks : DataFrame
        Repeat mappings: track, age, diameter_mm.
    first : dict of str to float
        Size at first find by life [mm].
    lives : PanelLives
        The panels of the group as they stand today, from the records.
    true_damage, true_beyond : ndarray of bool, shape (n_panels,)
        Whether damage that nobody found is there, and beyond the limit.
    gap, last : ndarray, shape (n_panels,)
        Spacing of the looks of each panel, and time since the last one [flight hours].
    state : list of dict
        Damage and luck of each panel from today on.
    """

    looks: pd.DataFrame
    tracks: pd.DataFrame
    first: dict[str, float]
    lives: PanelLives
    true_damage: np.ndarray
    true_beyond: np.ndarray
    gap: Floats
    last: Floats
    state: list[dict[str, object]]


def draw_world(seed: int, *, sizes_drawn: bool = False) -> World:
    """Draw the truth of one fleet from what the analyst states.

    Parameters
    ----------
    seed : int
        Of the random numbers.
    sizes_drawn : bool
        Whether the size at onset, too, is drawn from the weak priors that the kit has beside the finds.

    Returns
    -------
    World
        POD, size factor and shape differ from what is stated as much as the analyst says they may.
    """
    z = np.random.default_rng(np.random.SeedSequence([seed, 19])).standard_normal(6)
    plain = World(scale=40_000.0)
    if sizes_drawn:
        median, spread = FoundSizes.median_prior, FoundSizes.spread_prior
        plain = replace(
            plain,
            onset_median=median[0] * float(np.exp(median[1] * z[4])),
            onset_log_sd=spread[0] * float(np.exp(spread[1] * z[5])),
        )
    return replace(
        plain,
        a50=plain.a50 * float(np.exp(0.15 * z[0])),
        slope=plain.slope * float(np.exp(0.15 * z[1])),
        factor=float(np.exp(0.05 * z[2])),
        shape=plain.shape * float(np.exp(SHAPE.log_sd * z[3])),
    )


class _Panel:
    """One panel with its own random numbers, so that two programmes meet the same damage."""

    def __init__(self, world: World, rng: np.random.Generator) -> None:
        self.world, self.rng = world, rng
        self.begin(0.0)

    def begin(self, age: float) -> None:
        """Let the next damage begin on a panel that is new at an age."""
        w, rng = self.world, self.rng
        self.onset = age + w.scale * rng.exponential() ** (1 / w.shape)
        self.size = w.onset_median * np.exp(w.onset_log_sd * rng.standard_normal())
        rate = w.rate * np.exp(w.rate_log_sd * rng.standard_normal())
        self.rate = 0.0 if rng.random() < w.still else rate
        way = max(LIMIT - self.size, 0.0)
        self.passes = self.onset + (way / self.rate if self.rate > 0 else (0.0 if way == 0 else np.inf))

    def size_at(self, age: float) -> float:
        """Size at an age [mm]."""
        return self.size + self.rate * (age - self.onset)

    def finds(self, age: float) -> bool:
        """Whether a look finds what is there."""
        if self.onset >= age:
            return False
        w = self.world
        return bool(self.rng.random() < w.plateau / (1 + (w.a50 / self.size_at(age)) ** w.slope))


def simulate_records(world: World, seed: int) -> SimulatedPanels:
    """Simulate a fleet up to today.

    Parameters
    ----------
    world : World
        The truth.
    seed : int
        Of the random numbers.

    Returns
    -------
    SimulatedPanels
        Records and truth.
    """
    rows, tracks, first, state = [], [], {}, []
    start, now, known, since, looks_of = [], [], [], [], []
    damage, beyond, gaps, lasts = [], [], [], []
    for i in range(PANELS + SISTERS):
        rng = np.random.default_rng(np.random.SeedSequence([seed, 23, i]))
        panel = _Panel(world, rng)
        end, gap = float(rng.uniform(8_000.0, 40_000.0)), float(rng.uniform(3_000.0, 5_000.0))
        ages = np.arange(2_000.0 + gap * rng.random(), end, gap)
        life, born, monitored, seen = 0, 0.0, None, []

        def mapped(age: float, panel=panel, rng=rng, life_name=None) -> float:
            value = panel.size_at(age) / world.factor * float(np.exp(world.error * rng.standard_normal()))
            tracks.append((life_name, age, value))
            return value

        for age in ages:
            name = f"{i}/{life}"
            if monitored is not None:
                # The one damage that is known is mapped again; it is repaired once it is beyond the limit.
                size = mapped(age, life_name=name)
                monitored = (size, age)
                if size <= LIMIT:
                    continue
            else:
                found = panel.finds(age)
                rows.append((name, age - born, found))
                seen.append(age - born)
                if not found:
                    continue
                size = first[name] = mapped(age, life_name=name)
                if size <= LIMIT and rng.random() < _MONITORED:
                    monitored = (size, age)
                    continue
            panel.begin(age)
            life, born, monitored, seen = life + 1, float(age), None, []
        if i >= PANELS:
            continue
        last = float(end - ages[-1]) if ages.size else np.nan
        # A panel with known damage holds no other in this simulation; it is watched and not forecast.
        start.append(0.0)
        now.append(end - born)
        known.append(np.nan if monitored is None else monitored[0])
        since.append(0.0 if monitored is None else end - monitored[1])
        looks_of.append(seen)
        damage.append(monitored is None and panel.onset < end)
        beyond.append(monitored is None and panel.passes < end)
        gaps.append(gap)
        lasts.append(last)
        state.append({"panel": panel, "end": end, "monitored": monitored is not None})
    table = np.full((PANELS, max(map(len, looks_of))), np.nan)
    for row, seen in zip(table, looks_of, strict=True):
        row[: len(seen)] = seen
    lives = PanelLives(
        kind="damage",
        clock="flight_hours",
        start=np.array(start),
        now=np.array(now),
        looks=table,
        known_mm=np.array(known),
        known_since=np.array(since),
    )
    return SimulatedPanels(
        looks=pd.DataFrame(rows, columns=["life", "age", "found"]),
        tracks=pd.DataFrame(tracks, columns=["track", "age", "diameter_mm"]),
        first=first,
        lives=lives,
        true_damage=np.array(damage),
        true_beyond=np.array(beyond),
        gap=np.array(gaps),
        last=np.array(lasts),
        state=state,
    )


def simulate_ahead(simulated: SimulatedPanels, looks: Floats, *, seed: int) -> dict[str, Floats]:
    """Simulate the panels without known damage from today on under one programme.

    Parameters
    ----------
    simulated : SimulatedPanels
        The fleet today.
    looks : ndarray, shape (n_panels, n_most)
        Hours from today at which each is looked at; infinite where there are no more.
    seed : int
        Of the luck of looks and of the damage that comes later.

    Returns
    -------
    dict of str to ndarray, shape (n_periods,)
        Finds, exceedances and exposure by period.
    """
    ends = AHEAD_HOURS * np.arange(1, PERIODS + 1) / PERIODS
    out = {name: np.zeros(PERIODS) for name in ("finds", "exceedances", "exposure")}
    for i, (one, ages) in enumerate(zip(simulated.state, looks, strict=True)):
        if one["monitored"]:
            continue
        panel, end = one["panel"], one["end"]
        luck = np.random.default_rng(np.random.SeedSequence([seed, 29, i]))
        again = _Panel(panel.world, luck)
        again.onset, again.size, again.rate, again.passes = panel.onset, panel.size, panel.rate, panel.passes
        # Uniform numbers of the looks stand apart from those of later damage.
        dice = np.random.default_rng(np.random.SeedSequence([seed, 31, i])).random(64)
        before = end
        for age in [*(end + ages[np.isfinite(ages)]), end + AHEAD_HOURS]:
            stop = min(age, end + AHEAD_HOURS)
            if before < again.passes <= stop:
                out["exceedances"][min(int(np.searchsorted(ends, again.passes - end)), PERIODS - 1)] += 1
            for period, edge in enumerate(ends):
                low, high = end + edge - AHEAD_HOURS / PERIODS, end + edge
                spent = min(stop, high) - max(again.passes, before, low)
                out["exposure"][period] += max(spent, 0.0)
            if age < end + AHEAD_HOURS and again.onset < age:
                w = again.world
                chance = w.plateau / (1 + (w.a50 / again.size_at(age)) ** w.slope)
                # One number for each panel and look, by its time, so that programmes share the luck of shared looks.
                if dice[round((age - end) / AHEAD_HOURS * 63)] < chance:
                    out["finds"][min(int(np.searchsorted(ends, age - end)), PERIODS - 1)] += 1
                    again.begin(age)
            before = stop
    return out


def schedules(simulated: SimulatedPanels) -> tuple[Floats, Floats]:
    """Lay looks from today on: at the spacing that each panel has, and at twice that.

    Parameters
    ----------
    simulated : SimulatedPanels
        The fleet today.

    Returns
    -------
    present, proposed : ndarray, shape (n_panels, n_most)
        Hours from today; infinite where there are no more.
    """
    out = []
    for times in (1, 2):
        step = simulated.gap * times
        since = np.where(np.isfinite(simulated.last), simulated.last, 0.0)
        first = np.maximum(step - since, 10.0)
        looks = first[:, None] + step[:, None] * np.arange(4)
        out.append(np.where(looks < AHEAD_HOURS, looks, np.inf))
    return out[0], out[1]


def drawn(simulated: SimulatedPanels, seed: int, *, draws: int) -> KindDraws:
    """Answer from the records: joint draws.

    Parameters
    ----------
    simulated : SimulatedPanels
        The fleet today.
    seed, draws : int
        Draws and their seed.

    Returns
    -------
    KindDraws
        The central value first.
    """
    own = simulated.looks["life"].str.split("/").str[0].astype(int) < PANELS
    pooled = Histories.from_looks(simulated.looks, clock="flight_hours")
    stated = World()
    kind = KindEvidence(
        kind="damage",
        clock="flight_hours",
        histories=Histories.from_looks(simulated.looks.loc[own], clock="flight_hours"),
        shape_prior=SHAPE,
        growth=TrackGrowth.from_tracks(simulated.tracks, clock="flight_hours", forms=("linear",)),
        onset=FoundSizes(
            histories=pooled,
            diameter_mm=np.array([simulated.first.get(str(life), np.nan) for life in pooled.life]),
        ),
        pod=PodBelief(
            curve=DetectionCurve(stated.a50, stated.slope, stated.plateau), log_a50_sd=0.15, log_slope_sd=0.15
        ),
    )
    return joint_draws([kind], n=draws, seed=seed, log_size_factor_sd=0.05)[0]


def one_fleet(seed: int, *, draws: int = 128, sizes_drawn: bool = False) -> dict[str, object]:
    """Simulate one fleet, answer it and hold the answers against the truth.

    Parameters
    ----------
    seed : int
        Of fleet and answer.
    draws : int
        Joint draws.
    sizes_drawn : bool
        As for `draw_world`; then only what stands today is answered.

    Returns
    -------
    dict
        Of each answer whether its bounds hold the truth; sums of chances and of what was there. Empty where sizes are drawn
        such that the records cannot tell growth.
    """
    simulated = simulate_records(draw_world(seed, sizes_drawn=sizes_drawn), seed)
    try:
        made = drawn(simulated, seed, draws=draws)
    except ValueError:
        if not sizes_drawn:
            raise
        return {}  # damage all born beyond the limit is mapped once: what the records cannot answer is left out by them alone
    some = thinned(made, draws)
    free = np.flatnonzero(~np.isfinite(simulated.lives.known_mm))
    lives = simulated.lives.take(free)
    chances = present_chances(lives, some, limit=LIMIT, seed=seed)
    there = chances.damage.sum(axis=1)
    row: dict[str, object] = {
        "seed": seed,
        "k_hat": made.diagnostics["growth_k_hat"],
        "damage_median": float(np.median(there)),
        "damage_below": float(np.mean(there < simulated.true_damage[free].sum())),
    }
    for name, chance, truth in (
        ("damage", chances.damage, simulated.true_damage[free]),
        ("beyond", chances.beyond, simulated.true_beyond[free]),
    ):
        _, low, high = count_limits(chance[:, :, None], level=LEVEL)
        row |= {
            f"{name}_inside": _inside(truth.sum(), low[0], high[0]),
            f"{name}_even": _shared(chance[:, :, None], [truth.sum()]),
            f"{name}_said": float(chance.mean(axis=0).sum()),
            f"{name}_true": float(truth.sum()),
        }
        top = np.argsort(-chance.mean(axis=0), kind="stable")[: free.size // 10]
        row |= {
            f"{name}_top_said": float(chance.mean(axis=0)[top].mean()),
            f"{name}_top_true": float(truth[top].mean()),
            f"{name}_all_true": float(truth.mean()),
        }
    if sizes_drawn:
        return row
    living = _living(lives)
    usage = PanelUsage.of(living, None)
    ends = AHEAD_HOURS / _PER_DAY * np.arange(1, PERIODS + 1) / PERIODS
    both = [looks[free] for looks in schedules(simulated)]
    events = events_of([looks / _PER_DAY for looks in both], usage, ends)
    kinds, none = {"damage": some}, [{"damage": None}, {"damage": None}]
    by_panel, counted = simulate_programme(living, kinds, events, none, limit=LIMIT, seed=seed, by_panel=True)
    finds = by_panel["finds"][0]
    with_all = np.concatenate([finds, finds.sum(axis=2, keepdims=True)], axis=2)
    _, low, high = count_limits(with_all, level=LEVEL)
    now = replace(simulated, state=[simulated.state[i] for i in free])
    came = [simulate_ahead(now, looks, seed=seed) for looks in both]
    quarters = np.r_[came[0]["finds"], came[0]["finds"].sum()]
    row["finds_inside"] = _inside(quarters[-1], low[-1], high[-1])
    row["quarters_inside"] = float(
        np.mean([_inside(x, a, b) for x, a, b in zip(quarters[:-1], low, high, strict=False)])
    )
    row["quarters_even"] = _shared(with_all[:, :, :-1], quarters[:-1])
    row["finds_even"] = _shared(with_all[:, :, -1:], quarters[-1:])
    row |= {"finds_said": float(finds.sum(axis=(1, 2)).mean()), "finds_true": float(quarters[-1])}
    for name in ("finds", "exceedances", "exposure"):
        less = (counted[name][1] - counted[name][0]).sum(axis=1)
        truth = float((came[1][name] - came[0][name]).sum())
        low_d, high_d = np.quantile(less, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
        row |= {
            f"{name}_difference_inside": _inside(truth, low_d, high_d),
            f"{name}_difference_even": share_inside(
                float(np.mean(less < truth)), float(np.mean(less == truth)), level=LEVEL
            ),
            f"{name}_difference_said": float(less.mean()),
            f"{name}_difference_true": truth,
        }
    return row


def _inside(value: float, low: float, high: float) -> bool:
    """Tell whether bounds hold the value; both ends belong to them."""
    return bool(low <= value <= high)


def _shared(chances: Floats, truth: ArrayLike) -> float:
    """Share of some counts inside bounds of exactly the level, a count on a bound in part."""
    _, mass = count_mass(chances)
    shares = []
    for chance, value in zip(mass, np.asarray(truth, int), strict=True):
        at = float(chance[value]) if value < chance.size - 1 else 0.0  # the last entry is far out
        shares.append(share_inside(min(float(chance[:value].sum()), 1.0), at, level=LEVEL))
    return float(np.mean(shares))


def _living(lives: PanelLives) -> LivingPanels:
    """Put simulated panels in the form of a fleet's."""
    n = len(lives)
    names = [f"P{i}" for i in range(n)]
    frame = pd.DataFrame({"panel": names, "aircraft": names, "zone": "Z", "is_age_known": True})
    hours = np.full(n, _PER_DAY)
    return LivingPanels(
        frame=frame,
        lives={"damage": lives},
        since_look={},
        age={},
        per_day={"flight_hours": hours, "flight_cycles": hours, "calendar_days": np.ones(n)},
        left_out=pd.DataFrame(),
        cut_off=pd.Timestamp("2025-12-31"),
        group="simulated",
    )


def study(fleets: int, *, processes: int = 1, seed: int = 1, sizes_drawn: bool = False) -> pd.DataFrame:
    """Simulate and answer many fleets.

    Parameters
    ----------
    fleets : int
        How many.
    processes : int
        Processes side by side.
    seed : int
        Of the first fleet.
    sizes_drawn : bool
        As for `draw_world`.

    Returns
    -------
    DataFrame
        A row a fleet, as `one_fleet` gives it.
    """
    seeds, answered = range(seed, seed + fleets), partial(one_fleet, sizes_drawn=sizes_drawn)
    if processes == 1:
        return pd.DataFrame([row for row in map(answered, seeds) if row])
    with ProcessPoolExecutor(processes) as pool:
        return pd.DataFrame([row for row in pool.map(answered, seeds) if row])


def page(rows: pd.DataFrame, spread: pd.DataFrame | None = None) -> str:
    """Write the study down.

    Parameters
    ----------
    rows : DataFrame
        As `study` gives it.
    spread : DataFrame, optional
        The same of fleets whose size at onset was drawn from the weak priors.

    Returns
    -------
    str
        Markdown.
    """
    n = len(rows)
    error = np.sqrt(LEVEL * (1 - LEVEL) / n)
    lines = [
        "# Present risk, forecast and comparison against simulated fleets",
        "",
        f"Made by `python -m kit.simulate.programmes_study docs/programmes.md {n}`; do not edit by hand.",
        "",
        f"{n} fleets of {PANELS} panels (and {SISTERS} sisters for growth and size at onset) are simulated panel by panel up to a day, with "
        f"looks every 3,000 to 5,000 flight hours, and for {AHEAD_HOURS:,.0f} flight hours after it under two programmes: that spacing, "
        "and twice that. The kit answers from the records alone. a50, slope, size factor and Weibull shape are not what the "
        "analyst states but drawn from the spreads that the analyst states beside them.",
        "",
        f"Share of the fleets whose {LEVEL:.0%} bounds hold the truth; standard error {error:.1%} at {LEVEL:.0%}. Counts are whole "
        "numbers, and bounds of counts hold at least what they promise: where a count is near 1, much more. The third column asks whether "
        f"they are right all the same: of a count that a bound of exactly {LEVEL:.0%} would cut through, only that part counts as inside that the "
        f"bound needs to reach {LEVEL:.0%} (randomised probability integral transform; Czado, Gneiting and Held 2009, from memory). A right answer gives "
        f"{LEVEL:.0%} there whatever the size of the count.",
        "",
        "| answer | inside the bounds | inside, counts on a bound in part | said | true |",
        "| --- | --- | --- | --- | --- |",
    ]
    names = {
        "damage": "panels with unfound damage today",
        "beyond": "panels with unfound damage beyond the limit today",
        "finds": f"finds in {AHEAD_HOURS:,.0f} flight hours",
        "finds_difference": "difference of finds between the programmes",
        "exceedances_difference": "difference of exceedances",
        "exposure_difference": "difference of hours beyond the limit",
    }
    for key, words in names.items():
        said, true = rows[f"{key}_said"].mean(), rows[f"{key}_true"].mean()
        lines.append(
            f"| {words} | {rows[f'{key}_inside'].mean():.0%} | {_with_error(rows[f'{key}_even'])} | {said:,.1f} | {true:,.1f} |"
        )
    lines += [
        f"| finds in each of {PERIODS} periods | {rows['quarters_inside'].mean():.0%} | {_with_error(rows['quarters_even'])} | | |",
        "",
        "Of the tenth of the panels that the kit calls riskiest, the share that truly holds damage:",
        "",
        "| which | said | true | all panels |",
        "| --- | --- | --- | --- |",
    ]
    for key, words in (("damage", "unfound damage"), ("beyond", "unfound damage beyond the limit")):
        lines.append(
            f"| {words} | {rows[f'{key}_top_said'].mean():.1%} | {rows[f'{key}_top_true'].mean():.1%} | "
            f"{rows[f'{key}_all_true'].mean():.1%} |"
        )
    if spread is not None:
        lines += _why(rows, spread)
    return spelled("\n".join(lines) + "\n")


def _with_error(shares: pd.Series) -> str:
    """Write a mean share with its standard error over the fleets."""
    return f"{shares.mean():.1%} +- {shares.std() / np.sqrt(len(shares)):.1%}"


def _why(rows: pd.DataFrame, spread: pd.DataFrame) -> list[str]:
    """Say how much of what is said above the truth comes from the size at onset that the fleets were given."""
    lines = [
        "",
        "## Why more unfound damage is said than is there",
        "",
        "Damage that no look finds is small, and how small damage begins is told by few finds: its number is as sure as the size at "
        "onset. All fleets above were given one size at onset, which the kit does not know; those of the second line got theirs from the "
        f"weak priors that it has (median {FoundSizes.median_prior[0]:g} mm to a factor of e^{FoundSizes.median_prior[1]:g}, spread "
        f"{FoundSizes.spread_prior[0]:g} to a factor of e^{FoundSizes.spread_prior[1]:g}). A posterior that is right says as much as there is "
        "on average over fleets so drawn, and more or less than that in each single world. Fleets whose records cannot tell growth are left "
        "out of the second line.",
        "",
        "| size at onset | fleets | said (mean) | said (middle of the draws) | true | said less true | draws below the truth |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for words, some in (("one for all fleets", rows), ("drawn from the priors", spread)):
        gap, below = some["damage_said"] - some["damage_true"], some["damage_below"]
        root = np.sqrt(len(some))
        lines.append(
            f"| {words} | {len(some)} | {some['damage_said'].mean():.1f} | {some['damage_median'].mean():.1f} | "
            f"{some['damage_true'].mean():.1f} | {gap.mean():+.1f} +- {gap.std() / root:.1f} | {below.mean():.0%} +- {below.std() / root:.0%} |"
        )
    lines += [
        "",
        f"With the size at onset drawn, {LEVEL:.0%} bounds of the number today hold the truth, counts on a bound in part: "
        f"{_with_error(spread['damage_even'])} of the fleets, beyond the limit {_with_error(spread['beyond_even'])}.",
    ]
    gap = spread["damage_said"] - spread["damage_true"]
    error = gap.std() / np.sqrt(len(gap))
    lines += [
        "",
        f"With the size at onset drawn, what is said lies {gap.mean() / spread['damage_true'].mean():+.0%} from the truth, {abs(gap.mean()) / error:.1f} "
        "standard errors: "
        + (
            "no more than chance, so that the excess of the first line is the pull of the prior and the long upper tail of what few finds leave open."
            if abs(gap.mean()) < 2 * error
            else "more than chance, so that not all of the excess is the pull of the prior."
        ),
    ]
    return lines


if __name__ == "__main__":
    number = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    both = study(number, processes=2), study(number // 2, processes=2, seed=10_001, sizes_drawn=True)
    replace_text(Path(sys.argv[1]), page(*both))
