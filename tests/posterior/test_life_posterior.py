"""The posterior of a life on its grid."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import gammaincinv

from kit.detection import DetectionCurve
from kit.life import Histories
from kit.posterior.life import LifePosterior, ShapePrior

PERFECT = DetectionCurve.constant(1.0)
NARROW = ShapePrior(median=2.0, log_sd=0.01)


def one_look(n, found, age=1000.0):
    return Histories.from_looks(
        pd.DataFrame({"life": np.arange(n), "age": np.full(n, age), "found": np.arange(n) < found})
    )


@pytest.mark.parametrize("n", [5, 60])
def test_no_finds_give_the_exact_poisson_bound(n):
    """Upper 95 % bound of the mean of a count of 0 is 2.996 (Garwood, Biometrika 28, 1936)."""
    life = LifePosterior(one_look(n, 0), NARROW)
    draws = life.given(PERFECT).sample(np.random.default_rng(1).random((40_000, 2)))
    hazard = np.exp(draws[:, 0]) * n
    assert np.quantile(hazard, 0.95) == pytest.approx(float(gammaincinv(1.0, 0.95)), rel=0.04)


def test_one_age_gives_the_posterior_worked_out_by_hand():
    n, x = 40, 6
    life = LifePosterior(one_look(n, x), NARROW)
    mean, covariance = life.given(PERFECT).moments()
    h = np.linspace(1e-4, 1.2, 20_001)
    density = (1 - np.exp(-h)) ** x * np.exp(-h * (n - x))
    density /= density.sum()
    by_hand = density @ np.log(h)
    assert mean[0] == pytest.approx(by_hand, abs=0.01)
    assert covariance[0, 0] == pytest.approx(density @ np.log(h) ** 2 - by_hand**2, rel=0.05)


def test_scale_and_shape_are_those_of_the_hazard_at_the_reference_age():
    life = LifePosterior(one_look(20, 6, age=3000.0), ShapePrior())
    scale, shape = life.natural(np.array([[np.log(0.25), np.log(1.7)]]))
    assert shape == pytest.approx(1.7)
    assert (life.reference / scale) ** shape == pytest.approx(0.25)


def test_looks_that_miss_make_the_hazard_larger_and_never_smaller():
    looks = pd.DataFrame(
        {
            "life": np.repeat(np.arange(40), 3),
            "age": np.tile([1000.0, 2000.0, 3000.0], 40),
            "found": np.zeros(120, bool),
        }
    )
    looks.loc[[2, 5, 8, 11], "found"] = True
    life = LifePosterior(Histories.from_looks(looks), ShapePrior())
    hazards = [life.given(DetectionCurve.constant(pod)).moments()[0][0] for pod in (1.0, 0.8, 0.5, 0.3)]
    assert hazards == sorted(hazards)


@pytest.mark.parametrize("name", ["median", "log_sd"])
def test_an_impossible_prior_is_refused(name):
    with pytest.raises(ValueError, match=rf"`{name}` must be positive and finite\. Got 0\."):
        ShapePrior(**{name: 0})
