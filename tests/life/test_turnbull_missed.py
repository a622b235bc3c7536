"""The estimate without a model where looks may miss: against direct sums, another search, and the truth."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize

from kit.detection import DetectionCurve
from kit.growth import Growth, SizeDetection
from kit.life import Histories, MethodDetection, fit_turnbull, fit_weibull

SCALE, SHAPE = 9000.0, 2.0


def looked_at(n, *, seed, pod, late=False, spread=300.0):
    """Lives looked at about every 900 hours until found; half of them from 3,000 hours on, where `late`."""
    rng, rows, life = np.random.default_rng(seed), [], 0
    while life < n:
        onset = SCALE * rng.weibull(SHAPE)
        entry = 3000.0 if late and rng.random() < 0.5 else 0.0
        ages = np.sort(900.0 * np.arange(1, 12) + spread * rng.uniform(-1, 1, 11)).round()
        hit = (ages >= onset) & (rng.random(11) < pod)
        if (hit & (ages <= entry)).any():
            continue
        last = np.argmax(hit) + 1 if hit.any() else 11
        for k in range(last):
            method = ("tap", "eye")[k % 2]
            rows.append((f"P{life:03}", ages[k], hit[k], entry, method))
        life += 1
    return pd.DataFrame(rows, columns=["life", "age", "found", "entry", "method"])


def chances(frame, fit, pod):
    """Chance of what each life showed, and of coming under watch, for an onset in each interval of the fit, by hand."""
    shown, watched = [], []
    for _, one in frame.groupby("life"):
        entry = one["entry"].iloc[0]
        ages = one["age"].to_numpy()
        hit = one["found"].to_numpy()
        if entry > 0 and entry not in ages:
            at = np.searchsorted(ages, entry)
            ages, hit = np.insert(ages, at, entry), np.insert(hit, at, False)
        after = ages[:, None] >= fit.upper
        each = np.where(hit[:, None], np.where(after, pod, 0.0), np.where(after, 1 - pod, 1.0))
        shown.append(each.prod(axis=0))
        watched.append(
            np.where(after & (ages <= entry)[:, None], 1 - pod, 1.0).prod(axis=0) if entry else 1.0
        )
    return np.array(shown), np.array([np.broadcast_to(row, fit.upper.shape) for row in watched])


@pytest.mark.parametrize("late", [False, True])
def test_the_likelihood_is_that_of_direct_products_over_the_looks(late):
    frame = looked_at(60, seed=3, pod=0.6, late=late)
    fit = fit_turnbull(Histories.from_looks(frame), detection=0.6)
    shown, watched = chances(frame, fit, 0.6)
    by_hand = np.log(shown @ fit.mass).sum() - np.log(watched @ fit.mass).sum()
    assert fit.log_likelihood == pytest.approx(by_hand, abs=1e-7)
    assert fit.mass.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("late", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_general_optimiser_finds_nothing_higher(seed, late):
    """Over masses before each find and at the end of each interval, from the estimate and from even masses."""
    frame = looked_at(25, seed=seed, pod=0.6, late=late, spread=0.0)
    fit = fit_turnbull(Histories.from_looks(frame), detection=0.6)

    class Everywhere:
        upper = np.r_[np.unique(np.r_[frame["age"], 3000.0]), np.inf]

    shown, watched = chances(frame, Everywhere, 0.6)

    def loss(logits):
        mass = np.exp(logits - logits.max())
        mass /= mass.sum()
        return -float(np.log(shown @ mass).sum() - np.log(watched @ mass).sum())

    near = np.full(Everywhere.upper.size, 1e-6)
    near[np.searchsorted(Everywhere.upper, fit.upper)] = fit.mass
    for begin in (np.zeros(near.size), np.log(near)):
        found = minimize(loss, begin, method="BFGS", options={"gtol": 1e-9, "maxiter": 2000})
        assert -found.fun <= fit.log_likelihood + 1e-7


def test_looks_that_all_but_find_everything_give_the_estimate_of_looks_that_do():
    """Looks of all lives at the same ages, where the masses are the only ones that are likeliest."""
    histories = Histories.from_looks(looked_at(150, seed=4, pod=1.0, spread=0.0))
    plain, near = fit_turnbull(histories), fit_turnbull(histories, detection=1 - 1e-9)
    assert near.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-5)
    ages = np.linspace(500, 10_000, 40)
    np.testing.assert_allclose(near.survival_range(ages), plain.survival_range(ages), atol=2e-6)


def test_the_share_with_damage_comes_back_and_is_more_than_what_was_found():
    """Six fleets: without the misses the share still without damage looks too large, on the unsafe side."""
    ages = np.array([4000.0, 6000.0, 8000.0])
    true = np.exp(-((ages / SCALE) ** SHAPE))
    frames = [Histories.from_looks(looked_at(120, seed=10 + s, pod=0.5)) for s in range(6)]
    off = np.array([fit_turnbull(h, detection=0.5).survival(ages) - true for h in frames])
    naive = np.array([fit_turnbull(h).survival(ages) - true for h in frames])
    assert (np.abs(off.mean(axis=0)) < 4 * off.std(axis=0, ddof=1) / np.sqrt(6)).all()
    assert (naive.mean(axis=0) > 0.02).all()


def test_it_is_at_least_as_likely_as_any_weibull_of_the_same_looks():
    histories = Histories.from_looks(looked_at(100, seed=6, pod=0.6, late=True))
    model = MethodDetection({"tap": 0.7, "eye": 0.3})
    for detection in (0.6, {"tap": 0.7, "eye": 0.3}, model):
        free = fit_turnbull(histories, detection=detection)
        assert free.log_likelihood > fit_weibull(histories, detection=detection).log_likelihood


def test_a_model_by_size_is_taken_and_its_likelihood_is_above_that_of_a_weibull():
    histories = Histories.from_looks(looked_at(60, seed=7, pod=0.6))
    by_size = SizeDetection(DetectionCurve(30.0, 4.0, 0.95), Growth(20.0, 0.4, 0.01, 0.6, 0.2))
    free = fit_turnbull(histories, detection=by_size)
    assert free.log_likelihood > fit_weibull(histories, detection=by_size).log_likelihood
    assert any("chance of detection" in caution for caution in free.cautions)


def test_a_life_counted_twice_is_the_life_given_twice():
    frame = looked_at(30, seed=8, pod=0.6, late=True)
    again = frame.assign(life=frame["life"] + "b")
    one = Histories.from_looks(frame)
    twice = fit_turnbull(one.take(np.arange(len(one)), count=2.0 * one.count), detection=0.6)
    both = fit_turnbull(Histories.from_looks(pd.concat([frame, again])), detection=0.6)
    assert twice.log_likelihood == pytest.approx(both.log_likelihood, abs=1e-7)


def test_the_band_draws_lives_anew_and_holds_the_estimate():
    histories = Histories.from_looks(looked_at(80, seed=9, pod=0.6))
    fit = fit_turnbull(histories, detection=0.6)
    ages = np.array([4000.0, 7000.0])
    low, high = fit.band(ages, n=30, seed=1, level=0.9)
    assert (low <= fit.survival(ages)).all()
    assert (fit.survival(ages) <= high).all()
    assert (low < high).all()


def test_looks_that_may_miss_need_the_ages_of_all_looks():
    with pytest.raises(ValueError, match=r"needs the ages of all looks\. Got detection=0\.5"):
        fit_turnbull(lower=[0, 1000], upper=[1000, np.inf], detection=0.5)
