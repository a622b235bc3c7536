"""A check of a fit whose looks miss: finds against what these looks are expected to find."""

import numpy as np
import pandas as pd

from kit.life import Histories, check_fit, fit_weibull


def looks(pod, *, n=400, seed=1):
    rng = np.random.default_rng(seed)
    onset = 8000 * rng.weibull(2.0, n)
    ages = rng.uniform(600, 1500, n)[:, None] * np.arange(1, 9)
    found = (ages >= onset[:, None]) & (rng.random(ages.shape) < pod)
    last = np.where(found.any(axis=1), found.argmax(axis=1), 7)
    rows = [(i, ages[i, k], found[i, k]) for i in range(n) for k in range(last[i] + 1)]
    return Histories.from_looks(pd.DataFrame(rows, columns=["life", "age", "found"]))


def test_the_chance_that_made_the_looks_passes_and_says_so():
    good = check_fit(fit_weibull(looks(0.4), detection=0.4), n=19, seed=1)
    assert not good.looks_find_all
    assert not good.fails
    assert "nothing against the Weibull life with the stated chance of detection" in good.words()


def test_a_failed_check_is_said_first_and_in_bold():
    """Lives of shape 2 under an assumed shape of 1, by looks that miss six in ten."""
    bad = check_fit(fit_weibull(looks(0.4), detection=0.4, shape=1.0), n=39, seed=1)
    assert bad.fails
    assert bad.words().startswith("**The check of fit fails: the ")
    assert "p = 0.025, 39 draws" in bad.words()
