"""Draws from a posterior by importance weights, and what their diagnostic says."""

import numpy as np
import pytest
from scipy.special import digamma, polygamma

from kit.posterior.importance import RELIABLE, importance_draws


def test_draws_of_a_normal_posterior_have_its_moments():
    covariance = np.array([[1.0, 0.3], [0.3, 0.25]])
    mean = np.array([2.0, -1.0])
    inverse = np.linalg.inv(covariance)

    def log_density(x):
        return -0.5 * np.einsum("ni,ij,nj->n", x - mean, inverse, x - mean)

    draws = importance_draws(log_density, mean + 0.3, 1.5 * covariance, n=1024, seed=5)
    assert draws.k_hat < 0.5
    assert draws.value.mean(axis=0) == pytest.approx(mean, abs=0.06)
    assert np.cov(draws.value.T) == pytest.approx(covariance, abs=0.09)


def test_a_skewed_posterior_is_corrected_by_its_weights():
    """Log of a gamma variable of shape 3: mean digamma(3), variance trigamma(3) (Abramowitz and Stegun 6.3, 6.4)."""

    def log_density(x):
        return 3 * x[:, 0] - np.exp(x[:, 0])

    draws = importance_draws(log_density, np.array([np.log(3.0)]), np.array([[1 / 3]]), n=2048, seed=2)
    assert draws.method == "importance"
    assert draws.k_hat <= RELIABLE
    assert float(draws.value.mean()) == pytest.approx(digamma(3.0), abs=0.02)
    assert float(draws.value.var()) == pytest.approx(float(polygamma(1, 3.0)), rel=0.06)


def test_a_poor_approximation_is_moved_until_its_weights_are_reliable():
    def log_density(x):
        return -0.5 * ((x[:, 0] - 1.0) / 0.05) ** 2

    draws = importance_draws(log_density, np.array([0.9]), np.array([[0.09]]), n=512, seed=3)
    assert draws.k_hat <= RELIABLE
    assert float(draws.value.mean()) == pytest.approx(1.0, abs=0.01)
    assert float(draws.value.std()) == pytest.approx(0.05, rel=0.15)


def test_the_same_seed_gives_the_same_draws_and_another_seed_others():
    def log_density(x):
        return -0.5 * (x**2).sum(axis=1)

    once, again, other = (
        importance_draws(log_density, np.zeros(2), np.eye(2), n=64, seed=seed).value for seed in (1, 1, 2)
    )
    assert np.array_equal(once, again)
    assert not np.array_equal(once, other)


def test_a_bent_posterior_is_followed_by_a_mixture_without_a_sampler():
    """x is standard normal and y about x squared: y has the mean 1 and the variance 2 plus that about the bend."""

    def log_density(x):
        return -0.5 * x[:, 0] ** 2 - 0.5 * ((x[:, 1] - x[:, 0] ** 2) / 0.7) ** 2

    draws = importance_draws(log_density, np.zeros(2), np.diag([1.0, 0.49]), n=1024, seed=4)
    assert draws.method == "importance"
    assert draws.k_hat <= RELIABLE
    assert draws.value.mean(axis=0) == pytest.approx([0.0, 1.0], abs=0.1)
    assert draws.value.var(axis=0) == pytest.approx([1.0, 2.49], rel=0.15)
    # The density integrates to 2 pi times the spread about the bend.
    assert draws.log_evidence == pytest.approx(np.log(2 * np.pi * 0.7), abs=0.05)
