"""Derivatives of the likelihood of hits and misses are those of its values."""

from dataclasses import replace

import numpy as np
import pytest

from kit.detection.hit_miss_surface import Anchor, Surface
from kit.detection.links import LINKS


@pytest.fixture
def surface():
    rng = np.random.default_rng(1)
    n = 60
    x = rng.normal(size=n)
    count = rng.integers(1, 5, n).astype(float)
    hit = rng.binomial(count.astype(int), 0.6).astype(float)
    blank = np.zeros(n, bool)
    blank[::12] = True
    return Surface("logit", np.column_stack([np.ones(n), x]), hit, count - hit, blank, None, None)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("with_spread", [False, True])
@pytest.mark.parametrize("with_anchor", [False, True])
@pytest.mark.parametrize(("plateau", "false"), [(None, None), (0.95, 0.03), (None, 0.03), (0.95, None)])
def test_gradient_and_curvature_agree_with_differences(
    surface, link, with_spread, with_anchor, plateau, false
):
    some = replace(surface, link=link, plateau=plateau, false_calls=false)
    point = np.array([0.3, 0.8] + [3.0] * (plateau is None) + [-3.0] * (false is None))
    if with_anchor:
        some = replace(some, design=some.design[:, 1:], anchor=Anchor(np.arange(60) % 3 > 0, 0.9))
        point = point[1:]
    if with_spread:
        point = np.r_[point, np.log(0.6)]
        some = replace(some, starts=np.array([0, 20, 33])).centred(point)
    _, grad, hess = some(point)
    step = 1e-5
    for i in range(point.size):
        move = np.eye(point.size)[i] * step
        up, down = some(point + move), some(point - move)
        assert grad[i] == pytest.approx((up[0] - down[0]) / (2 * step), rel=1e-6, abs=1e-6)
        np.testing.assert_allclose(hess[i], (up[1] - down[1]) / (2 * step), rtol=2e-5, atol=2e-5)


def test_more_nodes_and_other_centres_integrate_to_the_same_value(surface):
    point = np.array([0.3, 0.8, 3.0, -3.0, np.log(0.6)])
    some = replace(surface, starts=np.array([0, 20, 33]))
    right = some.centred(point)
    moved = replace(right, centre=right.centre + 0.3 * right.width, width=right.width * 1.2)
    assert moved(point)[0] == pytest.approx(right(point)[0], abs=1e-6)


def test_the_expected_information_is_the_mean_of_what_is_observed(surface):
    some = replace(surface, blank=np.zeros(60, bool), plateau=1.0, false_calls=0.0)
    point = np.array([0.3, 0.8])
    # For the logit the curvature does not hang on the outcomes.
    np.testing.assert_allclose(some.information(point), -some(point)[2], rtol=1e-12)


def test_impossible_outcomes_have_no_likelihood(surface):
    some = replace(surface, plateau=1.0, false_calls=0.0, hit=surface.hit + surface.blank)
    assert some(np.array([0.3, 0.8]))[0] == -np.inf
