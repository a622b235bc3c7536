"""What other groups of zones say of a life: a random-effects meta-analysis as a robust prior."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kit.detection import DetectionCurve
from kit.life import Histories
from kit.posterior import KindEvidence, PodBelief, ShapePrior, StatedGrowth, StatedOnset, joint_draws
from kit.posterior.borrow import HAZARDS, borrowed_prior, even_in_hazard
from kit.posterior.life import LifePosterior

PERFECT = DetectionCurve.constant(1.0)
SHAPE = ShapePrior(median=2.0, log_sd=0.35)


def normal(mean, sd):
    return -0.5 * ((HAZARDS - mean) / sd) ** 2


def lives(n, found, age=1000.0):
    return Histories.from_looks(
        pd.DataFrame({"life": np.arange(n), "age": np.full(n, age), "found": np.arange(n) < found})
    )


def prior_of(*others, **options):
    """Prior from groups of (lives, finds), at 1,000 hours under looks that see all."""
    said = [LifePosterior(lives(n, x), SHAPE).hazard_log_likelihood(PERFECT, 1000.0) for n, x in others]
    return borrowed_prior(said, **options)


def posterior(own, borrowed=None):
    life = LifePosterior(lives(*own), SHAPE)
    mean, covariance = life.given(PERFECT, borrowed).moments()
    return float(mean[0]), float(np.sqrt(covariance[0, 0]))


def vague_share(own, borrowed):
    made = LifePosterior(lives(*own), SHAPE).given(PERFECT, borrowed)
    ours, vague = borrowed.components(made.first)
    return float(made.share.sum(axis=1) @ (1 / (1 + np.exp(ours - vague))))


def test_normal_groups_give_the_predictive_distribution_worked_out_by_hand():
    """Normal-normal model with known tau: weights 1 / (s^2 + tau^2), predictive variance 1 / sum + tau^2."""
    mean, sd, tau = np.array([-3.0, -2.5, -4.0]), np.array([0.3, 0.4, 0.5]), 0.5
    made = borrowed_prior(
        [normal(m, s) for m, s in zip(mean, sd, strict=True)],
        taus=np.array([tau]),
        centre_log_prior=np.zeros(HAZARDS.size),
    )
    weight = 1 / (sd**2 + tau**2)
    assert made.moments() == pytest.approx(
        (weight @ mean / weight.sum(), np.sqrt(1 / weight.sum() + tau**2)), rel=1e-6
    )


def test_groups_that_differ_more_leave_a_wider_prior():
    alike, apart = (borrowed_prior([normal(-3 + k * d, 0.3) for k in (-1, 0, 1)]) for d in (0.1, 1.5))
    assert apart.tau_mean > 2 * alike.tau_mean
    assert apart.moments()[1] > 1.5 * alike.moments()[1]


def test_a_prior_that_knows_nothing_of_other_groups_leaves_the_life_as_it_was():
    assert posterior((40, 6), prior_of((50, 10), robust_weight=1.0)) == pytest.approx(
        posterior((40, 6)), rel=1e-3
    )


def test_the_prior_without_other_groups_has_a_total_of_one():
    made = prior_of((50, 10), robust_weight=1.0)
    x = np.linspace(-30, 12, 40_001)
    assert np.trapezoid(np.exp(made.log_density(x)), x) == pytest.approx(1.0, abs=1e-4)
    assert np.ptp(made.log_density(x) - even_in_hazard(x)) < 1e-9


def test_a_group_without_finds_says_that_the_hazard_is_not_large_and_no_more():
    said = LifePosterior(lives(60, 0), SHAPE).hazard_log_likelihood(PERFECT, 1000.0)
    small = HAZARDS < -1
    assert (said - said[0])[small] == pytest.approx(-60 * np.exp(HAZARDS[small]), abs=1.0)
    assert np.ptp(said[HAZARDS < -8]) < 0.05


def test_looks_at_one_age_speak_of_another_through_the_prior_of_the_shape():
    """At a fixed shape of 2 the hazard at 2,000 hours is 4 times that at 1,000."""
    life = LifePosterior(lives(80, 20), ShapePrior(median=2.0, log_sd=0.001))
    here, there = (life.hazard_log_likelihood(PERFECT, age) for age in (1000.0, 2000.0))
    top = [HAZARDS[np.argmax(one)] for one in (here, there)]
    assert top[1] - top[0] == pytest.approx(np.log(4.0), abs=0.11)


def test_few_finds_are_shrunken_towards_the_other_groups_and_many_are_not():
    others = prior_of((200, 20), (200, 24), (200, 18), (200, 22))
    for own, least, most in (((20, 1), 0.3, 1.0), ((2000, 400), -0.05, 0.15)):
        alone, with_others = posterior(own)[0], posterior(own, others)[0]
        pulled = (alone - with_others) / (alone - others.moments()[0])
        assert least <= pulled <= most
    assert posterior((20, 1), others)[1] < 0.7 * posterior((20, 1))[1]


def test_looks_that_speak_against_the_other_groups_are_followed():
    """Worse than all others: the component that knows nothing of them takes the weight."""
    others = prior_of(*[(2000, x) for x in (20, 22, 18, 21, 19)])
    bad = (60, 30)
    assert vague_share(bad, others) > 0.5
    assert posterior(bad, others)[0] == pytest.approx(posterior(bad)[0], abs=0.1)
    assert vague_share((200, 2), others) < 0.1


def test_at_one_spread_between_groups_worse_lives_elsewhere_never_make_a_life_longer():
    """Normal centres move up with each likelihood that does; with the spread fitted there is no such law."""
    fixed = {"taus": np.array([0.5]), "robust_weight": 0.0}
    means = [posterior((20, 1), prior_of((100, x), (100, 10), **fixed))[0] for x in (2, 5, 10, 20, 40)]
    assert np.all(np.diff(means) > 0)


def evidence(**changes):
    settings = {
        "kind": "disbond",
        "clock": "age",
        "histories": lives(20, 1),
        "shape_prior": SHAPE,
        "growth": StatedGrowth(rate_median=0.0025, rate_log_sd=0.6),
        "onset": StatedOnset(median=18.0, log_sd=0.4),
        "pod": PodBelief(curve=DetectionCurve(20.0, 4.0, 0.97), log_a50_sd=0.2),
    }
    return KindEvidence(**(settings | changes))


def test_joint_draws_say_how_far_other_groups_pulled():
    related = tuple(lives(200, x) for x in (20, 24, 18))
    alone, made = (joint_draws([evidence(related=some)], n=64, seed=3)[0] for some in ((), related))
    assert "borrowed_groups" not in alone.diagnostics
    notes = made.diagnostics
    assert notes["borrowed_groups"] == 3
    assert notes["borrowed_sd"] < 0.8 * notes["own_sd"]
    assert np.std(np.log(made.scale[1:])) < np.std(np.log(alone.scale[1:]))
    assert np.sign(notes["borrowed_pull"]) == np.sign(notes["borrowed_distance"])


def test_a_fitted_restoration_is_drawn_between_as_new_and_as_old():
    drawn = joint_draws([replace(evidence(), restoration=0.4, restoration_logit_sd=0.8)], n=256, seed=1)[0]
    q = drawn.restoration
    assert q[0] == pytest.approx(0.4, abs=0.01)
    assert ((q > 0) & (q < 1)).all()
    logit = np.log(q[1:] / (1 - q[1:]))
    assert (logit.mean(), logit.std()) == pytest.approx((np.log(0.4 / 0.6), 0.8), abs=0.05)
