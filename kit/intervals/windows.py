"""What gathers by age, brought to the window of age that holds most, per 10,000 panel flight hours."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.sparse import csr_array

from kit.numerics.typing import Floats

PER_FLIGHT_HOURS = 10_000.0
"""Risks are given for this many panel flight hours."""


def worst_window(ends: Floats, cumulative: Floats, *, window: float, horizon: float) -> Floats:
    """Most that a window of age holds, wherever it begins.

    Parameters
    ----------
    ends : ndarray, shape (n_ends,)
        Rising ages above 0, the last at or beyond the horizon [clock units].
    cumulative : ndarray, shape (..., n_ends)
        What has gathered by each; between them it gathers evenly, from 0 at age 0.
    window : float
        Length of the window; a longer one than the horizon is the horizon [clock units].
    horizon : float
        Age at which the last window ends [clock units].

    Returns
    -------
    ndarray, shape (...)
        Largest rise over one window, divided by its length [1/clock unit].
    """
    return rises(ends, cumulative, window=window, horizon=horizon).max(axis=-1)


def rises(ends: Floats, cumulative: Floats, *, window: float, horizon: float) -> Floats:
    """Return what each window of age holds that may hold most, per unit of its length.

    Parameters
    ----------
    ends, cumulative, window, horizon : object
        As for `worst_window`.

    Returns
    -------
    ndarray, shape (..., n_windows)
        Rises over the windows that begin or end at a knot, linear in `cumulative` [1/clock unit].
    """
    read = _windows(np.asarray(ends, np.float64).tobytes(), float(min(window, horizon)), float(horizon))
    flat = np.reshape(cumulative, (-1, ends.size))
    return (read @ flat.T).T.reshape(*np.shape(cumulative)[:-1], read.shape[0])


@lru_cache(maxsize=32)  # the measures and zones of one schedule are read in the same windows
def _windows(ends: bytes, window: float, horizon: float) -> csr_array:
    """Return what reads the rise over each window from what has gathered by each age."""
    knots = np.concatenate([[0.0], np.frombuffer(ends)])
    # What lies in a window rises and falls in straight lines: it is largest where one of its ends is a knot.
    starts = np.unique(
        np.clip(np.concatenate([knots, knots - window, [horizon - window]]), 0.0, horizon - window)
    )
    n, rows = starts.size, np.arange(starts.size)
    left, share = zip(*(_place(knots, at) for at in (starts, starts + window)), strict=True)
    left, share = np.concatenate(left), np.concatenate(share)
    sign = np.repeat([-1.0, 1.0], n) / window
    # Each window reads four knots; nothing has gathered at the first of all.
    return csr_array(
        (np.r_[sign * (1 - share), sign * share], (np.r_[rows, rows, rows, rows], np.r_[left, left + 1])),
        shape=(n, knots.size),
    )[:, 1:]


def per_flight_hours(
    name: str, ends: Floats, cumulative: Floats, *, hours_per_unit: float, window: float, horizon: float
) -> Floats:
    """Bring what has gathered by age to every window that may be worst, per 10,000 panel flight hours.

    Parameters
    ----------
    name : str
        Measure. Exposure comes in units of the clock, as the time over which it gathers does; counts do not.
    ends, cumulative, horizon : object
        As for `worst_window`.
    hours_per_unit : float
        Flight hours per unit of the clock [-].
    window : float
        Length of the windows; the horizon gives the mean over it [clock units].

    Returns
    -------
    ndarray, shape (..., n_windows)
        Linear in `cumulative`; the largest is that of the worst window [per 10,000 panel flight hours].
    """
    scale = PER_FLIGHT_HOURS / (1.0 if "exposure" in name else hours_per_unit)
    return scale * rises(ends, cumulative, window=window, horizon=horizon)


def _place(knots: Floats, at: Floats) -> tuple[np.ndarray, Floats]:
    """Return the knot before each place, and how far on the way to the next one it lies."""
    left = np.clip(np.searchsorted(knots, at, side="left"), 1, knots.size - 1) - 1
    return left, (at - knots[left]) / (knots[left + 1] - knots[left])
