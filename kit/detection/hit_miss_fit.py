"""A POD curve fitted to hits and misses, with its bounds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from kit.detection.hit_miss_curve import PodBySize
from kit.detection.hit_miss_profile import bands, whole_surface
from kit.detection.links import line_at, shares
from kit.detection.trials import Trials
from kit.numerics.confidence import likelihood_drop
from kit.numerics.fit import Fit, Parameter
from kit.numerics.profile import held_limits
from kit.numerics.typing import Floats
from kit.numerics.words import in_words, number, percent


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

    def words(self) -> str:
        """Say in a sentence whether there is a difference.

        Returns
        -------
        str
            Markdown, the p-value never as 0.
        """
        p = "p < 0.001" if self.p_value < 0.001 else f"p = {self.p_value:.3f}"
        verdict = "a difference is shown" if self.p_value <= 0.05 else "no difference is shown"
        return f"{self.of[:1].upper()}{self.of[1:]}: {verdict} (likelihood ratio {self.statistic:.1f}, {p})."


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class HitMissFit(PodBySize, Fit):
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
        half = "a50" if self.plateau == 1 else "a50 (half of the plateau)"
        return head + f"{half} {self.a50:.3g}, a90 {self.a90:.3g}, a90/95 {self.a90_95():.3g} mm)"

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Intercepts and slopes, with the name of their group where there are several; plateau, false calls and spread."""
        lines = [
            Parameter(name=self._line_name(name, g), value=float(value), unit=unit, scale="linear")
            for name, values, unit in (
                ("intercept", self.intercepts, "-"),
                ("slope", self.slopes, "-" if self.log_size else "per mm"),
            )
            for g, value in enumerate(values)
        ]
        shares = [
            Parameter(
                name=name,
                value=getattr(self, name),
                scale="log" if name == "spread" else "logit",
                is_given=name not in self.fitted,
            )
            for name in ("plateau", "false_calls", "spread")
        ]
        return (*lines, *shares)

    def _line_name(self, name: str, g: int) -> str:
        alone = len(self.groups) == 1 or (name == "slope" and self.slopes.size == 1)
        return name if alone else f"{name}[{self.groups[g]}]"

    def _named(self, name: str, group) -> str:
        """Full name of a parameter: that of a line may go by its group."""
        if name not in ("intercept", "slope"):
            return name
        if name == "slope" and self.slopes.size == 1:
            return name
        return self._line_name(name, self._group(group))

    def standard_error(self, name: str, *, group=None, method: str = "wald") -> float:
        """Return the standard error of a parameter.

        Parameters
        ----------
        name : str
            Name of a parameter, or ``a50`` or ``a90``; ``intercept`` and ``slope`` go with `group` too.
        group : str, optional
            Which group.
        method : str
            ``wald``.

        Returns
        -------
        float
            In the unit of the parameter; nan for what was given and not fitted.

        Raises
        ------
        ValueError
            If the name is unknown.
        """
        if name in ("a50", "a90"):
            return self._size_error(self._group(group), name)
        return super().standard_error(self._named(name, group), method=method)

    def bounds(
        self, name: str, *, group=None, level: float = 0.95, method: str = "profile"
    ) -> tuple[float, float]:
        """Two-sided bounds of a parameter; `a90_95` has those of a size.

        Parameters
        ----------
        name : str
            Name of a parameter; ``intercept`` and ``slope`` go with `group` too.
        group : str, optional
            Which group.
        level : float
            Confidence [-].
        method : str
            ``profile`` (likelihood ratio) or ``wald`` (normal, shares by their log odds).

        Returns
        -------
        tuple of float
            Lower and upper bound; nan for a parameter that was given.

        Raises
        ------
        NoProfileLimit
            If the likelihood cannot be worked out on the way to a profile bound.
        ValueError
            If the name, method or level is unknown.
        """
        return super().bounds(self._named(name, group), level=level, method=method)

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            Name of a parameter that was fitted.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            On the scale of the covariance; infinite where the likelihood does not bound that side.
        """
        fitted = [parameter for parameter in self.parameters if not parameter.is_given]
        at = [parameter.name for parameter in fitted].index(name)
        best = np.array([parameter.place for parameter in fitted])
        return held_limits(
            whole_surface(self), best, at, drop=likelihood_drop(level), covariance=self.covariance
        )

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

    def words(self, *, group: object = None, level: float = 0.95) -> str:
        """Say in a sentence which damage is found nine times in ten, or that the trial shows this at no size.

        Parameters
        ----------
        group : object, optional
            Which group; default the only one.
        level : float
            One-sided confidence [-].

        Returns
        -------
        str
            Markdown.

        Raises
        ------
        ValueError
            If there are several groups and none is named.
        """
        if group is None:
            if len(self.groups) > 1:
                raise ValueError(f"`group` must be one of {', '.join(map(str, self.groups))}. Got none.")
            group = self.groups[0]
        name = in_words(str(group)) or "The method"
        row = self.to_frame().set_index("group").loc[group]
        half = (
            f"a50 (size found half as often as the plateau) is {number(row['a50'])} mm, the plateau "
            f"{row['plateau']:.2f}, from {row['trials']:.0f} looks with {row['hits']:.0f} hits"
        )
        if not np.isfinite(row["a90"]):
            return (
                f"**{name}: by this trial nine in ten are found at no size**: {half}. So there is no a90, and an interval that needs "
                "one has no ground here: a trial with more large damage would tell whether the plateau is truly so low."
            )
        bound = self.a90_95(group=group, level=level)
        proof = (
            f"**{number(bound)} mm** with {percent(level)} confidence (a90/95)"
            if np.isfinite(bound)
            else f"**with {percent(level)} confidence at no size**: a90/95 is never reached, and more trials with large damage are needed"
        )
        return (
            f"{name} finds nine in ten of tapped damages of {number(row['a90'])} mm (a90), {proof}; {half}."
        )

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
            Columns group, trials, hits, intercept, slope, plateau, false_calls, spread, a50 (size found half as often
            as the plateau), a90, a90_95.
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
