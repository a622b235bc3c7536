"""Evenly spread random points: even within a stream, independent between streams."""

import numpy as np
import pytest
from scipy.stats import chi2, qmc

from kit.posterior import uniform_points


@pytest.mark.parametrize("seed", range(5))
def test_a_stream_fills_each_dimension_evenly(seed):
    """One point in each of n equal parts: the property of a digital net (Owen 1997)."""
    points = uniform_points(256, 3, seed=seed, stream=4)
    for column in points.T:
        np.testing.assert_array_equal(np.sort((column * 256).astype(int)), np.arange(256))


@pytest.mark.parametrize("dimensions", [1, 2, 6, 40, 45])
def test_points_are_those_of_scipy_to_the_last_bit(dimensions):
    """Joe and Kuo 2008 for the directions, scrambled as scipy does it; beyond 40 dimensions it is scipy itself."""
    for doublings in (1, 6, 10):
        rng = np.random.default_rng(np.random.SeedSequence([dimensions, 7]))
        points = qmc.Sobol(dimensions, scramble=True, rng=rng).random_base2(doublings)
        np.testing.assert_array_equal(
            uniform_points(2**doublings, dimensions, seed=dimensions, stream=7, shuffled=False),
            np.clip(points, 1e-9, 1 - 1e-9),
        )


@pytest.mark.parametrize("seed", range(5))
def test_streams_know_nothing_of_each_other(seed):
    """Counts on a grid of 4 by 4 parts of the square, any dimension of one stream against any of another, are even by chance alone."""
    n, worst = 1024, chi2.isf(1e-6, 15)
    for stream, other in ((1, 10), (10, 70), (1, 950), (0, 1)):
        a, b = (uniform_points(n, 3, seed=seed, stream=one) for one in (stream, other))
        for x in a.T:
            for y in b.T:
                count = np.histogram2d(x, y, bins=4, range=((0, 1), (0, 1)))[0]
                assert ((count - n / 16) ** 2 / (n / 16)).sum() < worst


def test_the_same_seed_and_stream_give_the_same_points():
    np.testing.assert_array_equal(
        uniform_points(64, 2, seed=3, stream=9), uniform_points(64, 2, seed=3, stream=9)
    )
