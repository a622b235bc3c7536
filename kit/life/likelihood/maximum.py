"""Where the likelihood is highest, and when it has no highest point."""

from __future__ import annotations

import numpy as np

from kit.life.likelihood.likelihood import PerfectTerms, Terms
from kit.numerics.typing import Floats

_FIRST_SHAPE = 1.2
_LEAST_CURVATURE = 1e-7  # the likelihood levels out exponentially towards an endless shape


class NoFiniteMaximum(ValueError):
    """The likelihood has no finite maximum, so there is no fit to give."""


def refuse_without_maximum(entry: Floats, lower: Floats, upper: Floats) -> None:
    """Refuse rows whose likelihood rises towards an endless shape: see the notes of `fit_weibull`."""
    last_clean, first_found = _last_clean(entry, lower), float(upper.min())
    if last_clean < first_found:
        raise _no_clean_look_beyond(last_clean, first_found)
    if last_clean == first_found:
        # Only lives that came late and were clean last at that very age can be likelier under a finite shape.
        late = (lower == last_clean) & (entry > 0) & (entry < lower)
        if not late.any() or (lower[upper == first_found] == first_found).any():
            raise _no_clean_look_beyond(last_clean, first_found)


def refuse_endless_shape(entry: Floats, lower: Floats, upper: Floats, count: Floats, value: float) -> None:
    """Refuse when all onsets at the one age that the looks allow are at least as likely as the fit."""
    last_clean, first_found = _last_clean(entry, lower), float(upper.min())
    if last_clean != first_found:
        return
    found = float(count[upper == first_found].sum())
    clean = float(count[(lower == last_clean) & (entry < lower)].sum())
    limit = found * np.log(found / (found + clean)) + clean * np.log(clean / (found + clean))
    if limit >= value - 1e-9:
        raise _no_clean_look_beyond(last_clean, first_found)


def _last_clean(entry: Floats, lower: Floats) -> float:
    """Last age at which any life was clean after it came under watch; 0 if none was."""
    return float((lower * (lower > entry)).max(initial=0.0))


def _no_clean_look_beyond(last_clean: float, first_found: float) -> NoFiniteMaximum:
    what = (
        f"every find's interval reaches {first_found:g} and no clean look goes beyond it "
        f"(last clean look at {last_clean:g})"
        if last_clean > 0
        else "nobody was clean at any look after coming under watch"
    )
    return NoFiniteMaximum(
        f"No fit: {what}, so the likelihood keeps rising as the shape grows and no finite maximum exists. "
        "What can be had: the scale under an assumed shape (`fit_weibull(..., shape=)`), or a fit once "
        "clean looks beyond that age are in the data."
    )


def first_point(entry: Floats, lower: Floats, upper: Floats, count: Floats, shape: float | None) -> Floats:
    """Log scale that a constant hazard on the age to the power `shape` would have, and log shape."""
    power = _FIRST_SHAPE if shape is None else shape
    found = np.isfinite(upper)
    last = np.where(found, (lower + np.where(found, upper, 0.0)) / 2, lower)
    top = float(last.max())
    exposure = float(count @ ((last / top) ** power - (np.minimum(entry, last) / top) ** power))
    finds = float(count[found].sum())
    return np.array([np.log(top) + np.log(max(exposure, 1e-12) / finds) / power, np.log(power)])


def start_from_some_rows(
    entry: Floats, lower: Floats, upper: Floats, count: Floats, shape: float | None, begin: Floats
) -> Floats:
    """Maximum of one row in twenty: close to that of all, so that few rounds over all rows remain."""
    some = (entry[::20], lower[::20], upper[::20], count[::20])
    try:
        if shape is None:
            refuse_without_maximum(*some[:3])
        return maximise(PerfectTerms.from_rows(*some), begin, shape)[0]
    except NoFiniteMaximum:
        return begin


def maximise(terms: Terms, begin: Floats, shape: float | None) -> tuple[Floats, float, Floats]:
    """Newton's method on (log scale, log shape) with halved steps; quadratic at the end."""
    free = 2 if shape is None else 1
    point = begin.copy()
    with np.errstate(all="ignore"):
        value, grad, hess = terms.value(*point)
        for _ in range(200):
            h, g = hess[:free, :free], grad[:free]
            size, axes = np.linalg.eigh(-h)
            # Where the surface is not bowl-shaped the curvature's size still gives a sensible step.
            size = np.maximum(np.abs(size), 1e-10 * max(float(np.abs(size).max()), 1e-300))
            step = axes @ ((axes.T @ g) / size)
            decrement = float(g @ step)
            # The cap is on the log of the cumulative hazard, where a small shape allows long steps in scale.
            reach = max(
                abs(float(step[0])) * min(1.0, float(np.exp(point[1]))),
                float(np.abs(step[1:]).max(initial=0.0)),
            )
            step *= min(1.0, 1.5 / max(reach, 1e-300))
            trial = point.copy()
            for _half in range(60):
                trial[:free] = point[:free] + step
                new = terms.value(*trial)
                if np.isfinite(new[0]) and new[0] >= value - 1e-13 * (1 + abs(value)):
                    break
                step /= 2
            else:
                break
            point, (value, grad, hess) = trial, new
            if abs(point[1]) > 12 or abs(point[0]) > 500:
                raise NoFiniteMaximum(
                    f"No fit: the likelihood keeps rising as the shape goes to {'0' if point[1] < 0 else 'infinity'} "
                    "(onset either at once or never, or all at one age), so no finite maximum exists. What can be had: "
                    "the scale under an assumed shape (`fit_weibull(..., shape=)`)."
                )
            if decrement < 1e-11 * (1 + abs(value)) ** 0.5:
                break
        else:
            raise NoFiniteMaximum(
                f"No fit: the likelihood still rises after 200 steps (scale {np.exp(point[0]):.3g}, shape "
                f"{np.exp(point[1]):.3g}), so no finite maximum was found. What can be had: the scale under an assumed "
                "shape (`fit_weibull(..., shape=)`)."
            )
    point, value, hess = _polish(terms, point, free, (value, grad, hess))
    # Curvature in the log of the cumulative hazard and log shape; a standard error of thousands is no maximum.
    unit = np.array([np.exp(point[1]), 1.0])[:free]
    left = -hess[:free, :free] / np.outer(unit, unit)
    if not (np.isfinite(left).all() and np.linalg.eigvalsh(left).min() > _LEAST_CURVATURE):
        raise NoFiniteMaximum(
            "No fit: the likelihood is flat in at least one direction at its highest point, so no finite maximum "
            "exists. What can be had: the scale under an assumed shape (`fit_weibull(..., shape=)`)."
        )
    return point, value, hess


def _polish(
    terms: Terms, point: Floats, free: int, here: tuple[float, Floats, Floats]
) -> tuple[Floats, float, Floats]:
    """Take the last Newton steps, which only change digits that the likelihood itself no longer shows."""
    with np.errstate(all="ignore"):
        value, grad, hess = here
        for _ in range(3):
            try:
                step = np.linalg.solve(-hess[:free, :free], grad[:free])
            except np.linalg.LinAlgError:
                break
            if not np.abs(step).max() < 1e-3 or np.abs(step).max() < 1e-14:
                break
            point = point.copy()
            point[:free] += step
            value, grad, hess = terms.value(*point)
            if np.abs(step).max() < 1e-9:
                break
    return point, value, hess


def refuse_shape_zero(entry: Floats, lower: Floats, upper: Floats, count: Floats, value: float) -> None:
    """Refuse when a share that has damage at once, and none later, is at least as likely."""
    found = upper < np.inf
    if (found & (lower > 0)).any():
        return
    at_once = float(count[found].sum())
    never = float(count[~found & (entry == 0) & (lower > 0)].sum())
    if never == 0:
        return
    limit = at_once * np.log(at_once / (at_once + never)) + never * np.log(never / (at_once + never))
    if limit >= value - 1e-9:
        raise NoFiniteMaximum(
            "No fit: a share damaged at once and none later explains the looks at least as well, so the likelihood "
            "keeps rising as the shape goes to 0. What can be had: the scale under an assumed shape "
            "(`fit_weibull(..., shape=)`)."
        )
