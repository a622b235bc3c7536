"""The log-likelihood of growth by repeat mappings as a function, for whoever draws or profiles its parameters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from kit.growth.closed import ClosedLikelihood
from kit.growth.forms import GrowthForm
from kit.growth.parameters import NAMES, add_priors, check_priors, scale_of, to_natural, to_scale
from kit.growth.paths import (
    ARREST,
    BEND,
    ERROR,
    JUMP,
    MU,
    N_PARAMETERS,
    NU,
    SIGMA,
    STEP,
    STEP_SD,
    TAU,
    Likelihood,
    Mappings,
)
from kit.numerics.covariance import covariance_within, second_derivatives
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import limits_within
from kit.numerics.typing import Floats

PLACED = [MU, TAU, NU, SIGMA, BEND, ERROR, STEP, STEP_SD]  # what hangs on where the nodes are
_LOG_2PI = float(np.log(2 * np.pi))
_FREEDOM, _PROPOSAL_WIDER, _WIDEST = 4, 1.15, 1.5  # of the proposal of an importance sampling
_BEND_STEP = 1e-4
_SOME_TRACKS = 32  # damages that stand for all in the prior of the rate
NEAR = 0.1  # nodes reach far enough that a smaller move needs no others


@dataclass(frozen=True, eq=False, kw_only=True)
class TrackLikelihood:
    """Log-likelihood of growth by tracks in coordinates that go from minus to plus infinity.

    Damage that was found large and repaired at once is in it as damage mapped once: whether damage is
    mapped again depends on sizes that were seen, so its likelihood is that of all found damage.

    Parameters
    ----------
    names : tuple of str
        Parameters that are free, as `TrackFit` names them: one coordinate each.
    scales : tuple of str
        What each coordinate is of its parameter: ``log``, ``logit``, ``atanh``.
    estimate : ndarray, shape (p,)
        Where likelihood and priors together are highest.
    limits : ndarray, shape (p, 2)
        Ends of the range of each coordinate within which it was sought.
    priors : dict of str to tuple of float
        Weak priors: median in the unit of the parameter, standard deviation of its coordinate [-].
    form : GrowthForm
        Form of growth.
    clock : str
        Clock of the rates.
    n_tracks, n_once : int
        Damages mapped at two ages or more, and at one age only.

    See Also
    --------
    TrackFit.likelihood : How to get one.

    Notes
    -----
    `log_likelihood` is the data alone and `log_prior` the priors alone, without their constants. The
    nodes of the integrals lie about the estimate; they serve errors of 0.6 to 1.6 times the estimated one
    and rates far beyond the estimated spread. For straight and proportional growth the values are those of
    a dense sum to 0.005; a form whose growth runs away, such as pressure-driven growth, is exact at the
    estimate and off by some tenths two standard deviations from it.
    """

    names: tuple[str, ...]
    scales: tuple[str, ...]
    estimate: Floats
    limits: Floats
    priors: dict[str, tuple[float, float]]
    form: GrowthForm
    clock: str
    n_tracks: int
    n_once: int
    _whole: Floats = field(repr=False)
    _surface: ClosedLikelihood | Likelihood = field(repr=False)

    def __repr__(self) -> str:
        """Return one line."""
        return f"TrackLikelihood({self.form.name}, {len(self.names)} parameters, tracks={self.n_tracks})"

    @property
    def _free(self) -> list[int]:
        return [NAMES.index(name) for name in self.names]

    def _points(self, x: ArrayLike) -> Floats:
        """Coordinates of all parameters, from those of the free ones."""
        x = np.atleast_2d(np.asarray(x, np.float64))
        if x.shape[1:] != (len(self.names),):
            raise ValueError(
                f"`x` must have {len(self.names)} coordinates a point: {', '.join(self.names)}. Got shape {x.shape}."
            )
        points = np.repeat(self._whole[None], len(x), axis=0)
        points[:, self._free] = x
        return points

    def log_likelihood(self, x: ArrayLike) -> Floats:
        """Log-likelihood of the mappings at points.

        Parameters
        ----------
        x : array_like of float, shape (n, p) or (p,)
            Coordinates, in the order of `names`.

        Returns
        -------
        ndarray of float, shape (n,)
            Log-likelihoods of the logs of the sizes, without priors [-].

        Raises
        ------
        ValueError
            If a point does not have one coordinate for each name.
        """
        points = self._points(x)
        if isinstance(self._surface, ClosedLikelihood):
            return self._surface.values(points)
        return np.array([self._surface.value(point)[0] for point in points])

    def gradient(self, x: ArrayLike) -> Floats:
        """Slope of the log-likelihood at one point.

        Parameters
        ----------
        x : array_like of float, shape (p,)
            Coordinates.

        Returns
        -------
        ndarray of float, shape (p,)
            First derivatives, without priors [-].
        """
        return self._surface.value(self._points(x)[0])[1][self._free]

    def log_prior(self, x: ArrayLike) -> Floats:
        """Log of the priors at points, without their constant.

        Parameters
        ----------
        x : array_like of float, shape (n, p) or (p,)
            Coordinates.

        Returns
        -------
        ndarray of float, shape (n,)
            0 where every coordinate with a prior is at its median [-].
        """
        points = self._points(x)
        total = np.zeros(len(points))
        for i, (centre, width) in check_priors(self.priors).items():
            total -= 0.5 * ((points[:, i] - centre) / width) ** 2
        return total

    def log_posterior(self, x: ArrayLike) -> Floats:
        """Sum of `log_likelihood` and `log_prior`.

        Parameters
        ----------
        x : array_like of float, shape (n, p) or (p,)
            Coordinates.

        Returns
        -------
        ndarray of float, shape (n,)
            Values [-].
        """
        return self.log_likelihood(x) + self.log_prior(x)

    def log_rate_prior(self, x: ArrayLike) -> Floats:
        r"""Log of a prior of the median rate that is even where mappings tell it, and falls off where they tell nothing.

        Parameters
        ----------
        x : array_like of float, shape (n, p) or (p,)
            Coordinates.

        Returns
        -------
        ndarray of float, shape (n,)
            0 for fast growth; it is not part of `log_prior` [-].

        Notes
        -----
        Damage that grows too slowly to be told from damage that stands still is as likely at every such rate: a prior even in
        the log of the rate has all of its weight there, and none of it can be had back by few tracks. This one is even in the
        coordinate in which the mappings tell equally much everywhere (Jeffreys' rule for the median of log-normal rates, each
        told with its own error): its density over the log of the rate r is
        :math:`\sqrt{\operatorname{mean}_i \sigma^2 / (\sigma^2 + s_i^2 / r^2)}`, with the spread of the rates :math:`\sigma` and
        the standard error :math:`s_i` of the rate of damage i by its own mappings. It goes with r itself where r is small.

        References
        ----------
        .. [1] H. Jeffreys, "An invariant form for the prior probability in estimation problems", *Proceedings of the Royal
           Society A*, vol. 186, 1946, pp. 453-461.
        """
        points = self._points(x)
        spread, told = np.exp(2 * points[:, SIGMA]), np.exp(2 * (points[:, NU] - points[:, ERROR]))
        share = spread[:, None] / (spread[:, None] + self._rate_variance[None, :] / told[:, None])
        return 0.5 * np.log(share.mean(axis=1))

    @cached_property
    def _rate_variance(self) -> Floats:
        """Variance of the rate of a damage by its mappings alone, over that of a log size: some damages for all, evenly."""
        data, each = self._surface.data, np.diff(self._surface.data.start)
        owner = np.repeat(np.arange(each.size), each)

        def mean(value: Floats) -> Floats:
            return np.bincount(owner, value) / each

        length = np.bincount(owner, (data.time - mean(data.time)[owner]) ** 2)
        twice = length > 0
        size = np.exp(mean(data.log_size)[twice])
        slope = (
            self.form.position(size * np.exp(_BEND_STEP)) - self.form.position(size * np.exp(-_BEND_STEP))
        ) / (2 * _BEND_STEP)
        return np.quantile(slope**2 / length[twice], (np.arange(_SOME_TRACKS) + 0.5) / _SOME_TRACKS)

    def natural(self, x: ArrayLike) -> pd.DataFrame:
        """Return the parameters in their units.

        Parameters
        ----------
        x : array_like of float, shape (n, p) or (p,)
            Coordinates.

        Returns
        -------
        DataFrame
            A column for each of `names`, a row for each point.
        """
        points = self._points(x)
        return pd.DataFrame(
            {name: to_natural(i, points[:, i]) for name, i in zip(self.names, self._free, strict=True)}
        )

    def coordinates(self, values: Mapping[str, float]) -> Floats:
        """Return the coordinates of a point, from parameters in their units.

        Parameters
        ----------
        values : mapping of str to float
            By name; what is left out is at the estimate.

        Returns
        -------
        ndarray of float, shape (p,)
            Coordinates.
        """
        x = self.estimate.copy()
        for name, value in values.items():
            x[self._number(name)] = to_scale(NAMES.index(name), value)
        return x

    def _number(self, name: str) -> int:
        if name not in self.names:
            raise ValueError(f"`name` must be one of {', '.join(self.names)}. Got {name!r}.")
        return self.names.index(name)

    def _value(self, x: Floats) -> tuple[float, Floats]:
        """Likelihood and priors at one point, with the gradient."""
        point = self._points(x)[0]
        value, slope = add_priors(*self._surface.value(point), point, self.priors)
        return value, slope[self._free]

    def covariance(self) -> pd.DataFrame:
        """Covariance of the coordinates by the curvature of likelihood and priors at the estimate.

        Returns
        -------
        DataFrame
            By name on both axes; coordinates at an end of their range are not in it.
        """
        return self._covariance.copy()

    @cached_property
    def _covariance(self) -> pd.DataFrame:
        return covariance_within(
            self._value,
            self.estimate,
            range(len(self.names)),
            self.limits,
            self.names,
        )

    def proposal(self, n: int, *, seed: int = 1) -> tuple[Floats, Floats]:
        """Draw points about the estimate, wider than the curvature there says.

        Parameters
        ----------
        n : int
            Number of points.
        seed : int
            Seed of the random numbers.

        Returns
        -------
        points : ndarray, shape (n, p)
            From a Student distribution with 4 degrees of freedom; no direction is wider than 1.5.
        log_density : ndarray, shape (n,)
            Log of their density [-].
        """
        free, size = self._free, len(self.names)
        bend = second_derivatives(lambda x: self._value(x)[1], self.estimate, range(size), _BEND_STEP)
        steep, axes = np.linalg.eigh(-(bend + bend.T) / 2)
        width = _PROPOSAL_WIDER / np.sqrt(np.maximum(steep, 1 / _WIDEST**2))
        rng = np.random.default_rng(seed)
        z = rng.standard_normal((n, len(free))) / np.sqrt(rng.chisquare(_FREEDOM, n) / _FREEDOM)[:, None]
        half = (_FREEDOM + size) / 2
        constant = gammaln(half) - gammaln(_FREEDOM / 2) - 0.5 * size * np.log(_FREEDOM * np.pi)
        log_density = constant - np.log(width).sum() - half * np.log1p((z**2).sum(axis=1) / _FREEDOM)
        return self.estimate + (z * width) @ axes.T, log_density

    def log_evidence(self, *, n: int = 2000, seed: int = 1) -> tuple[float, float]:
        """Log of the chance of the mappings with all parameters averaged over their priors.

        Parameters
        ----------
        n : int
            Points of the importance sampling.
        seed : int
            Seed of the random numbers.

        Returns
        -------
        value : float
            Coordinates without a prior have an even one of density 1, so that only differences between
            likelihoods of the same mappings with the same such coordinates have a meaning [-].
        standard_error : float
            Of it, by the spread of the weights [-].
        """
        points, log_density = self.proposal(n, seed=seed)
        inside = ((points > self.limits[:, 0]) & (points < self.limits[:, 1])).all(axis=1)
        logs = np.full(n, -np.inf)
        logs[inside] = self.log_posterior(points[inside]) - log_density[inside]
        logs -= sum(np.log(width) + 0.5 * _LOG_2PI for _, width in self.priors.values())
        weight = np.exp(logs - logs.max())
        mean = float(weight.mean())
        return float(logs.max() + np.log(mean)), float(weight.std() / np.sqrt(n) / mean)

    def highest(
        self, held: Mapping[str, float] | None = None, begin: Floats | None = None
    ) -> tuple[Floats, float]:
        """Where likelihood and priors are highest, with some coordinates held.

        Parameters
        ----------
        held : mapping of str to float, optional
            Coordinates to hold, by name.
        begin : ndarray, shape (p,), optional
            Where to begin; the default is the estimate.

        Returns
        -------
        ndarray, shape (p,)
            The point.
        float
            Likelihood and priors there [-].
        """
        base = (self.estimate if begin is None else begin).copy()
        for name, value in (held or {}).items():
            base[self._number(name)] = value
        free = [k for k, name in enumerate(self.names) if name not in (held or {})]

        def surface(q: Floats) -> tuple[float, Floats]:
            x = base.copy()
            x[free] = q
            value, slope = self._value(x)
            return value, slope[free]

        out = base.copy()
        top = maximise(Followed(surface, self.limits[free]), base[free], limits=self.limits[free])
        out[free] = top.point
        return out, top.value

    def bounds(self, name: str, *, level: float = 0.95) -> tuple[float, float]:
        """Two-sided profile bounds of a parameter, priors included.

        Parameters
        ----------
        name : str
            Name of the parameter.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Lower and upper bound in the unit of the parameter; the end of its range where likelihood and
            priors do not drop so far.
        """
        i = NAMES.index(name) if name in NAMES else 0
        low, high = (float(to_natural(i, end)) for end in self.profile_bounds(name, level=level))
        return low, high

    def profile_bounds(self, name: str, *, level: float = 0.95) -> tuple[float, float]:
        """Two-sided profile bounds of a coordinate, priors included.

        Parameters
        ----------
        name : str
            Name of the parameter.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            As `bounds` gives them, on the scale of the fit.
        """
        k, covariance = self._number(name), self.covariance()
        variance = float(covariance.loc[name, name]) if name in covariance.index else np.nan
        error = float(np.sqrt(variance)) if variance > 0 else np.nan
        return limits_within(self._value, self.estimate, self.limits, k, error=error, level=level)

    def with_priors(self, priors: Mapping[str, tuple[float, float]]) -> TrackLikelihood:
        """Return the same likelihood with other priors, and the estimate that goes with them.

        Parameters
        ----------
        priors : mapping of str to tuple of float
            By name: median in its unit, standard deviation of its coordinate [-].

        Returns
        -------
        TrackLikelihood
            With nodes placed about its own estimate.

        Raises
        ------
        ValueError
            If a name is unknown or a number impossible.
        """
        check_priors(priors)
        other = replace(self, priors=dict(priors))
        for _ in range(8):
            point, _ = other.highest()
            moved = np.abs(point - other.estimate).max()
            other = other._placed_at(point)
            if moved < NEAR:
                break
        point, _ = other.highest()
        return replace(other, estimate=point)

    def with_arrest(self, prior: tuple[float, float]) -> TrackLikelihood:
        """Return the likelihood of the same mappings where growing damage may stop, at its own estimate.

        Parameters
        ----------
        prior : tuple of float
            Of the arrest rate: median [1 per clock unit], standard deviation of its log [-].

        Returns
        -------
        TrackLikelihood
            With `arrest_rate` among its names. Its nodes stay about the estimate without arrest, as placing them takes
            longest: it serves moves of some tenths.

        Raises
        ------
        ValueError
            If arrest is in it already, or a number is impossible.
        """
        if "arrest_rate" in self.names:
            raise ValueError("the likelihood must be without arrest. Got one with `arrest_rate`.")
        check_priors({"arrest_rate": prior})
        limits = arrest_limits(self._surface.data)
        other = self._with(ARREST, float(np.log(prior[0])), limits, self._surface.data)
        other = replace(other, priors={**self.priors, "arrest_rate": prior})
        point, _ = other.highest()
        return replace(other, estimate=point)

    def with_jumps(self, *, median: float, log_sd: float, most: int) -> TrackLikelihood:
        """Return the likelihood of the same mappings where sizes may jump between two of them, by a factor as given.

        Parameters
        ----------
        median, log_sd : float
            Median factor of a jump, and the standard deviation of its log [-].
        most : int
            Damages that are enough; of more, some are taken, evenly.

        Returns
        -------
        TrackLikelihood
            With `jump_share` last among its names, next to none at first.
        """
        data = self._surface.data
        some = data.some(-(-data.n_tracks // most))
        held = {STEP: float(np.log(median)), STEP_SD: float(np.log(log_sd))}
        return self._with(JUMP, JUMP_LIMITS[0], JUMP_LIMITS, some, held)

    def _with(
        self,
        i: int,
        begin: float,
        limits: tuple[float, float],
        data: Mappings,
        held: Mapping[int, float] | None = None,
    ) -> TrackLikelihood:
        """Return it with one more parameter, and others held, and nodes placed where it is."""
        active, point = self._surface.active.copy(), self._points(self.estimate)[0]
        for number, value in {i: begin, **(held or {})}.items():
            active[number], point[number] = True, value
        free = sorted([*self._free, i])
        at = free.index(i)
        exact = Likelihood(data, self.form, active, getattr(self._surface, "curve", None))
        return replace(
            self,
            names=tuple(NAMES[k] for k in free),
            scales=tuple(scale_of(k) for k in free),
            estimate=np.insert(self.estimate, at, begin),
            limits=np.insert(self.limits, at, limits, axis=0),
            _whole=point,
            _surface=_placed(exact, point),
        )

    def jump_chances(self, x: ArrayLike) -> tuple[Floats, NDArray[np.int64]]:
        """Chance that the damage jumped, for each step between two mappings.

        Parameters
        ----------
        x : array_like of float, shape (p,)
            Coordinates, with those of jumps among them.

        Returns
        -------
        chance : ndarray, shape (n_steps,)
            In the order of the mappings [-].
        damage : ndarray of int, shape (n_steps,)
            Which it is of those taken, in the order of their names.
        """
        return self._surface.jump_chances(self._points(x)[0])

    def laplace_evidence(self) -> float:
        """Log of the chance of the mappings by the curvature at the estimate: quick, and good to some tenths.

        Returns
        -------
        float
            As `log_evidence`; coordinates at an end of their range count as of standard deviation 1 [-].
        """
        _, volume = np.linalg.slogdet(self.covariance().to_numpy())
        width = sum(np.log(one) + 0.5 * _LOG_2PI for _, one in self.priors.values())
        return float(
            self.log_posterior(self.estimate)[0] + 0.5 * (volume + len(self.names) * _LOG_2PI) - width
        )

    def _placed_at(self, x: Floats) -> TrackLikelihood:
        """Return it with nodes and estimate at a point."""
        whole = self._points(x)[0]
        return replace(self, estimate=x, _whole=whole, _surface=_placed(self._surface, whole))


JUMP_LIMITS = (-9.0, 0.0)
"""Range of the logit of the share of steps in which damage jumps."""


def arrest_limits(data: Mappings) -> tuple[float, float]:
    """Return the range of the log of the arrest rate that mappings could tell at all.

    Parameters
    ----------
    data : Mappings
        The mappings.

    Returns
    -------
    tuple of float
        Logs of rates [1 per clock unit].
    """
    shortest, longest = float(data.time[data.time > 0].min()), float(data.time.max())
    return float(np.log(1e-4 / longest)), float(np.log(30 / shortest))


def _placed(surface: ClosedLikelihood | Likelihood, point: Floats) -> ClosedLikelihood | Likelihood:
    """Return a likelihood of the same mappings with its nodes placed at a point."""
    curve = getattr(surface, "curve", None)
    exact = Likelihood(surface.data, surface.form, surface.active, curve)
    exact.place(point)
    if curve is not None or surface.active[JUMP]:
        return exact
    closed = ClosedLikelihood(surface.data, surface.form, surface.active)
    closed.place(point, exact)
    return closed


def track_likelihood(
    like: Likelihood,
    point: Floats,
    free: Sequence[int],
    limits: Sequence[tuple[float, float]],
    priors: Mapping[str, tuple[float, float]],
    *,
    clock: str,
    n_tracks: int,
) -> TrackLikelihood:
    """Return the likelihood about a maximum as a function.

    Parameters
    ----------
    like : Likelihood
        Of the mappings.
    point : ndarray, shape (11,)
        The maximum.
    free : sequence of int
        Parameters that were fitted.
    limits : sequence of tuple of float, length 11
        Range of each parameter.
    priors : mapping of str to tuple of float
        Priors with which it was fitted.
    clock : str
        Clock of the rates.
    n_tracks : int
        Damages mapped at two ages or more.

    Returns
    -------
    TrackLikelihood
        In closed form over the size, unless jumps or the finding of damage are in the model.
    """
    assert point.size == N_PARAMETERS
    return TrackLikelihood(
        names=tuple(NAMES[i] for i in free),
        scales=tuple(scale_of(i) for i in free),
        estimate=point[list(free)],
        limits=np.array([limits[i] for i in free]),
        priors=dict(priors),
        form=like.form,
        clock=clock,
        n_tracks=n_tracks,
        n_once=like.data.n_tracks - n_tracks,
        _whole=point.copy(),
        _surface=_placed(like, point),
    )
