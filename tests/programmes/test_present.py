"""Chance of unfound damage on a panel, given all its looks: closed forms, play, laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from programmes_parts import one_draw, panels

from kit.programmes import PanelLives, known_beyond, present_chances, rank_panels


def test_without_looks_the_chance_is_that_of_the_life():
    found = present_chances(panels([5000.0, 20_000.0]), one_draw(), limit=40.0)
    np.testing.assert_allclose(found.damage[0], -np.expm1(-(np.array([0.25, 1.0]) ** 2)), rtol=0.03)
    np.testing.assert_allclose(found.damage.mean(axis=0), -np.expm1(-(np.array([0.25, 1.0]) ** 2)), rtol=0.01)


def test_after_a_perfect_look_only_what_came_since_is_left():
    perfect = one_draw(a50=1e-6, plateau=1.0)
    found = present_chances(panels([10_000.0], [8000.0]), perfect, limit=40.0, samples=512)
    truth = -np.expm1(0.4**2 - 0.5**2)
    assert found.damage.mean() == pytest.approx(truth, rel=0.02)


@pytest.mark.parametrize("miss", [0.3, 0.6])
def test_looks_of_one_chance_leave_the_closed_form_of_the_delay_time_model(miss):
    """A. H. Christer, J. Oper. Res. Soc. 50, 1999: onset in each gap, missed by every look after it."""
    constant = one_draw(a50=1e-6, plateau=1 - miss)
    looks, now = np.array([3000.0, 6000.0, 9000.0]), 10_000.0
    edges = np.array([0.0, *looks, now])
    left = np.exp(-((edges / 20_000.0) ** 2))
    there = np.sum((left[:-1] - left[1:]) * miss ** np.array([3, 2, 1, 0]))
    found = present_chances(panels([now], looks), constant, limit=40.0, samples=768)
    assert found.damage.mean() == pytest.approx(there / (there + left[-1]), rel=0.01)
    np.testing.assert_allclose(found.found, (1 - miss) * found.damage, rtol=1e-4)


@pytest.mark.parametrize("far", [0.0, 0.2])
def test_the_chance_beyond_the_limit_is_that_of_panels_played_look_by_look(far):
    """An event-by-event play that shares nothing with the sums judges them."""
    rng, n = np.random.default_rng(3), 400_000
    draws = one_draw(far_side_share=far, n=64)
    onset = 20_000.0 * rng.standard_exponential(n) ** 0.5
    size = 20.0 * np.exp(0.4 * rng.standard_normal(n))
    rate = np.where(rng.random(n) < 0.1, 0.0, 0.003 * np.exp(0.5 * rng.standard_normal(n)))
    top = np.where(rng.random(n) < far, 0.1, 0.95)
    unfound = np.ones(n, bool)
    for look in (4000.0, 7000.0, 10_000.0):
        at = np.maximum(size + rate * (look - onset), size)
        unfound &= (onset >= look) | (rng.random(n) >= top / (1 + (20.0 / at) ** 4))
    now = 12_000.0
    there = unfound & (onset < now)
    beyond = there & (size + rate * (now - onset) >= 40.0)
    found = present_chances(panels([now] * 8, [4000.0, 7000.0, 10_000.0]), draws, limit=40.0)
    for chances, played in ((found.damage, there), (found.beyond, beyond)):
        share = played.sum() / unfound.sum()
        error = np.sqrt(share / unfound.sum())
        assert abs(chances.mean() - share) < 4 * error + 0.01 * share


@settings(max_examples=25, deadline=None)
@given(
    age=st.floats(6000, 40_000),
    worse=st.sampled_from(["a50", "plateau", "scale", "limit"]),
    by=st.floats(1.05, 2.0),
)
def test_poorer_looks_shorter_lives_and_smaller_limits_never_give_a_smaller_chance(age, worse, by):
    """The share beyond the limit rises with a smaller limit; poorer looks add small damage too, so it may fall a little."""
    lives, limit = panels([age], [2000.0, 5000.0]), 40.0
    before = present_chances(lives, one_draw(), limit=limit)
    changed = {
        "a50": {"a50": 20.0 * by},
        "plateau": {"plateau": 0.95 / by},
        "scale": {"scale": 20_000.0 / by},
    }
    after = present_chances(
        lives, one_draw(**changed.get(worse, {})), limit=limit / by if worse == "limit" else limit
    )
    assert (after.damage >= before.damage - 1e-6).all()
    assert (after.beyond >= before.beyond * (1 if worse == "limit" else 0.95) - 1e-6).all()


def test_one_more_clean_look_never_raises_the_chance():
    without = present_chances(panels([12_000.0], [4000.0]), one_draw(), limit=40.0)
    with_it = present_chances(panels([12_000.0], [4000.0, 9000.0]), one_draw(), limit=40.0)
    assert (with_it.damage < without.damage).all()
    assert (with_it.beyond < without.beyond).all()


def test_known_damage_gets_beyond_the_limit_as_its_rate_says():
    lives = PanelLives(
        kind="disbond",
        clock="flight_hours",
        start=np.zeros(4),
        now=np.full(4, 9000.0),
        looks=np.full((4, 1), np.nan),
        known_mm=np.array([31.0, 40.0, np.nan, 31.0]),
        known_since=np.array([3000.0, 10.0, np.nan, 0.0]),
    )
    chance = known_beyond(lives, one_draw(), limit=40.0, to_true=1.0)[0]
    assert chance[0] == pytest.approx(0.9 * 0.5)  # half of what grows is faster than 9 mm in 3,000 hours
    assert list(chance[1:]) == [1.0, 0.0, 0.0]


def test_many_panels_are_ranked_as_each_by_itself():
    rng = np.random.default_rng(1)
    now = rng.uniform(3000, 30_000, 500)
    lives = PanelLives(
        kind="disbond",
        clock="flight_hours",
        start=np.zeros(500),
        now=now,
        looks=now[:, None] * rng.uniform(0.3, 0.99, 500)[:, None],
        known_mm=np.full(500, np.nan),
        known_since=np.full(500, np.nan),
    )
    ranked = rank_panels(lives, one_draw(n=65), limit=40.0, top=50)
    exact = present_chances(lives, one_draw(n=64), limit=40.0, samples=192).found_beyond.mean(axis=0)
    best = set(np.argsort(-exact)[:50])
    assert len(best & set(ranked.index[:50])) >= 40
    assert ranked["beyond_mean"].notna().sum() == 50
    assert sorted(ranked.index) == list(range(500))
