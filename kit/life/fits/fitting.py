"""Fit a life of any family to histories by maximum likelihood."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.life.fits.fit import FitRows, LifeFit
from kit.life.likelihood.families import WEIBULL, Family
from kit.life.likelihood.imperfect import (
    ConstantDetection,
    DetectionInput,
    as_detection,
    detection_terms,
    finds_all,
)
from kit.life.likelihood.likelihood import FamilyTerms, PerfectTerms, SumTerms, Terms, row_scores
from kit.life.likelihood.maximum import (
    first_point,
    highest_life,
    refuse_endless_shape,
    refuse_shape_zero,
    refuse_without_maximum,
    start_from_some_rows,
)
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows
from kit.numerics.covariance import cluster_covariance, inverse_information
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_SHAPES_TO_TRY = (3.0, 9.0)  # besides the usual start
_MANY_ROWS = 200_000  # from here on a start from some of the rows pays


def fit_family(
    family: Family,
    histories: Histories | pd.DataFrame | None = None,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | None = None,
    detection: DetectionInput = 1.0,
    shape: float | None = None,
    terms: Terms | None = None,
    clock: str = "",
    kind: str = "",
) -> LifeFit:
    """Fit a life of one family; see `kit.life.fit_weibull` for the arguments and errors.

    Parameters
    ----------
    family : Family
        Family of the life.
    histories : Histories or DataFrame, optional
        As in `kit.life.fit_weibull`, as all up to `shape` are.
    lower, upper, entry, count : array_like of float, optional
        In place of histories.
    cluster : sequence, optional
        What each row belongs to.
    detection : number, mapping, curve or model
        Chance that a look finds damage that is there.
    shape : float, optional
        Shape that is assumed.
    terms : Terms, optional
        The Weibull likelihood of these very rows, where they are summed elsewhere; looks that find all.
    clock, kind : str
        Of rows that came as arrays; default: what the histories say.

    Returns
    -------
    LifeFit
        The maximum.

    Raises
    ------
    NoFiniteMaximum
        If no finite maximum exists.
    ValueError
        If rows are impossible, or the arguments do not go together.
    """
    if family.fixed_shape is not None:
        if shape is not None:
            raise ValueError(
                f"`shape` goes with a distribution that has one. Got shape={shape!r} with {family.name}."
            )
        family, shape = WEIBULL, family.fixed_shape
    if shape is not None and not (shape > 0 and np.isfinite(shape)):
        raise ValueError(f"`shape` must be positive where it is assumed. Got {shape!r}.")
    rows = life_rows(histories, lower=lower, upper=upper, entry=entry, count=count, cluster=cluster)
    start, low, up, number = rows.entry, rows.lower, rows.upper, rows.count
    code = rows.cluster_code
    if code is None and rows.histories is None and cluster is not None:
        raise ValueError("`cluster` must name at least 2 clusters. Got 1. Leave it out.")
    model = as_detection(detection)
    perfect = finds_all(model)
    found = up < np.inf
    if low.size == 0 or not found.any():
        raise NoFiniteMaximum(
            f"No fit: no finds in {number.sum():g} lives, so the likelihood keeps rising as the scale grows. "
            "What can be had: a lower bound of the scale under an assumed shape (`weibayes_bound`)."
        )
    if perfect:
        if shape is None:
            refuse_without_maximum(start, low, up)
        if terms is None:
            merged = PerfectTerms.from_rows(start, low, up, number)
            terms = merged if family is WEIBULL else FamilyTerms(merged, family)
    else:
        terms = dataclasses.replace(detection_terms(rows.looks(detection), model), family=family)
    every = 1 + 19 * (low.size > _MANY_ROWS)
    some = slice(None, None, every if found[::every].any() else 1)
    begin = first_point(start[some], low[some], up[some], number[some], shape)
    if family is not WEIBULL:
        begin = _begin_other(terms, begin, shape, family)
    elif perfect and low.size > _MANY_ROWS:
        begin = start_from_some_rows(start, low, up, number, shape, begin)
    if perfect or shape is not None:
        point, value, hess = highest_life(terms, begin, shape)
    else:
        point, value, hess = _highest_of_several(terms, begin, _SHAPES_TO_TRY)
    if shape is None and perfect:
        # The limits of an endless and of a vanishing shape are known in closed form for perfect looks only.
        refuse_endless_shape(start, low, up, number, value)
        refuse_shape_zero(start, low, up, number, value)
    covariance = inverse_information(hess, [True, shape is None])
    robust = None
    if code is not None:
        if isinstance(terms, SumTerms):
            robust = cluster_covariance(terms.scores(*point), code[terms.life_of_row], covariance)
        else:
            scores = row_scores(start, low, up, number, *point, family)
            robust = cluster_covariance(scores, code, covariance)
    return LifeFit(
        scale=float(np.exp(point[0])),
        shape=float(np.exp(point[1])) if shape is None else float(shape),
        log_likelihood=value,
        covariance=covariance,
        robust_covariance=robust,
        n_lives=float(number.sum()),
        n_finds=float(number @ found),
        n_rows=low.size,
        oldest_age=float(max(low.max(), up[np.flatnonzero(found)].max())),
        clock=clock or rows.clock,
        kind=kind or rows.kind,
        detection=float(detection)
        if isinstance(model, ConstantDetection) and np.isscalar(detection)
        else model,
        shape_assumed=shape is not None,
        terms=terms,
        family=family,
        rows=FitRows(start, low, up, number, np.arange(low.size) if code is None else code),
        histories=rows.histories,
        refit=partial(fit_family, family, detection=model, shape=shape),
    )


def _highest_of_several(
    terms: Terms, begin: Floats, shapes: tuple[float, ...]
) -> tuple[Floats, float, Floats]:
    """Highest of the maxima reached from several shapes: with looks that miss there can be more than one."""
    best, why = None, None
    for start in (begin, *(np.array([begin[0], np.log(shape)]) for shape in shapes)):
        try:
            found = highest_life(terms, start, None)
        except NoFiniteMaximum as reason:
            why = why or reason
            continue
        if best is None or found[1] > best[1] + 1e-9:
            best = found
    if best is None:
        raise why
    return best


def _begin_other(terms: Terms, begin: Floats, shape: float | None, family: Family) -> Floats:
    """Where the Weibull fit says to begin for another family: the same spread, and the same middle."""
    try:
        weibull = dataclasses.replace(terms, family=WEIBULL)
        begin = highest_life(weibull, begin, shape)[0]
    except NoFiniteMaximum:
        pass
    log_shape = begin[1] + np.log(family.weibull_ratio) if shape is None else np.log(shape)
    middle = begin[0] + np.log(np.log(2)) * np.exp(-begin[1])
    return np.array([middle, log_shape])
