"""A fitted shared frailty: its parameters with bounds, lives of a group or a new one, and the groups side by side."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtrc

from kit.life.fits.fit import LifeFit
from kit.life.groups.frailty_model import FrailtyModel
from kit.life.likelihood.families import WEIBULL
from kit.numerics.confidence import likelihood_drop, normal_reach
from kit.numerics.fit import Fit, Parameter
from kit.numerics.profile import profile_limit
from kit.numerics.quadrature import normal_nodes
from kit.numerics.typing import Floats

_FEW_GROUPS = 5
ROUGH = 1e-7
"""Error of the quadrature in the log-likelihood from which on it is said."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FrailtyFit(Fit):
    r"""Weibull lives with a shared frailty: groups differ by a log-normal hazard multiplier :math:`e^{sz}`, z standard normal.

    Parameters
    ----------
    scale, shape : float
        Of a group with multiplier 1, the middle one [clock units], [-].
    spread : float
        Standard deviation s of the log of the multiplier between groups [-]; 0: they do not differ more
        than by chance.
    log_likelihood : float
        Marginal log-likelihood at the maximum [-].
    covariance : ndarray, shape (3, 3)
        Covariance of log scale, log shape and spread, from the observed information; nan for a spread
        of 0, at the edge of what is possible.
    null : LifeFit
        The fit without differences.
    groups : tuple of str
        The groups.
    lives, finds : ndarray of float, shape (n_groups,)
        Of each group [-].
    selection : str
        How left truncation was allowed for: see `fit_frailty`.
    nodes : int
        Nodes of the quadrature that were used.
    quadrature_error : float
        Change of the log-likelihood with twice as many nodes [-].
    clock : str
        Clock of the ages.
    detection : object
        Detection that was assumed: a number or a model.
    shape_assumed : bool
        Whether the shape was given and not fitted.
    """

    scale: float
    shape: float
    spread: float
    log_likelihood: float
    covariance: Floats
    null: LifeFit
    groups: tuple[str, ...]
    lives: Floats
    finds: Floats
    selection: str
    nodes: int
    quadrature_error: float
    clock: str
    detection: object
    shape_assumed: bool
    _model: FrailtyModel = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters and the evidence."""
        return (
            f"FrailtyFit(scale={self.scale:.6g} {self.clock}, shape={self.shape:.4g}, frailty_sd={self.spread:.4g}, "
            f"groups={len(self.groups)}, finds={self.finds.sum():g} of {self.lives.sum():g} lives, "
            f"log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [
            "bounds of groups take scale, shape and spread as known, so that they are somewhat too narrow"
        ]
        if len(self.groups) < _FEW_GROUPS:
            notes.append(
                f"{len(self.groups)} groups: fewer than {_FEW_GROUPS}, which say little of how groups differ"
            )
        if self.spread == 0:
            notes.append(
                "no spread between groups was found, which is not to say that there is none: read its upper bound"
            )
        if self.quadrature_error > ROUGH:
            notes.append(
                f"the log-likelihood changes by {self.quadrature_error:.2g} with twice the nodes: the spread is too wide for the quadrature"
            )
        if self._model.terms.has_late:
            notes.append(
                "some lives entered late: "
                + (
                    "groups are taken as watched only because all their lives were clean then"
                    if self.selection == "groups"
                    else "groups are taken as watched whatever their lives did before"
                )
            )
        if self.shape_assumed:
            notes.append(f"the shape {self.shape:g} is assumed, not fitted")
        return tuple(notes)

    @property
    def statistic(self) -> float:
        """Twice the gain in log-likelihood over groups that do not differ [-]."""
        return max(2 * (self.log_likelihood - self.null.log_likelihood), 0.0)

    @property
    def p_no_spread(self) -> float:
        r"""Chance of such a gain if groups do not differ, half :math:`\chi^2_0` and half :math:`\chi^2_1` [-]."""
        return 1.0 if self.statistic == 0 else float(chdtrc(1, self.statistic)) / 2

    @property
    def _point(self) -> Floats:
        return np.array([np.log(self.scale), np.log(self.shape), self.spread])

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald")
    old_names: ClassVar[dict[str, str]] = {"spread": "frailty_sd"}

    @property
    def frailty_sd(self) -> float:
        """Standard deviation of the log of the frailty between groups; `spread` is its old name [-]."""
        return self.spread

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Scale, shape and standard deviation of the log frailty."""
        return (
            Parameter(name="scale", value=self.scale, unit=self.clock),
            Parameter(name="shape", value=self.shape, is_given=self.shape_assumed),
            Parameter(name="frailty_sd", value=self.spread, scale="linear", least=0.0),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        r"""Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``scale``, ``shape`` or ``frailty_sd``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends, of the log of scale and shape. The lower one of the spread is 0 where the likelihood without
            differences is not lower by what `level` allows.

        Notes
        -----
        The profile of the spread uses :math:`\chi^2_1` throughout; near 0, where the statistic is smaller
        than that, the bounds are somewhat too wide.
        """
        at, centre = self._at(name), self.parameter(name).place
        error = float(np.sqrt(self.covariance[at, at]))
        reach = normal_reach(level) * (error if np.isfinite(error) else 0.2)
        begin = self._point

        def height(place: float) -> float:
            nonlocal begin
            if at == 2 and place <= 0:
                return self.null.log_likelihood
            found = self._model.highest(begin, (at, place, 0.0))
            if found.flat is None:
                begin = found.point
            return found.value

        ends = []
        for sign, end in ((-1.0, 0.0 if at == 2 else None), (1.0, None)):
            begin = self._point
            ends.append(
                profile_limit(
                    height, centre, top=self.log_likelihood, drop=likelihood_drop(level), sign=sign, reach=reach, end=end,
                    farthest=60 + 30 * reach, tolerance=1e-10,
                )
            )  # fmt: skip
        return ends[0], ends[1]

    def survival(self, age: ArrayLike, group: str | None = None) -> Floats:
        """Share of panels still without damage, in a group or in a new one.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].
        group : str, optional
            A group, with its most likely multiplier; default: a group of which nothing is known, the
            mean over all multipliers.

        Returns
        -------
        ndarray of float
            Shares [-].

        Raises
        ------
        ValueError
            If there is no such group.
        """
        hazard = WEIBULL.hazard_at(age, self.scale, self.shape)
        frailty, weight = self._frailties(group)
        return np.exp(-hazard[..., None] * frailty) @ weight

    def density(self, age: ArrayLike, group: str | None = None) -> Floats:
        """Density of the age at onset, in a group or in a new one, as a risk asks for it.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].
        group : str, optional
            As in `survival`.

        Returns
        -------
        ndarray of float
            Density [1/clock unit].

        Raises
        ------
        ValueError
            If there is no such group.
        """
        t = np.asarray(age, np.float64)
        hazard = WEIBULL.hazard_at(t, self.scale, self.shape)[..., None]
        frailty, weight = self._frailties(group)
        rate = self.shape / t[..., None] * hazard * frailty
        return (rate * np.exp(-hazard * frailty)) @ weight

    def quantile(self, share: ArrayLike, group: str | None = None) -> Floats:
        """Age by which a share of the panels has damage, in a group or in a new one.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].
        group : str, optional
            As in `survival`.

        Returns
        -------
        ndarray of float
            Ages [clock units].

        Raises
        ------
        ValueError
            If there is no such group, or a share is not above 0 and below 1.
        """
        p = np.asarray(share, np.float64)
        if not ((p > 0) & (p < 1)).all():
            raise ValueError(f"`share` must be above 0 and below 1. Got {p.min():g} to {p.max():g}.")
        frailty, weight = self._frailties(group)
        # The mean over frailties lies between the hazards that the least and the greatest of them would need.
        needed = np.log(-np.log1p(-p))

        def at(goal: float, one: float) -> float:
            low, high = goal - np.log(frailty.max()), goal - np.log(frailty.min())
            if low == high:
                return float(low)
            return float(
                brentq(
                    lambda z: float(np.exp(-np.exp(z) * frailty) @ weight) - (1 - one),
                    low - 1e-9,
                    high + 1e-9,
                    xtol=1e-12,
                )
            )

        z = np.array([at(goal, one) for goal, one in zip(needed.ravel(), p.ravel(), strict=True)])
        return (self.scale * np.exp(z / self.shape)).reshape(p.shape)

    def _frailties(self, group: str | None) -> tuple[Floats, Floats]:
        """Frailties to average over, with weights: of a group the most likely one, of a new one all that may be."""
        if group is None:
            x, weight = normal_nodes(64)
            return np.exp(self.spread * x), weight
        if group not in self.groups:
            raise ValueError(f"`group` must be one of {', '.join(self.groups)}. Got {group!r}.")
        return self._model.pooled(self._point)[0][[self.groups.index(group)]], np.ones(1)

    def to_frame(self, *, share: float = 0.1, level: float = 0.95) -> pd.DataFrame:
        """Return the groups with what their own lives say beside what pooling makes of it.

        Parameters
        ----------
        share : float
            Share of the panels with damage at whose age groups are compared [-].
        level : float
            Of the bounds [-].

        Returns
        -------
        DataFrame
            Index group, highest multiplier first; lives, finds, expected (finds of a group with multiplier
            1 in the same watch); multiplier_raw (from the group's own lives under the common shape; 0
            without finds), multiplier (pooled: the most likely), multiplier_mean, multiplier_lower,
            multiplier_upper [-]; age_raw, age, age_lower, age_upper: age by which the share has damage
            [clock units].

        Raises
        ------
        ValueError
            If `share` or `level` is not between 0 and 1.

        Notes
        -----
        The bounds hold the asked share of what is believed of the multiplier once its group's lives were
        seen, with scale, shape and spread as fitted. Where each life is conditioned by itself, the pooled
        multiplier always lies between the group's own and 1.
        """
        for name, value in (("share", share), ("level", level)):
            if not 0 < value < 1:
                raise ValueError(f"`{name}` must be above 0 and below 1. Got {value!r}.")
        raw, expected = self._model.raw(self._point, self.finds)
        pooled, mean, low, high = self._model.pooled(self._point, level)
        table = pd.DataFrame(
            {
                "lives": self.lives,
                "finds": self.finds,
                "expected": expected,
                "multiplier_raw": raw,
                "multiplier": pooled,
                "multiplier_mean": mean,
                "multiplier_lower": low,
                "multiplier_upper": high,
            },
            index=pd.Index(self.groups, name="group"),
        )
        middle = float(WEIBULL.quantile(share, self.scale, self.shape))
        with np.errstate(divide="ignore"):
            for name, by in (("age_raw", raw), ("age", pooled), ("age_lower", high), ("age_upper", low)):
                table[name] = middle * by ** (-1 / self.shape)
        return table.sort_values("multiplier", ascending=False, kind="stable")
