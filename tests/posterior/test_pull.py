"""How far a prior pulls is what taking it away would undo."""

import numpy as np
import pytest

from kit.posterior import PriorPull, TrackGrowth
from tests.growth.simulated_tracks import mappings


def test_the_data_alone_are_found_again_where_both_are_normal():
    """A normal mean with a normal prior: precisions add up."""
    data, data_sd, prior, prior_sd = 2.0, 0.3, 1.0, 0.6
    precision = 1 / data_sd**2 + 1 / prior_sd**2
    mean = (data / data_sd**2 + prior / prior_sd**2) / precision
    pull = PriorPull.of(mean, precision**-0.5, prior_mean=prior, prior_sd=prior_sd)
    assert mean - pull.move == pytest.approx(data)
    assert pull.weight == pytest.approx(0.2)
    assert pull.words() == f"20% of the weight, moves it by a factor of {np.exp(pull.move):.2f}"
    assert PriorPull.of(1.0, 0.6, prior_mean=1.0, prior_sd=0.6).words() == "the prior carries it"


def test_more_mappings_leave_a_weak_prior_less_weight():
    few, many = (
        TrackGrowth.from_tracks(mappings(n, seed=4), clock="age")
        .draws(128, seed=1)
        .diagnostics["growth_pulls"]
        for n in (12, 100)
    )
    for name in ("rate_log_sd", "size_log_sd"):
        assert many[name].weight < 0.6 * few[name].weight
