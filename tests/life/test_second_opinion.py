"""General libraries fit the same rows in processes of their own; what they refuse or cannot do is told."""

import sys

import numpy as np
import pandas as pd
import pytest

import kit
from kit.life import fit_weibull, second_opinion


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(3)
    onset = 4000.0 * rng.weibull(2.0, 150)
    looks = np.arange(1, 8) * 700.0
    at = np.searchsorted(looks, onset)
    lower = np.r_[0.0, looks][at]
    upper = np.r_[looks, np.inf][at]
    return {"lower": lower, "upper": upper, "entry": np.where(lower >= 700, 350.0, 0.0)}


@pytest.fixture(scope="module")
def opinion(rows):
    before = (np.geterr(), pd.get_option("display.max_columns"), set(sys.modules))
    made = second_opinion(fit_weibull(**rows))
    assert (np.geterr(), pd.get_option("display.max_columns")) == before[:2]
    assert not {"reliability", "surpyval"} & (set(sys.modules) - before[2])
    return made


def test_the_library_that_takes_intervals_and_left_truncation_gives_the_same_life_as_perfect_looks(opinion):
    """Settings of numpy and pandas stay as they were, and neither library is imported here: the fixture looks."""
    assert opinion.agrees
    table = opinion.to_frame()
    assert table.loc["surpyval", "scale"] == pytest.approx(opinion.perfect.scale, rel=1e-3)
    assert "the same as this kit where looks are taken as perfect" in opinion.words()


def test_the_library_without_intervals_says_so_and_errs_late(opinion):
    """Damage was there before its find, so that the find's date for the onset can only make ages larger."""
    row = opinion.to_frame().loc["reliability"]
    assert row["refused"] == ""
    assert "ages between two looks" in row["cannot"]
    assert row["age"] > opinion.perfect.quantile(0.1)


def test_what_a_library_refuses_is_told_in_its_words(rows):
    """Half a life counted cannot be given to a library that takes single ages."""
    half = second_opinion(fit_weibull(**rows, count=np.full(150, 0.5)))
    assert "no whole numbers" in half.to_frame().loc["reliability", "refused"]
    assert "**reliability** refuses these rows" in half.words()


def test_a_fit_that_the_libraries_have_not_is_refused(rows):
    with pytest.raises(ValueError, match="must be a Weibull life whose shape was fitted"):
        kit.second_opinion(fit_weibull(**rows, shape=2.0))
