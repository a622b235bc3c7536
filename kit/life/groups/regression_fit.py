"""A fitted regression of lives: what covariates do to ages, and what a panel with given ones can expect."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc

from kit.life.fits.fit import LifeFit
from kit.life.groups.design_columns import Term, as_levels
from kit.life.groups.regression_model import RegressionModel, profile_of_held
from kit.life.likelihood.families import WEIBULL
from kit.numerics.confidence import check_share, likelihood_drop, normal_reach
from kit.numerics.fit import Fit, Parameter
from kit.numerics.poisson import poisson_bounds
from kit.numerics.typing import Floats

_FINDS_PER_COEFFICIENT = 10
_FEW_CLUSTERS = 10
_FEW_FINDS = 5
_HALVINGS = 100  # of the range of an age, to the last digit

Rows = Mapping[str, object] | pd.DataFrame


@dataclass(frozen=True, eq=False, kw_only=True)
class RegressionFit(Fit):
    r"""Weibull lives with covariates in the log of their scale: :math:`\log \mathrm{scale} = \alpha + x\beta`.

    Parameters
    ----------
    terms : tuple of Term
        The covariates: name and levels, the reference first.
    coefficients : Series of float
        Intercept (log scale of a panel with zeros and reference levels) and coefficients in the log of
        the scale, by name [log clock units, per unit of the covariate].
    shape : float
        The shape common to all [-].
    log_likelihood : float
        Log-likelihood at the maximum [-].
    covariance : ndarray, shape (n + 1, n + 1)
        Covariance of the coefficients and the log shape, from the observed information.
    robust_covariance : ndarray, shape (n + 1, n + 1) or None
        The same, robust to dependence within clusters; None without clusters.
    null : LifeFit
        The fit without covariates.
    n_lives, n_finds : float
        Lives, and lives with a find [-].
    n_rows, n_clusters : int
        Rows of the data, and clusters; 0 without.
    oldest_age : float
        Oldest age at which anything was seen [clock units].
    clock, kind : str
        Clock of the ages, and kind of damage.
    detection : object
        Detection that was assumed.
    shape_assumed : bool
        Whether the shape was given and not fitted.
    """

    terms: tuple[Term, ...]
    coefficients: pd.Series
    shape: float
    log_likelihood: float
    covariance: Floats
    robust_covariance: Floats | None
    null: LifeFit
    n_lives: float
    n_finds: float
    n_rows: int
    n_clusters: int
    oldest_age: float
    clock: str
    kind: str
    detection: object
    shape_assumed: bool
    _model: RegressionModel = field(repr=False)
    _point: Floats = field(repr=False)
    _found: Floats = field(repr=False)
    _count: Floats = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the covariates and the evidence."""
        names = " + ".join(term.name for term in self.terms) or "1"
        return (
            f"RegressionFit({names!r}, shape={self.shape:.4g}, finds={self.n_finds:g} of {self.n_lives:g} lives, "
            f"log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the coefficients, the intercept first."""
        return tuple(self.coefficients.index)

    @property
    def n_parameters(self) -> int:
        """Number of parameters that were fitted [-]."""
        return len(self.names) + (not self.shape_assumed)

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 x parameters - 2 x log-likelihood [-]."""
        return 2.0 * self.n_parameters - 2.0 * self.log_likelihood

    @property
    def time_ratio(self) -> pd.Series:
        """By what factor a unit of each covariate stretches all ages [-]."""
        return np.exp(self.coefficients.iloc[1:]).rename("time_ratio")

    @property
    def hazard_ratio(self) -> pd.Series:
        """By what factor a unit of each covariate multiplies the hazard at each age [-]."""
        return np.exp(-self.shape * self.coefficients.iloc[1:]).rename("hazard_ratio")

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = []
        n = len(self.names) - 1
        if self.n_finds < _FINDS_PER_COEFFICIENT * n:
            notes.append(
                f"{self.n_finds:g} finds for {n} coefficients: fewer than {_FINDS_PER_COEFFICIENT} each, so "
                "coefficients may be too large by luck; read the profile bounds"
            )
        for term, columns in zip(self.terms, self._term_columns(), strict=True):
            if not term.levels:
                continue
            x = self._model.x[:, columns]
            finds = [float(self._found @ (x.sum(axis=1) == 0)), *(self._found @ x)]
            notes += [
                f"{term.name} {level!r} has {f:g} finds: fewer than {_FEW_FINDS}"
                for level, f in zip(term.levels, finds, strict=True)
                if f < _FEW_FINDS
            ]
        if 0 < self.n_clusters < _FEW_CLUSTERS:
            notes.append(
                f"{self.n_clusters} clusters: fewer than {_FEW_CLUSTERS}, so robust bounds are too narrow"
            )
        if self.shape_assumed:
            notes.append(f"the shape {self.shape:g} is assumed, not fitted")
        return tuple(notes)

    def _term_columns(self) -> list[slice]:
        """Columns of the design, without the intercept, of each term."""
        ends = np.cumsum([0, *(len(term.columns) for term in self.terms)])
        return [slice(a, b) for a, b in itertools.pairwise(ends)]

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald", "cluster")

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Coefficients in the log of the scale, the intercept first, and the shape."""
        return (
            *(
                Parameter(name=str(name), value=float(b), scale="linear")
                for name, b in self.coefficients.items()
            ),
            Parameter(name="shape", value=self.shape, is_given=self.shape_assumed),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio, which takes the lives as independent.

        Parameters
        ----------
        name : str
            Name of a coefficient, or ``shape``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends, of the log of the shape; infinite where the likelihood does not bound that side.
        """
        j, centre = self._at(name), self.parameter(name).place
        if name == "shape":
            return self._bounds(centre, self._unit_vector(-1), (-1, centre, 0.0), 1, level, "profile")
        x = np.zeros(len(self.names) - 1)
        return self._bounds(centre, self._unit_vector(j), (j, 0.0, 0.0), 1, level, "profile", x)

    def hazard_ratio_bounds(
        self, name: str, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[float, float]:
        """Two-sided bounds of a hazard ratio.

        Parameters
        ----------
        name : str
            Name of a coefficient.
        level : float
            Confidence [-].
        method : str
            ``wald`` (normal in its log), ``cluster`` or ``profile``, as in `bounds`.

        Returns
        -------
        tuple of float
            Lower and upper bound [-].

        Raises
        ------
        ValueError
            If a name, method or level is unknown.
        """
        self._check_method(method, level)
        j = self._at(name)
        beta = float(self.coefficients.iloc[j])
        gradient = -self.shape * (self._unit_vector(j) + beta * self._unit_vector(-1))
        # Held at -b / shape, the coefficient gives the log hazard ratio b.
        low, high = self._bounds(-self.shape * beta, gradient, (j, 0.0, 0.0), 2, level, method)
        return float(np.exp(low)), float(np.exp(high))

    def _unit_vector(self, j: int) -> Floats:
        out = np.zeros(len(self.names) + 1)
        out[j] = 1.0
        if j == -1 and self.shape_assumed:
            out[j] = 0.0
        return out

    def _bounds(
        self,
        centre: float,
        gradient: Floats,
        held: tuple[int, float, float],
        along: int,
        level: float,
        method: str,
        x: Floats | None = None,
    ) -> tuple[float, float]:
        """Bounds of what has this gradient in the parameters, or of what is held in the profile."""
        if self.shape_assumed:
            gradient = np.append(gradient[:-1], 0.0)
        se = float(np.sqrt(gradient @ self._covariance(method) @ gradient))
        reach = normal_reach(level) * se
        if method != "profile":
            return centre - reach, centre + reach
        model, point = (self._model, self._point) if x is None else self._model.seen_from(x, self._point)
        j = held[0]
        # Covariates are in units of their spread there.
        unit = self._model.spread[j - 1] if j > 0 else 1.0
        place = [j, held[1], held[2]]
        place[along] = centre * unit
        drop = likelihood_drop(level)
        ends = [
            profile_of_held(
                model, (point, self.log_likelihood), tuple(place), along, reach * unit, sign, drop
            )
            / unit
            for sign in (-1.0, 1.0)
        ]
        return min(ends), max(ends)

    def likelihood_ratio_tests(self) -> pd.DataFrame:
        """Test each covariate, and all together, against the fit without.

        Returns
        -------
        DataFrame
            Index term, ``all`` last; degrees_of_freedom, log_likelihood without it, statistic (twice the
            loss), p of the likelihood-ratio test, and p_cluster of the Wald test with the robust
            covariance (nan without clusters or with no more clusters than degrees of freedom).

        Notes
        -----
        The likelihood-ratio test takes the lives as independent. Where aircraft differ, p_cluster is the
        one to read.
        """
        rows = []
        for term, columns in zip(self.terms, self._term_columns(), strict=True):
            out = np.zeros(self._model.x.shape[1], bool)
            out[columns] = True
            begin = self._point[~np.r_[False, out, False]]
            value = self.null.log_likelihood if out.all() else self._model.without(out).highest(begin).value
            rows.append((term.name, value, np.flatnonzero(out) + 1))
        if self.terms:
            rows.append(("all", self.null.log_likelihood, np.arange(1, len(self.names))))
        table = []
        for name, value, at in rows:
            statistic = max(2 * (self.log_likelihood - value), 0.0)
            p_cluster = np.nan
            if self.robust_covariance is not None and at.size < self.n_clusters:
                beta = self.coefficients.to_numpy()[at]
                wald = float(beta @ np.linalg.solve(self.robust_covariance[np.ix_(at, at)], beta))
                p_cluster = float(chdtrc(at.size, wald))
            table.append((name, at.size, value, statistic, float(chdtrc(at.size, statistic)), p_cluster))
        return pd.DataFrame(
            table, columns=["term", "degrees_of_freedom", "log_likelihood", "statistic", "p", "p_cluster"]
        ).set_index("term")

    def _x(self, rows: Rows) -> tuple[Floats, bool]:
        """Covariates of rows, shape (n, n_covariates), and whether it was one row."""
        single = not isinstance(rows, pd.DataFrame)
        frame = pd.DataFrame([dict(rows)]) if single else rows
        return np.column_stack(
            [np.empty((len(frame), 0)), *(term.values(frame) for term in self.terms)]
        ), single

    def _one(self, row: Rows | None) -> Floats:
        if row is None and self.terms:
            raise ValueError(
                f"`row` must say whose bounds are wanted: a value for each of {', '.join(term.name for term in self.terms)}. "
                "Got none; bounds of the mean over all panels cannot be had from a profile. Give a mapping, such as that of "
                "the panel that is worst off."
            )
        x, _ = self._x({} if row is None else row)
        if len(x) != 1:
            raise ValueError(
                f"`row` must be one row of covariates. Got {len(x)}. Ask for the bounds of one at a time."
            )
        return x[0]

    def scale(self, rows: Rows) -> Floats:
        """Scale of panels with given covariates.

        Parameters
        ----------
        rows : mapping or DataFrame
            Values of the covariates: of one panel, or one row each.

        Returns
        -------
        ndarray of float, shape (n,) or ()
            Age by which 63.2 % of such panels have damage [clock units].

        Raises
        ------
        ValueError
            If a covariate is missing or has a level that the fit does not know.
        """
        x, single = self._x(rows)
        beta = self.coefficients.to_numpy()
        scale = np.exp(beta[0] + x @ beta[1:])
        return scale[0] if single else scale

    def survival(self, age: ArrayLike, rows: Rows | None = None, *, given: float = 0.0) -> Floats:
        """Share of panels that are still without damage: with given covariates, or of all that were fitted.

        Parameters
        ----------
        age : array_like of float, shape (m,) or ()
            Ages [clock units].
        rows : mapping or DataFrame, optional
            Values of the covariates: of one panel, or n rows. Default: the mean over the lives that were fitted, each
            with its own.
        given : float
            Age at which they are known to be without damage [clock units].

        Returns
        -------
        ndarray of float, shape of `age`, after (n,) for a DataFrame
            S(age) / S(given), 1 before `given` [-].
        """
        t = np.maximum(np.asarray(age, np.float64), given)
        if rows is None:
            share, scale = self._fitted
            each = (
                WEIBULL.survival(np.stack([t, np.full_like(t, given)])[..., None], scale, self.shape) @ share
            )
            return each[0] / each[1]
        scale = np.asarray(self.scale(rows))
        scale = scale.reshape(scale.shape + (1,) * t.ndim)
        return np.exp(WEIBULL.hazard_at(given, scale, self.shape) - WEIBULL.hazard_at(t, scale, self.shape))

    @property
    def _fitted(self) -> tuple[Floats, Floats]:
        """Share of the lives that each fitted row stands for, and its scale."""
        beta = self.coefficients.to_numpy()
        x, where = np.unique(self._model.x, axis=0, return_inverse=True)
        share = np.bincount(where.ravel(), self._count, len(x)) / self._count.sum()
        return share, np.exp(beta[0] + x @ beta[1:])

    def quantile(self, share: ArrayLike, rows: Rows | None = None) -> Floats:
        """Age by which a share of the panels has damage: with given covariates, or of all that were fitted.

        Parameters
        ----------
        share : array_like of float, shape (m,) or ()
            Shares in [0, 1) [-].
        rows : mapping or DataFrame, optional
            Values of the covariates: of one panel, or n rows. Default: all that were fitted, as in `survival`.

        Returns
        -------
        ndarray of float, shape of `share`, after (n,) for a DataFrame
            Ages [clock units].
        """
        p = np.asarray(share, np.float64)
        if rows is None:
            scales = self._fitted[1]
            ends = (WEIBULL.quantile(p, scale, self.shape) for scale in (scales.min(), scales.max()))
            low, high = (np.array(end, np.float64) for end in ends)
            for _ in range(_HALVINGS):
                middle = (low + high) / 2
                early = 1 - self.survival(middle) < p
                low, high = np.where(early, middle, low), np.where(early, high, middle)
            return (low + high) / 2
        scale = np.asarray(self.scale(rows))
        return WEIBULL.quantile(p, scale.reshape(scale.shape + (1,) * p.ndim), self.shape)

    def quantile_bounds(
        self, share: float, row: Rows | None = None, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[float, float]:
        """Two-sided bounds of the age by which a share of the panels with given covariates has damage.

        Parameters
        ----------
        share : float
            Share in (0, 1) [-].
        row : mapping or DataFrame
            Values of the covariates of one panel; may be left out only where the fit has none.
        level : float
            Confidence [-].
        method : str
            ``wald``, ``cluster`` or ``profile``, as in `bounds`.

        Returns
        -------
        tuple of float
            Lower and upper bound [clock units].

        Raises
        ------
        ValueError
            If a share, level, method or covariate is not possible.
        """
        self._check_method(method, level)
        check_share("share", share)
        x = self._one(row)
        w = float(WEIBULL.inverse_cumulative_hazard(-np.log1p(-share)))
        beta = self.coefficients.to_numpy()
        centre = float(beta[0] + x @ beta[1:] + w / self.shape)
        gradient = np.r_[1.0, x, -w / self.shape]
        low, high = self._bounds(centre, gradient, (0, 0.0, w), 1, level, method, x)
        return float(np.exp(low)), float(np.exp(high))

    def survival_bounds(
        self, age: ArrayLike, row: Rows | None = None, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[Floats, Floats]:
        """Two-sided bounds of the share still without damage, age by age.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].
        row : mapping or DataFrame
            Values of the covariates of one panel; may be left out only where the fit has none.
        level : float
            Confidence at each age [-].
        method : str
            ``wald`` (normal in the log of the cumulative hazard), ``cluster`` or ``profile``.

        Returns
        -------
        lower, upper : ndarray of float
            Bounds [-].

        Raises
        ------
        ValueError
            If an age, level, method or covariate is not possible.
        """
        self._check_method(method, level)
        ages = np.asarray(age, np.float64)
        if not ((ages > 0) & np.isfinite(ages)).all():
            raise ValueError(f"`age` must be above 0 and finite. Got {ages.min():g} to {ages.max():g}.")
        x = self._one(row)
        beta = self.coefficients.to_numpy()
        centre = beta[0] + x @ beta[1:]
        ends = []
        for t in np.log(ages).ravel():
            z = float(self.shape * (t - centre))
            gradient = np.r_[-self.shape, -self.shape * x, z]
            # The log scale held at log t - z / shape keeps the log of the cumulative hazard at z.
            ends.append(self._bounds(z, gradient, (0, t, z), 2, level, method, x))
        hazard = np.exp(np.array(ends).reshape(*ages.shape, 2))
        return np.exp(-hazard[..., 1]), np.exp(-hazard[..., 0])

    def observed_by_group(self, frame: pd.DataFrame, column: str, *, level: float = 0.95) -> pd.DataFrame:
        r"""Compare finds with those expected under the fit, by the levels of any column.

        Parameters
        ----------
        frame : DataFrame
            The rows that were fitted, in the same order, with the column.
        column : str
            The column; it need not be in the regression.
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        DataFrame
            Index level of the column; lives, observed (finds), expected, ratio, and ratio_lower and
            ratio_upper (Poisson bounds of the finds over those expected).

        Raises
        ------
        ValueError
            If the rows are not those of the fit, or there is no such column.

        Notes
        -----
        Expected is the cumulative hazard that each life went through while it was watched: from entry to
        the last clean look where nothing was found, and to the onset, of which the mean is taken over its
        interval, where something was: :math:`E[H(T) \mid l < T \le u] - H(v)` [1]_. It is not the hazard up
        to the end of the planned watch: a life is not watched beyond its find. Observed less expected is
        the score of the log hazard, so that the sum is nought over all rows, and over each level of a
        covariate of the fit; what stands out elsewhere is what the fit does not explain. The bounds take
        the expected numbers as known.

        References
        ----------
        .. [1] C. P. Farrington, "Residuals for proportional hazards models with interval-censored survival
           data", *Biometrics*, vol. 56, 2000, pp. 473-482.
        """
        if len(frame) != self.n_rows:
            raise ValueError(f"`frame` must be the {self.n_rows} rows of the fit. Got {len(frame)} rows.")
        if column not in frame.columns:
            raise ValueError(
                f"`column` must be a column of the rows. Got {column!r}. There are {', '.join(map(str, frame.columns))}."
            )
        design = self._model.design
        by_scale = self._model.lives(design @ self._point[:-1], float(self._point[-1]))[1]
        table = pd.DataFrame(
            {
                "lives": self._count,
                "observed": self._found,
                "expected": self._found + by_scale / self.shape,
            }
        )
        table = table.groupby(as_levels(frame[column])).sum().rename_axis(column)
        low, high = poisson_bounds(table["observed"], level=level)
        table["ratio"] = table["observed"] / table["expected"]
        table["ratio_lower"], table["ratio_upper"] = low / table["expected"], high / table["expected"]
        return table

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the coefficients as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            ``wald``, ``cluster`` or ``profile``, as in `bounds`.

        Returns
        -------
        DataFrame
            Index name, the shape last; value, standard_error, lower, upper, and time_ratio and
            hazard_ratio with their _lower and _upper (nan for intercept and shape).
        """
        se_method = "cluster" if method == "cluster" else "wald"
        rows = []
        for name in (*self.names, "shape"):
            value = self.shape if name == "shape" else float(self.coefficients[name])
            low, high = self.bounds(name, level=level, method=method)
            row = {
                "name": name,
                "value": value,
                "standard_error": self.standard_error(name, method=se_method),
                "lower": low,
                "upper": high,
            }
            if name not in ("intercept", "shape"):
                hazard = self.hazard_ratio_bounds(name, level=level, method=method)
                row |= {
                    "time_ratio": np.exp(value),
                    "time_ratio_lower": np.exp(low),
                    "time_ratio_upper": np.exp(high),
                }
                row |= {"hazard_ratio": np.exp(-self.shape * value)}
                row |= {"hazard_ratio_lower": hazard[0], "hazard_ratio_upper": hazard[1]}
            rows.append(row)
        return pd.DataFrame(rows).set_index("name")
