"""The interval explorer works by the functions of the recommendation, and says what stands against a setting."""

from dataclasses import replace

import numpy as np
import pytest
from made_problem import problem

from kit.explore.interval import IntervalBench
from kit.intervals import risk_of, share_meeting

GIVEN = {
    "horizon": 20_000.0, "a50": 20.0, "slope": 4.0, "plateau": 0.95, "measure": "preventable_exceedances", "target": 0.2, "share": 0.9,
    "allowed": 0.2, "scale": 30_000.0, "shape": 2.0, "onset": 15.0, "onset_sd": 0.4, "rate": 0.01, "rate_sd": 0.5, "still": 0.0,
    "far": 0.1, "far_plateau": 0.0, "limit": 40.0,
}  # fmt: skip


@pytest.fixture(scope="module")
def bench():
    own = problem(cap=8000.0, **GIVEN)
    pod = own.ask.detection.model_copy(update={"a50_mm": 30.0})
    return IntervalBench(problem=own, pods={"as asked": None, "a50 of 30 mm": pod})


def test_a_setting_has_the_risk_and_the_share_of_the_recommendation(bench):
    """No second way of working out a risk."""
    setting = replace(bench.start(), repeat=4000.0, first=2000.0)
    out = bench.outcome(setting)
    column = bench.problem.ask.target.column
    np.testing.assert_array_equal(out.risk, risk_of(bench.problem, column, 2000.0, 4000.0)[1:])
    assert out.share_meeting == share_meeting(bench.problem, 2000.0, 4000.0)
    assert out.risk.size == bench.problem.n_draws


def test_another_target_or_share_moves_the_verdict_and_not_the_risk(bench):
    first = bench.outcome(bench.start())
    harder = bench.outcome(replace(bench.start(), target=min(bench.targets)))
    np.testing.assert_array_equal(first.risk, harder.risk)
    assert harder.share_meeting <= first.share_meeting
    assert not replace(harder, share_meeting=0.89, setting=replace(harder.setting, share=0.9)).meets


def test_a_smaller_limit_and_a_poorer_pod_let_no_less_through(bench):
    start = replace(bench.start(), repeat=4000.0, first=4000.0)
    as_it_is, poorer, smaller = (
        bench.outcome(one)
        for one in (start, replace(start, pod="a50 of 30 mm"), replace(start, limit_mm=bench.limits[0]))
    )
    assert np.median(poorer.risk) > np.median(as_it_is.risk)
    assert np.median(smaller.exposure) > np.median(as_it_is.exposure)


def test_two_schedules_are_held_against_each_other_draw_by_draw(bench):
    a = bench.outcome(replace(bench.start(), repeat=2000.0, first=2000.0))
    b = bench.outcome(replace(bench.start(), repeat=6000.0, first=2000.0))
    line = next(line for line in bench.words(a, b) if line.startswith("B less A"))
    assert f"{np.median(b.risk - a.risk):+.4f}" in line
    assert "B lets more through in 100 % of 128 draws" in line


def test_what_stands_against_a_setting_is_said(bench):
    beyond = replace(
        bench.start(), repeat=10_000.0, first=10_000.0, limit_mm=max(bench.limits), pod="a50 of 30 mm"
    )
    told = " ".join(bench.words(bench.outcome(beyond)))
    assert "longer than the not-to-exceed limit of 8,000 flight hours (cap): never allowed" in told
    assert "only approved data change a limit" in told
    assert "the POD holds for looks to come only" in told


def test_the_picture_is_told_in_words_and_apart_without_colour(bench):
    out = bench.outcome(bench.start())
    shown = bench.picture(out, out)
    assert 'role="img" aria-label="Share of draws at or below each risk' in shown.svg
    assert 'stroke-dasharray="7,3"' in shown.svg
    assert "the target" in repr(shown)
