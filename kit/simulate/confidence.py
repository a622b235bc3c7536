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
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve
from kit.findings import replace_text
from kit.intervals import JointRisk, Study
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
    usages_of,
)
from kit.simulate.confidence_worlds import (
    BROKEN,
    FIRST,
    HORIZON,
    LIMIT,
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

LEVELS = (0.80, 0.90, 0.95)


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
    if not len(rows):  # of a study that is not at its end
        return pd.DataFrame(out)
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
        Of 95 % of the draws, and the least of smaller shares, rounded as the page shows them.
    """
    ends = [
        (round(float(t["delivered_0.95"].min()), 2), round(float(t["delivered_0.95"].max()), 2))
        for t in (own, broken)
    ]
    numbers = [int((t["fleets"] + t["refused"]).min()) for t in (own, broken)]
    less = tuple(
        (level, *(round(float(t[f"delivered_{level:.2f}"].min()), 2) for t in (own, broken)))
        for level in LEVELS
        if level < max(LEVELS)
    )
    return Study(own_fleets=numbers[0], broken_fleets=numbers[1], own=ends[0], broken=ends[1], less=less)


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
    if not (len(own) and len(broken)):
        sys.stdout.write(_rows(own))
        parser.error(
            f"{kept} must hold fleets of both kinds of worlds for a page. Go on with the study until it does."
        )
    replace_text(asked.target, page(own, broken, asked.fleets, so_far=asked.so_far))
    if not asked.so_far:
        kept.unlink(missing_ok=True)
    seconds = pd.concat([own, broken]).groupby("setting", sort=False)["seconds"].first().round(1)
    sys.stdout.write(f"Seconds of one fleet\n{seconds.to_string()}\n")
    sys.stdout.write(f"Quoted by answers: set `kit.intervals.covered.MEASURED` to {measured(own, broken)}\n")


if __name__ == "__main__":
    main()
