"""Which POD curve hits and misses on known damage support."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logit, xlogy

from kit.detection.hit_miss_fit import HitMissFit, Options
from kit.detection.hit_miss_surface import Surface, line_design, maximise_on
from kit.detection.links import check_link, line_at, shares
from kit.detection.trials import REMEDY, Trials, check_trials, highest_step, refuse_without_maximum
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_LEAST_OVERLAP = 1e-3  # expected trials whose outcome is open; below it the curve is a step
_AT_BOUND = 1e-5  # a plateau this close to 1, or a false-call chance to 0, is there
_NO_SPREAD = 0.01  # a spread between inspectors below this on the line cannot be told from none
_FEW = 60  # trials with damage, below which Wald bounds are rough


def fit_hit_miss(
    size: ArrayLike,
    hit: ArrayLike,
    group: ArrayLike | None = None,
    *,
    link: str = "logit",
    log_size: bool = True,
    trials: ArrayLike | None = None,
    plateau: float | str | None = None,
    false_calls: float | str | None = None,
    common_slope: bool = True,
    inspector: ArrayLike | None = None,
) -> HitMissFit:
    r"""Fit a POD curve to hits and misses on known damage by maximum likelihood.

    Parameters
    ----------
    size : array_like of float, shape (n,)
        Equivalent diameter of each damage; with `log_size` and `false_calls`, 0 stands for a place
        without damage [mm].
    hit : array_like, shape (n,)
        Whether it was found; with `trials`, how often.
    group : array_like, shape (n,), optional
        Group of each row, such as method, skin class or side: each gets its own intercept.
    link : str
        ``logit``, ``probit`` or ``cloglog``.
    log_size : bool
        Whether the line is in the log of size.
    trials : array_like of int, shape (n,), optional
        Trials of each row. Default: one.
    plateau : float, 'fit' or None
        POD of the largest damage: given, fitted, or 1 [-].
    false_calls : float, 'fit' or None
        Chance that a place is called dull by luck alone: given, fitted, or 0 [-].
    common_slope : bool
        Whether all groups share one slope.
    inspector : array_like, shape (n,), optional
        Inspector of each row; their intercepts get a normal spread, which is fitted.

    Returns
    -------
    HitMissFit
        The curve with its bounds.

    Raises
    ------
    ValueError
        If lengths differ or a value is out of range.
    NoFiniteMaximum
        If the likelihood has no finite maximum, as where one size parts hits from misses.

    See Also
    --------
    demonstration_plan : Hits in a row that prove a POD at one size.
    fit_response : POD from readings instead of hits and misses.

    Notes
    -----
    A row is a hit with chance :math:`c + (1 - c)\,P\,F(b_0 + b_1 x)`, x the size or its log, P the plateau,
    c the false-call chance and F the link. The POD is :math:`P\,F`, without hits by luck. Between inspectors
    the intercept varies as :math:`\sigma z`, z standard normal, integrated by adaptive Gauss–Hermite
    quadrature. Trials of one inspector on the same damage, and of one damage by several inspectors, are
    taken as independent given the size and the inspector. The size of damage must be known from elsewhere:
    sizes at first find in a fleet say nothing of what was missed.

    References
    ----------
    .. [1] C. I. Bliss, "The calculation of the dosage-mortality curve," *Annals of Applied Biology* 22,
       1935, 134-167; the data behind the tests' values.
    .. [2] A. Agresti, *Categorical Data Analysis*, 3rd ed. Hoboken: Wiley, 2013, ch. 5 and 6.

    Examples
    --------
    >>> fit = fit_hit_miss([10, 15, 20, 25, 30, 40], [1, 3, 5, 8, 9, 10], trials=[10] * 6)
    >>> fit
    HitMissFit(logit, 60 trials, 36 hits: a50 18.4, a90 30.4, a90/95 42.7 mm)
    """
    check_link(link)
    given = {}
    for name, value, words, none in (
        ("plateau", plateau, "above 0 and at most 1", 1.0),
        ("false_calls", false_calls, "at least 0 and below 1", 0.0),
    ):
        number = none if value is None else value
        if value == "fit":
            given[name] = None
        elif isinstance(number, str) or not 0 <= number <= 1 or number == 1 - none:
            raise ValueError(f"`{name}` must be a chance {words}, 'fit' or None. Got {value!r}.")
        else:
            given[name] = float(number)
    data = check_trials(size, hit, group, trials, inspector, log_size, false_calls is not None)
    refuse_without_maximum(data, common_slope)
    return fit_trials(data, Options(link, given["plateau"], given["false_calls"], common_slope))


class _Best(NamedTuple):
    point: Floats
    value: float
    hessian: Floats
    surface: Surface


def fit_trials(data: Trials, options: Options) -> HitMissFit:
    """Fit checked trials.

    Parameters
    ----------
    data : Trials
        The trials.
    options : Options
        What is fitted.

    Returns
    -------
    HitMissFit
        The fit.
    """
    cautions: list[str] = []
    real = ~data.blank
    weight = data.count[real]
    middle = float(np.average(data.x[real], weights=weight))
    unit = float(np.sqrt(np.average((data.x[real] - middle) ** 2, weights=weight)))
    design = line_design(data, options.common_slope, middle, unit)
    surface = Surface(
        options.link,
        design,
        data.hit,
        data.count - data.hit,
        data.blank,
        options.plateau,
        options.false_calls,
    )
    best = _without_spread(surface, data, cautions)
    if data.inspector is not None:
        best = _with_spread(best, data, cautions)
    n_line = design.shape[1]
    to_size = np.eye(best.point.size)
    n_groups = len(data.groups)
    for g in range(n_groups):
        slope = n_groups if options.common_slope else n_groups + g
        to_size[g, slope] = -middle / unit
    for slope in range(n_groups, n_line):
        to_size[slope, slope] = 1 / unit
    # As usual for such fits: the information expected of the trials, the observed one where a spread is fitted.
    information = -best.hessian if best.surface.starts is not None else best.surface.information(best.point)
    covariance = to_size @ np.linalg.inv(information) @ to_size.T
    line, plateau, false, spread = best.surface.natural(best.point)
    coefficients = to_size[:n_line, :n_line] @ line
    perfect = xlogy(data.hit, data.hit / data.count) + xlogy(data.count - data.hit, 1 - data.hit / data.count)
    if (coefficients[n_groups:] <= 0).any():
        cautions.append(
            "the chance to find falls with size: see whether hits and misses are exchanged; no a50 or a90 is given"
        )
    if weight.sum() < _FEW:
        cautions.append(
            f"{weight.sum():g} trials on damage: Wald bounds are rough here; use method='likelihood'"
        )
    if data.inspector is None:
        cautions.append("trials are taken as independent: damage seen by several inspectors counts each time")
    return HitMissFit(
        link=options.link,
        log_size=data.log_size,
        groups=data.groups,
        intercepts=coefficients[:n_groups],
        slopes=coefficients[n_groups:],
        plateau=plateau,
        false_calls=false,
        spread=spread,
        covariance=covariance,
        log_likelihood=best.value,
        deviance=2 * (float(perfect.sum()) - best.value),
        n_trials=float(data.count.sum()),
        n_hits=float(data.hit.sum()),
        cautions=tuple(cautions),
        data=data,
        options=options,
        _fit_again=fit_trials,
        fitted=tuple(
            name
            for name, value in (
                ("plateau", best.surface.plateau),
                ("false_calls", best.surface.false_calls),
                ("spread", None if best.surface.starts is not None else 0.0),
            )
            if value is None
        ),
    )


def _without_spread(surface: Surface, data: Trials, cautions: list[str]) -> _Best:
    """Fit the curve; a plateau or false-call chance that runs to its bound is put there."""
    real = ~data.blank
    share = float(data.hit[real].sum() / data.count[real].sum())
    order = np.argsort(data.size, kind="stable")
    across = surface.design[:, len(data.groups) :].sum(axis=1)  # size, on the scale of the search
    top = order[-max(data.size.size // 5, 1) :]
    highest = float((data.hit[top].sum() + 1) / (data.count[top].sum() + 2))
    calls = data.hit[data.blank].sum() / data.count[data.blank].sum() if data.blank.any() else 0.02
    candidates = []
    for plateau in (None, 1.0) if surface.plateau is None else (surface.plateau,):
        for false in (None, 0.0) if surface.false_calls is None else (surface.false_calls,):
            part = replace(surface, plateau=plateau, false_calls=false)
            ends = sorted({0.99, min(highest, 0.97)}) if plateau is None else [plateau]
            # With both ends held there is one top; else a flat and a steep curve may each have their own.
            steep = (0.0,) if plateau == 1 and false == 0 else (1.0, 5.0, 15.0)
            for end, slope in ((end, slope) for end in ends for slope in steep):
                reached = float(np.clip(share / end, 0.05, 0.95))
                if slope == 0:
                    height = float(line_at(part.link, reached))
                else:
                    at = np.searchsorted(np.cumsum(data.count[order]), (1 - reached) * data.count.sum())
                    height = float(line_at(part.link, 0.5)) - slope * float(across[order[at]])
                start = np.r_[
                    np.full(len(data.groups), height),
                    np.full(part.n_line - len(data.groups), slope),
                    [logit(end)] if plateau is None else [],
                    [logit(np.clip(calls, 0.003, 0.5))] if false is None else [],
                ]
                point, value, hessian, good = maximise_on(part, start)
                _, reached, chance, _ = part.natural(point)
                at_bound = (plateau is None and reached > 1 - _AT_BOUND) or (
                    false is None and chance < _AT_BOUND
                )
                if np.isfinite(value):
                    candidates.append((_Best(point, value, hessian, part), good and not at_bound))
    if not candidates:
        raise NoFiniteMaximum(
            f"No fit: the trials are impossible under the plateau or false calls given. {REMEDY}"
        )
    highest_value = max(best.value for best, _ in candidates)
    good = [best for best, is_good in candidates if is_good and best.value >= highest_value - 1e-6]
    if not good:
        raise NoFiniteMaximum(
            "No fit: the likelihood keeps rising as the curve becomes a step or as plateau and slope trade off, so no finite "
            f"maximum exists. Give `plateau` and `false_calls` instead of fitting them. {REMEDY}"
        )
    # Of equals, the one with the fewest parameters.
    best = min(good, key=lambda b: (b.point.size, -b.value))
    line, _, _, _ = best.surface.natural(best.point)
    share, rest, _, _ = shares(surface.link, best.surface.design @ line)
    step = highest_step(data, surface.plateau, surface.false_calls) if len(data.groups) == 1 else -np.inf
    if step > best.value + 1e-6 or float((data.count * share * rest)[real].sum()) < _LEAST_OVERLAP:
        raise NoFiniteMaximum(
            f"No fit: the likelihood is highest where the curve becomes a step, so no finite maximum exists. {REMEDY}"
        )
    if surface.plateau is None and best.surface.plateau is not None:
        cautions.append(
            "the fitted plateau is 1: the trials show none below it, which does not prove that there is none"
        )
    if surface.false_calls is None and best.surface.false_calls is not None:
        cautions.append(
            "the fitted false-call chance is 0: the trials show none, which does not prove that there is none"
        )
    return best


def _with_spread(fixed: _Best, data: Trials, cautions: list[str]) -> _Best:
    """Add the spread between inspectors."""
    starts = np.flatnonzero(np.r_[True, np.diff(data.inspector) != 0])
    surface = replace(fixed.surface, starts=starts)
    alike = (
        f"no spread between the {starts.size} inspectors is seen; the fit is that of one, which does not prove that they "
        "are alike"
    )
    if surface.curvature_at_no_spread(fixed.point) <= 0:
        cautions.append(alike)
        return fixed
    point, before = np.r_[fixed.point, np.log(0.5)], -np.inf
    for _ in range(12):
        surface = surface.centred(point)
        point, value, hessian, good = maximise_on(surface, point)
        if not np.isfinite(value) or point[-1] < np.log(_NO_SPREAD) or abs(value - before) < 1e-8:
            break
        before = value
    if not np.isfinite(value) or point[-1] < np.log(_NO_SPREAD) or value <= fixed.value + 1e-9:
        cautions.append(alike)
        return fixed
    if not good:
        raise NoFiniteMaximum(
            f"No fit: the likelihood with a spread between {starts.size} inspectors has no finite maximum. Fit without "
            f"`inspector`, or bring more trials of each. {REMEDY}"
        )
    if starts.size < 6:
        cautions.append(f"the spread rests on {starts.size} inspectors: its standard error says little")
    return _Best(point, value, hessian, surface)
