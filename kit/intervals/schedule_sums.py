"""What schedules of looks let through of sampled damage, by age and draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from kit.growth import as_form
from kit.intervals.damage_samples import Growing, Particles
from kit.numerics.typing import Floats

SUMMED = ("exceedances", "preventable", "exposure", "preventable_exposure")
"""What is summed by age: regions that pass the limit unfound or arise beyond it; the part that started within the limit on
the tapped side; hours beyond the limit and unfound; the part's."""

MOST_LOOKS = 2000
"""Looks up to the horizon that a risk is worked out for."""
_EARLY = 8  # pieces of the time before the first look, in which sums are taken
_MOST_PIECES = 12
_BLOCK = 32_768  # samples a pass, which stay in the processor's cache


@dataclass(frozen=True, eq=False, kw_only=True)
class ScheduleRisk:
    """What schedules let through under each draw, by age.

    Parameters
    ----------
    ages : ndarray, shape (n_knots,)
        Ends of the gaps between looks, from 0 to the horizon [clock units].
    gathers : dict of str to ndarray, shape (n_knots - 1, n_draws)
        What comes in each gap, per panel: exceedances and preventable [-], exposure and preventable_exposure
        [clock units].
    """

    ages: Floats
    gathers: dict[str, Floats]

    @cached_property
    def counts(self) -> dict[str, Floats]:
        """Sums up to each age, by measure [shape (n_draws, n_knots)]."""
        return {name: running_sums(values) for name, values in self.gathers.items()}

    def mean(self, name: str) -> Floats:
        """Mean over the horizon.

        Parameters
        ----------
        name : str
            A measure.

        Returns
        -------
        ndarray, shape (n_draws,)
            Per panel and clock unit.
        """
        return self.gathers[name].sum(axis=0) / self.ages[-1]


def running_sums(values: Floats) -> Floats:
    """Sum what comes in each gap up to each age, from 0 on.

    Parameters
    ----------
    values : ndarray, shape (n_knots - 1, n_draws)
        What comes in each gap.

    Returns
    -------
    ndarray, shape (n_draws, n_knots)
        Sums; 0 first.
    """
    out = np.zeros((values.shape[0] + 1, values.shape[1]))
    np.cumsum(values, axis=0, out=out[1:])
    return out.T


def schedule_risk(
    particles: Particles,
    *,
    first: float,
    repeat: float,
    step: float = np.inf,
    is_capped: bool = False,
    names: Sequence[str] = SUMMED,
) -> ScheduleRisk:
    """Work out what one schedule lets through under each draw.

    Parameters
    ----------
    particles : Particles
        Sampled damage.
    first, repeat : float
        First look and spacing after it [clock units].
    step : float
        Longest gap between two ages at which sums are taken [clock units].
    is_capped : bool
        Whether the POD stays beyond the limit as it is at it.
    names : sequence of str
        Of `SUMMED` those that are wanted.

    Returns
    -------
    ScheduleRisk
        Sums by age.

    Raises
    ------
    ValueError
        If an argument is not positive, or the schedule has more than 2,000 looks.
    """
    horizon = particles.horizon
    for name, value in (("first", first), ("repeat", repeat)):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"`{name}` must be positive and finite. Got {value!r}.")
    n_looks = 0 if first >= horizon else int(np.ceil((horizon - first) / repeat - 1e-12))
    if n_looks > MOST_LOOKS:
        raise ValueError(
            f"`repeat` must leave at most {MOST_LOOKS} looks up to the horizon. Got {n_looks} looks with "
            f"repeat={repeat:g} and horizon={horizon:g}. Check that both are on one clock."
        )
    looks = np.concatenate([first + repeat * np.arange(n_looks), [horizon]])
    # Between two looks sums bend, so that long gaps are cut; before the first look they bend most.
    ends, is_look, before = [], [], 0.0
    for look in looks:
        pieces = int(np.clip(np.ceil((look - before) / step), 1, _MOST_PIECES))
        pieces = max(pieces, _EARLY) if before == 0 and np.isfinite(step) else pieces
        ends.append(before + (look - before) * np.arange(1, pieces + 1) / pieces)
        is_look.append(np.arange(1, pieces + 1) == pieces)
        before = look
    ends, is_look = np.concatenate(ends), np.concatenate(is_look)
    is_look[-1] = False
    if is_capped:
        gathers = _capped_sums(particles, first, repeat, n_looks, ends, is_look, names)
        return ScheduleRisk(ages=np.concatenate([[0.0], ends]), gathers=gathers)
    sums = {name: np.zeros((ends.size, particles.draws.n)) for name in SUMMED}
    block = max(_BLOCK // particles.onset.shape[1], 32)
    for begin in range(0, particles.draws.n, block):
        _sum_block(particles, slice(begin, begin + block), ends, is_look, sums)
    return ScheduleRisk(ages=np.concatenate([[0.0], ends]), gathers=sums)


def _sum_block(
    particles: Particles,
    rows: slice,
    ends: Floats,
    is_look: np.ndarray,
    sums: dict[str, Floats],
) -> None:
    """Add what passes in each gap between looks, for some of the draws; every look meets all that is there."""
    pod, form = particles.draws.pod, particles.draws.form[rows]
    names = [str(name) for name in np.unique(form)]
    # Single precision is exact to 1e-6 here, and twice as fast or more.
    single = np.float32
    with np.errstate(divide="ignore"):
        middle = np.log(pod.a50[rows]).astype(single)[:, None]
    slope, plateau, far_share, far_plateau = (
        column[rows].astype(single)[:, None]
        for column in (pod.slope, pod.plateau, pod.far_side_share, pod.far_side_plateau)
    )
    two_sides = bool((far_share > 0).any())
    onset, start, speed, weight, delay = (
        getattr(particles, name)[rows].astype(single)
        for name in ("onset", "start", "speed", "weight", "delay")
    )
    passes = onset + delay
    near, far = weight * (1 - far_share), weight * far_share
    n_grow = particles.n_grow
    before = 0.0
    for m, end in enumerate(ends):
        spent = np.maximum(single(end) - np.maximum(passes, single(before)), single(0))
        new = (passes > single(before)) & (passes <= single(end))
        found_late, unfound = near * new, near * spent
        sums["preventable"][m, rows] = found_late[:, :n_grow].sum(axis=1)
        sums["preventable_exposure"][m, rows] = unfound[:, :n_grow].sum(axis=1)
        if two_sides:
            found_late, unfound = found_late + far * new, unfound + far * spent
        sums["exceedances"][m, rows] = found_late.sum(axis=1)
        sums["exposure"][m, rows] = unfound.sum(axis=1)
        if is_look[m]:
            since = np.maximum(single(end) - onset, single(0))
            log_size = _log_size(form, names, start + speed * since)
            with np.errstate(over="ignore"):
                relative = (since > 0) / (1 + np.exp(slope * (middle - log_size)))
            near *= 1 - plateau * relative
            if two_sides:
                far *= 1 - far_plateau * relative
        before = end


def _capped_sums(
    particles: Particles,
    first: float,
    repeat: float,
    n_looks: int,
    ends: Floats,
    is_look: np.ndarray,
    names: Sequence[str],
) -> dict[str, Floats]:
    """Sum what has passed by each age, with a POD that stays beyond the limit as it is at it.

    Each sample meets only the looks between its onset and the limit one by one. What has passed is missed by every
    look with one chance, so that it is carried on from gap to gap as one sum for each draw.
    """
    n, n_ends, pod = particles.draws.n, ends.size, particles.draws.pod
    is_whole = not {"preventable", "preventable_exposure"}.issuperset(names)
    is_timed = any("exposure" in name for name in names)
    two_sides = is_whole and bool((pod.far_side_share > 0).any())
    grown = particles.grown
    near, far = np.empty(grown.passes.size), np.empty(grown.passes.size if two_sides else 0)
    for some in particles.growing:
        missed, missed_far = _missed_before_limit(some, first, repeat, n_looks, two_sides)
        near[some.place] = missed
        if two_sides:
            far[some.place] = missed_far
    # Parts that are missed alike once they have passed: what grew on the side that is tapped, what was born beyond the
    # limit there, and what is on the other side.
    weights = [[(grown, grown.near * near)]]
    if is_whole:
        born = particles.born_beyond
        weights.append([(born, born.near)])
    if two_sides:
        weights.append([(grown, grown.far * far), (born, born.far)])
    count = np.zeros((len(weights), n_ends, n))
    unfound = np.zeros_like(count) if is_timed else count
    for laid in (grown, born) if is_whole else (grown,):
        gaps = laid.gaps(ends)
        cell = np.repeat(np.arange(0, n * n_ends, n), gaps)
        cell += laid.draw
        left = np.repeat(ends, gaps) - laid.passes if is_timed else None
        for k, part in enumerate(weights):
            for weight in (weight for owner, weight in part if owner is laid):
                count[k] += np.bincount(cell, weight, n * n_ends).reshape(n_ends, n)
                if left is not None:
                    unfound[k] += np.bincount(cell, weight * left, n * n_ends).reshape(n_ends, n)
    if is_timed:  # what has passed and stands unfound adds the whole of each later gap
        relative = 1 / (1 + (pod.a50 / particles.limit) ** pod.slope)
        missed = np.stack([1 - pod.plateau * relative] * 2 + [1 - pod.far_side_plateau * relative])
        missed, standing = missed[: len(weights)], np.zeros((len(weights), n))
        for m, (is_looked, length) in enumerate(zip(is_look, np.diff(ends, prepend=0.0), strict=True)):
            unfound[:, m] += standing * length
            standing += count[:, m]
            if is_looked:
                standing *= missed
    out = {"preventable": count[0], "preventable_exposure": unfound[0]}
    if is_whole:
        out |= {"exceedances": count.sum(axis=0), "exposure": unfound.sum(axis=0)}
    return {name: out[name] for name in names}


def _missed_before_limit(
    some: Growing, first: float, repeat: float, n_looks: int, two_sides: bool
) -> tuple[Floats, Floats]:
    """Chance of each sample that all looks between its onset and the limit miss it, on the near and the far side."""
    begin, end = ((ages - first) / repeat for ages in (some.onset, some.passes))
    np.floor(begin, out=begin)
    begin += 1
    np.ceil(end, out=end)
    for which in (begin, end):
        np.maximum(which, 0, out=which)
        np.minimum(which, n_looks, out=which)
    fewer = np.minimum(begin - end, 0).astype(np.int16)
    # Those with most looks first, so that the samples that meet one more look are always the first ones.
    order = np.argsort(fewer, kind="stable")
    looks = -fewer
    having = looks.size - np.cumsum(np.bincount(looks))
    order = order[: having[0]]
    single = np.float32
    at = first + repeat * begin[order] - some.onset[order]
    position = (some.start[order] + some.speed[order] * at).astype(single)
    step = (some.speed[order] * repeat).astype(single)
    middle, slope, plateau, far_plateau = (
        values[order] for values in (some.middle, some.slope, some.plateau, some.far_plateau)
    )
    near = np.ones(order.size, single)
    far = np.ones(order.size if two_sides else 0, single)
    for j in range(having.size - 1):
        now = slice(0, int(having[j]))
        log_size = _log_size_of(some.form, position[now] + single(j) * step[now])
        log_size -= middle[now]
        log_size *= -slope[now]
        with np.errstate(over="ignore"):
            relative = 1 / (1 + np.exp(log_size, out=log_size))
        near[now] *= 1 - plateau[now] * relative
        if two_sides:
            far[now] *= 1 - far_plateau[now] * relative
    out = np.ones((1 + two_sides, looks.size))
    out[0, order] = near
    if two_sides:
        out[1, order] = far
    return out[0], out[-1]


def _log_size(form: np.ndarray, names: Sequence[str], position: Floats) -> Floats:
    """Return the logs of the sizes at positions."""
    if len(names) == 1:
        return _log_size_of(names[0], position)
    out = np.empty_like(position)
    for name in names:
        rows = form == name
        out[rows] = _log_size_of(name, position[rows])
    return out


def _log_size_of(name: str, position: Floats) -> Floats:
    if name == "proportional":
        return position
    if name == "linear":
        return np.log(position)
    with np.errstate(divide="ignore"):
        return np.log(as_form(name).size_at(position))
