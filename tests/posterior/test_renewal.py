"""How often damage begins on a panel that is repaired and flies on."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gamma

from kit.posterior.renewal import onsets_by_age

REFERENCES = Path(__file__).parents[1] / "data" / "references"
AGES = np.linspace(0.0, 3.0, 241)


def test_constant_hazards_give_the_poisson_mean_whatever_a_repair_restores():
    for q in (0.0, 0.4, 1.0):
        counts = onsets_by_age(np.array([1.5]), np.array([1.0]), restoration=q, ages=AGES)[0]
        assert counts == pytest.approx(AGES / 1.5, abs=0.01)


def test_repairs_that_restore_nothing_give_the_cumulative_hazard():
    counts = onsets_by_age(np.array([1.0]), np.array([2.0]), restoration=1.0, ages=AGES)[0]
    assert counts[1:] == pytest.approx(AGES[1:] ** 2, rel=0.02, abs=2e-3)


def test_repairs_as_new_give_the_published_renewal_function():
    """H. C. Tijms, A First Course in Stochastic Models, 2003, table 8.1.1: Weibull with squared variation 0.25."""
    table = pd.read_csv(REFERENCES / "E6_renewal_weibull_cv2_0.25.csv")
    shape = 2.101349
    scale = 1 / gamma(1 + 1 / shape)
    ages = np.linspace(0.0, 2.5, 501)
    counts = onsets_by_age(np.array([scale]), np.array([shape]), restoration=0.0, ages=ages)[0]
    assert np.interp(table["t_over_mean"], ages, counts) == pytest.approx(table["M_published"], abs=4e-3)


def test_none_counts_the_first_onset_only():
    counts = onsets_by_age(np.array([1.0]), np.array([2.0]), restoration=None, ages=AGES)[0]
    assert counts == pytest.approx(-np.expm1(-(AGES**2)))


@given(shape=st.floats(1.0, 4.0), q=st.floats(0.0, 1.0))
def test_a_worse_repair_never_gives_fewer_onsets_and_the_first_is_the_least(shape, q):
    first, new, partly, old = (
        onsets_by_age(np.array([1.0]), np.array([shape]), restoration=r, ages=AGES[:121:4])[0]
        for r in (None, 0.0, q, 1.0)
    )
    assert (first <= new + 1e-9).all()
    assert (new <= partly + 1e-6).all()
    assert (partly <= old + 1e-6).all()
