"""How a fitted line gives the POD at a size and the size of a POD, with bounds."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import expit, ndtri

from kit.detection.curve import FittedPod, LinkedCurve
from kit.detection.hit_miss_profile import profile_excess
from kit.detection.links import line_at, shares
from kit.detection.trials import Trials
from kit.numerics.quadrature import normal_nodes
from kit.numerics.refusals import NoProfileLimit
from kit.numerics.typing import Floats

_NODES = 24
_MOST_STEPS = 200  # each half as long again as the last: more than any trial needs
_FARTHEST = 100.0  # times the largest size of the trial: a bound beyond it counts as infinite
WHO = ("average", "population")
"""Whose POD: that of the average inspector, or the mean over inspectors."""


class PodBySize(FittedPod):
    """What a fit of hits and misses says of the POD by size; `HitMissFit` holds the numbers."""

    link: str
    log_size: bool
    groups: tuple
    intercepts: Floats
    slopes: Floats
    plateau: float
    spread: float
    covariance: Floats
    data: Trials
    fitted: tuple[str, ...]

    def _group(self, group) -> int:
        if group is None:
            if len(self.groups) > 1:
                raise ValueError(
                    f"`group` must be one of {', '.join(map(str, self.groups))}. Got None with several groups."
                )
            return 0
        if group not in self.groups:
            raise ValueError(f"`group` must be one of {', '.join(map(str, self.groups))}. Got {group!r}.")
        return self.groups.index(group)

    def _slope_column(self, g: int) -> int:
        return len(self.groups) + (g if self.slopes.size > 1 else 0)

    def _x(self, size: ArrayLike) -> Floats:
        a = np.asarray(size, np.float64)
        with np.errstate(divide="ignore"):
            return np.log(a) if self.log_size else a

    def _back(self, x: float) -> float:
        return float(np.exp(x)) if self.log_size else float(x)

    def _line(self, x: Floats, g: int) -> Floats:
        return self.intercepts[g] + self.slopes[self._slope_column(g) - len(self.groups)] * x

    def _height(self, x: Floats, g: int, who: str) -> tuple[Floats, Floats, Floats]:
        """Height of the curve on the scale of its bounds, its gradient by the parameters, and by x.

        That scale is the link where the plateau is given and one inspector is meant, else the log odds.
        """
        x = np.atleast_1d(np.asarray(x, np.float64))
        grad = np.zeros((x.size, self.covariance.shape[0]))
        slope_at, line = self._slope_column(g), self._line(x, g)
        slope = self.slopes[slope_at - len(self.groups)]
        spread = self.spread if who == "population" else 0.0
        if "plateau" not in self.fitted and spread == 0:
            grad[:, g], grad[:, slope_at] = 1.0, x
            return line, grad, np.full(x.size, slope)
        z, weight = normal_nodes(_NODES) if spread else (np.zeros(1), np.ones(1))
        share, _, first, _ = shares(self.link, line[:, None] + spread * z)
        rate = self.plateau * (first @ weight)
        pod = self.plateau * (share @ weight)
        grad[:, g], grad[:, slope_at] = rate, rate * x
        column = len(self.groups) + self.slopes.size
        for name in self.fitted:
            if name == "plateau":
                grad[:, column] = pod * (1 - self.plateau)
            elif name == "spread" and spread:
                grad[:, column] = self.plateau * (first * spread * z) @ weight
            column += 1
        with np.errstate(divide="ignore", invalid="ignore"):
            odds = pod * (1 - pod)
            return np.log(pod) - np.log1p(-pod), grad / odds[:, None], rate * slope / odds

    def _error(self, grad: Floats) -> Floats:
        return np.sqrt(np.maximum(np.einsum("np,pq,nq->n", grad, self.covariance, grad), 0.0))

    def _pod_height(self, pod: float, who: str) -> float:
        if "plateau" not in self.fitted and not (who == "population" and self.spread):
            return float(line_at(self.link, pod / self.plateau))
        return float(np.log(pod / (1 - pod)))

    def _who(self, inspector: str) -> str:
        if inspector not in WHO:
            raise ValueError(f"`inspector` must be one of {', '.join(WHO)}. Got {inspector!r}.")
        return inspector

    def pod(self, size: ArrayLike, *, group=None, inspector: str = "average") -> Floats:
        """POD at sizes, without hits by luck.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].
        group : str, optional
            Which group; needed where there are several.
        inspector : str
            ``average`` inspector, or mean of the ``population`` of them.

        Returns
        -------
        ndarray of float
            Chances [-].
        """
        line = self._line(self._x(size), self._group(group))
        if self._who(inspector) == "population" and self.spread:
            z, weight = normal_nodes(_NODES)
            return self.plateau * (shares(self.link, line[..., None] + self.spread * z).share @ weight)
        return np.where(np.isneginf(line), 0.0, self.plateau * shares(self.link, line).share)

    def pod_bounds(
        self,
        size: ArrayLike,
        level: float = 0.95,
        *,
        group=None,
        one_sided: bool = False,
        inspector: str = "average",
    ) -> tuple[Floats, Floats]:
        """Wald bounds of the POD at sizes, each size by itself.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].
        level : float
            Confidence [-].
        group : str, optional
            Which group.
        one_sided : bool
            Whether each bound by itself has that confidence.
        inspector : str
            ``average`` or ``population``.

        Returns
        -------
        lower, upper : ndarray of float
            Chances [-].
        """
        g, x = self._group(group), self._x(size)
        height, grad, _ = self._height(x.ravel(), g, self._who(inspector))
        z = _normal(level, one_sided)
        on_link = "plateau" not in self.fitted and not (inspector == "population" and self.spread)
        out = []
        for sign in (-1, 1):
            bound = height + sign * z * self._error(grad)
            share = self.plateau * shares(self.link, bound).share if on_link else expit(bound)
            out.append(share.reshape(x.shape))
        return out[0], out[1]

    def size_at(self, pod: float, *, group=None, inspector: str = "average") -> float:
        """Size at which the POD reaches a value.

        Parameters
        ----------
        pod : float
            Wanted POD [-].
        group : str, optional
            Which group.
        inspector : str
            ``average`` or ``population``.

        Returns
        -------
        float
            Equivalent diameter [mm]; infinite where the plateau is not above `pod`, nan where the chance
            falls with size.
        """
        g = self._group(group)
        slope = self.slopes[self._slope_column(g) - len(self.groups)]
        if slope <= 0:
            return float("nan")
        if pod >= self.plateau:
            return float("inf")
        if self._who(inspector) == "population" and self.spread:
            return self.curve(group=group, inspector=inspector).size_at(pod)
        return self._back((float(line_at(self.link, pod / self.plateau)) - self.intercepts[g]) / slope)

    def _by_group(self, value):
        if len(self.groups) == 1:
            return value(self.groups[0])
        return pd.Series([value(group) for group in self.groups], index=pd.Index(self.groups, name="group"))

    @property
    def a50(self) -> float | pd.Series:
        """Size found half as often as the plateau [mm]; `pod50` has POD 0.50."""
        return self._by_group(lambda group: self.size_at(self.plateau / 2, group=group))

    @property
    def pod50(self) -> float | pd.Series:
        """Size with POD 0.50 [mm], which is `a50` where the plateau is 1; infinite if the plateau does not reach it."""
        return self._by_group(lambda group: self.size_at(0.5, group=group))

    @property
    def a90(self) -> float | pd.Series:
        """Size with POD 0.90 [mm]; infinite if the plateau does not reach it."""
        return self._by_group(lambda group: self.size_at(0.9, group=group))

    def a90_95(
        self,
        method: str = "wald",
        *,
        level: float = 0.95,
        pod: float = 0.9,
        group=None,
        inspector: str = "average",
    ) -> float | pd.Series:
        """Size that has POD 0.90 with confidence 0.95.

        Parameters
        ----------
        method : str
            ``wald``: where the lower bound of the curve reaches the POD; ``delta``: a90 and its standard
            error; ``likelihood`` or ``profile``: likelihood ratio.
        level : float
            One-sided confidence [-].
        pod : float
            POD [-].
        group : str, optional
            Which group; default all of them.
        inspector : str
            ``average`` or ``population``.

        Returns
        -------
        float or Series
            Equivalent diameter [mm]; infinite where the trials do not prove it at any size up to a hundred
            times their largest. Beyond the largest it is extrapolated.

        Raises
        ------
        ValueError
            If `method` is unknown, or is the likelihood ratio for the population of inspectors.
        """
        if method not in ("wald", "delta", "likelihood", "profile"):
            raise ValueError(f"`method` must be one of wald, delta, likelihood, profile. Got {method!r}.")
        if group is None and len(self.groups) > 1:
            return self._by_group(
                lambda name: self.a90_95(method, level=level, pod=pod, group=name, inspector=inspector)
            )
        g, z = self._group(group), _normal(level, True)
        at = self.size_at(pod, group=group, inspector=inspector)
        if not np.isfinite(at):
            return at
        x, wanted = float(self._x(at)), self._pod_height(pod, inspector)
        if method == "delta":
            _, grad, rate = self._height(x, g, inspector)
            return self._back(x + z * float(self._error(grad)[0] / rate[0]))
        if method == "wald":

            def excess(to: float) -> float:
                height, grad, _ = self._height(to, g, inspector)
                return float(height[0] - z * self._error(grad)[0]) - wanted

        else:
            if inspector == "population" and self.spread:
                raise ValueError(
                    "`method` must be wald or delta for the population of inspectors. Got " + f"{method!r}."
                )
            excess = profile_excess(self, g, pod, z)
        return self._back(self._crossing(excess, x))

    def _crossing(self, excess, x: float) -> float:
        """First x above a place where an excess becomes positive; infinite if there is none."""
        step = 0.02 if self.log_size else 0.02 * float(np.std(self.data.size))
        low, end = x, float(self._x(_FARTHEST * self.data.size.max()))
        for _ in range(_MOST_STEPS):
            if not low < end:
                return float("inf")
            high = min(low + step, end)
            if excess(high) >= 0:
                return float(brentq(excess, low, high, xtol=1e-13, rtol=1e-13))
            low, step = high, step * 1.5
        raise NoProfileLimit(
            f"No bound: the search from {x:.4g} on did not reach {end:.4g} in {_MOST_STEPS} steps. Sizes of the trial must differ."
        )

    def curve(
        self,
        *,
        group=None,
        inspector: str = "average",
        far_side_share: float = 0.0,
        far_side_plateau: float = 0.0,
    ) -> LinkedCurve:
        """Return the fit as a curve for life fits and risks.

        Parameters
        ----------
        group : str, optional
            Which group.
        inspector : str
            ``average`` or ``population``.
        far_side_share, far_side_plateau : float
            Share of damage on the side that is not tapped and its plateau; the trials do not tell [-].

        Returns
        -------
        LinkedCurve
            To be given with growth to `SizeDetection`, or to `interval_risk`.
        """
        g = self._group(group)
        return LinkedCurve(
            self.size_at(self.plateau / 2, group=group),
            float(self.slopes[self._slope_column(g) - len(self.groups)]),
            self.plateau,
            far_side_share,
            far_side_plateau,
            "trial",
            self.link,
            self.log_size,
            self.spread if self._who(inspector) == "population" else 0.0,
        )


def _normal(level: float, one_sided: bool) -> float:
    if not 0 < level < 1:
        raise ValueError(f"`level` must be between 0 and 1. Got {level!r}.")
    return float(ndtri(level if one_sided else (1 + level) / 2))
