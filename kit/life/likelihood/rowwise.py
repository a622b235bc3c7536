"""How likely each history is by itself, where every life has a scale of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.likelihood import SumTerms, certain_finds, log1mexp
from kit.numerics.typing import Floats


def hazard_sums(z: Floats, h: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the cumulative hazard with what its derivatives by the log shape need.

    Parameters
    ----------
    z : ndarray
        Shape times the log of age over scale.
    h : ndarray
        Cumulative hazard there, of either sign.

    Returns
    -------
    tuple of ndarray
        H, zH and z(1+z)H.
    """
    first = z * h
    return h, first, first * (1 + z)


@dataclass(frozen=True, eq=False)
class PerfectRows:
    r"""Log-likelihood row by row of histories seen with perfect looks, under Weibull lives.

    Each row has its own log scale :math:`m_i`; the shape is common. With entry v and onset in (l, u] a
    row adds :math:`H(v) - H(l) + \log[1 - e^{-(H(u) - H(l))}]`, :math:`H(t) = e^z`,
    :math:`z = k (\log t - m_i)`.

    Parameters
    ----------
    late, seen, first, pair, exact : ndarray of int
        Rows with an entry above 0; with a last clean age above 0 (or an exact onset); found with nothing
        known before; found between two looks; with an onset known exactly.
    log_entry, log_lower, log_first, log_pair, log_ratio, log_exact : ndarray of float
        Logs of the ages of these rows; of upper over lower for pairs.
    weight : ndarray of float, shape (n,)
        Lives that each row stands for [-].
    """

    late: NDArray[np.int64]
    seen: NDArray[np.int64]
    first: NDArray[np.int64]
    pair: NDArray[np.int64]
    exact: NDArray[np.int64]
    log_entry: Floats
    log_lower: Floats
    log_first: Floats
    log_pair: Floats
    log_ratio: Floats
    log_exact: Floats
    weight: Floats

    @classmethod
    def from_rows(cls, entry: Floats, lower: Floats, upper: Floats, count: Floats) -> PerfectRows:
        """Sort checked rows by what they say.

        Parameters
        ----------
        entry, lower, upper, count : ndarray, shape (n,)
            Checked rows: 0 <= entry <= lower <= upper, count > 0.

        Returns
        -------
        PerfectRows
            The rows.
        """
        found = np.isfinite(upper)
        exact = np.flatnonzero(lower == upper)
        late, seen = np.flatnonzero(entry > 0), np.flatnonzero(lower > 0)
        first = np.flatnonzero(found & (lower == 0))
        pair = np.flatnonzero(found & (lower > 0) & (lower < upper))
        return cls(
            late,
            seen,
            first,
            pair,
            exact,
            np.log(entry[late]),
            np.log(lower[seen]),
            np.log(upper[first]),
            np.log(lower[pair]),
            np.log(upper[pair] / lower[pair]),
            np.log(lower[exact]),
            count,
        )

    @property
    def owner(self) -> None:
        """Which life each row belongs to: its own."""
        return

    def derivatives(self, log_scale: Floats, log_shape: float) -> Floats:
        """Log-likelihood of each row and its derivatives, not weighted.

        Parameters
        ----------
        log_scale : ndarray, shape (n,)
            Log scale of each life.
        log_shape : float
            The common log shape.

        Returns
        -------
        ndarray, shape (6, n)
            Value, by log scale, by log shape, and the second ones: scale twice, both, shape twice.
        """
        k = float(np.exp(log_shape))
        # By u, a shift of z, and the log shape: value, u, shape, uu, u shape, shape twice.
        out = np.zeros((6, log_scale.size))
        for rows, log_age, sign in ((self.late, self.log_entry, 1.0), (self.seen, self.log_lower, -1.0)):
            z = (log_age - log_scale[rows]) * k
            h, zh, zzh = hazard_sums(z, sign * np.exp(z))
            out[0, rows] += h
            out[2, rows] += zh
            out[4, rows] += zh
            out[5, rows] += zzh
        out[1] = out[3] = out[0]
        z = (self.log_first - log_scale[self.first]) * k
        _add_find(out, self.first, *hazard_sums(z, np.exp(z)))
        z_low = (self.log_pair - log_scale[self.pair]) * k
        _add_find(out, self.pair, *interval_sums(z_low, self.log_ratio * k))
        if self.exact.size:
            z = (self.log_exact - log_scale[self.exact]) * k
            out[0, self.exact] += log_shape + z - self.log_exact
            out[1, self.exact] += 1.0
            out[2, self.exact] += 1.0 + z
            out[5, self.exact] += z
        # From u to the log scale: z falls by k with it, and k itself grows with the log shape.
        out[4] = -k * (out[1] + out[4])
        out[1] *= -k
        out[3] *= k * k
        return out


def interval_sums(z_low: Floats, step: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the growth of H, zH and z(1+z)H across intervals, without cancellation.

    Parameters
    ----------
    z_low, step : ndarray
        The intervals go from z_low to z_low + step.

    Returns
    -------
    tuple of ndarray
        Growth of each of the three.
    """
    h_low = np.exp(z_low)
    growth = np.expm1(step)
    d = h_low * growth
    h_up = h_low * (growth + 1.0)
    return (
        d,
        z_low * d + step * h_up,
        z_low * (1 + z_low) * d + step * (1 + 2 * z_low + step) * h_up,
    )


def find_derivatives(d: Floats, d1: Floats, d2: Floats) -> tuple[Floats, ...]:
    """Return log(1 - exp(-D)) with its derivatives by u, a shift of z, and by the log shape.

    Parameters
    ----------
    d, d1, d2 : ndarray
        Growth of H, zH and z(1+z)H across each interval.

    Returns
    -------
    tuple of ndarray
        Value, by u, by log shape, and the second ones: u twice, both, shape twice.
    """
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        d, d1, d2 = certain_finds(d, d1, d2)
        r = 1.0 / np.expm1(d)
        curve = -r * (1.0 + r)
        rd, rd1, cd = r * d, r * d1, curve * d
        # By u, D and D1 grow by themselves; by the log shape D grows by D1, and D1 by D2.
        return log1mexp(d), rd, rd1, rd + cd * d, rd1 + cd * d1, r * d2 + curve * d1 * d1


def _add_find(out: Floats, rows: NDArray[np.int64], d: Floats, d1: Floats, d2: Floats) -> None:
    for line, part in enumerate(find_derivatives(d, d1, d2)):
        out[line, rows] += part


@dataclass(frozen=True, eq=False)
class SumRows:
    """The same for looks that may miss: rows of `SumTerms`, each life with its own log scale.

    Parameters
    ----------
    terms : SumTerms
        Chances of what the looks showed.
    """

    terms: SumTerms

    @property
    def weight(self) -> Floats:
        """Weight of each row; negative for what is conditioned on."""
        return self.terms.weight

    @property
    def owner(self) -> NDArray[np.int64]:
        """Which life each row belongs to."""
        return self.terms.life_of_row

    def derivatives(self, log_scale: Floats, log_shape: float) -> Floats:
        """Log-likelihood of each row and its derivatives, not weighted: see `PerfectRows`.

        Parameters
        ----------
        log_scale : ndarray, shape (n_lives,)
            Log scale of each life.
        log_shape : float
            The common log shape.

        Returns
        -------
        ndarray, shape (6, n_rows)
            Value, by log scale, by log shape, and the second ones: scale twice, both, shape twice.
        """
        value, grad, hess = self.terms.by_row(log_scale[self.owner][self.terms.row], log_shape)
        return np.vstack([value, grad.T, hess.T])
