"""POD from readings: closed form without censoring, a second opinion with it, laws and refusals."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtri
from scipy.stats import binom, linregress

from kit.detection import fit_response
from kit.life import NoFiniteMaximum


def readings(n=200, *, seed=1, sigma=0.15):
    rng = np.random.default_rng(seed)
    size = np.exp(rng.uniform(np.log(6), np.log(60), n))
    return size, np.exp(-1.6 + 0.7 * np.log(size) + sigma * rng.standard_normal(n))


def test_without_censoring_it_is_least_squares():
    size, reading = readings()
    fit = fit_response(size, reading, threshold=1.5)
    line = linregress(np.log(size), np.log(reading))
    left = np.log(reading) - line.intercept - line.slope * np.log(size)
    assert (fit.intercept, fit.slope) == pytest.approx((line.intercept, line.slope), rel=1e-9)
    assert fit.sigma == pytest.approx(np.sqrt(np.mean(left**2)), rel=1e-9)
    assert np.sqrt(fit.covariance[1, 1]) == pytest.approx(line.stderr * np.sqrt(198 / 200), rel=1e-6)
    assert np.sqrt(fit.covariance[2, 2]) == pytest.approx(1 / np.sqrt(2 * 200), rel=1e-6)
    assert fit.a50 == pytest.approx(np.exp((np.log(1.5) - line.intercept) / line.slope))
    assert fit.a90 / fit.a50 == pytest.approx(np.exp(ndtri(0.9) * fit.sigma / fit.slope))


def test_with_censoring_a_general_optimiser_finds_the_same():
    size, reading = readings()
    fit = fit_response(size, reading, threshold=1.5, noise=1.1, saturation=2.6)
    low, high = reading <= 1.1, reading >= 2.6
    assert (fit.n_below, fit.n_above) == (low.sum(), high.sum())
    assert min(low.sum(), high.sum()) > 10
    x, y = np.log(size), np.log(np.clip(reading, 1.1, 2.6))

    def lost(p):
        u = (y - p[0] - p[1] * x) / np.exp(p[2])
        each = np.where(
            low, log_ndtr(u), np.where(high, log_ndtr(-u), -p[2] - u * u / 2 - np.log(2 * np.pi) / 2)
        )
        return -each.sum()

    other = minimize(
        lost, [-1, 0.5, -1], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 5000}
    )
    assert fit.log_likelihood == pytest.approx(-other.fun, abs=1e-7)
    assert (fit.intercept, fit.slope, np.log(fit.sigma)) == pytest.approx(other.x, abs=1e-5)
    step, hess = 1e-4, np.zeros((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = np.eye(3)[i] * step, np.eye(3)[j] * step
            hess[i, j] = (
                lost(other.x + a + b) - lost(other.x + a - b) - lost(other.x - a + b) + lost(other.x - a - b)
            ) / (4 * step**2)
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(hess), rtol=2e-3, atol=1e-8)


def test_the_bound_of_a90_covers_the_truth_as_often_as_it_says():
    truth = np.exp((np.log(1.5) + 1.6 + 0.15 * ndtri(0.9)) / 0.7)
    above = [
        fit_response(*readings(80, seed=s), threshold=1.5, noise=1.1).a90_95() >= truth for s in range(400)
    ]
    low, high = binom.ppf([0.0005, 0.9995], 400, 0.95) / 400
    assert low - 0.02 <= np.mean(above) <= high  # the normal scale of the scatter is a little too narrow


def test_curve_bounds_and_frame_say_the_same():
    fit = fit_response(*readings(), threshold=1.5, blanks=[1.0] * 28 + [1.6, 1.7])
    sizes = np.array([8.0, 15.0, 30.0])
    np.testing.assert_allclose(fit.curve().pod(sizes), fit.pod(sizes), rtol=1e-10)
    lower, upper = fit.pod_bounds(sizes)
    assert ((lower < fit.pod(sizes)) & (fit.pod(sizes) < upper)).all()
    assert fit.false_calls == pytest.approx(2 / 30)
    assert 2 / 30 < fit.false_calls_upper < 0.25
    assert fit.to_frame()["a90"].iloc[0] == fit.a90


def test_a_unit_of_the_readings_does_not_matter_where_the_threshold_goes_along():
    size, reading = readings()
    one = fit_response(size, reading, threshold=1.5, noise=1.1)
    two = fit_response(size, 300 * reading, threshold=450, noise=330)
    assert two.a90_95() == pytest.approx(one.a90_95(), rel=1e-9)


def test_readings_that_fall_with_size_have_no_a90_and_say_so():
    size, reading = readings()
    fit = fit_response(size, 1 / reading, threshold=0.5)
    assert np.isnan(fit.a90)
    assert np.isnan(fit.a90_95())
    assert any("fall with size" in words for words in fit.cautions)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"size": [10, 20], "response": [1.0]}, r"one value for each size. Got 1 values and 2 sizes"),
        ({"size": [10, 0, 5], "response": [1, 2, 3]}, r"`size` must be positive and finite. 1 of 3 rows are not, first row 1 \(0\)"),
        ({"size": [10, 20], "response": [1, np.inf]}, r"`response` .*first row 1 \(inf\)"),
        ({"size": [10, 20], "response": [1, 2], "noise": 2.0}, r"`threshold` must lie between noise and saturation.*Got 1.5"),
    ],
)  # fmt: skip
def test_wrong_input_is_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        fit_response(**arguments, threshold=1.5)


@pytest.mark.parametrize(
    ("size", "response", "message"),
    [
        ([10, 20, 30, 40], [1.0, 1.0, 1.2, 1.3], r"2 readings of 2 sizes are measured"),
        ([20, 20, 20, 20], [1.2, 1.3, 1.4, 1.6], r"4 readings of 1 sizes"),
        ([10, 20, 40], [1.2, 2.4, 4.8], r"lie on a line without scatter"),
    ],
)
def test_readings_without_a_finite_maximum_are_refused(size, response, message):
    with pytest.raises(NoFiniteMaximum, match=message):
        fit_response(size, response, threshold=1.5, noise=1.1)


def test_profile_bounds_of_the_line_are_those_of_the_normal_model_in_closed_form():
    """Without censoring: n log of the residual variance has risen by the quantile of chi-squared, 3.841 at 95 %."""
    size, reading = readings(40)
    fit = fit_response(size, reading, threshold=1.5)
    x, y = np.log(size), np.log(reading)
    best = 40 * np.log(fit.sigma**2)
    for bound in fit.bounds("slope"):
        left = y - bound * x
        assert 40 * np.log(np.var(left)) - best == pytest.approx(3.841459, rel=1e-6)
    for bound in fit.bounds("intercept"):
        slope = (x @ (y - bound)) / (x @ x)
        assert 40 * np.log(np.mean((y - bound - slope * x) ** 2)) - best == pytest.approx(3.841459, rel=1e-6)
    for bound in fit.bounds("sigma"):
        rise = 40 * np.log(bound**2) + 40 * fit.sigma**2 / bound**2
        assert rise - best - 40 == pytest.approx(3.841459, rel=1e-6)
    assert fit.parameter_table(method="wald").index.tolist() == ["intercept", "slope", "sigma"]
