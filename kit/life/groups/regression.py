"""Accelerated failure time: what the age at onset depends on, Weibull lives with covariates in the log of their scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.life.fits.weibull import fit_weibull
from kit.life.groups.design_columns import Term, as_levels, make_terms, wanted_columns
from kit.life.groups.regression_fit import RegressionFit
from kit.life.groups.regression_model import RegressionModel
from kit.life.likelihood.imperfect import DetectionInput, as_detection, detection_terms, finds_all
from kit.life.likelihood.rowwise import PerfectRows, SumRows
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows
from kit.numerics.covariance import cluster_covariance, inverse_information
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_COLLINEAR = 1e-8  # least singular value of standardised columns, over the greatest


def fit_regression(
    frame: pd.DataFrame | Histories,
    formula_or_columns: str | Sequence[str],
    *,
    reference: Mapping[str, str] | None = None,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: str | Sequence[object] | None = None,
    detection: DetectionInput = 1.0,
    histories: Histories | None = None,
    shape: float | None = None,
) -> RegressionFit:
    r"""Fit a Weibull accelerated failure time model: lives whose scale depends on covariates.

    Parameters
    ----------
    frame : DataFrame or Histories
        One row a life, as `Histories.to_frame` or `with_covariates` gives them: lower, upper [clock
        units], optional entry [clock units], count [-] and cluster, and the covariates. Numbers enter
        as they are; text, categories and flags as levels, each compared with a reference; a blank is
        the level ``not known``.
    formula_or_columns : str or sequence of str
        Names of columns with + between them, or a list of them; C(name) takes a number as levels.
        ``"1"`` or an empty list for none.
    reference : mapping of str to str, optional
        Level that the others are compared with, by column. Default: that with most lives.
    lower, upper, entry, count : array_like of float, shape (n,), optional
        In place of these columns, where `frame` holds the covariates only.
    cluster : str or sequence, shape (n,), optional
        Column that names each row's cluster, for the robust covariance, or the names. Default ``cluster``
        where there is such a column.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it, as in `kit.life.fit_weibull`.
        Below 1 it needs `histories`.
    histories : Histories, optional
        The histories that the rows were made from, for the ages of all looks; the column ``life`` says
        which is which.
    shape : float, optional
        Shape to assume instead of fitting it.

    Returns
    -------
    RegressionFit
        The maximum.

    Raises
    ------
    NoFiniteMaximum
        If a level has no finds or no clean time, covariates tell finds from clean lives without
        exception, or there is no fit without covariates either; the message names which.
    ValueError
        If a column is missing, constant or follows from others, or rows are impossible.

    See Also
    --------
    fit_weibull : The fit without covariates.
    with_covariates : Attach what a fleet knows to its histories.

    Notes
    -----
    :math:`S(t \mid x) = \exp[-(t/e^{\alpha + x\beta})^k]`. A unit of a covariate stretches all ages by
    the time ratio :math:`e^{\beta}`, and multiplies the hazard at each age by the hazard ratio
    :math:`e^{-k\beta}`; the shape k is common to all. A row adds :math:`\log[S(l) - S(u)] - \log S(v)`.

    References
    ----------
    .. [1] W. Q. Meeker and L. A. Escobar, *Statistical Methods for Reliability Data*. New York:
       Wiley, 1998, ch. 17.
    .. [2] J. P. Klein and M. L. Moeschberger, *Survival Analysis*, 2nd ed. New York: Springer, 2003,
       ch. 12.

    Examples
    --------
    >>> rows = pd.DataFrame({
    ...     "lower": [0, 1000, 2000, 3000, 0, 1000, 2000, 3000],
    ...     "upper": [1000, 2000, 3000, np.inf, 1000, 2000, 3000, np.inf],
    ...     "count": [1, 3, 4, 40, 4, 9, 12, 20],
    ...     "climate": ["dry"] * 4 + ["humid"] * 4,
    ... })
    >>> fit = fit_regression(rows, "climate")
    >>> fit
    RegressionFit('climate', shape=1.997, finds=33 of 93 lives, log_likelihood=-85.7320)
    >>> print(fit.time_ratio.round(3).to_dict())
    {'climate[humid]': 0.476}
    """
    wanted = wanted_columns(formula_or_columns)
    looks = histories
    if isinstance(frame, Histories):
        frame, looks = _table_of(frame), frame
    given = life_rows(
        frame, lower=lower, upper=upper, entry=entry, count=count, cluster=cluster, looks=looks, name="frame"
    )
    frame = given.table
    if frame is None:
        frame = pd.DataFrame(index=range(given.lower.size))
    entry, lower, upper, count = given.entry, given.lower, given.upper, given.count
    code = given.cluster_code
    taken = None
    model_of_looks = as_detection(detection)
    rows: PerfectRows | SumRows = PerfectRows.from_rows(entry, lower, upper, count)
    if not finds_all(model_of_looks):
        taken = given.looks(detection)
        rows = SumRows(detection_terms(taken, model_of_looks))
    terms = make_terms(frame, wanted, count, reference)
    for term in terms:
        _refuse_level(term, frame, entry, lower, upper, count)
    x = np.column_stack([np.empty((lower.size, 0)), *(term.values(frame) for term in terms)])
    names = tuple(name for term in terms for name in term.columns)
    if taken is None:
        null = fit_weibull(lower=lower, upper=upper, entry=entry, count=count, shape=shape)
    else:
        null = fit_weibull(taken, detection=detection, shape=shape)
    centre = count @ x / count.sum()
    spread = np.sqrt(count @ (x - centre) ** 2 / count.sum())
    _refuse_collinear((x - centre) / spread * np.sqrt(count)[:, None], names)
    model = RegressionModel(rows, x, centre, spread, None if shape is None else float(np.log(shape)))
    begin = np.r_[np.log(null.scale), np.zeros(len(names)), np.log(null.shape)]
    top = model.highest(begin)
    if top.flat is not None:
        raise _endless(top.flat, names, top.point)
    covariance = inverse_information(top.hessian, [True] * (begin.size - 1) + [shape is None])
    robust = None
    if code is not None:
        robust = cluster_covariance(model.scores(top.point), code, covariance)
    # From covariates in units of their spread around their middle to covariates as they are.
    back = np.diag(np.r_[1.0, 1 / spread, 1.0])
    back[0, 1:-1] = -centre / spread
    return RegressionFit(
        terms=terms,
        coefficients=pd.Series(
            (back @ top.point)[:-1], index=pd.Index(("intercept", *names)), name="coefficient"
        ),
        shape=float(np.exp(top.point[-1])) if shape is None else float(shape),
        log_likelihood=top.value,
        covariance=back @ covariance @ back.T,
        robust_covariance=None if robust is None else back @ robust @ back.T,
        null=null,
        n_lives=float(count.sum()),
        n_finds=float(count[np.isfinite(upper)].sum()),
        n_rows=lower.size,
        n_clusters=0 if code is None else int(code.max()) + 1,
        oldest_age=float(max(lower.max(), upper[np.isfinite(upper)].max())),
        clock=given.clock,
        kind=given.kind,
        detection=model_of_looks,
        shape_assumed=shape is not None,
        _model=model,
        _point=top.point,
        _found=np.where(np.isfinite(upper), count, 0.0),
        _count=count,
    )


def _table_of(histories: Histories) -> pd.DataFrame:
    """Rows of histories with what they say of all of them."""
    frame = histories.to_frame()
    frame.attrs.update(clock=histories.clock, kind=histories.kind)
    return frame if histories.cluster is not None else frame.drop(columns="cluster")


def _refuse_level(
    term: Term, frame: pd.DataFrame, entry: Floats, lower: Floats, upper: Floats, count: Floats
) -> None:
    """Refuse a level whose coefficient has no finite maximum."""
    if not term.levels:
        return
    text = as_levels(frame[term.name])
    found = np.isfinite(upper)
    watched = (lower > entry) | (lower == upper)
    for level in term.levels:
        here = text == level
        finds, lives = float(count[here & found].sum()), float(count[here].sum())
        if finds == 0:
            raise NoFiniteMaximum(
                f"No fit: {term.name!r} has no finds at the level {level!r} ({lives:g} lives), so the likelihood keeps "
                "rising as the scale there grows. What can be had: a fit with that level merged with another or its "
                "rows left out, or partial pooling (`fit_frailty`), which allows groups without finds."
            )
        if not watched[here].any():
            raise NoFiniteMaximum(
                f"No fit: {term.name!r} has no life with a clean look after its entry at the level {level!r} "
                f"({finds:g} finds in {lives:g} lives), so the likelihood keeps rising as the scale there falls. What "
                "can be had: a fit with that level merged with another or its rows left out, or partial pooling "
                "(`fit_frailty`)."
            )


def _refuse_collinear(z: Floats, names: tuple[str, ...]) -> None:
    """Refuse covariates that follow from each other."""
    if not names:
        return
    _, size, axes = np.linalg.svd(z, full_matrices=False)
    short = len(names) > len(size)
    if short or size[-1] <= _COLLINEAR * size[0]:
        direction = np.abs(axes[-1])
        among = names if short else [n for n, d in zip(names, direction, strict=True) if d > 1e-6]
        raise ValueError(
            f"The covariates must not follow from each other. Got {', '.join(among)}, of which one is a sum of the "
            "others in every row. Leave one of them out."
        )


def _endless(direction: Floats, names: tuple[str, ...], point: Floats) -> NoFiniteMaximum:
    """Say along which coefficients the likelihood keeps rising."""
    labels = np.array(["intercept", *names, "shape"], dtype=object)[: direction.size]
    share = np.abs(direction) / np.abs(direction).max()
    keep = [label for label, s in zip(labels, share, strict=True) if s > 0.2 and label != "intercept"]
    if keep == ["shape"] or abs(point[-1]) > 12:
        return NoFiniteMaximum(
            f"No fit: with these covariates the likelihood keeps rising as the shape goes to "
            f"{'0' if point[-1] < 0 else 'infinity'}, so no finite maximum exists. What can be had: a fit with fewer "
            "covariates, or under an assumed shape (`shape=`)."
        )
    return NoFiniteMaximum(
        f"No fit: the likelihood keeps rising along the coefficients of {', '.join(map(str, keep)) or 'the intercept'}: "
        "they tell the lives with finds from those without, with no exception. What can be had: a fit without one of "
        "them, with levels merged, or partial pooling of groups (`fit_frailty`)."
    )
