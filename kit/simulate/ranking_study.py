"""Is a ranking fooled: true worst zones found by each way to rank, and how far chances of being among them are right.

Run as ``python -m kit.simulate.ranking_study docs/ranking.md [FLEETS]``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from kit.cautions import CAUTIONS
from kit.detection import DetectionCurve
from kit.findings import replace_text
from kit.growth import Growth, SizeDetection
from kit.numerics.gamma_poisson import fit_gamma_poisson
from kit.numerics.typing import Floats
from kit.ranking import RankDraws, expected_damage, shrink, watches_from_looks

WORST = 3
"""Zones that are looked for."""

METHODS = ("raw count", "raw rate", "rate per look", "plain shrinkage", "expected against found")
"""Ways to rank; the last one is the kit's."""

HORIZON = 40_000.0  # flight hours that the oldest aircraft has flown
GROWTH = Growth(18.0, 0.45, 2.6e-3, 0.6, 0.2)


@dataclass(frozen=True, kw_only=True)
class World:
    """A kind of fleet.

    Parameters
    ----------
    name : str
        What is distinguished.
    zones, aircraft : int
        How many.
    finds : float
        Finds of an average zone on all aircraft, roughly [-].
    spread : float
        Coefficient of variation of the true multipliers between zones [-].
    unequal : bool
        Whether zones are on few or many aircraft, and tapped seldom or often.
    pod_differs : bool
        Whether skins are thin, middling or thick, and so POD by zone.
    false_calls : float
        False calls per look [-].
    log_normal : bool
        Whether true multipliers are log-normal, which the ranking takes as gamma.
    """

    name: str
    zones: int = 25
    aircraft: int = 36
    finds: float = 20.0
    spread: float = 0.6
    unequal: bool = False
    pod_differs: bool = False
    false_calls: float = 0.0
    log_normal: bool = False


WORLDS = (
    World(name="equal exposure, one POD"),
    World(name="unequal exposure, one POD", unequal=True),
    World(name="equal exposure, POD by zone", pod_differs=True),
    World(name="unequal exposure, POD by zone", unequal=True, pod_differs=True),
    World(name="few finds, unequal, POD by zone", finds=5.0, unequal=True, pod_differs=True),
    World(
        name="false calls, unequal, POD by zone, log-normal",
        unequal=True,
        pod_differs=True,
        false_calls=0.004,
        log_normal=True,
    ),
)
"""The worlds of the study."""

SKINS = (
    DetectionCurve(20.0, 4.0, 0.97, 0.15, 0.10),
    DetectionCurve(25.0, 3.7, 0.96, 0.15, 0.10),
    DetectionCurve(40.0, 3.3, 0.90, 0.30, 0.10),
)
_LOG_A50_SD = 0.1  # how wrong the stated a50 of each skin is, and is said to be
_SEED_ANEW = 20270131
_SETS = 8  # draws of the PODs that the ranking works with


@dataclass(frozen=True, eq=False, kw_only=True)
class SimulatedZones:
    """Looks and finds of the zones of one simulated fleet, and what is true of them.

    Parameters
    ----------
    true_rate : ndarray, shape (n_zones,)
        Damages that arise for an hour flown, over the mean of the zones [-].
    skin : ndarray of int, shape (n_zones,)
        Class of the skin.
    life_zone : ndarray of int, shape (n_lives,)
        Zone of each panel.
    look_life : ndarray of int, shape (n_looks,)
        Panel of each look.
    look_age : ndarray, shape (n_looks,)
        Its age [flight hours].
    found, false_found : ndarray, shape (n_zones,)
        Finds, and the false calls among them [-].
    hours : ndarray, shape (n_zones,)
        Panel flight hours.
    level : float
        Damages of an average panel by the horizon [-].
    """

    true_rate: Floats
    skin: np.ndarray
    life_zone: np.ndarray
    look_life: np.ndarray
    look_age: Floats
    found: Floats
    false_found: Floats
    hours: Floats
    level: float


def simulate_zones(world: World, rng: np.random.Generator) -> SimulatedZones:
    """Simulate damage and looks of one fleet event by event.

    Parameters
    ----------
    world : World
        What kind of fleet.
    rng : Generator
        Of the random numbers.

    Returns
    -------
    SimulatedZones
        Damage arises as a Poisson process whose rate rises with age, has a size, grows, and is found by the first
        look that does not miss it.
    """
    n = world.zones
    if world.log_normal:
        sd = np.sqrt(np.log1p(world.spread**2))
        true = np.exp(rng.normal(-(sd**2) / 2, sd, n))
    else:
        true = rng.gamma(1 / world.spread**2, world.spread**2, n)
    skin = rng.permutation(np.arange(n) % 3) if world.pod_differs else np.zeros(n, int)
    aircraft = np.full(n, world.aircraft)
    repeat = np.full(n, 4500.0)
    if world.unequal:
        aircraft = np.maximum(2, np.rint(world.aircraft * np.exp(rng.normal(-0.35, 0.8, n)))).astype(int)
        repeat = rng.choice([2250.0, 4500.0, 9000.0], n)
    age_now = HORIZON * rng.uniform(0.4, 1.0, aircraft.max())
    zone = np.repeat(np.arange(n), aircraft)
    plane = np.concatenate([np.arange(m) for m in aircraft])
    end = age_now[plane]
    most = int(np.ceil(HORIZON / 2000.0))
    step = repeat[zone, None] * rng.uniform(0.85, 1.1, (zone.size, most))
    ages = np.cumsum(step, axis=1)
    ages[ages > end[:, None]] = np.nan
    # The mean number of damages of a panel is set so that an average zone shows about `finds`.
    shape = 2.0
    typical = np.mean((age_now / HORIZON) ** shape)
    level = world.finds / (0.65 * world.aircraft * typical)
    mean = level * true[zone] * (end / HORIZON) ** shape
    owner = np.repeat(np.arange(zone.size), rng.poisson(mean))
    onset = end[owner] * rng.random(owner.size) ** (1 / shape)
    start = GROWTH.onset_median * np.exp(GROWTH.onset_log_sd * rng.standard_normal(owner.size))
    rate = GROWTH.rate_median * np.exp(GROWTH.rate_log_sd * rng.standard_normal(owner.size))
    rate[rng.random(owner.size) < GROWTH.no_growth_share] = 0.0
    delay = ages[owner] - onset[:, None]
    size = start[:, None] + rate[:, None] * np.maximum(delay, 0.0)
    a50, slope, plateau, far_share, far = (
        np.array([getattr(curve, name) for curve in SKINS])[skin[zone[owner]]]
        for name in ("a50", "slope", "plateau", "far_side_share", "far_side_plateau")
    )
    best = np.where(rng.random(owner.size) < far_share, far, plateau)
    pod = best[:, None] / (1 + (a50[:, None] / size) ** slope[:, None])
    hit = (rng.random(pod.shape) < pod) & (delay > 0)
    found = np.bincount(zone[owner], weights=hit.any(axis=1), minlength=n)
    looked = np.isfinite(ages)
    looks = np.bincount(zone, weights=looked.sum(axis=1), minlength=n)
    false = rng.poisson(world.false_calls * looks).astype(float)
    return SimulatedZones(
        true_rate=true,
        skin=skin,
        life_zone=zone,
        look_life=np.repeat(np.arange(zone.size), looked.sum(axis=1)),
        look_age=ages[looked],
        found=found + false,
        false_found=false,
        hours=np.bincount(zone, weights=end, minlength=n),
        level=float(level),
    )


def _expected(fleet: SimulatedZones, curves: list[DetectionCurve], shape: float) -> Floats:
    """Return the finds to be expected of each zone, by the terms of the likelihood."""
    n = fleet.true_rate.size
    found = np.zeros(n)
    skin_of_look = fleet.skin[fleet.life_zone[fleet.look_life]]
    for skin in np.unique(fleet.skin):
        mine = skin_of_look == skin
        watches = watches_from_looks(fleet.look_life[mine], fleet.look_age[mine])
        table = expected_damage(
            watches, SizeDetection(curves[skin], GROWTH), scale=HORIZON, shape=shape, nodes=2
        )
        zone = fleet.life_zone[watches.life.astype(int)]
        found += np.bincount(zone, weights=table["expected"], minlength=n)
    return found


def _moved(curve: DetectionCurve, a50: float) -> DetectionCurve:
    return DetectionCurve(a50, curve.slope, curve.plateau, curve.far_side_share, curve.far_side_plateau)


def rank_fleet(fleet: SimulatedZones, world: World, *, seed: int) -> pd.DataFrame:
    """Rank the zones of a simulated fleet in every way.

    Parameters
    ----------
    fleet : SimulatedZones
        What was found, and by which looks.
    world : World
        Where its false-call rate stands.
    seed : int
        Of the random numbers.

    Returns
    -------
    DataFrame
        One row a zone: a score for each way to rank (higher is worse), p (chance to be among the worst) and
        is_worst (whether it is).

    Notes
    -----
    The kit's way is not given the truth: the a50 of each skin that it works with is off by its stated standard
    error, and the shape of the age pattern by 0.3.
    """
    rng = np.random.default_rng([seed, 7])
    x, hours = fleet.found, fleet.hours
    looks = np.bincount(fleet.life_zone[fleet.look_life], minlength=x.size).astype(float)
    stated = [curve.a50 * np.exp(_LOG_A50_SD * rng.standard_normal()) for curve in SKINS]
    shape = 2.0 + 0.3 * rng.standard_normal()
    # Expected finds run smoothly with the a50: three are worked out, and those of each draw follow.
    steps = 1.5 * _LOG_A50_SD * np.array([-1.0, 0.0, 1.0])
    log_found = [
        np.log(
            np.maximum(
                _expected(
                    fleet, [_moved(c, a * np.exp(d)) for c, a in zip(SKINS, stated, strict=True)], shape
                ),
                1e-12,
            )
        )
        for d in steps
    ]
    bend = np.polyfit(steps, np.array(log_found), 2)
    sets = []
    for _ in range(_SETS):
        off = (_LOG_A50_SD * rng.standard_normal(len(SKINS)))[fleet.skin]
        sets.append(np.exp(bend[0] * off**2 + bend[1] * off + bend[2]))
    draws = shrink(range(x.size), x, np.array(sets), false_calls=world.false_calls * looks, n=4096, seed=seed)
    chance = RankDraws(names=draws.names, rate=draws.multiplier).among_worst(WORST)
    order = np.argsort(-fleet.true_rate)
    worst = np.zeros(x.size, bool)
    worst[order[:WORST]] = True
    return pd.DataFrame(
        {
            "raw count": x,
            "raw rate": x / hours,
            "rate per look": x / np.maximum(looks, 1.0),
            "plain shrinkage": fit_gamma_poisson(x, hours / hours.sum() * x.sum()).posterior_mean,
            "expected against found": chance,
            "p": chance,
            "is_worst": worst,
        }
    )


def share_found(scores: Floats, worst: np.ndarray) -> float:
    """Return the share of the true worst zones among those named.

    Parameters
    ----------
    scores : ndarray, shape (n_zones,)
        Higher is worse; equal scores share the places that are left.
    worst : ndarray of bool, shape (n_zones,)
        Which zones truly are the worst.

    Returns
    -------
    float
        Share of `WORST` [-].
    """
    order = np.sort(scores)[::-1]
    edge = order[WORST - 1]
    above, at = scores > edge, scores == edge
    left = (WORST - above.sum()) / at.sum()
    return float((worst & above).sum() + left * (worst & at).sum()) / WORST


def study(
    n: int = 200, *, seed: int = 20260630, worlds: tuple[World, ...] = WORLDS
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rank many simulated fleets of each world.

    Parameters
    ----------
    n : int
        Fleets of each world.
    seed : int
        Of the random numbers.
    worlds : tuple of World
        Which worlds.

    Returns
    -------
    found : DataFrame
        One row for each world and fleet: the share of the true worst zones found by each way.
    zones : DataFrame
        One row for each world, fleet and zone: p and is_worst.
    """
    rows, zones = [], []
    for w, world in enumerate(worlds):
        for i in range(n):
            rng = np.random.default_rng([seed, w, i])
            fleet = simulate_zones(world, rng)
            table = rank_fleet(fleet, world, seed=int(rng.integers(2**31)))
            worst = table["is_worst"].to_numpy()
            rows.append(
                {"world": world.name, "fleet": i}
                | {name: share_found(table[name].to_numpy(float), worst) for name in METHODS}
            )
            zones.append(table[["p", "is_worst"]].assign(world=world.name))
    return pd.DataFrame(rows), pd.concat(zones, ignore_index=True)


def summary(found: pd.DataFrame) -> pd.DataFrame:
    """Return the share of the true worst zones that each way found, by world.

    Parameters
    ----------
    found : DataFrame
        As `study` gives it.

    Returns
    -------
    DataFrame
        Index world; a column for each way, and gain (the kit's over the best of raw rate, rate per look and plain shrinkage)
        with its standard error over the fleets.
    """
    kit = METHODS[-1]
    rows = {}
    for world, part in found.groupby("world", sort=False):
        mean = part[list(METHODS)].mean()
        rival = mean[["raw rate", "rate per look", "plain shrinkage"]].idxmax()
        gain = part[kit] - part[rival]
        rows[world] = mean.to_dict() | {
            "best other": rival,
            "gain": gain.mean(),
            "standard_error": gain.std(ddof=1) / np.sqrt(len(gain)),
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("world")


def calibration(zones: pd.DataFrame) -> pd.DataFrame:
    """Return how often zones were among the worst, by the chance that was given, in five classes of chance.

    Parameters
    ----------
    zones : DataFrame
        Columns p and is_worst, as `study` gives them.

    Returns
    -------
    DataFrame
        Index fifth; zones, said (mean chance), were (share that was among the worst), gap (were less said) and
        standard_error of the share.
    """
    fifth = np.minimum((zones["p"] * 5).astype(int), 4)
    words = ["0 to 20 %", "20 to 40 %", "40 to 60 %", "60 to 80 %", "80 to 100 %"]
    rows = []
    for k in range(5):
        part = zones.loc[fifth == k]
        n = len(part)
        said, were = (float(part[name].mean()) if n else float("nan") for name in ("p", "is_worst"))
        error = float(np.sqrt(max(said * (1 - said), 1e-9) / n)) if n else float("nan")
        rows.append((words[k], n, said, were, were - said, error))
    columns = ["fifth", "zones", "said", "were", "gap", "standard_error"]
    return pd.DataFrame(rows, columns=columns).set_index("fifth")


FLEETS = 200
"""Fleets of each world on the page."""

ANEW = 600
"""Fleets, of other random numbers, that are played anew of each world where a fifth was too far off."""

MOST_OFF = 0.05
"""How far chances may lie from how often it was so [-]."""

_LEAST_ZONES = 50


def worlds_off(zones: pd.DataFrame) -> tuple[World, ...]:
    """Return the worlds in which the chances of a fifth are off by more than they may be.

    Parameters
    ----------
    zones : DataFrame
        As `study` gives it.

    Returns
    -------
    tuple of World
        These.
    """
    off = [world for world, part in zones.groupby("world") if (_fifths(part)["gap"].abs() > MOST_OFF).any()]
    return tuple(world for world in WORLDS if world.name in off)


def _fifths(zones: pd.DataFrame) -> pd.DataFrame:
    """Fifths of one world that hold enough zones to be told."""
    each = calibration(zones)
    return each.loc[each["zones"] >= _LEAST_ZONES]


def all_by_chance(zones: pd.DataFrame) -> tuple[float, int, float]:
    """Say whether the gaps of all fifths of all worlds are such as chance makes where every chance given is right.

    Parameters
    ----------
    zones : DataFrame
        As `study` gives it.

    Returns
    -------
    total : float
        Sum of the squares of the gaps over their standard errors [-].
    n : int
        How many fifths.
    p : float
        Chance of so large a sum, which then is about chi-square [-].
    """
    every = pd.concat([_fifths(part) for _, part in zones.groupby("world")])
    total = float(((every["gap"] / every["standard_error"]) ** 2).sum())
    return total, len(every), float(chdtrc(len(every), total))


def worlds_behind(found: pd.DataFrame) -> tuple[World, ...]:
    """Return the worlds in which the kit's way named fewer of the true worst than the best of the others.

    Parameters
    ----------
    found : DataFrame
        As `study` gives it.

    Returns
    -------
    tuple of World
        These.
    """
    gain = summary(found)["gain"]
    return tuple(world for world in WORLDS if gain.get(world.name, 0.0) < 0)


def _behind_words(found: pd.DataFrame, again: pd.DataFrame | None) -> str:
    """Say where the kit's way named fewer than the best of the others, and whether it did so anew."""
    table = summary(found)
    behind = table.loc[table["gain"] < 0]
    if not len(behind):
        return "Expected against found names the true worst at least as often as the best of the others in every world."
    lines = []
    for world, row in behind.iterrows():
        lines.append(
            f"In {world} it names {-row['gain']:.3f} fewer than {row['best other']}, {-row['gain'] / row['standard_error']:.1f} standard errors."
        )
    if again is not None and len(again):
        for world, row in summary(again).iterrows():
            each = ", ".join(f"{name} {row[name]:.3f}" for name in METHODS[1:])
            lines.append(
                f"Played anew, {ANEW} fleets of other random numbers, {world}: {each}; gain {row['gain']:+.3f} +- "
                f"{row['standard_error']:.3f} over {row['best other']}."
            )
    return " ".join(lines)


def ranking_page(
    found: pd.DataFrame,
    zones: pd.DataFrame,
    anew: pd.DataFrame | None = None,
    again: pd.DataFrame | None = None,
) -> str:
    """Write what the study showed as Markdown.

    Parameters
    ----------
    found, zones : DataFrame
        As `study` gives them.
    anew : DataFrame, optional
        Zones of the worlds of `worlds_off`, played anew.
    again : DataFrame, optional
        What was found in the worlds of `worlds_behind`, played anew.

    Returns
    -------
    str
        The page.
    """
    table, n = summary(found), found.groupby("world", sort=False).size()
    lines = [
        "# Is the ranking of zones fooled?",
        "",
        f"Made by `python -m kit.simulate.ranking_study docs/ranking.md`: {n.min()} simulated fleets of each of {len(table)} worlds, 25 zones each. "
        "Damage arises as a Poisson process whose rate rises with age, has a size, grows and is found by the first look that does not miss "
        "it. The kit's way is not given the truth: the a50 of each class of skin that it works with is off by its stated standard error (10 %), "
        "the shape of life by 0.3, and in the last world multipliers are log-normal where it takes them as gamma.",
        "",
        f"## Share of the true worst {WORST} zones that are among the {WORST} named",
        "",
        "Gain: expected against found, less the best of raw rate, rate per look and plain shrinkage in that world; +- its standard error over "
        "the fleets.",
        "",
        f"| world | {' | '.join(METHODS)} | gain |",
        f"| --- |{' --- |' * (len(METHODS) + 1)}",
    ]
    for world, row in table.iterrows():
        cells = " | ".join(f"{row[name]:.3f}" for name in METHODS)
        lines.append(
            f"| {world} | {cells} | {row['gain']:+.3f} +- {row['standard_error']:.3f} over {row['best other']} |"
        )
    lines += [
        "",
        _behind_words(found, again),
        "",
        f"## Are the chances right? P(among the worst {WORST}) against how often it was so",
        "",
        "| chance given | zones | mean chance | was so | gap | standard error |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in calibration(zones).iterrows():
        lines.append(
            f"| {name} | {row['zones']:.0f} | {row['said']:.3f} | {row['were']:.3f} | {row['gap']:+.3f} | {row['standard_error']:.3f} |"
        )
    lines += [
        "",
        "The largest gap of a fifth in each world, of fifths with at least 50 zones:",
        "",
        "| world | largest gap | in | standard error |",
        "| --- | --- | --- | --- |",
    ]
    for world, part in zones.groupby("world", sort=False):
        each = _fifths(part)
        worst = each["gap"].abs().idxmax()
        lines.append(
            f"| {world} | {each['gap'][worst]:+.3f} | {worst} | {each['standard_error'][worst]:.3f} |"
        )
    total, n_fifths, p = all_by_chance(zones)
    lines += [
        "",
        f"{n_fifths} fifths of {len(table)} worlds: with every chance right, some lie beyond {MOST_OFF:.0%} by luck alone, since their standard errors "
        f"are up to {max(_fifths(part)['standard_error'].max() for _, part in zones.groupby('world')):.3f}. The squares of gap over standard error "
        f"add up to {total:.1f}, where right chances would give about {n_fifths} (p = {p:.2f}).",
    ]
    if anew is not None and len(anew):
        lines += [
            "",
            f"So the worlds that were off by more than {MOST_OFF:.0%} in a fifth are played anew, {ANEW} fleets of other random numbers each:",
            "",
            "| world | chance given | zones | mean chance | was so | gap | standard error |",
            "| --- | --- | --- | --- | --- | --- | --- |",
        ]
        for world, part in anew.groupby("world", sort=False):
            for name, row in _fifths(part).iterrows():
                lines.append(
                    f"| {world} | {name} | {row['zones']:.0f} | {row['said']:.3f} | {row['were']:.3f} | {row['gap']:+.3f} | {row['standard_error']:.3f} |"
                )
        still = [world.name for world in worlds_off(anew)]
        lines += [
            "",
            f"There every fifth is within {MOST_OFF:.0%}: the gaps above were those of few zones."
            if not still
            else f"Still off by more than {MOST_OFF:.0%} in a fifth: {', '.join(still)}. There the chances are wrong by what the table says.",
        ]
    lines += [
        "",
        "What this does not show: damage that comes in showers, lots, or zones whose shape of life differs; there chances are less sure than "
        "they say. Invented data: nothing here stands for a real fleet.",
        "",
        "## Cautions",
        "",
        *(f"- {caution}" for caution in CAUTIONS),
        "",
    ]
    return "\n".join(lines)


def main(target: str, n: str = str(FLEETS)) -> None:
    """Write the page to a file.

    Parameters
    ----------
    target : str
        File to write.
    n : str
        Fleets of each world.
    """
    found, zones = study(int(n))
    off = worlds_off(zones)
    anew = study(ANEW, seed=_SEED_ANEW, worlds=off)[1] if off else None
    behind = worlds_behind(found)
    again = study(ANEW, seed=_SEED_ANEW, worlds=behind)[0] if behind else None
    replace_text(Path(target), ranking_page(found, zones, anew, again))


if __name__ == "__main__":
    main(*sys.argv[1:])
