"""How many finds a zone should show if it were average: damage that arises, and looks that may miss it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.life import Detection, Histories, LookLayout
from kit.numerics.typing import Floats

MOST_LOOKS = 400_000
"""Looks from which on expected finds are worked out from a sample of the lives of each zone."""


def expected_damage(
    watches: Histories, detection: Detection, *, scale: float, shape: float, nodes: int = 3
) -> pd.DataFrame:
    r"""Work out the damage to be expected of each life under the common life, and how much of it its looks find.

    Parameters
    ----------
    watches : Histories
        Lives with the ages of all their looks, those after a find included.
    detection : Detection
        Chance of detection by the delay since onset.
    scale, shape : float
        Of the cumulative number of damages, (age / scale) ** shape [clock units], [-].
    nodes : int
        Gauss points of the onset's age between two looks.

    Returns
    -------
    DataFrame
        One row a life: arose (damages that begin between entry and the last look), expected (damages first found by a look
        after entry) and watched (age from entry to the last look) [-], [-], [clock units].

    Notes
    -----
    Damage arises as points of a Poisson process with the hazard :math:`h(t)`, and each is found by the first look
    that does not miss it. So the finds of a life are Poisson too, with mean :math:`\sum_j \int_{t_{j-1}}^{t_j} h(u)\,
    [1 - \mathrm{E}\prod_{i \ge j} (1 - \mathrm{POD}(t_i - u))]\,du`: the terms of the likelihood of a life, summed, so that a zone
    with a multiplier m shows m times as many in the mean. Damage from before the entry counts where looks up to the
    entry would have missed it. Unlike the compensator of a first find (`kit.posterior.expected_finds`), it counts damage
    that arises after the first.
    """
    if not (scale > 0 and shape > 0):
        raise ValueError(f"`scale` and `shape` must be positive. Got scale={scale!r}, shape={shape!r}.")
    open_ended = replace(watches, upper=np.full(len(watches), np.inf))
    layout = LookLayout.of(open_ended)
    missed = layout.chances(detection, nodes=nodes)
    ends = np.isfinite(layout.log_high)
    with np.errstate(over="ignore"):
        part = (np.exp(layout.log_high[ends]) / scale) ** shape - (
            np.exp(layout.log_low[ends]) / scale
        ) ** shape
    sign = np.where(layout.row[ends] < len(watches), 1.0, -1.0)
    life = layout.life_of_row[layout.row[ends]]
    finds = np.bincount(life, weights=sign * part * (1 - missed[ends]), minlength=len(watches))
    start, stop = watches.entry, np.maximum(watches.lower, watches.entry)
    return pd.DataFrame(
        {
            "arose": (stop / scale) ** shape - (start / scale) ** shape,
            "expected": np.maximum(finds, 0.0),
            "watched": stop - start,
        }
    )


def watches_from_looks(
    life: ArrayLike,
    age: ArrayLike,
    *,
    method: ArrayLike | None = None,
    entry: ArrayLike = 0.0,
    clock: str = "age",
) -> Histories:
    """Gather looks into lives, whatever they found.

    Parameters
    ----------
    life : array_like, shape (n_looks,)
        Life of each look.
    age : array_like of float, shape (n_looks,)
        Age at each look [clock units].
    method : array_like of str, shape (n_looks,), optional
        Method of each look.
    entry : array_like of float, shape (n_looks,)
        Age at which the life of each look comes under watch [clock units].
    clock : str
        Clock of the ages.

    Returns
    -------
    Histories
        One row a life, in order of the names; two looks of a life at one age by one method are one.

    Raises
    ------
    ValueError
        If an age is negative or not finite.
    """
    code, names = pd.factorize(np.asarray(life), sort=True)
    ages = np.asarray(age, np.float64)
    bad = ~(np.isfinite(ages) & (ages >= 0))
    if bad.any() or (code < 0).any():
        row = int(np.argmax(bad | (code < 0)))
        raise ValueError(
            f"`age` must be finite and at least 0, and `life` named: {int((bad | (code < 0)).sum())} of {ages.size} looks are "
            f"not, first row {row} (age={ages[row]:g}). Leave out looks at panels of unknown age."
        )
    how = None if method is None else np.asarray(method, dtype=object)
    order = np.lexsort((ages, code))
    code, ages = code[order], ages[order]
    begin = np.broadcast_to(np.asarray(entry, np.float64), order.shape)[order]
    same = np.r_[False, (code[1:] == code[:-1]) & (ages[1:] == ages[:-1])] if code.size else np.zeros(0, bool)
    if how is not None:
        how = how[order]
        same[1:] &= how[1:] == how[:-1]
        how = how[~same]
    code, ages, begin = code[~same], ages[~same], begin[~same]
    n = len(names)
    start = np.searchsorted(code, np.arange(n + 1))
    last = ages[start[1:] - 1] if n else np.empty(0)
    entries = begin[start[:-1]] if n else np.empty(0)
    return Histories(
        life=np.asarray(names, dtype=object),
        entry=entries,
        lower=np.maximum(last, entries),
        upper=np.full(n, np.inf),
        count=np.ones(n),
        cluster=None,
        look_age=ages,
        look_start=start.astype(np.int64),
        clock=clock,
        look_method=how,
    )


def sampled_lives(zone: ArrayLike, n_looks: Floats, *, most: int = MOST_LOOKS, seed: int = 1) -> Floats:
    """Return the weight of each life in sums by zone, 0 for those that are not in the sample.

    Parameters
    ----------
    zone : array_like, shape (n_lives,)
        Zone of each life.
    n_looks : ndarray, shape (n_lives,)
        Looks of each [-].
    most : int
        Looks of all lives that are worked out; with fewer every life is.
    seed : int
        Of the random numbers.

    Returns
    -------
    ndarray, shape (n_lives,)
        Lives of the zone that each stands for [-].
    """
    looks = np.asarray(n_looks, np.float64)
    if looks.sum() <= most:
        return np.ones(looks.size)
    code, names = pd.factorize(np.asarray(zone))
    per_zone = max(1, int(most / max(looks.mean(), 1.0) / len(names)))
    key = np.random.default_rng(seed).random(code.size)
    order = np.lexsort((key, code))
    first = np.searchsorted(code[order], np.arange(len(names)))
    within = np.arange(code.size) - first[code[order]]
    size = np.bincount(code, minlength=len(names))
    weight = np.zeros(code.size)
    taken = order[within < per_zone]
    weight[taken] = (size / np.minimum(size, per_zone))[code[taken]]
    return weight


def expected_of_zones(
    life: ArrayLike,
    age: ArrayLike,
    zone: ArrayLike,
    detection: Detection,
    *,
    scale: float,
    shape: float,
    n_zones: int,
    most: int = MOST_LOOKS,
    seed: int = 1,
) -> pd.DataFrame:
    """Work out the finds to be expected of each zone from any number of looks.

    Parameters
    ----------
    life : array_like of int, shape (n_looks,)
        Life of each look, numbered from 0.
    age : array_like of float, shape (n_looks,)
        Age at each look [clock units].
    zone : array_like of int, shape (n_lives,)
        Zone of each life, numbered from 0.
    detection : Detection
        Chance of detection by the delay since onset, of all zones.
    scale, shape : float
        Of the common life [clock units], [-].
    n_zones : int
        How many zones there are.
    most, seed : int
        With more looks than this a sample of the lives of each zone stands for all of them, drawn with this seed.

    Returns
    -------
    DataFrame
        One row a zone: expected and arose [-]; standard_error of expected from sampling lives, 0 where none was
        needed [-]; lives and sampled.
    """
    code = np.asarray(life, np.int64)
    place = np.asarray(zone, np.int64)
    n_looks = np.bincount(code, minlength=place.size)
    weight = sampled_lives(place, n_looks, most=most, seed=seed)
    taken = weight > 0
    mine = taken[code]
    watches = watches_from_looks(code[mine], np.asarray(age, np.float64)[mine])
    table = expected_damage(watches, detection, scale=scale, shape=shape)
    which = watches.life.astype(np.int64)
    at, times = place[which], weight[which]
    lives = np.bincount(place, minlength=n_zones)
    n = np.bincount(at, minlength=n_zones)
    some = np.maximum(n, 1)
    sums = {
        name: np.bincount(at, weights=times * table[name], minlength=n_zones)
        for name in ("expected", "arose")
    }
    mean = np.bincount(at, weights=table["expected"], minlength=n_zones) / some
    square = np.bincount(at, weights=table["expected"] ** 2, minlength=n_zones) / some
    left = np.maximum(1 - n / np.maximum(lives, 1), 0.0)
    error = lives * np.sqrt(np.maximum(square - mean**2, 0.0) / some * left)
    return pd.DataFrame({**sums, "standard_error": error, "lives": lives, "sampled": n})
