"""Risk of schedules under joint draws, where life, growth and detection all differ from draw to draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from kit.growth import as_form
from kit.intervals.risk import PER_FLIGHT_HOURS, per_flight_hours
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, onsets_by_age, rotated_lattice, uniform_points

MEASURES = ("exposure", "exceedances", "preventable", "not_preventable", "preventable_exposure")
"""Per 10,000 panel flight hours: hours beyond the limit and unfound; regions that pass the limit unfound or
arise beyond it; the part that started within the limit on the tapped side; the rest; its exposure."""

SUMMED = ("exceedances", "preventable", "exposure", "preventable_exposure")
"""What is summed by age; the rest follows."""

_AGES = 65  # cells of age in which onsets are counted
_LEAST_SPREAD = 0.02
MOST_LOOKS = 2000
"""Looks up to the horizon that a risk is worked out for."""
_EARLY = 8  # pieces of the time before the first look, in which sums are taken
_MOST_PIECES = 12
_BLOCK = 32_768  # samples a pass, which stay in the processor's cache


@dataclass(frozen=True, eq=False, kw_only=True)
class Particles:
    """Samples of damage under each draw, which every schedule meets: common random numbers.

    Parameters
    ----------
    onset : ndarray, shape (n_draws, n)
        Age at onset, rising along the samples of each part [clock units].
    start : ndarray, shape (n_draws, n)
        Position of the size at onset on the scale of the form.
    speed : ndarray, shape (n_draws, n)
        Growth of that position [1/clock unit].
    delay : ndarray, shape (n_draws, n)
        Time from onset to the limit; 0 for damage born beyond it [clock units].
    weight : ndarray, shape (n_draws, n)
        Expected number that each stands for, up to the horizon [per panel].
    born : ndarray of bool, shape (n,)
        Which are born beyond the limit; they stand last.
    limit : ndarray, shape (n_draws,)
        Largest size that may stay [mm].
    draws : KindDraws
        What was sampled, on the clock of the schedule.
    points : Points
        What of them rests on lives alone, and the horizon.
    """

    onset: Floats
    start: Floats
    speed: Floats
    delay: Floats
    weight: Floats
    born: np.ndarray
    limit: Floats
    draws: KindDraws
    points: Points
    _smaller: dict[float, Particles] = field(default_factory=dict, repr=False)

    @property
    def horizon(self) -> float:
        """Age up to which onsets were sampled [clock units]."""
        return self.points.horizon

    def with_smaller_onset(self, times: float) -> Particles:
        """Return damage that begins smaller and is the same in all else, on the same points; kept for the next call.

        Parameters
        ----------
        times : float
            How many times smaller [-].

        Returns
        -------
        Particles
            As `sample_damage` gives them.
        """
        if times not in self._smaller:
            draws = replace(self.draws, onset_median=self.draws.onset_median / times)
            self._smaller[times] = sample_damage(draws, self.points, limit=self.limit)
        return self._smaller[times]

    @cached_property
    def passes(self) -> Floats:
        """Age at which each is beyond the limit [clock units]."""
        return self.onset + self.delay

    @cached_property
    def n_grow(self) -> int:
        """How many of a draw start within the limit; they stand first."""
        return int((~self.born).sum())

    @cached_property
    def grown(self) -> _Laid:
        """Damage that starts within the limit, laid out once for all schedules."""
        return _Laid.of(self, slice(0, self.n_grow))

    @cached_property
    def born_beyond(self) -> _Laid:
        """Damage born beyond the limit, laid out once for all schedules that ask for it."""
        return _Laid.of(self, slice(self.n_grow, None))

    @cached_property
    def growing(self) -> tuple[_Growing, ...]:
        """Damage that starts within the limit, laid out for the looks before it passes: worked out once."""
        grown, pod, out = self.grown, self.draws.pod, []
        # By number: to sort the names of all samples would take longer than to sample them.
        names, form = np.unique(self.draws.form, return_inverse=True)
        form = form[grown.draw]
        with np.errstate(divide="ignore"):
            middle = np.log(pod.a50)
        where = grown.draw * self.onset.shape[1] + grown.sample
        for i, name in enumerate(names):
            place = np.flatnonzero(form == i)
            draw = grown.draw[place]

            def column(values: Floats, draw: np.ndarray = draw) -> Floats:
                return values.astype(np.float32)[draw]

            onset, start, speed = (
                getattr(self, part).ravel()[where[place]] for part in ("onset", "start", "speed")
            )
            out.append(
                _Growing(
                    form=str(name),
                    place=place,
                    onset=onset,
                    passes=grown.passes[place],
                    start=start,
                    speed=speed,
                    middle=column(middle),
                    slope=column(pod.slope),
                    plateau=column(pod.plateau),
                    far_plateau=column(pod.far_side_plateau),
                )
            )
        return tuple(out)


class _Laid(NamedTuple):
    """Samples of all draws in the order in which they pass the limit, so that those of one gap stand together.

    Parameters
    ----------
    passes : ndarray, shape (n,)
        Age at which each is beyond the limit, rising [clock units].
    draw, sample : ndarray of int, shape (n,)
        Where each stands in `Particles`.
    near, far : ndarray, shape (n,)
        Weight on the side that is tapped, and on the other one [per panel].
    """

    passes: Floats
    draw: np.ndarray
    sample: np.ndarray
    near: Floats
    far: Floats

    @classmethod
    def of(cls, particles: Particles, columns: slice) -> _Laid:
        passes = particles.passes[:, columns]
        order = np.argsort(passes, axis=None, kind="stable")
        draw, sample = np.unravel_index(order, passes.shape)
        weight = particles.weight[:, columns].ravel()[order]
        hidden = particles.draws.pod.far_side_share[draw]
        return cls(
            passes=passes.ravel()[order],
            draw=draw,
            sample=sample,
            near=weight * (1 - hidden),
            far=weight * hidden,
        )

    def gaps(self, ends: Floats) -> np.ndarray:
        """Return how many pass in each gap; what is beyond the last end counts to the last gap."""
        upto = np.searchsorted(self.passes, ends, side="right")
        upto[-1] = self.passes.size
        return np.diff(upto, prepend=0)


class _Growing(NamedTuple):
    """Samples of one form of growth that pass the limit after their onset, in the order in which they do.

    Parameters
    ----------
    form : str
        Form of growth.
    place : ndarray of int, shape (n,)
        Where they stand among all that grow.
    onset, passes : ndarray, shape (n,)
        Ages at onset and when the limit is passed [clock units].
    start, speed : ndarray, shape (n,)
        As in `Particles`.
    middle, slope, plateau, far_plateau : ndarray, shape (n,)
        POD of the draw of each: log of a50, slope, plateau on either side.
    """

    form: str
    place: np.ndarray
    onset: Floats
    passes: Floats
    start: Floats
    speed: Floats
    middle: np.ndarray
    slope: np.ndarray
    plateau: np.ndarray
    far_plateau: np.ndarray


def share_within(draws: KindDraws, limit: float | Floats) -> Floats:
    """Share of damage that begins within the limit, in each draw.

    Parameters
    ----------
    draws : KindDraws
        One kind of damage.
    limit : float or ndarray, shape (n_draws,)
        Largest size that may stay, in the size that the growth speaks of [mm].

    Returns
    -------
    ndarray, shape (n_draws,)
        Share; of all sizes at onset, on either side [-].
    """
    return ndtr(np.log(limit / draws.onset_median) / np.maximum(draws.onset_log_sd, _LEAST_SPREAD))


class Points(NamedTuple):
    """What is sampled of damage whatever its size at onset and the limit: ages, and places of the rest.

    Parameters
    ----------
    horizon : float
        Age up to which onsets count [clock units].
    total : ndarray, shape (n_draws, 1)
        Onsets up to the horizon [per panel].
    onset, onset_beyond : ndarray, shape (n_draws, n_grow) and (n_draws, n_born)
        Ages at onset, rising along each draw: of damage that starts within the limit, and beyond it [clock units].
    within, beyond : tuple of ndarray
        Of each of these two places between 0 and 1: of the size at onset, and of how fast it grows [-].
    """

    horizon: float
    total: Floats
    onset: Floats
    onset_beyond: Floats
    within: tuple[Floats, Floats]
    beyond: tuple[Floats, Floats]


def sample_points(draws: KindDraws, *, horizon: float, n: int, seed: int) -> Points:
    """Sample what rests neither on sizes nor on the limit.

    Parameters
    ----------
    draws : KindDraws
        On the clock of the schedule; their lives count.
    horizon : float
        Age up to which onsets count [clock units].
    n : int
        Samples of each draw.
    seed : int
        Of the points; the same points serve every schedule.

    Returns
    -------
    Points
        One fourth of them for damage that is born beyond the limit.
    """
    n_born = max(n // 4, 8)
    n_grow = n - n_born
    shift = uniform_points(draws.n, 6, seed=seed)
    ages = np.linspace(0.0, horizon, _AGES)
    onsets = onsets_by_age(draws.scale, draws.shape, restoration=draws.restoration, ages=ages)
    return Points(
        horizon=float(horizon),
        total=onsets[:, -1:],
        onset=_spread_evenly(ages, onsets, n_grow, shift[:, 0]),
        onset_beyond=_spread_evenly(ages, onsets, n_born, shift[:, 3]),
        within=tuple(rotated_lattice(n_grow, shift[:, 1:3])),
        beyond=tuple(rotated_lattice(n_born, shift[:, 4:6])),
    )


def _spread_evenly(ages: Floats, onsets: Floats, count: int, turn: Floats) -> Floats:
    """Return ages at onset, evenly spread in the expected number of onsets of each draw."""
    n, total = onsets.shape[0], onsets[:, -1:]
    wanted = (np.arange(count)[None, :] + turn[:, None]) / count * total
    # All draws in one search: each has a range of its own, from its number up to the next one.
    row = np.arange(n)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        knots = row + np.nan_to_num(onsets / total, nan=0.0)
    flat = np.searchsorted(knots.ravel(), (row + wanted / np.maximum(total, 1e-300)).ravel(), side="right")
    left = np.clip(flat.reshape(wanted.shape) - 1 - row * ages.size, 0, ages.size - 2)
    low, high = (onsets[row, left + k] for k in (0, 1))
    share = np.clip((wanted - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
    return np.minimum(ages[left] + share * (ages[1] - ages[0]), ages[-1] * (1 - 1e-9))


def sample_damage(draws: KindDraws, at: Points, *, limit: float | Floats) -> Particles:
    """Sample damage under each draw.

    Parameters
    ----------
    draws : KindDraws
        On the clock of the schedule.
    at : Points
        What `sample_points` gives for their lives.
    limit : float or ndarray, shape (n_draws,)
        Largest size that may stay, in the size that the growth speaks of [mm].

    Returns
    -------
    Particles
        Some of them born beyond the limit; the others all pass it before the horizon, weighted by
        their chance to, and crowd towards short delays, which looks miss most.
    """
    n_grow, n_born = at.onset.shape[1], at.onset_beyond.shape[1]
    column = np.broadcast_to(np.asarray(limit, np.float64), (draws.n,))[:, None]
    median, spread = draws.onset_median[:, None], np.maximum(draws.onset_log_sd, _LEAST_SPREAD)[:, None]
    rate, rate_spread = draws.rate_median[:, None], np.maximum(draws.rate_log_sd, _LEAST_SPREAD)[:, None]
    still = draws.no_growth_share[:, None]
    within = share_within(draws, limit)[:, None]
    # Damage that starts within the limit and grows.
    (u_start, u_delay), left = at.within, at.horizon - at.onset
    start = np.minimum(
        median * np.exp(spread * ndtri(within * (1 - (1 - u_start) ** 2))), column * (1 - 1e-9)
    )
    crowd = 2 * (1 - u_start)
    start_at, limit_at = _position(draws.form, start), _position(draws.form, column)
    way = np.maximum(limit_at - start_at, 1e-300)
    slowest = np.log(way / left)
    chance = ndtr((np.log(rate) - slowest) / rate_spread)
    delay = way / rate * np.exp(rate_spread * ndtri(np.maximum(chance * u_delay**2, 1e-300)))
    delay = np.minimum(delay, left)
    weight = at.total * within * (1 - still) * chance * crowd * 2 * u_delay / n_grow
    # Damage born beyond the limit, some of which grows.
    u_start_b, u_rate = at.beyond
    start_b = np.maximum(
        median * np.exp(-spread * ndtri(np.maximum((1 - within) * u_start_b, 1e-300))), column
    )
    grows = u_rate > still
    z = ndtri(np.clip((u_rate - still) / np.maximum(1 - still, 1e-9), 1e-9, 1 - 1e-9))
    speed_b = np.where(grows, rate * np.exp(rate_spread * z), 0.0)
    weight_b = np.broadcast_to(at.total * (1 - within) / n_born, start_b.shape)
    return Particles(
        onset=np.concatenate([at.onset, at.onset_beyond], axis=1),
        start=np.concatenate([start_at, _position(draws.form, start_b)], axis=1),
        speed=np.concatenate([way / delay, speed_b], axis=1),
        delay=np.concatenate([delay, np.zeros_like(start_b)], axis=1),
        weight=np.concatenate([weight, weight_b], axis=1),
        born=np.r_[np.zeros(n_grow, bool), np.ones(n_born, bool)],
        limit=np.broadcast_to(np.asarray(limit, np.float64), (draws.n,)),
        draws=draws,
        points=at,
    )


def _position(form: np.ndarray, size: Floats) -> Floats:
    """Positions of sizes on the scale of each draw's form."""
    out = np.empty(np.broadcast_shapes(size.shape, (form.size, 1)))
    size = np.broadcast_to(size, out.shape)
    for name in np.unique(form):
        rows = form == name
        out[rows] = as_form(str(name)).position(size[rows])
    return out


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
        return {name: _gathered(values) for name, values in self.gathers.items()}

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


def _gathered(values: Floats) -> Floats:
    """Sum what comes in each gap up to each age, from 0 on."""
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
    some: _Growing, first: float, repeat: float, n_looks: int, two_sides: bool
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


@dataclass(frozen=True, kw_only=True)
class Usage:
    """How a part of the fleet uses its panels.

    Parameters
    ----------
    name : str
        Subtype, or another part.
    share : float
        Share of the panels [-].
    clock_per_unit : dict of str to float
        Units of each clock per unit of the schedule's clock [-].
    """

    name: str
    share: float
    clock_per_unit: dict[str, float]

    @property
    def hours(self) -> float:
        """Flight hours per unit of the schedule's clock."""
        return self.clock_per_unit["flight_hours"]


@dataclass(frozen=True, eq=False, kw_only=True)
class JointRisk:
    """Risk of any schedule for one group of zones, under joint draws of all its kinds of damage.

    Parameters
    ----------
    usages : tuple of Usage
        Parts of the fleet, each on its own clocks.
    particles : dict of tuple to Particles
        Sampled damage by kind and part of the fleet.
    horizon : float
        Age up to which damage counts [units of the schedule's clock].
    limit : float
        Largest size that may stay; damage beyond it counts as found no more surely than at it, so that larger
        damage or faster growth never allows a longer interval [mm].
    window_hours : float
        Length of the window of age in which the worst mean is sought [flight hours].
    is_capped : bool
        Whether the POD stays beyond the limit as it is at it; not for records of form 1, which did not know that.
    """

    usages: tuple[Usage, ...]
    particles: dict[tuple[str, str], Particles]
    horizon: float
    limit: float
    window_hours: float = PER_FLIGHT_HOURS
    is_capped: bool = True
    _kept: dict[tuple, ScheduleRisk] = field(default_factory=dict, repr=False)

    @classmethod
    def prepare(
        cls,
        kinds: Sequence[KindDraws],
        *,
        usages: Sequence[Usage],
        clock: str,
        limit: float,
        horizon: float,
        seed: int,
        window_hours: float = PER_FLIGHT_HOURS,
        samples: int = 96,
        is_capped: bool = True,
    ) -> JointRisk:
        """Sample the damage that every schedule is to meet.

        Parameters
        ----------
        kinds : sequence of KindDraws
            Draws by kind, each on its own clock.
        usages : sequence of Usage
            Parts of the fleet; their shares sum to 1.
        clock : str
            Clock of the schedule.
        limit : float
            Largest size that may stay [mm].
        horizon : float
            Age up to which damage counts [units of the schedule's clock].
        seed : int
            Of the samples.
        window_hours : float
            Length of the window for the worst mean [flight hours].
        samples : int
            Samples for each draw and kind, over all parts of the fleet.
        is_capped : bool
            Whether the POD stays beyond the limit as it is at it.

        Returns
        -------
        JointRisk
            Ready to be asked.
        """
        n = max(samples // len(usages), 48)
        particles = {}
        for i, draws in enumerate(kinds):
            for j, usage in enumerate(usages):
                on_schedule = draws.on_clock(usage.clock_per_unit[draws.clock], clock)
                at = sample_points(on_schedule, horizon=horizon, n=n, seed=seed + 1000 * i + j)
                particles[draws.kind, usage.name] = sample_damage(on_schedule, at, limit=limit)
        return cls(
            usages=tuple(usages),
            particles=particles,
            horizon=float(horizon),
            limit=float(limit),
            window_hours=window_hours,
            is_capped=is_capped,
        )

    def with_smaller_onset(self, times: float) -> JointRisk:
        """Return the risk of damage that begins smaller and is the same in all else, on the same points.

        Parameters
        ----------
        times : float
            How many times smaller [-].

        Returns
        -------
        JointRisk
            Nothing is kept of the schedules worked out before.
        """
        particles = {key: one.with_smaller_onset(times) for key, one in self.particles.items()}
        return replace(self, particles=particles, _kept={})

    def of_part(self, name: str) -> JointRisk:
        """Return the risk for one part of the fleet alone, on the same sampled damage.

        Parameters
        ----------
        name : str
            Part of the fleet.

        Returns
        -------
        JointRisk
            Schedules that were worked out for all parts need not be for this one.
        """
        usages = tuple(replace(one, share=1.0) for one in self.usages if one.name == name)
        particles = {key: one for key, one in self.particles.items() if key[1] == name}
        part = replace(self, usages=usages, particles=particles, _kept={})
        # Sums are taken at steps of flight hours: what is kept serves both only where an hour is as long.
        is_alike = np.isclose(part.hours_per_unit(), self.hours_per_unit(), rtol=1e-12)
        return replace(part, _kept=self._kept) if is_alike else part

    def _schedule(
        self, key: tuple[str, str], first: float, repeat: float, names: Sequence[str]
    ) -> ScheduleRisk:
        at = (*key, first, repeat)
        if at not in self._kept or not set(names) <= set(self._kept[at].gathers):
            self._kept[at] = schedule_risk(
                self.particles[key],
                first=first,
                repeat=repeat,
                step=self.window_hours / self.hours_per_unit() / 4,
                is_capped=self.is_capped,
                names=SUMMED if at in self._kept else names,
            )
        return self._kept[at]

    def gathered(
        self,
        *,
        first: float,
        repeat: float,
        part: str | None = None,
        multipliers: dict[str, Floats] | None = None,
        names: Sequence[str] = (*SUMMED, "not_preventable"),
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum what a schedule lets through by age, over kinds of damage and parts of the fleet.

        Parameters
        ----------
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        part : str, optional
            One part of the fleet. Default: all, weighted by their panels and, for exposure, by what they fly.
        multipliers : dict of str to ndarray, optional
            By kind: hazard of a zone over that of the group, one for each draw [-].
        names : sequence of str
            Measures that are wanted.

        Returns
        -------
        ages : ndarray, shape (n_knots,)
            From 0 to the horizon [units of the schedule's clock].
        sums : dict of str to ndarray, shape (n_draws, n_knots)
            Exceedances, preventable, not_preventable [per panel], exposure, preventable_exposure [units of the
            schedule's clock per panel]; the central value first.
        """
        sums: dict[str, Floats] = {}
        ages = np.zeros(0)
        if len(names) > 1:  # at once what else would be worked out measure by measure
            for key in self.particles:
                self._schedule(key, first, repeat, SUMMED)
        for name in names:
            ages, by_kind = self._gathers_by_kind(name, first, repeat, part)
            sums[name] = _gathered(
                sum(
                    values if multipliers is None else multipliers[kind] * values
                    for kind, values in by_kind.items()
                )
            )
        return ages, sums

    def gathered_by_kind(
        self, name: str, *, first: float, repeat: float, part: str | None = None
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum one measure of a schedule by age, kind by kind, over parts of the fleet.

        Parameters
        ----------
        name : str
            One of `MEASURES`.
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        part : str, optional
            One part of the fleet. Default: all.

        Returns
        -------
        ages : ndarray, shape (n_knots,)
            From 0 to the horizon [units of the schedule's clock].
        sums : dict of str to ndarray, shape (n_draws, n_knots)
            By kind, as `gathered` sums them.
        """
        ages, by_kind = self._gathers_by_kind(name, first, repeat, part)
        return ages, {kind: _gathered(values) for kind, values in by_kind.items()}

    def _gathers_by_kind(
        self, name: str, first: float, repeat: float, part: str | None
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum what comes of one measure in each gap, kind by kind, over parts of the fleet."""
        if name == "not_preventable":
            ages, every = self._gathers_by_kind("exceedances", first, repeat, part)
            _, some = self._gathers_by_kind("preventable", first, repeat, part)
            return ages, {kind: values - some[kind] for kind, values in every.items()}
        some = [usage for usage in self.usages if part in (None, usage.name)]
        panels = sum(usage.share for usage in some)
        hours = sum(usage.share * usage.hours for usage in some)
        sums: dict[str, Floats] = {}
        ages = np.zeros(0)
        for usage in some:
            weight = usage.share * usage.hours / hours if "exposure" in name else usage.share / panels
            for kind, owner in self.particles:
                if owner == usage.name:
                    risk = self._schedule((kind, owner), first, repeat, (name,))
                    ages = risk.ages
                    sums[kind] = sums.get(kind, 0.0) + weight * risk.gathers[name]
        return ages, sums

    def hours_per_unit(self, part: str | None = None) -> float:
        """Flight hours per unit of the schedule's clock, over the panels of a part of the fleet or of all.

        Parameters
        ----------
        part : str, optional
            The part.

        Returns
        -------
        float
            Hours [flight hours per unit].
        """
        some = [usage for usage in self.usages if part in (None, usage.name)]
        return sum(u.share * u.hours for u in some) / sum(u.share for u in some)

    def values(
        self,
        name: str,
        *,
        first: float,
        repeat: float,
        worst: bool = True,
        part: str | None = None,
        multipliers: dict[str, Floats] | None = None,
    ) -> Floats:
        """Return a measure of a schedule under each draw, per 10,000 panel flight hours.

        Parameters
        ----------
        name : str
            One of `MEASURES`.
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        worst : bool
            In the worst window of age, or as the mean over the horizon.
        part : str, optional
            One part of the fleet. Default: all.
        multipliers : dict of str to ndarray, optional
            By kind: hazard of a zone over that of the group, one for each draw [-].

        Returns
        -------
        ndarray, shape (n_draws,)
            The central value first.
        """
        ages, sums = self.gathered(
            first=first, repeat=repeat, part=part, multipliers=multipliers, names=(name,)
        )
        hours, horizon = self.hours_per_unit(part), float(ages[-1])
        return per_flight_hours(
            name,
            ages[1:],
            sums[name][:, 1:],
            hours_per_unit=hours,
            window=self.window_hours / hours if worst else horizon,
            horizon=horizon,
        ).max(axis=-1)
