"""How many known flaws and inspectors a trial needs to prove a wanted a90/95."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from kit.detection.curve import DetectionCurve, HasCurve, LinkedCurve, as_detection
from kit.detection.links import line_at, shares
from kit.numerics.typing import Floats

_ROUNDS = 60
_BLOCK = 4_000_000  # outcomes held at once


def trial_power(
    detection: DetectionCurve | HasCurve,
    wanted: float,
    *,
    n_flaws: Sequence[int],
    n_inspectors: Sequence[int],
    size_from: float,
    size_to: float,
    inspector_sd: float = 0.15,
    level: float = 0.95,
    pod: float = 0.9,
    n_trials: int = 400,
    seed: int,
) -> pd.DataFrame:
    r"""Simulate trials and count how many prove a wanted a90/95.

    Parameters
    ----------
    detection : DetectionCurve or fit
        POD that the average inspector is thought to have; logit, probit or cloglog in log size.
    wanted : float
        Size that the trial must show to have the POD with confidence [mm].
    n_flaws : sequence of int
        Numbers of known flaws, each tapped once by every inspector.
    n_inspectors : sequence of int
        Numbers of inspectors.
    size_from, size_to : float
        Smallest and largest flaw; the sizes are spread evenly in log between them [mm].
    inspector_sd : float
        Standard deviation of inspectors in log a50 [-].
    level : float
        One-sided confidence [-].
    pod : float
        POD [-].
    n_trials : int
        Simulated trials for each row.
    seed : int
        Of the random numbers.

    Returns
    -------
    DataFrame
        Row by row: n_flaws, n_inspectors, n_taps, share_proving and its standard_error by Monte Carlo,
        share_without_fit, median_a90_95 [mm], true_a90 of the population of inspectors [mm], holds_for.

    Raises
    ------
    ValueError
        If an argument is out of range.

    Notes
    -----
    Each trial is judged by the curve fitted over all inspectors with the plateau as given: the bound of the
    band on the link, by the larger of the independent variance and the one clustered by inspector with
    Student's t for the number of inspectors less one. With one inspector it holds for that person alone.
    A trial in which hits and misses do not overlap proves nothing by a curve and counts as not proving.
    Flaws of one size are taken as alike; where they differ, more are needed.

    Examples
    --------
    >>> table = trial_power(
    ...     DetectionCurve(a50=20.0, slope=4.0), 50.0, n_flaws=[20, 60], n_inspectors=[4],
    ...     size_from=10.0, size_to=60.0, n_trials=100, seed=1,
    ... )
    >>> list(table["n_taps"])
    [80, 240]
    """
    curve = as_detection(detection)
    link = curve.link if isinstance(curve, LinkedCurve) else "logit"
    if curve.a50 == 0 or (isinstance(curve, LinkedCurve) and not curve.log_size):
        raise ValueError("`detection` must be a POD by log size. Got one that is not.")
    for name, value, low, high in (
        ("wanted", wanted, 0, np.inf),
        ("size_from", size_from, 0, np.inf),
        ("size_to", size_to, size_from, np.inf),
        ("level", level, 0, 1),
        ("pod", pod, 0, 1),
    ):
        if not low < value < high:
            raise ValueError(f"`{name}` must be above {low:g} and below {high:g}. Got {value!r}.")
    if not 0 <= inspector_sd < np.inf:
        raise ValueError(f"`inspector_sd` must be at least 0 and finite. Got {inspector_sd!r}.")
    for name, values, least in (
        ("n_flaws", n_flaws, 4),
        ("n_inspectors", n_inspectors, 1),
        ("n_trials", [n_trials], 20),
    ):
        for value in values:
            if value != int(value) or value < least:
                raise ValueError(f"`{name}` must be whole numbers of at least {least}. Got {value!r}.")
    spread = curve.slope * inspector_sd
    everyone = LinkedCurve(curve.a50, curve.slope, curve.plateau, link=link, spread=spread)
    wanted_line = float(line_at(link, pod / curve.plateau)) if pod < curve.plateau else np.inf
    rows = []
    for people in n_inspectors:
        for flaws in n_flaws:
            x = np.linspace(np.log(size_from), np.log(size_to), int(flaws))
            rng = np.random.default_rng([int(seed), int(flaws), int(people)])
            at_once = max(1, _BLOCK // (int(flaws) * int(people)))
            sizes, no_fit = [], 0
            for begin in range(0, n_trials, at_once):
                n = min(at_once, n_trials - begin)
                z = rng.standard_normal((n, int(people), 1))
                line = float(line_at(link, 0.5)) + curve.slope * (x - np.log(curve.a50)) + spread * z
                hit = rng.random(line.shape) < curve.plateau * shares(link, line).share
                bound, failed = _bounds(x, hit, link, curve.plateau, wanted_line, level)
                sizes.append(bound)
                no_fit += int(failed.sum())
            reached = np.concatenate(sizes)
            proving = int((reached <= np.log(wanted)).sum())
            likely = (proving + 1) / (n_trials + 2)
            rows.append(
                {
                    "n_flaws": int(flaws),
                    "n_inspectors": int(people),
                    "n_taps": int(flaws) * int(people),
                    "share_proving": proving / n_trials,
                    "standard_error": float(np.sqrt(likely * (1 - likely) / n_trials)),
                    "share_without_fit": no_fit / n_trials,
                    "median_a90_95": float(np.exp(np.median(reached))),
                    "true_a90": everyone.size_at(pod),
                    "holds_for": "inspectors like these" if people > 1 else "that inspector",
                }
            )
    return pd.DataFrame(rows)


def _bounds(x: Floats, hit: NDArray[np.bool_], link: str, plateau: float, wanted: float, level: float):
    """Log of the proven size of each trial, infinite where nothing is proved, and where no fit was had."""
    n, people, flaws = hit.shape
    if not np.isfinite(wanted):
        return np.full(n, np.inf), np.zeros(n, bool)
    middle = x.mean()
    unit = float(x.std())
    u = (x - middle) / unit
    hits = hit.sum(axis=1)  # by flaw: all inspectors tap the same flaws
    lowest = np.where(hits > 0, u, np.inf).min(axis=1)
    highest = np.where(hits < people, u, -np.inf).max(axis=1)
    failed = highest <= lowest
    beta = np.zeros((n, 2))
    beta[:, 1] = 1.0
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            grad, info = _score(beta, hits, people, u, link, plateau)
            step = np.linalg.solve(info + 1e-9 * np.eye(2), grad[..., None])[..., 0]
            step *= np.minimum(1.0, 2.0 / np.maximum(np.abs(step).max(axis=1), 1e-12))[:, None]
            beta = np.where(failed[:, None], beta, beta + step)
            if np.abs(np.where(failed[:, None], 0.0, step)).max() < 1e-8:
                break
        grad, info = _score(beta, hits, people, u, link, plateau)
        failed |= ~(np.abs(grad).max(axis=1) < 1e-4 * people * flaws) | ~(beta[:, 1] > 0)
        info = np.where(failed[:, None, None], np.eye(2), info)
        model = np.linalg.inv(info)
        out = _reach(beta, model, wanted, float(ndtri(level)))
        if people > 1:
            share, _, first, _ = shares(link, beta[:, :1] + beta[:, 1:] * u)
            chance = plateau * share
            weight = plateau * first / np.clip(chance * (1 - chance), 1e-12, None)
            left = (hit - chance[:, None, :]) * weight[:, None, :]
            each = np.stack([left.sum(axis=2), left @ u], axis=-1)  # trial, inspector, parameter
            meat = np.einsum("nip,niq->npq", each, each) * people / (people - 1)
            clustered = model @ meat @ model
            out = np.maximum(out, _reach(beta, clustered, wanted, float(stdtrit(people - 1, level))))
    out = np.where(failed | ~np.isfinite(out), np.inf, middle + unit * out)
    return out, failed


def _score(beta: Floats, hits: Floats, people: int, u: Floats, link: str, plateau: float):
    """Gradient and expected information of each trial."""
    share, _, first, _ = shares(link, beta[:, :1] + beta[:, 1:] * u)
    chance, rate = plateau * share, plateau * first
    variance = np.clip(chance * (1 - chance), 1e-12, None)
    left = (hits - people * chance) * rate / variance
    weight = people * rate**2 / variance
    grad = np.stack([left.sum(axis=1), left @ u], axis=-1)
    a, b, c = weight.sum(axis=1), weight @ u, weight @ u**2
    return grad, np.stack([np.stack([a, b], axis=-1), np.stack([b, c], axis=-1)], axis=-2)


def _reach(beta: Floats, covariance: Floats, wanted: float, z: float) -> Floats:
    """Where the lower bound of the line reaches a value; infinite where it never does."""
    b0, b1 = beta[:, 0] - wanted, beta[:, 1]
    a = b1**2 - z**2 * covariance[:, 1, 1]
    b = b0 * b1 - z**2 * covariance[:, 0, 1]
    c = b0**2 - z**2 * covariance[:, 0, 0]
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    return np.where(a > 0, (-b + root) / a, np.inf)
