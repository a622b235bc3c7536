"""The log-likelihood of tracks as a function: against dense sums, its own gradient, and the coverage of its bounds."""

import numpy as np
import pytest

from growth.simulated_repairs import RATE, found_damage
from growth.simulated_tracks import mappings
from kit.detection import DetectionCurve
from kit.growth import WEAK_PRIORS, as_form, fit_tracks


def dense(frame, values, form="linear"):
    """Log-likelihood of tracks, every one summed over 300 sizes by 500 rates."""
    law = as_form(form)
    e, rho = values["size_log_sd"], values["correlation"]
    v_z = np.linspace(-8, 8, 500)
    v = np.log(values["rate_median"]) + values["rate_log_sd"] * v_z
    total = 0.0
    for _, one in frame.sort_values("age").groupby("track"):
        time, read = one["age"].to_numpy() - one["age"].min(), np.log(one["diameter_mm"].to_numpy())
        x = read[0] + e * np.linspace(-8, 8, 300)
        x_z = (x - np.log(values["first_median"])) / values["first_log_sd"]
        grown = np.exp(-(x_z[:, None] ** 2 - 2 * rho * x_z[:, None] * v_z + v_z**2) / (2 * (1 - rho**2)))
        grown /= 2 * np.pi * np.sqrt(1 - rho**2)
        still = np.exp(-0.5 * x_z**2) / np.sqrt(2 * np.pi)
        for t, m in zip(time, read, strict=True):
            at = np.log(law.size_at(law.position(np.exp(x))[:, None] + np.exp(v) * t))
            grown = grown * np.exp(-0.5 * ((m - at) / e) ** 2) / (e * np.sqrt(2 * np.pi))
            still = still * np.exp(-0.5 * ((m - x) / e) ** 2) / (e * np.sqrt(2 * np.pi))
        step = (x[1] - x[0]) / values["first_log_sd"]
        grown, still = grown.sum() * step * 16 / 499, still.sum() * step
        share = values["no_growth_share"]
        total += np.log((1 - share) * grown + share * still) if time[-1] > 0 else np.log(still)
    return total


@pytest.fixture(scope="module")
def tracks():
    return found_damage(20, seed=5)


@pytest.fixture(scope="module")
def likelihood(tracks):
    return fit_tracks(tracks, clock="flight_hours", priors=WEAK_PRIORS).likelihood


def around(likelihood, n, seed=1):
    width = [0.1, 0.2, 0.4, 0.4, 0.3, 0.15, 1.0]
    return likelihood.estimate + np.array(width) * np.random.default_rng(seed).standard_normal((n, 7))


def test_it_agrees_with_a_dense_sum_far_from_where_its_nodes_were_placed(tracks, likelihood):
    points = around(likelihood, 5)
    expected = [dense(tracks, row) for _, row in likelihood.natural(points).iterrows()]
    np.testing.assert_allclose(likelihood.log_likelihood(points), expected, atol=5e-3)


@pytest.mark.parametrize(
    ("form", "rate", "tolerance"), [("proportional", 2e-4, 5e-3), ("pressure", 6e-3, 0.15)]
)
def test_other_forms_agree_with_a_dense_sum(form, rate, tolerance):
    """Pressure-driven growth is exact at the estimate alone: 0.11 is what damage across the change-over costs around it."""
    frame = mappings(12, seed=5, still=0.2, form=form, rate=rate, times=3)
    likelihood = fit_tracks(frame, form=form, priors=WEAK_PRIORS).likelihood
    points = (around(likelihood, 3) + likelihood.estimate) / 2
    expected = [dense(frame, row, form) for _, row in likelihood.natural(points).iterrows()]
    np.testing.assert_allclose(likelihood.log_likelihood(points), expected, atol=tolerance)
    at = likelihood.estimate[None]
    expected = dense(frame, likelihood.natural(at).loc[0], form)
    assert likelihood.log_likelihood(at)[0] == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize(
    "settings",
    [{"may_stop": True}, {"width_log_sd": 0.3}, {"may_jump": True}, {"detection": DetectionCurve(20.0)}],
    ids=["arrest", "width assumed", "jumps", "found by size"],
)
def test_it_is_the_likelihood_that_was_fitted(settings):
    frame = mappings(25, seed=6, still=0.2, rounding=2.0, wide=0.3, times=3)
    fit = fit_tracks(frame, priors=WEAK_PRIORS, **settings)
    found = fit.likelihood.log_likelihood(fit.likelihood.estimate)
    assert found == pytest.approx([fit.log_likelihood], abs=1e-3)
    assert len(fit.likelihood.names) == fit.n_parameters
    near = fit.likelihood.estimate + 0.02
    point = fit._point.copy()
    point[list(fit._problem.free)] = near
    assert fit.likelihood.log_likelihood(near)[0] == pytest.approx(
        fit._problem.like.value(point)[0], abs=0.02
    )


def test_many_points_at_once_are_the_points_one_by_one(likelihood):
    points = np.concatenate(
        [around(likelihood, 300), likelihood.estimate + 5 * np.eye(7), likelihood.estimate - 3 * np.eye(7)]
    )
    each = [likelihood._surface.value(likelihood._points(point)[0])[0] for point in points]
    np.testing.assert_allclose(likelihood.log_likelihood(points), each, rtol=1e-10, atol=1e-8)


def test_the_gradient_is_that_of_the_likelihood(likelihood):
    x = around(likelihood, 1)[0]
    steps = 1e-5 * np.eye(7)
    slopes = (likelihood.log_likelihood(x + steps) - likelihood.log_likelihood(x - steps)) / 2e-5
    np.testing.assert_allclose(likelihood.gradient(x), slopes, rtol=1e-5, atol=1e-5)


def test_priors_stand_apart_from_the_data_and_draw_the_estimate(likelihood):
    at = likelihood.coordinates(
        {"rate_log_sd": 0.6, "correlation": 0.0, "no_growth_share": 0.27, "size_log_sd": 0.15}
    )
    assert likelihood.log_prior(at) == pytest.approx([0.0])
    at = likelihood.coordinates(
        {"rate_log_sd": 0.6 * np.exp(0.35), "correlation": 0.0, "no_growth_share": 0.27, "size_log_sd": 0.15}
    )
    assert likelihood.log_prior(at) == pytest.approx([-0.5])
    assert likelihood.log_posterior(at) == pytest.approx(likelihood.log_likelihood(at) - 0.5)
    other = likelihood.with_priors({"rate_median": (0.01, 0.01)})
    assert other.natural(other.estimate).loc[0, "rate_median"] == pytest.approx(0.01, rel=0.02)
    points = around(likelihood, 5)
    np.testing.assert_allclose(other.log_likelihood(points), likelihood.log_likelihood(points), atol=0.02)


def test_the_prior_of_the_rate_is_even_where_mappings_tell_it_and_goes_with_it_where_they_do_not(likelihood):
    values = likelihood.natural(likelihood.estimate).iloc[0]
    factor = np.array([1e-4, 1e-3, 1.0, 1e3])
    points = [likelihood.coordinates({"rate_median": values["rate_median"] * f}) for f in factor]
    given = likelihood.log_rate_prior(points)
    assert given[3] == pytest.approx(0.0, abs=1e-3)
    assert given[1] - given[0] == pytest.approx(np.log(10.0), abs=1e-3)
    assert given[1] < given[2] < given[3]
    # Twice the error and twice the rate tell as much.
    twice = likelihood.coordinates({name: 2 * values[name] for name in ("rate_median", "size_log_sd")})
    assert likelihood.log_rate_prior(twice)[0] == pytest.approx(given[2])


def test_the_estimate_is_the_highest_point_and_its_curvature_the_covariance(likelihood):
    x, value = likelihood.highest()
    assert value == pytest.approx(likelihood.log_posterior(likelihood.estimate)[0], abs=1e-3)
    covariance = likelihood.covariance()
    assert list(covariance.index) == list(likelihood.names)
    rng = np.random.default_rng(1)
    step = 0.05 * rng.multivariate_normal(np.zeros(7), covariance.to_numpy(), size=20)
    fall = value - likelihood.log_posterior(x + step)
    np.testing.assert_allclose(fall, 0.5 * np.sum(step @ np.linalg.inv(covariance) * step, axis=1), rtol=0.15)


def test_scales_and_coordinates_are_named(likelihood):
    assert dict(zip(likelihood.names, likelihood.scales, strict=True))["no_growth_share"] == "logit"
    values = {"rate_median": 0.003, "no_growth_share": 0.4, "correlation": -0.2}
    row = likelihood.natural(likelihood.coordinates(values)).loc[0]
    assert row[list(values)].tolist() == pytest.approx(list(values.values()))
    assert "\n" not in repr(likelihood)
    with pytest.raises(
        ValueError, match=r"`x` must have 7 coordinates a point: first_median, .* Got shape \(1, 3\)"
    ):
        likelihood.log_likelihood([0.0, 1.0, 2.0])
    with pytest.raises(ValueError, match=r"`priors` must name parameters: first_median, .* Got 'speed'"):
        likelihood.with_priors({"speed": (1.0, 1.0)})
    with pytest.raises(
        ValueError, match=r"`priors` must give no_growth_share as a median in its range .* Got \(1.2, 1.0\)"
    ):
        likelihood.with_priors({"no_growth_share": (1.2, 1.0)})


def test_the_median_rate_lies_at_a_profile_bound_where_the_likelihood_has_dropped(likelihood):
    low, high = likelihood.bounds("rate_median", level=0.9)
    for bound in (low, high):
        _, value = likelihood.highest({"rate_median": np.log(bound)})
        assert value == pytest.approx(likelihood.highest()[1] - 1.3528, abs=0.02)
    assert low < RATE < high


@pytest.mark.long
@pytest.mark.parametrize(("n", "again"), [(15, None), (40, None), (69, None), (15, 1250.0)])
def test_profile_bounds_cover_as_often_as_they_say_with_repair_at_the_limit(n, again):
    """90 % bounds of the median rate over 150 fleets, mapped at looks or every half year; two errors of 0.9 are 0.05."""
    held = 0
    for seed in range(150):
        likelihood = fit_tracks(found_damage(n, seed=seed, again=again), priors=WEAK_PRIORS).likelihood
        top = likelihood.highest()[1]
        # The true rate is within the bounds if the likelihood there has not dropped by half of chi-squared.
        held += top - likelihood.highest({"rate_median": np.log(RATE)})[1] <= 1.3528
    assert 0.84 <= held / 150 <= 0.965
