"""What every fit answers alike: by name, in one order, with one set of methods."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest

from kit.numerics.fit import Fit, Parameter


@dataclass(frozen=True, kw_only=True, eq=False)
class Made(Fit):
    """A rate in its log, a shift that cannot be below 0, and one that is given."""

    covariance: np.ndarray = field(default_factory=lambda: np.diag([0.04, 9.0, 0.0]))

    @property
    def parameters(self):
        return (
            Parameter(name="rate", value=2.0, unit="1/h"),
            Parameter(name="shift", value=1.5, unit="h", scale="linear", least=0.0),
            Parameter(name="held", value=7.0, is_given=True),
        )

    def profile_bounds(self, name, level):
        return (-np.inf, 1.0)


def test_errors_are_in_the_unit_of_the_parameter_or_of_its_log():
    fit = Made()
    assert fit.standard_error("log_rate") == pytest.approx(0.2)
    assert fit.standard_error("rate") == pytest.approx(0.4)
    assert fit.standard_error("shift") == pytest.approx(3.0)
    assert fit.standard_error("log_shift") == pytest.approx(2.0)
    assert np.isnan(fit.standard_error("held"))


def test_wald_bounds_are_normal_on_the_scale_of_the_covariance_and_stay_in_the_range():
    fit = Made()
    assert fit.bounds("rate", method="wald") == pytest.approx(
        tuple(2 * np.exp([-0.391993, 0.391993])), rel=1e-6
    )
    assert fit.bounds("shift", method="wald") == pytest.approx((0.0, 1.5 + 5.879892), rel=1e-6)
    assert np.isnan(fit.bounds("held", method="wald")).all()


def test_profile_is_the_default_and_comes_back_in_the_unit():
    assert Made().bounds("rate") == pytest.approx((0.0, np.e))
    assert Made().bounds("shift") == pytest.approx((0.0, 1.0))


def test_draws_have_the_order_of_the_parameters_and_repeat_with_their_seed():
    draws = Made().draws(20_000, seed=4)
    assert np.log(draws[:, 0]).std() == pytest.approx(0.2, rel=0.03)
    assert draws[:, 1].min() == 0.0
    assert draws[:, 2] == pytest.approx(np.full(20_000, 7.0))
    assert (draws == Made().draws(20_000, seed=4)).all()


def test_the_table_has_a_row_for_each_parameter():
    table = Made().to_frame(method="wald")
    assert list(table.index) == ["rate", "shift", "held"]
    assert list(table.columns) == ["value", "standard_error", "lower", "upper", "unit"]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda fit: fit.bounds("speed"), "`name` must be one of rate, shift, held. Got 'speed'"),
        (lambda fit: fit.bounds("rate", method="cluster"), "`method` must be one of profile, wald. Got 'cluster'"),
        (lambda fit: fit.bounds("rate", level=95), "`level` must be above 0"),
        (lambda fit: fit.standard_error("rate", method="cluster"), "needs clusters"),
        (lambda fit: fit.standard_error("rate", method="profile"), "must be wald or cluster"),
        (lambda fit: fit.parameter("speed"), "Got 'speed'"),
    ],
)  # fmt: skip
def test_what_a_fit_cannot_say_is_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call(Made())


def test_shares_and_correlations_have_scales_of_their_own_and_come_back_from_them():
    share = Parameter(name="share", value=0.2, scale="logit")
    bent = Parameter(name="bent", value=-0.4, scale="atanh")
    for parameter in (share, bent):
        assert float(parameter.back(parameter.place)) == pytest.approx(parameter.value, rel=1e-14)
    assert share.place == pytest.approx(np.log(0.25))
    assert bent.place == pytest.approx(np.arctanh(-0.4))


@pytest.mark.parametrize(("scale", "value"), [("logit", 0.3), ("atanh", 0.5), ("log", 2.0), ("linear", -1.0)])
def test_an_error_in_the_unit_is_that_on_the_scale_times_the_slope_back(scale, value):
    """Delta method, against a difference quotient of the way back."""
    parameter = Parameter(name="it", value=value, scale=scale)

    class One(Fit):
        covariance = np.array([[0.01]])
        parameters = (parameter,)

    step = 1e-6
    slope = float(parameter.back(parameter.place + step) - parameter.back(parameter.place - step)) / (
        2 * step
    )
    assert One().standard_error("it") == pytest.approx(0.1 * slope, rel=1e-6)
    assert One().standard_error(f"{scale}_it") == pytest.approx(0.1)


def test_a_table_of_covariance_leaves_out_what_lies_at_its_end():
    """What lies at the end of its range has no error, and the others keep theirs."""

    class Ended(Fit):
        covariance = pd.DataFrame([[0.04]], index=["b"], columns=["b"])
        parameters = (Parameter(name="a", value=1.0), Parameter(name="b", value=2.0))

    assert np.isnan(Ended().standard_error("a"))
    assert np.isnan(Ended().bounds("a", method="wald")).all()
    assert Ended().standard_error("log_b") == pytest.approx(0.2)
