"""How far a repair takes age back: the restoration factor, fitted together with the life."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from kit.findings import Fleet
from kit.life.fits.fit import LifeFit
from kit.life.fits.weibull import fit_weibull
from kit.life.likelihood.families import WEIBULL
from kit.life.likelihood.likelihood import PerfectTerms
from kit.life.likelihood.maximum import highest_life
from kit.life.lives.repairs import RepairedLives, lives_with_repairs
from kit.numerics.confidence import likelihood_drop, normal_reach
from kit.numerics.covariance import second_derivatives
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import profile_limit
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_MOST = 2.0  # largest restoration factor; that of the repairs table
_LEAST = 1e-7  # below this, a factor is compared with 0 itself
_STARTS = (0.1, 0.6, 1.1)
_SELECTION = (
    "lives after a repair are of panels that had damage before; panels prone to it from the start raise the factor as "
    "much as repairs that do not renew"
)


@dataclass(frozen=True, eq=False)
class _Problem:
    """The likelihood as a function of the factors, highest over the life each time."""

    lives: RepairedLives
    held: dict[str, float]
    shape: float | None
    begin: Floats
    log_scale: float | None = None

    @property
    def free(self) -> tuple[str, ...]:
        """Groups whose factor is fitted."""
        return tuple(name for name in self.lives.groups if name not in self.held)

    def factors(self, q: Floats) -> dict[str, float]:
        """Factor of every group."""
        return self.held | dict(zip(self.free, map(float, q), strict=True))

    def rows(self, q: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Entry, lower, upper and count at virtual age."""
        begun = self.lives.virtual(self.lives.restoration(self.factors(q)))
        h = self.lives.histories
        return h.entry + begun, h.lower + begun, h.upper + begun, h.count

    def highest(self, q: Floats) -> tuple[float, Floats]:
        """Log-likelihood, and log scale and log shape, of the best life under these factors."""
        terms = PerfectTerms.from_rows(*self.rows(q))
        if self.log_scale is None:
            point, value, _ = highest_life(terms, self.begin, self.shape)
            return value, point
        point = np.array([self.log_scale, self.begin[1] if self.shape is None else np.log(self.shape)])
        if self.shape is not None:
            return float(terms.value(*point)[0]), point

        def surface(log_shape: Floats) -> tuple[float, Floats, Floats]:
            value, g, h = terms.value(point[0], float(log_shape[0]))
            return value, g[1:], h[1:, 1:]

        top = maximise(surface, point[1:], is_beyond=lambda log_shape: abs(log_shape[0]) > 12)
        return top.value, np.array([point[0], top.point[0]])

    def slopes(self, q: Floats) -> Floats:
        """Change of each life's virtual age at its begin by each fitted factor, shape (n, n_free)."""
        lives = self.lives
        factor = lives.restoration(self.factors(q))
        age, out = np.zeros(len(lives)), np.zeros((len(lives), q.size))
        code = [lives.groups.index(name) for name in self.free]
        for column in range(lives.gap.shape[1]):
            before = age + lives.gap[:, column]
            out = factor[:, [column]] * out + before[:, None] * (lives.group[:, [column]] == code)
            age = factor[:, column] * before
        return out

    def gradient(self, q: Floats, point: Floats) -> Floats:
        """Slope of the log-likelihood by each fitted factor, with the life held."""
        entry, lower, upper, count = self.rows(q)
        k = float(np.exp(point[1]))

        def hazards(age: Floats) -> tuple[Floats, Floats]:
            # A first life begins at age 0 whatever the factors are; its slope is 0, and its rate must be finite.
            z = k * (np.log(np.where(age > 0, age, 1.0)) - point[0])
            h, slope, _ = WEIBULL.cumulative_hazard(z)
            return np.where(age > 0, h, 0.0), np.where(age > 0, k * slope / np.where(age > 0, age, 1.0), 0.0)

        found = np.isfinite(upper)
        h_low, rate_low = hazards(lower)
        h_up, rate_up = hazards(np.where(found, upper, lower))
        exact = found & (lower == upper)
        gap = np.where(found & ~exact, h_up - h_low, 1.0)
        with np.errstate(over="ignore"):
            inside = np.where(found & ~exact, (rate_up - rate_low) / np.expm1(gap), 0.0)
        inside += np.where(exact, (k - 1) / np.where(exact, lower, 1.0), 0.0)
        return (count * (hazards(entry)[1] - rate_low + inside)) @ self.slopes(q)

    def full_gradient(self, x: Floats) -> Floats:
        """Slope by log scale, log shape and the fitted factors."""
        terms = PerfectTerms.from_rows(*self.rows(x[2:]))
        return np.r_[terms.value(*x[:2])[1], self.gradient(x[2:], x[:2])]


@dataclass(frozen=True, eq=False, kw_only=True)
class RestorationFit(Fit):
    r"""A Weibull life together with the share of its age that a panel keeps after a repair.

    Parameters
    ----------
    restoration : Series of float
        Restoration factor q by group of repairs: 0 renews, 1 changes nothing [-].
    fitted : tuple of str
        Groups whose factor was fitted; the others' were assumed.
    life : LifeFit
        The life at virtual age, at these factors; its own bounds take the factors as known.
    log_likelihood : float
        Log-likelihood at the maximum [-].
    covariance : ndarray, shape (2 + n_fitted, 2 + n_fitted)
        Covariance of log scale, log shape and the fitted factors; nan for a factor at 0 or 2 and for an
        assumed shape.
    lives : RepairedLives
        What it was fitted to.
    """

    restoration: pd.Series
    fitted: tuple[str, ...]
    life: LifeFit
    log_likelihood: float
    covariance: Floats = field(repr=False)
    lives: RepairedLives = field(repr=False)
    _problem: _Problem = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters."""
        said = ", ".join(f"{name} {q:.4g}" for name, q in self.restoration.items())
        return (
            f"RestorationFit(restoration: {said}; scale={self.scale:.6g} {self.life.clock}, shape={self.shape:.4g}, "
            f"log_likelihood={self.log_likelihood:.4f})"
        )

    @property
    def scale(self) -> float:
        """Virtual age by which 63.2 % have damage [clock units]."""
        return self.life.scale

    @property
    def shape(self) -> float:
        """Shape of the life [-]."""
        return self.life.shape

    @property
    def at_edge(self) -> tuple[str, ...]:
        """Groups whose fitted factor lies at 0, the least there is, or at 2, the most that is allowed."""
        return tuple(name for name in self.fitted if self.restoration[name] in (0.0, _MOST))

    @property
    def counts(self) -> pd.DataFrame:
        """Lives and finds by the group of the last repair, ``new`` for first lives."""
        h = self.lives.histories
        table = pd.DataFrame(
            {
                "after": self.lives.last_group,
                "lives": h.count,
                "finds": np.where(np.isfinite(h.upper), h.count, 0.0),
            }
        )
        return table.groupby("after").sum()

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [_SELECTION]
        finds = self.counts["finds"]
        for name in self.fitted:
            low, high = self.bounds(name, method="profile")
            if low <= 0 and high >= 1:
                notes.append(
                    f"{name}: the looks do not tell whether the repair renews; both 0 and 1 are within the bounds"
                )
            if name in self.at_edge:
                notes.append(
                    f"{name}: the factor lies at {self.restoration[name]:g}, the end of its range; it has no standard error"
                )
            if finds.get(name, 0.0) < 5:
                notes.append(f"{name}: {finds.get(name, 0.0):g} finds after such repairs")
        notes += [
            f"{name}: the factor {q:g} is assumed, not fitted"
            for name, q in self.restoration.items()
            if name not in self.fitted
        ]
        return tuple(notes)

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Scale, shape, and the factors that were fitted."""
        return (
            Parameter(name="scale", value=self.scale, unit=self.life.clock),
            Parameter(name="shape", value=self.shape, is_given=self.life.shape_assumed),
            *(
                Parameter(name=name, value=float(self.restoration[name]), scale="linear", least=0.0)
                for name in self.fitted
            ),
        )

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            ``scale``, ``shape`` or a group of repairs whose factor was fitted.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends: of the log of scale and shape; of a factor within 0 and 2, with inf where even 2 is not too much.
        """
        at, drop = self._at(name), likelihood_drop(level)
        error = float(np.sqrt(self.covariance[at, at]))
        reach = normal_reach(level) * (error if error > 0 else 0.2)
        if at >= 2:
            others = np.array([self.restoration[other] for other in self.fitted if other != name])

            def height(q: float) -> float:
                return _height(
                    dataclasses.replace(self._problem, held=self._problem.held | {name: q}), others
                )

            low, high = (
                profile_limit(
                    height, float(self.restoration[name]), top=self.log_likelihood, drop=drop, sign=sign, reach=reach,
                    end=end, tolerance=1e-9,
                )
                for sign, end in ((-1.0, 0.0), (1.0, _MOST))
            )  # fmt: skip
            return low, np.inf if high >= _MOST else high

        def height_of_life(place: float) -> float:
            begin = np.log([self.scale, self.shape])
            begin[at] = place
            held = {"log_scale": place} if at == 0 else {"shape": float(np.exp(place))}
            return _height(dataclasses.replace(self._problem, begin=begin, **held), self._q())

        low, high = (
            profile_limit(
                height_of_life, self.parameters[at].place, top=self.log_likelihood, drop=drop, sign=sign, reach=reach,
                tolerance=1e-8,
            )
            for sign in (-1.0, 1.0)
        )  # fmt: skip
        return low, high

    def _q(self) -> Floats:
        return self.restoration.loc[list(self.fitted)].to_numpy(np.float64)

    def likelihood_ratio_tests(self) -> pd.DataFrame:
        r"""Test whether repairs renew (all fitted factors 0) and whether they change nothing (all 1).

        Returns
        -------
        DataFrame
            Index hypothesis (``renewed``, ``as bad as old``); degrees_of_freedom, log_likelihood under it,
            statistic (twice the loss) and p. nan where no life under it has a finite maximum.

        Notes
        -----
        0 lies at the end of the range. With one factor the statistic is then 0 in half of all cases, and p is
        half of that of :math:`\chi^2_1`; with m factors :math:`\chi^2_m` is used, which is too careful.
        """
        m = len(self.fitted)
        rows = {}
        for word, q in (("renewed", 0.0), ("as bad as old", 1.0)):
            try:
                value = self._problem.highest(np.full(m, q))[0]
            except NoFiniteMaximum:
                value = np.nan
            loss = max(2 * (self.log_likelihood - value), 0.0) if np.isfinite(value) else np.nan
            p = float(chdtrc(m, loss)) if m else np.nan
            if word == "renewed" and m == 1:
                p = 1.0 if loss == 0 else p / 2
            rows[word] = (m, value, loss, p)
        return pd.DataFrame.from_dict(
            rows, orient="index", columns=["degrees_of_freedom", "log_likelihood", "statistic", "p"]
        ).rename_axis("hypothesis")

    def to_frame(self, *, level: float = 0.95, method: str = "profile") -> pd.DataFrame:
        """Return the parameters as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].
        method : str
            Of the bounds: ``profile`` or ``wald``.

        Returns
        -------
        DataFrame
            Index parameter (scale, shape, then groups); columns value, standard_error, lower, upper (profile,
            of the scale Wald), unit; assumed factors without error and bounds.
        """
        table = self.parameter_table(level=level, method=method)
        for name, q in self.restoration.items():
            if name not in self.fitted:
                table.loc[name] = [q, np.nan, np.nan, np.nan, "-"]
        return table.loc[["scale", "shape", *self.restoration.index]]


def fit_restoration(
    lives: Fleet | RepairedLives,
    *,
    kind: str = "disbond",
    clock: str = "flight_hours",
    zones: Sequence[str] | None = None,
    by: str | None = None,
    restoration: Mapping[str, float] | float | None = None,
    shape: float | None = None,
) -> RestorationFit:
    r"""Fit imperfect repair: the Kijima type II virtual age that repairs leave, with the life.

    Parameters
    ----------
    lives : Fleet or RepairedLives
        The findings as loaded, or lives already built; the latter carry their groups.
    kind : str
        Kind of damage whose onset is wanted, for a fleet.
    clock : str
        ``flight_hours``, ``flight_cycles`` or ``calendar_days``, for a fleet.
    zones : sequence of str, optional
        Labels of the zones, for a fleet; default all.
    by : str, optional
        ``repair_class`` or ``repair_method``: each with a factor of its own. Default: all in one.
    restoration : float, or mapping of str to float, optional
        Factors to assume, for all groups or some; the rest is fitted [-].
    shape : float, optional
        Shape to assume instead of fitting it.

    Returns
    -------
    RestorationFit
        The maximum over factors between 0 and 2.

    Raises
    ------
    NoFiniteMaximum
        If the life has no finite maximum under any factors.
    ValueError
        If no life followed a repair, or a factor is impossible.

    See Also
    --------
    kit.life.lives.repairs.repaired_against_new : The same question as a ratio.
    kit.build_histories : Histories at virtual age with the factors as written.

    Notes
    -----
    After repair j the virtual age is :math:`V_j = q_j (V_{j-1} + x_j)`, with :math:`x_j` the age that passed
    since the repair before, and runs on from there; a life between repairs enters at :math:`V_j`, and adds
    :math:`\log[S(V_j + l) - S(V_j + u)] - \log S(V_j)`. A shape of 1 makes all factors alike, so near it the
    bounds are wide. The factor is one number for a whole panel: the rest of a panel keeps its age whatever
    the patch is like, which keeps the factor of small repairs high.

    References
    ----------
    .. [1] M. Kijima, "Some results for repairable systems with general repair", *Journal of Applied
       Probability* 26, 1989, 89-102, model II.
    """
    lives = lives_with_repairs(lives, kind=kind, clock=clock, zones=zones, by=by)
    if restoration is None:
        held = {}
    elif isinstance(restoration, Mapping):
        held = {str(name): float(q) for name, q in restoration.items()}
    else:
        held = dict.fromkeys(lives.groups, float(restoration))
    unknown = [name for name in held if name not in lives.groups]
    if unknown:
        raise ValueError(
            f"`restoration` must name groups of repairs. Got {', '.join(unknown)}. There are {', '.join(lives.groups)}."
        )
    lives.restoration(dict.fromkeys(lives.groups, 0.0) | held)  # refuses what is not within 0 and 2
    problem = _Problem(lives, held, shape, np.zeros(2))
    m = len(problem.free)
    first, why = None, None
    for q in (0.5, *_STARTS):
        try:
            first = fit_weibull(lives.at(problem.factors(np.full(m, q))), shape=shape)
            break
        except NoFiniteMaximum as reason:
            why = why or reason
    if first is None:
        raise why
    problem = dataclasses.replace(problem, begin=np.log([first.scale, first.shape]))
    value, q = _highest(problem, [np.full(m, start) for start in _STARTS])
    factors = problem.factors(q)
    life = fit_weibull(lives.at(factors), shape=shape)
    return RestorationFit(
        restoration=pd.Series(
            {name: factors[name] for name in lives.groups}, name="restoration", dtype=np.float64
        ),
        fitted=problem.free,
        life=life,
        log_likelihood=life.log_likelihood if m == 0 else max(value, life.log_likelihood),
        covariance=_covariance(problem, np.r_[np.log([life.scale, life.shape]), q]),
        lives=lives,
        _problem=problem,
    )


def _height(problem: _Problem, begin: Floats) -> float:
    """Highest log-likelihood, minus infinity where the life has no finite maximum."""
    try:
        return _highest(problem, [begin])[0]
    except NoFiniteMaximum:
        return -np.inf


def _highest(problem: _Problem, starts: Sequence[Floats]) -> tuple[float, Floats]:
    """Highest log-likelihood over the fitted factors, and where."""
    m = len(problem.free)
    if m == 0:
        return problem.highest(np.empty(0))[0], np.empty(0)

    def surface(q: Floats) -> tuple[float, Floats]:
        try:
            value, point = problem.highest(q)
        except NoFiniteMaximum:
            return -np.inf, np.zeros(m)
        return value, problem.gradient(q, point)

    limits = np.tile([_LEAST, _MOST], (m, 1))
    best, at = -np.inf, np.clip(starts[0], _LEAST, _MOST)
    for start in starts:
        found = maximise(Followed(surface, limits, step=1e-5), start, limits=limits)
        if found.value > best:
            best, at = found.value, found.point
    if best == -np.inf:
        return problem.highest(at)[0], at  # says why there is none
    at, best = _polished(problem, at, best)
    # A factor that went to the end of its range is at 0 itself, where the likelihood is not lower there.
    for j in range(m):
        if at[j] < 1e-4:
            trial = at.copy()
            trial[j] = 0.0
            try:
                value = problem.highest(trial)[0]
            except NoFiniteMaximum:
                continue
            if value >= best - 1e-12:
                at, best = trial, value
    return best, at


def _polished(problem: _Problem, at: Floats, best: float) -> tuple[Floats, float]:
    """Take the last Newton steps on the factors inside their range."""
    inside = np.flatnonzero((at > 1e-4) & (at < _MOST - 1e-9))
    for _ in range(4):
        if not inside.size:
            break

        def slopes(q: Floats) -> Floats:
            return problem.gradient(q, problem.highest(q)[1])

        bend = second_derivatives(slopes, at, inside, 1e-5).T
        try:
            move = np.linalg.solve(-bend, slopes(at)[inside])
        except np.linalg.LinAlgError:
            break
        trial = at.copy()
        trial[inside] += move
        if np.abs(move).max() > 1e-3 or not ((trial >= 0) & (trial <= _MOST)).all():
            break
        value = problem.highest(trial)[0]
        if value < best - 1e-9:
            break
        at, best = trial, value
        if np.abs(move).max() < 1e-11:
            break
    return at, best


def _covariance(problem: _Problem, x: Floats) -> Floats:
    """Inverse of the observed information of log scale, log shape and the factors inside their range."""
    inside = np.r_[True, problem.shape is None, (x[2:] > 0) & (x[2:] < _MOST)]
    free = np.flatnonzero(inside)
    step = 1e-5 * np.where(free < 2, 1.0, np.minimum(1.0, x[free]))
    information = -second_derivatives(problem.full_gradient, x, free, step)
    out = np.full((x.size, x.size), np.nan)
    information = (information + information.T) / 2
    if np.linalg.eigvalsh(information).min() > 0:
        out[np.ix_(free, free)] = np.linalg.inv(information)
    return out
