"""First moisture, then disbond: how long each takes, from looks that may or may not have told moisture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.life.likelihood.families import WEIBULL
from kit.life.lives.censored import ages_of
from kit.numerics.confidence import likelihood_drop, normal_reach
from kit.numerics.covariance import second_derivatives
from kit.numerics.fit import Fit, Parameter
from kit.numerics.maximum import Followed, maximise
from kit.numerics.profile import profile_limit
from kit.numerics.quadrature import unit_nodes
from kit.numerics.refusals import NoFiniteMaximum, need
from kit.numerics.typing import Floats

PARAMETERS = ("moisture_scale", "moisture_shape", "disbond_scale", "disbond_shape")
"""Scale [clock units] and shape [-] of the age at moisture, and of the time from moisture to disbond."""

DRY_ROUTE = ("dry_disbond_scale", "dry_disbond_shape")
"""Scale [clock units] and shape [-] of the age at a disbond that needs no moisture, such as from an impact."""

_NODES = 24
_FLAT = 1e-5
_STEP = 1e-5  # of the differences of slopes


def _clustered(n: int) -> tuple[Floats, Floats]:
    """Gauss points on (0, 1), drawn together at both ends, where a life's density or survival may be steep."""
    x, w = unit_nodes(n)
    return x**4 * (35 - 84 * x + 70 * x**2 - 20 * x**3), w * 140 * (x * (1 - x)) ** 3


_X, _W = _clustered(_NODES)


@dataclass(frozen=True, eq=False)
class _Pieces:
    """Integrals over the age at moisture: each row is a sum of a few, and of a share never reached.

    A piece stands for the chance of moisture at t in (low, high] and of no disbond before `clean` and, if
    `stop` is finite, of disbond by `stop`. A tail stands for no moisture up to an age, and for what the dry
    route alone did by then: no disbond before `tail_clean`, and disbond by `tail_stop` if that is finite.
    """

    row: NDArray[np.int64]
    low: Floats
    high: Floats
    clean: Floats
    stop: Floats
    tail_row: NDArray[np.int64]
    tail_age: Floats
    tail_clean: Floats
    tail_stop: Floats
    weight: Floats

    def value(self, theta: Floats) -> tuple[float, Floats]:
        """Log-likelihood and its gradient by the logs of the four parameters."""
        chance, slope = self.chances(theta)
        with np.errstate(divide="ignore", invalid="ignore"):
            return float(self.weight @ np.log(chance)), (self.weight / chance) @ slope

    def chances(self, theta: Floats) -> tuple[Floats, Floats]:
        """Chance of each row, and its derivatives, shape (n_rows, 4), or 6 where the dry route is among the parameters."""
        n = self.weight.size
        log_a, k, log_b, m = theta[0], np.exp(theta[1]), theta[2], np.exp(theta[3])
        # Points lie where moisture is likely: evenly in its own distribution between low and high.
        with np.errstate(divide="ignore"):
            h_low = WEIBULL.cumulative_hazard(k * (np.log(self.low) - log_a))[0]
        h_high = WEIBULL.cumulative_hazard(np.minimum(k * (np.log(self.high) - log_a), 700.0))[0]
        reached = np.exp(-h_low) * -np.expm1(h_low - h_high)
        h = h_low[:, None] - np.log1p(_X * np.expm1(h_low - h_high)[:, None])
        z = WEIBULL.inverse_cumulative_hazard(np.maximum(h, 1e-300))
        t = np.exp(z / k + log_a)
        t = np.clip(t, self.low[:, None], self.high[:, None])
        density = reached[:, None] * _W
        # Derivatives of the log density by log scale and log shape.
        slope = WEIBULL.log_hazard(z)[1] - WEIBULL.cumulative_hazard(z)[1]
        by_scale, by_shape = -k * slope, 1 + z * slope
        survive, s_scale, s_shape = _survival(self.clean[:, None] - t, log_b, m)
        fail, f_scale, f_shape = _survival(self.stop[:, None] - t, log_b, m)
        dry = theta[4:]
        held, kept = (_dry_survival(age, dry) for age in (self.clean, self.stop))
        inner, i_scale, i_shape = (
            one * held[0][:, None] - other * kept[0][:, None]
            for one, other in ((survive, fail), (s_scale, f_scale), (s_shape, f_shape))
        )
        parts = [
            (density * inner).sum(axis=1),
            (density * by_scale * inner).sum(axis=1),
            (density * by_shape * inner).sum(axis=1),
            (density * i_scale).sum(axis=1),
            (density * i_shape).sum(axis=1),
        ]
        if dry.size:
            whole, broken = (density * survive).sum(axis=1), (density * fail).sum(axis=1)
            parts += [whole * held[k] - broken * kept[k] for k in (1, 2)]
        out = np.stack([np.bincount(self.row, part, n) for part in parts])
        tail = _survival(self.tail_age, log_a, k)
        held, kept = (_dry_survival(age, dry) for age in (self.tail_clean, self.tail_stop))
        by = [tail[m] * (held[0] - kept[0]) for m in range(3)]
        if dry.size:
            by += [np.zeros(tail[0].size)] * 2 + [tail[0] * (held[m] - kept[m]) for m in (1, 2)]
        for m, part in enumerate(by):
            out[m] += np.bincount(self.tail_row, part, n)
        return out[0], out[1:].T


def _survival(age: Floats, log_scale: float, shape: float) -> tuple[Floats, Floats, Floats]:
    """Weibull survival, 1 before age 0 and 0 at infinity, and its derivatives by log scale and log shape."""
    inside = (age > 0) & np.isfinite(age)
    z = shape * (np.log(np.where(inside, age, 1.0)) - log_scale)
    h, slope, _ = WEIBULL.cumulative_hazard(np.minimum(z, 700.0))
    s = np.where(inside, np.exp(-h), np.where(age > 0, 0.0, 1.0))
    rate = np.where(inside, slope * s, 0.0)
    return s, shape * rate, np.where(inside, -z, 0.0) * rate


def _dry_survival(age: Floats, dry: Floats) -> tuple[Floats, Floats, Floats]:
    """Survival of the dry route with its derivatives; 1 at every age and 0 at infinity where there is no such route."""
    if dry.size:
        return _survival(age, dry[0], float(np.exp(dry[1])))
    none = np.zeros(age.size)
    return np.where(np.isfinite(age), 1.0, 0.0), none, none


@dataclass(frozen=True, eq=False, kw_only=True)
class MoistureThenDisbond(Fit):
    r"""Two Weibull stages: age at moisture, and time from moisture to disbond; a dry disbond beside them where asked for.

    Parameters
    ----------
    estimates : dict of str to float
        By the names in `kit.life.causes.two_stage.PARAMETERS`, and those of `DRY_ROUTE` where the route was asked for.
    covariance : ndarray, shape (4, 4) or (6, 6)
        Of the logs of the parameters; nan for those that were assumed.
    log_likelihood : float
        At the maximum [-].
    n_lives, n_moisture, n_disbond : float
        Lives, and those with moisture and with disbond seen [-].
    assumed : tuple of str
        Parameters that were not fitted.
    excluded : DataFrame
        Lives left out: columns life, reason.
    n_dry : float
        Lives whose disbond was found with no moisture there [-].
    """

    estimates: dict[str, float]
    covariance: Floats
    log_likelihood: float
    n_lives: float
    n_moisture: float
    n_disbond: float
    assumed: tuple[str, ...]
    excluded: pd.DataFrame = field(repr=False)
    n_dry: float = 0.0
    _pieces: _Pieces = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the parameters and the evidence."""
        e = self.estimates
        return (
            f"MoistureThenDisbond(moisture {e['moisture_scale']:.4g}, {e['moisture_shape']:.3g}; then disbond "
            f"{e['disbond_scale']:.4g}, {e['disbond_shape']:.3g}; moisture seen in {self.n_moisture:g}, disbond in "
            f"{self.n_disbond:g} of {self.n_lives:g} lives)"
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [f"{name.replace('_', ' ')} is assumed, not fitted" for name in self.assumed]
        if self.n_moisture == 0:
            notes.append(
                "moisture was never seen by itself: the two stages are distinguished by their shapes only"
            )
        if DRY_ROUTE[0] in self.estimates and self.n_dry == 0:
            notes.append(
                "no disbond was found dry: the dry route is distinguished from that over moisture by the shapes only"
            )
        return tuple(notes)

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Scale and shape of both stages, and of the dry route where there is one."""
        return tuple(
            Parameter(name=name, value=self.estimates[name], unit="-" if name.endswith("shape") else "age", is_given=name in self.assumed)
            for name in self.estimates
        )  # fmt: skip

    def profile_bounds(self, name: str, level: float) -> tuple[float, float]:
        """Return bounds by likelihood ratio.

        Parameters
        ----------
        name : str
            One of `kit.life.two_stage.PARAMETERS`.
        level : float
            Confidence [-].

        Returns
        -------
        tuple of float
            Ends of the log of the parameter.
        """
        at = self._at(name)
        begin = np.array([parameter.place for parameter in self.parameters])
        free = np.array(
            [i for i, p in enumerate(self.parameters) if not p.is_given and i != at], dtype=np.int64
        )

        def height(place: float) -> float:
            nonlocal begin
            start = begin.copy()
            start[at] = place
            value, point = _highest(self._pieces, start, free)
            if value >= self.log_likelihood - likelihood_drop(level):
                begin = point
            return value

        reach, ends = normal_reach(level) * float(np.sqrt(self.covariance[at, at])), []
        for sign in (-1.0, 1.0):
            begin = np.array([parameter.place for parameter in self.parameters])
            ends.append(
                profile_limit(
                    height, self.parameters[at].place, top=self.log_likelihood, drop=likelihood_drop(level), sign=sign,
                    reach=reach, farthest=12.0, tolerance=1e-7,
                )
            )  # fmt: skip
        return ends[0], ends[1]

    def shares(self, age: ArrayLike) -> pd.DataFrame:
        """Share of lives in each state by age.

        Parameters
        ----------
        age : array_like of float
            Ages [clock units].

        Returns
        -------
        DataFrame
            Columns age, clean, moisture (without disbond), disbond [-]; with the dry route also dry_disbond, the part of
            disbond that came before any moisture.
        """
        ages = np.atleast_1d(np.asarray(age, np.float64))
        theta = np.log(list(self.estimates.values()))
        n = ages.size
        row, some = np.arange(n), np.maximum(ages, 1e-300)
        none, never = np.empty(0), np.full(n, np.inf)
        pieces = _Pieces(row, np.zeros(n), some, some, never, row[:0], none, none, none, np.ones(n))
        wet = np.where(ages > 0, pieces.chances(theta)[0], 0.0)
        unbroken = _dry_survival(ages, theta[4:])[0]
        clean = _survival(ages, theta[0], float(np.exp(theta[1])))[0] * unbroken
        out = pd.DataFrame({"age": ages, "clean": clean, "moisture": wet, "disbond": 1 - clean - wet})
        if theta.size > len(PARAMETERS):
            # What came dry, before any moisture: evenly in the distribution of the dry route.
            reached = 1 - _survival(ages, theta[4], float(np.exp(theta[5])))[0]
            share = -np.log1p(-_X * reached[:, None])
            at = np.exp(theta[4]) * share ** np.exp(-theta[5])
            out["dry_disbond"] = reached * (_survival(at, theta[0], float(np.exp(theta[1])))[0] @ _W)
        return out

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
            Index parameter; columns value, standard_error, lower, upper, assumed.
        """
        table = self.parameter_table(level=level, method=method)
        return table.drop(columns="unit").assign(assumed=[name in self.assumed for name in table.index])


def fit_moisture_then_disbond(
    frame: pd.DataFrame, *, assumed: dict[str, float] | None = None, dry_route: bool = False
) -> MoistureThenDisbond:
    r"""Fit a progressive three-state model: the age at moisture, and the time from moisture to disbond.

    Parameters
    ----------
    frame : DataFrame
        One row a look: columns life, age [clock units], disbond (True, False) and moisture (True, False, or
        blank where the look could not tell). Optional, the same for all looks of a life: entry, the age at
        which it came under watch, whether there was moisture or not, because it was without disbond
        [clock units], and count.
    assumed : dict of str to float, optional
        Parameters that are not fitted, by the names in `kit.life.causes.two_stage.PARAMETERS` and `DRY_ROUTE`.
    dry_route : bool
        Whether a disbond may come without moisture too, such as from an impact, while moisture runs on. Without it
        lives that were found disbonded and dry are left out.

    Returns
    -------
    MoistureThenDisbond
        The maximum.

    Raises
    ------
    NoFiniteMaximum
        If no disbond was found, or the likelihood is flat at its highest point: then the looks do not tell
        the stages apart, and a parameter must be assumed.
    ValueError
        If a column is missing, or a value impossible.

    Notes
    -----
    With moisture at :math:`T_1` and disbond at :math:`T_1 + T_2`, both Weibull, a life clean of moisture at
    a, seen with it at b, without disbond at c and with it at d adds

    .. math:: \int_a^b f_1(t)\,[S_2((c - t)^+) - S_2(d - t)]\,dt,

    with d infinite where disbond was never found, b no later than d, and the share :math:`S_1` beyond the
    last look besides where neither was. With the dry route, whose age :math:`T_3` is Weibull and independent, the disbond
    comes at :math:`\min(T_1 + T_2, T_3)`: both terms are multiplied by :math:`S_3(c)` and :math:`S_3(d)`, and a life
    without moisture seen adds :math:`S_1(\cdot)\,[S_3(c) - S_3(d)]` for moisture that was still to come. A life that came under watch at v is divided by the chance of no
    disbond then; what a look at v says of moisture counts as any other look. The integral has 24 Gauss points to
    each side of c, drawn together at the ends. A look that finds disbond says nothing of moisture unless it
    says so; moisture found is there from then on.

    References
    ----------
    .. [1] P. Hougaard, *Analysis of Multivariate Survival Data*. New York: Springer, 2000, ch. 5 (multistate
       models; from memory).
    """
    need(
        "frame",
        frame,
        pd.DataFrame,
        "a table of looks",
        "Make a DataFrame with one row a look: life, age, disbond, moisture.",
    )
    rows, excluded = _lives(frame, dry_route=dry_route)
    held = dict(assumed or {})
    parameters = (*PARAMETERS, *DRY_ROUTE) if dry_route else PARAMETERS
    for name, value in held.items():
        if name not in parameters or not (np.isfinite(value) and value > 0):
            raise ValueError(
                f"`assumed` must hold positive values of {', '.join(parameters)}. Got {name}={value!r}."
            )
    if not len(rows) or not np.isfinite(rows["stop"]).any():
        raise NoFiniteMaximum(
            f"No fit: no disbond in {len(rows)} lives. What can be had: the age at moisture alone (`fit_weibull`)."
        )
    told = frame["moisture"].notna().any()
    if not told and not (
        {"moisture_scale", "moisture_shape"} <= held.keys()
        or {"disbond_scale", "disbond_shape"} <= held.keys()
    ):
        raise NoFiniteMaximum(
            "No fit: no look told whether there was moisture, and the sum of two stages is the same whichever comes first. "
            "What can be had: a fit with the scale and shape of one stage assumed (`assumed=`), or the age at disbond alone."
        )
    pieces = _pieces(rows, dry_route=dry_route)
    begin = _begin(rows)
    theta0 = np.array([np.log(held[name]) if name in held else begin[i] for i, name in enumerate(parameters)])
    free = np.array([i for i, name in enumerate(parameters) if name not in held], dtype=np.int64)

    surface = _surface(pieces, theta0, free)
    best = None
    for shift in (0.0, 0.7, -0.7):
        start = theta0[free].copy()
        start[np.isin(free, [2])] += shift
        found = maximise(Followed(surface, step=_STEP), start)
        if best is None or found.value > best.value:
            best = found
    if best is None or np.abs(best.point[np.isin(free, [1, 3, 5])]).max(initial=0) > 5:
        raise NoFiniteMaximum(_indistinguishable())
    top = maximise(lambda q: (*surface(q), lambda: _curvature(surface, q)), best.point)
    x, hessian = top.point, -_curvature(surface, top.point)
    if not (np.isfinite(hessian).all() and np.linalg.eigvalsh(hessian).min() > _FLAT):
        raise NoFiniteMaximum(_indistinguishable())
    covariance = np.full((len(parameters), len(parameters)), np.nan)
    covariance[np.ix_(free, free)] = np.linalg.inv(hessian)
    theta0[free] = x
    return MoistureThenDisbond(
        estimates={name: float(np.exp(value)) for name, value in zip(parameters, theta0, strict=True)},
        covariance=covariance,
        log_likelihood=top.value,
        n_lives=float(rows["count"].sum()),
        n_moisture=float(rows.loc[np.isfinite(rows["wet"]), "count"].sum()),
        n_disbond=float(rows.loc[np.isfinite(rows["stop"]), "count"].sum()),
        assumed=tuple(held),
        excluded=excluded,
        n_dry=float(rows.loc[rows["dry"] >= rows["stop"], "count"].sum()),
        _pieces=pieces,
    )


def _surface(
    pieces: _Pieces, theta: Floats, free: NDArray[np.int64]
) -> Callable[[Floats], tuple[float, Floats]]:
    """Log-likelihood with its slopes, by the logs of the parameters that are free."""

    def surface(x: Floats) -> tuple[float, Floats]:
        point = theta.copy()
        point[free] = x
        with np.errstate(all="ignore"):
            value, slope = pieces.value(point)
        return (value, slope[free]) if np.isfinite(value) else (-np.inf, np.zeros(free.size))

    return surface


def _highest(pieces: _Pieces, theta: Floats, free: NDArray[np.int64]) -> tuple[float, Floats]:
    """Highest log-likelihood over the parameters that are free, and where."""
    point = theta.copy()
    found = maximise(Followed(_surface(pieces, theta, free), step=_STEP), theta[free])
    point[free] = found.point
    return found.value, point


def _indistinguishable() -> str:
    return (
        "No fit: the likelihood is flat in at least one direction at its highest point, so the looks do not tell the age at "
        "moisture from the time to disbond. What can be had: a fit with a parameter assumed (`assumed={'disbond_shape': 1.0}`)."
    )


def _curvature(surface: Callable[[Floats], tuple[float, Floats]], x: Floats) -> Floats:
    """Matrix of second derivatives from the analytic first ones."""
    matrix = second_derivatives(lambda p: surface(p)[1], x, range(x.size), _STEP)
    return (matrix + matrix.T) / 2


def _lives(frame: pd.DataFrame, *, dry_route: bool = False) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Gather what is known of each life, one row each, and the lives left out."""
    missing = [name for name in ("life", "age", "moisture", "disbond") if name not in frame.columns]
    if missing:
        raise ValueError(
            f"`frame` must have the columns life, age, moisture and disbond. {', '.join(missing)} missing. Got "
            f"{', '.join(map(str, frame.columns))}."
        )
    looks = frame.copy()
    age = ages_of(looks, "life", "looks")
    for name in ("moisture", "disbond"):
        said = looks[name].isin([True, False]) | (looks[name].isna() if name == "moisture" else False)
        if not said.all():
            row = int(np.argmin(said))
            raise ValueError(
                f"`{name}` must be true{', false or blank' if name == 'moisture' else ' or false'}. Got "
                f"{looks[name].iloc[row]!r} in row {row} (life={looks['life'].iloc[row]!r})."
            )
    for name, default in (("entry", 0.0), ("count", 1.0)):
        if name not in looks.columns:
            looks[name] = default
        if (looks.groupby("life")[name].nunique() > 1).any():
            life = looks.groupby("life")[name].nunique().idxmax()
            raise ValueError(f"`{name}` must be the same for all looks of a life. Life {life!r} has several.")
    looks["wet_age"] = np.where(looks["moisture"].isin([True]), age, np.inf)
    looks["stop_age"] = np.where(looks["disbond"].isin([True]), age, np.inf)
    by = looks.groupby("life", sort=True)
    rows = by.agg(
        entry=("entry", "first"), count=("count", "first"), wet=("wet_age", "min"), stop=("stop_age", "min")
    )
    until = looks["life"].map(rows["stop"])
    looks["dry_age"] = np.where(
        looks["moisture"].isin([False]) & (age < looks["life"].map(rows["wet"])) & (age <= until), age, 0.0
    )
    looks["clean_age"] = np.where(looks["disbond"].isin([False]) & (age < until), age, 0.0)
    rows["dry"] = looks.groupby("life")["dry_age"].max()
    rows["clean"] = np.maximum(looks.groupby("life")["clean_age"].max(), rows["entry"])
    # Moisture seen at the look that found disbond came before it; seen only later it says nothing.
    rows["wet"] = np.where(rows["wet"] <= rows["stop"], rows["wet"], np.inf)
    prevalent = (rows["stop"] <= rows["entry"]) & np.isfinite(rows["stop"])
    dry_and_disbond = (rows["dry"] >= rows["stop"]) & ~prevalent & (not dry_route)
    nothing = (
        ~np.isfinite(rows["stop"]) & (rows["clean"] <= rows["entry"]) & ~np.isfinite(rows["wet"]) & ~prevalent
    )
    reasons = (
        (prevalent, "already disbonded at its entry (prevalent)"),
        (dry_and_disbond, "disbonded and said to be dry at one look"),
        (nothing, "no look after it came under watch"),
    )
    excluded = pd.concat(
        [pd.DataFrame({"life": rows.index[mask], "reason": why}, dtype=object) for mask, why in reasons],
        ignore_index=True,
    )
    return rows.loc[~(prevalent | dry_and_disbond | nothing)], excluded


def _pieces(rows: pd.DataFrame, *, dry_route: bool = False) -> _Pieces:
    """Integrals of the rows, and of what left-truncated rows are conditioned on."""
    n = len(rows)
    entry, count, wet, stop, dry, clean = (
        rows[name].to_numpy(np.float64) for name in ("entry", "count", "wet", "stop", "dry", "clean")
    )
    number = np.arange(n)
    late = np.flatnonzero(entry > 0)
    never_wet = np.isinf(wet)
    # Moisture came by the first look that showed it, by the disbond, or at any time to come.
    last = np.minimum(np.where(never_wet, np.inf, wet), stop)
    open_ended = np.isinf(last)
    # With a dry route moisture may still have been to come when the disbond was found.
    has_tail = open_ended | (never_wet & dry_route)
    horizon = np.where(np.isfinite(stop), np.maximum(stop, dry), np.maximum(clean, dry))
    high = np.where(open_ended, horizon, last)
    low_cut = np.clip(clean, np.minimum(dry, high), high)
    extra = n + np.arange(late.size)
    row = np.concatenate([number, number, extra])
    low = np.concatenate([dry, low_cut, np.zeros(late.size)])
    up = np.concatenate([low_cut, high, entry[late]])
    clean_all = np.concatenate([clean, clean, entry[late]])
    stop_all = np.concatenate([stop, stop, np.full(late.size, np.inf)])
    keep = up > low
    tails = np.flatnonzero(has_tail)
    return _Pieces(
        row[keep],
        low[keep],
        up[keep],
        clean_all[keep],
        stop_all[keep],
        np.concatenate([tails, extra]),
        np.concatenate([horizon[tails], entry[late]]),
        np.concatenate([clean[tails], entry[late]]),
        np.concatenate([stop[tails], np.full(late.size, np.inf)]),
        np.concatenate([count, -count[late]]),
    )


def _begin(rows: pd.DataFrame) -> Floats:
    """Rough logs of the parameters to begin with."""
    stop, wet = rows["stop"].to_numpy(np.float64), rows["wet"].to_numpy(np.float64)
    last = np.where(np.isfinite(stop), stop, rows["clean"].to_numpy(np.float64))
    finds = max(float(np.isfinite(stop).sum()), 1.0)
    wets = max(float((np.isfinite(wet) | np.isfinite(stop)).sum()), 1.0)
    whole = float(np.sum(last))
    first = np.log(max(whole, 1e-300) / wets)
    both = np.isfinite(stop) & np.isfinite(wet)
    gap = stop[both] - wet[both]
    second = np.log(np.mean(gap)) if gap.size and np.mean(gap) > 0 else first - 1.0 + np.log(wets / finds)
    dry = max(float((rows["dry"].to_numpy(np.float64) >= stop).sum()), 0.5)
    return np.array([first, np.log(1.5), second, np.log(1.2), np.log(max(whole, 1e-300) / dry), np.log(1.2)])
