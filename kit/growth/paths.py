"""How likely repeat mappings are under growth: paths of one damage, on nodes of its size and rate.

A track is one damage mapped one or more times. It may have stood still, grown all along, stopped on
the way, or jumped between two mappings; each of these is a path with its own nodes of the log of the
size at the first mapping and of the log of the rate, placed where the path is likely. The nodes do
not move while the likelihood is maximised, so that it is smooth.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.special import expit, ndtr

from kit.detection import DetectionCurve
from kit.growth.forms import GrowthForm
from kit.numerics.quadrature import line_nodes, unit_nodes
from kit.numerics.typing import Floats

MU, TAU, NU, SIGMA, BEND, ERROR, STILL, ARREST, JUMP, STEP, STEP_SD = range(11)
N_PARAMETERS = 11

_LOG_2PI = float(np.log(2 * np.pi))
_COARSE = 41  # nodes of the rate on which a path is first looked for
_RATE_NODES = 20  # nodes of the rate
_RATE_REACH = (-7.5, 4.5)  # standard deviations; slow rates that no size refutes tail off slowly
_SIZE_NODES = 5  # nodes of the size for each rate
_STILL_NODES = 9
_ARREST_NODES = 2  # ages of arrest in each gap between two mappings
_WIDE_STEP = 1.5  # standard deviations of the error
_SETTLED = 1e-9  # move of a log size below which it is the likeliest
_MOST_LOG_SIZE = 16.0  # larger sizes are all the same: impossible


class Mappings(NamedTuple):
    """Mappings of tracks, one track after the other in order of age.

    Parameters
    ----------
    log_size : ndarray, shape (n,)
        Log of the sizes as mapped [log mm].
    time : ndarray, shape (n,)
        Time since the first mapping of the track [clock units].
    step : ndarray, shape (n,)
        Step to which the size was rounded; 0 where it was not [mm].
    extra : ndarray, shape (n,)
        Variance of the log of the size beyond that of a measurement, where the width was assumed [-].
    start : ndarray of int, shape (n_tracks + 1,)
        Where the mappings of each track begin.
    """

    log_size: Floats
    time: Floats
    step: Floats
    extra: Floats
    start: NDArray[np.int64]

    @property
    def n_tracks(self) -> int:
        """Number of tracks."""
        return self.start.size - 1

    @property
    def rounding_variance(self) -> Floats:
        """Variance of the logs of the sizes by rounding, if it counts as a little more error [-]."""
        return (self.step / np.exp(self.log_size)) ** 2 / 12

    def some(self, every: int) -> Mappings:
        """Return every so manyth track."""
        return self.take(np.arange(0, self.n_tracks, every))

    def take(self, tracks: NDArray[np.int64]) -> Mappings:
        """Return some tracks.

        Parameters
        ----------
        tracks : ndarray of int
            Their numbers, in order.

        Returns
        -------
        Mappings
            Their mappings.
        """
        length = np.diff(self.start)[tracks]
        start = np.r_[0, np.cumsum(length)]
        rows = np.arange(start[-1]) - np.repeat(start[:-1] - self.start[tracks], length)
        return Mappings(self.log_size[rows], self.time[rows], self.step[rows], self.extra[rows], start)


@dataclass
class PathGroup:
    """Paths of one kind, with their rows and nodes.

    Parameters
    ----------
    owner : ndarray of int, shape (n_paths,)
        Track of each path.
    row : ndarray of int, shape (n_rows,)
        Mapping of each row, path after path.
    first : ndarray of int, shape (n_paths,)
        First row of each path.
    time : ndarray, shape (n_rows,)
        Time that the damage has grown by each row [clock units].
    after : ndarray of bool, shape (n_rows,)
        Rows after a jump.
    grows, jumps : bool
        Kind of the paths.
    log_weight : ndarray, shape (n_paths,)
        Part of the log of the weight that hangs on no parameter.
    grown : ndarray, shape (n_paths,)
        Time at which arrest has not yet come, or has come [clock units].
    arrests : bool
        Whether growth stops on the way.
    n_calm, n_jumps : ndarray, shape (n_paths,)
        Gaps without and with a jump.
    shares : bool
        Whether the weight holds the share that stands still; not so for damage mapped at one age.
    """

    owner: NDArray[np.int64]
    row: NDArray[np.int64]
    first: NDArray[np.int64]
    time: Floats
    after: NDArray[np.bool_]
    grows: bool
    jumps: bool
    log_weight: Floats
    grown: Floats
    arrests: bool
    n_calm: Floats
    n_jumps: Floats
    shares: bool
    x: Floats = field(default_factory=lambda: np.empty((0, 0)))
    v: Floats = field(default_factory=lambda: np.empty((0, 0)))
    base: Floats = field(default_factory=lambda: np.empty((0, 0)))
    terms: Floats = field(default_factory=lambda: np.empty((0, 0)))
    squares: Floats | None = None
    off: Floats | None = None
    below: Floats | None = None
    above: Floats | None = None

    @property
    def lengths(self) -> NDArray[np.int64]:
        """Number of rows of each path."""
        return np.diff(np.r_[self.first, self.row.size])

    @cached_property
    def _adds(self) -> csr_matrix:
        start = np.r_[self.first, self.row.size]
        return csr_matrix(
            (np.ones(self.row.size), np.arange(self.row.size), start), shape=(self.first.size, self.row.size)
        )

    def sums(self, rows: Floats) -> Floats:
        """Add up the rows of each path.

        Parameters
        ----------
        rows : ndarray, shape (n_rows, ...)
            Of at most two dimensions.

        Returns
        -------
        ndarray, shape (n_paths, ...)
            Sums; by a sparse matrix, which takes a tenth of the time of `numpy.add.reduceat` along the first of two dimensions.
        """
        return self._adds @ rows


def paths_of(data: Mappings, active: NDArray[np.bool_]) -> list[PathGroup]:
    """Return the paths that every track may have taken.

    Parameters
    ----------
    data : Mappings
        The mappings.
    active : ndarray of bool, shape (11,)
        Which parameters are in the model.

    Returns
    -------
    list of PathGroup
        By kind, without nodes.
    """
    n = data.n_tracks
    length = np.diff(data.start)
    last = data.time[data.start[1:] - 1]
    again = np.flatnonzero(last > 0)
    once = np.flatnonzero(last <= 0)
    track = np.repeat(np.arange(n), length)
    new_age = np.r_[False, np.diff(data.time) > 0] & np.r_[False, track[1:] == track[:-1]]
    gaps = np.bincount(track[new_age], minlength=n).astype(np.float64)

    def group(tracks, *, grows, grown=None, arrests=False, log_weight=None, jump_row=None, shares=True):
        lengths = length[tracks]
        first = np.r_[0, np.cumsum(lengths)[:-1]].astype(np.int64)
        row = np.arange(lengths.sum()) - np.repeat(first - data.start[:-1][tracks], lengths)
        time = data.time[row]
        end = last[tracks] if grown is None else grown
        if arrests:
            time = np.minimum(time, np.repeat(end, lengths))
        jumps = jump_row is not None
        after = row >= np.repeat(jump_row, lengths) if jumps else np.zeros(row.size, bool)
        weight = np.zeros(tracks.size) if log_weight is None else log_weight
        n_jumps = np.full(tracks.size, float(jumps))
        return PathGroup(
            tracks, row, first, time, after, grows, jumps, weight, end, arrests,
            np.where(shares, gaps[tracks], 0.0) - n_jumps, n_jumps, shares,
        )  # fmt: skip

    groups = []
    if once.size:
        groups.append(group(once, grows=False, shares=False))
    if again.size:
        groups.append(group(again, grows=True))
        if active[STILL]:
            groups.append(group(again, grows=False))
    begin = np.flatnonzero(new_age)  # the first mapping after each gap
    if active[ARREST] and begin.size:
        nodes = unit_nodes(_ARREST_NODES)
        wide = data.time[begin] - data.time[begin - 1]
        for node, share in zip(*nodes, strict=True):
            stop = data.time[begin - 1] + node * wide
            groups.append(
                group(track[begin], grows=True, grown=stop, arrests=True, log_weight=np.log(share * wide))
            )
    if active[JUMP] and begin.size:
        groups.append(group(track[begin], grows=True, jump_row=begin))
        if active[STILL]:
            groups.append(group(track[begin], grows=False, jump_row=begin))
    return groups


def by_track(groups: list[PathGroup]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Sort the paths of all groups by their track.

    Parameters
    ----------
    groups : list of PathGroup
        As `paths_of` gives them.

    Returns
    -------
    order : ndarray of int, shape (n_paths,)
        Paths, track by track.
    starts : ndarray of int, shape (n_tracks,)
        Where each track begins in that order.
    track_of : ndarray of int, shape (n_paths,)
        Number of the track of each, in that order.
    """
    owners = np.concatenate([group.owner for group in groups])
    order = np.argsort(owners, kind="stable")
    other = owners[order][1:] != owners[order][:-1]
    return order, np.flatnonzero(np.r_[True, other]), np.cumsum(np.r_[False, other])


def log_size_after(form: GrowthForm, x: Floats, v: Floats, time: Floats) -> Floats:
    """Log of the size at times, from logs of the size at first and of the rate.

    Parameters
    ----------
    form : GrowthForm
        Form of growth.
    x, v : ndarray
        Logs of the size at first [log mm] and of the rate.
    time : ndarray
        Times since [clock units].

    Returns
    -------
    ndarray
        Logs of the sizes; an infinite one counts as impossibly large [log mm].
    """
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
        size = form.size_at(form.position(np.exp(x)) + np.exp(v) * time)
        return np.minimum(np.log(size), _MOST_LOG_SIZE)


class Likelihood:
    """Log-likelihood of mappings in eleven parameters, with its gradient.

    A step of rounding narrower than 1.5 times the error counts as a little more error (Sheppard's correction);
    of a wider one the chance is worked out, but for paths with a jump.

    Parameters
    ----------
    data : Mappings
        The mappings.
    form : GrowthForm
        Form of growth.
    active : ndarray of bool, shape (11,)
        Which parameters are in the model.
    curve : DetectionCurve or None
        POD by size of the look that found the damage, if the tracks are to be conditioned on it.
    """

    def __init__(
        self,
        data: Mappings,
        form: GrowthForm,
        active: NDArray[np.bool_],
        curve: DetectionCurve | None = None,
    ) -> None:
        self.data, self.form, self.active = data, form, active
        self.curve = curve
        size = np.exp(data.log_size)
        self.low = np.log(np.maximum(size - data.step / 2, 1e-6 * size))
        self.high = np.log(size + data.step / 2)
        self.groups = paths_of(data, active)
        self.order, self.starts, self.track_of = by_track(self.groups)

    def place(self, p: Floats) -> None:
        """Place the nodes of every path where it is likely under some parameters.

        Parameters
        ----------
        p : ndarray, shape (N_PARAMETERS,)
            Parameters in the coordinates of the search.
        """
        # A narrow step is a little more error; the chance of a wide one is worked out.
        self.is_wide = self.high - self.low > _WIDE_STEP * np.exp(p[ERROR])
        for group in self.groups:
            if group.grows:
                self._place_growing(group, p)
            else:
                self._place_still(group, p)
            self._prepare(group)

    def _precision(self, group: PathGroup, p: Floats) -> tuple[Floats, Floats]:
        """Log sizes and precisions of the rows, with a jump as one more error."""
        data, row = self.data, group.row
        variance = np.exp(2 * p[ERROR]) + data.extra[row] + self.data.rounding_variance[row]
        y = data.log_size[row]
        if group.jumps:
            variance = variance + group.after * np.exp(2 * p[STEP_SD])
            y = y - group.after * p[STEP]
        return y, 1 / variance

    def _place_still(self, group: PathGroup, p: Floats) -> None:
        y, precision = self._precision(group, p)
        total = group.sums(precision) + np.exp(-2 * p[TAU])
        centre = (group.sums(y * precision) + p[MU] * np.exp(-2 * p[TAU])) / total
        t, log_weight = line_nodes(_STILL_NODES)
        s = 1 / np.sqrt(total)
        group.x = centre[:, None] + s[:, None] * t
        group.v = np.zeros_like(group.x)
        group.base = log_weight + np.log(s)[:, None]

    def _place_growing(self, group: PathGroup, p: Floats) -> None:
        sigma = np.exp(p[SIGMA])
        reach = 5.5 + 0.5 / sigma
        line = p[NU] + sigma * np.linspace(-reach, reach, _COARSE)
        v = np.broadcast_to(line, (group.first.size, _COARSE))
        for _ in range(3):
            _, log_density, _ = self._likeliest_size(group, p, v)
            weight = np.exp(log_density - log_density.max(axis=1, keepdims=True))
            weight /= weight.sum(axis=1, keepdims=True)
            mean = (weight * v).sum(axis=1)
            spread = np.sqrt((weight * (v - mean[:, None]) ** 2).sum(axis=1))
            spread = np.maximum(spread, 0.4 * (v[:, 1] - v[:, 0]))
            v = mean[:, None] + spread[:, None] * np.linspace(*_RATE_REACH, _RATE_NODES)
        x, _, s = self._likeliest_size(group, p, v)
        t, log_weight = line_nodes(_SIZE_NODES)
        n = group.first.size
        log_step = np.log(v[:, 1] - v[:, 0])
        group.x = (x[..., None] + s[..., None] * t).reshape(n, -1)
        group.v = np.repeat(v, _SIZE_NODES, axis=1)
        base = log_weight + np.log(s)[..., None] + log_step[:, None, None]
        group.base = base.reshape(n, -1)

    def _likeliest_size(self, group: PathGroup, p: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
        """For every rate: the likeliest log size at first, the log density there, and its width."""
        y, precision = self._precision(group, p)
        of_row = np.repeat(np.arange(group.first.size), group.lengths)
        rho = np.tanh(p[BEND])
        tau, sigma = np.exp(p[TAU]), np.exp(p[SIGMA])
        prior_mean = p[MU] + rho * tau / sigma * (v - p[NU])
        prior_precision = 1 / (tau**2 * (1 - rho**2))
        y1 = y[group.first][:, None]
        x = np.minimum(prior_mean, y1) * 0.2 + 0.8 * y1
        rows_v = v[of_row]
        time = group.time[:, None]
        for _ in range(5):
            rows_x = x[of_row]
            at = log_size_after(self.form, rows_x, rows_v, time)
            with np.errstate(over="ignore"):
                a0, a = np.exp(rows_x), np.exp(at)
                slope = self.form.speed(a) / a * a0 / self.form.speed(a0)
            slope = np.clip(slope, 1e-3, 1e3)
            pull = group.sums(precision[:, None] * slope * (y[:, None] - at))
            width = group.sums(precision[:, None] * slope**2) + prior_precision
            move = (pull + prior_precision * (prior_mean - x)) / width
            x = x + np.clip(move, -1.0, 1.0)
            if np.abs(move).max() < _SETTLED:
                break
        at = log_size_after(self.form, x[of_row], rows_v, time)
        log_density = (
            -0.5 * group.sums(precision[:, None] * (y[:, None] - at) ** 2)
            - 0.5 * prior_precision * (x - prior_mean) ** 2
            - 0.5 * ((v - p[NU]) / sigma) ** 2
            - 0.5 * np.log(width)
        )
        return x, log_density, 1 / np.sqrt(width)

    def _prepare(self, group: PathGroup) -> None:
        """Work out what the nodes fix: residuals and products of sizes and rates."""
        lengths = group.lengths
        if self.curve is not None:
            with np.errstate(divide="ignore"):
                group.base = group.base + np.log(
                    sum(share * plateau for share, plateau in self.curve.sides)
                    * self.curve.relative(np.exp(group.x))
                )
        x, v = group.x.ravel(), group.v.ravel()
        group.terms = np.stack([x, v, x * x, v * v, x * v]) if group.grows else np.stack([x, x * x])
        if group.grows:
            at = log_size_after(
                self.form,
                np.repeat(group.x, lengths, axis=0),
                np.repeat(group.v, lengths, axis=0),
                group.time[:, None],
            )
        else:
            at = np.repeat(group.x, lengths, axis=0)
        data, row = self.data, group.row
        group.off = data.log_size[row][:, None] - at
        simple = not (group.jumps or data.extra[row].any() or data.step[row].any())
        group.squares = group.sums(group.off**2) if simple else None
        group.below = group.above = None
        wide = np.zeros(row.size, bool) if group.jumps else self.is_wide[row]
        if wide.any():
            group.below = self.low[row[wide]][:, None] - at[wide]
            group.above = self.high[row[wide]][:, None] - at[wide]

    def _of_rows(self, group: PathGroup, p: Floats) -> tuple[Floats, Floats, Floats | None, Floats | None]:
        """Log density of the mappings at each node; derivatives by log error, jump and its spread."""
        data, row, first = self.data, group.row, group.first
        error2 = np.exp(2 * p[ERROR])
        if group.squares is not None:
            n = np.diff(np.r_[first, row.size])[:, None]
            part = group.squares / error2
            return -0.5 * part - n * (p[ERROR] + 0.5 * _LOG_2PI), part - n, None, None
        stepped = np.zeros(row.size, bool) if group.below is None else self.is_wide[row]
        variance = error2 + data.extra[row] + np.where(stepped, 0.0, data.rounding_variance[row])
        precision = 1 / variance
        off = group.off
        log_rows, slope = np.empty_like(off), np.empty_like(off)
        even = slice(None) if group.below is None else ~stepped
        part = off[even] ** 2 * precision[even][:, None]
        log_rows[even] = -0.5 * part - 0.5 * (_LOG_2PI + np.log(variance[even]))[:, None]
        slope[even] = (error2 * precision[even])[:, None] * (part - 1)
        if group.below is not None:
            sd = np.sqrt(variance[stepped])[:, None]
            low, high = group.below / sd, group.above / sd
            # The chance between two points above the middle is that between their mirror images: its digits stay.
            flip = low > 0
            chance = ndtr(np.where(flip, -low, high)) - ndtr(np.where(flip, -high, low))
            np.maximum(chance, 1e-290, out=chance)
            # A chance of a step, put as a density of the log of the size, so that steps of 0 join on.
            wide = (self.high - self.low)[row[stepped]][:, None]
            log_rows[stepped] = np.log(chance / wide)
            low *= np.exp(-0.5 * low**2)
            high *= np.exp(-0.5 * high**2)
            low -= high
            low /= chance
            low *= (error2 * precision[stepped] / np.sqrt(2 * np.pi))[:, None]
            slope[stepped] = low
        log_density = group.sums(log_rows)
        by_error = group.sums(slope)
        if not group.jumps:
            return log_density, by_error, None, None
        after = group.after
        step2 = np.exp(2 * p[STEP_SD])
        p_after = group.sums(precision * after)[:, None]
        q_after = group.sums(precision**2 * after)[:, None]
        pull = group.sums((precision * after)[:, None] * off)
        pull2 = group.sums((precision**2 * after)[:, None] * off)
        tight = p_after + 1 / step2
        mean = (pull + p[STEP] / step2) / tight
        log_density = (
            log_density
            - 0.5 * np.log1p(step2 * p_after)
            - 0.5 * p[STEP] ** 2 / step2
            + 0.5 * (pull + p[STEP] / step2) ** 2 / tight
        )
        second = mean**2 + 1 / tight
        by_error = by_error + error2 * (second * q_after - 2 * mean * pull2)
        by_step = (mean - p[STEP]) / step2
        by_spread = ((mean - p[STEP]) ** 2 + 1 / tight) / step2 - 1
        return log_density, by_error, by_step, by_spread

    def _weights(self, group: PathGroup, p: Floats) -> Floats:
        """Log of the weight of each path."""
        weight = group.log_weight.copy()
        if not group.shares:
            return weight
        if self.active[STILL]:
            weight += -np.logaddexp(0.0, -p[STILL]) if not group.grows else -np.logaddexp(0.0, p[STILL])
        if self.active[ARREST] and group.grows:
            hazard = np.exp(p[ARREST])
            weight += -hazard * group.grown + (p[ARREST] if group.arrests else 0.0)
        if self.active[JUMP]:
            weight += -group.n_calm * np.logaddexp(0.0, p[JUMP]) - group.n_jumps * np.logaddexp(0.0, -p[JUMP])
        return weight

    def path_logs(self, p: Floats) -> Floats:
        """Log of the chance of every path, the weight of the path in it.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The parameters.

        Returns
        -------
        ndarray, shape (n_paths,)
            Group after group, without priors and without conditioning on a find.
        """
        return self._densities(p)[0]

    def jump_chances(self, p: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Chance that the damage jumped, for each step between two mappings at different ages.

        Parameters
        ----------
        p : ndarray, shape (11,)
            The parameters.

        Returns
        -------
        chance : ndarray, shape (n_steps,)
            Track by track; no track has more than one jump [-].
        track : ndarray of int, shape (n_steps,)
            Number of the track.
        """
        log_share = self.path_logs(p)
        log_share[self.order] -= np.logaddexp.reduceat(log_share[self.order], self.starts)[self.track_of]
        ends = np.cumsum([group.owner.size for group in self.groups])
        parts = [
            (np.exp(log_share[end - group.owner.size : end]), group.owner)
            for group, end in zip(self.groups, ends, strict=True)
            if group.jumps
        ]
        return np.sum([chance for chance, _ in parts], axis=0), parts[0][1]

    def _densities(self, p: Floats) -> tuple[Floats, list[tuple]]:
        """Log of the chance of every path; what the gradient needs of each group."""
        mu, tau, nu, sigma = p[MU], np.exp(p[TAU]), p[NU], np.exp(p[SIGMA])
        rho = float(np.tanh(p[BEND]))
        c = 1 / (1 - rho**2)
        kept, logs = [], []
        for group in self.groups:
            log_rows, by_error, by_step, by_spread = self._of_rows(group, p)
            if group.grows:
                kx, kv, kxv = c / tau**2, c / sigma**2, c * rho / (tau * sigma)
                linear = np.array([kx * mu - kxv * nu, kv * nu - kxv * mu, -kx / 2, -kv / 2, kxv])
                constant = (
                    -np.log(tau * sigma)
                    - 0.5 * np.log(1 - rho**2)
                    - _LOG_2PI
                    - 0.5 * kx * mu**2
                    - 0.5 * kv * nu**2
                    + kxv * mu * nu
                )
            else:
                linear = np.array([mu / tau**2, -0.5 / tau**2])
                constant = -np.log(tau) - 0.5 * _LOG_2PI - 0.5 * (mu / tau) ** 2
            total = (linear @ group.terms).reshape(group.x.shape) + constant
            total += group.base
            total += log_rows
            top = total.max(axis=1)
            total -= top[:, None]
            np.exp(total, out=total)
            mass = total.sum(axis=1)
            with np.errstate(divide="ignore"):
                logs.append(top + np.log(mass) + self._weights(group, p))
            kept.append((total, mass, by_error, by_step, by_spread))
        return np.concatenate(logs), kept

    def value(self, p: Floats) -> tuple[float, Floats]:
        """Work out the log-likelihood without priors.

        Parameters
        ----------
        p : ndarray, shape (N_PARAMETERS,)
            Parameters in the coordinates of the search.

        Returns
        -------
        value : float
            Log-likelihood.
        gradient : ndarray, shape (N_PARAMETERS,)
            Its gradient.
        """
        mu, tau, nu, sigma = p[MU], np.exp(p[TAU]), p[NU], np.exp(p[SIGMA])
        rho = float(np.tanh(p[BEND]))
        c = 1 / (1 - rho**2)
        every, kept = self._densities(p)
        of_track = np.logaddexp.reduceat(every[self.order], self.starts)
        share = np.empty(every.size)
        share[self.order] = np.exp(every[self.order] - of_track[self.track_of])
        gradient = np.zeros(N_PARAMETERS)
        at = 0
        for group, (density, mass, by_error, by_step, by_spread) in zip(self.groups, kept, strict=True):
            mine = share[at : at + group.owner.size]
            at += group.owner.size
            flat = (density * (mine / mass)[:, None]).ravel()
            n = float(mine.sum())
            gradient[ERROR] += float(flat @ by_error.ravel())
            if by_step is not None:
                gradient[STEP] += float(flat @ by_step.ravel())
                gradient[STEP_SD] += float(flat @ by_spread.ravel())
            sums = group.terms @ flat
            if group.grows:
                sx, sv, sxx, svv, sxv = sums
                z, e = (sx - n * mu) / tau, (sv - n * nu) / sigma
                zz = (sxx - 2 * mu * sx + n * mu**2) / tau**2
                ee = (svv - 2 * nu * sv + n * nu**2) / sigma**2
                ze = (sxv - mu * sv - nu * sx + n * mu * nu) / (tau * sigma)
                gradient[MU] += c * (z - rho * e) / tau
                gradient[TAU] += -n + c * (zz - rho * ze)
                gradient[NU] += c * (e - rho * z) / sigma
                gradient[SIGMA] += -n + c * (ee - rho * ze)
                by_rho = n * rho * c + c * ze - rho * c * c * (zz - 2 * rho * ze + ee)
                gradient[BEND] += by_rho * (1 - rho**2)
            else:
                sx, sxx = sums
                gradient[MU] += (sx - n * mu) / tau**2
                gradient[TAU] += -n + (sxx - 2 * mu * sx + n * mu**2) / tau**2
            if not group.shares:
                continue
            if self.active[STILL]:
                still = float(expit(p[STILL]))
                gradient[STILL] += n * (-still if group.grows else 1 - still)
            if self.active[ARREST] and group.grows:
                gradient[ARREST] += -np.exp(p[ARREST]) * float(mine @ group.grown) + n * group.arrests
            if self.active[JUMP]:
                jump = float(expit(p[JUMP]))
                gradient[JUMP] += float(mine @ (group.n_jumps * (1 - jump) - group.n_calm * jump))
        value = float(of_track.sum())
        if self.curve is not None:
            log_found, by_mu, by_tau = self._found(p)
            value -= self.data.n_tracks * log_found
            gradient[MU] -= self.data.n_tracks * by_mu
            gradient[TAU] -= self.data.n_tracks * by_tau
        return value, gradient

    def _found(self, p: Floats) -> tuple[float, float, float]:
        """Log of the share of damage that a look finds, with its derivatives."""
        z = np.linspace(-8, 8, 129)
        tau = np.exp(p[TAU])
        near = sum(share * plateau for share, plateau in self.curve.sides)
        part = np.exp(-0.5 * z * z) * near * self.curve.relative(np.exp(p[MU] + tau * z))
        total = part.sum()
        log_found = float(np.log(total * (z[1] - z[0])) - 0.5 * _LOG_2PI)
        return log_found, float(part @ z / total / tau), float(part @ (z * z - 1) / total)
