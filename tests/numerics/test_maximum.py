"""One search for the highest point of a likelihood: it finds it, or ends and says in which direction it led."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.numerics.maximum import maximise

coordinates = st.floats(-5.0, 5.0)


@given(top=st.lists(coordinates, min_size=1, max_size=4), seed=st.integers(0, 10_000))
def test_a_bowl_is_climbed_to_its_top(top, seed):
    """-(x - c)' A (x - c)/2 with A = R R' + I has its top at c and the Hessian -A."""
    n = len(top)
    root = np.random.default_rng(seed).standard_normal((n, n))
    bend = root @ root.T + np.eye(n)

    def surface(x):
        away = x - top
        return -0.5 * float(away @ bend @ away), -bend @ away, -bend

    found = maximise(surface, np.zeros(n))
    np.testing.assert_allclose(found.point, top, atol=1e-9)
    assert found.flat is None
    assert found.has_ended


@given(begin=st.floats(-30.0, 3.0))
def test_a_hazard_is_found_from_far_away(begin):
    """n log h - exp(log h) t: h = n/t, as steep on one side as flat on the other."""
    found = maximise(
        lambda x: (3 * x[0] - np.exp(x[0]), 3 - np.exp(x), -np.exp(x)[:, None]), np.array([begin])
    )
    assert found.point[0] == pytest.approx(np.log(3.0), abs=1e-10)


def test_a_likelihood_that_levels_out_ends_with_the_direction():
    found = maximise(lambda x: (-np.exp(-x[0]), np.exp(-x), -np.exp(-x)[:, None]), np.zeros(1))
    assert found.flat is not None
    assert found.flat[0] != 0


def test_a_search_that_is_not_done_after_its_steps_says_so():
    found = maximise(lambda x: (x[0], np.ones(1), -0.001 * np.eye(1)), np.zeros(1))
    assert not found.has_ended
    assert found.flat is not None


@pytest.mark.parametrize("what", ["value", "slope", "bend"])
@pytest.mark.parametrize("wall", [-1.0, 0.5])
def test_what_is_not_a_number_ends_the_search_and_is_no_maximum(what, wall):
    """As a step of the search over the other parameter did without end, for bounds of one demo fleet (seed 202)."""

    def surface(x):
        nan = np.nan if x[0] > wall else 0.0
        value, slope, bend = -((x[0] - 4) ** 2), -2 * (x - 4), -2 * np.eye(1)
        return value + nan * (what == "value"), slope + nan * (what == "slope"), bend + nan * (what == "bend")

    found = maximise(surface, np.zeros(1))
    assert found.flat is not None
    assert np.isfinite(found.point).all()


def test_no_parameters_are_a_maximum_where_they_are():
    found = maximise(lambda x: (-3.0, np.zeros(0), np.zeros((0, 0))), np.zeros(0))
    assert (found.value, found.flat) == (-3.0, None)
