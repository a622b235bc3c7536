"""How the invented fleet is used: hours and cycles by day, bases, parking, checks and walk-rounds."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from kit.simulate.scenario import Scenario
from kit.simulate.scenario_parts import Subtype

ORIGIN = date(2006, 1, 1)
"""Day 0 of the simulation's day numbers."""


def day_number(day: date) -> int:
    """Return the days from `ORIGIN` to a day."""
    return (day - ORIGIN).days


def day_date(number: int) -> date:
    """Return the day of a day number."""
    return ORIGIN + timedelta(days=int(number))


def stream(seed: int, *key: object) -> np.random.Generator:
    """Return the random stream of a purpose, the same whatever other streams were drawn.

    Parameters
    ----------
    seed : int
        Seed of the whole simulation.
    *key : object
        Words that name the purpose, such as aircraft, zone and what is drawn.

    Returns
    -------
    numpy.random.Generator
        The stream.
    """
    text = "|".join(str(k) for k in key).encode()
    return np.random.default_rng(np.random.SeedSequence([seed, zlib.crc32(text), zlib.adler32(text)]))


@dataclass(frozen=True)
class Tail:
    """One aircraft, with everything that does not depend on damage.

    Parameters
    ----------
    name : str
        Name of the aircraft.
    subtype : Subtype
        Its subtype.
    entry, records_from : int
        Entry into service and first day with records [day number].
    parked : tuple of int
        First day parked and first day flying again [day number]; equal: never parked.
    stays : tuple of (int, int, int)
        First day, day after the last, index of the base.
    hours, cycles, moisture_clock : ndarray of float, shape (n_days,)
        Total at the start of each day [flight hours], [flight cycles], [days of the reference climate].
    base_checks, a_checks, opportunities : ndarray of int
        Days [day number]; an A check rides on each base check too.
    base_stations : ndarray of int
        Index of the hangar of each base check.
    campaign_day : int
        Day of the campaign look [day number].
    """

    name: str
    subtype: Subtype
    entry: int
    records_from: int
    parked: tuple[int, int]
    stays: tuple[tuple[int, int, int], ...]
    hours: NDArray[np.float64]
    cycles: NDArray[np.float64]
    moisture_clock: NDArray[np.float64]
    base_checks: NDArray[np.int64]
    a_checks: NDArray[np.int64]
    opportunities: NDArray[np.int64]
    base_stations: NDArray[np.int64]
    campaign_day: int

    @property
    def is_second_hand(self) -> bool:
        """Whether it joined used and without records."""
        return self.records_from > self.entry

    def base_on(self, day: int) -> int:
        """Return the index of the base on a day."""
        return next(b for start, stop, b in self.stays if day < stop)


def _checks(scenario: Scenario, rng: np.random.Generator, entry: int, last: int, hours: NDArray, parked):
    base, day = [], entry
    while True:
        by_hours = int(np.searchsorted(hours, hours[day] + scenario.check_hours))
        by_hours = by_hours if by_hours < hours.size else day + 10**6  # not flown before the end
        due = min(day + int(scenario.check_days), by_hours - 1) - int(rng.integers(0, 21))
        if parked[0] <= due < parked[1]:
            due = parked[1] - 2
        if due > last:
            break
        base.append(due)
        day = due
    small, day, pending = [], entry, list(base)
    while True:
        by_hours = int(np.searchsorted(hours, hours[day] + scenario.a_check_hours - rng.uniform(0.0, 25.0)))
        if pending and pending[0] - 10 <= by_hours:
            day = pending.pop(0)
            continue
        if by_hours > last or by_hours <= day:
            break
        small.append(by_hours)
        day = by_hours
    return np.array(base, dtype=np.int64), np.array(small, dtype=np.int64)


def _away_from(days: NDArray, others: NDArray, margin: int) -> NDArray:
    if not others.size or not days.size:
        return days
    return days[np.abs(days[:, None] - others[None, :]).min(axis=1) >= margin]


def build_fleet(scenario: Scenario, seed: int) -> tuple[Tail, ...]:
    """Return the aircraft with their use, bases and checks.

    Parameters
    ----------
    scenario : Scenario
        The scenario.
    seed : int
        Seed of the whole simulation.

    Returns
    -------
    tuple of Tail
        The aircraft, first subtype first, second-hand ones last within a subtype.
    """
    last = day_number(scenario.cut_off)
    n_days = last + 2
    plan: list[tuple[Subtype, float, bool]] = []
    left = scenario.n_aircraft
    for position, subtype in enumerate(scenario.subtypes):
        n = (
            left
            if position == len(scenario.subtypes) - 1
            else min(left, max(1, round(subtype.share * scenario.n_aircraft)))
        )
        n_used = round(n * subtype.second_hand_share)
        plan += [(subtype, i / max(n - n_used, 1), False) for i in range(n - n_used)]
        plan += [(subtype, i / max(n_used, 1), True) for i in range(n_used)]
        left -= n
    rng = stream(seed, "fleet")
    counts = np.floor(np.array([b.share for b in scenario.bases]) * len(plan)).astype(int)
    counts[: len(plan) - counts.sum()] += 1
    first_base = rng.permutation(np.repeat(np.arange(len(scenario.bases)), counts))
    n_change = round(scenario.base_change_share * len(plan))
    changes = set(rng.permutation(len(plan))[:n_change].tolist())
    parked_tails = set(rng.permutation(len(plan))[: round(scenario.n_parked * len(plan) / 36)].tolist())
    month = np.array([(day_date(d).year - ORIGIN.year) * 12 + day_date(d).month - 1 for d in range(n_days)])
    tails = []
    for number, (subtype, place, used) in enumerate(plan):
        name = f"T{number + 1:02d}"
        rng = stream(seed, name, "usage")
        start = day_number(subtype.second_hand_entry_from if used else subtype.entry_from)
        stop = day_number(subtype.second_hand_entry_to if used else subtype.entry_to)
        n_like = sum(1 for s, _, u in plan if (s, u) == (subtype, used))
        entry = int(start + (stop - start) * (place + rng.uniform(0, 0.8) / n_like))
        joined = day_number(date(2014, 1, 15)) + int(rng.integers(0, 200)) if used else entry
        parked = (last + 10, last + 10)
        if number in parked_tails:
            begin = day_number(date(2020, 3, 15)) + int(rng.integers(0, 220))
            parked = (begin, begin + int(rng.integers(91, 426)))
        day = np.arange(n_days)
        yearly = rng.normal(subtype.cycles_per_year, subtype.cycles_per_year_sd)
        season = (
            1 + 0.10 * np.sin(2 * np.pi * (month % 12 - 3) / 12) + rng.normal(0, 0.04, month.max() + 1)[month]
        )
        flying = (day >= entry) & ~((day >= parked[0]) & (day < parked[1]))
        daily = yearly / 365.25 * season * flying
        ratio = rng.normal(subtype.hours_per_cycle, 0.02 * subtype.hours_per_cycle)
        cycles = np.concatenate([[0.0], np.cumsum(daily)[:-1]])
        stays = [(entry, n_days, int(first_base[number]))]
        if number in changes:
            move = int(rng.integers(joined + 500, last - 500))
            other = int((first_base[number] + rng.integers(1, len(scenario.bases))) % len(scenario.bases))
            stays = [(entry, move, int(first_base[number])), (move, n_days, other)]
        pace = np.zeros(n_days)
        for begin, end, base in stays:
            pace[begin:end] = 1.0 / scenario.bases[base].factor
        base_checks, a_checks = _checks(
            scenario, stream(seed, name, "checks"), entry, last, cycles * ratio, parked
        )
        rng = stream(seed, name, "walk-rounds")
        looks = np.concatenate([base_checks, a_checks])
        september = np.arange(day_number(scenario.campaign_from), day_number(scenario.campaign_to) + 1)
        free = september
        for margin in (8, 5, 2):
            if (free := _away_from(september, looks, margin)).size:
                break
        campaign_day = int(free[rng.integers(0, free.size)])
        n_walks = rng.poisson(scenario.opportunities_per_year * (last - entry) / 365.25)
        walks = np.unique(rng.integers(entry + 30, last, n_walks))
        walks = _away_from(walks, np.append(looks, campaign_day), 8)
        walks = walks[np.diff(walks, prepend=-100) >= 8]
        tails.append(
            Tail(
                name,
                subtype,
                entry,
                joined,
                parked,
                tuple(stays),
                cycles * ratio,
                cycles,
                np.concatenate([[0.0], np.cumsum(pace)[:-1]]),
                base_checks,
                a_checks,
                walks,
                rng.integers(0, len(scenario.stations), base_checks.size),
                campaign_day,
            )
        )
    return tuple(tails)
