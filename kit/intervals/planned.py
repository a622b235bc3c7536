"""An interval as a planner writes it: on every clock, whichever comes first, rounded down."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

_DAYS_PER_MONTH = 365.25 / 12
_WORDS = {"flight_hours": "flight hours", "flight_cycles": "flight cycles"}


def rounded_down(amount: float) -> float:
    """Round an amount down to two figures, as programmes are written (common practice, no source).

    Parameters
    ----------
    amount : float
        Positive amount, in any unit.

    Returns
    -------
    float
        Never larger than the amount.

    Examples
    --------
    >>> rounded_down(3244.4), rounded_down(87.0), rounded_down(5000.0)
    (3200.0, 87.0, 5000.0)
    """
    if not (np.isfinite(amount) and amount > 0):
        raise ValueError(f"`amount` must be positive and finite. Got {amount!r}.")
    step = 10.0 ** (np.floor(np.log10(amount) + 1e-12) - 1)
    return float(np.floor(amount / step * (1 + 1e-12)) * step)


def as_planned(interval: float, clock: str, per_day: Mapping[str, float]) -> dict[str, float]:
    """Return an interval on every clock at one usage, rounded down.

    Parameters
    ----------
    interval : float
        Interval [units of `clock`].
    clock : str
        Its clock.
    per_day : mapping of str to float
        Units of each clock per calendar day.

    Returns
    -------
    dict of str to float
        flight_hours, flight_cycles, and months, or days where that is less than two months.
    """
    days = interval / per_day[clock]
    out = {name: rounded_down(days * per_day[name]) for name in _WORDS if per_day.get(name, 0.0) > 0}
    months = days / _DAYS_PER_MONTH
    return out | (
        {"months": float(np.floor(months * (1 + 1e-12)))} if months >= 2 else {"days": float(np.floor(days))}
    )


def planned_words(
    interval: float, clock: str, per_day: Mapping[str, float], busiest: Mapping[str, float] | None = None
) -> str:
    """Return an interval in words, on every clock, for the mean aircraft and the busiest.

    Parameters
    ----------
    interval : float
        Interval [units of `clock`].
    clock : str
        Its clock.
    per_day : mapping of str to float
        Planned usage: units of each clock per calendar day.
    busiest : mapping of str to float, optional
        The same of the aircraft that uses the clock of the schedule most.

    Returns
    -------
    str
        For example "3,200 flight hours, 2,300 flight cycles or 14 months, whichever first (busiest aircraft: 12 months)".
    """
    amounts = as_planned(interval, clock, per_day)
    parts = [f"{amount:,.0f} {_WORDS.get(name, name)}" for name, amount in amounts.items()]
    words = f"{', '.join(parts[:-1])} or {parts[-1]}, whichever first" if len(parts) > 1 else parts[0]
    if busiest is None:
        return words
    name, amount = list(as_planned(interval, clock, busiest).items())[-1]
    return f"{words} (busiest aircraft: {amount:,.0f} {name})"
