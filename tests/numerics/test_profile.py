"""Profiles along one parameter: the top, and the bounds to both sides of it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.numerics.profile import held_limits, profile_limit, profile_on_grid
from kit.numerics.refusals import NoProfileLimit

GRID = np.linspace(0.0, 1.0, 21)


def of(value, *, drop=1.0, grid=GRID):
    along = profile_on_grid(value, grid, np.array([value(x) for x in grid]), tolerance=1e-9)
    return along.best, along.highest, along.limits(drop)


@given(centre=st.floats(0.0, 1.0), half=st.floats(0.02, 3.0))
def test_the_bounds_of_a_parabola_are_where_it_has_dropped_or_the_ends_of_the_grid(centre, half):
    """In closed form: -((x - c)/h)^2 has dropped by 1 at c - h and c + h."""
    best, highest, bounds = of(lambda x: -(((x - centre) / half) ** 2))
    assert best == pytest.approx(centre, abs=1e-6)
    assert highest == pytest.approx(0.0, abs=1e-9)
    assert bounds == pytest.approx((max(centre - half, 0.0), min(centre + half, 1.0)), abs=1e-6)


def test_a_bound_ends_where_there_is_no_fit_any_more():
    _, _, (low, high) = of(lambda x: -((x - 0.5) ** 2) if x < 0.62 else -math.inf)
    assert low == 0.0
    assert high == pytest.approx(0.62, abs=1e-6)


def test_the_top_can_lie_between_the_end_of_the_grid_and_its_neighbour():
    best, _, _ = of(lambda x: -((x - 0.98) ** 2))
    assert best == pytest.approx(0.98, abs=1e-6)


def test_no_point_of_the_grid_is_worked_out_again_to_find_where_the_profile_falls():
    asked = []

    def value(x):
        asked.append(x)
        return -(((x - 0.5) / 0.2) ** 2)

    heights = np.array([-(((x - 0.5) / 0.2) ** 2) for x in GRID])
    profile_on_grid(value, GRID, heights, tolerance=1e-9).limits(1.0)
    # The root search asks for the two points that it stands between, one on each side of the top.
    assert len(set(asked) & set(GRID)) <= 5


@given(centre=st.floats(0.01, 0.99), half=st.floats(0.02, 3.0))
def test_the_bend_of_a_profile_is_the_variance_and_an_end_of_the_range_has_none(centre, half):
    """-((x - c)/h)^2 is the log of a normal density of variance h^2 / 2."""

    def value(x):
        return -(((x - centre) / half) ** 2)

    heights = np.array([value(x) for x in GRID])
    assert profile_on_grid(value, GRID, heights, tolerance=1e-9).variance() == pytest.approx(
        half**2 / 2, rel=1e-4
    )
    assert math.isnan(profile_on_grid(lambda x: x, GRID, GRID, tolerance=1e-9).variance())


# Limits ------------------------------------------------------------------------------------------------


def limit(height, *, sign=1.0, reach=1.0, drop=2.0, **more):
    return profile_limit(height, 0.0, top=0.0, drop=drop, sign=sign, reach=reach, **more)


@given(
    width=st.floats(1e-4, 50.0), sign=st.sampled_from((-1.0, 1.0)), reach=st.floats(1e-3, 20.0), drop=st.floats(0.1, 8.0)
)  # fmt: skip
def test_the_limit_of_a_parabola_is_where_it_has_dropped_whatever_the_first_step(width, sign, reach, drop):
    """In closed form: -(x/w)^2 has dropped by d at w times the root of d."""
    found = limit(
        lambda x: -((x / width) ** 2), sign=sign, reach=reach, drop=drop, farthest=1e4, tolerance=1e-12
    )
    assert found == pytest.approx(sign * width * math.sqrt(drop), rel=1e-9)


def test_a_likelihood_that_levels_out_has_no_limit():
    assert limit(lambda x: -1.0 + math.exp(-abs(x)), sign=-1.0) == -math.inf


def test_a_limit_ends_at_the_end_of_the_range():
    assert limit(lambda x: -((x / 10) ** 2), end=3.0) == 3.0
    assert limit(lambda x: -((x / 1.0) ** 2), end=3.0) == pytest.approx(math.sqrt(2.0))


def test_data_that_become_impossible_end_the_profile_there():
    assert limit(lambda x: 0.0 if x < 1.7 else -math.inf) == pytest.approx(1.7, abs=1e-9)


def test_a_likelihood_that_cannot_be_worked_out_is_stepped_back_from():
    """What is not a number far out does not matter where the limit lies before it."""
    assert limit(lambda x: -(x**2) if x < 1.5 else math.nan, reach=8.0) == pytest.approx(
        math.sqrt(2.0), rel=1e-9
    )


@pytest.mark.parametrize("wall", [0.0, 0.5, 1.3])
def test_a_limit_behind_what_cannot_be_worked_out_is_refused_and_not_guessed(wall):
    """A bound at the wall would be too narrow, in silence."""
    with pytest.raises(NoProfileLimit, match="What can be had: bounds with method='wald'"):
        limit(lambda x: -(x**2) if abs(x) <= wall else math.nan)


def test_a_search_begun_elsewhere_that_ends_elsewhere_does_not_upset_the_limit():
    """A height that is not the same when it is asked for again, as where a search has two tops to end at."""
    asked = []

    def height(x):
        asked.append(x)
        return -(x**2) - (0.05 if len(asked) % 2 else 0.0)

    assert limit(height) == pytest.approx(math.sqrt(2.0), abs=0.05)


def test_held_limits_of_a_bowl_are_its_wald_bounds():
    """Of a quadratic likelihood profile and Wald bounds are one."""
    bend = np.array([[2.0, 0.7], [0.7, 1.0]])

    def bowl(point):
        off = point - np.array([1.0, -2.0])
        return -0.5 * off @ bend @ off, -bend @ off, -bend

    covariance = np.linalg.inv(bend)
    error = np.sqrt(covariance[0, 0])
    drop = 1.920729410347062
    low, high = held_limits(bowl, np.array([1.0, -2.0]), 0, drop=drop, covariance=covariance)
    assert (low, high) == pytest.approx((1 - 1.959964 * error, 1 + 1.959964 * error), rel=1e-6)
    assert (
        held_limits(bowl, np.array([1.0, -2.0]), 0, drop=drop, covariance=covariance, ends=(0.9, None))[0]
        == 0.9
    )
