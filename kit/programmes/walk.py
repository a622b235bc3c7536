"""Sampled damage on its way through the looks of one or more programmes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from kit.numerics.typing import Floats
from kit.posterior import PodDraws
from kit.programmes.damage import PanelDamage, summed
from kit.programmes.panels import PanelLives

MEASURES = ("finds", "finds_beyond", "exceedances", "exposure")
"""What a walk counts: damage found, the part of it found beyond the limit, damage that gets beyond the limit unfound,
and panel flight hours beyond the limit and unfound."""


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
    measures: Sequence[str] = MEASURES,
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
    measures : sequence of str
        What is counted, of `MEASURES`.
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
    expected = {name: np.zeros(shape, np.float32) for name in measures}
    counted = {name: np.zeros(shape, np.float32) for name in measures} if luck is not None else {}
    weights = [damage.weight.copy() for _ in pods]
    u = None if luck is None else luck.random(damage.onset.shape, dtype=np.float32)
    beyond = _Beyond(damage, lives, events, u) if {"exceedances", "exposure"} & set(measures) else None
    for m in range(events.day.shape[1]):
        if beyond is not None:
            beyond.count(m, weights, expected, counted)
        looked = np.flatnonzero(np.any([one[:, m] for one in events.is_look], axis=0))
        if looked.size:
            rows = slice(None) if looked.size == n else looked
            _look(damage, lives, events, pods, m, rows, weights, u, expected, counted)
    return expected, counted


class _Beyond:
    """The samples that pass the limit by the end, and what they add up to between two events."""

    def __init__(self, damage: PanelDamage, lives: PanelLives, events: Events, u: Floats | None) -> None:
        d, n, k = damage.onset.shape
        age = lives.now[:, None] + events.age[lives.clock]
        self.age = np.column_stack([lives.now, age]).astype(np.float32)
        clock = np.column_stack([np.zeros(n), events.age[lives.clock]])
        hours = np.column_stack([np.zeros(n), events.age["flight_hours"]])
        with np.errstate(divide="ignore", invalid="ignore"):
            pace = np.where(np.diff(clock) > 0, np.diff(hours) / np.diff(clock), 0.0)
        self.pace, self.period, self.shape = pace.astype(np.float32), events.period, (d, n)
        passes = damage.onset + damage.delay
        # Few do: the others are not looked at between events.
        self.at = np.flatnonzero(passes <= self.age[None, :, -1:])
        owner = self.at // k
        self.panel, self.passes = owner % n, passes.ravel()[self.at]
        self.first = np.flatnonzero(np.diff(owner, prepend=-1))
        self.owner = owner[self.first]
        self.u = None if u is None else u.ravel()[self.at]

    def count(self, m: int, weights: list[Floats], expected: dict, counted: dict) -> None:
        """Add what gets beyond the limit, and the hours spent there, up to an event."""
        if not self.at.size:
            return
        before, end = self.age[self.panel, m], self.age[self.panel, m + 1]
        spent = np.maximum(end - np.maximum(self.passes, before), np.float32(0))
        gain = {
            "exceedances": (self.passes > before) & (self.passes <= end),
            "exposure": spent * self.pace[self.panel, m],
        }
        for c, weight in enumerate(weights):
            part = weight.ravel()[self.at]
            there = None if self.u is None else self.u < part
            for name, values in gain.items():
                if name not in expected:
                    continue
                self._add(expected[name][c], m, part * values)
                if there is not None:
                    self._add(counted[name][c], m, there * values)

    def _add(self, total: Floats, m: int, values: Floats) -> None:
        sums = np.zeros(self.shape[0] * self.shape[1], np.float32)
        sums[self.owner] = np.add.reduceat(values, self.first, dtype=np.float32)
        panels = np.arange(self.shape[1])
        total[:, panels, self.period[:, m]] += sums.reshape(self.shape)


def _look(damage, lives, events, pods, m, rows, weights, u, expected, counted) -> None:
    """Let each programme find what its looks at some panels find."""
    age = (lives.now + events.age[lives.clock][:, m])[rows]
    period = events.period[rows, m]
    panels = np.arange(lives.now.size)[rows]
    log_size, since = damage.log_size(age, rows)
    beyond = damage.is_beyond(age, rows) if "finds_beyond" in expected else None
    chances: dict[int, Floats] = {}
    luck = None if u is None else u[:, rows]
    for c, weight in enumerate(weights):
        looks = events.is_look[c][rows, m]
        if not looks.any():
            continue
        own = events.is_own[c][rows, m] & looks
        chance = None
        for pod, mask in ((None, looks & ~own), (pods[c], own)):
            if not mask.any():
                continue
            key = -1 if pod is None else c
            if key not in chances:
                chances[key] = damage.chance(log_size, since, pod)
            part = chances[key] if mask.all() else chances[key] * mask[None, :, None]
            chance = part if chance is None else chance + part
        held = weight[:, rows]
        found = held * chance
        left = held - found
        number = summed(found)
        hit = None if luck is None else (luck < held) & (luck >= left)
        for name, mask in (("finds", None), ("finds_beyond", beyond)):
            if name not in expected:
                continue
            # No panel meets the same event twice, so that adding by position is safe.
            expected[name][c][:, panels, period] += number if mask is None else summed(found * mask)
            if hit is not None:
                counted[name][c][:, panels, period] += summed(hit if mask is None else hit & mask)
        if damage.restoration is not None and left.shape[2] > damage.hidden:
            left[:, :, damage.hidden :] += damage.renewed(number, age, rows)
        weight[:, rows] = left
