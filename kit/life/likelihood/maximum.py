"""Where the likelihood is highest, and when it has no highest point."""

from __future__ import annotations

import numpy as np

from kit.life.likelihood.likelihood import PerfectTerms, Terms
from kit.numerics.maximum import maximise
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_FIRST_SHAPE = 1.2
_FARTHEST_SHAPE, _FARTHEST_SCALE = 12.0, 500.0  # in their logs; what still rises there has no end


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
        return highest_life(PerfectTerms.from_rows(*some), begin, shape)[0]
    except NoFiniteMaximum:
        return begin


def highest_life(terms: Terms, begin: Floats, shape: float | None) -> tuple[Floats, float, Floats]:
    """Return where the likelihood of a life is highest, its value there, and the Hessian of what is fitted."""
    free = 2 if shape is None else 1

    def whole(part: Floats) -> Floats:
        return np.concatenate([part, begin[free:]])

    def surface(part: Floats) -> tuple[float, Floats, Floats]:
        value, grad, hess = terms.value(*whole(part))
        return value, grad[:free], hess[:free, :free]

    def unit(part: Floats) -> Floats:
        # A unit of the log scale changes the log of the cumulative hazard by the shape.
        return np.array([np.exp(whole(part)[1]), 1.0])[:free]

    def is_beyond(part: Floats) -> bool:
        return abs(whole(part)[1]) > _FARTHEST_SHAPE or abs(part[0]) > _FARTHEST_SCALE

    top = maximise(surface, begin[:free], unit, is_beyond)
    point = whole(top.point)
    if top.flat is None:
        return point, top.value, top.hessian
    if is_beyond(top.point):
        raise NoFiniteMaximum(
            f"No fit: the likelihood keeps rising as the shape goes to {'0' if point[1] < 0 else 'infinity'} "
            "(onset either at once or never, or all at one age), so no finite maximum exists. What can be had: "
            "the scale under an assumed shape (`fit_weibull(..., shape=)`)."
        )
    if not top.has_ended:
        raise NoFiniteMaximum(
            f"No fit: the likelihood still rises after 200 steps (scale {np.exp(point[0]):.3g}, shape "
            f"{np.exp(point[1]):.3g}), so no finite maximum was found. What can be had: the scale under an assumed "
            "shape (`fit_weibull(..., shape=)`)."
        )
    raise NoFiniteMaximum(
        "No fit: the likelihood is flat in at least one direction at its highest point, so no finite maximum "
        "exists. What can be had: the scale under an assumed shape (`fit_weibull(..., shape=)`)."
    )


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
