"""Where a rising share reaches what is allowed, and which interval is the longest below which all meet a target."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

SEARCH_STEP = 1.02
"""Ratio of neighbours on the grid of intervals that a search keeps to [-]."""

_STRIDE = 12  # steps at once, until one misses the target
_MOST_STEPS = 200 * _STRIDE  # a factor of 1e20 on either side of the start


def age_at_share(ages: NDArray[np.float64], share: NDArray[np.float64], allowed: float) -> float:
    """Return the age at which a rising share reaches the allowed one.

    Parameters
    ----------
    ages : ndarray, shape (n,)
        Ages, rising [clock units].
    share : ndarray, shape (n,)
        Share with damage at each [-].
    allowed : float
        Share allowed [-].

    Returns
    -------
    float
        By straight lines in the logs; the last age where it is never reached.
    """
    above = np.flatnonzero(share >= allowed)
    if not above.size:
        return float(ages[-1])
    i = int(above[0])
    if i == 0:
        return float(ages[0])
    low, high = np.log(np.maximum(share[i - 1 : i + 1], 1e-300))
    part = (np.log(allowed) - low) / (high - low)
    return float(ages[i - 1] * (ages[i] / ages[i - 1]) ** part)


def longest_meeting(
    meets: Callable[[float], bool],
    *,
    start: float,
    shortest: float,
    longest: float,
    unit: float,
    enough: float = np.inf,
) -> float | None:
    """Return the longest interval that meets a target with every shorter one examined meeting it too.

    Parameters
    ----------
    meets : callable
        Whether an interval meets the target.
    start : float
        About where to begin: up from there while the target is met, down from there while it is not [clock units].
    shortest, longest : float
        Ends of the search [clock units].
    unit : float
        Interval that the grid is laid from [clock units].
    enough : float
        The search ends once an interval no shorter than this meets the target, on its way up: for a caller that takes the
        smaller of both [clock units].

    Returns
    -------
    float or None
        To 2 %, on the short side; None if not even the shortest meets the target.

    Notes
    -----
    All intervals but the two ends lie on one grid, `unit` times powers of 1.02, whatever is asked. Two
    questions with the same start and shortest are therefore put to the same intervals in the same order, and
    the one whose target is missed wherever the other's is never gets the longer answer; this holds even where risk
    does not rise evenly with the interval.
    """

    def at(step: int) -> float:
        return float(min(max(unit * SEARCH_STEP**step, shortest), longest))

    if shortest > longest:
        return None
    begin = round(np.log(start / unit) / np.log(SEARCH_STEP) / _STRIDE) * _STRIDE
    for down in range(begin, begin - _MOST_STEPS, -_STRIDE):
        low = down
        if meets(at(low)):
            break
        if at(low) <= shortest:
            return None
    for up in range(low, low + _MOST_STEPS, _STRIDE):
        low = up
        if at(low) >= longest:
            return longest
        if at(low) >= enough:
            return at(low)
        if not meets(at(low + _STRIDE)):
            break
    high = low + _STRIDE
    for _ in range(_STRIDE):  # halves the steps between them each time
        if high - low == 1:
            break
        middle = (low + high) // 2
        low, high = (middle, high) if meets(at(middle)) else (low, middle)
    return at(low)
