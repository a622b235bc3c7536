"""Risk of the repeats of the study of confidence, and what the best of answers could reach where only the POD is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from kit.intervals import JointRisk
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, normal_points
from kit.simulate.confidence_fleets import true_draws, usages_of
from kit.simulate.confidence_worlds import (
    FIRST,
    HORIZON,
    LEVELS,
    LIMIT,
    MEASURES,
    REPEAT,
    REPEATS,
    Setting,
    World,
    world_of,
)


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


def true_risks(world: World) -> dict[str, Floats]:
    """Work out the true risk at each repeat in a world that the model can hold.

    Parameters
    ----------
    world : World
        The truth.

    Returns
    -------
    dict of str to ndarray, shape (n_repeats,)
        By measure.
    """
    whole = risks_of([true_draws(world)], world, samples=8192, seed=4)
    return {name: value[:, 0] for name, value in risks_by_repeat(whole).items()}


def pod_alone(setting: Setting, fleets: int, *, draws: int = 512, samples: int = 1024) -> pd.DataFrame:
    """Answer fleets of which all is known but the POD: as far as any number of finds and mappings could bring an answer.

    Parameters
    ----------
    setting : Setting
        World, with the spreads that the analyst states of the POD.
    fleets : int
        Fleets, each with a POD of its own.
    draws, samples : int
        Draws of the POD, and samples of damage for each.

    Returns
    -------
    DataFrame
        One row for each fleet and measure: measure, ratio of the interval that holds in 95 % of draws to the oracle's, and
        whether it meets the target in truth.
    """
    rows, stated = [], true_draws(World()).pod
    for seed in range(1, fleets + 1):
        world = world_of(setting, seed)
        z = np.concatenate([np.zeros((1, 2)), normal_points(draws, 2, seed=seed)])
        known = true_draws(world).taken(np.zeros(draws + 1, int))
        pod = replace(
            known.pod,
            a50=stated.a50 * np.exp(setting.spreads[0] * z[:, 0]),
            slope=stated.slope * np.exp(setting.spreads[1] * z[:, 1]),
        )
        answer = risks_by_repeat(risks_of([replace(known, pod=pod)], world, samples=samples, seed=seed))
        truth = true_risks(world)
        for name in MEASURES:
            target = at_repeat(truth[name], REPEAT)
            repeat = longest_repeat(np.quantile(answer[name][:, 1:], max(LEVELS), axis=1), target)
            met = at_repeat(truth[name], repeat) <= target * (1 + 1e-6)
            rows.append({"measure": name, "ratio": repeat / REPEAT, "delivered": met})
    return pd.DataFrame(rows)
