"""Exact limits of counts, and forecasts from the demo fleet."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.programmes import BackTest, count_limits, poisson_binomial, share_inside


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=9))
def test_poisson_binomial_is_the_sum_over_every_outcome(chances):
    """Brute force: all 2^n outcomes."""
    by_count = np.zeros(len(chances) + 1)
    for outcome in itertools.product((0, 1), repeat=len(chances)):
        by_count[sum(outcome)] += np.prod(
            [p if hit else 1 - p for p, hit in zip(chances, outcome, strict=True)]
        )
    np.testing.assert_allclose(poisson_binomial(chances), by_count, atol=1e-12)


def test_poisson_binomial_of_equal_chances_is_the_binomial():
    from scipy.stats import binom

    np.testing.assert_allclose(
        poisson_binomial(np.full(60, 0.07)), binom.pmf(np.arange(61), 60, 0.07), rtol=1e-9
    )


def test_what_lies_past_the_end_is_counted_there():
    whole = poisson_binomial(np.full(30, 0.4))
    short = poisson_binomial(np.full(30, 0.4), most=12)
    np.testing.assert_allclose(short[:12], whole[:12])
    assert short[12] == pytest.approx(whole[12:].sum())


def test_chances_that_are_none_are_refused():
    with pytest.raises(ValueError, match=r"`chances` must be between 0 and 1\. Got 0.2 to 1.4"):
        poisson_binomial([0.2, 1.4])


def test_limits_of_a_count_are_those_of_the_mixture_over_draws():
    """Whole numbers with at most half of what is left in each tail."""
    rng = np.random.default_rng(2)
    chances = rng.beta(1, 20, (50, 80, 1)) * rng.uniform(0.5, 2.0, (50, 1, 1))
    mean, low, high = count_limits(chances, level=0.9)
    played = (rng.random((400, *chances.shape)) < chances).sum(axis=2).ravel()
    assert mean[0] == pytest.approx(played.mean(), rel=0.02)
    inside = np.mean((played >= low[0]) & (played <= high[0]))
    assert inside >= 0.89
    assert np.mean(played < low[0]) <= 0.055
    assert np.mean(played > high[0]) <= 0.055


def test_past_forecasts_that_were_far_off_are_said_first():
    frame = pd.DataFrame(
        {
            "known_on": pd.to_datetime(["2023-12-31"]),
            "finds": [9.0],
            "finds_lower": [4.0],
            "finds_upper": [15.0],
        }
    )
    frame = frame.assign(came=2, inside=False, looks=30.0, looks_made=28)
    off = BackTest(group_name="outer_door", frame=frame, level=0.9, skipped={})
    assert "expected more finds (9.0) than came (2)" in off.cautions[0]
    kinds = pd.DataFrame(
        {"kind": ["disbond", "core_damage"], "finds": [7.0, 2.0], "came": [0, 2], "fewest_finds": [4, 5]}
    )
    told = replace(off, by_kind=kinds)
    assert told.cautions[0].endswith(
        "most of it is disbond (7.0 expected, 0 came), whose life rested on 4 finds at the year-end that had fewest"
    )
    assert told.words()[-1] == "By damage type, forecast and came: disbond 7.0 and 0; core damage 2.0 and 2."
    near = BackTest(
        group_name="outer_door",
        frame=frame.assign(came=8, inside=True),
        level=0.9,
        skipped={"2020-12-31": "why"},
    )
    assert near.cautions[0] == "2020-12-31: no forecast could be made: why"
    assert near.coverage == 1.0
    assert "in 1 of 1 years" in near.words()[0]


@given(
    chances=st.lists(st.floats(0.02, 0.9), min_size=1, max_size=12),
    level=st.floats(0.5, 0.99),
)
def test_a_count_shares_its_chance_with_a_bound_so_that_right_answers_lie_inside_as_often_as_promised(
    chances, level
):
    """Whole numbers hold more: of counts near 1 a bound of 90 % holds 98 % (Czado, Gneiting and Held 2009)."""
    mass = poisson_binomial(chances)
    below = np.r_[0.0, np.cumsum(mass)[:-1]]
    shares = [share_inside(low, at, level=level) for low, at in zip(below, mass, strict=True)]
    assert mass @ shares == pytest.approx(level, abs=1e-9)
    _, lower, upper = count_limits(np.reshape(chances, (1, -1, 1)), level=level)
    held = mass[int(lower[0]) : int(upper[0]) + 1].sum()
    assert held >= level - 1e-9


def test_looks_that_were_not_planned_and_few_finds_are_said_with_what_they_did_to_past_forecasts():
    """On the demo's cowl doors 631 looks were planned and 1,039 made."""
    days = pd.to_datetime(["2022-12-31", "2023-12-31"])
    frame = pd.DataFrame({"known_on": days, "finds": [8.0, 12.0], "finds_lower": 3.0, "finds_upper": 20.0})
    frame = frame.assign(came=[9, 16], inside=True, looks=100.0, looks_made=[150, 200], fewest_finds=[4, 12])
    tried = BackTest(group_name="cowl_door", frame=frame, level=0.9, skipped={})
    more, few = tried.cautions[:2]
    assert more.startswith(
        "1.75 times as many looks were made (350) as the tasks on record then planned (200)"
    )
    assert "errs low where more are made (finds per 100 looks: forecast 10.0, came 7.1)" in more
    assert few.startswith("at 1 of 2 year-ends a damage type had fewer than 10 finds")
    assert "(at those year-ends forecast 8.0, came 9)" in few
    fewer = BackTest(
        group_name="x", frame=frame.assign(looks_made=[60, 60], fewest_finds=40), level=0.9, skipped={}
    )
    assert "errs high where fewer are made" in fewer.cautions[0]
    as_planned = BackTest(
        group_name="x", frame=frame.assign(looks_made=[100, 105], fewest_finds=40), level=0.9, skipped={}
    )
    assert as_planned.cautions[0].startswith("years of one fleet are few")
