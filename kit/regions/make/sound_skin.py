"""What is the contact time on the sound skin of a panel, part of which may be damaged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.numerics.typing import Floats

THRESHOLD = 1.3
"""Ratio to the background from which on a tap counts as dull (assumed, no source) [-]."""

MOST_DULL = 1 / 3
"""Share of the taps that may be dull before the median is no background any more (assumed) [-]."""

WAYS = ("auto", "median", "half_sample_mode")
"""Ways to take the background of a panel."""

_NORMAL = 1.482602218505602  # standard deviation over MAD of normal scatter


@dataclass(frozen=True)
class Background:
    """Contact time on the sound skin of a panel.

    Parameters
    ----------
    contact_time_us : float
        Background [µs].
    spread_us : float
        Scatter of sound taps, as a standard deviation [µs].
    way : str
        ``median`` or ``half_sample_mode``.
    why : str
        Why this way.
    n_taps : int
        Readings it rests on.
    """

    contact_time_us: float
    spread_us: float
    way: str
    why: str
    n_taps: int

    def __repr__(self) -> str:
        """Return background, scatter and way on one line."""
        return f"Background({self.contact_time_us:.4g} ± {self.spread_us:.2g} µs, {self.way} of {self.n_taps} taps)"

    def to_frame(self) -> pd.DataFrame:
        """Return the fields as one row.

        Returns
        -------
        DataFrame, 1 row
            contact_time_us, spread_us, way, why and n_taps.
        """
        return pd.DataFrame([{name: getattr(self, name) for name in self.__dataclass_fields__}])


def background(contact_time: ArrayLike, *, way: str = "auto") -> Background:
    """Return the contact time on the sound skin of one panel, whatever part of it is damaged.

    Parameters
    ----------
    contact_time : array_like of float, shape (n,)
        Readings over one panel with one hammer; missing ones are left out [µs].
    way : str
        ``median``, ``half_sample_mode``, or ``auto``: the median unless more than a third of the taps
        is above `THRESHOLD` times the half-sample mode.

    Returns
    -------
    Background
        Background, scatter, and which way and why.

    Raises
    ------
    ValueError
        If there is no reading, one is not positive, or `way` is unknown.

    Notes
    -----
    The median lies among the sound taps while fewer than half are dull, and scatters less than the
    mode; with a third dull it is the 75th per cent of the sound ones, and the scatter comes out up to
    twice too large. The half-sample mode takes the quarter of the readings that lies closest together
    by ratio, then the closest half of those, and so on; it finds the sound taps as long as they are more
    than a third of all and closer together than the dull ones. The scatter is 1.4826 times the median
    absolute deviation, with the mode that of the readings below it. Where less of the panel is sound,
    neither way can tell: compare the background with that of a like panel.

    Examples
    --------
    >>> background([300.0, 302.0, 298.0, 301.0, 299.0, 420.0])
    Background(300.5 ± 2.2 µs, median of 6 taps)
    """
    if way not in WAYS:
        raise ValueError(f"`way` must be one of {', '.join(WAYS)}. Got {way!r}.")
    tau = np.asarray(contact_time, np.float64).ravel()
    check_positive("contact_time", tau, "µs", missing=True)
    tau = np.sort(tau[np.isfinite(tau)])
    if not len(tau):
        raise ValueError("`contact_time` must have a reading at least [µs]. Got none; check the column.")
    mode = _half_sample_mode(tau)
    share = float((tau > THRESHOLD * mode).mean())
    why = "as asked"
    if way == "auto":
        way = "half_sample_mode" if share > MOST_DULL else "median"
        why = f"{share:.0%} of the taps above {THRESHOLD:g} times the half-sample mode"
    if way == "median":
        centre = float(np.median(tau))
        spread = float(np.median(np.abs(tau - centre)))
    else:
        centre = mode
        spread = float(np.median(centre - tau[tau <= centre]))
    return Background(centre, _NORMAL * spread, way, why, len(tau))


def _half_sample_mode(ordered: Floats) -> float:
    """Return the half-sample mode of positive readings in order."""
    n = (len(ordered) + 3) // 4  # first a quarter: more than half may be dull
    while len(ordered) > 3:
        n = max(n, 2)
        wide = np.log(ordered[n - 1 :] / ordered[: len(ordered) - n + 1])
        shortest = np.flatnonzero(wide == wide.min())
        start = int(shortest[len(shortest) // 2])
        if wide[start] == 0:
            return float(ordered[start])
        ordered = ordered[start : start + n]
        n = (len(ordered) + 1) // 2
    if len(ordered) == 3:
        low, high = ordered[1] - ordered[0], ordered[2] - ordered[1]
        if low != high:
            ordered = ordered[:2] if low < high else ordered[1:]
    return float(ordered.mean())


def check_positive(name: str, values: ArrayLike, unit: str, *, missing: bool = False) -> None:
    """Refuse values that are not positive and finite.

    Parameters
    ----------
    name : str
        What they are called.
    values : array_like of float
        The values.
    unit : str
        Their unit.
    missing : bool
        Whether nan may stand for a value that is missing.

    Raises
    ------
    ValueError
        If a value is not positive and finite.
    """
    numbers = np.atleast_1d(np.asarray(values, np.float64))
    bad = ~(np.isfinite(numbers) & (numbers > 0))
    if missing:
        bad &= ~np.isnan(numbers)
    if bad.any():
        raise ValueError(
            f"`{name}` must be positive and finite [{unit}]: {bad.sum()} of {numbers.size} values are not. "
            "Leave missing readings as nan."
        )
