"""Which POD curve readings on known damage support, where a reading counts as a hit above a threshold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, ndtr, ndtri

from kit.detection.curve import FittedPod, LinkedCurve
from kit.detection.demonstration import pod_bounds as share_bounds
from kit.numerics.confidence import likelihood_drop
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import maximise
from kit.numerics.profile import profile_limit
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class ResponseFit(FittedPod, Fit):
    """A POD curve from readings.

    Parameters
    ----------
    intercept, slope, sigma : float
        Of the reading, or its log, against the size, or its log; sigma is the scatter about the line.
    covariance : ndarray, shape (3, 3)
        Of intercept, slope and log sigma.
    threshold : float
        Reading from which on damage is called [unit of the readings].
    log_size, log_response : bool
        Whether logs are taken.
    log_likelihood : float
        At the maximum [-].
    n_rows, n_below, n_above : int
        Readings, and those known only to be below the noise or above saturation.
    false_calls, false_calls_upper : float
        Share of readings on sound skin above the threshold and its one-sided 95 % bound; nan where none were
        given [-].
    cautions : tuple of str
        What the reader must know.
    """

    intercept: float
    slope: float
    sigma: float
    covariance: Floats
    threshold: float
    log_size: bool
    log_response: bool
    log_likelihood: float
    n_rows: int
    n_below: int
    n_above: int
    false_calls: float
    false_calls_upper: float
    cautions: tuple[str, ...]
    _height_with: Callable[[str, float], float] = field(repr=False)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"ResponseFit({self.n_rows} readings, {self.n_below + self.n_above} censored, threshold {self.threshold:g}: "
            f"a50 {self.a50:.3g}, a90 {self.a90:.3g}, a90/95 {self.a90_95():.3g} mm)"
        )

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Line and scatter."""
        return (
            Parameter(name="intercept", value=self.intercept, scale="linear"),
            Parameter(name="slope", value=self.slope, scale="linear"),
            Parameter(name="sigma", value=self.sigma),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``intercept``, ``slope`` or ``sigma``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            As it is, or of the log of sigma.
        """
        parameter = self.parameter(name)
        drop = likelihood_drop(level)
        reach = self.standard_error(f"{parameter.scale}_{name}") * float(np.sqrt(2 * drop))
        # Distances are measured in units of the reach, whatever the unit of the readings is.
        low, high = (
            profile_limit(
                lambda x: self._height_with(name, float(parameter.back(parameter.place + x * reach))),
                0.0,
                top=self.log_likelihood,
                drop=drop,
                sign=sign,
                reach=1.0,
            )
            for sign in (-1.0, 1.0)
        )
        return parameter.place + low * reach, parameter.place + high * reach

    def _x(self, size: ArrayLike) -> Floats:
        a = np.asarray(size, np.float64)
        with np.errstate(divide="ignore"):
            return np.log(a) if self.log_size else a

    @property
    def _level(self) -> float:
        return float(np.log(self.threshold)) if self.log_response else self.threshold

    def _height(self, x: Floats) -> tuple[Floats, Floats]:
        """Height of the curve in standard deviations and its standard error."""
        u = (self.intercept + self.slope * x - self._level) / self.sigma
        grad = np.stack([np.full_like(x, 1 / self.sigma), x / self.sigma, -u], axis=-1)
        return u, np.sqrt(np.einsum("...p,pq,...q->...", grad, self.covariance, grad))

    def pod(self, size: ArrayLike) -> Floats:
        """POD at sizes.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].

        Returns
        -------
        ndarray of float
            Chances that a reading is above the threshold [-].
        """
        return ndtr((self.intercept + self.slope * self._x(size) - self._level) / self.sigma)

    def pod_bounds(
        self, size: ArrayLike, level: float = 0.95, *, one_sided: bool = False
    ) -> tuple[Floats, Floats]:
        """Wald bounds of the POD at sizes, each size by itself.

        Parameters
        ----------
        size : array_like of float
            Equivalent diameters [mm].
        level : float
            Confidence [-].
        one_sided : bool
            Whether each bound by itself has that confidence.

        Returns
        -------
        lower, upper : ndarray of float
            Chances [-].
        """
        if not 0 < level < 1:
            raise ValueError(f"`level` must be between 0 and 1. Got {level!r}.")
        u, error = self._height(self._x(size))
        z = ndtri(level if one_sided else (1 + level) / 2)
        return ndtr(u - z * error), ndtr(u + z * error)

    def size_at(self, pod: float) -> float:
        """Size at which the POD reaches a value.

        Parameters
        ----------
        pod : float
            Wanted POD [-].

        Returns
        -------
        float
            Equivalent diameter [mm]; nan where readings fall with size.
        """
        if self.slope <= 0:
            return float("nan")
        x = (self._level - self.intercept + self.sigma * float(ndtri(pod))) / self.slope
        return float(np.exp(x)) if self.log_size else x

    @property
    def a50(self) -> float:
        """Size found half the time [mm]: there is no plateau, so that it is the size with POD 0.50 as well."""
        return self.size_at(0.5)

    @property
    def a90(self) -> float:
        """Size with POD 0.90 [mm]."""
        return self.size_at(0.9)

    def a90_95(self, method: str = "delta", *, level: float = 0.95, pod: float = 0.9) -> float:
        """Size that has POD 0.90 with confidence 0.95.

        Parameters
        ----------
        method : str
            ``delta``: a90 and its standard error, in log size where size enters as its log.
        level : float
            One-sided confidence [-].
        pod : float
            POD [-].

        Returns
        -------
        float
            Equivalent diameter [mm].

        Raises
        ------
        ValueError
            If `method` is unknown.
        """
        if method != "delta":
            raise ValueError(f"`method` must be delta. Got {method!r}.")
        at = self.size_at(pod)
        if not np.isfinite(at):
            return at
        x = float(self._x(at))
        grad = np.array([-1.0, -x, self.sigma * float(ndtri(pod))]) / self.slope
        x += float(ndtri(level)) * float(np.sqrt(grad @ self.covariance @ grad))
        return float(np.exp(x)) if self.log_size else x

    def curve(self, *, far_side_share: float = 0.0, far_side_plateau: float = 0.0) -> LinkedCurve:
        """Return the fit as a curve for life fits and risks.

        Parameters
        ----------
        far_side_share, far_side_plateau : float
            Share of damage on the side that is not tapped and its plateau; the readings do not tell [-].

        Returns
        -------
        LinkedCurve
            A probit curve.
        """
        return LinkedCurve(
            self.a50,
            self.slope / self.sigma,
            1.0,
            far_side_share,
            far_side_plateau,
            "trial",
            "probit",
            self.log_size,
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row.

        Returns
        -------
        DataFrame
            Columns readings, below, above, threshold, intercept, slope, sigma, a50, a90, a90_95, false_calls,
            false_calls_upper.
        """
        return pd.DataFrame(
            [
                {
                    "readings": self.n_rows,
                    "below": self.n_below,
                    "above": self.n_above,
                    "threshold": self.threshold,
                    "intercept": self.intercept,
                    "slope": self.slope,
                    "sigma": self.sigma,
                    "a50": self.a50,
                    "a90": self.a90,
                    "a90_95": self.a90_95(),
                    "false_calls": self.false_calls,
                    "false_calls_upper": self.false_calls_upper,
                }
            ]
        )


def fit_response(
    size: ArrayLike,
    response: ArrayLike,
    *,
    threshold: float,
    noise: float | None = None,
    saturation: float | None = None,
    blanks: ArrayLike | None = None,
    log_size: bool = True,
    log_response: bool = True,
) -> ResponseFit:
    r"""Fit a POD curve to readings on known damage, such as contact-time ratios.

    Parameters
    ----------
    size : array_like of float, shape (n,)
        Equivalent diameter of each damage [mm].
    response : array_like of float, shape (n,)
        Reading on it, such as its contact time over that of sound skin [own unit].
    threshold : float
        Reading from which on damage is called [unit of the readings].
    noise, saturation : float, optional
        Readings at or below the noise, or at or above saturation, are known only to be there.
    blanks : array_like of float, optional
        Readings on sound skin, for false calls.
    log_size, log_response : bool
        Whether logs are taken.

    Returns
    -------
    ResponseFit
        The curve with its bounds.

    Raises
    ------
    ValueError
        If lengths differ or a value is out of range.
    NoFiniteMaximum
        If fewer than three readings of two sizes are measured, or they lie on a line without scatter.

    Notes
    -----
    :math:`y = b_0 + b_1 x + \sigma z` with y the log reading, x the log size, z standard normal;
    :math:`\mathrm{POD}(a) = \Phi((b_0 + b_1 x - y_\mathrm{threshold})/\sigma)`. By maximum likelihood with
    censored readings, in the form in which the likelihood has a single top [1]_. The scatter must be even
    along the line; look at it. A ratio has its floor at 1, so take `noise` a little above 1, or the ratio
    less 1 as the reading.

    References
    ----------
    .. [1] R. J. Olsen, "Note on the uniqueness of the maximum likelihood estimator for the Tobit model,"
       *Econometrica* 46, 1978, 1211-1215.

    Examples
    --------
    >>> fit_response([8, 10, 14, 20, 28, 40], [1.1, 1.25, 1.4, 1.9, 2.2, 3.4], threshold=1.5)
    ResponseFit(6 readings, 0 censored, threshold 1.5: a50 13.8, a90 15.7, a90/95 17.3 mm)
    """
    a, r = (np.atleast_1d(np.asarray(v, np.float64)) for v in (size, response))
    if a.shape != r.shape:
        raise ValueError(
            f"`response` must have one value for each size. Got {r.size} values and {a.size} sizes."
        )
    for name, values, log in (("size", a, log_size), ("response", r, log_response)):
        good = np.isfinite(values) & ((values > 0) | (not log))
        if not good.all():
            first = np.flatnonzero(~good)[0]
            raise ValueError(
                f"`{name}` must be {'positive and ' if log else ''}finite. {(~good).sum()} of {good.size} rows are not, "
                f"first row {first} ({values[first]:g})."
            )
    for name, value in (("threshold", threshold), ("noise", noise), ("saturation", saturation)):
        if value is not None and not (np.isfinite(value) and (value > 0 or not log_response)):
            raise ValueError(
                f"`{name}` must be {'positive and ' if log_response else ''}finite. Got {value!r}."
            )
    if (noise is not None and threshold < noise) or (saturation is not None and threshold > saturation):
        raise ValueError(
            f"`threshold` must lie between noise and saturation, where readings are distinguishable. Got {threshold!r}."
        )
    scale = np.log if log_response else np.asarray
    below = np.zeros(r.size, bool) if noise is None else r <= noise
    above = np.zeros(r.size, bool) if saturation is None else r >= saturation
    y = scale(np.clip(r, noise, saturation) if noise is not None or saturation is not None else r)
    x = np.log(a) if log_size else a
    seen = ~(below | above)
    if seen.sum() < 3 or np.unique(x[seen]).size < 2:
        raise NoFiniteMaximum(
            f"No fit: {seen.sum()} readings of {np.unique(x[seen]).size} sizes are measured and not censored; three readings "
            "of two sizes are needed. What can be had: count hits and misses at the threshold and use `fit_hit_miss`."
        )
    x_mid, x_unit, y_mid = float(x[seen].mean()), float(x[seen].std()), float(y[seen].mean())
    design = np.column_stack([np.ones_like(x), (x - x_mid) / x_unit])
    start = np.linalg.lstsq(design[seen], y[seen] - y_mid, rcond=None)[0]
    scatter = float(np.std(y[seen] - y_mid - design[seen] @ start))
    if scatter < 1e-9 * max(float(np.std(y[seen])), 1e-300):
        raise NoFiniteMaximum(
            "No fit: the readings lie on a line without scatter, so the likelihood has no finite maximum. What can be had: "
            "a trial with repeated readings on each damage."
        )
    z = (y - y_mid) / scatter  # readings in units of their scatter

    def surface(point: Floats):
        if point[2] <= 0:
            return -np.inf, np.zeros(3), -np.eye(3)
        u = point[2] * z - design @ point[:2]
        v = np.where(above, -u, u)
        tail = log_ndtr(v)
        hazard = np.exp(-0.5 * v * v - 0.5 * np.log(2 * np.pi) - tail)
        value = np.where(seen, np.log(point[2]) - 0.5 * u * u, tail)
        first = np.where(seen, -u, np.where(above, -hazard, hazard))
        second = np.where(seen, -1.0, -hazard * (v + hazard))
        by = np.column_stack([-design, z])
        grad, hess = first @ by, by.T @ (second[:, None] * by)
        grad[2] += seen.sum() / point[2]
        hess[2, 2] -= seen.sum() / point[2] ** 2
        return float(value.sum()), grad, hess

    top = maximise(surface, np.r_[start / scatter, 1.0], lambda point: 1 / np.maximum(1.0, np.abs(point) / 2))
    if top.flat is not None:
        raise NoFiniteMaximum(
            "No fit: the likelihood of the readings has no finite maximum. What can be had: count hits and misses at the "
            "threshold and use `fit_hit_miss`."
        )
    d0, d1, gamma = top.point
    sigma = scatter / gamma
    slope = d1 * sigma / x_unit
    intercept = y_mid + d0 * sigma - slope * x_mid

    unit = np.log(scatter) + 0.5 * np.log(2 * np.pi)

    def height_with(name: str, held: float) -> float:
        """Log-likelihood with one parameter held, highest over the others: on a plane of the search."""
        plane, offset = np.zeros((3, 2)), np.zeros(3)
        if name == "sigma":
            plane[0, 0] = plane[1, 1] = 1.0
            offset[2] = scatter / held
        else:
            plane[2, 1] = 1.0
            if name == "slope":
                plane[0, 0], plane[1, 1] = 1.0, held * x_unit / scatter
            else:
                plane[1, 0], plane[0] = 1.0, [x_mid / x_unit, (held - y_mid) / scatter]

        def rest(q: Floats) -> tuple[float, Floats, Floats]:
            value, grad, hess = surface(offset + plane @ q)
            return value, grad @ plane, plane.T @ hess @ plane

        begin = np.linalg.lstsq(plane, top.point - offset, rcond=None)[0]
        found = maximise(rest, begin, lambda q: 1 / np.maximum(1.0, np.abs(q) / 2), polished=False)
        return found.value - seen.sum() * unit

    # Derivatives of (intercept, slope, log sigma) by the parameters of the search.
    by_slope = np.array([0.0, sigma / x_unit, -slope / gamma])
    jacobian = np.stack(
        [np.array([sigma, 0.0, -d0 * sigma / gamma]) - x_mid * by_slope, by_slope, [0.0, 0.0, -1 / gamma]]
    )
    cautions = ["readings are taken as independent: several on one damage count each time"]
    if slope <= 0:
        cautions.append("readings fall with size: see whether columns are exchanged; no a50 or a90 is given")
    calls = upper = float("nan")
    if blanks is not None:
        sound = np.atleast_1d(np.asarray(blanks, np.float64))
        called = int((sound >= threshold).sum())
        calls = called / sound.size
        upper = float(share_bounds(called, sound.size, 0.95, one_sided=True)[1])
    return ResponseFit(
        intercept=float(intercept),
        slope=float(slope),
        sigma=float(sigma),
        covariance=jacobian @ np.linalg.inv(-top.hessian) @ jacobian.T,
        threshold=float(threshold),
        log_size=log_size,
        log_response=log_response,
        log_likelihood=float(top.value - seen.sum() * unit),
        n_rows=int(r.size),
        n_below=int(below.sum()),
        n_above=int(above.sum()),
        false_calls=calls,
        false_calls_upper=upper,
        cautions=tuple(cautions),
        _height_with=height_with,
    )
