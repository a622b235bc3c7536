"""How likely a set of histories is under a life, with its derivatives.

Everything here works on ``(log scale, log shape)``. Two forms exist: histories seen with
perfect detection, whose log-likelihood separates over distinct ages and is fast for
millions of rows; and sums of intervals, which carry any model of imperfect detection.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.families import WEIBULL, Family
from kit.numerics.typing import Floats

_BLOCK = 8192  # rows a pass: its temporaries stay in the processor's cache
CERTAIN = 600.0
"""Growth of the cumulative hazard from which on a find is certain to the last digit [-]."""
_MERGE_LIMIT = 4_000_000  # largest whole age that is merged by counting


def log1mexp(x: Floats) -> Floats:
    """Return log(1 - exp(-x)) for x > 0, with all digits at both ends."""
    small = x < 0.6931471805599453
    out = np.empty_like(x)
    with np.errstate(divide="ignore"):
        out[small] = np.log(-np.expm1(-x[small]))
    out[~small] = np.log1p(-np.exp(-x[~small]))
    return out


def certain_finds(d: Floats, *slopes: Floats) -> tuple[Floats, ...]:
    """Return growths of the cumulative hazard with their slopes, none of it where the find is certain.

    Parameters
    ----------
    d : ndarray
        Growth of the cumulative hazard across each find's interval.
    *slopes : ndarray
        Its derivatives, or what they are made of.

    Returns
    -------
    tuple of ndarray
        The same; where a find is certain to the last digit, it adds nothing, and neither do its derivatives,
        which may be beyond all numbers there.
    """
    sure = ~(d < CERTAIN)
    return np.where(sure, CERTAIN, d), *(np.where(sure, 0.0, x) for x in slopes)


def _moments(log_age: Floats, weight: Floats, log_scale: float, shape: float) -> tuple[float, float, float]:
    """Sum of w H, w z H and w z² H over ages, in blocks, with z = shape (log age - log scale)."""
    s0 = s1 = s2 = 0.0
    for start in range(0, log_age.size, _BLOCK):
        z = (log_age[start : start + _BLOCK] - log_scale) * shape
        wh = np.exp(z)
        wh *= weight[start : start + _BLOCK]
        s0 += float(wh.sum())
        s1 += float(z @ wh)
        z *= z
        s2 += float(z @ wh)
    return s0, s1, s2


def _merge(age: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Sum the weights of equal ages; leave ages as they are when merging would not pay."""
    if age.size == 0:
        return age, weight
    top = float(age.max())
    if top <= min(_MERGE_LIMIT, 16 * age.size + 4096):
        whole = age.astype(np.int64)
        if np.array_equal(whole, age):
            sums = np.bincount(whole, weights=weight)
            kept = np.flatnonzero(sums)
            kept = kept[kept > 0]
            return kept.astype(np.float64), sums[kept]
    if age.size <= 20_000:
        distinct, where = np.unique(age, return_inverse=True)
        sums = np.bincount(where, weights=weight)
        keep = (sums != 0) & (distinct > 0)
        return distinct[keep], sums[keep]
    keep = age > 0
    return (age, weight) if keep.all() else (age[keep], weight[keep])


def _merge_pairs(lower: Floats, upper: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Sum the weights of equal (lower, upper) pairs."""
    if lower.size < 2:
        return lower, upper, weight
    if lower.size > 50_000:
        return _merge_whole_pairs(lower, upper, weight)
    order = np.lexsort((upper, lower))
    low, up, w = lower[order], upper[order], weight[order]
    new = np.empty(low.size, bool)
    new[0] = True
    np.logical_or(low[1:] != low[:-1], up[1:] != up[:-1], out=new[1:])
    starts = np.flatnonzero(new)
    return low[starts], up[starts], np.add.reduceat(w, starts)


def _merge_whole_pairs(lower: Floats, upper: Floats, weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Sum the weights of equal pairs of whole ages; leave others as they are, where few would be equal."""
    if not (upper.max() < _MERGE_LIMIT and (weight == weight[0]).all()):
        return lower, upper, weight
    first, last = lower.astype(np.int64), upper.astype(np.int64)
    if not (np.array_equal(first, lower) and np.array_equal(last, upper)):
        return lower, upper, weight
    code = np.sort(first * _MERGE_LIMIT + last)
    starts = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    kept = code[starts]
    times = np.diff(np.r_[starts, code.size])
    return (
        (kept // _MERGE_LIMIT).astype(np.float64),
        (kept % _MERGE_LIMIT).astype(np.float64),
        weight[0] * times,
    )


@dataclass(frozen=True)
class PerfectTerms:
    r"""Log-likelihood of histories under a Weibull life, where every look finds what is there.

    A row with entry v and onset in (l, u] adds
    :math:`H(v) - H(l) + \log[1 - e^{-(H(u)-H(l))}]` with the cumulative hazard
    :math:`H(t) = (t/\mathrm{scale})^{\mathrm{shape}}`. The first two parts are linear in H, so they
    are summed over distinct ages, not over rows.

    Parameters
    ----------
    age_log, age_weight : ndarray, shape (n_ages,)
        Log of the distinct entry and lower ages, and the net weight of H there.
    first_log, first_weight : ndarray, shape (n_first,)
        Finds with nothing known before them (lower = 0): log of the upper age, weight.
    pair_log_lower, pair_log_ratio, pair_weight : ndarray, shape (n_pairs,)
        Finds between two looks: log of the lower age, log(upper/lower), weight.
    exact_log, exact_weight : ndarray, shape (n_exact,)
        Onsets whose age is known: log of the age, weight.
    """

    age_log: Floats
    age_weight: Floats
    first_log: Floats
    first_weight: Floats
    pair_log_lower: Floats
    pair_log_ratio: Floats
    pair_weight: Floats
    exact_log: Floats
    exact_weight: Floats

    @classmethod
    def from_rows(cls, entry: Floats, lower: Floats, upper: Floats, count: Floats) -> PerfectTerms:
        """Sort rows into terms and merge equal ones.

        Parameters
        ----------
        entry, lower, upper, count : ndarray, shape (n_rows,)
            Checked rows: 0 <= entry <= lower <= upper, count > 0.

        Returns
        -------
        PerfectTerms
            The terms.
        """
        late = np.flatnonzero(entry > 0)
        ages, weights = [lower], [-count]
        if late.size == entry.size:
            ages, weights = [entry, lower], [count, -count]
        elif late.size:
            ages, weights = [entry[late], lower], [count[late], -count]
        age, weight = (
            _merge(np.concatenate(ages), np.concatenate(weights)) if len(ages) > 1 else _merge(lower, -count)
        )
        found = np.flatnonzero(upper < np.inf)
        low, up, w = lower[found], upper[found], count[found]
        exact = low == up
        first = (low == 0) & ~exact
        pair = ~(exact | first)
        first_age, first_weight = _merge(up[first], w[first])
        pair_low, pair_up, pair_weight = low[pair], up[pair], w[pair]
        pair_low, pair_up, pair_weight = _merge_pairs(pair_low, pair_up, pair_weight)
        exact_age, exact_weight = _merge(low[exact], w[exact])
        pair_log_lower = np.log(pair_low)
        return cls(
            np.log(age),
            weight,
            np.log(first_age),
            first_weight,
            pair_log_lower,
            np.log(pair_up / pair_low),
            pair_weight,
            np.log(exact_age),
            exact_weight,
        )

    def value(self, log_scale: float, log_shape: float) -> tuple[float, Floats, Floats]:
        """Log-likelihood, gradient and Hessian in (log scale, log shape).

        Parameters
        ----------
        log_scale, log_shape : float
            Where to evaluate [log clock units], [-].

        Returns
        -------
        float
            Log-likelihood [-].
        ndarray, shape (2,)
            Gradient.
        ndarray, shape (2, 2)
            Hessian.
        """
        k = float(np.exp(log_shape))
        h0, h1, h2 = _moments(self.age_log, self.age_weight, log_scale, k)
        # Linear part: the sum of w H with w = +count at entry and -count at the last clean look.
        total = h0
        g_scale, g_shape = -k * h0, h1
        a, b, c = k * k * h0, -k * (h0 + h1), h1 + h2
        if self.first_log.size:
            z = (self.first_log - log_scale) * k
            d = np.exp(z)
            total, g_scale, g_shape, a, b, c = _add_interval(
                (total, g_scale, g_shape, a, b, c), self.first_weight, k, d, z * d, z * (1 + z) * d
            )
        for start in range(0, self.pair_log_lower.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            z_low = (self.pair_log_lower[block] - log_scale) * k
            step = self.pair_log_ratio[block] * k
            h_low = np.exp(z_low)
            growth = np.expm1(step)
            d = h_low * growth
            h_up = h_low * (growth + 1.0)
            # Differences of z H and of z (1 + z) H between the two ages, without cancellation.
            d1 = z_low * d + step * h_up
            d2 = z_low * (1 + z_low) * d + step * (1 + 2 * z_low + step) * h_up
            total, g_scale, g_shape, a, b, c = _add_interval(
                (total, g_scale, g_shape, a, b, c), self.pair_weight[block], k, d, d1, d2
            )
        if self.exact_log.size:
            z = (self.exact_log - log_scale) * k
            n = float(self.exact_weight.sum())
            wz = float(self.exact_weight @ z)
            total += n * log_shape + wz - float(self.exact_weight @ self.exact_log)
            g_scale -= k * n
            g_shape += n + wz
            b -= k * n
            c += wz
        return total, np.array([g_scale, g_shape]), np.array([[a, b], [b, c]])


def _add_interval(
    sums: tuple[float, ...], weight: Floats, k: float, d: Floats, d1: Floats, d2: Floats
) -> tuple[float, float, float, float, float, float]:
    """Add log(1 - exp(-D)) of intervals; d1 and d2 are the changes of z H and z (1 + z) H across each."""
    total, g_scale, g_shape, a, b, c = sums
    if d.size and not float(d.max()) < CERTAIN:
        d, d1, d2 = certain_finds(d, d1, d2)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        r = 1.0 / np.expm1(d)
        value = log1mexp(d)
        wr = weight * r
        curve = -wr * (1.0 + r)
        total += float(weight @ value)
        g_scale -= k * float(wr @ d)
        g_shape += float(wr @ d1)
        a += k * k * float(wr @ d + curve @ (d * d))
        b -= k * float(wr @ (d + d1) + curve @ (d * d1))
        c += float(wr @ d2 + curve @ (d1 * d1))
    return total, g_scale, g_shape, a, b, c


@dataclass(frozen=True)
class SumTerms:
    r"""Log-likelihood of rows whose chance is a weighted sum of interval chances.

    Row r adds :math:`w_r \log \sum_t c_t [S(a_t) - S(b_t)]` over its terms t. Imperfect detection, a
    hidden share and conditioning on looks before entry all take this form: the coefficients c are
    chances of what the looks showed given onset in (a, b], and do not depend on the life.

    Parameters
    ----------
    log_low, log_high : ndarray, shape (n_terms,)
        Log of the ends of each interval; -inf stands for age 0, +inf for never.
    coefficient : ndarray, shape (n_terms,)
        c above [-].
    row : ndarray of int, shape (n_terms,)
        Row of each term, from 0 without gaps, in order.
    weight : ndarray, shape (n_rows,)
        w above; negative for rows that are conditioned on.
    life_of_row : ndarray of int, shape (n_rows,)
        Which life each row belongs to.
    family : Family
        Family of the life.
    """

    log_low: Floats
    log_high: Floats
    coefficient: Floats
    row: NDArray[np.int64]
    weight: Floats
    life_of_row: NDArray[np.int64]
    family: Family = WEIBULL

    def by_row(self, log_scale: float | Floats, log_shape: float) -> tuple[Floats, Floats, Floats]:
        """Log chance of each row with its derivatives, unweighted.

        Parameters
        ----------
        log_scale : float or ndarray, shape (n_terms,)
            Log scale, or that of each term's life.
        log_shape : float
            Log shape.

        Returns
        -------
        ndarray, shape (n_rows,)
            Log chance [-].
        ndarray, shape (n_rows, 2)
            Gradient.
        ndarray, shape (n_rows, 3)
            Second derivatives: scale twice, both, shape twice.
        """
        k = float(np.exp(log_shape))
        starts = np.flatnonzero(np.r_[True, self.row[1:] != self.row[:-1]])
        parts = []
        for log_age in (self.log_low, self.log_high):
            z = (log_age - log_scale) * k
            inside = np.isfinite(z)
            z = np.where(inside, z, 0.0)
            with np.errstate(over="ignore"):
                h, rate, bend = self.family.cumulative_hazard(z)
            h = np.where(inside, h, np.where(log_age > 0, np.inf, 0.0))
            parts.append((h, z, np.where(inside, rate, 0.0), np.where(inside, bend, 0.0)))
        low_parts, high_parts = parts
        h_low, h_high = low_parts[0], high_parts[0]
        # Every row is scaled by the survival at its earliest age, so that left-truncated rows do not underflow.
        base = np.minimum.reduceat(h_low, starts)
        shift = base[self.row]

        def pieces(h: Floats, z: Floats, rate: Floats, bend: Floats) -> tuple[Floats, ...]:
            finite = np.isfinite(h)
            s = np.where(finite, np.exp(-np.where(finite, h - shift, 0.0)), 0.0)
            # Where nobody is left nothing changes any more; the rates there may be beyond all numbers.
            rate, bend, z = (np.where(s > 0, x, 0.0) for x in (rate, bend, z))
            s1, s2 = k * rate * s, -z * rate * s
            # Second derivatives of S = exp(-H): S (H' H' - H'').
            a = s * k * k * (rate * rate - bend)
            b = s * k * (-rate * rate * z + rate + z * bend)
            c = s * (rate * rate * z * z - z * rate - z * z * bend)
            return s, s1, s2, a, b, c

        low, high = pieces(*low_parts), pieces(*high_parts)
        finite = np.isfinite(h_high)
        gap = np.where(finite, -low[0] * np.expm1(-np.where(finite, h_high - h_low, 0.0)), low[0])
        sums = [np.add.reduceat(self.coefficient * gap, starts)]
        sums += [
            np.add.reduceat(self.coefficient * (x - y), starts)
            for x, y in zip(low[1:], high[1:], strict=True)
        ]
        p = sums[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            grad = np.stack([sums[1] / p, sums[2] / p], axis=1)
            hess = np.stack(
                [
                    sums[3] / p - grad[:, 0] ** 2,
                    sums[4] / p - grad[:, 0] * grad[:, 1],
                    sums[5] / p - grad[:, 1] ** 2,
                ],
                axis=1,
            )
            return np.log(p) - base, grad, hess

    def value(self, log_scale: float, log_shape: float) -> tuple[float, Floats, Floats]:
        """Log-likelihood, gradient and Hessian in (log scale, log shape).

        Parameters
        ----------
        log_scale, log_shape : float
            Where to evaluate [log clock units], [-].

        Returns
        -------
        float
            Log-likelihood [-].
        ndarray, shape (2,)
            Gradient.
        ndarray, shape (2, 2)
            Hessian.
        """
        logp, grad, hess = self.by_row(log_scale, log_shape)
        a, b, c = self.weight @ hess
        return float(self.weight @ logp), self.weight @ grad, np.array([[a, b], [b, c]])

    def some(self, rows: NDArray[np.bool_]) -> SumTerms:
        """Return some of the rows, with their terms.

        Parameters
        ----------
        rows : ndarray of bool, shape (n_rows,)
            True for those to keep.

        Returns
        -------
        SumTerms
            These rows, numbered anew.
        """
        keep = rows[self.row]
        number = np.cumsum(rows) - 1
        return dataclasses.replace(
            self, log_low=self.log_low[keep], log_high=self.log_high[keep], coefficient=self.coefficient[keep],
            row=number[self.row[keep]], weight=self.weight[rows], life_of_row=self.life_of_row[rows],
        )  # fmt: skip

    def scores(self, log_scale: float, log_shape: float) -> Floats:
        """Gradient of each row, weighted.

        Parameters
        ----------
        log_scale, log_shape : float
            Where to evaluate.

        Returns
        -------
        ndarray, shape (n_rows, 2)
            Row by row.
        """
        return self.weight[:, None] * self.by_row(log_scale, log_shape)[1]


def row_scores(
    entry: Floats,
    lower: Floats,
    upper: Floats,
    count: Floats,
    log_scale: float,
    log_shape: float,
    family: Family = WEIBULL,
) -> Floats:
    """Gradient of each row's log-likelihood under perfect detection.

    Parameters
    ----------
    entry, lower, upper, count : ndarray, shape (n_rows,)
        The rows.
    log_scale, log_shape : float
        Where to evaluate.
    family : Family
        Family of the life.

    Returns
    -------
    ndarray, shape (n_rows, 2)
        Derivatives by (log scale, log shape), times count.
    """
    k = float(np.exp(log_shape))

    def position(age: Floats, keep: NDArray[np.bool_]) -> Floats:
        return np.where(keep, (np.log(np.where(keep, age, 1.0)) - log_scale) * k, 0.0)

    def hazard(age: Floats) -> tuple[Floats, Floats, Floats]:
        positive = (age > 0) & np.isfinite(age)
        z = position(age, positive)
        h, rate, _ = family.cumulative_hazard(z)
        h, rate = np.where(positive, h, 0.0), np.where(positive, rate, 0.0)
        return h, rate, z * rate

    (_, r_entry, q_entry), (h_low, r_low, q_low), (h_up, r_up, q_up) = map(hazard, (entry, lower, upper))
    g_scale, g_shape = -k * (r_entry - r_low), q_entry - q_low
    exact = lower == upper
    between = np.isfinite(upper) & ~exact
    d = np.where(between, h_up - h_low, 1.0)
    odds = np.where(between, 1.0 / np.expm1(d), 0.0)
    z_exact = position(lower, exact & (lower > 0))
    slope = np.where(exact, family.log_hazard(z_exact)[1], 0.0)
    g_scale = g_scale - k * odds * np.where(between, r_up - r_low, 0.0) - k * slope
    g_shape = (
        g_shape + odds * np.where(between, q_up - q_low, 0.0) + np.where(exact, 1.0, 0.0) + z_exact * slope
    )
    return np.stack([g_scale, g_shape], axis=1) * count[:, None]


@dataclass(frozen=True)
class FamilyTerms:
    r"""Log-likelihood of histories under any family, where every look finds what is there.

    The sums are those of `PerfectTerms`, with the family's own cumulative hazard.

    Parameters
    ----------
    merged : PerfectTerms
        The rows, sorted into terms.
    family : Family
        Family of the life.
    """

    merged: PerfectTerms
    family: Family

    def value(self, log_scale: float, log_shape: float) -> tuple[float, Floats, Floats]:
        """Log-likelihood, gradient and Hessian in (log scale, log shape).

        Parameters
        ----------
        log_scale, log_shape : float
            Where to evaluate [log clock units], [-].

        Returns
        -------
        float
            Log-likelihood [-].
        ndarray, shape (2,)
            Gradient.
        ndarray, shape (2, 2)
            Hessian.
        """
        k, rows = float(np.exp(log_shape)), self.merged

        def derivatives(log_age: Floats) -> Floats:
            """H and its derivatives by scale and shape, then the second ones, shape (6, n)."""
            z = (log_age - log_scale) * k
            h, r, b = self.family.cumulative_hazard(z)
            return np.stack([h, -k * r, z * r, k * k * b, -k * (r + z * b), z * r + z * z * b])

        total = derivatives(rows.age_log) @ rows.age_weight
        for change, weight in (
            (derivatives(rows.first_log), rows.first_weight),
            (
                derivatives(rows.pair_log_lower + rows.pair_log_ratio) - derivatives(rows.pair_log_lower),
                rows.pair_weight,
            ),
        ):
            if not weight.size:
                continue
            d, d1, d2, d11, d12, d22 = change if float(change[0].max()) < CERTAIN else certain_finds(*change)
            with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
                odds = 1.0 / np.expm1(d)
                curve = -odds * (1.0 + odds)
                total = total + weight @ np.stack(
                    [
                        log1mexp(d),
                        odds * d1,
                        odds * d2,
                        odds * d11 + curve * d1 * d1,
                        odds * d12 + curve * d1 * d2,
                        odds * d22 + curve * d2 * d2,
                    ],
                    axis=1,
                )
        if rows.exact_log.size:
            z = (rows.exact_log - log_scale) * k
            g, g1, g2 = self.family.log_hazard(z)
            total = total + rows.exact_weight @ np.stack(
                [g + log_shape - rows.exact_log, -k * g1, 1.0 + z * g1, k * k * g2, -k * (g1 + z * g2), z * g1 + z * z * g2],
                axis=1,
            )  # fmt: skip
        return float(total[0]), total[1:3], np.array([[total[3], total[4]], [total[4], total[5]]])


Terms = PerfectTerms | FamilyTerms | SumTerms
"""Any form of the likelihood."""
