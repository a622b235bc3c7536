"""How fast damage grows, from repeat mappings: any form, arrest, jumps, rounding, and found damage only."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import logit, ndtri

from kit.detection import DetectionCurve, HasCurve, as_detection
from kit.findings import need_columns
from kit.growth.forms import GrowthForm, as_form, delay_to, size_after
from kit.growth.parameters import NAMES, add_priors, check_priors, scale_of, to_natural
from kit.growth.paths import (
    ARREST,
    JUMP,
    N_PARAMETERS,
    NU,
    SIGMA,
    STILL,
    Likelihood,
    Mappings,
)
from kit.growth.track_likelihood import (
    JUMP_LIMITS,
    NEAR,
    PLACED,
    TrackLikelihood,
    arrest_limits,
    track_likelihood,
)
from kit.numerics.covariance import covariance_within, is_inside, second_derivatives
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Followed, maximise
from kit.numerics.renamed import renamed
from kit.numerics.typing import Floats
from kit.numerics.words import in_words, percent, span

_FEWEST = 5
_MANY = 1200  # from here on a start from some of the tracks pays
_BEND_STEP = 1e-4  # of the differences of slopes
_MOST_TURNS, _MOST_POLISH, _STILL_MOVES = 8, 0.01, 1e-12  # Newton's steps after a search
_NO_SHARE = 0.002  # a share that stands still below it lies at the end of its range


@dataclass(frozen=True, eq=False, kw_only=True)
class TrackFit(Fit):
    """Growth of one form from repeat mappings, with what else the damage did.

    Parameters
    ----------
    form : GrowthForm
        Form of growth.
    clock : str
        Clock of the rates.
    rate_median : float
        Median rate of damage that grows [unit of the form].
    rate_log_sd : float
        Standard deviation of its log between damages [-].
    no_growth_share : float
        Share of damage that stands still when it is first mapped, and stays so [-].
    arrest_rate : float
        Chance per clock unit that growing damage stops for good [1 per clock unit].
    jump_share : float
        Share of the gaps between two mappings in which damage jumped [-].
    jump_median, jump_log_sd : float
        Median factor of a jump, and the standard deviation of its log [-].
    size_log_sd : float
        Standard deviation of the log of one measurement, rounding and assumed widths apart [-].
    first_median, first_log_sd : float
        Median and log standard deviation of the size when first mapped [mm], [-].
    correlation : float
        Between the logs of the size when first mapped and of the rate [-].
    log_likelihood : float
        Log-likelihood at the maximum, of the logs of the sizes [-].
    covariance : DataFrame
        Of the parameters on the scales on which they are fitted: logs, logits of shares, the inverse
        hyperbolic tangent of the correlation. Parameters at the end of their range are not in it.
    n_parameters : int
        Parameters that were fitted.
    n_tracks, n_once, n_mappings : int
        Damages mapped at two ages or more, at one age only, and all mappings.
    is_conditioned : bool
        Whether the size and rate are those of all damage there was, not of found damage.
    cautions : tuple of str
        What to keep in mind.
    """

    form: GrowthForm
    clock: str
    rate_median: float
    rate_log_sd: float
    no_growth_share: float
    arrest_rate: float
    jump_share: float
    jump_median: float
    jump_log_sd: float
    size_log_sd: float
    first_median: float
    first_log_sd: float
    correlation: float
    log_likelihood: float
    covariance: pd.DataFrame
    n_parameters: int
    n_tracks: int
    n_once: int
    n_mappings: int
    is_conditioned: bool
    cautions: tuple[str, ...]
    _point: Floats = field(repr=False)
    _problem: _Problem = field(repr=False)

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"TrackFit({self.form.name}, rate_median={self.rate_median:.4g} {self.form.rate_unit(self.clock)}, "
            f"rate_log_sd={self.rate_log_sd:.3g}, no_growth_share={self.no_growth_share:.3g}, tracks={self.n_tracks})"
        )

    @property
    def aic(self) -> float:
        """Akaike's criterion: twice the parameters less twice the log-likelihood [-]."""
        return 2 * self.n_parameters - 2 * self.log_likelihood

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The parameters of growth by tracks; those that were not fitted count as given."""
        units = {
            "first_median": "mm",
            "rate_median": self.form.rate_unit(self.clock),
            "arrest_rate": f"1 per {self.clock}",
        }
        return tuple(
            Parameter(
                name=name,
                value=getattr(self, name),
                unit=units.get(name, "-"),
                scale=scale_of(i),
                is_given=i not in self._problem.free,
            )
            for i, name in enumerate(NAMES)
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio, priors included; those by ``wald`` are much too narrow for few tracks.

        Parameters
        ----------
        name : str
            Name of a parameter that was fitted.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            On the scale on which it is fitted; the end of its range where the likelihood does not drop so far.
        """
        return self.likelihood.profile_bounds(name, level=level)

    @cached_property
    def likelihood(self) -> TrackLikelihood:
        """The log-likelihood of the tracks as a function of the parameters that were fitted."""
        problem = self._problem
        return track_likelihood(
            problem.like, self._point, problem.free, problem.limits, problem.priors, clock=self.clock,
            n_tracks=self.n_tracks,
        )  # fmt: skip

    def rate_quantile(self, share: ArrayLike) -> Floats:
        """Rate below which a share of the growing damage stays.

        Parameters
        ----------
        share : array_like of float
            Shares in (0, 1) [-].

        Returns
        -------
        ndarray of float
            Rates [unit of the form].
        """
        return self.rate_median * np.exp(self.rate_log_sd * ndtri(np.asarray(share, np.float64)))

    def size_after(self, time: ArrayLike, *, start: float, share: float = 0.5) -> Floats:
        """Size of growing damage a time after it had another size.

        Parameters
        ----------
        time : array_like of float
            Times [clock units].
        start : float
            Size at first [mm].
        share : float
            Share of the growing damage that grows more slowly [-].

        Returns
        -------
        ndarray of float
            Equivalent diameters, without arrest and jumps [mm].
        """
        return size_after(self.form, start, self.rate_quantile(share), time)

    def delay_to(self, limit: float, *, start: float, share: ArrayLike = 0.5) -> Floats:
        """Time that growing damage takes from one size to a limit.

        Parameters
        ----------
        limit, start : float
            Limit and size at first [mm].
        share : array_like of float
            Share of the growing damage that grows more slowly [-].

        Returns
        -------
        ndarray of float
            Delays, without arrest and jumps [clock units].
        """
        return delay_to(self.form, start, self.rate_quantile(share), limit)

    def words(self, *, level: float = 0.95) -> str:
        """Say in a sentence how fast the damage grows, with bounds, and what stands still.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        str
            Markdown.
        """
        rate = (self.rate_median, *self.bounds("rate_median", level=level))
        if self.form.name == "linear":
            times, per = (
                (365.25, "a year")
                if self.clock == "calendar_days"
                else (1000.0, f"per 1,000 {in_words(self.clock)}")
            )
            told = f"**{span(*(times * x for x in rate))} mm {per}**"
        else:
            told = f"**{span(*rate)} {self.form.rate_unit(self.clock)}** ({self.form.name} growth)"
        fitted = [one.name for one in self.parameters if not one.is_given]
        still = ""
        if "no_growth_share" in fitted:
            still = (
                "the mappings tell no share that stands still; "
                if self.no_growth_share < _NO_SHARE
                else f"{percent(self.no_growth_share)} stand still; "
            )
        return (
            f"Where it grows, the diameter grows by {told} in the median ({percent(level)} bounds); {still}"
            f"a single mapping is off by a factor of up to {np.exp(1.96 * self.size_log_sd):.2f} (95 %), "
            f"so that no single pair of mappings tells a rate. From {self.n_tracks:g} damages mapped again."
        )

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the parameters that were fitted as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            As in `bounds`.

        Returns
        -------
        DataFrame
            As `parameter_table`.
        """
        table = self.parameter_table(level=level, method=method)
        return table[[not parameter.is_given for parameter in self.parameters]]


def read_mappings(tracks: pd.DataFrame, *, width_log_sd: float = 0.0) -> tuple[Mappings, pd.Index]:
    """Sort and check repeat mappings.

    Parameters
    ----------
    tracks : DataFrame
        As `fit_tracks` takes it.
    width_log_sd : float
        Extra error of the log of a size whose width was assumed [-].

    Returns
    -------
    Mappings
        One track after the other.
    Index
        Names of the tracks, in that order.

    Raises
    ------
    ValueError
        If a column is missing or a value impossible.
    """
    need_columns(tracks, ("track", "age", "diameter_mm"), "tracks")
    values = tracks[["age", "diameter_mm"]].to_numpy(np.float64)
    good = np.isfinite(values).all(axis=1) & (values[:, 1] > 0)
    if not good.all():
        row = int(np.argmin(good))
        raise ValueError(
            f"`tracks` must have positive sizes and finite ages: {int((~good).sum())} of {good.size} rows do not, "
            f"first row {row} (track={tracks['track'].iloc[row]}, age={values[row, 0]:g}, "
            f"diameter_mm={values[row, 1]:g}). Check the regions."
        )
    if not width_log_sd >= 0:
        raise ValueError(f"`width_log_sd` must be at least 0. Got {width_log_sd!r}.")
    code, names = pd.factorize(tracks["track"], sort=True)
    order = np.lexsort((values[:, 1], values[:, 0], code))
    code, age, size = code[order], values[order, 0], values[order, 1]
    start = np.searchsorted(code, np.arange(len(names) + 1))
    step = np.zeros(size.size)
    if "rounding_mm" in tracks.columns:
        step = np.nan_to_num(tracks["rounding_mm"].to_numpy(np.float64)[order])
        if (step < 0).any() or not np.isfinite(step).all():
            raise ValueError(
                f"`rounding_mm` must be at least 0 and finite, or blank. Got {step[(step < 0) | ~np.isfinite(step)][0]!r}."
            )
    extra = np.zeros(size.size)
    if "width_assumed" in tracks.columns:
        extra = width_log_sd**2 * tracks["width_assumed"].to_numpy(bool)[order]
    return Mappings(np.log(size), age - age[start[:-1]][code], step, extra, start), names


@dataclass
class _Problem:
    """The likelihood with the ranges of its parameters, and which of them are free."""

    like: Likelihood
    free: list[int]
    limits: list[tuple[float, float]]
    priors: dict[str, tuple[float, float]]

    def value(self, p: Floats) -> tuple[float, Floats]:
        """Log-likelihood and priors, with their gradient."""
        return add_priors(*self.like.value(p), p, self.priors)

    def maximise(self, point: Floats, *, held: int | None = None, rounds: int = 100) -> tuple[Floats, float]:
        """Highest likelihood on the nodes as they stand."""
        free = [i for i in self.free if i != held]

        def surface(q: Floats) -> tuple[float, Floats]:
            p = point.copy()
            p[free] = q
            value, gradient = self.value(p)
            return value, gradient[free]

        out = point.copy()
        limits = np.array([self.limits[i] for i in free], np.float64).reshape(-1, 2)
        top = maximise(Followed(surface, limits), point[free], limits=limits, steps=rounds)
        out[free] = top.point
        return out, top.value

    def polished(self, point: Floats) -> Floats:
        """Where Newton's steps from a maximum end, with the nodes placed there: to rounding, where a search stops at some 1e-7."""
        inner = [i for i in self.free if is_inside(point[i], self.limits[i])]
        best = point.copy()
        self.like.place(best)
        bend = second_derivatives(lambda p: self.value(p)[1], best, inner, _BEND_STEP)
        for turn in range(_MOST_TURNS):
            if turn:
                self.like.place(best)
            begin = best.copy()
            for _ in range(_MOST_TURNS):
                move = np.linalg.solve(-(bend + bend.T) / 2, self.value(best)[1][inner])
                if not np.abs(move).max() < _MOST_POLISH:
                    return point  # a surface so flat that its bend tells nothing: the search stands
                best[inner] += move
                if np.abs(move).max() < _STILL_MOVES:
                    break
            if np.abs(best - begin).max() < _STILL_MOVES:
                break
        return best

    def covariance(self, point: Floats) -> pd.DataFrame:
        """Inverse of the second derivatives, of the parameters that are not at the end of their range."""
        return covariance_within(self.value, point, self.free, self.limits, NAMES)


@renamed(curve="detection")
def fit_tracks(
    tracks: pd.DataFrame,
    *,
    form: str | GrowthForm = "linear",
    clock: str = "age",
    may_stand_still: bool = True,
    may_stop: bool = False,
    may_jump: bool = False,
    detection: float | DetectionCurve | HasCurve | None = None,
    width_log_sd: float = 0.15,
    priors: Mapping[str, tuple[float, float]] | None = None,
    spread_prior: tuple[float, float] | None = None,
    likelihood: Callable[..., Likelihood] | None = None,
    polish: bool = False,
) -> TrackFit:
    r"""Fit growth of one form to repeat mappings by maximum likelihood.

    Parameters
    ----------
    tracks : DataFrame
        One row a mapping: columns track, age [clock units], diameter_mm. Optional: rounding_mm, the step
        to which the size was written (0 or blank: none); width_assumed, whether its width was not
        measured.
    form : str or GrowthForm
        ``linear``, ``proportional``, ``pressure``, or a form of one's own.
    clock : str
        Name of the clock of ``age``.
    may_stand_still : bool
        Whether a share of the damage may stand still from the first mapping on: because it never grows,
        or because it stopped before. By mappings the two are indistinguishable.
    may_stop : bool
        Whether growing damage may stop at a random time: at an even chance per clock unit.
    may_jump : bool
        Whether a size may jump between two mappings by more than rate and error allow.
    detection : float, DetectionCurve or a fitted POD, optional
        POD by size of the look at which damage was first mapped. With it the result is that of all
        damage that the looks met, else that of found damage.
    width_log_sd : float
        Extra error of the log of a size whose width was assumed [-].
    priors : mapping of str to tuple of float, optional
        Weak priors for few tracks, by parameter: median, and standard deviation on the scale on which it is
        fitted (log; logit of a share; inverse hyperbolic tangent of the correlation) [-].
    spread_prior : tuple of float, optional
        The prior of `rate_log_sd` by its earlier name; `priors` takes its place.
    likelihood : callable, optional
        What makes the likelihood of some tracks, where it is not worked out here: called as
        ``likelihood(mappings, tracks, form, active, curve)`` with the numbers of the tracks in the order of their names.
    polish : bool
        Whether to go on by Newton's steps until the estimate stays to rounding; else it is that of the search, which stops some 1e-7
        from it.

    Returns
    -------
    TrackFit
        The maximum.

    Raises
    ------
    ValueError
        If fewer than 5 damages were mapped at two ages or more, or a value is impossible.

    See Also
    --------
    compare_growth : Several forms on the same tracks.

    Notes
    -----
    Logs of the size at the first mapping and of the rate are normal and correlated. A mapping reads the
    log of the true size with a normal error; a size written to a step has the chance of its step (a step
    narrower than 1.5 times the error counts as a little more error, and so it does where damage jumped). Damage
    may also stand still, stop (arrest at an even chance per clock unit), or jump once: in each gap with
    the same chance, by a factor whose log is normal. Two jumps of one damage, and jumps of damage that
    has stopped growing on the way, are left out. A jump cannot be told from fast growth by two mappings:
    it needs three.

    Sizes and rates are integrated over nodes placed where each track makes them likely (20 rates, and
    Gauss–Hermite nodes of the size for each), placed anew until the likelihood stays.

    Only found damage is mapped again. Given a POD by size, a track has the chance
    :math:`\int f(a_1, r)\,\mathrm{POD}(a_1)\,L\,/ \int f(a_1)\,\mathrm{POD}(a_1)`: conditioned on its first
    mapping having been found. Where large damage is large because it grows fast, found damage grows
    faster than the rest. Looks that missed the damage before are not in it; `fit_joint` has them.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> rate = 0.01 * np.exp(0.5 * rng.standard_normal(40))
    >>> age = np.tile([0.0, 2000.0, 4000.0], 40)
    >>> size = (30 + np.repeat(rate, 3) * age) * np.exp(0.05 * rng.standard_normal(120))
    >>> frame = pd.DataFrame({"track": np.repeat(np.arange(40), 3), "age": age, "diameter_mm": size})
    >>> low, high = fit_tracks(frame, may_stand_still=False).bounds("rate_median")
    >>> bool(low < 0.01 < high)
    True
    """
    law = as_form(form)
    curve = None if detection is None else as_detection(detection)
    held = dict(priors or {})
    if spread_prior is not None:
        held["rate_log_sd"] = spread_prior
    check_priors(held)
    data, _ = read_mappings(tracks, width_log_sd=width_log_sd)
    last = data.time[data.start[1:] - 1]
    n = int((last > 0).sum())
    if n < _FEWEST:
        ageless = int(pd.isna(tracks["age"]).sum())
        why = (
            f"; {ageless:,} of {len(tracks):,} mappings have no age, as nothing says how old their panels were when fitted (state, prior usage)"
            if ageless
            else ""
        )
        raise ValueError(
            f"`tracks` must hold at least {_FEWEST} damages mapped twice or more at different ages. Got {n}{why}. "
            "State the growth in the question instead."
        )
    active = np.ones(N_PARAMETERS, bool)
    active[STILL], active[ARREST], active[JUMP:] = may_stand_still, may_stop, may_jump
    longest = float(last.max())
    limits = [
        (-np.inf, np.inf), (-4.0, 1.5), (-np.inf, np.inf), (-3.0, 1.5), (-2.0, 2.0), (-4.5, 0.5), (-7.0, 5.0),
        arrest_limits(data), JUMP_LIMITS, (0.05, 3.0), (float(np.log(0.05)), 0.0),
    ]  # fmt: skip
    free = [i for i in range(N_PARAMETERS) if active[i]]
    point = _first_point(data, law, longest)
    if not may_stand_still:
        point[STILL] = -30.0
    problem = None
    make = _made_here if likelihood is None else likelihood
    for every in ([max(1, n // 400)] if n > _MANY else []) + [1]:
        some = np.arange(0, data.n_tracks, every)
        part = data.take(some) if every > 1 else data
        problem = _Problem(make(part, some, law, active, curve), free, limits, held)
        point, value = _settle(problem, point, first=every > 1 or n <= _MANY, loose=every > 1)
        if every == 1 and may_stand_still and abs(point[STILL]) > 3 and n <= _MANY:
            # All or nothing standing still: a share and a wide spread of rates explain one another, so try the other.
            other = point.copy()
            other[[NU, SIGMA, STILL]] = point[NU] + np.log(2), np.log(0.6), 0.5
            again, higher = _settle(problem, other, first=False)
            if higher > value + 1e-6:
                point, value = again, higher
            else:
                problem.like.place(point)
    if polish:
        point = problem.polished(point)
    names = {
        name: float(to_natural(i, point[i]))
        if active[i]
        else (0.0 if i in (STILL, ARREST, JUMP) else float("nan"))
        for i, name in enumerate(NAMES)
    }
    return TrackFit(
        form=law,
        clock=clock,
        **names,
        log_likelihood=problem.like.value(point)[0],
        covariance=problem.covariance(point),
        n_parameters=len(free),
        n_tracks=n,
        n_once=int(data.n_tracks - n),
        n_mappings=int(data.log_size.size),
        is_conditioned=curve is not None,
        cautions=_cautions(law, data, n, may_stop=may_stop, may_jump=may_jump, curve=curve),
        _point=point,
        _problem=problem,
    )


def _made_here(
    data: Mappings,
    tracks: NDArray[np.int64],
    form: GrowthForm,
    active: NDArray[np.bool_],
    curve: DetectionCurve | None,
) -> Likelihood:
    """Likelihood of some tracks in this process, whatever their numbers."""
    return Likelihood(data, form, active, curve)


def fit_growth(
    tracks: pd.DataFrame,
    *,
    clock: str = "age",
    may_stand_still: bool = True,
    spread_prior: tuple[float, float] | None = None,
) -> TrackFit:
    """Fit straight growth by the name that `fit_tracks` had before; this name goes with the next release.

    Parameters
    ----------
    tracks : DataFrame
        As `fit_tracks` takes it.
    clock : str
        Name of the clock of ``age``.
    may_stand_still : bool
        Whether a share of the damage may not grow at all.
    spread_prior : tuple of float, optional
        Weak prior of `rate_log_sd`: ``priors={"rate_log_sd": ...}`` of `fit_tracks`.

    Returns
    -------
    TrackFit
        What `fit_tracks` gives.

    Warns
    -----
    DeprecationWarning
        Always; says what to call.
    """
    warnings.warn(
        "fit_growth is now fit_tracks, and goes with the next release: call fit_tracks(tracks, clock=..., "
        "priors={'rate_log_sd': (median, log sd)}).",
        DeprecationWarning,
        stacklevel=2,
    )
    priors = {} if spread_prior is None else {"rate_log_sd": spread_prior}
    return fit_tracks(tracks, clock=clock, may_stand_still=may_stand_still, priors=priors)


def _settle(
    problem: _Problem, point: Floats, *, first: bool = True, loose: bool = False
) -> tuple[Floats, float]:
    """Place nodes and maximise in turn until the maximum stays; the first turn from afar is a short one."""
    for turn in range(8):
        placed = point
        problem.like.place(placed)
        point, value = problem.maximise(placed, rounds=100 if turn or not first else 5)
        moved = np.abs(point - placed)[PLACED].max()
        # Nodes reach far enough that a small move needs no others.
        if moved < NEAR or (loose and turn):
            break
    return point, value


def _first_point(data: Mappings, law: GrowthForm, longest: float) -> Floats:
    """Where to begin: the median way from the first to the last mapping."""
    first, last = data.start[:-1], data.start[1:] - 1
    again = data.time[last] > 0
    size = np.exp(data.log_size)
    position = law.position(size)
    slope = (position[last] - position[first])[again] / data.time[last][again]
    typical = float(np.median(size))
    least = 0.1 * typical / float(law.speed(typical)) / longest
    rate = max(float(np.median(slope[slope > 0])) if (slope > 0).any() else least, least)
    logs = data.log_size[first]
    spread = np.clip(np.std(logs), 0.1, 1.0) if logs.size > 1 else 0.4
    return np.array(
        [
            float(np.median(logs)), float(np.log(spread)), np.log(rate), np.log(0.7), 0.0, np.log(0.15),
            float(logit(0.2)), np.log(0.3 / longest), float(logit(0.02)), np.log(2.0), np.log(0.4),
        ]
    )  # fmt: skip


def _cautions(
    law: GrowthForm, data: Mappings, n: int, *, may_stop: bool, may_jump: bool, curve: DetectionCurve | None
) -> tuple[str, ...]:
    """Say what to keep in mind with a fit."""
    times = np.bincount(np.repeat(np.arange(data.n_tracks), np.diff(data.start)))
    out = [f"the {law.name} form of growth is {law.basis}"]
    if n < 20:
        out.append(f"only {n} damages were mapped at two ages or more: spreads and shares are hardly known")
    if (may_stop or may_jump) and (times >= 3).sum() < 20:
        out.append(
            f"only {int((times >= 3).sum())} damages were mapped three times or more: arrest and jumps are hardly told from rates"
        )
    if curve is None:
        out.append("the rates are those of found damage; damage that looks missed may grow otherwise")
    else:
        out.append(f"the damage that looks missed is inferred from a POD that is {curve.basis}")
    return tuple(out)
