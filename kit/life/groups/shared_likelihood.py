"""How likely histories are when the panels of a group share a hazard multiplier that nobody saw."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.likelihood import SumTerms
from kit.life.likelihood.rowwise import find_derivatives, hazard_sums, interval_sums
from kit.numerics.quadrature import line_nodes
from kit.numerics.typing import Floats

_LOG_ROOT_2_PI = 0.9189385332046727
_LEAST_BEND = 0.25  # of the integrand, where what looks missed makes it less than log-concave


class GroupTerms:
    """Marginal log-likelihood of groups with a hazard multiplier :math:`e^{sz}`, z normal.

    Each form of the likelihood says how likely a group is given its multiplier: `given`, `entries` and `alone`.
    """

    n_groups: int
    together: bool
    nodes: int

    @property
    def has_late(self) -> bool:
        """Whether any life came under watch late."""
        raise NotImplementedError

    def sums(self, log_scale: float, log_shape: float) -> tuple:
        """Return what does not depend on the multiplier.

        Parameters
        ----------
        log_scale, log_shape : float
            Of a group with multiplier 1.

        Returns
        -------
        tuple
            For `given`, `entries` and `alone`.
        """
        raise NotImplementedError

    def given(self, sums: tuple, u: Floats) -> Floats:
        """Log-likelihood of each group given the log of its multiplier, with its derivatives.

        Parameters
        ----------
        sums : tuple
            As `sums` returns.
        u : ndarray, shape (n_groups, n_nodes)
            Log of the multiplier.

        Returns
        -------
        ndarray, shape (6, n_groups, n_nodes)
            Value, by u, by log shape, and the second ones: u twice, both, shape twice. By the log scale
            the derivative is minus the shape times that by u.
        """
        raise NotImplementedError

    def entries(self, sums: tuple, u: Floats) -> Floats:
        """Log of the chance that all lives of each group were clean at entry, as `given`.

        Parameters
        ----------
        sums : tuple
            As `sums` returns.
        u : ndarray, shape (n_groups, n_nodes)
            Log of the multiplier.

        Returns
        -------
        ndarray, shape (6, n_groups, n_nodes)
            As `given`.
        """
        raise NotImplementedError

    def alone(self, sums: tuple, u: Floats) -> Floats:
        """Log-likelihood of each group by itself, each life conditioned on its own entry, as `given`.

        Parameters
        ----------
        sums : tuple
            As `sums` returns.
        u : ndarray, shape (n_groups, n_nodes)
            Log of the multiplier.

        Returns
        -------
        ndarray, shape (6, n_groups, n_nodes)
            As `given`.
        """
        raise NotImplementedError

    def place(self, which, sums: tuple[Floats, ...], spread: float) -> tuple[Floats, Floats]:
        """Middle and width of the integrand in z of each group.

        Parameters
        ----------
        which : callable
            `given` or `entries`.
        sums : tuple of ndarray
            As `sums` returns.
        spread : float
            Spread of the log of the multiplier.

        Returns
        -------
        middle, width : ndarray, shape (n_groups,)
            Where it is highest, and the standard deviation of the normal density with its curvature.
        """
        z = np.zeros(self.n_groups)
        with np.errstate(over="ignore", invalid="ignore"):
            for _ in range(100):
                part = which(sums, spread * z[:, None])[:, :, 0]
                # Log-concave in z, or nearly so: Newton's step, held short where the multiplier grows fast.
                step = (spread * part[1] - z) / np.maximum(1 - spread**2 * part[3], _LEAST_BEND)
                longest = 2.0 / max(spread, 1.0)
                z = z + np.clip(np.nan_to_num(step), -longest, longest)
                if np.abs(step).max() < 1e-10:
                    break
            part = which(sums, spread * z[:, None])[:, :, 0]
        return z, 1 / np.sqrt(np.maximum(1 - spread**2 * part[3], _LEAST_BEND))

    def _mean(
        self, which, sums: tuple[Floats, ...], k: float, spread: float, nodes: int
    ) -> tuple[Floats, Floats, Floats]:
        """Log of the mean over z of each group's likelihood, gradient and Hessian in (m, log shape, s)."""
        x, log_weight = line_nodes(nodes)
        middle, width = self.place(which, sums, spread)
        z = middle[:, None] + width[:, None] * x
        v, u1, s1, uu, us, ss = which(sums, spread * z)
        log_part = v - z * z / 2 + log_weight + np.log(width)[:, None]
        top = log_part.max(axis=1, keepdims=True)
        share = np.exp(log_part - top)
        total = share.sum(axis=1, keepdims=True)
        value = (top + np.log(total))[:, 0] - _LOG_ROOT_2_PI
        share /= total
        g = np.stack([-k * u1, s1, z * u1])
        h = np.empty((3, 3, *z.shape))
        h[0, 0], h[1, 1], h[2, 2] = k * k * uu, ss, z * z * uu
        h[0, 1] = h[1, 0] = -k * (u1 + us)
        h[0, 2] = h[2, 0] = -k * z * uu
        h[1, 2] = h[2, 1] = z * us
        # Mean of the slopes, and of the curvature and spread of slopes, over z as the data leave it.
        mean = np.einsum("iab,ab->ia", g, share)
        second = np.einsum("ijab,ab->ija", h, share) + np.einsum("iab,jab,ab->ija", g, g, share)
        return value, mean, second - mean[:, None] * mean[None]

    def by_group(
        self, log_scale: float, log_shape: float, spread: float, *, nodes: int | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Marginal log-likelihood of each group.

        Parameters
        ----------
        log_scale, log_shape : float
            Of a group with multiplier 1.
        spread : float
            Spread s of the log of the multiplier [-]; its sign does not matter.
        nodes : int, optional
            Nodes of the quadrature.

        Returns
        -------
        value : ndarray, shape (n_groups,)
            Log-likelihood [-].
        gradient : ndarray, shape (3, n_groups)
            By log scale, log shape and spread.
        hessian : ndarray, shape (3, 3, n_groups)
            Second derivatives.
        """
        n = self.nodes if nodes is None else nodes
        k = float(np.exp(log_shape))
        sums = self.sums(log_scale, log_shape)
        value, g, h = self._mean(self.given, sums, k, abs(spread), n)
        if self.together and self.has_late:
            value2, g2, h2 = self._mean(self.entries, sums, k, abs(spread), n)
            value, g, h = value - value2, g - g2, h - h2
        if spread < 0:
            g[2], h[2, :2], h[:2, 2] = -g[2], -h[2, :2], -h[:2, 2]
        return value, g, h

    def surface(self, point: Floats) -> tuple[float, Floats, Floats]:
        """Log-likelihood with gradient and Hessian.

        Parameters
        ----------
        point : ndarray, shape (3,)
            Log scale, log shape, spread.

        Returns
        -------
        float
            Log-likelihood [-].
        ndarray, shape (3,)
            Gradient.
        ndarray, shape (3, 3)
            Hessian.
        """
        value, g, h = self.by_group(*point)
        return float(value.sum()), g.sum(axis=-1), h.sum(axis=-1)


@dataclass(frozen=True, eq=False)
class SharedTerms(GroupTerms):
    r"""Marginal log-likelihood of groups of Weibull lives with the hazard multiplier :math:`e^{sz}`, z normal.

    Given z, lives are independent with the cumulative hazard :math:`e^{sz} H(t)`.

    Parameters
    ----------
    n_groups : int
        Number of groups.
    clean_log, clean_weight, clean_group : ndarray, shape (n_clean,)
        Log of the last clean ages above 0 (and of exact onsets), lives, and group.
    late_log, late_weight, late_group : ndarray, shape (n_late,)
        The same for entries above 0.
    find_log, find_step, find_weight : ndarray, shape (n_finds,)
        Finds sorted by group: log of the last clean age, log of upper over lower, lives. Where nothing was
        known before, the log of the upper age, and an infinite step.
    find_group, find_start : ndarray of int
        Groups that have such finds, and where each begins.
    exact_log, exact_weight, exact_group : ndarray, shape (n_exact,)
        Onsets known exactly.
    together : bool
        Whether a group is under watch only because all its lives were clean at their entries; if not,
        each life is conditioned by itself.
    nodes : int
        Nodes of the quadrature.
    """

    n_groups: int
    clean_log: Floats
    clean_weight: Floats
    clean_group: NDArray[np.int64]
    late_log: Floats
    late_weight: Floats
    late_group: NDArray[np.int64]
    find_log: Floats
    find_step: Floats
    find_weight: Floats
    find_group: NDArray[np.int64]
    find_start: NDArray[np.int64]
    exact_log: Floats
    exact_weight: Floats
    exact_group: NDArray[np.int64]
    together: bool
    nodes: int

    @classmethod
    def from_rows(
        cls,
        entry: Floats,
        lower: Floats,
        upper: Floats,
        count: Floats,
        group: NDArray[np.int64],
        *,
        together: bool,
        nodes: int,
    ) -> SharedTerms:
        """Sort checked rows by what they say.

        Parameters
        ----------
        entry, lower, upper, count : ndarray, shape (n,)
            Checked rows: 0 <= entry <= lower <= upper, count > 0.
        group : ndarray of int, shape (n,)
            Number of each row's group, from 0 without gaps.
        together : bool
            See the class.
        nodes : int
            Nodes of the quadrature.

        Returns
        -------
        SharedTerms
            The terms.
        """
        exact = np.flatnonzero(lower == upper)
        clean, late = np.flatnonzero(lower > 0), np.flatnonzero(entry > 0)
        found = np.flatnonzero(np.isfinite(upper) & (lower < upper))
        found = found[np.argsort(group[found], kind="stable")]
        of = group[found]
        start = np.flatnonzero(np.r_[True, of[1:] != of[:-1]]) if of.size else of
        first = lower[found] == 0
        return cls(
            int(group.max()) + 1,
            np.log(lower[clean]),
            count[clean],
            group[clean],
            np.log(entry[late]),
            count[late],
            group[late],
            np.log(np.where(first, upper[found], lower[found])),
            np.where(first, np.inf, np.log(upper[found] / np.where(first, 1.0, lower[found]))),
            count[found],
            of[start],
            start,
            np.log(lower[exact]),
            count[exact],
            group[exact],
            together,
            nodes,
        )

    @property
    def has_late(self) -> bool:
        """Whether any life came under watch late."""
        return bool(self.late_weight.size)

    def sums(self, log_scale: float, log_shape: float) -> tuple[Floats, ...]:
        """Return what does not depend on z: sums of H by group, and the growth of H across each find's interval."""
        k = float(np.exp(log_shape))

        def by_group(log_age: Floats, weight: Floats, group: NDArray[np.int64]) -> Floats:
            z = (log_age - log_scale) * k
            lines = hazard_sums(z, np.exp(z))
            return np.stack([np.bincount(group, weights=weight * x, minlength=self.n_groups) for x in lines])

        clean = by_group(self.clean_log, self.clean_weight, self.clean_group)
        late = by_group(self.late_log, self.late_weight, self.late_group)
        z = (self.find_log - log_scale) * k
        first = np.isinf(self.find_step)
        between = interval_sums(z, np.where(first, 0.0, self.find_step) * k)
        from_new = hazard_sums(z, np.exp(z))
        finds = np.stack([np.where(first, a, b) for a, b in zip(from_new, between, strict=True)])
        z = (self.exact_log - log_scale) * k
        exact = np.stack(
            [
                np.bincount(self.exact_group, weights=self.exact_weight * x, minlength=self.n_groups)
                for x in (log_shape + z - self.exact_log, np.ones_like(z), 1.0 + z, z)
            ]
        )
        return clean, late, finds, exact

    def given(self, sums: tuple[Floats, ...], u: Floats) -> Floats:
        """Log-likelihood of each group given the log of its multiplier, with its derivatives."""
        # Together: the chance of being clean at entry is divided out after the mean over z, not before.
        return self._seen(sums, u, sums[0] if self.together else sums[0] - sums[1])

    def alone(self, sums: tuple[Floats, ...], u: Floats) -> Floats:
        """Log-likelihood of each group by itself, each life conditioned on its own entry, as `given`."""
        return self._seen(sums, u, sums[0] - sums[1])

    def _seen(self, sums: tuple[Floats, ...], u: Floats, net: Floats) -> Floats:
        """Log-likelihood of what was seen, with these sums of H where nothing was."""
        _, _, finds, exact = sums
        w = np.exp(u)
        out = np.empty((6, *u.shape))
        out[0] = out[1] = out[3] = -w * net[0][:, None]
        out[2] = out[4] = -w * net[1][:, None]
        out[5] = -w * net[2][:, None]
        if self.find_weight.size:
            sizes = np.diff(np.r_[self.find_start, self.find_weight.size])
            wf = np.repeat(w[self.find_group], sizes, axis=0)
            parts = find_derivatives(*(x[:, None] * wf for x in finds))
            for line, part in enumerate(parts):
                out[line, self.find_group] += np.add.reduceat(
                    part * self.find_weight[:, None], self.find_start, axis=0
                )
        if self.exact_weight.size:
            value, n, slope, bend = (x[:, None] for x in exact)
            out[0] += value + n * u
            out[1] += n
            out[2] += slope
            out[5] += bend
        return out

    def entries(self, sums: tuple[Floats, ...], u: Floats) -> Floats:
        """Log of the chance that all lives of each group were clean at entry, as `given`."""
        late, w = sums[1], np.exp(u)
        h, zh, zzh = (-w * line[:, None] for line in late)
        return np.stack([h, h, zh, h, zh, zzh])


@dataclass(frozen=True, eq=False)
class MissedTerms(GroupTerms):
    r"""The same for looks that may miss: rows of `SumTerms`, each with the multiplier of its group.

    A multiplier w of the hazard is a shift of the log scale by :math:`-\log(w)/k`.

    Parameters
    ----------
    n_groups : int
        Number of groups.
    seen, late : SumTerms
        Chances of what looks showed, and of what was shown up to the entries, both with positive weights.
    seen_group, late_group : ndarray of int
        Group of each of their rows.
    together : bool
        See `SharedTerms`.
    nodes : int
        Nodes of the quadrature.
    """

    n_groups: int
    seen: SumTerms
    late: SumTerms
    seen_group: NDArray[np.int64]
    late_group: NDArray[np.int64]
    together: bool
    nodes: int

    @classmethod
    def from_terms(
        cls, terms: SumTerms, group: NDArray[np.int64], *, together: bool, nodes: int
    ) -> MissedTerms:
        """Part what was seen from what is conditioned on.

        Parameters
        ----------
        terms : SumTerms
            As `detection_terms` gives them.
        group : ndarray of int, shape (n_lives,)
            Number of each life's group, from 0 without gaps.
        together : bool
            See `SharedTerms`.
        nodes : int
            Nodes of the quadrature.

        Returns
        -------
        MissedTerms
            The terms.
        """
        is_late = terms.weight < 0
        seen, late = terms.some(~is_late), terms.some(is_late)
        late = dataclasses.replace(late, weight=-late.weight)
        return cls(
            int(group.max()) + 1,
            seen,
            late,
            group[seen.life_of_row],
            group[late.life_of_row],
            together,
            nodes,
        )

    @property
    def has_late(self) -> bool:
        """Whether any life came under watch late."""
        return bool(self.late.weight.size)

    def sums(self, log_scale: float, log_shape: float) -> tuple[float, float]:
        """Return the parameters: all else depends on the multiplier."""
        return float(log_scale), float(log_shape)

    def given(self, sums: tuple[float, float], u: Floats) -> Floats:
        """Log-likelihood of each group given the log of its multiplier, as `SharedTerms.given`."""
        seen = self._by_group(self.seen, self.seen_group, sums, u)
        return seen if self.together else seen - self.entries(sums, u)

    def alone(self, sums: tuple[float, float], u: Floats) -> Floats:
        """Log-likelihood of each group by itself, as `SharedTerms.alone`."""
        return self._by_group(self.seen, self.seen_group, sums, u) - self.entries(sums, u)

    def entries(self, sums: tuple[float, float], u: Floats) -> Floats:
        """Log of the chance of what looks showed up to the entries, as `SharedTerms.entries`."""
        return self._by_group(self.late, self.late_group, sums, u)

    def _by_group(
        self, terms: SumTerms, group: NDArray[np.int64], sums: tuple[float, float], u: Floats
    ) -> Floats:
        """Sum over rows by group, node by node."""
        out = np.zeros((6, *u.shape))
        if not terms.weight.size:
            return out
        log_scale, log_shape = sums
        k = float(np.exp(log_shape))
        for node in range(u.shape[1]):
            shift = (u[:, node] / k)[group]
            value, slope, bend = terms.by_row((log_scale - shift)[terms.row], log_shape)
            m, s = slope.T
            mm, ms, ss = bend.T
            lines = (
                value,
                -m / k,
                s + shift * m,
                mm / k**2,
                (m - ms - shift * mm) / k,
                ss + shift * (2 * ms - m) + shift**2 * mm,
            )
            for j, line in enumerate(lines):
                out[j, :, node] = np.bincount(group, weights=terms.weight * line, minlength=self.n_groups)
        return out
