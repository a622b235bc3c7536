"""Speed of growth from tracks, and of the joint fit of onset, size and growth.

Left out of the normal suite; run with::

    pytest tests/benchmarks --benchmark-only -n0 -s -p no:cacheprovider

No time is asserted: machines differ.
"""

import pytest
from growth.simulated_tracks import mappings
from growth.test_joint import CURVE, ERROR, looked_at

from kit.growth import fit_joint, fit_tracks


@pytest.mark.parametrize("rounding", [0.0, 5.0])
def test_fit_5000_tracks(benchmark, rounding):
    """Four mappings each, three in ten stand still."""
    tracks = mappings(5000, seed=1, still=0.3, rounding=rounding)
    fit = benchmark.pedantic(fit_tracks, args=(tracks,), rounds=2)
    assert fit.n_tracks == 5000


def test_joint_fit_of_2000_lives(benchmark):
    """Up to 8 looks each."""
    histories, size = looked_at(2000, seed=3, looks=8)
    fit = benchmark.pedantic(
        fit_joint, args=(histories, size), kwargs={"detection": CURVE, "size_log_sd": ERROR}, rounds=2
    )
    assert fit.n_lives == 2000
