"""Twenty million looks and a million finds ranked, beside a floor: sorting the looks once."""

import sys
import time

import numpy as np
import pytest

from kit.detection import DetectionCurve
from kit.growth import Growth, SizeDetection
from kit.ranking import RankDraws, expected_of_zones, shrink

N_LOOKS, N_FINDS, N_ZONES = 20_000_000, 1_000_000, 250
GROWTH = Growth(18.0, 0.45, 2.6e-3, 0.6, 0.2)


@pytest.fixture(scope="module")
def looks():
    rng = np.random.default_rng(1)
    life = np.repeat(np.arange(N_LOOKS // 10), 10)
    age = np.tile(np.arange(1, 11) * 4000.0, N_LOOKS // 10) + rng.uniform(-500, 500, N_LOOKS)
    zone = rng.integers(0, N_ZONES, N_LOOKS // 10)
    return life, age, zone, rng.integers(0, N_ZONES, N_FINDS)


def ranked(looks):
    """From looks and finds as plain columns to the chance of each zone to be among the worst three."""
    life, age, zone, found_in = looks
    found = np.bincount(found_in, minlength=N_ZONES)
    model = SizeDetection(DetectionCurve(20.0, 4.0, 0.95), GROWTH)
    expected = expected_of_zones(life, age, zone, model, scale=40_000.0, shape=2.0, n_zones=N_ZONES)
    draws = shrink(range(N_ZONES), found, expected["expected"])
    return RankDraws(names=draws.names, rate=draws.multiplier).among_worst(3)


@pytest.mark.long
def test_twenty_million_looks_and_a_million_finds_are_ranked(benchmark, looks, capsys):
    start = time.process_time()
    np.argsort(looks[1])
    floor = time.process_time() - start
    chances = benchmark.pedantic(ranked, args=(looks,), rounds=1)
    assert chances.sum() == pytest.approx(3)
    benchmark.extra_info.update({"times_floor": benchmark.stats["mean"] / floor})
    with capsys.disabled():
        sys.stdout.write(
            f"\nranking {benchmark.stats['mean']:.1f} s, {benchmark.stats['mean'] / floor:.1f} times one sort of its looks\n"
        )
