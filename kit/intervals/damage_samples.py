"""Damage that is sampled under joint draws, once for every schedule: common random numbers."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from kit.growth import as_form
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, onsets_by_age, rotated_lattice, uniform_points

_AGES = 65  # cells of age in which onsets are counted
_LEAST_SPREAD = 0.02
_LARGE = 250_000  # samples from which on no damage that begins smaller is kept


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

    @property
    def is_large(self) -> bool:
        """Whether so much is sampled that what is quickly sampled again is not kept."""
        return self.onset.size > _LARGE

    def with_smaller_onset(self, times: float) -> Particles:
        """Return damage that begins smaller and is the same in all else, on the same points; kept for the next call unless it is large.

        Parameters
        ----------
        times : float
            How many times smaller [-].

        Returns
        -------
        Particles
            As `sample_damage` gives them.
        """
        made = self._smaller.get(times)
        if made is None:
            draws = replace(self.draws, onset_median=self.draws.onset_median / times)
            made = sample_damage(draws, self.points, limit=self.limit)
            if not self.is_large:
                self._smaller[times] = made
        return made

    @cached_property
    def passes(self) -> Floats:
        """Age at which each is beyond the limit [clock units]."""
        return self.onset + self.delay

    @cached_property
    def n_grow(self) -> int:
        """How many of a draw start within the limit; they stand first."""
        return int((~self.born).sum())

    @cached_property
    def grown(self) -> Laid:
        """Damage that starts within the limit, laid out once for all schedules."""
        return Laid.of(self, slice(0, self.n_grow))

    @cached_property
    def born_beyond(self) -> Laid:
        """Damage born beyond the limit, laid out once for all schedules that ask for it."""
        return Laid.of(self, slice(self.n_grow, None))

    @cached_property
    def growing(self) -> tuple[Growing, ...]:
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
                Growing(
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


class Laid(NamedTuple):
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
    def of(cls, particles: Particles, columns: slice) -> Laid:
        """Lay out some of the samples of every draw.

        Parameters
        ----------
        particles : Particles
            The samples.
        columns : slice
            Which of each draw.

        Returns
        -------
        Laid
            In the order in which they pass the limit.
        """
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
        """Count how many pass in each gap.

        Parameters
        ----------
        ends : ndarray, shape (n_gaps,)
            Ends of the gaps, rising [clock units].

        Returns
        -------
        ndarray of int, shape (n_gaps,)
            What is beyond the last end counts to the last gap.
        """
        upto = np.searchsorted(self.passes, ends, side="right")
        upto[-1] = self.passes.size
        return np.diff(upto, prepend=0)


class Growing(NamedTuple):
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


def _position(form: np.ndarray, size: Floats) -> Floats:
    """Positions of sizes on the scale of each draw's form."""
    out = np.empty(np.broadcast_shapes(size.shape, (form.size, 1)))
    size = np.broadcast_to(size, out.shape)
    for name in np.unique(form):
        rows = form == name
        out[rows] = as_form(str(name)).position(size[rows])
    return out
