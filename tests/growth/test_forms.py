"""Forms of growth against closed forms and against the differential equation they stand for."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from growth.simulated_tracks import mappings
from kit.growth import FORMS as FORMS_BY_NAME
from kit.growth import GrowthForm, as_form, delay_to, fit_tracks, pressure_driven, size_after

FORMS = [*FORMS_BY_NAME.values()]
every_form = pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)


def test_linear_and_proportional_growth_have_their_closed_forms():
    np.testing.assert_allclose(size_after("linear", 20.0, 0.01, [0.0, 1000.0]), [20.0, 30.0])
    np.testing.assert_allclose(size_after("proportional", 20.0, 1e-3, [0.0, 1000.0]), [20.0, 20.0 * np.e])


def test_pressure_grows_sixteen_times_as_fast_at_double_size_while_small_and_slower_beyond():
    form = pressure_driven(60.0)
    assert form.speed(40.0) / form.speed(20.0) == pytest.approx(16.0)
    assert form.speed(60.0) == pytest.approx(1.0)
    assert form.speed(480.0) / form.speed(60.0) == pytest.approx(16.0)  # 8 times the size, to the power 4/3


@every_form
@pytest.mark.parametrize("start", [15.0, 45.0, 90.0])
def test_sizes_solve_the_equation_of_their_form(form, start):
    rate = {"linear": 0.02, "proportional": 4e-4, "pressure": 0.03}[form.name]
    times = np.array([0.0, 500.0, 1500.0])
    solved = solve_ivp(
        lambda _, a: rate * form.speed(a), (0, 1500), [start], t_eval=times, rtol=1e-10, atol=1e-10
    ).y[0]
    np.testing.assert_allclose(size_after(form, start, rate, times), solved, rtol=1e-7)


@every_form
@given(st.floats(2.0, 150.0), st.floats(1.01, 4.0), st.floats(1e-4, 1.0))
def test_the_delay_to_a_size_ends_at_that_size(form, start, factor, rate):
    delay = delay_to(form, start, rate, start * factor)
    assert size_after(form, start, rate, delay) == pytest.approx(start * factor, rel=1e-6)


@every_form
@given(st.floats(2.0, 1500.0))
def test_size_at_inverts_position(form, size):
    assert form.size_at(form.position(size)) == pytest.approx(size, rel=1e-9)


@every_form
def test_damage_that_stands_still_keeps_its_size_and_never_reaches_a_limit(form):
    assert size_after(form, 30.0, 0.0, 1e6) == pytest.approx(30.0)
    assert delay_to(form, 30.0, 0.0, 60.0) == np.inf
    assert delay_to(form, [60.0, 70.0], 0.0, 60.0).tolist() == [0.0, 0.0]


def test_pressure_driven_damage_is_infinite_after_a_finite_time():
    form = pressure_driven(60.0)
    end = (3 * 60.0 - form.position(60.0)) / 0.05
    assert np.isfinite(size_after(form, 60.0, 0.05, 0.99 * end))
    assert size_after(form, 60.0, 0.05, 1.01 * end) == np.inf


@every_form
def test_scaling_sizes_and_clock_scales_the_answers(form):
    other = pressure_driven(60.0 / 25.4) if form.name == "pressure" else form
    rate = {"linear": 0.02, "proportional": 4e-4, "pressure": 0.03}[form.name]
    in_inches = rate if form.name == "proportional" else rate / 25.4
    assert size_after(other, 40.0 / 25.4, in_inches, 1000.0) * 25.4 == pytest.approx(
        size_after(form, 40.0, rate, 1000.0)
    )
    assert delay_to(form, 40.0, rate * 24, 80.0) * 24 == pytest.approx(delay_to(form, 40.0, rate, 80.0))


def test_unknown_forms_and_impossible_change_overs_are_refused():
    with pytest.raises(
        ValueError, match=r"`form` must be one of linear, proportional, pressure\. Got 'cubic'"
    ):
        as_form("cubic")
    with pytest.raises(ValueError, match="`changeover` must be positive"):
        pressure_driven(0.0)
    assert as_form(FORMS[2]) is FORMS[2]


def test_a_form_of_ones_own_goes_where_a_name_goes():
    """Growth even in area: a² = a0² + r d."""
    by_area = GrowthForm(
        "even in area", "mm² per {clock}", "assumed",
        lambda a, _: a**2, lambda p, _: np.sqrt(np.maximum(p, 0.0)), lambda a, _: 0.5 / a,
    )  # fmt: skip
    assert size_after(by_area, 30.0, 0.4, 4000.0) == pytest.approx(50.0)
    frame = mappings(40, seed=1, form=by_area, rate=0.4, error=0.05)
    fit = fit_tracks(frame, form=by_area, clock="flight_hours", may_stand_still=False)
    low, high = fit.bounds("rate_median", level=0.999)
    assert low < 0.4 < high
    assert fit.to_frame().loc["rate_median", "unit"] == "mm² per flight_hours"
    assert fit.likelihood.log_likelihood(fit.likelihood.estimate)[0] == pytest.approx(
        fit.log_likelihood, abs=0.01
    )
