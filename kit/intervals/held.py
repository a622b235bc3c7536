"""What is held against the target, and in which share of the draws a schedule meets it."""

from __future__ import annotations

from functools import partial

import numpy as np

from kit.intervals.damage_samples import share_within
from kit.intervals.problem import Problem, has_zones, risk_of
from kit.intervals.windows import per_flight_hours
from kit.numerics.typing import Floats

_DRAW_TOLERANCE = 1e-9
_SMALLER = 1.25**0.5  # from one size at onset to the next
_MANY_STEPS = 8  # at once, where what is known of one size bounds all of them
_MOST_TRIED = 80
_LEAST_SHARE = 1e-12  # what is less tells nothing of the rest


def share_meeting(
    problem: Problem,
    first: float,
    repeat: float,
    *,
    until: float | None = None,
    against: str | None = None,
    part: str | None = None,
) -> float:
    """Share of the draws whose risk meets the target.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].
    until : float, optional
        Age up to which damage counts; default the question's horizon [units of the schedule's clock].
    against : str, optional
        ``mean`` or ``worst_zone``; default what the target is held against.
    part : str, optional
        One part of the fleet, whose mean is taken up to the horizon. Default: the whole fleet.

    Returns
    -------
    float
        Share [-].

    Notes
    -----
    The smaller the limit, the larger the damage at its onset and the more of it on the far side, the less is left that
    looks could prevent. A target on that part alone would allow the longest interval where looks help least. It is
    therefore held against what could be prevented if all damage lay on the side that is tapped, with sizes at onset as
    they are and smaller ones, in steps of 12 %. These are gone through until it is sure whether the asked share meets
    the target for all of them; the share is the smallest on the way.
    """
    return _least_share(problem, first, repeat, until=until, against=against, part=part)[0]


def deciding_onset(problem: Problem, first: float, repeat: float) -> float:
    """Size at onset for which the fewest draws meet the target.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].

    Returns
    -------
    float
        Over the size at onset as it is; 1, or less under a target on what can be prevented, where most damage begins
        beyond the limit or near it; see `share_meeting` [-].
    """
    return _least_share(problem, first, repeat)[1]


def _least_share(
    problem: Problem,
    first: float,
    repeat: float,
    *,
    until: float | None = None,
    against: str | None = None,
    part: str | None = None,
) -> tuple[float, float]:
    """Share of the draws that meets the target, and the size at onset, over that which is, for which it is the smallest.

    Of damage that begins within the limit the smaller one has the less chance to be missed: it meets more looks. What
    could be prevented with any smaller onset is therefore at most what is now, times how much more begins within the limit.
    """
    at = {"until": until, "against": against, "part": part}
    target = problem.ask.target
    key = (target.column, target.per_10000_flight_hours, target.share_of_draws, first, repeat, *at.values())
    return problem.held_once(key, lambda: _gone_through(problem, first, repeat, at))


def _gone_through(
    problem: Problem, first: float, repeat: float, at: dict[str, float | str | None]
) -> tuple[float, float]:
    """Go through sizes at onset from that which is to smaller ones, until it is sure whether enough draws meet the target."""
    asked = problem.ask.target.share_of_draws - _DRAW_TOLERANCE
    if not is_on_prevented(problem):
        return _share_within(problem, held_values(problem, first, repeat, **at)), 1.0
    size, least, deciding = 1.0, 1.0, 1.0
    for _ in range(_MOST_TRIED):
        some = _let_through(problem, first, repeat, at["part"])
        bound = partial(_prevented, problem, some, **at)
        values = bound(1.0)
        if (share := _share_within(problem, values)) < least:
            least, deciding = share, size
        if least < asked or _share_within(problem, _times(values, _most_more(problem))) >= asked:
            break
        if _share_within(problem, bound(np.inf)) >= asked:
            break
        steps = _MANY_STEPS if _share_within(problem, bound(_SMALLER**_MANY_STEPS)) >= asked else 1
        problem, size = problem.with_smaller_onset(_SMALLER**steps), size / _SMALLER**steps
    return least, deciding


def _let_through(
    problem: Problem, first: float, repeat: float, part: str | None
) -> tuple[Floats, dict[str, Floats]]:
    """Sum by age what a schedule lets through of what looks could prevent, by kind of damage."""
    return problem.joint.gathered_by_kind("preventable", first=first, repeat=repeat, part=part)


def held_values(
    problem: Problem,
    first: float,
    repeat: float,
    *,
    until: float | None = None,
    against: str | None = None,
    part: str | None = None,
) -> Floats:
    """Risk in each draw that is held against the target.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].
    until, against, part : optional
        As for `share_meeting`.

    Returns
    -------
    ndarray, shape (n_draws,)
        Without the central value [per 10,000 panel flight hours].
    """
    target = problem.ask.target
    if is_on_prevented(problem):
        some = _let_through(problem, first, repeat, part)
        return _prevented(problem, some, 1.0, until=until, against=against, part=part)
    if part is not None:
        name = target.column.removesuffix("_worst")
        worst = target.window_flight_hours is not None
        return problem.joint.values(name, first=first, repeat=repeat, worst=worst, part=part)[1:]
    is_zone = (against or problem.held_against) == "worst_zone" and has_zones(problem)
    name = f"{target.column}_zone" if is_zone else target.column
    return risk_of(problem, name, first, repeat, until=until)[1:]


def meets(problem: Problem, first: float, repeat: float, *, until: float | None = None) -> bool:
    """Whether a schedule meets the target in the asked share of the draws.

    Parameters
    ----------
    problem : Problem
        The problem.
    first, repeat : float
        The schedule [units of its clock].
    until : float, optional
        Age up to which damage counts; default the question's horizon [units of the schedule's clock].

    Returns
    -------
    bool
        Whether it does.
    """
    asked = problem.ask.target.share_of_draws - _DRAW_TOLERANCE
    return share_meeting(problem, first, repeat, until=until) >= asked


def is_on_prevented(problem: Problem) -> bool:
    """Whether the target is on what looks can prevent; records of form 1, which have no window, keep it as it was.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    bool
        Whether what is held against it is therefore more than what looks can prevent.
    """
    target = problem.ask.target
    is_asked = target.measure == "preventable_exceedances" and target.window_flight_hours is not None
    return is_asked and problem.is_drawn


def _share_within(problem: Problem, values: Floats) -> float:
    return float(np.mean(values <= problem.ask.target.per_10000_flight_hours))


def _prevented(
    problem: Problem,
    let_through: tuple[Floats, dict[str, Floats]],
    smaller: float,
    *,
    until: float | None = None,
    against: str | None = None,
    part: str | None = None,
) -> Floats:
    """Bound what looks could prevent if all damage lay on the tapped side and began up to so many times smaller, in each draw.

    Per 10,000 panel flight hours; infinite where next to nothing begins within the limit on that side, which tells
    nothing of the rest. With ``smaller`` 1 it is no bound, but what could be prevented.
    """
    target = problem.ask.target
    hours = problem.hours_per_unit if part is None else problem.joint.hours_per_unit(part)
    ages, sums = let_through
    more = _more(problem, smaller)
    is_known = np.all([np.isfinite(one) for one in more.values()], axis=0)
    each = {
        kind: np.where(is_known, more[kind], 1.0)[:, None] * values[:, 1:] for kind, values in sums.items()
    }
    totals = [sum(each.values())]
    if part is None and (against or problem.held_against) == "worst_zone" and has_zones(problem):
        totals = [
            sum(problem.zones[kind].multiplier[:, [zone]] * values for kind, values in each.items())
            for zone in range(next(iter(problem.zones.values())).multiplier.shape[1])
        ]
    horizon = float(until or problem.ask.horizon)
    per_hours = partial(
        per_flight_hours,
        target.column,
        ages[1:],
        hours_per_unit=hours,
        window=target.window_flight_hours / hours,
        horizon=horizon,
    )
    worst = np.max([per_hours(total).max(axis=-1) for total in totals], axis=0)
    return np.where(is_known, worst, np.inf)[1:]


def _more(problem: Problem, smaller: float) -> dict[str, Floats]:
    """How much more of each kind could be prevented, were it all on the tapped side and begun so many times smaller [-]."""
    out = {}
    for one in problem.kinds:
        now = share_within(one, problem.limit_mm)
        then = now if smaller == 1 else share_within(one, problem.limit_mm * smaller)
        now = now * (1 - one.pod.far_side_share)
        is_known = (now > _LEAST_SHARE) if smaller != 1 else one.pod.far_side_share < 1 - _LEAST_SHARE
        out[one.kind] = np.where(is_known, then / np.maximum(now, 1e-300), np.inf)
    return out


def _most_more(problem: Problem) -> Floats:
    """Return the largest of these factors over the kinds, any size at onset allowed, over what is held already [-]."""
    within = np.min([share_within(one, problem.limit_mm) for one in problem.kinds], axis=0)[1:]
    return np.where(within > _LEAST_SHARE, 1 / np.maximum(within, _LEAST_SHARE), np.inf)


def _times(values: Floats, more: Floats) -> Floats:
    """Multiply; what is multiplied without end is without end, even if it is nothing."""
    is_known = np.isfinite(more)
    return np.where(is_known, values * np.where(is_known, more, 1.0), np.inf)
