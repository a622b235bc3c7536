"""Shared frailty: how much zones differ, and what each one's own finds say once the others are listened to."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.life.fits.weibull import fit_weibull
from kit.life.groups.frailty_fit import ROUGH, FrailtyFit
from kit.life.groups.frailty_model import ENDLESS, FrailtyModel
from kit.life.groups.shared_likelihood import GroupTerms, MissedTerms, SharedTerms
from kit.life.likelihood.imperfect import DetectionInput, as_detection, detection_terms, finds_all
from kit.life.lives.censored import Histories
from kit.life.lives.rows import life_rows
from kit.numerics.refusals import NoFiniteMaximum

_SELECTIONS = ("lives", "groups")
_NO_SPREAD = 1e-5  # the likelihood is flat to its last digit below
_MOST_NODES = 100


def fit_frailty(
    histories: Histories | pd.DataFrame | None,
    group: str | Sequence[object],
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    detection: DetectionInput = 1.0,
    looks: Histories | None = None,
    nodes: int = 20,
    shape: float | None = None,
    selection: str = "lives",
) -> FrailtyFit:
    r"""Fit Weibull lives with a shared frailty: groups differ, and small groups borrow from the others.

    A zone with two finds in five lives may be bad, or unlucky. How much zones differ at all is fitted
    from all of them; each zone's own rate is then drawn towards the common one, the more the less was
    seen of it. Zones without finds stay in.

    Parameters
    ----------
    histories : Histories, DataFrame or None
        The lives: histories, or rows with lower, upper [clock units], optional entry [clock units] and
        count [-], such as `with_covariates` gives; None for arrays.
    group : str or sequence, shape (n,)
        Column that names each row's group, such as the zone, the panel or the aircraft; or the names.
    lower, upper, entry, count : array_like of float, shape (n,), optional
        In place of `histories`, or of these columns, as in `fit_weibull`.
    detection : float, mapping of str to float, or Detection
        Chance that a look finds damage that is there, or a model of it, as in `fit_weibull`. Below 1 it needs
        the ages of all looks: histories, or rows and `looks`.
    looks : Histories, optional
        The histories that the rows of a table were made from; its column life says which is which.
    nodes : int
        Nodes of the adaptive Gauss-Hermite quadrature; doubled, to 100 at most, until the log-likelihood
        changes by less than 1e-7 with twice as many.
    shape : float, optional
        Shape to assume instead of fitting it.
    selection : str
        What left truncation says of a group. ``lives``: a group is under watch whatever its lives did before,
        such as a zone; each life is conditioned on its own entry. ``groups``: a group is under watch only
        because all its lives were clean at their entries, such as a panel with one life; groups of long
        life are then over-represented, which is allowed for. Without left truncation both are one.

    Returns
    -------
    FrailtyFit
        The maximum of the marginal likelihood.

    Raises
    ------
    NoFiniteMaximum
        If there is no fit without groups, or the spread between groups has no finite maximum.
    ValueError
        If there are fewer than two groups, a group is blank, or rows are impossible.

    See Also
    --------
    fit_weibull : The fit without differences between groups.
    fit_regression : Differences by covariates.

    Notes
    -----
    Given its multiplier :math:`w = e^{sz}`, a life has :math:`S(t) = e^{-w (t/\mathrm{scale})^k}`. A group
    adds, with z standard normal, for the two selections

    .. math:: \log E_z \prod_i \frac{S(l_i) - S(u_i)}{S(v_i)}
       \quad\mathrm{and}\quad
       \log \frac{E_z \prod_i [S(l_i) - S(u_i)]}{E_z \prod_i S(v_i)} .

    The second one takes the lives of the rows as all that the group had: each clean entry is evidence for
    a small multiplier. Where lives that were damaged before their entry have been left out (prevalent
    cases) that evidence is one-sided, and the spread and the rates come out wrong; then the first one is
    close. The mean over z is taken by Gauss-Hermite quadrature around the top of each group's integrand
    [1]_. Whether groups differ is tested by the likelihood ratio, which at the edge s = 0 is half
    :math:`\chi^2_0` and half :math:`\chi^2_1` [2]_.

    References
    ----------
    .. [1] J. C. Pinheiro and D. M. Bates, "Approximations to the log-likelihood function in the nonlinear
       mixed-effects model", *Journal of Computational and Graphical Statistics*, vol. 4, 1995, pp. 12-35.
    .. [2] S. G. Self and K.-Y. Liang, "Asymptotic properties of maximum likelihood estimators and
       likelihood ratio tests under nonstandard conditions", *Journal of the American Statistical
       Association*, vol. 82, 1987, pp. 605-610.

    Examples
    --------
    >>> rows = pd.DataFrame({
    ...     "lower": [0, 1000, 2000] * 4,
    ...     "upper": [1000, 2000, np.inf] * 4,
    ...     "count": [1, 2, 30, 8, 12, 10, 2, 3, 25, 1, 1, 3],
    ...     "zone": ["A"] * 3 + ["B"] * 3 + ["C"] * 3 + ["D"] * 3,
    ... })
    >>> fit = fit_frailty(rows, "zone")
    >>> print(f"{fit.spread:.2f}, p = {fit.p_no_spread:.1e}")
    0.90, p = 9.8e-06
    >>> fit.to_frame()[["finds", "multiplier_raw", "multiplier"]].round(2)
           finds  multiplier_raw  multiplier
    group
    B       20.0            3.55        3.28
    D        2.0            1.74        1.39
    C        5.0            0.60        0.67
    A        3.0            0.31        0.42
    """
    if selection not in _SELECTIONS:
        raise ValueError(f"`selection` must be lives or groups. Got {selection!r}.")
    if not (isinstance(nodes, int | np.integer) and 1 < nodes <= _MOST_NODES):
        raise ValueError(f"`nodes` must be a whole number from 2 to {_MOST_NODES}. Got {nodes!r}.")
    rows = life_rows(histories, lower=lower, upper=upper, entry=entry, count=count, looks=looks)
    entry, lower, upper, count = rows.entry, rows.lower, rows.upper, rows.count
    frame = rows.table if rows.histories is None or rows.table is not None else rows.histories.to_frame()
    code, names = _groups(pd.DataFrame(index=range(lower.size)) if frame is None else frame, group)
    model_of_looks = as_detection(detection)
    if finds_all(model_of_looks):
        null = fit_weibull(lower=lower, upper=upper, entry=entry, count=count, shape=shape)

        def terms_of(nodes: int) -> GroupTerms:
            return SharedTerms.from_rows(
                entry, lower, upper, count, code, together=selection == "groups", nodes=nodes
            )

    else:
        seen = rows.looks(detection)
        null = fit_weibull(dataclasses.replace(seen, cluster=None), detection=model_of_looks, shape=shape)
        missed = MissedTerms.from_terms(
            detection_terms(seen, model_of_looks), code, together=selection == "groups", nodes=int(nodes)
        )

        def terms_of(nodes: int) -> GroupTerms:
            return dataclasses.replace(missed, nodes=nodes)

    start = np.array([np.log(null.scale), np.log(null.shape), 0.5])
    for count_of_nodes in _doublings(int(nodes)):
        nodes = count_of_nodes
        terms = terms_of(nodes)
        model = FrailtyModel(terms, None if shape is None else float(np.log(shape)))
        top = model.highest(start)
        if top.point[2] < _NO_SPREAD:
            top = max((top, model.highest(np.r_[start[:2], 1.5])), key=lambda top: top.value)
        error = abs(float(terms.by_group(*top.point, nodes=2 * int(nodes))[0].sum()) - top.value)
        is_endless = not np.isfinite(top.value) or not top.point[2] <= ENDLESS
        is_endless |= top.flat is not None and top.point[2] > _NO_SPREAD
        if error <= ROUGH and not is_endless:
            break
    if is_endless:
        raise NoFiniteMaximum(
            f"No fit: the likelihood keeps rising as the spread between the {len(names)} groups grows (beyond "
            f"{top.point[2]:.3g}), so no finite maximum exists. What can be had: a fit under an assumed shape "
            "(`shape=`), or fewer and larger groups."
        )
    free = np.array([True, shape is None, True])
    covariance = np.zeros((3, 3))
    if top.point[2] < _NO_SPREAD or top.value <= null.log_likelihood:
        point, value = np.array([np.log(null.scale), np.log(null.shape), 0.0]), null.log_likelihood
        covariance[:2, :2] = null.covariance
        covariance[2, :] = covariance[:, 2] = np.nan
    else:
        point, value = top.point, top.value
        covariance[np.ix_(free, free)] = np.linalg.inv(-top.hessian)
    return FrailtyFit(
        scale=float(np.exp(point[0])),
        shape=float(np.exp(point[1])) if shape is None else float(shape),
        spread=float(point[2]),
        log_likelihood=value,
        covariance=covariance,
        null=null,
        groups=names,
        lives=np.bincount(code, weights=count, minlength=len(names)),
        finds=np.bincount(code, weights=np.where(rows.found, count, 0.0), minlength=len(names)),
        selection=selection,
        nodes=int(nodes),
        quadrature_error=error,
        clock=rows.clock,
        detection=null.detection,
        shape_assumed=shape is not None,
        _model=model,
    )


fit_shared = fit_frailty
"""Old name, for one release."""

SharedFit = FrailtyFit
"""Old name, for one release."""


def _doublings(nodes: int) -> list[int]:
    """Numbers of nodes to try."""
    return [nodes * 2**k for k in range(_MOST_NODES.bit_length()) if nodes * 2**k <= _MOST_NODES]


def _groups(frame: pd.DataFrame, group: str | Sequence[object]) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Return the number of each row's group, and the names."""
    if isinstance(group, str):
        if group not in frame.columns:
            raise ValueError(
                f"`group` must name a column of the rows. Got {group!r}. There are {', '.join(map(str, frame.columns))}."
            )
        values = frame[group].astype(object)
    else:
        values = pd.Series(np.asarray(group, dtype=object))
        if len(values) != len(frame):
            raise ValueError(
                f"`group` must name a group for each of the {len(frame)} rows. Got {len(values)} names."
            )
    blank = (values.isna() | (values.astype(str).str.strip() == "")).to_numpy()
    if blank.any():
        raise ValueError(
            f"`group` must name a group in every row: {int(blank.sum())} of {len(values)} rows are blank, first row "
            f"{int(np.argmax(blank))}. Fill it in, or leave these rows out."
        )
    code, names = pd.factorize(values.astype(str), sort=True)
    if len(names) < 2:
        raise ValueError(
            f"`group` must name at least 2 groups. Got {len(names)}{': ' + names[0] if len(names) else ''}. One group "
            "says nothing of how groups differ; fit it with `fit_weibull`."
        )
    return code.astype(np.int64), tuple(map(str, names))
