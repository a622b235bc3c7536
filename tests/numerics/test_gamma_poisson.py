"""Counts whose means differ by a gamma factor."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import nbinom

from kit.numerics.gamma_poisson import fit_gamma_poisson, log_marginal

LIP = pd.read_csv(Path(__file__).parents[1] / "data" / "references" / "H1_lip_cancer.csv")


def test_fit_gamma_poisson_clayton_kaldor_1987_scottish_lip_cancer():
    """Counts read in stored copies of the data; the paper's 1.88 and 1.32 for its gamma are from memory."""
    fit = fit_gamma_poisson(LIP["observed"], LIP["expected"])
    assert LIP["observed"].sum() == 536
    assert fit.shape == pytest.approx(1.88, abs=0.005)
    assert fit.rate == pytest.approx(1.32, abs=0.005)


def test_the_maximum_is_that_of_the_negative_binomial_of_another_library():
    x, e = LIP["observed"].to_numpy(), LIP["expected"].to_numpy()
    fit = fit_gamma_poisson(x, e)

    def other(shape, rate):
        return nbinom.logpmf(x, shape, rate / (rate + e)).sum()

    top = other(fit.shape, fit.rate)
    for factor in (0.98, 1.02):
        assert other(fit.shape * factor, fit.rate) < top
        assert other(fit.shape, fit.rate * factor) < top
        assert other(fit.shape * factor, fit.rate * factor) < top
    at = [
        (log_marginal(x, e, shape=a, rate=b).sum() - other(a, b))
        for a, b in ((fit.shape, fit.rate), (3.0, 2.0))
    ]
    assert at[0] == pytest.approx(at[1], abs=1e-9)  # they differ by the factorials of the counts alone


def test_posterior_means_lie_between_what_was_found_and_the_mean():
    fit = fit_gamma_poisson(LIP["observed"], LIP["expected"])
    raw = (LIP["observed"] / LIP["expected"]).to_numpy()
    low, high = np.minimum(raw, fit.mean), np.maximum(raw, fit.mean)
    assert ((low <= fit.posterior_mean) & (fit.posterior_mean <= high)).all()


def test_counts_that_differ_no_more_than_chance_are_all_drawn_to_the_mean():
    fit = fit_gamma_poisson([10, 11, 9, 10], [10.0] * 4)
    assert fit.variance == 0
    assert fit.posterior_mean == pytest.approx([1.0] * 4)


@pytest.mark.parametrize(
    ("found", "expected", "message"),
    [
        ([1, 2], [0.0, 1.0], r"1 of 2 rows are not, first row 0 \(found=1, expected=0\)"),
        ([0, 0], [1.0, 1.0], r"Got 0 finds in 2 units"),
        ([1], [1.0, 2.0], r"Got shapes \(1,\) and \(2,\)"),
    ],
)
def test_what_cannot_be_fitted_is_refused(found, expected, message):
    with pytest.raises(ValueError, match=message):
        fit_gamma_poisson(found, expected)
