"""Whether events come more or less often with age: a power law, and tests for a trend."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtri, ndtr

from kit.numerics.confidence import check_level, likelihood_drop
from kit.numerics.covariance import inverse_information
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import maximise
from kit.numerics.profile import held_limits
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_ENDS = ("time", "event")

Bends = tuple[float, float, float]
"""A value with its first and second derivative."""


@dataclass(frozen=True, eq=False)
class _Surface:
    """Log-likelihood by the logs of the shape and of the events that one unit expects up to the age `top`."""

    n: float
    top: float
    events: Callable[[float], Bends]  # what the ages of the events say of the shape, up to a constant
    watched: Callable[[float], Bends]  # events expected over all watches, for one up to `top`

    def __call__(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Value, gradient and Hessian."""
        shape, mean = np.exp(point)
        e, e1, e2 = self.events(float(shape))
        w, w1, w2 = (mean * part for part in self.watched(float(shape)))
        by_shape = shape * (e1 - w1)
        hess = np.array([[by_shape + shape**2 * (e2 - w2), -shape * w1], [-shape * w1, -w]])
        return float(self.n * point[1] + e - w), np.array([by_shape, self.n - w]), hess

    def by_rate(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Return the same by the logs of the shape and of the rate."""
        slope = float(np.exp(point[0]) * np.log(self.top))
        value, grad, hess = self(np.array([point[0], point[1] + slope]))
        turn = np.array([[1.0, 0.0], [slope, 1.0]])
        return value, grad @ turn, turn.T @ hess @ turn + np.diag([grad[1] * slope, 0.0])

    def highest(self, begin: float) -> tuple[float, float, Floats]:
        """Return shape and rate at the maximum, and the covariance of their logs."""
        best = maximise(self, np.log([begin, self.n / self.watched(begin)[0]]))
        shape, mean = np.exp(best.point)
        back = np.array([[1.0, 0.0], [-shape * np.log(self.top), 1.0]])
        covariance = back @ inverse_information(best.hessian) @ back.T
        return float(shape), float(mean / self.top**shape), covariance


def _powers(share: Floats, shape: float) -> tuple[Floats, Floats, Floats]:
    """Powers of shares in [0, 1] of an age, with their derivatives by the shape."""
    log = np.log(np.where(share > 0, share, 1.0))
    power = np.where(share > 0, share**shape, 0.0)
    return power, power * log, power * log**2


@dataclass(frozen=True, eq=False, kw_only=True)
class PowerLawFit(Fit):
    r"""Events that come at the rate :math:`\lambda\beta t^{\beta-1}`.

    Parameters
    ----------
    shape : float
        Above 1, events come more often with age [-].
    rate : float
        Expected events up to age 1 [1/clock unit to the power `shape`].
    n_events, n_units : int
        What it was fitted to.
    end : float
        Age at which the watch of the unit with the longest one ended [clock units].
    truncated : str
        ``time`` or ``event``: what ended the watch.
    log_likelihood : float
        At the maximum [-].
    times : ndarray, shape (n_events,)
        Ages of the events over the end of their unit's watch; empty for grouped counts [-].
    covariance : ndarray, shape (2, 2)
        Of (log shape, log rate), from the observed information.
    has_one_end : bool
        Whether the watch of all units ended at one age.
    """

    methods: ClassVar[tuple[str, ...]] = ("profile", "wald", "exact")

    shape: float
    rate: float
    n_events: int
    n_units: int
    end: float
    truncated: str
    log_likelihood: float
    times: Floats
    covariance: Floats = field(repr=False)
    has_one_end: bool = field(repr=False)
    _surface: _Surface = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters."""
        return f"PowerLawFit(shape={self.shape:.4g}, rate={self.rate:.4g}, events={self.n_events}, units={self.n_units})"

    @property
    def mtbf(self) -> float:
        """Mean time between events at the end of the watch, one over the rate then [clock units]."""
        return float(1.0 / self.intensity(self.end))

    @property
    def shape_unbiased(self) -> float:
        """Shape without the bias of few events: (n - 1)/n, or (n - 2)/n where an event ended the watch [-]."""
        less = 1 if self.truncated == "time" else 2
        return self.shape * (self.n_events - less) / self.n_events

    @property
    def rate_unbiased(self) -> float:
        """Rate that goes with `shape_unbiased` [1/clock unit to the power of it]."""
        return self.n_events / (self.n_units * self.end**self.shape_unbiased)

    @property
    def mtbf_unbiased(self) -> float:
        """Mean time between events at the end, with `shape_unbiased` [clock units]."""
        b = self.shape_unbiased
        return float(1.0 / (self.rate_unbiased * b * self.end ** (b - 1)))

    def intensity(self, age: ArrayLike) -> Floats:
        """Return the rate of events of one unit at an age.

        Parameters
        ----------
        age : array_like of float
            Ages above 0 [clock units].

        Returns
        -------
        ndarray of float
            Events per clock unit.
        """
        return self.rate * self.shape * np.asarray(age, np.float64) ** (self.shape - 1)

    def expected(self, age: ArrayLike) -> Floats:
        """Return the expected events of one unit up to an age.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].

        Returns
        -------
        ndarray of float
            Events [-].
        """
        return self.rate * np.asarray(age, np.float64) ** self.shape

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Shape and rate."""
        return (
            Parameter(name="shape", value=self.shape),
            Parameter(name="rate", value=self.rate, unit="per clock unit to the shape"),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``shape`` or ``rate``.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Of its log.
        """
        return held_limits(
            self._surface.by_rate,
            np.log([self.shape, self.rate]),
            0 if name == "shape" else 1,
            drop=likelihood_drop(level),
            covariance=self.covariance,
        )

    def bounds(self, name: str, *, level: float = 0.95, method: str = "profile") -> tuple[float, float]:
        r"""Two-sided bounds of a parameter.

        Parameters
        ----------
        name : str
            ``shape`` or ``rate``.
        level : float
            Confidence [-].
        method : str
            ``profile``, ``wald``, or for the shape ``exact``, which needs one end of watch common to all units.

        Returns
        -------
        tuple of float
            Lower and upper bound.

        Raises
        ------
        ValueError
            If a name, method or level is unknown, or no exact bounds can be had.

        Notes
        -----
        Exact: :math:`2 n \beta/\hat\beta` is chi-square with 2n degrees of freedom, 2(n - 1) where an event ended the
        watch.
        """
        if method != "exact":
            return super().bounds(name, level=level, method=method)
        check_level(level)
        if name != "shape" or not self.has_one_end:
            raise ValueError(
                "`method` exact is for the shape, where the watch of all units ended at one age and events have ages. "
                f"Got {name}{'' if self.has_one_end else ' with several ends or counts'}. Ask for method='profile'."
            )
        free = 2 * self.n_events - (0 if self.truncated == "time" else 2)
        low, high = (float(chdtri(free, p)) for p in ((1 + level) / 2, (1 - level) / 2))
        return self.shape * low / (2 * self.n_events), self.shape * high / (2 * self.n_events)

    def shape_bounds(self, level: float = 0.95) -> tuple[float, float]:
        """Return exact bounds of the shape by the name that they had before; it goes with the next release.

        Parameters
        ----------
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            What ``bounds("shape", method="exact")`` gives.
        """
        warnings.warn(
            'shape_bounds is now bounds("shape", level=..., method="exact"); the earlier name goes with the next release.',
            DeprecationWarning,
            stacklevel=2,
        )
        return self.bounds("shape", level=level, method="exact")

    def cramer_von_mises(self) -> float:
        """Distance of the events from the power law, with the unbiased shape; large is bad.

        Returns
        -------
        float
            The statistic; at about 0.2 or more a power law is doubtful (critical value at 10 % near 0.17 for
            many events: MIL-HDBK-189, from memory) [-].
        """
        if not self.times.size:
            raise ValueError(
                "Grouped counts have no ages of single events. Fit the ages, or compare expected counts."
            )
        m = self.times.size if self.truncated == "time" else self.times.size - 1
        u = np.sort(self.times)[:m] ** self.shape_unbiased
        return float(1 / (12 * m) + ((u - (2 * np.arange(1, m + 1) - 1) / (2 * m)) ** 2).sum())


def _ages(ages: ArrayLike | Sequence[ArrayLike], end: ArrayLike) -> tuple[list[Floats], Floats]:
    """One array of ages for each unit, and the ends of their watches."""
    ends = np.atleast_1d(np.asarray(end, np.float64))
    plain = ends.size == 1 and (not len(ages) or np.ndim(ages[0]) == 0)
    units = [np.asarray(ages, np.float64)] if plain else [np.asarray(one, np.float64) for one in ages]
    if len(units) != ends.size:
        raise ValueError(f"`end` must have one age for each unit. Got {ends.size} for {len(units)} units.")
    for one, stop in zip(units, ends, strict=True):
        if not (
            np.isfinite(stop)
            and stop > 0
            and np.isfinite(one).all()
            and (one > 0).all()
            and (one <= stop).all()
        ):
            raise ValueError(
                f"`ages` must lie above 0 and not beyond `end`. Got {one.tolist()!r} with end {stop:g}."
            )
    return [np.sort(one) for one in units], ends


def fit_power_law(
    ages: ArrayLike | Sequence[ArrayLike], end: ArrayLike, *, truncated: str = "time"
) -> PowerLawFit:
    r"""Fit a power-law process to the ages of events.

    Parameters
    ----------
    ages : array_like of float, or a sequence of them
        Ages of the events of one unit, or of each of several [clock units].
    end : float or array_like of float
        Age at which the watch of each unit ended [clock units].
    truncated : str
        ``time``: the watch ended at `end` of itself; ``event``: with its last event.

    Returns
    -------
    PowerLawFit
        The maximum of the likelihood.

    Raises
    ------
    NoFiniteMaximum
        If there is no event before the end of the watches.
    ValueError
        If an age is impossible.

    See Also
    --------
    trend_tests : Whether events come more often with age at all.

    Notes
    -----
    With one end T for all units, :math:`\hat\beta = n/\sum\log(T/t_i)` and
    :math:`\hat\lambda = n/(k T^{\hat\beta})`. With several ends the equation for :math:`\hat\beta` is solved by
    Newton's method.

    References
    ----------
    .. [1] L. H. Crow, "Reliability analysis for complex, repairable systems", in *Reliability and Biometry*.
       Philadelphia: SIAM, 1974, pp. 379-410.
    .. [2] MIL-HDBK-189, *Reliability Growth Management*, 1981, appendix C.

    Examples
    --------
    >>> fit_power_law([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], 1500)
    PowerLawFit(shape=0.5372, rate=0.1967, events=10, units=1)
    """
    if truncated not in _ENDS:
        raise ValueError(f"`truncated` must be one of {', '.join(_ENDS)}. Got {truncated!r}.")
    units, ends = _ages(ages, end)
    every = np.concatenate(units) if units else np.empty(0)
    stop = np.repeat(ends, [one.size for one in units])
    logs = np.log(every)
    if not (every < stop).any():
        raise NoFiniteMaximum(
            f"No fit: no event before the end of the watches ({every.size} in all), so the shape has no finite maximum. What can be "
            "had: a bound of a constant rate."
        )
    n, top = every.size, float(ends.max())
    summed, shares = float((logs - np.log(top)).sum()), ends / top

    def events(shape: float) -> Bends:
        return n * np.log(shape) + shape * summed, n / shape + summed, -n / shape**2

    def watched(shape: float) -> Bends:
        return tuple(float(part.sum()) for part in _powers(shares, shape))

    surface = _Surface(n, top, events, watched)
    shape, rate, covariance = surface.highest(n / float((np.log(stop) - logs).sum()))
    value = n * np.log(rate * shape) + (shape - 1) * float(logs.sum()) - n
    return PowerLawFit(
        shape=shape,
        rate=rate,
        n_events=n,
        n_units=len(units),
        end=top,
        truncated=truncated,
        log_likelihood=float(value),
        times=every / stop,
        covariance=covariance,
        has_one_end=bool((ends == top).all()),
        _surface=surface,
    )


def fit_power_law_grouped(edges: ArrayLike, counts: ArrayLike) -> PowerLawFit:
    r"""Fit a power-law process to counts of events between ages.

    Parameters
    ----------
    edges : array_like of float, shape (n + 1,)
        Ages between which events were counted, rising from 0 or above [clock units].
    counts : array_like of int, shape (n,)
        Events in each interval [-].

    Returns
    -------
    PowerLawFit
        The maximum; it has no ages of single events.

    Raises
    ------
    NoFiniteMaximum
        If all events lie in one interval that reaches an end of the range, or there is none.
    ValueError
        If the edges do not rise or a count is negative.

    Notes
    -----
    Counts are Poisson with means :math:`\lambda (b^\beta - a^\beta)`; :math:`\hat\lambda` is the number of all
    events over :math:`b_n^\beta - a_1^\beta`, and :math:`\hat\beta` solves the remaining equation.

    References
    ----------
    .. [1] MIL-HDBK-189, *Reliability Growth Management*, 1981, appendix C.
    """
    ends, number = np.asarray(edges, np.float64), np.asarray(counts, np.float64)
    if ends.size != number.size + 1 or (np.diff(ends) <= 0).any() or ends[0] < 0 or (number < 0).any():
        raise ValueError(
            f"`edges` must rise from at least 0 and be one more than `counts`, none negative. Got {ends.tolist()!r} and {number.tolist()!r}."
        )
    total = float(number.sum())
    held = np.flatnonzero(number)
    if held.size < 2 and (not held.size or held[0] in (0, number.size - 1)):
        raise NoFiniteMaximum(
            "No fit: all events lie in the first or in the last interval, so the shape has no finite maximum. What can be had: the "
            "ages of the events, or finer intervals."
        )

    top = float(ends[-1])

    def events(shape: float) -> Bends:
        part, one, two = (np.diff(power)[number > 0] for power in _powers(ends / top, shape))
        n, one, two = number[number > 0], one / part, two / part
        return float(n @ np.log(part)), float(n @ one), float(n @ (two - one**2))

    def watched(shape: float) -> Bends:
        return tuple(float(power[-1] - power[0]) for power in _powers(ends / top, shape))

    surface = _Surface(total, top, events, watched)
    shape, rate, covariance = surface.highest(1.0)
    means = rate * np.diff(ends**shape)
    return PowerLawFit(
        shape=shape,
        rate=rate,
        n_events=int(total),
        n_units=1,
        end=top,
        truncated="time",
        log_likelihood=float((number * np.log(means) - means).sum()),
        times=np.empty(0),
        covariance=covariance,
        has_one_end=False,
        _surface=surface,
    )


def trend_tests(
    ages: ArrayLike | Sequence[ArrayLike], end: ArrayLike, *, truncated: str = "time"
) -> pd.DataFrame:
    r"""Test whether events come more or less often with age.

    Parameters
    ----------
    ages : array_like of float, or a sequence of them
        Ages of the events of one unit, or of each of several [clock units].
    end : float or array_like of float
        Age at which the watch of each unit ended [clock units].
    truncated : str
        ``time`` or ``event``, as in `fit_power_law`.

    Returns
    -------
    DataFrame
        A row for each test: test, statistic, p_value (two-sided), null, direction.

    Notes
    -----
    ``laplace`` and ``power law`` (MIL-HDBK-189) take a constant rate (Poisson) for no trend: the first is
    normal with the mean of the ages, the second :math:`2\sum\log(T/t)` chi-square with 2n degrees of freedom.
    ``reversals`` (Mann) takes only gaps of one distribution, in any order, for no trend, and counts the pairs
    of gaps of which the later is the longer, in one unit; its normal approximation has a correction for
    continuity, and is rough below ten gaps. ``lewis-robinson`` is Laplace's over the coefficient of variation
    of the gaps, for the same null.

    References
    ----------
    .. [1] H. Ascher and H. Feingold, *Repairable Systems Reliability*. New York: Dekker, 1984, ch. 5.
    .. [2] NIST/SEMATECH *e-Handbook of Statistical Methods*, sec. 8.2.3.4.
    """
    if truncated not in _ENDS:
        raise ValueError(f"`truncated` must be one of {', '.join(_ENDS)}. Got {truncated!r}.")
    units, ends = _ages(ages, end)
    if truncated == "event":
        units = [one[:-1] for one in units]
    m = np.array([one.size for one in units])
    n = int(m.sum())
    if n < 1:
        raise ValueError("`ages` must hold at least one event before the end of the watch. Got none.")
    poisson, gaps_alike = "events at a constant rate (Poisson)", "gaps of one distribution, in any order"
    u = (sum(float(one.sum()) for one in units) - float(m @ ends) / 2) / np.sqrt(float(m @ ends**2) / 12)
    rows = [("laplace", float(u), float(2 * ndtr(-abs(u))), poisson, _way(u))]
    chi = 2 * sum(float(np.log(stop / one).sum()) for one, stop in zip(units, ends, strict=True))
    low = float(chdtr(2 * n, chi))
    way = "more often" if chi < 2 * n else "less often"
    rows.append(("power law", chi, 2 * min(low, 1 - low), poisson, way))
    if len(units) == 1:
        every = np.sort(np.asarray(ages if np.ndim(ages[0]) == 0 else ages[0], np.float64))
        gaps = np.diff(np.r_[0.0, every])
        k = gaps.size
        if k >= 4:
            i, j = np.triu_indices(k, 1)
            longer = int((gaps[j] > gaps[i]).sum())
            middle, spread = k * (k - 1) / 4, np.sqrt(k * (k - 1) * (2 * k + 5) / 72)
            z = (longer - middle - np.sign(longer - middle) * 0.5) / spread
            p_value = float(2 * ndtr(-abs(z)))
            rows.append(("reversals", float(longer), p_value, gaps_alike, _way(middle - longer)))
            variation = float(gaps.std(ddof=1) / gaps.mean())
            lewis = u / variation if variation > 0 else np.nan
            p_value = float(2 * ndtr(-abs(lewis)))
            rows.append(("lewis-robinson", float(lewis), p_value, gaps_alike, _way(lewis)))
    return pd.DataFrame(rows, columns=["test", "statistic", "p_value", "null", "direction"])


def _way(statistic: float) -> str:
    return "more often" if statistic > 0 else "less often" if statistic < 0 else ""
