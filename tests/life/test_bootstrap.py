"""Bounds and checks from data drawn again."""

import numpy as np
import pandas as pd
import pytest

from kit.detection import DetectionCurve
from kit.growth import LinearGrowth, SizeDetection
from kit.life import Histories, bootstrap, check_fit, fit_life, fit_weibull
from kit.life.fits.bootstrap import _one
from kit.life.lives.schedule import LookSchedule

INF = np.inf


def panels(seed, n=150, *, shape=2.0, pod=1.0, scale=8000.0, late=0.3):
    """Looks every 600 to 1,200 hours at panels watched to different ages; some come late."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        gap, first = rng.choice([600.0, 900.0, 1200.0]), rng.uniform(0, 600)
        end, onset = rng.uniform(3000, 9000), scale * rng.weibull(shape)
        ages = np.arange(first + gap, end, gap)
        entry = ages[1] if rng.random() < late and ages.size > 3 else 0.0
        if onset <= entry:
            continue
        for age in ages[ages >= entry]:
            found = age >= onset and rng.random() < pod
            rows.append(
                {"life": f"P{i:03d}", "age": age, "found": found, "entry": entry, "cluster": f"A{i % 12}"}
            )
            if found:
                break
    return Histories.from_looks(pd.DataFrame(rows))


@pytest.fixture(scope="module")
def histories():
    return panels(1)


@pytest.mark.parametrize("name", ["weibull", "exponential", "lognormal", "loglogistic"])
def test_refits_together_are_those_made_one_by_one(histories, name):
    fit = fit_life(histories, distribution=name)
    draws = bootstrap(fit, 40, seed=3)
    rng = np.random.default_rng(3)
    for i in range(40):
        times = np.bincount(rng.integers(12, size=12), minlength=12)
        assert draws.points[i] == pytest.approx(_one(fit, times), abs=1e-9)


def test_exact_ages_are_drawn_too():
    ages = np.array([300.0, 700.0, 900.0, 1500.0, 2200.0, 2500.0])
    fit = fit_weibull(lower=ages, upper=[300, 700, 900, 1500, INF, INF])
    draws = bootstrap(fit, 30, seed=1)
    rng = np.random.default_rng(1)
    expected = [_one(fit, np.bincount(rng.integers(6, size=6), minlength=6)) for _ in range(30)]
    expected = np.array([point for point in expected if np.isfinite(point).all()])
    assert draws.points == pytest.approx(expected, abs=1e-8)
    assert draws.n_refused == 30 - len(expected)


def test_bounds_by_bootstrap_are_near_those_by_profile(histories):
    fit = fit_weibull(histories)
    for way in ("clusters", "schedule"):
        draws = bootstrap(fit, 300, seed=1, way=way)
        for name in ("scale", "shape"):
            assert np.log(draws.bounds(name)) == pytest.approx(
                np.log(fit.bounds(name, method="profile")), abs=0.15
            )
        low, high = draws.survival_bounds([2000.0, 5000.0], given=1000.0)
        want = fit.survival_bounds([2000.0, 5000.0], given=1000.0, method="profile")
        assert np.stack([low, high]) == pytest.approx(np.stack(want), abs=0.04)


def test_a_fit_gives_bootstrap_bounds_by_name_and_the_same_twice(histories):
    fit = fit_weibull(histories)
    assert fit.bounds("shape", method="bootstrap") == fit.bounds("shape", method="bootstrap")
    low, high = fit.bounds("scale", method="bootstrap")
    assert low < fit.scale < high
    low, high = fit.quantile_bounds(0.1, method="bootstrap")
    assert low < fit.quantile(0.1) < high
    band = fit.quantile_band([0.1, 0.5], method="bootstrap")
    assert (band[0][0], band[1][0]) == pytest.approx((low, high))
    low, high = fit.survival_bounds([0.0, 3000.0], method="bootstrap")
    assert low[0] == high[0] == 1.0
    assert 0 < low[1] < fit.survival(3000.0) < high[1] < 1


def test_whole_clusters_are_drawn():
    """Each life ten times in one cluster says no more than once."""
    one = panels(2, n=60, late=0.0)
    rows = one.to_frame()
    again = rows.loc[rows.index.repeat(10)]
    single = fit_weibull(
        lower=rows["lower"], upper=rows["upper"], entry=rows["entry"], cluster=rows["life"].to_numpy()
    )
    copies = fit_weibull(
        lower=again["lower"], upper=again["upper"], entry=again["entry"], cluster=again["life"].to_numpy()
    )
    assert bootstrap(copies, 200, seed=5).bounds("shape") == pytest.approx(
        bootstrap(single, 200, seed=5).bounds("shape"), rel=1e-6
    )


def test_few_finds_are_refused_where_too_many_draws_have_no_fit():
    fit = fit_weibull(
        lower=[500, 1500, 2500], upper=[900, 2400, INF], count=[1, 1, 40], cluster=["a", "b", "c"]
    )
    with pytest.raises(
        ValueError, match=r"of 1000 draws have no finite maximum, since the data hold 2 finds"
    ):
        bootstrap(fit, seed=1)


def test_what_a_bootstrap_needs_is_said():
    fit = fit_weibull(lower=[0, 500, 1500], upper=[600, 900, INF], count=[5, 9, 20])
    with pytest.raises(ValueError, match=r"resample` must be one of cluster, parametric. Got 'rows'"):
        bootstrap(fit, seed=1, resample="rows")
    with pytest.raises(ValueError, match="needs the looks of each life"):
        bootstrap(fit, seed=1, way="schedule")
    with pytest.raises(ValueError, match="must be a fit to histories"):
        check_fit(fit, seed=1)
    with pytest.raises(ValueError, match="`n` must be at least 1"):
        bootstrap(fit, 0, seed=1)


def test_looks_made_again_are_the_looks_that_were_made(histories):
    """Lives that were never found keep every look; who is found anew is found at one of its own looks."""
    schedule = LookSchedule.of(histories)
    fit = fit_weibull(histories)
    drawn = schedule.draw(fit, np.random.default_rng(1))
    assert (drawn.entry == histories.entry).all()
    assert (drawn.upper > drawn.entry).all()
    assert (drawn.lower >= drawn.entry).all()
    never = np.isinf(histories.upper)
    for i in np.flatnonzero(never)[:40]:
        own = set(histories.look_age[histories.look_start[i] : histories.look_start[i + 1]])
        again = set(drawn.look_age[drawn.look_start[i] : drawn.look_start[i + 1]])
        assert again - {histories.entry[i]} <= own | {histories.entry[i]}
        if np.isinf(drawn.upper[i]):
            assert drawn.lower[i] == histories.lower[i]
        else:
            assert drawn.upper[i] in own


def test_watches_of_found_lives_end_as_those_of_the_others_do():
    """All are watched to 6,000 h; so the share found again is F(6,000), not more."""
    rows = []
    rng = np.random.default_rng(8)
    for i in range(3000):
        onset = 7000 * rng.weibull(2.0)
        for age in np.arange(500.0, 6001.0, 500.0):
            rows.append({"life": i, "age": age, "found": age >= onset})
            if age >= onset:
                break
    histories = Histories.from_looks(pd.DataFrame(rows))
    fit = fit_weibull(histories)
    schedule, rng = LookSchedule.of(histories), np.random.default_rng(2)
    finds = [schedule.draw(fit, rng).n_finds for _ in range(10)]
    expected = 3000 * (1 - fit.survival(6000.0))
    assert np.mean(finds) == pytest.approx(expected, abs=4 * np.sqrt(expected / 10))


@pytest.mark.parametrize(
    "detection",
    [
        0.6,
        SizeDetection(DetectionCurve(a50=25.0, slope=4.0, plateau=0.95), LinearGrowth(20.0, 0.4, 0.01, 0.5)),
    ],
)
def test_with_looks_that_miss_draws_come_out_as_the_fit(detection):
    histories = panels(4, n=400, pod=0.6)
    fit = fit_weibull(histories, detection=detection)
    draws = bootstrap(fit, 40, seed=2, resample="parametric")
    error = draws.points.std(axis=0) / np.sqrt(40)
    assert (np.abs(draws.points.mean(axis=0) - np.log([fit.scale, fit.shape])) < 4 * error + 0.02).all()


def test_a_fit_passes_its_check_and_a_wrong_family_does_not():
    good = check_fit(fit_weibull(panels(5, n=300)), n=60, seed=1)
    assert good.p_value > 0.05
    bad = check_fit(fit_life(panels(6, n=600, shape=5.0, late=0.0), distribution="exponential"), n=40, seed=1)
    assert bad.p_value < 0.05
    assert bad.statistic > bad.drawn.max()
    assert bad.to_frame().loc[0, "draws"] == 40


@pytest.mark.long
def test_p_values_of_true_models_are_spread_evenly():
    """Twenty fleets from the model itself: their p-values are not all small nor all large."""
    p = [check_fit(fit_weibull(panels(100 + i, n=80)), n=19, seed=i).p_value for i in range(20)]
    assert 0.25 < np.mean(p) < 0.75
