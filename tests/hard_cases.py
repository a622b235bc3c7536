"""Lives that are hard to fit, and their highest likelihood in 30 digits or the reason why there is none.

Rows are (entry, lower, upper, count). The maximum is found here without the kit: by Newton's method in mpmath
on slopes written out straight from S and f.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from mpmath import mp, mpf

INF = np.inf
DIGITS = 30


@dataclass(frozen=True)
class HardCase:
    """Rows, and what is right: a maximum, or none for a reason."""

    name: str
    entry: list[float]
    lower: list[float]
    upper: list[float]
    count: list[float]
    refusal: str = ""

    @property
    def is_exact(self) -> bool:
        """Whether every age at onset is known, and nobody came late: what the simplest libraries take."""
        exact = all(low == up or up == INF for low, up in zip(self.lower, self.upper, strict=True))
        return exact and not any(self.entry)

    def rows(self) -> dict[str, np.ndarray]:
        """Return the arguments of `kit.fit_weibull`."""
        return {name: np.array(getattr(self, name), float) for name in ("entry", "lower", "upper", "count")}


def grid(finds_at, clean_at, *, step=600.0):
    """Rows from {look number: finds there} and {last clean look number: survivors}, a look every `step`."""
    lower = [step * (k - 1) for k in finds_at] + [step * k for k in clean_at]
    upper = [step * k for k in finds_at] + [INF] * len(clean_at)
    return [0.0] * len(lower), lower, upper, [*map(float, finds_at.values()), *map(float, clean_at.values())]


def looked_at(seed, n, scale, shape, *, step, late=0.0, from_scale=None, until=1.6):
    """Lives looked at every `step` with their own phase; some come late and clean, at up to half the scale.

    With `from_scale`, all come late, at so many times the scale.
    """
    rng = np.random.default_rng(seed)
    if from_scale is None:
        entry = np.where(rng.random(n) < late, scale * rng.uniform(0, 0.5, n), 0.0)
    else:
        entry = scale * rng.uniform(*from_scale, n)
    onset = scale * ((entry / scale) ** shape + rng.exponential(size=n)) ** (1 / shape)
    phase = rng.uniform(0, step, n)
    before = entry + np.where(
        onset - entry < phase, 0.0, phase + step * np.floor((onset - entry - phase) / step)
    )
    after = (
        entry
        + phase
        + step * np.where(onset - entry < phase, 0, 1 + np.floor((onset - entry - phase) / step))
    )
    stop = entry + phase + step * rng.integers(1, max(2, int(until * scale / step)), n)
    found = after <= stop
    lower, upper = np.where(found, before, stop), np.where(found, after, INF)
    return entry.tolist(), lower.tolist(), upper.tolist(), [1.0] * n


def _joined(*parts):
    return tuple([x for one in lists for x in one] for lists in zip(*parts, strict=True))


CASES = (
    HardCase("no finds", *grid({}, {4: 100, 8: 400}), refusal="no finds in 500 lives"),
    HardCase("one find in 500 lives", *grid({9: 1}, {4: 100, 8: 150, 12: 149, 16: 100})),
    HardCase("one find in a million lives", *grid({9: 1}, {4: 2e5, 8: 3e5, 12: 299_999, 16: 2e5})),
    HardCase("one find, age known", [0.0] * 3, [5400.0, 4800, 7200], [5400.0, INF, INF], [1.0, 300, 199]),
    HardCase(
        "one find, of a life that came late",
        [3000.0, 3000, 0],
        [4800.0, 7200, 6000],
        [5400.0, INF, INF],
        [1.0, 99, 400],
    ),
    HardCase("all finds in one interval, survivors beyond", *grid({5: 60}, {6: 140, 8: 200, 10: 100})),
    HardCase(
        "all finds in one interval, no survivor beyond",
        *grid({5: 60}, {2: 200, 4: 240}),
        refusal="no clean look goes beyond",
    ),
    HardCase("every life found in one interval", *grid({5: 500}, {}), refusal="no clean look goes beyond"),
    HardCase(
        "every life found at its first look",
        [0.0, 0],
        [0.0, 0],
        [600.0, 1200],
        [200.0, 300],
        refusal="nobody was clean",
    ),
    HardCase("found or clean at one look each", [0.0] * 4, [0.0, 0, 3000, 9000], [3000.0, 9000, INF, INF], [10.0, 140, 240, 110]),
    HardCase("two finds of known age in 500 lives", [0.0] * 5, [8994.0, 9001, 6000, 8000, 9400], [8994.0, 9001, INF, INF, INF], [1.0, 1, 150, 200, 148]),
    HardCase("ages of a million", *looked_at(1, 120, 1e6, 2.2, step=7e4, late=0.4)),
    HardCase("ages of a thousandth", *looked_at(1, 120, 1e-3, 2.2, step=7e-5, late=0.4)),
    HardCase("shape 0.3", *looked_at(2, 200, 9000.0, 0.3, step=600.0, late=0.3)),
    HardCase("shape 12", *looked_at(3, 200, 9000.0, 12.0, step=300.0, late=0.3)),
    HardCase("shape 12, ages of a million", *looked_at(3, 150, 1e6, 12.0, step=3e4, late=0.3)),
    HardCase(
        "entry at 1.4 to 1.7 times the scale, shape 8",
        *_joined(looked_at(4, 40, 9000.0, 8.0, step=300.0), looked_at(5, 60, 9000.0, 8.0, step=50.0, from_scale=(1.4, 1.7))),
    ),
    HardCase(
        "the same, late lives only", *looked_at(6, 120, 9000.0, 8.0, step=40.0, from_scale=(1.4, 1.7), until=0.05)
    ),
    HardCase(
        "entry where survival is below 1e-900",
        [500.0] * 4 + [1000.0] * 3 + [1500.0] * 2,
        [500.0, 501, 502, 503, 1000, 1001, 1002, 1500, 1501],
        [501.0, 502, 503, INF, 1001, 1002, INF, 1501, INF],
        [63.0, 23, 9, 5, 86, 12, 2, 95, 5],
    ),
    HardCase("entry equal to the first look", [600.0, 600, 0, 1200], [600.0, 1800, 600, 1800], [1200.0, INF, 1200, INF], [4.0, 30, 3, 20]),
    HardCase("rows that stand for millions", *grid({3: 2e6, 5: 7e6, 8: 11e6}, {4: 30e6, 8: 70e6, 10: 90e6})),
    HardCase("one life beside a hundred million", *grid({3: 1, 8: 11e6}, {4: 30e6, 8: 70e6, 12: 1})),
    HardCase("counts that are not whole", *grid({3: 0.4, 5: 1.7, 8: 2.5}, {4: 9.25, 8: 20.5, 10: 11.0})),
    HardCase("intervals of a thousandth of an hour", [0.0] * 6, [3000.0, 4200, 5100, 6000, 7000, 8000], [3000.001, 4200.001, 5100.001, 6000.001, INF, INF], [1.0, 1, 1, 1, 3, 5]),
    HardCase("finds spread over five decades", [0.0] * 6, [0.1, 3, 80, 900, 12_000, 50_000], [0.2, 5, 120, 1100, 15_000, INF], [2.0, 2, 2, 2, 2, 3]),
)  # fmt: skip


def _slopes(rows, a, b):
    """Slope of the log-likelihood by log scale a and log shape b, and its value."""
    k = mp.exp(b)
    value, by_a, by_b = mpf(0), mpf(0), mpf(0)

    def hazard(age):
        """Cumulative hazard, and its slopes by a and b."""
        if age == 0:
            return mpf(0), mpf(0), mpf(0)
        z = k * (mp.log(mpf(age)) - a)
        h = mp.exp(z)
        return h, -k * h, z * h

    for entry, lower, upper, count in rows:
        n = mpf(count)
        h_in, h_low = hazard(entry), hazard(lower)
        value += n * (h_in[0] - h_low[0])
        by_a += n * (h_in[1] - h_low[1])
        by_b += n * (h_in[2] - h_low[2])
        if upper == INF:
            continue
        if lower == upper:
            z = k * (mp.log(mpf(lower)) - a)
            value += n * (b + z - mp.log(mpf(lower)))
            by_a -= n * k
            by_b += n * (1 + z)
            continue
        h_up = hazard(upper)
        d = h_up[0] - h_low[0]
        chance = -mp.expm1(-d)
        value += n * mp.log(chance)
        by_a += n * mp.exp(-d) / chance * (h_up[1] - h_low[1])
        by_b += n * mp.exp(-d) / chance * (h_up[2] - h_low[2])
    return value, by_a, by_b


def highest(case: HardCase, near: tuple[float, float]) -> dict[str, float]:
    """Return the maximum in 30 digits: scale, shape, log-likelihood, and standard errors of their logs.

    `near` is where to begin; the point must be a maximum, and have slopes of nought.
    """
    rows = list(zip(case.entry, case.lower, case.upper, case.count, strict=True))
    with mp.workdps(DIGITS + 60):
        a, b = mp.log(mpf(near[0])), mp.log(mpf(near[1]))
        h = mpf(10) ** -25
        for _ in range(60):
            value, by_a, by_b = _slopes(rows, a, b)
            plus_a, minus_a = _slopes(rows, a + h, b), _slopes(rows, a - h, b)
            plus_b, minus_b = _slopes(rows, a, b + h), _slopes(rows, a, b - h)
            bend = mp.matrix(
                [
                    [(plus_a[1] - minus_a[1]) / (2 * h), (plus_b[1] - minus_b[1]) / (2 * h)],
                    [(plus_a[2] - minus_a[2]) / (2 * h), (plus_b[2] - minus_b[2]) / (2 * h)],
                ]
            )
            step = mp.lu_solve(-bend, mp.matrix([by_a, by_b]))
            a, b = a + step[0], b + step[1]
            if max(abs(step[0]), abs(step[1])) < mpf(10) ** -DIGITS:
                break
        else:
            raise AssertionError(f"{case.name}: the reference did not converge")
        covariance = (-bend) ** -1
        assert covariance[0, 0] > 0
        assert mp.det(covariance) > 0
        return {
            "scale": float(mp.exp(a)),
            "shape": float(mp.exp(b)),
            "log_likelihood": float(value),
            "log_scale_error": float(mp.sqrt(covariance[0, 0])),
            "log_shape_error": float(mp.sqrt(covariance[1, 1])),
        }
