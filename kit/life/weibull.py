"""How long until damage begins: Weibull lives from what inspections can know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, gamma, ndtri

from kit.life.histories import Histories, check_rows
from kit.life.imperfect import ConstantDetection, Detection, detection_terms
from kit.life.likelihood import Floats, PerfectTerms, SumTerms, Terms, row_scores
from kit.life.maximum import (
    NoFiniteMaximum,
    first_point,
    maximise,
    refuse_endless_shape,
    refuse_shape_zero,
    refuse_without_maximum,
    start_from_some_rows,
)
from kit.life.profile import profile_bound

_METHODS = ("wald", "cluster", "profile")
_FEW_FINDS = 20
_MANY_ROWS = 200_000  # from here on a start from some of the rows pays


@dataclass(frozen=True, eq=False)
class WeibullFit:
    r"""A Weibull life: :math:`F(t) = 1 - e^{-(t/\mathrm{scale})^{\mathrm{shape}}}`.

    Parameters
    ----------
    scale : float
        Age by which 63.2 % of panels have damage [clock units].
    shape : float
        Above 1, risk grows with age [-].
    log_likelihood : float
        Log-likelihood at the maximum [-].
    covariance : ndarray, shape (2, 2)
        Covariance of (log scale, log shape), from the observed information.
    robust_covariance : ndarray, shape (2, 2) or None
        The same, robust to dependence within clusters; None without clusters.
    n_lives, n_finds : float
        Lives, and lives with a find [-].
    n_rows : int
        Rows of the data.
    oldest_age : float
        Oldest age at which anything was seen [clock units].
    clock : str
        Clock of the ages.
    kind : str
        Kind of damage.
    detection : object
        Detection that was assumed: a number or a model.
    shape_assumed : bool
        Whether the shape was given and not fitted.
    terms : PerfectTerms or SumTerms
        The likelihood, for profiles.
    """

    scale: float
    shape: float
    log_likelihood: float
    covariance: Floats
    robust_covariance: Floats | None
    n_lives: float
    n_finds: float
    n_rows: int
    oldest_age: float
    clock: str
    kind: str
    detection: object
    shape_assumed: bool
    terms: Terms

    def __repr__(self) -> str:
        """Return one line with the parameters and the evidence."""
        return (
            f"WeibullFit(scale={self.scale:.6g} {self.clock}, shape={self.shape:.4g}, "
            f"finds={self.n_finds:g} of {self.n_lives:g} lives, log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def label(self) -> str:
        """What the fit is of, for a legend."""
        return f"Weibull, {self.kind or 'damage'} ({self.n_finds:g} finds)"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = []
        if self.n_finds < _FEW_FINDS:
            notes.append(
                f"{self.n_finds:g} finds: fewer than {_FEW_FINDS}, so normal-theory bounds are rough; "
                "read the profile bounds"
            )
        if self.shape_assumed:
            notes.append(f"the shape {self.shape:g} is assumed, not fitted")
        return tuple(notes)

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 x parameters - 2 x log-likelihood [-]."""
        return 2.0 * (1 if self.shape_assumed else 2) - 2.0 * self.log_likelihood

    @property
    def mean(self) -> float:
        """Mean age at onset [clock units]."""
        return float(self.scale * gamma(1 + 1 / self.shape))

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the age at onset [clock units]."""
        first, second = gamma(1 + 1 / self.shape), gamma(1 + 2 / self.shape)
        return float(self.scale * np.sqrt(second - first**2))

    def survival(self, age: ArrayLike, *, given: float = 0.0) -> Floats:
        """Share of panels still without damage.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        given : float
            Age at which they are known to be without damage [clock units].

        Returns
        -------
        ndarray of float
            S(age) / S(given), 1 before `given` [-].
        """
        t = np.maximum(np.asarray(age, np.float64), given)
        return np.exp((given / self.scale) ** self.shape - (t / self.scale) ** self.shape)

    def density(self, age: ArrayLike) -> Floats:
        """Density of the age at onset.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].

        Returns
        -------
        ndarray of float
            Density [1/clock unit].
        """
        t = np.asarray(age, np.float64) / self.scale
        return self.shape / self.scale * t ** (self.shape - 1) * np.exp(-(t**self.shape))

    def quantile(self, share: ArrayLike) -> Floats:
        """Age by which a share of the panels has damage.

        Parameters
        ----------
        share : array_like of float
            Shares in [0, 1) [-].

        Returns
        -------
        ndarray of float
            Ages [clock units].
        """
        return self.scale * (-np.log1p(-np.asarray(share, np.float64))) ** (1 / self.shape)

    def standard_error(self, name: str) -> float:
        """Return the standard error of a parameter, from the observed information.

        Parameters
        ----------
        name : str
            ``scale``, ``shape``, ``log_scale`` or ``log_shape``.

        Returns
        -------
        float
            In the parameter's unit; nan for an assumed shape.
        """
        log_name = name.removeprefix("log_")
        if log_name not in ("scale", "shape"):
            raise ValueError(f"`name` must be scale, shape, log_scale or log_shape. Got {name!r}.")
        if log_name == "shape" and self.shape_assumed:
            return float("nan")
        se = float(np.sqrt(self.covariance[0 if log_name == "scale" else 1][0 if log_name == "scale" else 1]))
        return se if name.startswith("log_") else se * getattr(self, name)

    def bounds(self, name: str, *, level: float = 0.95, method: str = "wald") -> tuple[float, float]:
        """Two-sided bounds of a parameter.

        Parameters
        ----------
        name : str
            ``scale`` or ``shape``.
        level : float
            Confidence [-].
        method : str
            ``wald`` (normal on the log scale), ``cluster`` (the same with the covariance that is
            robust to dependence within clusters) or ``profile`` (likelihood ratio).

        Returns
        -------
        tuple of float
            Lower and upper bound; 0 or infinite where the likelihood does not bound that side.

        Raises
        ------
        ValueError
            If a name, method or level is unknown, or clusters are wanted where none were given.
        """
        if name not in ("scale", "shape"):
            raise ValueError(f"`name` must be scale or shape. Got {name!r}. For ages use `quantile_bounds`.")
        if name == "shape" and self.shape_assumed:
            return (float("nan"), float("nan"))
        weight = np.array([1.0, 0.0]) if name == "scale" else np.array([0.0, 1.0])
        return self._bounds(
            np.log(getattr(self, name)), weight, None if name == "shape" else 0.0, level, method
        )

    def quantile_bounds(
        self, share: float, *, level: float = 0.95, method: str = "wald"
    ) -> tuple[float, float]:
        """Two-sided bounds of the age by which a share of the panels has damage.

        Parameters
        ----------
        share : float
            Share in (0, 1) [-].
        level : float
            Confidence [-].
        method : str
            ``wald``, ``cluster`` or ``profile``, as in `bounds`.

        Returns
        -------
        tuple of float
            Lower and upper bound [clock units].
        """
        if not 0 < share < 1:
            raise ValueError(f"`share` must be above 0 and below 1. Got {share!r}.")
        w = float(np.log(-np.log1p(-share)))
        # log t = log scale + w / shape; its derivative by log shape is -w / shape.
        return self._bounds(
            float(np.log(self.quantile(share))), np.array([1.0, -w / self.shape]), w, level, method
        )

    def _covariance(self, method: str) -> Floats:
        if method == "cluster":
            if self.robust_covariance is None:
                raise ValueError(
                    "`method` cluster needs clusters. Got none with the data: give `cluster=`, the aircraft of each life."
                )
            return self.robust_covariance
        return self.covariance

    def _bounds(
        self, centre: float, weight: Floats, w: float | None, level: float, method: str
    ) -> tuple[float, float]:
        if method not in _METHODS:
            raise ValueError(f"`method` must be one of {', '.join(_METHODS)}. Got {method!r}.")
        if not 0 < level < 1:
            raise ValueError(f"`level` must be above 0 and below 1. Got {level!r}.")
        se = float(np.sqrt(weight @ self._covariance(method) @ weight))
        reach = float(ndtri(0.5 + level / 2)) * se
        if method != "profile":
            low, high = np.exp(centre - reach), np.exp(centre + reach)
            return float(low), float(high)
        drop = float(chdtri(1, 1 - level)) / 2
        return tuple(np.exp(profile_bound(self, centre, reach, sign, w, drop)) for sign in (-1.0, 1.0))

    def survival_bounds(
        self, age: ArrayLike, *, level: float = 0.95, method: str = "wald"
    ) -> tuple[Floats, Floats]:
        """Return bounds of the share still without damage, point by point.

        Normal on the scale log(-log S), so that they stay between 0 and 1.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].
        level : float
            Confidence [-].
        method : str
            ``wald`` or ``cluster``.

        Returns
        -------
        lower, upper : ndarray of float
            Bounds of S(age) [-].
        """
        if method not in ("wald", "cluster"):
            raise ValueError(f"`method` must be wald or cluster. Got {method!r}.")
        z = self.shape * np.log(np.asarray(age, np.float64) / self.scale)
        weight = np.stack([np.full_like(z, -self.shape), z], axis=-1)
        se = np.sqrt(np.einsum("...i,ij,...j->...", weight, self._covariance(method), weight))
        reach = float(ndtri(0.5 + level / 2)) * se
        return np.exp(-np.exp(z + reach)), np.exp(-np.exp(z - reach))

    def draws(self, n: int, *, seed: int, method: str = "wald") -> Floats:
        """Draw parameters from their normal approximation on the log scale.

        Parameters
        ----------
        n : int
            Number of draws.
        seed : int
            Seed of the random numbers.
        method : str
            ``wald``, or ``cluster`` for the robust covariance.

        Returns
        -------
        ndarray of float, shape (n, 2)
            Columns scale [clock units] and shape [-].
        """
        rng = np.random.default_rng(seed)
        value, vector = np.linalg.eigh(self._covariance(method))
        root = vector * np.sqrt(np.maximum(value, 0.0))
        centre = np.log([self.scale, self.shape])
        return np.exp(centre + rng.standard_normal((n, 2)) @ root.T)

    def to_frame(self) -> pd.DataFrame:
        """Return parameters, standard errors and profile bounds as a table.

        Returns
        -------
        DataFrame
            Index parameter; columns value, standard_error, lower, upper, unit.
        """
        rows = []
        for name, unit in (("scale", self.clock), ("shape", "-")):
            low, high = self.bounds(name, method="profile")
            rows.append((name, getattr(self, name), self.standard_error(name), low, high, unit))
        return pd.DataFrame(
            rows, columns=["parameter", "value", "standard_error", "lower", "upper", "unit"]
        ).set_index("parameter")


def fit_weibull(
    histories: Histories | None = None,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    cluster: Sequence[object] | None = None,
    detection: float | Detection = 1.0,
    shape: float | None = None,
) -> WeibullFit:
    r"""Fit a Weibull life to histories by maximum likelihood.

    Give either `histories`, or the ages `lower` and `upper`.

    Parameters
    ----------
    histories : Histories, optional
        What the looks say of each life.
    lower, upper : array_like of float, shape (n,), optional
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.
    cluster : sequence, shape (n,), optional
        Name of each row's cluster, for the robust covariance.
    detection : float or Detection
        Chance that a look finds damage that is there, or a model of it (`kit.detection`). Below 1 it
        needs `histories` with the ages of all looks.
    shape : float, optional
        Shape to assume instead of fitting it.

    Returns
    -------
    WeibullFit
        The maximum, exact to about 1e-12 in its parameters.

    Raises
    ------
    NoFiniteMaximum
        If no finite maximum exists; the message says which condition is not met and what can be had
        instead.
    ValueError
        If rows are impossible, or the arguments do not go together.

    See Also
    --------
    scale_lower_bound : What few or no finds support under an assumed shape.

    Notes
    -----
    A row with entry v and onset in (l, u] adds :math:`\log[S(l) - S(u)] - \log S(v)`. With detection
    chance s the find at look k has the chance
    :math:`\sum_{i \le k} [F(t_i) - F(t_{i-1})] (1 - s)^{k-i} s`, and a life never found
    :math:`S(t_m) + \sum_i [F(t_i) - F(t_{i-1})] (1 - s)^{m-i+1}`. A life that entered late is
    conditioned on the looks that it passed before, one at its entry at least.

    A finite maximum exists unless nothing was found, or some age lies in every find's interval and
    no clean look goes beyond it, or the likelihood keeps rising towards a shape of 0.

    References
    ----------
    .. [1] W. Nelson, *Applied Life Data Analysis*. New York: Wiley, 1982, ch. 8 and 9.
    .. [2] W. Q. Meeker and L. A. Escobar, *Statistical Methods for Reliability Data*. New York:
       Wiley, 1998, ch. 7, 8 and 11.

    Examples
    --------
    >>> fit = fit_weibull(lower=[0, 1000, 1000, 2000], upper=[1000, 2000, np.inf, np.inf], count=[2, 9, 30, 20])
    >>> print(f"{fit.scale:.1f} {fit.shape:.4f}")
    2570.6 3.6024
    """
    if (histories is None) == (lower is None or upper is None):
        raise ValueError("Give either `histories`, or both `lower` and `upper`.")
    if shape is not None and not (shape > 0 and np.isfinite(shape)):
        raise ValueError(f"`shape` must be positive where it is assumed. Got {shape!r}.")
    if histories is None:
        start, low, up, number = check_rows(lower, upper, entry, count)
        clock, kind = "age", ""
    else:
        if any(x is not None for x in (entry, count, cluster)):
            raise ValueError(
                "`entry`, `count` and `cluster` belong to `lower` and `upper`; histories carry their own."
            )
        start, low, up, number = histories.entry, histories.lower, histories.upper, histories.count
        cluster, clock, kind = histories.cluster, histories.clock, histories.kind
        if cluster is not None and len(set(cluster)) < 2:
            cluster = None  # one aircraft alone says nothing of how aircraft differ
    perfect = isinstance(detection, int | float) and float(detection) == 1.0
    if low.size == 0 or not np.isfinite(up).any():
        raise NoFiniteMaximum(
            f"No fit: no finds in {number.sum():g} lives, so the likelihood keeps rising as the scale grows. "
            "What can be had: a lower bound of the scale under an assumed shape (`scale_lower_bound`)."
        )
    if perfect:
        if shape is None:
            refuse_without_maximum(start, low, up)
        terms: Terms = PerfectTerms.from_rows(start, low, up, number)
    else:
        if histories is None:
            raise ValueError(
                f"`detection` below 1 needs the ages of all looks. Got detection={detection!r} with `lower` and "
                "`upper` only. Build the histories with `Histories.from_looks`."
            )
        model = ConstantDetection(float(detection)) if isinstance(detection, int | float) else detection
        terms = detection_terms(histories, model)
    some = slice(
        None, None, 1 + low.size // _MANY_ROWS if np.isfinite(up[:: 1 + low.size // _MANY_ROWS]).any() else 1
    )
    begin = first_point(start[some], low[some], up[some], number[some], shape)
    if perfect and low.size > _MANY_ROWS:
        begin = start_from_some_rows(start, low, up, number, shape, begin)
    point, value, hess = maximise(terms, begin, shape)
    if shape is None and perfect:
        # The limits of an endless and of a vanishing shape are known in closed form for perfect looks only.
        refuse_endless_shape(start, low, up, number, value)
        refuse_shape_zero(start, low, up, number, value)
    covariance = np.zeros((2, 2))
    if shape is None:
        covariance = np.linalg.inv(-hess)
        covariance = (covariance + covariance.T) / 2
    else:
        covariance[0, 0] = -1.0 / hess[0, 0]
    robust = None
    if cluster is not None:
        robust = _sandwich(
            terms, start, low, up, number, np.asarray(cluster, dtype=object), point, covariance
        )
    return WeibullFit(
        float(np.exp(point[0])),
        float(np.exp(point[1])) if shape is None else float(shape),
        value,
        covariance,
        robust,
        float(number.sum()),
        float(number[np.isfinite(up)].sum()),
        low.size,
        float(max(low.max(), up[np.isfinite(up)].max())),
        clock,
        kind,
        detection,
        shape is not None,
        terms,
    )


def _sandwich(
    terms: Terms,
    entry: Floats,
    lower: Floats,
    upper: Floats,
    count: Floats,
    cluster: NDArray[np.object_],
    point: Floats,
    covariance: Floats,
) -> Floats:
    """Covariance that allows for dependence within clusters, with the small-sample factor G/(G-1)."""
    if isinstance(terms, SumTerms):
        scores = terms.scores(*point)
        row_of = terms.life_of_row
    else:
        scores = row_scores(entry, lower, upper, count, *point)
        row_of = np.arange(lower.size)
    code, names = pd.factorize(cluster)
    groups = len(names)
    if groups < 2:
        raise ValueError(f"`cluster` must name at least 2 clusters. Got {groups}. Leave it out.")
    sums = np.stack(
        [np.bincount(code[row_of], weights=scores[:, j], minlength=groups) for j in (0, 1)], axis=1
    )
    middle = sums.T @ sums * groups / (groups - 1)
    return covariance @ middle @ covariance


def scale_lower_bound(
    *,
    lower: ArrayLike,
    upper: ArrayLike,
    shape: float,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
    level: float = 0.95,
) -> float:
    r"""One-sided lower bound of the scale under an assumed shape; no finds are needed.

    Parameters
    ----------
    lower, upper : array_like of float, shape (n,)
        Clean at `lower`, found at `upper`, as in `fit_weibull` [clock units].
    shape : float
        Assumed shape [-].
    entry, count : array_like of float, shape (n,), optional
        Age at which each life came under watch, and lives that a row stands for.
    level : float
        Confidence, one-sided [-].

    Returns
    -------
    float
        Lower bound of the scale [clock units].

    Notes
    -----
    :math:`(2 \sum n_i (l_i^\beta - v_i^\beta) / \chi^2_{2r+2})^{1/\beta}` with r finds. A find whose age
    is not known exactly adds exposure only up to its last clean look, which lowers the bound.

    References
    ----------
    .. [1] R. B. Abernethy et al., *Weibull Analysis Handbook*, AFWAL-TR-83-2079, 1983, ch. 6.
    """
    if not (shape > 0 and np.isfinite(shape)):
        raise ValueError(f"`shape` must be positive. Got {shape!r}.")
    start, low, up, number = check_rows(lower, upper, entry, count)
    finds = float(number[np.isfinite(up)].sum())
    top = float(low.max()) if low.size else 0.0
    exposure = float(number @ ((low / top) ** shape - (start / top) ** shape)) if top > 0 else 0.0
    if exposure <= 0:
        raise ValueError(
            "`lower` must hold clean time after entry. Got none: there is no evidence for any bound."
        )
    return float(top * (2 * exposure / chdtri(2 * finds + 2, 1 - level)) ** (1 / shape))
