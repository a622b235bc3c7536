"""Clean looks, samples and alarms against exact binomial and hypergeometric counts."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, hypergeom, poisson

from kit.intervals import QuestionError
from kit.programmes import chance_none_found, clean_looks_needed, monitoring_rule, sample_plan, share_shown


@pytest.mark.parametrize(("share", "looks"), [(0.10, 29), (0.05, 59), (0.01, 299)])
def test_clean_looks_are_those_of_the_demonstration_tables(share, looks):
    """95 % confidence and no find: 29, 59 and 299 (binomial demonstration tables; 29 of 29 in tests/data/references)."""
    assert clean_looks_needed(share) == looks
    assert binom.cdf(0, looks, share) <= 0.05 < binom.cdf(0, looks - 1, share)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.01, 0.5), st.floats(0.3, 1.0), st.integers(0, 4), st.floats(0.5, 0.99))
def test_clean_looks_are_the_fewest_by_the_exact_binomial_with_looks_that_miss(share, pod, found, confidence):
    n = clean_looks_needed(share, pod=pod, found=found, confidence=confidence)
    assert binom.cdf(found, n, share * pod) <= (1 - confidence) * (1 + 1e-9)
    assert binom.cdf(found, n - 1, share * pod) > (1 - confidence) * (1 - 1e-9)
    assert share_shown(n, pod=pod, found=found, confidence=confidence) <= share * (1 + 1e-6)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 300), st.data())
def test_the_chance_to_find_nothing_is_hypergeometric(panels, data):
    damaged = data.draw(st.integers(0, panels))
    sample = data.draw(st.integers(0, panels))
    law = hypergeom(panels, damaged, sample)
    assert chance_none_found(panels, damaged, sample) == pytest.approx(law.pmf(0), abs=1e-9)
    k = np.arange(0, min(damaged, sample) + 1)
    assert chance_none_found(panels, damaged, sample, pod=0.7) == pytest.approx(
        (law.pmf(k) * 0.3**k).sum(), abs=1e-9
    )


def test_the_sample_is_the_smallest_that_shows_it():
    plan = sample_plan(144, allowed=7, pod=0.9)
    assert (
        chance_none_found(144, 8, plan.sample, pod=0.9)
        <= 0.05
        < chance_none_found(144, 8, plan.sample - 1, pod=0.9)
    )
    assert "drawn at random" in plan.words()[0]
    assert not sample_plan(20, allowed=0, pod=0.5).is_enough


def test_a_monitoring_rule_keeps_to_its_false_alarms_and_states_its_detection():
    rule = monitoring_rule(np.array([6.0]))
    assert rule.false_alarm == pytest.approx(poisson.sf(rule.alarm - 1, 6.0))
    assert rule.false_alarm <= 0.05 < poisson.sf(rule.alarm - 2, 6.0)
    assert rule.detection == pytest.approx(poisson.sf(rule.alarm - 1, 12.0))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: clean_looks_needed(0.0), "`share` must be between 0 and 1. Got 0.0"),
        (lambda: clean_looks_needed(0.1, pod=0.0), "`pod` must be above 0"),
        (lambda: sample_plan(10, allowed=10), "`allowed` must be below the 10 panels"),
        (
            lambda: chance_none_found(10, 11, 1),
            "`damaged` must be a whole number of at least 0 and at most 10. Got 11",
        ),
    ],
)
def test_impossible_numbers_are_refused_in_one_line(call, message):
    with pytest.raises(QuestionError) as error:
        call()
    assert message in str(error.value)
