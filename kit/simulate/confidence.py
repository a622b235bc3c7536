"""Is the stated confidence the delivered one: fleets drawn from known worlds, answered and judged.

Each fleet is drawn event by event: panels with their looks, damage that begins, grows, is found or
missed, is repaired or mapped again. The kit answers as it would for an operator; what its answer lets
through in truth comes from the world that the fleet was drawn from. Run as
``python -m kit.simulate.confidence docs/confidence.md 200 --broken 100 --processes 2``; broken off, it goes on where it was, with
fleets that were answered by the same statistics.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve
from kit.findings import replace_text
from kit.intervals import JointRisk
from kit.numerics.typing import Floats
from kit.posterior import (
    FoundSizes,
    KindDraws,
    KindEvidence,
    PodBelief,
    TrackGrowth,
    joint_draws,
    zone_frailty,
)
from kit.simulate.confidence_fleets import (
    SimulatedRecords,
    draw_records,
    simulated_risk,
    true_draws,
)
from kit.simulate.confidence_page import measured, page, summary, world_rows
from kit.simulate.confidence_risks import (
    at_repeat,
    longest_repeat,
    pod_alone,
    risks_by_repeat,
    risks_of,
    true_risks,
)
from kit.simulate.confidence_worlds import (
    BROKEN,
    LEVELS,
    MEASURES,
    OWN,
    REPEAT,
    REPEATS,
    SHAPE,
    Setting,
    World,
    world_of,
)
from kit.simulate.progress import progress

_STATISTICS = (
    "detection",
    "growth",
    "life",
    "numerics",
    "posterior",
    "intervals/damage_samples.py",
    "intervals/joint_risk.py",
    "intervals/risk.py",
    "intervals/schedule_sums.py",
    "intervals/windows.py",
    "simulate/confidence.py",
    "simulate/confidence_fleets.py",
    "simulate/confidence_risks.py",
    "simulate/confidence_worlds.py",
)
"""Parts of the kit from which the rows of a fleet come."""


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
        return true_risks(world)
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


def statistics_key(root: Path = Path(__file__).parents[1]) -> str:
    """Name the statistics that answer a fleet, so that fleets of others are not taken for theirs.

    Parameters
    ----------
    root : Path
        Folder of the kit's package.

    Returns
    -------
    str
        Changes with every change of the code of worlds, draws and risks, be it one of a comment: rather answer anew.
    """
    files = [
        file
        for part in _STATISTICS
        for file in (sorted((root / part).rglob("*.py")) if "." not in part else [root / part])
    ]
    said = hashlib.sha256()
    for file in files:
        said.update(f"{file.relative_to(root).as_posix()} {file.read_text(encoding='utf-8')}".encode())
    return said.hexdigest()[:16]


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
        Fleets are known by all that makes them; those of other statistics (`statistics_key`) are dropped from it.
    so_far : bool
        Whether to take what is kept and answer no more.

    Returns
    -------
    DataFrame
        The rows of `one_fleet`.
    """
    work = [(setting, seed + k, draws) for setting in settings for k in range(fleets)]
    done: dict[str, list[dict[str, object]]] = {}
    key = statistics_key()
    if kept is not None and kept.exists():
        lines = kept.read_text(encoding="utf-8").splitlines(keepends=True)
        whole = [
            line for line in lines if line.endswith("\n")
        ]  # the last may be of a run broken off while it wrote
        ours = {line: one for line in whole if (one := json.loads(line)).get("statistics") == key}
        if len(ours) < len(lines):
            replace_text(kept, "".join(ours))
        done |= {one["fleet"]: one["rows"] for one in ours.values()}
    if so_far:
        work = [job for job in work if repr(job) in done]
    left = [job for job in work if repr(job) not in done]

    def take(answered: Iterable[list[dict[str, object]]]) -> None:
        for job, rows in zip(left, progress(answered, "fleets", total=len(left)), strict=True):
            done[repr(job)] = rows
            if kept is not None:
                with kept.open("a", encoding="utf-8") as file:
                    line = {"fleet": repr(job), "statistics": key, "rows": rows}
                    file.write(json.dumps(line, default=_plain) + "\n")

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
        help="of each world as the model has them",
    )
    parser.add_argument(
        "--broken", type=int, help="fleets of each world that breaks the model; default: half as many"
    )
    parser.add_argument(
        "--worlds",
        nargs="+",
        default=[],
        metavar="WORDS",
        help="answer fleets of worlds with any of these words in their names only, then write the page from all that is kept",
    )
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--so-far", action="store_true", help="write the page from what is kept, and answer no more fleets"
    )
    asked = parser.parse_args(arguments)
    kept = asked.target.with_suffix(".kept.jsonl")
    least = max(asked.fleets // 2, 1) if asked.broken is None else asked.broken
    both = ((OWN, asked.fleets), (BROKEN, least))
    if asked.worlds:
        unknown = [words for words in asked.worlds if not any(words in one.name for one in OWN + BROKEN)]
        if unknown:
            parser.error(
                f"--worlds must be words of a world's name, as the page has them. Got {unknown[0]!r}."
            )
        for settings, number in both:
            some = [one for one in settings if any(words in one.name for words in asked.worlds)]
            study(some, number, processes=asked.processes, kept=kept)
        asked.so_far = True
    own, broken = (
        summary(study(settings, number, processes=asked.processes, kept=kept, so_far=asked.so_far))
        for settings, number in both
    )
    if not (len(own) and len(broken)):
        sys.stdout.write(world_rows(own))
        parser.error(
            f"{kept} must hold fleets of both kinds of worlds for a page. Go on with the study until it does."
        )
    best = pod_alone(next(one for one in OWN if not one.known), asked.fleets)
    text = page(own, broken, best, asked.fleets, broken_fleets=asked.broken, so_far=asked.so_far)
    replace_text(asked.target, text)
    if not asked.so_far:
        kept.unlink(missing_ok=True)
    seconds = pd.concat([own, broken]).groupby("setting", sort=False)["seconds"].first().round(1)
    sys.stdout.write(f"Seconds of one fleet\n{seconds.to_string()}\n")
    sys.stdout.write(f"Quoted by answers: set `kit.intervals.covered.MEASURED` to {measured(own, broken)}\n")


if __name__ == "__main__":
    main()
