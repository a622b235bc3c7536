"""How likely repeat mappings are at many points at once: the size integrated in closed form.

Let x be the log of the size at the first mapping and w the log of the growth there in proportion to the
size. Each mapping then has the log size x + h(w, t): exactly so where growth is straight or in proportion to
the size, and near the likeliest x of each w for any other form. With a normal error, and x and the log of
the rate normal together, the integral over x is that of a normal density; w alone is left for nodes.

What hangs on the parameters is linear in what the nodes fix, so that many points are products of
matrices. Where the form or a wide rounding step is not exact, each path is corrected to its chance by
`Likelihood` at the point for which the nodes were placed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kit.growth.forms import GrowthForm
from kit.growth.paths import (
    ARREST,
    BEND,
    ERROR,
    JUMP,
    MU,
    N_PARAMETERS,
    NU,
    SIGMA,
    STILL,
    TAU,
    Likelihood,
    Mappings,
    PathGroup,
    by_track,
    log_size_after,
    paths_of,
)
from kit.numerics.typing import Floats

_LOG_2PI = float(np.log(2 * np.pi))
_LEVELS = 5  # values that the extra variance of a mapping is taken to have
_WIDER, _NARROWER = 1.6, 0.6  # errors, as multiples of that at the placing, for which the nodes serve
_LEAST_REACH = 0.8  # spread of the logs of rates for which they serve at least
_FALL = 15.0  # in the log of the likelihood, beyond which a rate is left out
_COARSE = 81  # rates at which each path is first looked at
_MOST_NODES = 150
_STEP = (0.12, 0.3)  # least and greatest step of the log of the rate
_DELTA = 0.05  # of the log size, over which the slope of a form is taken
_MOST_MOVE, _MOST_MOVES = 0.7, 12  # of the log size, towards the likeliest
_BATCH = 40_000  # nodes worked out at once
_IMAGINARY = 1e-30  # step of derivatives along the imaginary axis, which lose no digits


@dataclass
class _Path:
    """Paths of one kind: what their nodes fix, in the order in which the coefficients stand.

    Given the node, minus twice the log of the integrand is C - 2 B u + A u² with u the log size less its
    likeliest; each of A, B and C is a sum of features times coefficients.
    """

    group: PathGroup
    n_rows: Floats  # (n_levels, n_paths)
    of_a: Floats  # (n_features, n_nodes)
    of_b: Floats
    of_c: Floats
    at: NDArray[np.int64]  # first node of each path
    base: Floats  # (n_nodes,) log weight of each node, less `top`
    top: Floats = field(default_factory=lambda: np.empty(0))  # (n_paths,)

    @property
    def lengths(self) -> NDArray[np.int64]:
        """Nodes of each path."""
        return np.diff(np.r_[self.at, self.base.size])


class ClosedLikelihood:
    """Log-likelihood of mappings, without priors, in the parameters of `Likelihood`; jumps are not in it.

    Parameters
    ----------
    data : Mappings
        The mappings.
    form : GrowthForm
        Form of growth.
    active : ndarray of bool, shape (11,)
        Which parameters are in the model.

    Raises
    ------
    ValueError
        If jumps are asked for.
    """

    def __init__(self, data: Mappings, form: GrowthForm, active: NDArray[np.bool_]) -> None:
        if active[JUMP]:
            raise ValueError("`active` must be without jumps. Got jumps; use `Likelihood`.")
        self.data, self.form, self.active = data, form, active
        self.level_of, self.levels = _levels(data.extra + data.rounding_variance)
        self.groups = paths_of(data, active)
        self.order, self.starts, self.track_of = by_track(self.groups)
        self.paths: list[_Path] = []

    def place(self, p: Floats, exact: Likelihood | None = None) -> None:
        """Place the nodes for points around one.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The point: errors of 0.6 to 1.6 times its own and rates as far as 1.6 times its spread are served.
        exact : Likelihood, optional
            Of the same mappings, with its nodes placed at the point: each path is corrected to it there.
        """
        precision = (1 / (np.exp(2 * p[ERROR]) + self.levels))[self.level_of]
        self.paths = [
            self._growing(group, p, precision[group.row])
            if group.grows
            else self._still(group, precision[group.row])
            for group in self.groups
        ]
        for path in self.paths:
            (a, b, c), _ = self._coefficients(p[None], path.group.grows)
            a, b, c = (a @ path.of_a)[0], (b @ path.of_b)[0], (c @ path.of_c)[0]
            path.top = np.maximum.reduceat(0.5 * (b * b / a - np.log(a) - c) + path.base, path.at)
            path.base = path.base - np.repeat(path.top, path.lengths)
        if exact is not None:
            off = exact.path_logs(p) - self._logs(p[None])[0]
            # A path that is all but impossible by both is left as it is.
            off = np.where(np.isfinite(off), off, 0.0)
            ends = np.cumsum([path.at.size for path in self.paths])
            for path, part in zip(self.paths, np.split(off, ends[:-1]), strict=True):
                path.top = path.top + part

    def values(self, points: Floats) -> Floats:
        """Log-likelihood at many points.

        Parameters
        ----------
        points : ndarray, shape (n, 11)
            The points.

        Returns
        -------
        ndarray, shape (n,)
            Values [-].
        """
        n = max(1, _BATCH // sum(path.base.size for path in self.paths))
        out = np.empty(len(points))
        for at in range(0, len(points), n):
            every = self._logs(points[at : at + n])[:, self.order]
            out[at : at + n] = np.logaddexp.reduceat(every, self.starts, axis=1).sum(axis=1)
        return out

    def value(self, p: Floats) -> tuple[float, Floats]:
        """Log-likelihood at one point, with its gradient.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The point.

        Returns
        -------
        value : float
            Log-likelihood [-].
        gradient : ndarray, shape (11,)
            By every parameter; 0 for those that are not in the model.
        """
        which = np.flatnonzero(self.active)
        near = p + 1j * _IMAGINARY * np.eye(N_PARAMETERS)[which]
        kept, logs = [], []
        of_growth = {grows: self._coefficients(p[None], grows) for grows in (True, False)}
        slope_of_growth = {grows: self._coefficients(near, grows) for grows in (True, False)}
        for path in self.paths:
            (a, b, c), constant = of_growth[path.group.grows]
            a, b, c = (a @ path.of_a)[0], (b @ path.of_b)[0], (c @ path.of_c)[0]
            d = 0.5 * (b * b / a - np.log(a) - c) + path.base
            top = np.maximum.reduceat(d, path.at)
            d = np.exp(d - np.repeat(top, path.lengths))
            total = np.add.reduceat(d, path.at)
            logs.append(top + np.log(total) + path.top + constant[0] + self._of_path(path, p[None])[0])
            kept.append((d / np.repeat(total, path.lengths), a, b))
        every = np.concatenate(logs)
        of_track = np.logaddexp.reduceat(every[self.order], self.starts)
        share = np.empty(every.size)
        share[self.order] = np.exp(every[self.order] - of_track[self.track_of])
        slope = np.zeros(which.size)
        at = 0
        for path, (d, a, b) in zip(self.paths, kept, strict=True):
            mine = share[at : at + path.at.size]
            at += path.at.size
            shares = d * np.repeat(mine, path.lengths)
            ratio = b / a
            (by_a, by_b, by_c), by_constant = slope_of_growth[path.group.grows]
            slope += by_a.imag @ (path.of_a @ (-0.5 * shares * (ratio * ratio + 1 / a)))
            slope += by_b.imag @ (path.of_b @ (shares * ratio)) - 0.5 * (by_c.imag @ (path.of_c @ shares))
            slope += by_constant.imag * mine.sum() + self._of_path(path, near).imag @ mine
        gradient = np.zeros(N_PARAMETERS)
        gradient[which] = slope / _IMAGINARY
        return float(of_track.sum()), gradient

    def _logs(self, points: Floats, *, careful: bool = False) -> Floats:
        """Log of the chance of every path at many points."""
        logs = []
        of_growth = {grows: self._coefficients(points, grows) for grows in (True, False)}
        for path in self.paths:
            (a, b, c), constant = of_growth[path.group.grows]
            curve = a @ path.of_a
            d = b @ path.of_b
            d *= d
            d /= curve
            np.log(curve, out=curve)
            d -= curve
            d -= c @ path.of_c
            d *= 0.5
            d += path.base
            top = path.top
            if careful:
                height = np.maximum.reduceat(d, path.at, axis=1)
                d -= np.repeat(height, path.lengths, axis=1)
                top = top + height
            with np.errstate(divide="ignore", over="ignore"):
                total = np.log(np.add.reduceat(np.exp(d, out=d), path.at, axis=1))
            logs.append(total + top + constant[:, None] + self._of_path(path, points))
        every = np.concatenate(logs, axis=1)
        # The heights at the placing keep all but far points within what the exponential can hold.
        far = ~np.isfinite(every).all(axis=1)
        if far.any() and not careful:
            every[far] = self._logs(points[far], careful=True)
        return every

    def _coefficients(self, points: Floats, grows: bool) -> tuple[tuple[Floats, Floats, Floats], Floats]:
        """Coefficients of the features of A, B and C at points, and the log of what all nodes share."""
        mu, tau, rho = points[:, MU], np.exp(points[:, TAU]), np.tanh(points[:, BEND])
        nu, sigma = points[:, NU], np.exp(points[:, SIGMA])
        levels = 1 / (np.exp(2 * points[:, ERROR])[:, None] + self.levels)
        k = 1 / tau**2
        if not grows:
            a, b, c = [k], [mu * k, -k], [mu**2 * k, -2 * mu * k, k]
            constant = -np.log(tau)
        else:
            # Given x the log of the rate has the mean nu + lean (x - mu) and the precision f.
            f = 1 / (sigma**2 * (1 - rho**2))
            lean = rho * sigma / tau
            s = nu - lean * mu
            a = [k + lean**2 * f, -2 * lean * f, f]
            b = [mu * k - f * lean * s, -k - f * lean**2, f * lean, f * s, f * lean, -f]
            c = [
                mu**2 * k + s**2 * f,
                2 * lean * s * f - 2 * mu * k,
                -2 * s * f,
                k + lean**2 * f,
                f,
                -2 * lean * f,
            ]
            constant = 0.5 * np.log(f) - np.log(tau) - 0.5 * _LOG_2PI
        return tuple(_beside(levels, part) for part in (a, b, c)), constant

    def _of_path(self, path: _Path, points: Floats) -> Floats:
        """Log of what the mappings' errors and the weight of each path add, by point."""
        level = -0.5 * np.log(np.exp(2 * points[:, ERROR])[:, None] + self.levels)
        out = level @ path.n_rows - 0.5 * _LOG_2PI * path.n_rows.sum(axis=0) + path.group.log_weight
        if not path.group.shares:
            return out
        if self.active[STILL]:
            still = points[:, STILL][:, None]
            out = out - np.log1p(np.exp(still if path.group.grows else -still))
        if self.active[ARREST] and path.group.grows:
            log_hazard = points[:, ARREST][:, None]
            out = out - np.exp(log_hazard) * path.group.grown
            out = out + log_hazard if path.group.arrests else out
        return out

    def _by_level(self, group: PathGroup, slope: Floats, off: Floats) -> tuple[Floats, tuple[Floats, ...]]:
        """Rows of each level; sums of slope², slope times residual, and residual² over them."""
        level = self.level_of[group.row]
        shape = (-1,) + (1,) * (slope.ndim - 1)
        masks = [(level == k).astype(np.float64) for k in range(self.levels.size)]
        rows = np.stack([np.add.reduceat(mask, group.first) for mask in masks])
        sums = tuple(
            np.stack([np.add.reduceat(mask.reshape(shape) * part, group.first, axis=0) for mask in masks])
            for part in (slope**2, slope * off, off**2)
        )
        return rows, sums

    def _still(self, group: PathGroup, precision: Floats) -> _Path:
        y = self.data.log_size[group.row]
        x = np.add.reduceat(precision * y, group.first) / np.add.reduceat(precision, group.first)
        off = y - np.repeat(x, group.lengths)
        rows, (p, q, r) = self._by_level(group, np.ones_like(off), off)
        one = np.ones_like(x)
        return _Path(
            group, rows, np.stack([*p, one]), np.stack([*q, one, x]), np.stack([*r, one, x, x * x]),
            np.arange(x.size), np.zeros_like(x),
        )  # fmt: skip

    def _growing(self, group: PathGroup, p: Floats, precision: Floats) -> _Path:
        low, high, step, guess = self._range(group, p, precision)
        n = np.clip(np.ceil((high - low) / step).astype(np.int64) + 1, 8, _MOST_NODES)
        most = np.arange(int(n.max()))
        w = low[:, None] + (high - low)[:, None] * np.minimum(most / (n[:, None] - 1), 1.0)
        x, off, slope, _ = self._likeliest(group, precision, w, guess(w))
        rows, sums = self._by_level(group, slope, off)
        lean, tilt = self._tilt(x)
        kept = most < n[:, None]
        p, q, r = (part[:, kept] for part in sums)
        x, v, t, one = x[kept], (w + lean)[kept], tilt[kept], np.ones(int(n.sum()))
        return _Path(
            group, rows, np.stack([*p, one, t, t * t]), np.stack([*q, one, x, v, t, t * x, t * v]),
            np.stack([*r, one, x, v, x * x, v * v, x * v]),
            np.r_[0, np.cumsum(n)[:-1]], np.repeat(np.log((high - low) / (n - 1)), n),
        )  # fmt: skip

    def _range(self, group: PathGroup, p: Floats, precision: Floats):
        """From where to where, and in what steps, the nodes of each path go; the likeliest sizes on the way."""
        weight = precision[:, None]
        longest = np.maximum.reduceat(group.time, group.first)
        shortest = np.minimum.reduceat(np.where(group.time > 0, group.time, np.inf), group.first)
        low, high = np.log(2e-4 / longest), np.log(20 / shortest)
        w = low[:, None] + (high - low)[:, None] * np.linspace(0, 1, _COARSE)
        first = self.data.log_size[group.row[group.first]]
        x, off, slope, speed = self._likeliest(
            group, precision, w, np.repeat(first[:, None], _COARSE, axis=1)
        )
        misfit = np.add.reduceat(weight * off**2, group.first, axis=0)
        misfit -= misfit.min(axis=1, keepdims=True)
        reach = max(_WIDER * float(np.exp(p[SIGMA])), _LEAST_REACH)
        fall = 0.5 * misfit / _WIDER**2 + 0.5 * ((w + self._tilt(x)[0] - p[NU]) / reach) ** 2
        inside = fall - fall.min(axis=1, keepdims=True) < _FALL
        rows = np.arange(first.size)
        low = w[rows, np.maximum(inside.argmax(axis=1) - 1, 0)]
        high = w[rows, np.minimum(_COARSE - inside[:, ::-1].argmax(axis=1), _COARSE - 1)]
        # How closely the mappings fix the rate, with the size fitted.
        cross = np.add.reduceat(weight * slope * speed, group.first, axis=0)
        across = np.add.reduceat(weight * slope**2, group.first, axis=0)
        told = np.add.reduceat(weight * speed**2, group.first, axis=0) - cross**2 / across
        tight = _NARROWER / np.sqrt(np.where(misfit < 8, np.maximum(told, 1e-12), 1e-12).max(axis=1))
        # The trapezoid rule is all but exact for steps below the narrowest spread of a bell.
        step = np.minimum(0.9 * tight, np.clip(0.55 * np.exp(p[SIGMA]), *_STEP))

        def guess(at: Floats) -> Floats:
            return np.stack([np.interp(at[k], w[k], x[k]) for k in rows])

        return low, high, step, guess

    def _tilt(self, x: Floats) -> tuple[Floats, Floats]:
        """Log of size over speed at log sizes, and its slope."""

        def lean(x: Floats) -> Floats:
            with np.errstate(over="ignore", divide="ignore"):
                return x - np.log(self.form.speed(np.exp(x)))

        return lean(x), (lean(x + _DELTA) - lean(x - _DELTA)) / (2 * _DELTA)

    def _likeliest(self, group: PathGroup, precision: Floats, w: Floats, x: Floats):
        """Likeliest log size at first for every rate, the residuals there, and their slopes by size and rate."""
        weight = precision[:, None]
        for _ in range(_MOST_MOVES):
            off, slope, _ = self._residuals(group, x, w)
            pull = np.add.reduceat(weight * slope * off, group.first, axis=0)
            move = pull / np.add.reduceat(weight * slope**2, group.first, axis=0)
            # Where a mapping's log size moves with that at first one by one, the first move is the last one.
            is_straight = np.abs(slope - 1).max() < 1e-9
            reach = _MOST_MOVE * (_MOST_MOVES if is_straight else 1)
            move = np.clip(move, -reach, reach)
            x = x + move
            if is_straight or np.abs(move).max() < 1e-6:
                break
        return x, *self._residuals(group, x, w)

    def _residuals(self, group: PathGroup, x: Floats, w: Floats) -> tuple[Floats, Floats, Floats]:
        lean, tilt = self._tilt(x)
        of_row = np.repeat(np.arange(group.first.size), group.lengths)
        rate, first = (w + lean)[of_row], x[of_row]
        at = log_size_after(self.form, first, rate, group.time[:, None])
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            a0, a = np.exp(first), np.exp(at)
            pace = self.form.speed(a) / a
            speed = np.minimum(np.exp(rate) * group.time[:, None] * pace, 1e3)
            slope = np.clip(pace * a0 / self.form.speed(a0) + speed * tilt[of_row], 1e-3, 1e3)
        return self.data.log_size[group.row][:, None] - at, slope, speed


def _beside(levels: NDArray, part: list[NDArray]) -> NDArray:
    """Put the columns of a part beside those of the levels; faster than to stack them, as it is done for each few points."""
    n = levels.shape[1]
    out = np.empty((levels.shape[0], n + len(part)), levels.dtype)
    out[:, :n] = levels
    for k, column in enumerate(part, n):
        out[:, k] = column
    return out


def _levels(extra: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Few values that stand for extra variances, and which stands for each."""
    values = np.unique(extra)
    if values.size <= _LEVELS + 1:
        return np.searchsorted(values, extra), values
    some = extra > 0
    cuts = np.quantile(extra[some], np.linspace(0, 1, _LEVELS + 1)[1:-1])
    code = np.where(some, 1 + np.searchsorted(cuts, extra), 0)
    count = np.bincount(code)
    return code, np.bincount(code, weights=extra) / np.maximum(count, 1)
