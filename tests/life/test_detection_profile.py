"""What looks can and cannot say of the chance that they find damage, constant or by method."""

import numpy as np
import pandas as pd
import pytest

from kit.life import Histories, MethodDetection, NoFiniteMaximum, bootstrap, detection_profile, fit_weibull


def looks(seed, *, n=300, pods=None, gap=300.0, shape=4.0):
    """Panels looked at every 300 hours by one of two methods, onset about 3,000 hours, until found."""
    rng = np.random.default_rng(seed)
    pods = pods or {"tap_manual": 0.5}
    rows = []
    for i in range(n):
        onset = 3000 * rng.weibull(shape)
        for age in np.arange(gap, rng.uniform(3000, 6000), gap):
            method = str(rng.choice(list(pods)))
            found = age >= onset and rng.random() < pods[method]
            rows.append({"life": f"P{i:03d}", "age": age, "found": found, "method": method})
            if found:
                break
    return Histories.from_looks(pd.DataFrame(rows), clock="flight_hours")


def test_close_looks_at_sharply_timed_damage_tell_the_chance_of_detection():
    ridge = detection_profile(looks(1, shape=20.0), level=0.99, grid=[0.2, 0.35, 0.5, 0.65, 0.8, 1.0])
    assert ridge.is_told
    low, high = ridge.detection_bounds
    assert low < 0.5 < high
    assert ridge.bounds("detection", level=0.99) == ridge.detection_bounds
    inner = ridge.bounds("detection", level=0.5)
    assert low < inner[0] < ridge.best < inner[1] < high
    assert ridge.bounds("detection", level=0.5, method="wald") == pytest.approx(inner, abs=0.05)
    assert "put the chance of detection between" in ridge.words()


def test_a_wide_spread_of_onsets_hides_it_even_with_many_panels():
    """1,500 panels with a shape of 4: a long wait for a find is put down to a late onset as well."""
    assert not detection_profile(looks(1, n=1500), level=0.99, grid=[0.2, 0.35, 0.5, 0.65, 0.8, 1.0]).is_told


def test_few_looks_leave_it_open_and_show_the_ridge():
    """Detection and early onset trade against each other: the likelihood is flat along the ridge."""
    ridge = detection_profile(looks(2, n=40, gap=1500.0), grid=[0.3, 0.5, 0.7, 0.9, 1.0])
    assert not ridge.is_told
    assert "Detection must come from trials or be assumed" in ridge.words()
    inside = ridge.table[ridge.table["detection"].between(*ridge.detection_bounds)]
    assert (np.diff(inside["age_at_share"]) > 0).all()
    assert ridge.ages[0] == inside["age_at_share"].min()


def test_every_point_of_the_ridge_is_the_fit_at_that_chance():
    histories = looks(3, n=100)
    ridge = detection_profile(histories, grid=[0.4, 0.7, 1.0])
    for row in ridge.table.itertuples():
        fit = fit_weibull(histories, detection=row.detection)
        assert (row.scale, row.shape) == pytest.approx((fit.scale, fit.shape), rel=1e-6)
    assert ridge.table["below_best"].min() >= 0.0


def test_a_chance_by_method_is_the_constant_one_where_methods_agree():
    histories = looks(4, n=150, pods={"tap_manual": 0.6, "tap_instrumented": 0.6})
    one = fit_weibull(histories, detection=0.6)
    two = fit_weibull(histories, detection=MethodDetection({"tap_manual": 0.6, "tap_instrumented": 0.6}))
    assert (two.scale, two.shape) == pytest.approx((one.scale, one.shape), rel=1e-9)


def test_a_chance_by_method_recovers_what_one_chance_for_all_does_not():
    truth = {"tap_manual": 0.25, "tap_instrumented": 0.9}
    histories = looks(5, n=1500, pods=truth)
    right = fit_weibull(histories, detection=MethodDetection(truth))
    assert abs(np.log(right.scale / 3000)) < 3 * right.standard_error("log_scale")
    assert abs(np.log(right.shape / 4)) < 3 * right.standard_error("log_shape")
    wrong = fit_weibull(histories)
    assert right.log_likelihood > wrong.log_likelihood
    assert wrong.quantile(0.1) > right.quantile(0.1)


def test_looks_made_again_keep_their_methods():
    truth = {"tap_manual": 0.3, "tap_instrumented": 0.9}
    fit = fit_weibull(looks(6, n=200, pods=truth), detection=MethodDetection(truth))
    draws = bootstrap(fit, 20, seed=1, way="schedule")
    assert np.abs(draws.points.mean(axis=0) - np.log([fit.scale, fit.shape])).max() < 0.15


def test_a_method_without_a_chance_is_named():
    histories = looks(7, n=30, pods={"tap_manual": 0.6, "visual": 0.2})
    with pytest.raises(ValueError, match="Got none for visual; known are tap_manual"):
        fit_weibull(histories, detection=MethodDetection({"tap_manual": 0.6}))
    plain = Histories.from_looks(pd.DataFrame({"life": [1, 2], "age": [5.0, 9.0], "found": [True, False]}))
    with pytest.raises(ValueError, match="needs the method of each look"):
        fit_weibull(plain, detection=MethodDetection({"tap_manual": 0.6}))
    with pytest.raises(ValueError, match="at least one method"):
        MethodDetection({})


def test_what_cannot_be_followed_is_refused():
    clean = Histories.from_looks(pd.DataFrame({"life": [1, 2], "age": [5.0, 9.0], "found": [False, False]}))
    with pytest.raises(NoFiniteMaximum, match="No fit at any chance of detection"):
        detection_profile(clean)
    with pytest.raises(ValueError, match="three or more chances"):
        detection_profile(clean, grid=[0.0, 0.5, 1.0])
    with pytest.raises(ValueError, match="`level` must be above 0 and below 1"):
        detection_profile(clean, level=95)
