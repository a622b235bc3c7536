"""What an inspection schedule lets through, simulated event by event.

Nothing here is shared with the quadrature of `kit.intervals`: the one checks the other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.detection import DetectionCurve
from kit.growth import Growth, GrowthForm, delay_to, size_after
from kit.numerics.typing import Floats

_BLOCK = 250_000  # lives simulated together; keeps memory small however many are asked for
_DAMAGE, _LOOKS = 0, 1  # families of random streams
_NAMES = ("exceedances", "preventable", "born", "far_side", "exposure", "preventable_exposure")


class Estimate(NamedTuple):
    """A mean over simulated lives and its standard error.

    Parameters
    ----------
    value : float
        The mean.
    standard_error : float
        Standard deviation over lives, divided by the root of their number; 0 where all lives are
        alike, as when the event happened to none of them.
    """

    value: float
    standard_error: float


@dataclass(frozen=True)
class ScheduleOutcome:
    """What one schedule let through in simulated lives.

    Parameters
    ----------
    exceedances : Estimate
        Regions that passed the limit unfound, or arose beyond it [per life].
    preventable, born, far_side : Estimate
        Parts of it: started within the limit on the tapped side; arisen beyond the limit; started
        within the limit on the side that is not tapped [per life].
    exposure : Estimate
        Time beyond the limit and unfound, up to the horizon [clock units per life].
    preventable_exposure : Estimate
        The part from damage started within the limit on the tapped side [clock units per life].
    first, repeat, horizon : float
        The schedule [clock units].
    n : int
        Number of lives.
    seed : int
        Seed of the random numbers.
    """

    exceedances: Estimate
    preventable: Estimate
    born: Estimate
    far_side: Estimate
    exposure: Estimate
    preventable_exposure: Estimate
    first: float
    repeat: float
    horizon: float
    n: int
    seed: int

    def to_frame(self) -> pd.DataFrame:
        """Return the estimates as a table.

        Returns
        -------
        DataFrame
            Index quantity; columns value and standard_error.
        """
        rows = [getattr(self, name) for name in _NAMES]
        return pd.DataFrame(
            rows, columns=["value", "standard_error"], index=pd.Index(_NAMES, name="quantity")
        )

    def __repr__(self) -> str:
        """Return one line."""
        value, error = self.exceedances
        return (
            f"ScheduleOutcome(first={self.first:g}, repeat={self.repeat:g}, horizon={self.horizon:g}, "
            f"exceedances={value:.5g} +/- {error:.2g}, n={self.n})"
        )


class _Damage(NamedTuple):
    """The first damage of each life, whatever is done about it."""

    onset: Floats  # age when it arises [clock units]
    start: Floats  # size then [mm]
    rate: Floats  # [mm per clock unit]; 0 if it does not grow
    largest: Floats  # size at which it stops [mm]
    far: NDArray[np.bool_]  # on the side that is not tapped
    form: GrowthForm


def simulate_schedule(
    *,
    life_scale: float,
    life_shape: float,
    growth: Growth,
    detection: DetectionCurve,
    limit: float,
    first: float,
    repeat: float,
    horizon: float,
    n: int,
    seed: int,
) -> ScheduleOutcome:
    """Simulate lives under an inspection schedule and count what passes the limit unfound.

    Parameters
    ----------
    life_scale, life_shape : float
        Weibull life until damage arises [clock units], [-].
    growth : Growth
        Size at onset and growth after it, on the clock of the schedule.
    detection : DetectionCurve
        Chance of detection by size.
    limit : float
        Largest equivalent diameter that may stay [mm].
    first, repeat, horizon : float
        First look, spacing after it, and the age up to which damage counts [clock units].
    n : int
        Number of lives to simulate.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    ScheduleOutcome
        Means per life with their standard errors.

    Raises
    ------
    ValueError
        If an argument is not positive.

    Notes
    -----
    For each life the age at onset, side, size at onset, rate and way of growing are drawn. The looks are
    then walked in order; each finds damage that is there with the POD of its size at that look, and
    what is found is gone. Only the first damage of a life counts.

    Random numbers are common to all schedules of one seed: what damage arises does not depend on the
    looks, and the luck of a look depends only on its age. Two schedules thus meet the same damage,
    and one that adds looks to another never lets more through.

    Examples
    --------
    >>> growth = Growth(onset_median=20.0, onset_log_sd=0.4, rate_median=0.02, rate_log_sd=0.5)
    >>> curve = DetectionCurve(a50=20.0, plateau=0.95)
    >>> often, seldom = (
    ...     simulate_schedule(life_scale=9000.0, life_shape=2.0, growth=growth, detection=curve, limit=60.0,
    ...                       first=1000.0, repeat=repeat, horizon=9000.0, n=20_000, seed=1)
    ...     for repeat in (500.0, 2000.0)
    ... )
    >>> often.exceedances.value < seldom.exceedances.value
    True
    >>> often.born == seldom.born
    True
    """
    for name, value in (
        ("life_scale", life_scale),
        ("life_shape", life_shape),
        ("limit", limit),
        ("first", first),
        ("repeat", repeat),
        ("horizon", horizon),
    ):
        if not (np.isfinite(value) and value > 0):
            raise ValueError(f"`{name}` must be positive and finite. Got {value!r}.")
    if n < 2:
        raise ValueError(f"`n` must be at least 2, so that a standard error exists. Got {n!r}.")
    total, squares = np.zeros(len(_NAMES)), np.zeros(len(_NAMES))
    for block, begin in enumerate(range(0, n, _BLOCK)):
        damage = _draw_damage(life_scale, life_shape, growth, detection, min(_BLOCK, n - begin), seed, block)
        outcome = _walk(
            damage, detection, limit, list(_look_ages(first, repeat, horizon)), horizon, seed, block
        )
        total += outcome.sum(axis=1)
        squares += (outcome**2).sum(axis=1)
    mean = total / n
    error = np.sqrt(np.maximum(squares / n - mean**2, 0.0) / (n - 1))
    estimates = [Estimate(float(m), float(e)) for m, e in zip(mean, error, strict=True)]
    return ScheduleOutcome(*estimates, float(first), float(repeat), float(horizon), int(n), int(seed))


def _look_ages(first: float, repeat: float, horizon: float) -> Iterator[float]:
    """Ages of the looks up to the horizon; one that rounding puts just beyond it still counts."""
    number = 0
    while (age := first + number * repeat) <= horizon * (1 + 1e-12):
        yield age
        number += 1


def _draw_damage(
    scale: float, shape: float, growth: Growth, detection: DetectionCurve, n: int, seed: int, block: int
) -> _Damage:
    """Draw the damage of `n` lives; the same numbers are used up whatever the parameters are."""
    rng = np.random.default_rng([seed, _DAMAGE, block])
    onset = scale * rng.standard_exponential(n) ** (1 / shape)
    start = growth.onset_median * np.exp(growth.onset_log_sd * rng.standard_normal(n))
    rate = growth.rate_median * np.exp(growth.rate_log_sd * rng.standard_normal(n))
    still, stops, far = rng.random(n), rng.random(n), rng.random(n)
    rate[still < growth.no_growth_share] = 0.0
    largest = np.full(n, np.inf)
    stopped = stops < growth.arrest_share
    largest[stopped] = start[stopped] * growth.arrest_ratio
    return _Damage(onset, start, rate, largest, far < detection.far_side_share, growth.form)


def _walk(
    damage: _Damage,
    detection: DetectionCurve,
    limit: float,
    looks: list[float],
    horizon: float,
    seed: int,
    block: int,
) -> Floats:
    """Walk the looks in order; return one row for each name in `_NAMES`, one column for each life."""
    n = damage.onset.size
    found_at = np.full(n, np.inf)
    plateau = np.where(damage.far, detection.far_side_plateau, detection.plateau)
    for age in looks:
        # The luck of a look hangs on its age alone, to 9 digits, so that schedules can share looks.
        key = int(np.float64(f"{age:.8e}").view(np.uint64))
        luck = np.random.default_rng([seed, _LOOKS, block, key]).random(n)
        there = np.flatnonzero((damage.onset < age) & np.isinf(found_at))
        size = np.minimum(
            size_after(damage.form, damage.start[there], damage.rate[there], age - damage.onset[there]),
            damage.largest[there],
        )
        with np.errstate(over="ignore"):  # tiny damage: an endless ratio is a chance of 0
            chance = plateau[there] * detection.relative(size)
        found_at[there[luck[there] < chance]] = age

    born = damage.start >= limit
    delay = delay_to(damage.form, damage.start, damage.rate, limit)
    delay[~born & (damage.largest <= limit)] = np.inf
    beyond_at = damage.onset + delay
    passed = (beyond_at < horizon) & (born | (found_at > beyond_at))
    exposure = np.where(passed, np.minimum(found_at, horizon) - np.where(passed, beyond_at, 0.0), 0.0)
    preventable = passed & ~born & ~damage.far
    return np.stack(
        [
            passed,
            preventable,
            passed & born,
            passed & ~born & damage.far,
            exposure,
            np.where(preventable, exposure, 0.0),
        ]
    ).astype(np.float64)
