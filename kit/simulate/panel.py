"""What state a panel and its damage are in: size by day, and the ages at which damage strikes next."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from kit.simulate.fleet import Tail
from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import Family, Mode, Zone
from kit.simulate.shapes import Shape

NEVER = 10**7
"""Day number of what does not happen."""


@dataclass
class Damage:
    """One damage from onset on; days are day numbers, sizes in mm."""

    number: int
    mode: Mode
    onset: int
    virtual_age: float
    initial: float
    rate: float
    is_arrested: bool
    jump_day: int
    far: bool
    most: float
    draws: np.ndarray
    tail: Tail
    segment_from: int
    grown: float = 0.0
    segments: list[tuple[Tail, int]] = field(default_factory=list)
    found: int = NEVER
    is_monitored: bool = False
    must_fix: bool = False
    n_measured: int = 0
    remaps: np.random.Generator | None = None
    shape: Shape | None = None
    first_size: float = math.nan

    def growth_since(self, tail: Tail, start: int, stop: np.ndarray | int) -> Any:
        """Return the growth between two days on one aircraft [mm]."""
        if self.mode.growth_clock == "flight_cycles":
            return self.rate * (tail.cycles[stop] - tail.cycles[start]) / self.mode.growth_per
        return self.rate * (stop - start) / self.mode.growth_per

    def _grown_to(self, growth: Any, scenario: Scenario) -> Any:
        if scenario.growth_law == "proportional":  # the same growth at first, faster as it gets larger
            return self.initial * np.exp(np.minimum(growth / self.initial, 20.0))
        return self.initial + growth

    def size_on(self, day: int, scenario: Scenario) -> float:
        """Return the true equivalent diameter on a day [mm]."""
        size = float(
            self._grown_to(self.grown + self.growth_since(self.tail, self.segment_from, day), scenario)
        )
        if self.is_arrested:
            size = min(size, scenario.arrest_ratio * self.initial)
        if day >= self.jump_day:
            size *= scenario.jump_factor
        return min(size, self.most)

    def move(self, tail: Tail, day: int) -> None:
        """Go on growing on another aircraft."""
        self.grown += self.growth_since(self.tail, self.segment_from, day)
        self.tail, self.segment_from = tail, day
        self.segments.append((tail, day))

    def sizes(self, stop: int, scenario: Scenario) -> np.ndarray:
        """Return the size on each day from onset up to, not including, `stop`."""
        parts, grown = [], 0.0
        for i, (tail, start) in enumerate(self.segments):
            end = self.segments[i + 1][1] if i + 1 < len(self.segments) else stop
            end = min(end, stop)
            if end <= start:
                continue
            parts.append(grown + self.growth_since(tail, start, np.arange(start, end)))
            grown += self.growth_since(tail, start, end)
        size = self._grown_to(np.concatenate(parts), scenario)
        if self.is_arrested:
            size = np.minimum(size, scenario.arrest_ratio * self.initial)
        size = np.where(
            np.arange(self.onset, self.onset + size.size) >= self.jump_day, scenario.jump_factor * size, size
        )
        return np.minimum(size, self.most)


@dataclass
class Panel:
    """One panel; `age_m`, `age_g` and `age_i` are its virtual ages on day `since`, when its stay or repair began."""

    number: int
    key: str
    family: Family
    lot: str
    frailty: float
    origin: str
    has_papers: bool
    prior: tuple[float, float, float]
    rng: np.random.Generator
    tail: Tail | None = None
    zone: Zone | None = None
    since: int = 0
    fitting: int = -1
    age_m: float = 0.0
    age_g: float = 0.0
    age_i: float = 0.0
    targets: tuple[float, float, float] = (math.inf, math.inf, math.inf)
    draws: np.ndarray | None = None
    n_damages: int = 0
    is_potted: bool = False
    next_onset: int = NEVER
    next_mode: int = 0
    damage: Damage | None = None
    gone: int = NEVER
    n_states: int = 0
    wet_age: float = math.inf
    low_factor: float = 1.0


@dataclass(frozen=True)
class Stay:
    """A panel on one aircraft between two repairs or exchanges.

    Parameters
    ----------
    panel : Panel
        The panel.
    state : int
        Number of its new beginnings, by being made or repaired, up to then.
    tail, zone : Tail, Zone
        Where it was.
    since, until : int
        First day, and the day after the last [day number].
    wet_from : int
        Day on which water was in the core; `until` where it stayed dry [day number].
    ended_by : str
        ``repaired``, ``replaced``, or blank: it goes on elsewhere or at the cut-off.
    """

    panel: Panel
    state: int
    tail: Tail
    zone: Zone
    since: int
    until: int
    wet_from: int
    ended_by: str
