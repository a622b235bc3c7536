"""One search for the highest point of a likelihood: it finds it, or ends and says in which direction it led."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.numerics.maximum import Followed, maximise

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


def banana(point):
    """Minus Rosenbrock's valley, with its slopes alone."""
    x, y = point
    value = -((1 - x) ** 2) - 100 * (y - x * x) ** 2
    return value, np.array([2 * (1 - x) + 400 * x * (y - x * x), -200 * (y - x * x)])


@pytest.mark.parametrize("begin", [(-1.2, 1.0), (3.0, -2.0), (0.0, 0.0)])
def test_slopes_alone_lead_to_the_top_of_a_bent_ridge(begin):
    found = maximise(Followed(banana), np.array(begin))
    assert found.has_ended
    assert found.flat is None
    np.testing.assert_allclose(found.point, [1.0, 1.0], atol=1e-6)


def test_slopes_alone_ask_for_the_likelihood_less_often_than_differences_at_each_step():
    asked = []

    def counted(point):
        asked.append(point)
        return banana(point)

    maximise(Followed(counted), np.array([-1.2, 1.0]))
    followed = len(asked)
    asked.clear()

    def anew(point):
        return *counted(point), Followed(counted)(point)[2]

    maximise(anew, np.array([-1.2, 1.0]))
    assert followed < len(asked)


@pytest.mark.parametrize(
    ("limits", "top"),
    [
        ([(-9, 9), (-9, 9)], (2.0, -1.0)),
        ([(-9, 1.5), (-9, 9)], (1.5, -0.75)),
        ([(-9, 1.2), (0, 9)], (1.2, 0.0)),
        ([(2.5, 9), (-0.5, 9)], (2.5, -0.5)),
    ],
)
def test_within_ranges_the_top_is_where_the_slopes_point_out_of_them(limits, top):
    """A bowl whose parameters go together; the tops by the conditions of Karush, Kuhn and Tucker, by hand."""
    bend = np.array([[2.0, 1.0], [1.0, 2.0]])

    def bowl(point):
        off = point - np.array([2.0, -1.0])
        return -0.5 * off @ bend @ off, -bend @ off, -bend

    for surface in (bowl, Followed(lambda point: bowl(point)[:2], np.array(limits, float))):
        found = maximise(surface, np.array([0.5, 3.0]), limits=limits)
        np.testing.assert_allclose(found.point, top, atol=1e-9)
        assert found.flat is None


def test_where_no_parameter_can_move_the_search_ends_at_once():
    found = maximise(
        lambda p: (float(p.sum()), np.ones(2), -np.eye(2)), np.array([5.0, 5.0]), limits=[(0, 1), (0, 1)]
    )
    np.testing.assert_array_equal(found.point, [1.0, 1.0])
    assert found.has_ended
