"""Does cost grow as the data do, from ten thousand to ten million rows?

Left out of the normal suite; run with::

    pytest tests/benchmarks/test_scaling.py --benchmark-only -n0 -s -p no:cacheprovider

No time is asserted: machines differ. ``python tests/benchmarks/table.py`` draws the picture.
"""

import numpy as np
import pytest
from benchmarks.test_speed import histories_of, made_looks, truncated_histories

from kit.detection import DetectionCurve
from kit.growth import Growth, SizeDetection
from kit.life.fits.weibull import fit_weibull
from kit.ranking import expected_of_zones

SIZES = [10_000, 100_000, 1_000_000, 10_000_000]


@pytest.mark.parametrize("n", SIZES)
def test_histories_from_looks(benchmark, n):
    benchmark.pedantic(histories_of, args=(made_looks(n),), rounds=1 if n > 1_000_000 else 3)


@pytest.mark.parametrize("n", SIZES)
def test_a_weibull_fit_of_truncated_histories(benchmark, n):
    entry, lower, upper = truncated_histories(True, n=n)
    asked = {"lower": lower, "upper": upper, "entry": entry}
    benchmark.pedantic(fit_weibull, kwargs=asked, rounds=1 if n > 1_000_000 else 3)


@pytest.mark.parametrize("n", SIZES)
def test_finds_that_looks_of_zones_should_show(benchmark, n):
    rng, lives = np.random.default_rng(1), n // 10
    life, age = (
        np.repeat(np.arange(lives), 10),
        np.tile(np.arange(1, 11) * 4000.0, lives) + rng.uniform(-500, 500, n),
    )
    zone = rng.integers(0, 250, lives)
    model = SizeDetection(DetectionCurve(20.0, 4.0, 0.95), Growth(18.0, 0.45, 2.6e-3, 0.6, 0.2))
    asked = {"scale": 40_000.0, "shape": 2.0, "n_zones": 250}
    benchmark.pedantic(expected_of_zones, args=(life, age, zone, model), kwargs=asked, rounds=1)
