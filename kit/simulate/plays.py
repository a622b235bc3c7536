"""The risk of an answer beside lives played event by event, and what really happened in a simulated fleet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from kit.intervals import PER_FLIGHT_HOURS, Answer, as_counted
from kit.simulate.schedule import ScheduleOutcome

_HAPPENED = ("arose", "found", "exceedances", "exposure_hours")
_PLAYED = ("exceedances", "preventable", "exposure", "preventable_exposure")


def _ends(answer: Answer) -> tuple[tuple[float, float], ...]:
    """Ages up to which damage counts and their weights: the last look before the horizon, and the next one.

    An answer spreads the risk evenly between looks, so that no interval gains by a look that happens to fall just
    before the horizon; see `kit.intervals.age_kernel`.
    """
    if answer.repeat is None:
        raise ValueError(
            f"`answer` must recommend an interval. {answer.question.name}: no interval examined meets the target. "
            "Ask with another target, or look at the curve."
        )
    first, repeat, horizon = answer.threshold, answer.repeat, answer.question.horizon
    if first > horizon:
        return ((horizon, 1.0),)
    last = first + np.floor((horizon - first) / repeat * (1 + 1e-12)) * repeat
    share = (horizon - last) / repeat
    return ((last, 1.0 - share), (last + repeat, share)) if share > 1e-12 else ((last, 1.0),)


def scheduled_plays(answer: Answer) -> list[dict[str, object]]:
    """Put each kind of damage under the recommended schedule, for a play event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.

    Returns
    -------
    list of dict
        Arguments of `kit.simulate.schedule.simulate_schedule` but for the number of lives and the seed:
        life_scale, life_shape, growth, detection, limit, first, repeat, horizon, all on the clock of
        the question. For each kind one play up to the last look before the horizon, and one up to
        the next look; one where the horizon is a look.

    Raises
    ------
    ValueError
        If the answer recommends no interval.
    """
    ask, plays = answer.question, []
    ends = _ends(answer)
    for mode in answer.modes:
        per_unit = mode.units_per_schedule_unit
        same = {
            "life_scale": mode.scale / per_unit,
            "life_shape": mode.shape,
            "growth": mode.growth.convert(1 / per_unit, ask.clock),
            "detection": as_counted(ask, mode.draws.pod.curve(0), answer.limit_mm),
            "limit": answer.limit_mm,
            "first": answer.threshold,
            "repeat": answer.repeat,
        }
        plays += [same | {"horizon": end} for end, _ in ends]
    return plays


def compare_with_play(answer: Answer, played: Sequence[ScheduleOutcome]) -> pd.DataFrame:
    """Set the risk of an answer beside lives that were played event by event.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    played : sequence of ScheduleOutcome
        One for each of `scheduled_plays`, in that order, each with a seed of its own.

    Returns
    -------
    DataFrame
        Index measure; columns answer, played and standard_error [per 10,000 panel flight hours], and
        difference_in_errors: answer less played, in standard errors [-].

    Raises
    ------
    ValueError
        If the outcomes are not those of the plays.

    Notes
    -----
    The plays are taken as independent, so that their variances add; with one common seed they would not
    be.
    """
    ask, ends = answer.question, _ends(answer)
    wanted = [(answer.threshold, answer.repeat, end) for _ in answer.modes for end, _ in ends]
    got = [(one.first, one.repeat, one.horizon) for one in played]
    if len(got) != len(wanted) or not np.allclose(got, wanted):
        raise ValueError(
            f"`played` must hold an outcome for each of the {len(wanted)} plays of `scheduled_plays`, in order. Got "
            f"{len(got)}, first {played[0] if got else 'none'!r}."
        )
    hours_per_unit = answer.units_per_day["flight_hours"] / answer.units_per_day[ask.clock]
    weights = [weight for _ in answer.modes for _, weight in ends]
    rows = []
    for name in _PLAYED:
        # Exposure comes in units of the clock, counts do not.
        scale = (
            PER_FLIGHT_HOURS
            / (ask.horizon * hours_per_unit)
            * (hours_per_unit if "exposure" in name else 1.0)
        )
        parts = [(weight, getattr(one, name)) for weight, one in zip(weights, played, strict=True)]
        value = scale * sum(weight * part.value for weight, part in parts)
        error = scale * float(np.sqrt(sum((weight * part.standard_error) ** 2 for weight, part in parts)))
        best = answer.risk[name][0]
        gap = (best - value) / error if error > 0 else float("nan")
        rows.append((name, best, value, error, gap))
    columns = ["measure", "answer", "played", "standard_error", "difference_in_errors"]
    return pd.DataFrame(rows, columns=columns).set_index("measure")


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
