"""What a level of confidence means for a bound."""

import numpy as np
import pytest

from kit.numerics.confidence import tolerance_factor


@pytest.mark.parametrize(("n", "factor"), [(5, 3.407), (10, 2.355), (20, 1.926), (50, 1.646)])
def test_one_sided_tolerance_factors_are_those_of_the_tables(n, factor):
    """Natrella, Experimental Statistics, NBS Handbook 91, 1963, table A-7, for 0.90 at 95 % (from memory)."""
    assert tolerance_factor(n) == pytest.approx(factor, abs=1.5e-3)


def test_the_share_is_covered_as_often_as_the_confidence_says():
    sample = np.random.default_rng(4).standard_normal((20_000, 12))
    bound = sample.mean(axis=1) + tolerance_factor(12) * sample.std(axis=1, ddof=1)
    assert np.mean(bound >= 1.2815515655446004) == pytest.approx(0.95, abs=0.005)


def test_a_sample_of_one_is_refused():
    with pytest.raises(ValueError, match="must be 2 or more"):
        tolerance_factor(1)
