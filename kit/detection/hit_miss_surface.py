"""How likely hits and misses are, with first and second derivatives."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logsumexp, xlogy

from kit.detection.links import line_at, shares
from kit.detection.trials import Trials
from kit.numerics.maximum import maximise
from kit.numerics.quadrature import line_nodes
from kit.numerics.typing import Floats

N_NODES = 15
"""Points of the spread between inspectors, centred on each inspector."""


class Anchor(NamedTuple):
    """A size at which the POD is held at a value, in place of an intercept.

    Parameters
    ----------
    rows : ndarray of bool
        Rows whose line is measured from that size.
    pod : float
        The POD there [-].
    """

    rows: NDArray[np.bool_]
    pod: float


class _Rows(NamedTuple):
    """Log-likelihood of rows and its derivatives by line (l), plateau (p) and false calls (c)."""

    value: Floats
    by_l: Floats
    by_p: Floats
    by_c: Floats
    by_ll: Floats
    by_lp: Floats
    by_lc: Floats
    by_pp: Floats
    by_pc: Floats
    by_cc: Floats


@dataclass(frozen=True, eq=False)
class Surface:
    """Log-likelihood of hits and misses over its parameters.

    The parameters are the coefficients of `design`, then those of log odds of plateau, log odds of false
    calls and log spread of inspectors that are fitted.

    Parameters
    ----------
    link : str
        Form of the POD.
    design : ndarray, shape (n, k)
        Columns of the line.
    hit, miss : ndarray, shape (n,)
        Counts.
    blank : ndarray of bool, shape (n,)
        Rows without damage.
    plateau, false_calls : float or None
        As given; None to fit [-].
    starts : ndarray of int or None
        First row of each inspector, whose rows stand together; None for no spread.
    anchor : Anchor or None
        For a profile.
    centre, width : ndarray or None
        Where each inspector's nodes lie.
    """

    link: str
    design: Floats
    hit: Floats
    miss: Floats
    blank: NDArray[np.bool_]
    plateau: float | None
    false_calls: float | None
    starts: NDArray[np.int64] | None = None
    anchor: Anchor | None = None
    centre: Floats | None = None
    width: Floats | None = None

    @property
    def n_line(self) -> int:
        """Number of coefficients of the line."""
        return self.design.shape[1]

    def natural(self, point: Floats) -> tuple[Floats, float, float, float]:
        """Return coefficients, plateau, false-call chance and spread at a point.

        Parameters
        ----------
        point : ndarray
            The parameters.

        Returns
        -------
        tuple
            The spread is 0 where none is fitted.
        """
        rest = list(point[self.n_line :])
        plateau = self.plateau if self.plateau is not None else float(expit(rest.pop(0)))
        false = self.false_calls if self.false_calls is not None else float(expit(rest.pop(0)))
        return point[: self.n_line], plateau, false, float(np.exp(rest.pop(0))) if rest else 0.0

    def _rows(self, line: Floats, plateau: float, false: float) -> _Rows:
        share, rest, first, second = (
            np.where(self.blank, value, part)
            for value, part in zip((0.0, 1.0, 0.0, 0.0), shares(self.link, line), strict=True)
        )
        chance = false + (1 - false) * plateau * share
        other = (1 - false) * ((1 - plateau) + plateau * rest)
        value = xlogy(self.hit, chance) + xlogy(self.miss, other)
        # What cannot be has no derivative; its value, minus infinity, says so.
        hit, miss = np.where(chance > 0, self.hit, 0.0), np.where(other > 0, self.miss, 0.0)
        chance, other = np.where(chance > 0, chance, 1.0), np.where(other > 0, other, 1.0)

        def once(d):
            return hit * (d / chance) - miss * (d / other)

        def twice(d, one, two):
            return hit * (d / chance - (one / chance) * (two / chance)) - miss * (
                d / other + (one / other) * (two / other)
            )

        d_l, d_p, d_c = (1 - false) * plateau * first, (1 - false) * share, 1 - plateau * share
        none, zero = np.zeros(1), np.zeros_like(value)
        by_p = by_lp = by_pp = by_pc = by_c = by_lc = by_cc = zero
        # Only where they are fitted: where the plateau is 1 these divide by what may all but vanish.
        if self.plateau is None:
            by_p, by_lp, by_pp = once(d_p), twice((1 - false) * first, d_l, d_p), twice(none, d_p, d_p)
        if self.false_calls is None:
            by_c, by_lc, by_cc = once(d_c), twice(-plateau * first, d_l, d_c), twice(none, d_c, d_c)
        if self.plateau is None and self.false_calls is None:
            by_pc = twice(-share, d_p, d_c)
        by_l, by_ll = once(d_l), twice((1 - false) * plateau * second, d_l, d_l)
        return _Rows(value, by_l, by_p, by_c, by_ll, by_lp, by_lc, by_pp, by_pc, by_cc)

    def _parts(self, line: Floats, plateau: float, false: float) -> _Rows:
        """Rows with the plateau's pull through the anchor taken in."""
        if self.anchor is None:
            return self._rows(line, plateau, false)
        wanted = self.anchor.pod / plateau
        at = float(line_at(self.link, wanted)) if wanted < 1 else np.inf
        rows = self._rows(line + np.where(self.anchor.rows, at, 0.0), plateau, false)
        if self.plateau is not None:
            return rows
        _, _, first, second = (float(part) for part in shares(self.link, np.array(at)))
        pull, bend = -wanted / plateau, 2 * wanted / plateau**2
        one = np.where(self.anchor.rows, pull / first, 0.0)
        two = np.where(self.anchor.rows, bend / first - second / first**3 * pull**2, 0.0)
        return rows._replace(
            by_p=rows.by_p + rows.by_l * one,
            by_lp=rows.by_lp + rows.by_ll * one,
            by_pp=rows.by_pp + 2 * rows.by_lp * one + rows.by_ll * one**2 + rows.by_l * two,
            by_pc=rows.by_pc + rows.by_lc * one,
        )

    def __call__(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Return log-likelihood, gradient and Hessian.

        Parameters
        ----------
        point : ndarray
            The parameters.

        Returns
        -------
        tuple
            A float, and arrays of shape (n_parameters,) and (n_parameters, n_parameters).
        """
        line, plateau, false, spread = self.natural(point)
        if self.anchor is not None and plateau <= self.anchor.pod:
            size = point.size
            return -np.inf, np.zeros(size), -np.eye(size)
        base = self.design @ line
        if self.starts is None:
            value, grad, hess = self._summed(base, self.design, plateau, false, None)
            return self._to_scale(value[0], grad[0], hess[0], plateau, false, spread)
        node, weight = line_nodes(N_NODES)
        z = self.centre[:, None] + self.width[:, None] * node
        log_weight = weight + np.log(self.width)[:, None] - z**2 / 2
        log_weight -= 0.5 * np.log(2 * np.pi)
        counts = np.diff(np.r_[self.starts, self.hit.size])
        parts = []
        for k in range(N_NODES):
            z_row = np.repeat(z[:, k], counts)
            design = np.column_stack([self.design, z_row])
            parts.append(self._summed(base + spread * z_row, design, plateau, false, self.starts))
        each, grad, hess = (np.stack(part, axis=1) for part in zip(*parts, strict=True))
        each = each + log_weight
        total = logsumexp(each, axis=1)
        share = np.exp(each - total[:, None])
        mean = np.einsum("ik,ikp->ip", share, grad)
        bend = np.einsum("ik,ikpq->pq", share, hess) + np.einsum("ik,ikp,ikq->pq", share, grad, grad)
        # The spread is the last of the columns of the line; it goes to the end, after plateau and false calls.
        order = [*range(self.n_line), *range(self.n_line + 1, mean.shape[1]), self.n_line]
        gradient, bend = mean.sum(axis=0)[order], (bend - mean.T @ mean)[np.ix_(order, order)]
        return self._to_scale(float(total.sum()), gradient, bend, plateau, false, spread)

    def information(self, point: Floats) -> Floats:
        """Return the expected information of the trials made, for a fit without a spread.

        Parameters
        ----------
        point : ndarray
            The parameters.

        Returns
        -------
        ndarray, shape (n_parameters, n_parameters)
            Minus the mean of the Hessian over outcomes.
        """
        line, plateau, false, _ = self.natural(point)
        share = np.where(self.blank, 0.0, shares(self.link, self.design @ line).share)
        chance = false + (1 - false) * plateau * share
        count = self.hit + self.miss
        return -replace(self, hit=count * chance, miss=count * (1 - chance))(point)[2]

    def _summed(self, line, design, plateau, false, starts):
        """Add up all rows, or those of each inspector."""
        rows = self._parts(line, plateau, false)
        more = [name for name, given in (("p", self.plateau), ("c", self.false_calls)) if given is None]
        k = design.shape[1]
        if starts is None:
            n, add = 1, lambda x: x.sum(axis=0, keepdims=True)
        else:
            n, add = starts.size, lambda x: np.add.reduceat(x, starts, axis=0)
        grad, hess = np.zeros((n, k + len(more))), np.zeros((n, k + len(more), k + len(more)))
        grad[:, :k] = add(rows.by_l[:, None] * design)
        if starts is None:
            hess[0, :k, :k] = design.T @ (rows.by_ll[:, None] * design)
        else:
            hess[:, :k, :k] = add(rows.by_ll[:, None, None] * design[:, :, None] * design[:, None, :])
        for i, name in enumerate(more):
            grad[:, k + i] = add(getattr(rows, f"by_{name}"))
            cross = add(getattr(rows, f"by_l{name}")[:, None] * design)
            hess[:, :k, k + i] = hess[:, k + i, :k] = cross
            hess[:, k + i, k + i] = add(getattr(rows, f"by_{name}{name}"))
        if len(more) == 2:
            hess[:, k, k + 1] = hess[:, k + 1, k] = add(rows.by_pc)
        return add(rows.value), grad, hess

    def _to_scale(self, value, grad, hess, plateau, false, spread):
        """Turn derivatives by plateau, false calls and spread into those by log odds and log."""
        one, two = np.ones(grad.size), np.zeros(grad.size)
        i = self.n_line
        for given, share in ((self.plateau, plateau), (self.false_calls, false)):
            if given is None:
                one[i] = share * (1 - share)
                two[i] = one[i] * (1 - 2 * share)
                i += 1
        if self.starts is not None:
            one[i] = two[i] = spread
        return float(value), grad * one, hess * np.outer(one, one) + np.diag(grad * two)

    def curvature_at_no_spread(self, point: Floats) -> float:
        """Return how the likelihood bends with the spread where there is none: upwards if inspectors differ.

        Parameters
        ----------
        point : ndarray
            The parameters without the spread.

        Returns
        -------
        float
            Second derivative by the spread at 0.
        """
        line, plateau, false, _ = self.natural(point)
        rows = self._parts(self.design @ line, plateau, false)
        return float((np.add.reduceat(rows.by_l, self.starts) ** 2).sum() + rows.by_ll.sum())

    def centred(self, point: Floats) -> Surface:
        """Put the nodes of each inspector where their likelihood is, for the parameters of a point.

        Parameters
        ----------
        point : ndarray
            The parameters.

        Returns
        -------
        Surface
            The same likelihood, better integrated near the point.
        """
        line, plateau, false, spread = self.natural(point)
        base = self.design @ line
        counts = np.diff(np.r_[self.starts, self.hit.size])
        z, bend = np.zeros(self.starts.size), np.ones(self.starts.size)
        for _ in range(50):
            rows = self._parts(base + spread * np.repeat(z, counts), plateau, false)
            grad = spread * np.add.reduceat(rows.by_l, self.starts) - z
            bend = np.maximum(1 - spread**2 * np.add.reduceat(rows.by_ll, self.starts), 0.2)
            step = np.clip(grad / bend, -1, 1)
            z = z + step
            if np.abs(step).max() < 1e-9:
                break
        return replace(self, centre=z, width=1 / np.sqrt(bend))


def line_design(data: Trials, common_slope: bool, middle: float, unit: float) -> Floats:
    """Return the columns of the line: an intercept for each group, then one slope or one for each.

    Parameters
    ----------
    data : Trials
        The trials.
    common_slope : bool
        Whether all groups share one slope.
    middle, unit : float
        The size, or its log, that counts as 0 and the step that counts as 1.

    Returns
    -------
    ndarray, shape (n, n_columns)
        The design.
    """
    own = (data.group[:, None] == np.arange(len(data.groups))).astype(np.float64)
    x = ((data.x - middle) / unit)[:, None]
    return np.hstack([own, x if common_slope else own * x])


def maximise_on(surface: Surface, begin: Floats) -> tuple[Floats, float, Floats, bool]:
    """Find the maximum of a surface.

    Parameters
    ----------
    surface : Surface
        The likelihood.
    begin : ndarray
        Where to begin.

    Returns
    -------
    point, value, hessian, is_maximum
        Where it ended.
    """
    top = maximise(
        surface,
        begin,
        lambda point: 1 / np.maximum(1.0, np.abs(point) / 2),
        lambda point: bool(np.abs(point[surface.n_line :]).max(initial=0.0) > 16),
    )
    return top.point, top.value, top.hessian, top.flat is None
