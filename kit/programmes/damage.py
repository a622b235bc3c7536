"""Damage that panels may hold unfound now, and damage that is to come: sampled under each joint draw."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from kit.growth import as_form
from kit.numerics.typing import Floats
from kit.posterior import KindDraws, PodDraws, rotated_lattice, uniform_points
from kit.programmes.panels import PanelLives

HIDDEN, COMING = 48, 16
"""Samples of each panel under each draw: of damage that may be there, and of damage that may come."""

_CROWD_TIME, _CROWD_SIZE = 1.5, 1.5  # samples crowd towards the last looks, and towards large sizes at onset
_FAR = 0.25  # share of the samples on the side that is not tapped, where there is one
_LEAST_SPREAD = 0.02
_BLOCK = 120_000  # samples a pass, which stay in the processor's cache

MEASURES = ("finds", "finds_beyond", "exceedances", "exposure")
"""What a walk counts: damage found, the part of it found beyond the limit, damage that gets beyond the limit unfound,
and panel flight hours beyond the limit and unfound."""


def thinned(draws: KindDraws, n: int) -> KindDraws:
    """Return fewer of the draws, evenly spaced, without the central value.

    Parameters
    ----------
    draws : KindDraws
        Joint draws, the central value first.
    n : int
        How many are wanted; no more than there are.

    Returns
    -------
    KindDraws
        The same of them for every kind of one question.
    """
    rows = 1 + np.unique(np.linspace(0, draws.n - 2, min(n, draws.n - 1)).round().astype(int))
    return taken(draws, rows)


def taken(draws: KindDraws, rows: np.ndarray) -> KindDraws:
    """Return some of the draws.

    Parameters
    ----------
    draws : KindDraws
        Joint draws.
    rows : ndarray of int
        Which.

    Returns
    -------
    KindDraws
        These.
    """
    names = (
        "scale",
        "shape",
        "onset_median",
        "onset_log_sd",
        "rate_median",
        "rate_log_sd",
        "no_growth_share",
        "form",
    )
    return replace(
        draws,
        **{name: getattr(draws, name)[rows] for name in names},
        pod=_pod_taken(draws.pod, rows),
        past_pod=None if draws.past_pod is None else _pod_taken(draws.past_pod, rows),
        restoration=None
        if draws.restoration is None
        else np.broadcast_to(draws.restoration, draws.scale.shape)[rows],
    )


def _pod_taken(pod: PodDraws, rows: np.ndarray) -> PodDraws:
    return PodDraws(**{name: values[rows] for name, values in vars(pod).items()})


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelDamage:
    """Samples of one kind of damage on some panels, under some of the draws of one form of growth.

    Parameters
    ----------
    rows : ndarray of int, shape (d,)
        Which draws.
    draws : KindDraws
        These draws, on the clock of the lives.
    onset : ndarray, shape (d, n_panels, k)
        Age at onset [clock units].
    start, speed : ndarray, shape (d, n_panels, k)
        Position at onset on the scale of the form, and its growth [1/clock unit].
    delay : ndarray, shape (d, n_panels, k)
        From onset to the limit; 0 for damage born beyond it, infinite for what stands still [clock units].
    weight : ndarray, shape (d, n_panels, k)
        Expected number that each stands for, given all that the looks did not find [-].
    factor : ndarray, shape (d, n_panels, k)
        Share of the damage that begins in its stretch of age that each stands for [-].
    plateau : ndarray, shape (d, k)
        Highest POD that it can have: that of its side [-].
    is_far : ndarray of bool, shape (k,)
        Whether it stands for damage on the side that is not tapped.
    hidden : int
        The first of them may be there now, the others come later.
    low, high : ndarray, shape (d, n_panels, k - hidden)
        Ends of the stretch of age of those that come [clock units].
    multiplier : ndarray, shape (d, n_panels)
        Hazard over that of the group [-].
    """

    rows: np.ndarray
    draws: KindDraws
    onset: Floats
    start: Floats
    speed: Floats
    delay: Floats
    weight: Floats
    factor: Floats
    plateau: Floats
    is_far: np.ndarray
    hidden: int
    low: Floats
    high: Floats
    multiplier: Floats

    def log_size(self, age: Floats) -> tuple[Floats, Floats]:
        """Log of the size of each sample, and the time since its onset.

        Parameters
        ----------
        age : ndarray, shape (n_panels,)
            Age of each panel [clock units].

        Returns
        -------
        log_size : ndarray, shape (d, n_panels, k)
            Log of millimetres; of damage that has not begun, its size at onset.
        since : ndarray, shape (d, n_panels, k)
            Not below 0 [clock units].
        """
        since = np.maximum(age.astype(np.float32)[None, :, None] - self.onset, np.float32(0))
        return _log_size(str(self.draws.form[0]), self.start + self.speed * since), since

    def pod(self, age: Floats, pod: PodDraws | None = None) -> Floats:
        """Chance that a look at each panel finds each sample.

        Parameters
        ----------
        age : ndarray, shape (n_panels,)
            Age at the look [clock units].
        pod : PodDraws, optional
            POD of the look under these draws; default that of the draws.

        Returns
        -------
        ndarray, shape (d, n_panels, k)
            0 for damage that has not begun [-].
        """
        log_size, since = self.log_size(age)
        return _chance(pod or self.draws.pod, self.plateau_of(pod), log_size, since)

    def plateau_of(self, pod: PodDraws | None) -> Floats:
        """Highest POD of each sample under a method.

        Parameters
        ----------
        pod : PodDraws or None
            POD by a method; None for that of the draws.

        Returns
        -------
        ndarray, shape (d, k)
            That of its side [-].
        """
        return self.plateau if pod is None else _plateau(pod, self.is_far)

    def is_beyond(self, age: Floats) -> np.ndarray:
        """Which samples are there and beyond the limit.

        Parameters
        ----------
        age : ndarray, shape (n_panels,)
            Age of each panel [clock units].

        Returns
        -------
        ndarray of bool, shape (d, n_panels, k)
            Whether each is.
        """
        at = age.astype(np.float32)[None, :, None]
        return (self.onset + self.delay <= at) & (self.onset <= at)

    def renewed(self, found: Floats, age: Floats) -> Floats:
        """Return how much the weight of what comes later rises where damage is found and repaired.

        Parameters
        ----------
        found : ndarray, shape (d, n_panels)
            Expected number found [-].
        age : ndarray, shape (n_panels,)
            Age at the look [clock units].

        Returns
        -------
        ndarray, shape (d, n_panels, k - hidden)
            To be added to the weights of the later ones; 0 where the question counts the first onset only [-].
        """
        q = self.draws.restoration
        if q is None:
            return np.zeros_like(self.low)
        at = age.astype(np.float32)[None, :, None]
        since_low, since_high = np.maximum(self.low - at, 0), np.maximum(self.high - at, 0)
        virtual = (q[:, None] * age[None, :]).astype(np.float32)[:, :, None]
        base = self._hazard(virtual)
        share = np.exp(base - self._hazard(virtual + since_low)) - np.exp(
            base - self._hazard(virtual + since_high)
        )
        # A stretch in which the look falls counts from the look on; its sample lies there or it is left out.
        share *= self.onset[:, :, self.hidden :] > at
        return found[:, :, None].astype(np.float32) * share * self.factor[:, :, self.hidden :]

    def _hazard(self, age: Floats) -> Floats:
        scale = self.draws.scale.astype(np.float32)[:, None, None]
        shape = self.draws.shape.astype(np.float32)[:, None, None]
        return self.multiplier.astype(np.float32)[:, :, None] * (age / scale) ** shape


def _plateau(pod: PodDraws, is_far: np.ndarray) -> Floats:
    out = np.where(is_far[None, :], pod.far_side_plateau[:, None], pod.plateau[:, None])
    return out.astype(np.float32)


def _chance(pod: PodDraws, plateau: Floats, log_size: Floats, since: Floats) -> Floats:
    """POD of each sample, in single precision, which is exact to 1e-6 here."""
    with np.errstate(divide="ignore"):
        middle = np.log(pod.a50).astype(np.float32)[:, None, None]
    slope = pod.slope.astype(np.float32)[:, None, None]
    with np.errstate(over="ignore"):
        relative = np.subtract(middle, log_size)
        relative *= slope
        np.exp(relative, out=relative)
    relative += 1
    np.divide(plateau[:, None, :], relative, out=relative)
    relative *= since > 0
    return relative


def _log_size(form: str, position: Floats) -> Floats:
    if form == "proportional":
        return position
    if form == "linear":
        return np.log(position)
    with np.errstate(divide="ignore"):
        return np.log(as_form(form).size_at(position)).astype(np.float32)


def damage_blocks(
    lives: PanelLives,
    draws: KindDraws,
    *,
    limit: float,
    ahead: Floats | None = None,
    multiplier: Floats | None = None,
    seed: int = 0,
    hidden: int = HIDDEN,
    coming: int = COMING,
    first: int = 0,
) -> Iterator[tuple[slice, PanelDamage]]:
    r"""Sample the damage that panels may hold now and may get later, some panels and draws at a time.

    Parameters
    ----------
    lives : PanelLives
        Panels with their looks.
    draws : KindDraws
        Joint draws on the clock of the lives, without a central value in front.
    limit : float
        Largest size that may stay [mm].
    ahead : ndarray, shape (n_panels,), optional
        How far ahead damage is to be sampled; default not at all [clock units].
    multiplier : ndarray, shape (n_draws, n_panels), optional
        Hazard of each panel over that of the group [-].
    seed : int
        Of the points.
    hidden, coming : int
        Samples of each panel under each draw.
    first : int
        Number of the first of these panels among all, from which its points follow: so panels worked on elsewhere, some at a
        time, get the points that they get together.

    Yields
    ------
    panels : slice
        Which panels.
    damage : PanelDamage
        Their samples under some draws.

    Notes
    -----
    A panel last known to be sound at age v, looked at since without a find, holds unfound damage with chance

    .. math:: \frac{A}{A + S(a)/S(v)},\quad
       A = \int_v^a \frac{f(T)}{S(v)}\, \mathrm{E}\Big[\prod_{T < t_j} (1 - \mathrm{POD}(g(t_j - T)))\Big] dT,

    the delay-time model with looks that miss. The integral is a sum over stretches of age (exact masses) with
    sizes at onset, rates and sides on a lattice, of another turn for each panel and draw.

    References
    ----------
    .. [1] A. H. Christer, "Developments in delay time analysis for modelling plant maintenance", *J. Oper. Res.
       Soc.*, vol. 50, 1999, pp. 1120-1137 (from memory).
    """
    n, later = len(lives), 0 if ahead is None else coming
    ahead = np.zeros(n) if ahead is None else np.asarray(ahead, np.float64)
    k = hidden + later
    panels_a_pass = max(_BLOCK // k, 1)
    for begin in range(0, n, panels_a_pass):
        part = slice(begin, min(begin + panels_a_pass, n))
        some = lives.take(np.arange(part.start, part.stop))
        for form in np.unique(draws.form):
            which = np.flatnonzero(draws.form == form)
            step = max(_BLOCK // (k * len(some)), 1)
            for at in range(0, which.size, step):
                rows = which[at : at + step]
                own = np.ones((rows.size, len(some))) if multiplier is None else multiplier[rows, part]
                yield (
                    part,
                    _sampled(
                        some,
                        taken(draws, rows),
                        rows,
                        limit=limit,
                        ahead=ahead[part],
                        multiplier=own,
                        seed=seed,
                        hidden=hidden,
                        coming=later,
                        offset=first + begin,
                    ),
                )


def _sampled(
    lives: PanelLives,
    draws: KindDraws,
    rows: np.ndarray,
    *,
    limit: float,
    ahead: Floats,
    multiplier: Floats,
    seed: int,
    hidden: int,
    coming: int,
    offset: int,
) -> PanelDamage:
    d, n, k = rows.size, len(lives), hidden + coming
    single = np.float32
    # In the order of the sequence, so that few draws are even too: those of the joint draws are shuffled.
    turn = uniform_points(1024, 4, seed=seed, stream=31, shuffled=False)[rows % 1024]
    u_start, u_rate, _u_side = rotated_lattice(k, turn[:, :3])
    # What a sample is, under each draw; each panel meets them from another one on.
    two_sided = bool((draws.pod.far_side_share > 0).any())
    is_far = (np.arange(k) % round(1 / _FAR) == 0) & two_sided
    share = draws.pod.far_side_share[:, None]
    side = np.where(is_far, share * k / max(is_far.sum(), 1), (1 - share) * k / max((~is_far).sum(), 1))
    crowd = (1 - u_start) ** (_CROWD_SIZE - 1)
    spread = np.maximum(draws.onset_log_sd, _LEAST_SPREAD)[:, None]
    start_mm = draws.onset_median[:, None] * np.exp(spread * ndtri(1 - (1 - u_start) ** _CROWD_SIZE))
    still = draws.no_growth_share[:, None]
    rate_spread = np.maximum(draws.rate_log_sd, _LEAST_SPREAD)[:, None]
    z = ndtri(np.clip((u_rate - still) / np.maximum(1 - still, 1e-9), 1e-9, 1 - 1e-9))
    speed = np.where(u_rate > still, draws.rate_median[:, None] * np.exp(rate_spread * z), 0.0)
    law = as_form(str(draws.form[0]))
    start, at_limit = law.position(start_mm), law.position(np.array([limit]))
    with np.errstate(divide="ignore", invalid="ignore"):
        delay = np.where(start_mm >= limit, 0.0, (at_limit - start) / speed)
    shift = (np.arange(offset, offset + n) * 7919) % 8191
    near_far = round(1 / _FAR)
    # Turned by whole groups of near and far, so that a sample keeps its side.
    hidden_at = _turned(np.arange(hidden), shift, near_far, hidden)
    coming_at = hidden + _turned(np.arange(coming), shift, near_far, coming)
    index = np.concatenate([hidden_at, coming_at], axis=1)

    def each(values: Floats) -> Floats:
        return values.astype(single)[:, index]

    factor = each(_CROWD_SIZE * crowd * side)
    e = (np.arange(hidden)[None, :] + turn[:, 3:]) / hidden
    edges = np.linspace(0.0, 1.0, hidden + 1)
    span = lives.now - lives.start

    def age_at(part: Floats) -> Floats:
        return lives.now[:, None] - span[:, None] * (1 - part) ** _CROWD_TIME

    onset = lives.now[None, :, None] - span[None, :, None] * ((1 - e) ** _CROWD_TIME)[:, None, :]
    scale, shape = draws.scale[:, None, None], draws.shape[:, None, None]

    def hazard(age: Floats) -> Floats:
        return multiplier[:, :, None] * (np.maximum(age, 0.0) / scale) ** shape

    base = hazard(lives.start[None, :, None])
    left = np.exp(base - hazard(age_at(edges)[None]))
    weight = (left[:, :, :-1] - left[:, :, 1:]).astype(single)
    sound = left[:, :, -1]
    low = high = np.empty((d, n, 0), single)
    if coming:
        steps = lives.now[:, None] + ahead[:, None] * np.linspace(0.0, 1.0, coming + 1)
        later = np.exp(base - hazard(steps[None]))
        weight = np.concatenate([weight, (later[:, :, :-1] - later[:, :, 1:]).astype(single)], axis=2)
        low = np.broadcast_to(steps[None, :, :-1], (d, n, coming)).astype(single)
        high = np.broadcast_to(steps[None, :, 1:], (d, n, coming)).astype(single)
        to_come = low + (high - low) * turn[:, 3].astype(single)[:, None, None]
        onset = np.concatenate([onset, to_come], axis=2)
    damage = PanelDamage(
        rows=rows,
        draws=draws,
        onset=onset.astype(single),
        start=each(start),
        speed=each(speed),
        delay=each(delay),
        weight=weight * factor,
        factor=factor,
        plateau=_plateau(draws.pod, is_far),
        is_far=is_far,
        hidden=hidden,
        low=low,
        high=high,
        multiplier=multiplier,
    )
    kept = damage.weight
    for look in lives.looks.T:
        there = np.isfinite(look)
        if there.any():
            missed = 1 - damage.pod(np.where(there, look, -np.inf), draws.past_pod)
            kept[:, :, :hidden] *= missed[:, :, :hidden]
    total = kept[:, :, :hidden].sum(axis=2) + sound.astype(single)
    kept /= np.maximum(total, np.finfo(single).tiny)[:, :, None]
    return damage


def _turned(number: np.ndarray, shift: np.ndarray, group: int, size: int) -> np.ndarray:
    """Positions of samples, for each panel from another group on."""
    if size % group:
        return np.broadcast_to(number, (shift.size, size))
    return (number[None, :] + group * shift[:, None]) % max(size, 1)


@dataclass(frozen=True, eq=False, kw_only=True)
class Events:
    """What happens to each panel from today on, in order: looks of one or more programmes, and ends of periods.

    Parameters
    ----------
    day : ndarray, shape (n_panels, n_events)
        Day from today; those of a panel that has fewer events end with the horizon again [days].
    period : ndarray of int, shape (n_panels, n_events)
        Period that ends with each event.
    is_look : tuple of ndarray of bool, shape (n_panels, n_events)
        For each programme, whether it looks then.
    is_own : tuple of ndarray of bool, shape (n_panels, n_events)
        For each programme, whether a look then has the programme's own POD, where it has one.
    age : dict of str to ndarray, shape (n_panels, n_events)
        By clock: usage from today until then [clock units].
    n_periods : int
        Number of periods.
    """

    day: Floats
    period: np.ndarray
    is_look: tuple[np.ndarray, ...]
    is_own: tuple[np.ndarray, ...]
    age: dict[str, Floats]
    n_periods: int

    def take(self, part: slice) -> Events:
        """Return the events of some panels.

        Parameters
        ----------
        part : slice
            Which.

        Returns
        -------
        Events
            These.
        """
        return replace(
            self,
            day=self.day[part],
            period=self.period[part],
            is_look=tuple(one[part] for one in self.is_look),
            is_own=tuple(one[part] for one in self.is_own),
            age={name: values[part] for name, values in self.age.items()},
        )


def walk(
    damage: PanelDamage,
    lives: PanelLives,
    events: Events,
    pods: Sequence[PodDraws | None],
    *,
    luck: np.random.Generator | None = None,
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Take sampled damage through the looks of one or more programmes: the same damage for each.

    Parameters
    ----------
    damage : PanelDamage
        Samples of some panels under some draws.
    lives : PanelLives
        These panels.
    events : Events
        What happens to them.
    pods : sequence of PodDraws or None
        POD of the looks of each programme under these draws; None for that of the draws.
    luck : Generator, optional
        Random numbers for what may be counted; without them only expected numbers are worked out.

    Returns
    -------
    expected : dict of str to ndarray, shape (n_programmes, d, n_panels, n_periods)
        By measure; exposure in panel flight hours.
    counted : dict of str to ndarray, shape (n_programmes, d, n_panels, n_periods)
        By measure, one simulation of luck under each draw: a sample is there, and is not yet found, where one random
        number for it lies below its weight, in every programme alike.
    """
    d, n, _ = damage.onset.shape
    shape = (len(pods), d, n, events.n_periods)
    expected = {name: np.zeros(shape, np.float32) for name in MEASURES}
    counted = {name: np.zeros(shape, np.float32) for name in MEASURES} if luck is not None else {}
    weights = [damage.weight.copy() for _ in pods]
    u = None if luck is None else luck.random(damage.onset.shape, dtype=np.float32)
    passes = damage.onset + damage.delay
    panels = np.arange(n)
    before = lives.now.astype(np.float32)[None, :, None]
    hours_before = np.zeros(n)
    clock_before = np.zeros(n)
    for m in range(events.day.shape[1]):
        clock, hours = events.age[lives.clock][:, m], events.age["flight_hours"][:, m]
        age = lives.now + clock
        end = age.astype(np.float32)[None, :, None]
        period = events.period[:, m]
        with np.errstate(divide="ignore", invalid="ignore"):
            pace = np.where(clock > clock_before, (hours - hours_before) / (clock - clock_before), 0.0)
        new = (passes > before) & (passes <= end)
        spent = np.maximum(end - np.maximum(passes, before), np.float32(0))
        spent *= pace.astype(np.float32)[None, :, None]
        looks = [one[:, m] for one in events.is_look]
        log_size = None
        chances: dict[int, Floats] = {}
        for c, weight in enumerate(weights):
            gain = {"exceedances": new, "exposure": spent}
            for name, values in gain.items():
                expected[name][c, :, panels, period] += (weight * values).sum(axis=2).T
                if u is not None:
                    counted[name][c, :, panels, period] += ((u < weight) * values).sum(axis=2).T
            if not looks[c].any():
                continue
            if log_size is None:
                log_size, since = damage.log_size(age)
                beyond = (passes <= end) & (damage.onset <= end)
            own = events.is_own[c][:, m] & looks[c]
            chance = None
            for pod, mask in ((None, looks[c] & ~own), (pods[c], own)):
                if not mask.any():
                    continue
                key = -1 if pod is None else c
                if key not in chances:
                    chances[key] = _chance(pod or damage.draws.pod, damage.plateau_of(pod), log_size, since)
                part = chances[key] * mask[None, :, None]
                chance = part if chance is None else chance + part
            found = weight * chance
            left = weight - found
            for name, mask in (("finds", None), ("finds_beyond", beyond)):
                values = found if mask is None else found * mask
                expected[name][c, :, panels, period] += values.sum(axis=2).T
                if u is not None:
                    hit = (u < weight) & (u >= left)
                    counted[name][c, :, panels, period] += (hit if mask is None else hit & mask).sum(axis=2).T
            if damage.low.shape[2]:
                left[:, :, damage.hidden :] += damage.renewed(found.sum(axis=2), age)
            weights[c] = left
        before, hours_before, clock_before = end, hours, clock
    return expected, counted
