"""What every fit by maximum likelihood answers alike: parameters by name, errors, bounds, draws, a table."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from kit.numerics.confidence import check_level, likelihood_drop, normal_reach
from kit.numerics.profile import GridProfile
from kit.numerics.typing import Floats

METHODS = ("profile", "wald", "cluster", "bootstrap")
"""Methods of bounds: likelihood ratio, normal, normal with the covariance robust to clusters, data drawn again."""


class Scale(NamedTuple):
    """A scale on which covariance and bounds of a parameter are worked out.

    Parameters
    ----------
    place, back : callable
        From the value to its place on the scale, and back.
    slope : callable
        Change of the value with the place, by the value.
    """

    place: Callable[[Floats], Floats]
    back: Callable[[Floats], Floats]
    slope: Callable[[Floats], Floats]


SCALES = {
    "linear": Scale(np.positive, np.positive, np.ones_like),
    "log": Scale(np.log, np.exp, np.positive),
    "logit": Scale(logit, expit, lambda share: share * (1 - share)),
    "atanh": Scale(np.arctanh, np.tanh, lambda correlation: 1 - correlation**2),
}
"""Scales by name: as it is, of what is above 0, of shares, of correlations."""


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One parameter of a fit.

    Parameters
    ----------
    name : str
        Its name.
    value : float
        Its estimate, or what was given [`unit`].
    unit : str
        Its unit.
    scale : str
        On which covariance and bounds are worked out: one of `SCALES`.
    is_given : bool
        Whether it was given and not fitted.
    least : float
        Least value that it can have.
    """

    name: str
    value: float
    unit: str = "-"
    scale: str = "log"
    is_given: bool = False
    least: float = -np.inf

    @property
    def place(self) -> float:
        """Value on the scale on which covariance and bounds are worked out."""
        with np.errstate(divide="ignore"):
            return float(SCALES[self.scale].place(np.float64(self.value)))

    def back(self, place: float | Floats) -> Floats:
        """Return the value at a place on that scale.

        Parameters
        ----------
        place : float or ndarray
            The place.

        Returns
        -------
        ndarray of float
            The value, not below the least that it can have.
        """
        with np.errstate(over="ignore"):
            return np.maximum(SCALES[self.scale].back(np.asarray(place, np.float64)), self.least)


class Fit:
    """What fits have in common; each says its parameters, its covariance and the limits of its profiles.

    A fit has `covariance`, in the order of `parameters` and on the scale of each (`Parameter.place`): of all of them or of
    those that are not given, or a table by name of those that are not at the end of their range. It may have
    `robust_covariance`, the same robust to dependence within clusters.
    """

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald")
    old_names: ClassVar[dict[str, str]] = {}  # of parameters, which still work for one release
    covariance: Floats | pd.DataFrame
    robust_covariance: Floats | None = None

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The parameters, in the order of the covariance."""
        raise NotImplementedError

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds of a fitted parameter by likelihood ratio, on the scale of its covariance.

        Parameters
        ----------
        name : str
            Name of the parameter.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper end; infinite where the likelihood does not bound that side.
        """
        raise NotImplementedError

    def bootstrap_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds of a parameter over fits to data drawn again.

        Parameters
        ----------
        name : str
            Name of the parameter.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper bound [unit of the parameter].
        """
        raise NotImplementedError

    def parameter(self, name: str) -> Parameter:
        """Return a parameter by its name.

        Parameters
        ----------
        name : str
            The name.

        Returns
        -------
        Parameter
            The parameter.

        Raises
        ------
        ValueError
            If there is none of that name.
        """
        return self.parameters[self._at(name)]

    def _at(self, name: str) -> int:
        names, name = [parameter.name for parameter in self.parameters], self.old_names.get(name, name)
        if name not in names:
            raise ValueError(f"`name` must be one of {', '.join(names)}. Got {name!r}.")
        return names.index(name)

    def _covariance(self, method: str) -> Floats:
        if method != "cluster":
            if isinstance(self.covariance, pd.DataFrame):
                names = [parameter.name for parameter in self.parameters]
                return self.covariance.reindex(index=names, columns=names).to_numpy()
            free = np.flatnonzero([not parameter.is_given for parameter in self.parameters])
            if not len(self.covariance) == free.size < len(self.parameters):
                return self.covariance
            whole = np.zeros((len(self.parameters), len(self.parameters)))
            whole[np.ix_(free, free)] = self.covariance
            return whole
        if self.robust_covariance is None:
            raise ValueError(
                "`method` cluster needs clusters. Got none with the data, or one only: give `cluster=`, the aircraft of "
                "each life."
            )
        return self.robust_covariance

    def _place_error(self, at: int, method: str) -> float:
        """Return the standard error of a parameter on its scale; nan where the curvature gives none."""
        variance = float(self._covariance(method)[at, at])
        return float(np.sqrt(variance)) if variance >= 0 else float("nan")

    def _check_method(self, method: str, level: float) -> None:
        if method not in self.methods:
            raise ValueError(f"`method` must be one of {', '.join(self.methods)}. Got {method!r}.")
        check_level(level)

    def standard_error(self, name: str, *, method: str = "wald") -> float:
        """Return the standard error of a parameter.

        Parameters
        ----------
        name : str
            Name of a parameter; with a scale in front that on the scale: ``log_``, ``logit_`` of a share, ``atanh_`` of
            a correlation.
        method : str
            ``wald`` (observed information) or ``cluster`` (robust to dependence within clusters).

        Returns
        -------
        float
            In the parameter's unit; nan for a parameter that was given or lies at the end of its range.

        Raises
        ------
        ValueError
            If the name or method is unknown, or clusters are wanted where none were given.
        """
        if method not in ("wald", "cluster"):
            raise ValueError(f"`method` of a standard error must be wald or cluster. Got {method!r}.")
        names, name = [parameter.name for parameter in self.parameters], self.old_names.get(name, name)
        wanted = None
        if name not in names:
            wanted, _, rest = name.partition("_")
            if wanted not in SCALES or rest not in names:
                raise ValueError(
                    f"`name` must be one of {', '.join(names)}, or one of them with log_, logit_ or atanh_ in front. "
                    f"Got {name!r}."
                )
            name = rest
        at = names.index(name)
        parameter = self.parameters[at]
        if parameter.is_given:
            return float("nan")
        error = self._place_error(at, method)
        if wanted == parameter.scale:
            return error
        value = np.float64(parameter.value)
        error *= float(SCALES[parameter.scale].slope(value))
        return error if wanted is None else error / float(SCALES[wanted].slope(value))

    def bounds(self, name: str, *, level: float = 0.95, method: str = "profile") -> tuple[float, float]:
        """Two-sided bounds of a parameter.

        Parameters
        ----------
        name : str
            Name of a parameter.
        level : float
            Confidence [-].
        method : str
            ``profile`` (likelihood ratio), ``wald`` (normal on the scale of the covariance), and where the fit
            has them ``cluster`` (normal, robust to dependence within clusters) and ``bootstrap`` (clusters drawn
            again, with a fixed seed).

        Returns
        -------
        tuple of float
            Lower and upper bound; the end of the range or infinite where the likelihood does not bound that
            side; nan for a parameter that was given.

        Raises
        ------
        NoProfileLimit
            If the likelihood cannot be worked out on the way to a profile bound.
        ValueError
            If a name, method or level is unknown, or clusters are wanted where none were given.
        """
        at = self._at(name)
        parameter = self.parameters[at]
        self._check_method(method, level)
        if parameter.is_given:
            return (float("nan"), float("nan"))
        if method == "bootstrap":
            return self.bootstrap_bounds(name, level)
        if method == "profile":
            low, high = self.profile_bounds(name, level)
        else:
            reach = normal_reach(level) * self._place_error(at, method)
            low, high = parameter.place - reach, parameter.place + reach
        return float(parameter.back(low)), float(parameter.back(high))

    def draws(self, n: int, *, seed: int, method: str = "wald") -> Floats:
        """Draw parameters from their normal approximation, on the scale of the covariance.

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
        ndarray of float, shape (n, n_parameters)
            In the order and the units of the parameters; those that were given stay as they are.
        """
        rng = np.random.default_rng(seed)
        value, vector = np.linalg.eigh(np.nan_to_num(self._covariance(method)))
        root = vector * np.sqrt(np.maximum(value, 0.0))
        centre = np.array([parameter.place for parameter in self.parameters])
        drawn = centre + rng.standard_normal((n, centre.size)) @ root.T
        for j, parameter in enumerate(self.parameters):
            drawn[:, j] = parameter.back(drawn[:, j])
        return drawn

    def parameter_table(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return parameters, standard errors and bounds as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            Of the bounds, as in `bounds`.

        Returns
        -------
        DataFrame
            Index parameter; columns value, standard_error, lower, upper, unit.
        """
        rows = []
        for p in self.parameters:
            error = self.standard_error(p.name, method="cluster" if method == "cluster" else "wald")
            rows.append((p.name, p.value, error, *self.bounds(p.name, level=level, method=method), p.unit))
        columns = ["parameter", "value", "standard_error", "lower", "upper", "unit"]
        return pd.DataFrame(rows, columns=columns).set_index("parameter")

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the fit as a table: its parameters, where the model has nothing else to show.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            Of the bounds, as in `bounds`.

        Returns
        -------
        DataFrame
            As `parameter_table`.
        """
        return self.parameter_table(level=level, method=method)


class FitAlongOne(Fit):
    """Fits that follow the likelihood along one parameter, all others highest at each place.

    Each has the profile as `along`.
    """

    along: GridProfile

    @property
    def covariance(self) -> Floats:
        """Variance of the parameter by the bend of its profile; nan at the ends of its range."""
        return np.array([[self.along.variance()]])

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds of the parameter by likelihood ratio.

        Parameters
        ----------
        name : str
            Its name, the only one.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            The ends of the range that was looked at where the likelihood does not drop so far.
        """
        return self.along.limits(likelihood_drop(level))
