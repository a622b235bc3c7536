"""A POD curve fitted to hits and misses, with its bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from kit.detection.hit_miss_curve import PodBySize
from kit.detection.hit_miss_profile import bands
from kit.detection.links import line_at, shares
from kit.detection.trials import Trials
from kit.numerics.typing import Floats


@dataclass(frozen=True)
class Options:
    """What a fit holds fixed.

    Parameters
    ----------
    link : str
        Form of the curve.
    plateau, false_calls : float or None
        As given; None to fit [-].
    common_slope : bool
        Whether all groups share one slope.
    """

    link: str
    plateau: float | None
    false_calls: float | None
    common_slope: bool


@dataclass(frozen=True, kw_only=True)
class LikelihoodRatio:
    """Whether more parameters explain the trials better than luck would.

    Parameters
    ----------
    statistic : float
        Twice the gain in log-likelihood [-].
    df : int
        Parameters more.
    p_value : float
        Chance of such a gain without a true difference [-].
    of : str
        What was compared.
    """

    statistic: float
    df: int
    p_value: float
    of: str


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class HitMissFit(PodBySize):
    """A fitted POD curve.

    Sizes are equivalent diameters in the unit of the trials [mm]. With several groups, `a50`, `a90` and
    `a90_95` are Series by group.

    Parameters
    ----------
    link : str
        Form of the curve.
    log_size : bool
        Whether the line is in the log of size.
    groups : tuple
        Names of the groups; one empty name where there are none.
    intercepts, slopes : ndarray
        Of the line, by group; one slope where it is common.
    plateau, false_calls : float
        POD of the largest damage and chance of a hit by luck, given or fitted [-].
    spread : float
        Standard deviation of inspectors on the line; 0 where none was fitted [-].
    covariance : ndarray
        Of intercepts, slopes, and where fitted log odds of plateau, log odds of false calls, log spread.
    log_likelihood, deviance : float
        At the maximum [-].
    n_trials, n_hits : float
        Counts.
    cautions : tuple of str
        What the reader must know.
    data : Trials
        The trials.
    options : Options
        What was held fixed.
    fitted : tuple of str
        Which of plateau, false_calls and spread are fitted, in that order.
    """

    link: str
    log_size: bool
    groups: tuple
    intercepts: Floats
    slopes: Floats
    plateau: float
    false_calls: float
    spread: float
    covariance: Floats
    log_likelihood: float
    deviance: float
    n_trials: float
    n_hits: float
    cautions: tuple[str, ...]
    data: Trials
    options: Options
    fitted: tuple[str, ...]
    _fit_again: Callable[[Trials, Options], HitMissFit] = field(repr=False)

    def __repr__(self) -> str:
        """Return one line."""
        head = f"HitMissFit({self.link}, {self.n_trials:g} trials, {self.n_hits:g} hits: "
        if len(self.groups) > 1:
            return head + f"{len(self.groups)} groups)"
        return head + f"a50 {self.a50:.3g}, a90 {self.a90:.3g}, a90/95 {self.a90_95():.3g} mm)"

    def standard_error(self, name: str, *, group=None) -> float:
        """Return the standard error of a parameter.

        Parameters
        ----------
        name : str
            ``intercept``, ``slope``, ``plateau``, ``false_calls``, ``spread``, ``a50`` or ``a90``.
        group : str, optional
            Which group.

        Returns
        -------
        float
            In the unit of the parameter; nan for what was given and not fitted.

        Raises
        ------
        ValueError
            If the name is unknown.
        """
        error = np.sqrt(np.diag(self.covariance))
        if name in ("plateau", "false_calls", "spread"):
            if name not in self.fitted:
                return float("nan")
            of_scale = float(error[len(self.groups) + self.slopes.size + self.fitted.index(name)])
            value = getattr(self, name)
            return of_scale * value * (1.0 if name == "spread" else 1 - value)
        g = self._group(group)
        if name in ("intercept", "slope"):
            return float(error[g if name == "intercept" else self._slope_column(g)])
        if name not in ("a50", "a90"):
            raise ValueError(
                f"`name` must be one of intercept, slope, plateau, false_calls, spread, a50, a90. Got {name!r}."
            )
        return self._size_error(g, name)

    def _size_error(self, g: int, name: str) -> float:
        slope_at = self._slope_column(g)
        slope = self.slopes[slope_at - len(self.groups)]
        wanted = 0.5 if name == "a50" else 0.9 / self.plateau
        if wanted >= 1 or slope <= 0:
            return float("nan")
        at = float(line_at(self.link, wanted))
        x = (at - self.intercepts[g]) / slope
        grad = np.zeros(self.covariance.shape[0])
        grad[g], grad[slope_at] = -1 / slope, -x / slope
        if "plateau" in self.fitted and name == "a90":
            first = float(shares(self.link, np.array(at)).first)
            grad[len(self.groups) + self.slopes.size] = -wanted * (1 - self.plateau) / first / slope
        error = float(np.sqrt(grad @ self.covariance @ grad))
        return error * (self._back(x) if self.log_size else 1.0)

    @property
    def a50_spread(self) -> float:
        """Standard deviation of inspectors in log a50, or in a50 where size enters as it is [-] or [mm]."""
        return self.spread / float(self.slopes[0]) if self.slopes.size == 1 else float("nan")

    def _against(self, other: HitMissFit, df: int, of: str, *, at_bound: bool = False) -> LikelihoodRatio:
        gain = max(2 * (self.log_likelihood - other.log_likelihood), 0.0)
        p = float(chdtrc(df, gain)) if gain > 0 else 1.0
        return LikelihoodRatio(statistic=gain, df=df, p_value=p / 2 if at_bound and gain > 0 else p, of=of)

    def _refit(self, data: Trials, **options) -> HitMissFit:
        return self._fit_again(data, replace(self.options, **options))

    def test_groups(self) -> LikelihoodRatio:
        """Test whether the groups differ in a50.

        Returns
        -------
        LikelihoodRatio
            Own intercepts against one for all, both with a common slope.
        """
        n = len(self.groups)
        if n == 1:
            raise ValueError("`group` must name at least two groups to be tested. Got one.")
        one = replace(self.data, group=np.zeros_like(self.data.group), groups=("",))
        apart = self if self.options.common_slope else self._refit(self.data, common_slope=True)
        return apart._against(self._refit(one, common_slope=True), n - 1, "own intercepts against one")

    def test_own_slopes(self) -> LikelihoodRatio:
        """Test whether the groups differ in slope.

        Returns
        -------
        LikelihoodRatio
            Own slopes against a common one.
        """
        n = len(self.groups)
        if n == 1:
            raise ValueError("`group` must name at least two groups to be tested. Got one.")
        common = self if self.options.common_slope else self._refit(self.data, common_slope=True)
        own = self._refit(self.data, common_slope=False) if self.options.common_slope else self
        return own._against(common, n - 1, "own slopes against a common one")

    def test_inspectors(self) -> LikelihoodRatio:
        """Test whether inspectors differ.

        Returns
        -------
        LikelihoodRatio
            A spread against none; the p-value is halved, since no spread lies at the edge of what can be.
        """
        alike = self._refit(replace(self.data, inspector=None))
        return self._against(alike, 1, "spread between inspectors against none", at_bound=True)

    def observed_against_fitted(self, bins: int = 10) -> pd.DataFrame:
        """Compare hits with what the fit expects, in bands of fitted chance.

        Parameters
        ----------
        bins : int
            Number of bands with about equal trials.

        Returns
        -------
        DataFrame
            Columns size_from, size_to [mm], trials, hits, expected, observed_share, fitted_share, pearson;
            attrs statistic, df, p_value by chi-square with two bands fewer (rough below 5 expected).
        """
        return bands(self, bins)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a group.

        Returns
        -------
        DataFrame
            Columns group, trials, hits, intercept, slope, plateau, false_calls, spread, a50, a90, a90_95.
        """
        rows = []
        for g, name in enumerate(self.groups):
            own = self.data.group == g
            rows.append(
                {
                    "group": name,
                    "trials": float(self.data.count[own].sum()),
                    "hits": float(self.data.hit[own].sum()),
                    "intercept": float(self.intercepts[g]),
                    "slope": float(self.slopes[self._slope_column(g) - len(self.groups)]),
                    "plateau": self.plateau,
                    "false_calls": self.false_calls,
                    "spread": self.spread,
                    "a50": self.size_at(self.plateau / 2, group=name),
                    "a90": self.size_at(0.9, group=name),
                    "a90_95": self.a90_95(group=name),
                }
            )
        return pd.DataFrame(rows)
