"""Derivatives of the likelihood against arithmetic in many digits."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from mpmath import mp, mpf

from kit.life.likelihood.families import FAMILIES
from kit.life.likelihood.imperfect import ConstantDetection, detection_terms
from kit.life.likelihood.likelihood import FamilyTerms, PerfectTerms, log1mexp, row_scores
from kit.life.lives.censored import Histories

INF = np.inf
POINTS = [(9000.0, 2.0), (3000.0, 0.4), (20_000.0, 7.0)]
# entry, lower, upper, count: found first, between looks, exactly, never; on time and late
ROWS = [
    (0, 0, 600, 2),
    (0, 600, 1200, 3),
    (600, 1800, 2400, 1.5),
    (1200, 1200, 1800, 1),
    (0, 3000, 3000, 2),
    (900, 4000, 4000, 1),
    (0, 5000, INF, 40),
    (600, 9000, INF, 30),
]


def hazard(age, a, b):
    return mpf(0) if age == 0 else mp.exp(mp.exp(b) * (mp.log(mpf(age)) - a))


def row_value(row, a, b):
    entry, lower, upper, count = row
    if lower == upper:
        chance = mp.exp(b) / mpf(lower) * hazard(lower, a, b) * mp.exp(-hazard(lower, a, b))
    else:
        late = mpf(0) if upper == INF else mp.exp(-hazard(upper, a, b))
        chance = mp.exp(-hazard(lower, a, b)) - late
    return mpf(count) * (mp.log(chance) + hazard(entry, a, b))


def derivatives(function, a, b):
    """Value, gradient and Hessian by differences in 200 digits."""
    with mp.workdps(200):
        a, b, h = mp.log(mpf(a)), mp.log(mpf(b)), mpf(10) ** -20
        f = {(i, j): function(a + i * h, b + j * h) for i in (-1, 0, 1) for j in (-1, 0, 1)}
        gradient = [(f[1, 0] - f[-1, 0]) / (2 * h), (f[0, 1] - f[0, -1]) / (2 * h)]
        cross = (f[1, 1] - f[1, -1] - f[-1, 1] + f[-1, -1]) / (4 * h**2)
        hessian = [
            [(f[1, 0] - 2 * f[0, 0] + f[-1, 0]) / h**2, cross],
            [cross, (f[0, 1] - 2 * f[0, 0] + f[0, -1]) / h**2],
        ]
        return float(f[0, 0]), np.array(gradient, float), np.array(hessian, float)


def assert_derivatives(got, reference, rtol=1e-11):
    for mine, exact in zip(got, reference, strict=True):
        # Entries that all but vanish are held against the largest one.
        np.testing.assert_allclose(mine, exact, rtol=rtol, atol=rtol * np.abs(exact).max())


@pytest.mark.parametrize(("scale", "shape"), POINTS)
def test_perfect_terms_have_the_exact_value_gradient_and_hessian(scale, shape):
    terms = PerfectTerms.from_rows(*(np.array(column, float) for column in zip(*ROWS, strict=True)))
    reference = derivatives(lambda a, b: sum(row_value(row, a, b) for row in ROWS), scale, shape)
    assert_derivatives(terms.value(np.log(scale), np.log(shape)), reference)


@pytest.mark.parametrize("row", ROWS)
def test_scores_of_single_rows_are_exact(row):
    got = row_scores(*(np.array([x], float) for x in row), np.log(9000.0), np.log(2.0))[0]
    np.testing.assert_allclose(
        got, derivatives(lambda a, b: row_value(row, a, b), 9000.0, 2.0)[1], rtol=1e-10
    )


@pytest.mark.parametrize("row", [(0, 1e-3, 2e-3, 1), (0, 30_000, 30_001, 1), (40_000, 40_001, 40_002, 1)])
def test_perfect_terms_keep_their_digits_in_both_tails(row):
    """Chances of 1e-14 of an early gap, and gaps where the survival itself is below the smallest number."""
    terms = PerfectTerms.from_rows(*(np.array([x], float) for x in row))
    reference = derivatives(lambda a, b: row_value(row, a, b), 9000.0, 6.0)
    assert_derivatives(terms.value(np.log(9000.0), np.log(6.0)), reference, rtol=1e-9)


LIVES = {  # entry, ages, found at the last
    "first look": (0.0, [600.0], True),
    "third look": (0.0, [600.0, 1200.0, 1800.0], True),
    "never": (0.0, [600.0, 1200.0, 1800.0, 6000.0], False),
    "late": (1200.0, [600.0, 1200.0, 2400.0, 3600.0], True),
    "late, entry look not on record": (1500.0, [2400.0, 3600.0], False),
}


def life_value(life, pod, hidden, a, b):
    """Chance of what the looks showed, given those passed up to the entry, written out gap by gap."""
    entry, ages, found = life
    ages = sorted({*ages, *([entry] if entry else [])})

    def chance(looks, found):
        survival = [mp.exp(-hazard(t, a, b)) for t in [0, *looks]]
        gaps = [x - y for x, y in pairwise(survival)]
        if found:
            return (1 - hidden) * pod * sum(g * (1 - pod) ** (len(looks) - 1 - i) for i, g in enumerate(gaps))
        seen = survival[-1] + sum(g * (1 - pod) ** (len(looks) - i) for i, g in enumerate(gaps))
        return (1 - hidden) * seen + hidden

    value = mp.log(chance(ages, found))
    return value - mp.log(chance([t for t in ages if t <= entry], False)) if entry else value


@pytest.mark.parametrize(("scale", "shape"), POINTS)
@pytest.mark.parametrize("hidden", [0.0, 0.25])
def test_sum_terms_have_the_exact_value_gradient_and_hessian(scale, shape, hidden):
    frame = pd.concat(
        pd.DataFrame(
            {
                "life": name,
                "age": ages,
                "entry": entry,
                "found": found & (np.arange(len(ages)) == len(ages) - 1),
            }
        )
        for name, (entry, ages, found) in LIVES.items()
    )
    terms = detection_terms(Histories.from_looks(frame), ConstantDetection(0.75, hidden))
    reference = derivatives(
        lambda a, b: sum(life_value(life, mpf("0.75"), mpf(hidden), a, b) for life in LIVES.values()),
        scale,
        shape,
    )
    assert_derivatives(terms.value(np.log(scale), np.log(shape)), reference)
    np.testing.assert_allclose(
        terms.scores(np.log(scale), np.log(shape)).sum(axis=0), reference[1], rtol=1e-10
    )


def test_log1mexp_keeps_its_digits_at_both_ends():
    x = np.array([1e-300, 1e-17, 1e-8, 0.5, 0.6931, 0.6932, 1.0, 30.0, 700.0])
    with mp.workdps(400):  # enough to hold 1 - 1e-300
        exact = [float(mp.log(1 - mp.exp(-mpf(float(v))))) for v in x]
    np.testing.assert_allclose(log1mexp(x), exact, rtol=1e-15)


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("n", [10, 30_000, 70_000])
def test_merging_equal_ages_changes_no_likelihood(whole, n):
    """Whole ages merge by counting, few fractional ones by sorting, many not at all."""
    rng = np.random.default_rng(n)
    lower = rng.integers(1, 4000, n) + (0 if whole else rng.random(n))
    entry = np.where(rng.random(n) < 0.5, np.floor(lower * rng.random(n)), 0.0)
    upper = np.where(rng.random(n) < 0.3, lower + 600, INF)
    lower[:2], entry[:2], upper[:2] = 0.0, 0.0, [500.0, 700.0]
    count = rng.integers(1, 4, n).astype(float)
    value, gradient, _ = PerfectTerms.from_rows(entry, lower, upper, count).value(np.log(5000.0), np.log(1.7))
    h = [np.where(np.isfinite(t), t / 5000.0, 0.0) ** 1.7 for t in (entry, lower, upper)]
    found = np.isfinite(upper)
    chance = h[0] - h[1] + np.where(found, np.log(-np.expm1(np.where(found, h[1] - h[2], -1.0))), 0.0)
    assert value == pytest.approx(float(count @ chance), rel=1e-11)
    scores = row_scores(entry, lower, upper, count, np.log(5000.0), np.log(1.7))
    np.testing.assert_allclose(gradient, scores.sum(axis=0), rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize("log_shape", [4.6, 5.64, 7.0, 12.0])
@pytest.mark.parametrize("detection", [1.0, 0.7])
def test_derivatives_are_numbers_where_nobody_is_left(log_shape, detection):
    """At an endless shape the hazard beyond the scale is beyond all numbers; nobody is left there to have it."""
    looks = pd.DataFrame(
        [(life, 600.0 * k, life < 4 and k == 7) for life in range(9) for k in range(1, 8)],
        columns=["life", "age", "found"],
    )
    histories = Histories.from_looks(looks)
    rows = histories.entry, histories.lower, histories.upper, histories.count
    merged = PerfectTerms.from_rows(*rows)
    forms = [detection_terms(histories, ConstantDetection(detection))]
    forms += (
        [merged, *(FamilyTerms(merged, family) for family in FAMILIES.values())] if detection == 1 else []
    )
    for terms in forms:
        for log_scale in np.log([700.0, 3900.0, 4150.0, 4250.0, 9000.0]):
            with np.errstate(all="ignore"):
                value, gradient, hessian = terms.value(log_scale, log_shape)
            if value > -1e100:  # below, squares of the hazard are beyond all numbers
                assert np.isfinite(gradient).all()
                assert np.isfinite(hessian).all()
