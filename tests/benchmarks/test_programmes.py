"""How long the questions beside the interval take; run with --benchmark-only."""

import numpy as np
import pytest
from programmes_parts import one_draw
from support import DEMO

from kit.programmes import (
    PanelLives,
    Programme,
    back_test,
    compare_programmes,
    group_of,
    present_chances,
    rank_panels,
    tornado,
)

pytestmark = pytest.mark.long
QUESTION = DEMO / "questions" / "flap.toml"


def test_a_million_panels_ranked(benchmark):
    """Floor in the same run: the central value alone, without any draws."""
    rng, n = np.random.default_rng(1), 1_000_000
    now = rng.uniform(3000, 40_000, n)
    lives = PanelLives(
        kind="disbond",
        clock="flight_hours",
        start=np.zeros(n),
        now=now,
        looks=np.sort(rng.random((n, 5)), axis=1) * now[:, None],
        known_mm=np.full(n, np.nan),
        known_since=np.full(n, np.nan),
    )
    draws = one_draw(n=129)
    ranked = benchmark.pedantic(lambda: rank_panels(lives, draws, limit=40.0), rounds=1)
    assert len(ranked) == n
    some = present_chances(lives.take(ranked.index[:5].to_numpy()), draws, limit=40.0)
    np.testing.assert_allclose(ranked["beyond_mean"].iloc[:5], some.beyond.mean(axis=0), rtol=0.15)


@pytest.fixture(scope="module")
def group(demo_evidence):
    return group_of(demo_evidence, QUESTION)


def test_two_programmes_on_the_demo(benchmark, group):
    proposed = Programme.every(group.evidence, group.ask, 10_000.0)
    change = benchmark.pedantic(lambda: compare_programmes(group, proposed=proposed), rounds=1)
    assert len(change.frame) == 6


def test_a_forecast_tried_at_ten_year_ends(benchmark, demo_evidence):
    tried = benchmark.pedantic(lambda: back_test(demo_evidence, QUESTION, years=10), rounds=1)
    assert len(tried.frame) + len(tried.skipped) == 10


def test_a_tornado_of_the_demo(benchmark, demo_evidence):
    result = benchmark.pedantic(lambda: tornado(demo_evidence, QUESTION), rounds=1)
    assert len(result.frame) > 10
