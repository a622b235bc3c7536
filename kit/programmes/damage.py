"""Damage that panels may hold unfound now, and damage that is to come: sampled under each joint draw."""

from __future__ import annotations

from collections.abc import Iterator
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

Panels = slice | np.ndarray
"""Which of the panels."""


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
    return draws.taken(rows)


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
    edges : ndarray, shape (n_panels, k - hidden + 1)
        Ends of the stretches of age of those that come, rising [clock units].
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
    edges: Floats
    multiplier: Floats

    @property
    def restoration(self) -> Floats | None:
        """Share of the age that a repair leaves, under each draw; None where only the first onset counts [-]."""
        return self.draws.restoration

    def log_size(self, age: Floats, panels: Panels = slice(None)) -> tuple[Floats, Floats]:
        """Log of the size of each sample, and the time since its onset.

        Parameters
        ----------
        age : ndarray, shape (n_some,)
            Age of each of these panels [clock units].
        panels : slice or ndarray of int
            Which panels; default all.

        Returns
        -------
        log_size : ndarray, shape (d, n_some, k)
            Log of millimetres; of damage that has not begun, its size at onset.
        since : ndarray, shape (d, n_some, k)
            Not below 0 [clock units].
        """
        since = np.maximum(age.astype(np.float32)[None, :, None] - self.onset[:, panels], np.float32(0))
        position = self.speed[:, panels] * since
        position += self.start[:, panels]
        return _log_size(str(self.draws.form[0]), position), since

    def chance(self, log_size: Floats, since: Floats, pod: PodDraws | None = None) -> Floats:
        """Chance that a look finds samples of the sizes that `log_size` gives.

        Parameters
        ----------
        log_size, since : ndarray, shape (d, n_some, k)
            As `log_size` gives them.
        pod : PodDraws, optional
            POD of the look under these draws; default that of the draws.

        Returns
        -------
        ndarray, shape (d, n_some, k)
            0 for damage that has not begun [-].
        """
        return _chance(pod or self.draws.pod, self.plateau_of(pod), log_size, since)

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
        return self.chance(*self.log_size(age), pod)

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

    def is_beyond(self, age: Floats, panels: Panels = slice(None)) -> np.ndarray:
        """Which samples are there and beyond the limit.

        Parameters
        ----------
        age : ndarray, shape (n_some,)
            Age of each of these panels [clock units].
        panels : slice or ndarray of int
            Which panels; default all.

        Returns
        -------
        ndarray of bool, shape (d, n_some, k)
            Whether each is.
        """
        return self.onset[:, panels] + self.delay[:, panels] <= age.astype(np.float32)[None, :, None]

    def renewed(self, found: Floats, age: Floats, panels: Panels = slice(None)) -> Floats:
        """Return how much the weight of what comes later rises where damage is found and repaired.

        Parameters
        ----------
        found : ndarray, shape (d, n_some)
            Expected number found [-].
        age : ndarray, shape (n_some,)
            Age of these panels at the look [clock units].
        panels : slice or ndarray of int
            Which panels; default all.

        Returns
        -------
        ndarray, shape (d, n_some, k - hidden)
            To be added to the weights of the later ones; 0 where the question counts the first onset only [-].
        """
        q, hidden = self.restoration, self.hidden
        if q is None:
            return np.zeros_like(self.onset[:, panels, hidden:])
        at = age.astype(np.float32)
        since = np.maximum(self.edges[panels] - at[:, None], np.float32(0))
        virtual = (q[:, None] * age[None, :]).astype(np.float32)
        sound = np.exp(
            self._hazard(virtual, panels)[:, :, None]
            - self._hazard(virtual[:, :, None] + since[None], panels)
        )
        share = sound[:, :, :-1] - sound[:, :, 1:]
        # A stretch in which the look falls counts from the look on; its sample lies there or it is left out.
        share *= self.onset[:, panels, hidden:] > at[None, :, None]
        share *= found.astype(np.float32)[:, :, None]
        share *= self.factor[:, panels, hidden:]
        return share

    def _hazard(self, age: Floats, panels: Panels) -> Floats:
        fit = (slice(None),) + (None,) * (age.ndim - 1)
        scale, shape = self.draws.scale.astype(np.float32)[fit], self.draws.shape.astype(np.float32)[fit]
        own = self.multiplier.astype(np.float32)[:, panels]
        return (own if age.ndim == 2 else own[:, :, None]) * (age / scale) ** shape


def summed(values: Floats) -> Floats:
    """Add up the samples of each panel under each draw.

    Parameters
    ----------
    values : ndarray, shape (d, n_panels, k)
        By sample; what is true counts as 1.

    Returns
    -------
    ndarray of float32, shape (d, n_panels)
        Their sums, by a product with ones, which is several times as fast as a sum along so short an axis.
    """
    return values.astype(np.float32, copy=False) @ np.ones(values.shape[-1], np.float32)


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
                        draws.taken(rows),
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
    n, k = len(lives), hidden + coming
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
    log_scale, shape = np.log(draws.scale)[:, None, None], draws.shape[:, None, None]

    def hazard(age: Floats) -> Floats:
        """Of each panel, under each draw, at ages that hold for all draws; by logs, which are taken once for all of them."""
        with np.errstate(divide="ignore"):
            log_age = np.log(np.maximum(age, 0.0))
        return multiplier[:, :, None] * np.exp(shape * (log_age[None] - log_scale))

    base = hazard(lives.start[:, None])
    left = np.exp(base - hazard(age_at(edges[None])))
    weight = (left[:, :, :-1] - left[:, :, 1:]).astype(single)
    sound = left[:, :, -1]
    steps = np.zeros((n, 1))
    if coming:
        steps = lives.now[:, None] + ahead[:, None] * np.linspace(0.0, 1.0, coming + 1)
        later = np.exp(base - hazard(steps))
        weight = np.concatenate([weight, (later[:, :, :-1] - later[:, :, 1:]).astype(single)], axis=2)
        low, high = steps[None, :, :-1].astype(single), steps[None, :, 1:].astype(single)
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
        edges=steps.astype(single),
        multiplier=multiplier,
    )
    kept = damage.weight
    now = replace(
        damage, **{name: getattr(damage, name)[:, :, :hidden] for name in ("onset", "start", "speed")}
    )
    now = replace(now, plateau=damage.plateau[:, :hidden], is_far=is_far[:hidden])
    past = draws.past_pod
    for look in lives.looks.T:
        there = np.flatnonzero(np.isfinite(look))
        if there.size:
            rows_there = slice(None) if there.size == n else there
            kept[:, rows_there, :hidden] *= 1 - now.chance(*now.log_size(look[there], rows_there), past)
    total = summed(kept[:, :, :hidden]) + sound.astype(single)
    kept /= np.maximum(total, np.finfo(single).tiny)[:, :, None]
    return damage


def _turned(number: np.ndarray, shift: np.ndarray, group: int, size: int) -> np.ndarray:
    """Positions of samples, for each panel from another group on."""
    if size % group:
        return np.broadcast_to(number, (shift.size, size))
    return (number[None, :] + group * shift[:, None]) % max(size, 1)
