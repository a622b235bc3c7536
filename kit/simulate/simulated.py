"""The central case of an answer beside lives simulated event by event, and what really happened in a simulated fleet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from kit.intervals import PER_FLIGHT_HOURS, Answer, JointRisk, Usage, as_counted
from kit.numerics.renamed import formerly
from kit.numerics.words import percent
from kit.posterior import KindDraws
from kit.simulate.schedule import ScheduleOutcome, simulate_schedule

_HAPPENED = ("arose", "found", "exceedances", "exposure_hours")
_SIMULATED = ("exceedances", "preventable", "exposure", "preventable_exposure")
_REPEATS = 256  # samplings of the central case, whose spread says how sure its risk is


def _need_interval(answer: Answer) -> None:
    """Refuse an answer without a schedule to simulate."""
    if answer.repeat is None:
        raise ValueError(
            f"`answer` must recommend an interval. {answer.question.name}: no interval examined meets the target. "
            "Ask with another target, or look at the curve."
        )


def simulated_schedules(answer: Answer) -> list[dict[str, object]]:
    """Put the central case of each kind of damage under the recommended schedule, to be simulated event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    list of dict
        One for each kind: arguments of `kit.simulate.schedule.simulate_schedule` but for the number of lives
        and the seed: life_scale, life_shape, growth, detection, limit, first, repeat, horizon, all on the
        clock of the question.

    Raises
    ------
    ValueError
        If the answer recommends no interval.
    """
    _need_interval(answer)
    ask, schedules = answer.question, []
    for mode in answer.modes:
        draws = mode.draws.on_clock(mode.units_per_schedule_unit, ask.clock)
        schedules.append(
            {
                "life_scale": float(draws.scale[0]),
                "life_shape": float(draws.shape[0]),
                "growth": draws.growth(0),
                "detection": as_counted(ask, draws.pod.curve(0), answer.limit_mm),
                "limit": answer.limit_mm,
                "first": answer.threshold,
                "repeat": answer.repeat,
                "horizon": ask.horizon,
            }
        )
    return schedules


def _central(draws: KindDraws) -> KindDraws:
    """Return the central value over and over, with the first onset only, which is what the simulation knows."""
    return replace(draws.taken(np.zeros(_REPEATS, int)), restoration=None, diagnostics={})


def _worked_out(answer: Answer) -> JointRisk:
    """Sample the central case for the calculation that an answer rests on, at the mean usage of the group."""
    ask, per_day = answer.question, answer.units_per_day
    usage = Usage(
        name=ask.group,
        share=1.0,
        clock_per_unit={"flight_hours": per_day["flight_hours"] / per_day[ask.clock]}
        | {mode.clock: mode.units_per_schedule_unit for mode in answer.modes},
    )
    return JointRisk.prepare(
        [_central(mode.draws) for mode in answer.modes],
        usages=(usage,),
        clock=ask.clock,
        limit=answer.limit_mm,
        horizon=ask.horizon,
        seed=ask.seed,
        is_capped=ask.target.window_flight_hours is not None,
    )


def compare_with_simulation(answer: Answer, simulated: Sequence[ScheduleOutcome]) -> pd.DataFrame:
    """Set the risk of the central case of an answer beside lives simulated event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    simulated : sequence of ScheduleOutcome
        One for each of `simulated_schedules`, in that order, each with a seed of its own.

    Returns
    -------
    DataFrame
        Index measure; columns answer (median of the draws), worked_out (the central case, by the calculation
        that the answer rests on), simulated and standard_error of the last two together [per 10,000 panel flight
        hours], and difference_in_errors: worked_out less simulated, in standard errors [-].

    Raises
    ------
    ValueError
        If the answer recommends no interval, or the outcomes are not those of the schedules.

    Notes
    -----
    The check is of the calculation, for one case: central values, the mean usage of the group, the first onset of
    each kind on a panel. The answer itself is the median over draws, counts every part of the fleet at its
    own usage and damage that comes again after repair; it is shown beside, and need not agree.

    The simulations are taken as independent, so that their variances add; with one common seed they would not
    be.
    """
    _need_interval(answer)
    ask = answer.question
    wanted = [(answer.threshold, answer.repeat, ask.horizon)] * len(answer.modes)
    got = [(one.first, one.repeat, one.horizon) for one in simulated]
    if len(got) != len(wanted) or not np.allclose(got, wanted):
        raise ValueError(
            f"`simulated` must hold an outcome for each of the {len(wanted)} schedules of `simulated_schedules`, in order. Got "
            f"{len(got)}, first {simulated[0] if got else 'none'!r}."
        )
    joint = _worked_out(answer)
    hours_per_unit = joint.hours_per_unit()
    rows = []
    for name in _SIMULATED:
        # Exposure comes in units of the clock, as the horizon does; counts do not.
        scale = PER_FLIGHT_HOURS / (ask.horizon * (1.0 if "exposure" in name else hours_per_unit))
        parts = [getattr(one, name) for one in simulated]
        value = scale * sum(part.value for part in parts)
        each = joint.values(name, first=answer.threshold, repeat=answer.repeat, worst=False)
        worked_out = float(each.mean())
        error = float(
            np.hypot(
                scale * np.sqrt(sum(part.standard_error**2 for part in parts)),
                each.std(ddof=1) / np.sqrt(each.size),
            )
        )
        gap = (worked_out - value) / error if error > 0 else float("nan")
        rows.append((name, answer.risk[name][0], worked_out, value, error, gap))
    columns = ["measure", "answer", "worked_out", "simulated", "standard_error", "difference_in_errors"]
    return pd.DataFrame(rows, columns=columns).set_index("measure")


def simulate_answer(answer: Answer, *, lives: int, seed: int) -> pd.DataFrame:
    """Play the recommended schedule event by event, and set what happened beside what was worked out.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    lives : int
        Lives of each kind.
    seed : int
        Of the simulation.

    Returns
    -------
    DataFrame
        As `compare_with_simulation` gives it; empty where no interval is recommended.
    """
    if answer.repeat is None:
        return pd.DataFrame()
    simulated = [
        simulate_schedule(**one, n=lives, seed=seed + k) for k, one in enumerate(simulated_schedules(answer))
    ]
    return compare_with_simulation(answer, simulated)


def simulation_words(check: pd.DataFrame) -> str:
    """Say how far the simulation is from what was worked out.

    Parameters
    ----------
    check : DataFrame
        What `simulate_answer` gave.

    Returns
    -------
    str
        One sentence.
    """
    if check.empty:
        return "No interval is recommended, so that there is no schedule to simulate."
    worst = check["difference_in_errors"].abs().max()
    off = (check["simulated"] / check["worked_out"] - 1).abs().max()
    return f"Largest difference: {worst:.1f} standard errors of the simulation, and {percent(off)} of what is worked out for the central case."


def what_happened(source: str | Path, *, by: str = "group") -> pd.DataFrame:
    """Count what really happened in a simulated fleet, to hold an answer against it.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset; the truth stands in its folder ``truth``, which no analysis reads.
    by : str
        ``group`` or ``zone``.

    Returns
    -------
    DataFrame
        Index group or zone: arose, found and exceedances (damages that arose while records were kept) and
        exposure_hours (flight hours beyond the limit). No rows where the dataset has no truth, as
        with any real one.

    Raises
    ------
    ValueError
        If `by` is unknown.
    """
    if by not in ("group", "zone"):
        raise ValueError(f"`by` must be group or zone. Got {by!r}.")
    path = Path(source) / "truth" / "onsets.csv"
    if not path.is_file():
        return pd.DataFrame(columns=list(_HAPPENED), index=pd.Index([], name=by), dtype=float)
    onsets = pd.read_csv(path, dtype=str, keep_default_na=False)
    onsets = onsets.loc[onsets["is_before_records"] == ""]
    parts = pd.DataFrame(
        {
            by: onsets[by],
            "arose": 1,
            "found": (onsets["found_on"] != "").astype(int),
            "exceedances": (onsets["is_exceedance"] == "yes").astype(int),
            "exposure_hours": onsets["exposure_flight_hours"].astype(float),
        }
    )
    return parts.groupby(by).sum()


scheduled_plays = formerly(simulated_schedules, "scheduled_plays")
compare_with_play = formerly(compare_with_simulation, "compare_with_play")
