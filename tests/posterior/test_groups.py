"""What zones and groups share, and by how much they differ."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.detection import DetectionCurve
from kit.life import Histories
from kit.posterior import expected_finds, frailty_draws


def simulated(n, pod, seed, *, scale=20_000.0, shape=2.0):
    rng = np.random.default_rng(seed)
    rows = []
    for life in range(n):
        onset = scale * rng.weibull(shape)
        for age in np.arange(rng.uniform(1000, 4000), 25_000, 3500):
            hit = age > onset and rng.random() < pod
            rows.append((life, age, hit))
            if hit:
                break
    return Histories.from_looks(pd.DataFrame(rows, columns=["life", "age", "found"]))


@pytest.mark.parametrize("pod", [1.0, 0.6])
def test_finds_less_those_expected_have_mean_zero_under_the_true_life(pod):
    """The compensator of a counting process: a martingale, however long each life was watched."""
    histories = simulated(1500, pod, seed=5)
    expected = expected_finds(histories, DetectionCurve.constant(pod), scale=20_000.0, shape=2.0)
    gap = np.isfinite(histories.upper) - expected
    assert abs(gap.mean()) < 3.5 * gap.std() / np.sqrt(gap.size)


def test_one_look_at_one_age_expects_the_share_damaged_times_the_pod():
    frame = pd.DataFrame({"life": np.arange(10), "age": 5000.0, "found": np.arange(10) < 2})
    expected = expected_finds(
        Histories.from_looks(frame), DetectionCurve.constant(0.8), scale=20_000.0, shape=2.0
    )
    assert expected == pytest.approx(np.full(10, 0.8 * -np.expm1(-(0.25**2))))


def test_groups_that_do_not_differ_are_shrunken_to_the_common_life():
    made = frailty_draws(["a", "b", "c", "d"], np.full(4, 10.0), np.full(4, 10.0), n=2048, seed=1)
    assert np.median(made.multiplier, axis=0) == pytest.approx(np.ones(4), abs=0.1)
    assert np.median(made.log_sd) < 0.35


def test_many_finds_stand_against_the_prior_and_few_do_not():
    found, expected = np.array([60.0, 3.0, 20.0, 22.0]), np.array([20.0, 1.0, 20.0, 20.0])
    middle = np.median(frailty_draws(list("abcd"), found, expected, n=2048, seed=2).multiplier, axis=0)
    assert middle[0] > 2.3
    assert 1.0 < middle[1] < 2.2


@settings(max_examples=20)
@given(st.lists(st.integers(0, 30), min_size=2, max_size=6), st.integers(0, 5))
def test_one_more_find_never_lowers_a_groups_own_multiplier_much(found, which):
    found = np.array(found, float)
    which %= found.size
    more = found.copy()
    more[which] += 5
    names = [str(i) for i in range(found.size)]
    base, raised = (
        np.mean(frailty_draws(names, x, np.full(found.size, 8.0), n=512, seed=3).multiplier, axis=0)[which]
        for x in (found, more)
    )
    assert raised >= base - 0.05
