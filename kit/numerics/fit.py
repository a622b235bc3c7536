"""What every fit by maximum likelihood answers alike: parameters by name, errors, bounds, draws, a table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd

from kit.numerics.confidence import check_level, normal_reach
from kit.numerics.typing import Floats

METHODS = ("profile", "wald", "cluster", "bootstrap")
"""Methods of bounds: likelihood ratio, normal, normal with the covariance robust to clusters, data drawn again."""


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
    is_log : bool
        Whether covariance and bounds are worked out in its log.
    is_given : bool
        Whether it was given and not fitted.
    least : float
        Least value that it can have.
    """

    name: str
    value: float
    unit: str = "-"
    is_log: bool = True
    is_given: bool = False
    least: float = -np.inf

    @property
    def place(self) -> float:
        """Value on the scale on which covariance and bounds are worked out."""
        return float(np.log(self.value)) if self.is_log else float(self.value)

    def back(self, place: float) -> float:
        """Return the value at a place on that scale.

        Parameters
        ----------
        place : float
            The place.

        Returns
        -------
        float
            The value, not below the least that it can have.
        """
        with np.errstate(over="ignore"):
            return float(np.exp(place)) if self.is_log else float(max(place, self.least))


class Fit:
    """What fits have in common; each says its parameters, its covariance and the limits of its profiles.

    A fit has `covariance`, shape (n, n), in the order of `parameters` and on the scale of each (`Parameter.place`),
    and may have `robust_covariance`, the same robust to dependence within clusters.
    """

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald")
    old_names: ClassVar[dict[str, str]] = {}  # of parameters, which still work for one release
    covariance: Floats
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
            return self.covariance
        if self.robust_covariance is None:
            raise ValueError(
                "`method` cluster needs clusters. Got none with the data, or one only: give `cluster=`, the aircraft of "
                "each life."
            )
        return self.robust_covariance

    def _check_method(self, method: str, level: float) -> None:
        if method not in self.methods:
            raise ValueError(f"`method` must be one of {', '.join(self.methods)}. Got {method!r}.")
        check_level(level)

    def standard_error(self, name: str, *, method: str = "wald") -> float:
        """Return the standard error of a parameter.

        Parameters
        ----------
        name : str
            Name of a parameter, with ``log_`` in front for that of its log.
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
        in_log = name.removeprefix("log_") in names and name not in names
        if not in_log and name not in names:
            raise ValueError(
                f"`name` must be one of {', '.join(names)}, or one of them with log_ in front. Got {name!r}."
            )
        at = names.index(name.removeprefix("log_") if in_log else name)
        parameter = self.parameters[at]
        if parameter.is_given:
            return float("nan")
        variance = float(self._covariance(method)[at, at])
        error = float(np.sqrt(variance)) if variance >= 0 else float("nan")
        if in_log == parameter.is_log:
            return error
        return error / parameter.value if in_log else error * parameter.value

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
            reach = normal_reach(level) * float(np.sqrt(self._covariance(method)[at, at]))
            low, high = parameter.place - reach, parameter.place + reach
        return parameter.back(low), parameter.back(high)

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
            drawn[:, j] = (
                np.exp(drawn[:, j]) if parameter.is_log else np.maximum(drawn[:, j], parameter.least)
            )
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
