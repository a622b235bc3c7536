"""Fits of growth to tracks against closed forms, dense sums and the laws that any fit obeys."""

import numpy as np
import pandas as pd
import pytest

from growth.simulated_tracks import TRUE, mappings
from kit.detection import DetectionCurve
from kit.growth import as_form, fit_tracks, pressure_driven


@pytest.fixture(scope="module")
def tracks():
    return mappings(150, seed=3, still=0.3)


@pytest.fixture(scope="module")
def fit(tracks):
    return fit_tracks(tracks, clock="flight_hours")


def test_conditioning_on_a_look_that_sees_all_changes_nothing(tracks, fit):
    other = fit_tracks(tracks, detection=DetectionCurve.constant(1.0))
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-4)
    assert other.rate_median == pytest.approx(fit.rate_median, rel=1e-3)


def test_proportional_growth_seen_twice_is_normal_and_has_its_maximum_in_closed_form():
    """Without error of its own a step of logs is the rate times the time: the median rate is its mean."""
    rng = np.random.default_rng(8)
    rates = 2e-4 * np.exp(0.3 * rng.standard_normal(150))
    first = 30 * np.exp(0.4 * rng.standard_normal(150))
    age = np.array([0.0, 4000.0, 8000.0])
    size = first[:, None] * np.exp(rates[:, None] * age + 0.012 * rng.standard_normal((150, 3)))
    frame = pd.DataFrame(
        {"track": np.repeat(np.arange(150), 3), "age": np.tile(age, 150), "diameter_mm": size.ravel()}
    )
    fit = fit_tracks(frame, form="proportional", may_stand_still=False)
    logs = np.log(np.log(size[:, 2] / size[:, 0]) / 8000.0)
    assert fit.rate_median == pytest.approx(np.exp(logs.mean()), rel=2e-3)
    assert fit.rate_log_sd == pytest.approx(logs.std(), rel=0.02)
    assert fit.standard_error("log_rate_median") == pytest.approx(logs.std() / np.sqrt(150), rel=0.03)


@pytest.mark.parametrize("form", ["linear", "pressure"])
def test_the_likelihood_agrees_with_a_dense_sum(form):
    """Few tracks, every one summed over 400 sizes by 400 rates."""
    frame = mappings(12, seed=5, still=0.2, form=form, rate=6e-3, times=3)
    fit = fit_tracks(frame, form=form)
    law = as_form(form)
    x = np.log(fit.first_median) + fit.first_log_sd * np.linspace(-6, 6, 401)
    v = np.log(fit.rate_median) + fit.rate_log_sd * np.linspace(-7, 7, 401)
    z, e = np.linspace(-6, 6, 401)[:, None], np.linspace(-7, 7, 401)[None, :]
    r = fit.correlation
    density = np.exp(-(z**2 - 2 * r * z * e + e**2) / (2 * (1 - r**2))) / (2 * np.pi * np.sqrt(1 - r**2))
    cell = (12 / 400) * (14 / 400)
    total = 0.0
    for _, one in frame.groupby("track"):
        time = one["age"].to_numpy() - one["age"].min()
        read = np.log(one["diameter_mm"].to_numpy())
        grown, still = density * cell, np.exp(-0.5 * z[:, 0] ** 2) / np.sqrt(2 * np.pi) * 12 / 400
        for t, m in zip(time, read, strict=True):
            with np.errstate(divide="ignore"):
                at = np.log(law.size_at(law.position(np.exp(x))[:, None] + np.exp(v) * t))
            width = fit.size_log_sd * np.sqrt(2 * np.pi)
            grown = grown * np.exp(-0.5 * ((m - at) / fit.size_log_sd) ** 2) / width
            still = still * np.exp(-0.5 * ((m - x) / fit.size_log_sd) ** 2) / width
        total += np.log((1 - fit.no_growth_share) * grown.sum() + fit.no_growth_share * still.sum())
    assert fit.log_likelihood == pytest.approx(total, abs=0.03)


def test_the_gradient_is_that_of_the_likelihood():
    frame = mappings(25, seed=6, still=0.2, jump=0.1, rounding=5.0, wide=0.3, times=3)
    fit = fit_tracks(
        frame, may_stop=True, may_jump=True, detection=DetectionCurve(20.0), spread_prior=(0.6, 0.4)
    )
    like = fit._problem.like
    point = fit._point + 0.05
    _, gradient = like.value(point)
    for i in range(point.size):
        step = np.zeros(point.size)
        step[i] = 1e-5
        slope = (like.value(point + step)[0] - like.value(point - step)[0]) / 2e-5
        assert gradient[i] == pytest.approx(slope, rel=1e-4, abs=1e-4), i


def close(left, right, rel=5e-3, **factors):
    for name in (*TRUE, "no_growth_share"):
        expected = getattr(left, name) * factors.get(name, 1.0)
        assert getattr(right, name) == pytest.approx(expected, rel=rel, abs=1e-3 * factors.get(name, 1.0)), (
            name
        )


def test_scaling_the_clock_scales_the_rate_alone(tracks, fit):
    close(fit, fit_tracks(tracks.assign(age=tracks["age"] / 24)), rate_median=24.0)


def test_scaling_the_sizes_scales_rate_and_size(tracks, fit):
    other = fit_tracks(tracks.assign(diameter_mm=tracks["diameter_mm"] / 25.4))
    close(fit, other, rate_median=1 / 25.4, first_median=1 / 25.4)


def test_scaling_sizes_and_change_over_leaves_pressure_driven_growth_alone():
    frame = mappings(80, seed=9, form="pressure", rate=1e-2, repair_from=60.0)
    left = fit_tracks(frame, form="pressure", may_stand_still=False)
    small = frame.assign(diameter_mm=frame["diameter_mm"] / 25.4)
    right = fit_tracks(small, form=pressure_driven(60.0 / 25.4), may_stand_still=False)
    close(left, right, rate_median=1 / 25.4, first_median=1 / 25.4)


def test_the_order_of_rows_and_shifts_of_age_do_not_matter(tracks, fit):
    shuffled = tracks.sample(frac=1, random_state=4)
    close(fit, fit_tracks(shuffled.assign(age=shuffled["age"] + 50.0 * shuffled["track"])), rel=1e-3)


def test_rounding_to_a_fine_step_is_no_rounding(tracks, fit):
    fine = fit_tracks(tracks.assign(rounding_mm=0.01))
    assert fine.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-3)
    close(fit, fine, rel=1e-3)


@pytest.mark.long
def test_profile_and_wald_bounds_agree_where_there_is_much_to_go_by(fit):
    for name in ("rate_median", "size_log_sd"):
        np.testing.assert_allclose(
            np.log(fit.bounds(name, method="profile")),
            np.log(fit.bounds(name, method="wald")),
            atol=0.35 * fit.standard_error(f"log_{name}"),
        )
        low, high = fit.bounds(name, method="profile")
        assert low < getattr(fit, name) < high


def test_the_likelihood_has_dropped_by_what_the_level_allows_at_a_profile_bound(fit):
    """1.92 below the maximum for 95 %, with all other parameters fitted again."""
    low, _ = fit.bounds("rate_median", method="profile")
    point = fit._point.copy()
    point[2] = np.log(low)
    _, value = fit._problem.maximise(point, held=2)
    assert value == pytest.approx(fit.log_likelihood - 1.9207, abs=0.01)


def test_the_frame_has_units_and_only_what_was_fitted(fit):
    frame = fit.to_frame()
    assert frame.loc["rate_median", "unit"] == "mm per flight_hours"
    assert "jump_share" not in frame.index
    assert np.isnan(fit.bounds("jump_share")).all()
    assert "\n" not in repr(fit)
    assert fit.delay_to(60.0, start=20.0) == pytest.approx(40.0 / fit.rate_median)
    assert fit.size_after(1000.0, start=20.0, share=0.95) == pytest.approx(
        20 + 1000 * fit.rate_quantile(0.95)
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"diameter_mm": 0.0}, r"first row 0 \(track=0"),
        ({"age": np.inf}, "positive sizes and finite ages"),
        ({"rounding_mm": -1.0}, "`rounding_mm` must be at least 0"),
    ],
)
def test_impossible_values_are_refused(tracks, change, message):
    with pytest.raises(ValueError, match=message):
        fit_tracks(tracks.assign(**change))


def test_too_few_tracks_missing_columns_and_unknown_names_are_refused(tracks, fit):
    with pytest.raises(
        ValueError, match=r"at least 5 damages mapped twice or more at different ages\. Got 4\."
    ):
        fit_tracks(tracks.query("track < 4"))
    with pytest.raises(ValueError, match="`tracks` must have a column age"):
        fit_tracks(tracks.drop(columns="age"))
    with pytest.raises(ValueError, match="`name` must be one of"):
        fit.bounds("speed")
    with pytest.raises(ValueError, match="`method` must be one of profile, wald"):
        fit.bounds("rate_median", method="magic")
    with pytest.raises(ValueError, match="`level`"):
        fit.bounds("rate_median", level=95)
