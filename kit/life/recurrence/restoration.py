"""How far a repair takes age back: the restoration factor, fitted together with the life."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.optimize import brentq, minimize
from scipy.special import chdtrc

from kit.findings import Fleet
from kit.life.fits.fit import LifeFit
from kit.life.fits.weibull import fit_weibull
from kit.life.likelihood.likelihood import PerfectTerms
from kit.life.likelihood.maximum import NoFiniteMaximum, maximise
from kit.life.lives.repairs import RepairedLives, repaired_lives
from kit.numerics.confidence import check_level, likelihood_drop, normal_reach
from kit.numerics.newton import second_derivatives
from kit.numerics.typing import Floats

_MOST = 2.0  # largest restoration factor; that of the repairs table
_LEAST = 1e-7  # below this, a factor is compared with 0 itself
_STARTS = (0.1, 0.6, 1.1)
_METHODS = ("wald", "profile")
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
        point, value, _ = maximise(PerfectTerms.from_rows(*self.rows(q)), self.begin, self.shape)
        return value, point

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
            h = np.where(age > 0, np.exp(z), 0.0)
            return h, np.where(age > 0, k * h / np.where(age > 0, age, 1.0), 0.0)

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


@dataclass(frozen=True, eq=False)
class RestorationFit:
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

    def _place(self, name: str) -> int:
        order = ("scale", "shape", *self.fitted)
        if name not in order:
            raise ValueError(f"`name` must be one of {', '.join(order)}. Got {name!r}.")
        return order.index(name)

    def standard_error(self, name: str) -> float:
        """Return the standard error of a parameter, with all others fitted too.

        Parameters
        ----------
        name : str
            ``scale``, ``shape`` or a group of repairs whose factor was fitted.

        Returns
        -------
        float
            In the parameter's unit; nan for a factor at the end of its range and an assumed shape.
        """
        at = self._place(name)
        se = float(np.sqrt(self.covariance[at, at]))
        return se * getattr(self, name) if at < 2 else se

    def bounds(self, name: str, *, level: float = 0.95, method: str = "profile") -> tuple[float, float]:
        """Two-sided bounds of a parameter.

        Parameters
        ----------
        name : str
            ``scale``, ``shape`` or a group of repairs whose factor was fitted.
        level : float
            Confidence [-].
        method : str
            ``profile`` (likelihood ratio; not for the scale) or ``wald`` (normal: on the log scale for scale
            and shape, plain for a factor and not below 0).

        Returns
        -------
        tuple of float
            Lower and upper bound; of a factor within 0 and 2, with inf where even 2 is not too much; nan for
            Wald bounds of a factor at the end of its range.

        Raises
        ------
        ValueError
            If a name, method or level is unknown.
        """
        at = self._place(name)
        if method not in _METHODS:
            raise ValueError(f"`method` must be one of {', '.join(_METHODS)}. Got {method!r}.")
        check_level(level)
        if method == "wald" or at < 2:
            reach = normal_reach(level) * float(np.sqrt(self.covariance[at, at]))
            if method == "profile":
                if name == "scale":
                    raise ValueError("`method` profile is for the factors and the shape. Got the scale.")
                return self._shape_bounds(reach, level)
            if at < 2:
                value = getattr(self, name)
                return float(value * np.exp(-reach)), float(value * np.exp(reach))
            if np.isnan(reach):
                return (float("nan"), float("nan"))
            return max(0.0, self.restoration[name] - reach), self.restoration[name] + reach
        return self._factor_bounds(name, level)

    def _shape_bounds(self, reach: float, level: float) -> tuple[float, float]:
        if self.life.shape_assumed:
            return (float("nan"), float("nan"))
        drop = likelihood_drop(level)

        def sunk(log_shape: float) -> float:
            problem = dataclasses.replace(self._problem, shape=float(np.exp(log_shape)))
            problem = dataclasses.replace(problem, begin=np.array([np.log(self.scale), log_shape]))
            return _highest(problem, [self._q()])[0] - self.log_likelihood + drop

        centre = float(np.log(self.shape))
        ends = []
        for sign in (-1.0, 1.0):
            far = centre + sign * reach
            while sunk(far) > 0:
                far += sign * reach
            ends.append(float(np.exp(brentq(sunk, centre, far, xtol=1e-8))))
        return ends[0], ends[1]

    def _factor_bounds(self, name: str, level: float) -> tuple[float, float]:
        drop = likelihood_drop(level)
        others = np.array([self.restoration[other] for other in self.fitted if other != name])

        def sunk(q: float) -> float:
            problem = dataclasses.replace(self._problem, held=self._problem.held | {name: q})
            return _highest(problem, [others])[0] - self.log_likelihood + drop

        centre = float(self.restoration[name])
        low, high = 0.0, np.inf
        if centre > 0 and sunk(0.0) < 0:
            low = float(brentq(sunk, 0.0, centre, xtol=1e-9))
        if centre < _MOST and sunk(_MOST) < 0:
            high = float(brentq(sunk, centre, _MOST, xtol=1e-9))
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

    def to_frame(self, *, level: float = 0.95) -> pd.DataFrame:
        """Return the parameters as a table.

        Parameters
        ----------
        level : float
            Confidence of the bounds [-].

        Returns
        -------
        DataFrame
            Index parameter (scale, shape, then groups); columns value, standard_error, lower, upper (profile,
            of the scale Wald), unit; assumed factors without error and bounds.
        """
        rows = {}
        for name, unit in (("scale", self.life.clock), ("shape", "-")):
            how = "wald" if name == "scale" else "profile"
            bounds = self.bounds(name, level=level, method=how)
            rows[name] = (getattr(self, name), self.standard_error(name), *bounds, unit)
        for name, q in self.restoration.items():
            told = name in self.fitted
            bounds = self.bounds(name, level=level) if told else (np.nan, np.nan)
            rows[name] = (q, self.standard_error(name) if told else np.nan, *bounds, "-")
        return pd.DataFrame.from_dict(
            rows, orient="index", columns=["value", "standard_error", "lower", "upper", "unit"]
        ).rename_axis("parameter")


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
    r"""Fit the virtual age that repairs leave, with the life, by maximum likelihood.

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
    if isinstance(lives, Fleet):
        lives = repaired_lives(lives, kind=kind, clock=clock, zones=zones, by=by)
    if not (lives.number > 0).any():
        raise ValueError(
            f"`lives` must hold lives after a repair. Got {len(lives)} first lives only: nothing tells what a repair does."
        )
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
        pd.Series({name: factors[name] for name in lives.groups}, name="restoration", dtype=np.float64),
        problem.free,
        life,
        life.log_likelihood if m == 0 else max(value, life.log_likelihood),
        _covariance(problem, np.r_[np.log([life.scale, life.shape]), q]),
        lives,
        problem,
    )


def _highest(problem: _Problem, starts: Sequence[Floats]) -> tuple[float, Floats]:
    """Highest log-likelihood over the fitted factors, and where."""
    m = len(problem.free)
    if m == 0:
        return problem.highest(np.empty(0))[0], np.empty(0)

    def minus(q: Floats) -> tuple[float, Floats]:
        try:
            value, point = problem.highest(q)
        except NoFiniteMaximum:
            return 1e300, np.zeros(m)
        return -value, -problem.gradient(q, point)

    best, at = -np.inf, None
    for start in starts:
        begin = np.clip(start, _LEAST, _MOST)
        found = minimize(
            minus,
            begin,
            jac=True,
            method="L-BFGS-B",
            bounds=[(_LEAST, _MOST)] * m,
            options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 200},
        )
        if -found.fun > best:
            best, at = -float(found.fun), np.asarray(found.x)
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
