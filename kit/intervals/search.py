"""Where a rising share reaches what is allowed, and which interval is the longest that meets a target."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

_MOST_ROUNDS = 1000
SEARCH_STEP = 1.02
"""Ratio at which a search stops: shortest repeat known to miss the target over longest known to meet it [-]."""


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
    excess: Callable[[float], float], middle: float, longest: float, floor: float
) -> float | None:
    """Return the longest interval that meets a target which longer ones miss.

    Parameters
    ----------
    excess : callable
        Log of the risk at an interval over the target, or any rising number of its sign; up to 0
        it meets the target.
    middle : float
        Where to begin: the search goes up from it if it meets the target, down from it if not.
    longest, floor : float
        Ends of the search.

    Returns
    -------
    float or None
        To 2 %, on the short side; None if not even the floor meets the target.
    """
    high, above = longest, excess(longest)
    if above <= 0:
        return longest
    low, below = floor, None
    if middle < longest:
        at_middle = excess(middle)
        if at_middle <= 0:
            low, below = middle, at_middle
        else:
            high, above = middle, at_middle
    if below is None:
        if floor >= high:
            return None
        below = excess(floor)
        if below > 0:
            return None
    for _ in range(_MOST_ROUNDS):  # each takes off a twentieth of what is left, or more, in the log
        if not high / low > SEARCH_STEP:
            break
        # Straight line between the ends in the log of the interval, kept off the ends; then both sides of it.
        share = -below / (above - below) if np.isfinite(above - below) and above > below else 0.5
        guess = low * (high / low) ** min(max(share, 0.05), 0.95)
        for point in (guess / SEARCH_STEP**0.49, guess * SEARCH_STEP**0.49):
            if not low < point < high:
                continue
            value = excess(point)
            if value <= 0:
                low, below = point, value
            else:
                high, above = point, value
                break
    return low
