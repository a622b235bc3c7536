"""A fitted life: what it says of ages and shares, with bounds."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kit.life.fits.bootstrap import BootstrapFits, bootstrap
from kit.life.likelihood.families import EXPONENTIAL, FAMILIES, WEIBULL, Family
from kit.life.likelihood.imperfect import finds_all
from kit.life.likelihood.likelihood import Terms
from kit.life.likelihood.profile import hazard_to_come, likelihood_contour, log_hazard_to_come, profile_bound
from kit.numerics.confidence import check_share, likelihood_drop, normal_reach
from kit.numerics.fit import METHODS, Fit, Parameter
from kit.numerics.typing import Floats
from kit.numerics.words import in_words, percent, span

if TYPE_CHECKING:
    from kit.life.lives.censored import Histories

_FEW_FINDS = 20


class FewFindsWarning(UserWarning):
    """Normal-theory bounds were asked for of a fit with too few finds for them."""


@dataclass(frozen=True, eq=False)
class FitRows:
    """The rows that a life was fitted to.

    Parameters
    ----------
    entry, lower, upper, count : ndarray of float, shape (n,)
        As in `kit.life.fit_weibull` [clock units], [-].
    cluster : ndarray of int, shape (n,)
        Number of each row's cluster; every row its own where none were given.
    """

    entry: Floats
    lower: Floats
    upper: Floats
    count: Floats
    cluster: NDArray[np.int64]


@dataclass(frozen=True, eq=False, kw_only=True)
class LifeFit(Fit):
    r"""A fitted life with a scale and a shape: :math:`S(t) = e^{-H(z)}`, :math:`z = \mathrm{shape}\,\log(t/\mathrm{scale})`.

    Parameters
    ----------
    scale : float
        Age by which 63.2 % (Weibull, exponential) or half (lognormal, log-logistic) of the panels have
        damage [clock units].
    shape : float
        One over the spread of the log of the age; of a Weibull above 1, risk grows with age [-].
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
    terms : PerfectTerms, FamilyTerms or SumTerms
        The likelihood, for profiles.
    family : Family
        Family of the life.
    rows : FitRows
        What it was fitted to.
    histories : Histories or None
        The same with the ages of the looks, where it was fitted to histories.
    refit : callable
        Fits other rows or histories in the same way; takes what `kit.life.fits.fitting.fit_family` takes but the
        family, the detection and the assumed shape.
    """

    methods: ClassVar[tuple[str, ...]] = METHODS

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
    family: Family
    rows: FitRows = field(repr=False)
    histories: Histories | None = field(repr=False)
    refit: Callable[..., LifeFit] = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters and the evidence."""
        return (
            f"LifeFit({self.distribution!r}, scale={self.scale:.6g} {self.clock}, shape={self.shape:.4g}, "
            f"finds={self.n_finds:g} of {self.n_lives:g} lives, log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def distribution(self) -> str:
        """Name of the distribution; a Weibull with an assumed shape of 1 is exponential."""
        if self.family is WEIBULL and self.shape_assumed and self.shape == EXPONENTIAL.fixed_shape:
            return EXPONENTIAL.name
        return self.family.name

    @property
    def label(self) -> str:
        """What the fit is of, for a legend."""
        return f"{FAMILIES[self.distribution].label}, {self.kind or 'damage'} ({self.n_finds:g} finds)"

    @property
    def n_parameters(self) -> int:
        """Number of parameters that were fitted [-]."""
        return 1 if self.shape_assumed else 2

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

    def words(self, *, share: float = 0.1, level: float = 0.95) -> str:
        """Say in a sentence by what age a share of the panels has damage, on what evidence, and under which detection.

        Parameters
        ----------
        share : float
            Share of the panels [-].
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        str
            Markdown, with bounds by likelihood ratio.
        """
        age = span(float(self.quantile(share)), *self.quantile_bounds(share, level=level))
        taken = "as perfect" if self.looks_find_all else "with the stated chance of detection"
        extra = (
            "" if self.quantile(share) <= self.oldest_age else "; that is beyond the oldest panel looked at"
        )
        return (
            f"{percent(share)} of the panels have {in_words(self.kind) or 'damage'} by **{age} {in_words(self.clock)}** "
            f"({percent(level)} bounds), from {self.n_finds:g} finds in {self.n_lives:g} lives; shape {self.shape:.2f}"
            f"{' (assumed)' if self.shape_assumed else ''}; looks taken {taken}{extra}."
        )

    @property
    def looks_find_all(self) -> bool:
        """Whether looks were taken to find all that is there."""
        return finds_all(self.detection)

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 x parameters - 2 x log-likelihood [-]."""
        return 2.0 * self.n_parameters - 2.0 * self.log_likelihood

    @property
    def mean(self) -> float:
        """Mean age at onset; infinite where the family has none [clock units]."""
        return self.family.mean(self.scale, self.shape)[0]

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the age at onset; infinite where the family has none [clock units]."""
        return self.family.mean(self.scale, self.shape)[1]

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
        return np.exp(self.cumulative_hazard(given) - self.cumulative_hazard(t))

    def cumulative_hazard(self, age: ArrayLike) -> Floats:
        """Cumulative hazard.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].

        Returns
        -------
        ndarray of float
            Minus the log of the share without damage [-].
        """
        return self.family.hazard_at(age, self.scale, self.shape)

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
        return self.family.density(age, self.scale, self.shape)

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
        return self.family.quantile(share, self.scale, self.shape)

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Scale and shape."""
        return (
            Parameter(name="scale", value=self.scale, unit=self.clock),
            Parameter(name="shape", value=self.shape, is_given=self.shape_assumed),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``scale`` or ``shape``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends of the log of the parameter; infinite where the likelihood does not bound that side.
        """
        weight = np.array([1.0, 0.0]) if name == "scale" else np.array([0.0, 1.0])
        return self._profile(self.parameter(name).place, weight, None if name == "shape" else 0.0, level)

    def bootstrap_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds over fits to clusters drawn again, 1,000 of them with a fixed seed; `kit.bootstrap` has the choice.

        Parameters
        ----------
        name : str
            ``scale`` or ``shape``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper bound.
        """
        return self._bootstrap().bounds(name, level=level)

    def quantile_bounds(
        self, share: float, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[float, float]:
        """Two-sided bounds of the age by which a share of the panels has damage.

        Parameters
        ----------
        share : float
            Share in (0, 1) [-].
        level : float
            Confidence [-].
        method : str
            ``wald``, ``cluster``, ``profile`` or ``bootstrap``, as in `bounds`.

        Returns
        -------
        tuple of float
            Lower and upper bound [clock units].
        """
        check_share("share", share)
        w = float(self.family.inverse_cumulative_hazard(-np.log1p(-share)))
        self._check_method(method, level)
        if method == "bootstrap":
            low, high = (float(end) for end in self._bootstrap().age_bounds(w, level=level))
            return low, high
        # log t = log scale + w / shape; its derivative by log shape is -w / shape.
        centre, weight = float(np.log(self.quantile(share))), np.array([1.0, -w / self.shape])
        if method == "profile":
            low, high = self._profile(centre, weight, w, level)
        else:
            reach = normal_reach(level) * float(np.sqrt(weight @ self._covariance(method) @ weight))
            low, high = centre - reach, centre + reach
        with np.errstate(over="ignore"):
            return float(np.exp(low)), float(np.exp(high))

    def _profile(self, centre: float, weight: Floats, w: float | None, level: float) -> tuple[float, float]:
        """Return the ends of what has this gradient in the logs of scale and shape: a log age at position w, or the log shape."""
        reach = normal_reach(level) * float(np.sqrt(weight @ self.covariance @ weight))
        drop = likelihood_drop(level)
        low, high = (profile_bound(self, centre, reach, sign, w, drop) for sign in (-1.0, 1.0))
        return low, high

    def survival_bounds(
        self, age: ArrayLike, *, given: float = 0.0, level: float = 0.95, method: str = "profile"
    ) -> tuple[Floats, Floats]:
        r"""Return bounds of the share still without damage, point by point.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        given : float
            Age at which the panels are known to be without damage [clock units].
        level : float
            Confidence at each age [-].
        method : str
            ``wald``, ``cluster``, ``profile`` or ``bootstrap``, as in `bounds`.

        Returns
        -------
        lower, upper : ndarray of float
            Bounds of S(age) / S(given), 1 up to `given` [-].

        Raises
        ------
        ValueError
            If a method or level is unknown.

        Notes
        -----
        Wald bounds are normal on the scale of :math:`\log[H(t) - H(a)]`, the log of the hazard still to
        come, so that they stay between 0 and 1. Profile bounds are the least and the most that any scale
        and shape give whose log-likelihood is not lower than the highest by more than
        :math:`\chi^2_1/2`: along the closed curve where it is lower by just that.
        """
        self._check_method(method, level)
        t = np.asarray(age, np.float64)
        after = np.atleast_1d(t) > given
        ages = np.atleast_1d(t)[after]
        lower, upper = np.ones(after.size), np.ones(after.size)
        if ages.size and method == "profile":
            points = self._contour(level)
            hazard = hazard_to_come(self.family, points, ages, given)
            lower[after], upper[after] = np.exp(-hazard.max(axis=0)), np.exp(-hazard.min(axis=0))
        elif ages.size and method == "bootstrap":
            lower[after], upper[after] = self._bootstrap().survival_bounds(ages, given=given, level=level)
        elif ages.size:
            centre, slope = log_hazard_to_come(self.family, self.scale, self.shape, ages, given)
            if self.shape_assumed:
                slope = slope * np.array([1.0, 0.0])
            se = np.sqrt(np.einsum("...i,ij,...j->...", slope, self._covariance(method), slope))
            reach = normal_reach(level) * se
            with np.errstate(over="ignore"):
                lower[after], upper[after] = np.exp(-np.exp(centre + reach)), np.exp(-np.exp(centre - reach))
        return lower.reshape(t.shape), upper.reshape(t.shape)

    def quantile_band(
        self, share: ArrayLike, *, level: float = 0.95, method: str = "profile"
    ) -> tuple[Floats, Floats]:
        """Two-sided bounds of the ages by which many shares of the panels have damage, share by share.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].
        level : float
            Confidence at each share [-].
        method : str
            ``wald``, ``cluster``, ``profile`` or ``bootstrap``, as in `bounds`.

        Returns
        -------
        lower, upper : ndarray of float
            Bounds [clock units].

        Raises
        ------
        ValueError
            If a method or level is unknown, or a share is not above 0 and below 1.
        """
        self._check_method(method, level)
        shares = np.asarray(share, np.float64)
        if not ((shares > 0) & (shares < 1)).all():
            raise ValueError(
                f"`share` must be above 0 and below 1. Got {shares[~((shares > 0) & (shares < 1))].flat[0]!r}."
            )
        w = self.family.inverse_cumulative_hazard(-np.log1p(-shares))
        if method == "bootstrap":
            return self._bootstrap().age_bounds(w, level=level)
        if method == "profile":
            points = self._contour(level)
            ages = points[:, 0].reshape(-1, *[1] * w.ndim) + w / np.exp(points[:, 1]).reshape(
                -1, *[1] * w.ndim
            )
            return np.exp(ages.min(axis=0)), np.exp(ages.max(axis=0))
        slope = np.stack([np.ones_like(w), -w / self.shape], axis=-1)
        if self.shape_assumed:
            slope = slope * np.array([1.0, 0.0])
        se = np.sqrt(np.einsum("...i,ij,...j->...", slope, self._covariance(method), slope))
        reach = normal_reach(level) * se
        centre = np.log(self.scale) + w / self.shape
        return np.exp(centre - reach), np.exp(centre + reach)

    def _contour(self, level: float) -> Floats:
        """Points (log scale, log shape) along which the log-likelihood is lower by what `level` allows."""
        return likelihood_contour(self, likelihood_drop(level))

    def _bootstrap(self) -> BootstrapFits:
        """Draws of clusters that bounds by bootstrap rest on; the same ones each time."""
        return bootstrap(self, seed=1)

    def _check_method(self, method: str, level: float) -> None:
        """Refuse an unknown method or level, and warn of normal bounds from few finds."""
        super()._check_method(method, level)
        if method in ("wald", "cluster") and self.n_finds < _FEW_FINDS:
            warnings.warn(
                f"{self.n_finds:g} finds, fewer than {_FEW_FINDS}: {method} bounds are rough. Ask for method='profile'.",
                FewFindsWarning,
                stacklevel=3,
            )
