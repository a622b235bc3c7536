"""Profiles along one parameter: the top, and the bounds to both sides of it."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.life.likelihood.profile import profile_on_grid

GRID = np.linspace(0.0, 1.0, 21)


def of(value, *, drop=1.0, grid=GRID):
    return profile_on_grid(value, grid, np.array([value(x) for x in grid]), drop, tolerance=1e-9)


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
    profile_on_grid(value, GRID, heights, 1.0, tolerance=1e-9)
    # The root search asks for the two points that it stands between, one on each side of the top.
    assert len(set(asked) & set(GRID)) <= 5
