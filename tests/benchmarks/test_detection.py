"""Speed of a POD fitted to hits and misses with all that trials are made of.

Left out of the normal suite; run with::

    pytest tests/benchmarks --benchmark-only -n0 -s -p no:cacheprovider

No time is asserted: machines differ. The plain fit of the same rows in the same run is the floor.
"""

import time

import numpy as np
from scipy.special import expit

from kit.detection import fit_hit_miss


def trials(n=600, inspectors=12, seed=3):
    """Damages of 5 to 80 mm and places without any, each tried once by one of several inspectors."""
    rng = np.random.default_rng(seed)
    size = np.where(rng.random(n) < 0.15, 0.0, np.exp(rng.uniform(np.log(5), np.log(80), n)))
    who = rng.integers(0, inspectors, n)
    own = 0.5 * rng.standard_normal(inspectors)
    with np.errstate(divide="ignore"):
        seen = expit(4.0 * (np.log(size) - np.log(20.0)) + own[who])
    return size, rng.random(n) < 0.03 + (0.95 - 0.03) * seen, who


def test_hit_miss_with_plateau_floor_and_inspectors(benchmark):
    size, hit, who = trials()
    options = {"plateau": "fit", "false_calls": "fit", "inspector": who}
    fit = benchmark.pedantic(fit_hit_miss, args=(size, hit), kwargs=options, rounds=3)
    start = time.process_time()
    fit_hit_miss(size[size > 0], hit[size > 0])
    plain = time.process_time() - start
    benchmark.extra_info.update({"times_plain": benchmark.stats.stats.median / plain})
    assert fit.curve().a50 > 0
