"""Ranks of draws: chances, sets, false discoveries."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.ranking import RankDraws, false_discoveries, normal_expected_ranks

RNG = np.random.default_rng(3)


def test_expected_ranks_laird_louis_1989():
    """Normal posteriors: expected ranks in closed form (formula from memory), against a million draws."""
    mean, sd = np.array([1.0, 0.8, 0.0, -0.5]), np.array([0.5, 1.0, 0.3, 2.0])
    draws = RankDraws(names=tuple("abcd"), rate=RNG.normal(mean, sd, (200_000, 4)))
    table = draws.to_frame(k=2)
    assert table["expected_rank"].to_numpy() == pytest.approx(normal_expected_ranks(mean, sd**2), abs=0.01)


def test_ranks_of_three_draws_counted_by_hand():
    draws = RankDraws(
        names=("a", "b", "c"), rate=np.array([[3.0, 2.0, 1.0], [1.0, 3.0, 2.0], [3.0, 1.0, 2.0]])
    )
    assert draws.ranks.tolist() == [[1, 2, 3], [3, 1, 2], [1, 3, 2]]
    table = draws.to_frame(k=2)
    assert table["p_worst"].tolist() == pytest.approx([2 / 3, 1 / 3, 0])
    assert table["p_among_worst_2"].tolist() == pytest.approx([2 / 3, 2 / 3, 2 / 3])
    assert draws.probabilities().loc["a"].tolist() == pytest.approx([2 / 3, 0, 1 / 3])
    assert draws.worse_than().loc["a", "b"] == pytest.approx(2 / 3)
    assert draws.may_be_worst(0.6) == ("a",)
    assert draws.may_be_worst(0.9) == ("a", "b")


@given(st.integers(2, 8), st.integers(1, 8), st.integers(0, 1000))
def test_chances_to_be_among_the_worst_add_up(n, k, seed):
    rate = np.random.default_rng(seed).random((50, n))
    draws = RankDraws(names=tuple(map(str, range(n))), rate=rate)
    k = min(k, n)
    assert draws.among_worst(k).sum() == pytest.approx(k)
    assert draws.probabilities().to_numpy().sum(axis=0) == pytest.approx(np.ones(n))


def test_zones_far_apart_are_told_apart_and_near_ones_stand_in_one_set():
    rate = RNG.normal([9.0, 5.0, 4.9, 1.0], 0.3, (4000, 4))
    assert RankDraws(names=tuple("abcd"), rate=rate).sets() == (("a",), ("b", "c"), ("d",))


def test_names_are_called_while_the_mean_chance_to_be_wrong_stays_small():
    """0.01, then (0.01 + 0.05) / 2 = 0.03, then (0.01 + 0.05 + 0.3) / 3 = 0.12."""
    assert false_discoveries(np.array([0.3, 0.01, 0.05]), rate=0.05).tolist() == [False, True, True]


def test_a_rank_among_more_than_there_are_is_refused():
    with pytest.raises(ValueError, match=r"`k` must be from 1 to the number of zones, 2\. Got 3\."):
        RankDraws(names=("a", "b"), rate=np.zeros((3, 2))).among_worst(3)
