"""Scheduled checks that an inspection can ride on, and amounts on several clocks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

_UNIT_OF = {"flight_hours": "flight_hours", "flight_cycles": "flight_cycles", "calendar_days": "days"}


class Package(NamedTuple):
    """A scheduled check that an inspection can ride on.

    Parameters
    ----------
    name : str
        Its name.
    length : float
        Its interval on the schedule's clock, whichever of its limits comes first [clock units].
    amounts : dict of str to float
        Its limits by unit; nan where there is none.
    """

    name: str
    length: float
    amounts: dict[str, float]


def shortest_on_clock(amounts: dict[str, float], clock: str, units_per_day: dict[str, float]) -> float:
    """Interval on one clock of amounts on several, whichever comes first.

    Parameters
    ----------
    amounts : dict of str to float
        By ``flight_hours``, ``flight_cycles``, ``days``; nan or missing: not limited by that clock.
    clock : str
        Clock of the answer.
    units_per_day : dict of str to float
        Planned usage by clock.

    Returns
    -------
    float
        Units of `clock`; infinite if nothing limits.
    """
    days = [
        float(amounts[unit]) / units_per_day[name]
        for name, unit in _UNIT_OF.items()
        if unit in amounts and np.isfinite(amounts[unit])
    ]
    return min(days) * units_per_day[clock] if days else float("inf")


def package_lengths(
    packages: pd.DataFrame, names: Sequence[str], clock: str, usages: Sequence[dict[str, float]]
) -> list[Package]:
    """Return some packages with their length on one clock.

    Parameters
    ----------
    packages : DataFrame
        Columns name, flight_hours, flight_cycles, days.
    names : sequence of str
        Packages wanted.
    clock : str
        Clock of the length.
    usages : sequence of dict of str to float
        Planned usage of each part of the fleet, by clock, in units of any one clock.

    Returns
    -------
    list of Package
        Shortest first. A package that is limited by days, say, is as long as the part of the fleet makes it that
        uses the clock most within them.

    Raises
    ------
    ValueError
        If a name is unknown.
    """
    out = []
    for name in names:
        rows = packages.loc[packages["name"] == name]
        if not len(rows):
            raise ValueError(
                f"{name!r} is not a package of dataset.toml. Known are {', '.join(packages['name'])}."
            )
        amounts = {unit: float(rows[unit].iloc[0]) for unit in _UNIT_OF.values()}
        length = max(shortest_on_clock(amounts, clock, usage) for usage in usages)
        out.append(Package(name, length, amounts))
    return sorted(out, key=lambda package: package.length)


def in_packages(
    interval: float, packages: Sequence[Package], unit: str, *, once: bool = False
) -> tuple[float, str, bool]:
    """Return the largest package multiple that is not longer than an interval.

    Parameters
    ----------
    interval : float
        Longest interval allowed [units].
    packages : sequence of Package
        To choose from; none: the interval stands as it is.
    unit : str
        Name of the unit, for the words.
    once : bool
        Whether the words are for a single look, not for one after the other.

    Returns
    -------
    length : float
        The interval in packages [units].
    words : str
        The same in words, on every clock of the package.
    fits : bool
        Whether a package was short enough.
    """
    choices = []
    for package in packages:
        times = int(np.floor(interval / package.length * (1 + 1e-9)))
        if times >= 1:
            choices.append((times * package.length, -times, package))
    if not choices:
        return interval, f"{'at' if once else 'every'} {interval:,.0f} {unit}", False
    length, less, package = max(choices, key=lambda choice: choice[:2])
    parts = [
        f"{-less * amount:,.0f} {name.replace('_', ' ')}"
        for name, amount in package.amounts.items()
        if np.isfinite(amount)
    ]
    number = _ordinal(-less)
    every = (
        f"at the {number if less < -1 else 'first'} {package.name}"
        if once
        else f"every {number + ' ' if less < -1 else ''}{package.name}"
    )
    return length, f"{every} ({' or '.join(parts)}{', whichever first' if len(parts) > 1 else ''})", True


def _ordinal(n: int) -> str:
    """Return 2nd, 3rd, 4th and so on."""
    ending = "th" if 10 <= n % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"
