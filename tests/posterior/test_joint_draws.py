"""Joint draws: what is drawn together, what each part widens, and what they may not depend on."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.detection import DetectionCurve
from kit.life import Histories
from kit.posterior import (
    FoundSizes,
    KindEvidence,
    PodBelief,
    ShapePrior,
    StatedGrowth,
    StatedOnset,
    joint_draws,
)
from kit.posterior.conditional import GridPosterior, follow
from kit.posterior.sequences import uniform_points

CURVE = DetectionCurve(20.0, 4.0, 0.97)


def looks(n=60, found=12, seed=3):
    rng = np.random.default_rng(seed)
    rows = []
    for life in range(n):
        ages = np.arange(1, 7) * 4000.0 + rng.uniform(0, 3000)
        for k, age in enumerate(ages):
            hit = life < found and k == 2 + life % 4
            rows.append((f"P{life}", age, hit))
            if hit:
                break
    return Histories.from_looks(pd.DataFrame(rows, columns=["life", "age", "found"]))


def evidence(**changes):
    histories = looks()
    sizes = np.where(np.isfinite(histories.upper), 26.0, np.nan) * np.exp(
        0.2 * np.random.default_rng(1).standard_normal(len(histories))
    )
    settings = {
        "kind": "disbond",
        "clock": "age",
        "histories": histories,
        "shape_prior": ShapePrior(median=2.0, log_sd=0.35),
        "growth": StatedGrowth(rate_median=0.0025, rate_log_sd=0.6, no_growth_share=0.2, log_rate_sd=0.3),
        "onset": FoundSizes(histories=histories, diameter_mm=sizes),
        "pod": PodBelief(curve=CURVE, log_a50_sd=0.2, log_slope_sd=0.2),
    }
    return KindEvidence(**(settings | changes))


def drawn(*, n=256, seed=7, **changes):
    return joint_draws([evidence(**changes)], n=n, seed=seed, log_size_factor_sd=0.1)[0]


def spread(values):
    return float(np.std(np.log(values[1:])))


def test_the_same_seed_gives_the_same_draws():
    once, again = drawn().to_frame(), drawn().to_frame()
    pd.testing.assert_frame_equal(once, again)
    assert not once.equals(drawn(seed=8).to_frame())


def test_one_draw_of_pod_serves_all_kinds_of_damage():
    both = joint_draws([evidence(), replace(evidence(), kind="core_damage")], n=64, seed=1)
    assert np.array_equal(both[0].pod.a50, both[1].pod.a50)
    assert not np.array_equal(both[0].scale, both[1].scale)


def test_a_pod_that_sees_less_goes_with_a_shorter_life():
    """Drawn together: where a50 is larger more damage of one size stays hidden, so the life is shorter."""
    draws = drawn(n=256, histories=looks(400, 80), onset=StatedOnset(median=18.0, log_sd=0.4))
    assert np.corrcoef(np.log(draws.pod.a50[1:]), np.log(draws.scale[1:]))[0, 1] < -0.2


@pytest.mark.parametrize(
    ("what", "sure"),
    [
        ("rate_median", {"growth": StatedGrowth(rate_median=0.0025, rate_log_sd=0.6, log_rate_sd=0.0)}),
        ("onset_median", {"onset": StatedOnset(median=18.0, log_sd=0.4, log_median_sd=0.0)}),
    ],
)
def test_what_is_stated_without_spread_does_not_vary(what, sure):
    assert spread(getattr(drawn(**sure), what)) < 1e-9
    assert spread(getattr(drawn(), what)) > 0.05


def test_more_finds_leave_less_of_the_life_open():
    few, many = (drawn(histories=looks(n, x)) for n, x in ((30, 3), (400, 80)))
    assert spread(many.scale) < 0.7 * spread(few.scale)


def test_no_finds_still_give_draws():
    draws = drawn(histories=looks(40, 0))
    assert np.isfinite(draws.scale).all()
    assert np.quantile(draws.scale[1:], 0.05) > 20_000


def test_stated_growth_that_is_less_sure_gives_wider_lives_never_narrower():
    wide = drawn(
        n=512,
        growth=StatedGrowth(rate_median=0.0025, rate_log_sd=0.6, no_growth_share=0.2, log_rate_sd=1.0),
    )
    assert spread(wide.scale) >= spread(drawn(n=512).scale) * 0.95


def test_conditional_draws_follow_the_posterior_they_are_given():
    """A posterior whose mean moves with the square of what stands before it."""
    n = 512
    upstream = np.random.default_rng(2).standard_normal((n, 3))
    x, y = np.linspace(-8, 8, 81), np.linspace(-6, 6, 61)

    def posterior(i):
        centre = upstream[i, 0] + 0.3 * upstream[i, 1] ** 2
        value = (
            -0.5 * ((x[:, None] - centre) / 0.5) ** 2 - 0.5 * ((y[None, :] - 0.5 * upstream[i, 2]) / 0.3) ** 2
        )
        share = np.exp(value - value.max())
        return GridPosterior(first=x, second=y, share=share / share.sum())

    made = follow(posterior, upstream, uniform_points(n, 2, seed=1), design=64)
    assert made.residual < 0.5
    left = made.value[:, 0] - upstream[:, 0] - 0.3 * upstream[:, 1] ** 2
    assert float(left.mean()) == pytest.approx(0.0, abs=0.08)
    assert float(left.std()) == pytest.approx(0.5, rel=0.15)
    assert float((made.value[:, 1] - 0.5 * upstream[:, 2]).std()) == pytest.approx(0.3, rel=0.15)


def test_an_impossible_spread_is_refused():
    with pytest.raises(ValueError, match=r"`log_a50_sd` must be at least 0 and below 5\. Got -1\."):
        PodBelief(curve=CURVE, log_a50_sd=-1)
