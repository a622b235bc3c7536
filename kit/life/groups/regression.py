"""What the age at onset depends on: Weibull lives with covariates in the log of their scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.life.fits.weibull import fit_weibull
from kit.life.groups.design_columns import Term, as_levels, make_terms, wanted_columns
from kit.life.groups.regression_fit import RegressionFit
from kit.life.groups.regression_model import RegressionModel
from kit.life.likelihood.imperfect import ConstantDetection, Detection, detection_terms
from kit.life.likelihood.rowwise import PerfectRows, SumRows
from kit.life.lives.histories import Histories, check_rows
from kit.numerics.covariance import cluster_covariance, inverse_information
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_COLLINEAR = 1e-8  # least singular value of standardised columns, over the greatest


def fit_regression(
    frame: pd.DataFrame,
    formula_or_columns: str | Sequence[str],
    *,
    reference: Mapping[str, str] | None = None,
    cluster: str | None = None,
    detection: float | Detection = 1.0,
    histories: Histories | None = None,
    shape: float | None = None,
) -> RegressionFit:
    r"""Fit Weibull lives whose scale depends on covariates, by maximum likelihood.

    Parameters
    ----------
    frame : DataFrame
        One row a life, as `Histories.to_frame` or `with_covariates` gives them: lower, upper [clock
        units], optional entry [clock units], count [-] and cluster, and the covariates. Numbers enter
        as they are; text, categories and flags as levels, each compared with a reference; a blank is
        the level ``not known``.
    formula_or_columns : str or sequence of str
        Names of columns with + between them, or a list of them; C(name) takes a number as levels.
        ``"1"`` or an empty list for none.
    reference : mapping of str to str, optional
        Level that the others are compared with, by column. Default: that with most lives.
    cluster : str, optional
        Column that names each row's cluster, for the robust covariance. Default ``cluster`` where there
        is such a column.
    detection : float or Detection
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
    missing = [name for name in ("lower", "upper") if name not in frame.columns]
    if missing:
        raise ValueError(
            f"`frame` must have the columns lower and upper. Got {', '.join(map(str, frame.columns))}. "
            "Make the rows with `Histories.to_frame`."
        )
    column = {name: frame[name].to_numpy() if name in frame.columns else None for name in ("entry", "count")}
    entry, lower, upper, count = check_rows(
        frame["lower"].to_numpy(), frame["upper"].to_numpy(), column["entry"], column["count"]
    )
    code = _clusters(frame, cluster)
    taken = None
    rows: PerfectRows | SumRows = PerfectRows.from_rows(entry, lower, upper, count)
    if not (isinstance(detection, int | float) and float(detection) == 1.0):
        taken = _same_lives(frame, histories, detection, lower, upper, count)
        model = ConstantDetection(float(detection)) if isinstance(detection, int | float) else detection
        rows = SumRows(detection_terms(taken, model))
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
        clock=str(frame.attrs.get("clock", "age")),
        kind=str(frame.attrs.get("kind", "")),
        detection=detection,
        shape_assumed=shape is not None,
        _model=model,
        _point=top.point,
        _found=np.where(np.isfinite(upper), count, 0.0),
        _count=count,
    )


def _clusters(frame: pd.DataFrame, cluster: str | None) -> NDArray[np.int64] | None:
    """Return the number of each row's cluster; none where one cluster says nothing of how clusters differ."""
    name = "cluster" if cluster is None else cluster
    if name not in frame.columns:
        if cluster is not None:
            raise ValueError(
                f"`cluster` must name a column. Got {cluster!r}. There are {', '.join(map(str, frame.columns))}."
            )
        return None
    code = pd.factorize(frame[name].astype(object))[0].astype(np.int64)
    if (code < 0).any():
        raise ValueError(
            f"{name!r} must name a cluster in every row. Got a blank in row {int(np.argmin(code))}. Fill it in."
        )
    return code if code.size and code.max() > 0 else None


def _same_lives(
    frame: pd.DataFrame,
    histories: Histories | None,
    detection: object,
    lower: Floats,
    upper: Floats,
    count: Floats,
) -> Histories:
    """Histories in the order of the rows, with the counts of the rows."""
    if histories is None or "life" not in frame.columns:
        raise ValueError(
            f"`detection` below 1 needs the ages of all looks. Got detection={detection!r} and "
            f"{'no `histories`' if histories is None else 'no column life'}. Give the histories that the rows came from."
        )
    at = pd.Index(histories.life).get_indexer(frame["life"])
    if (at < 0).any():
        raise ValueError(
            f"`histories` must hold every life of the rows. Got none for {frame['life'].iloc[int(np.argmin(at))]!r}."
        )
    taken = histories.take(at, count=count)
    differs = np.flatnonzero((taken.lower != lower) | (taken.upper != upper))
    if differs.size:
        raise ValueError(
            f"`histories` must say the same as the rows. Got other ages for {frame['life'].iloc[differs[0]]!r}. "
            "Make the rows from these histories."
        )
    return taken


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
                "rows left out, or partial pooling (`fit_shared`), which allows groups without finds."
            )
        if not watched[here].any():
            raise NoFiniteMaximum(
                f"No fit: {term.name!r} has no life with a clean look after its entry at the level {level!r} "
                f"({finds:g} finds in {lives:g} lives), so the likelihood keeps rising as the scale there falls. What "
                "can be had: a fit with that level merged with another or its rows left out, or partial pooling "
                "(`fit_shared`)."
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
        "them, with levels merged, or partial pooling of groups (`fit_shared`)."
    )
