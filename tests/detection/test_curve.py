"""Chance of detection by size."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.detection import DetectionCurve, LinkedCurve, as_detection, curves_by_method, fit_hit_miss
from kit.life import ConstantDetection, MethodDetection

curves = st.builds(
    DetectionCurve,
    a50=st.floats(0.1, 100),
    slope=st.floats(0.2, 20),
    plateau=st.floats(0.05, 1),
    far_side_share=st.floats(0, 1),
    far_side_plateau=st.floats(0, 1),
)


def test_half_the_plateau_is_found_at_a50():
    assert DetectionCurve(a50=20.0, slope=4.0, plateau=0.9).pod(20.0) == pytest.approx(0.45)


def test_odds_of_detection_grow_with_size_to_the_power_of_the_slope():
    curve = DetectionCurve(a50=20.0, slope=3.0)
    pod = curve.pod(np.array([40.0, 60.0]))
    np.testing.assert_allclose(pod / (1 - pod), [2.0**3, 3.0**3], rtol=1e-12)


@given(curves, st.lists(st.floats(0, 1e4), min_size=2, max_size=20))
def test_larger_damage_is_never_found_less_often(curve, sizes):
    pod = curve.pod(np.sort(sizes))
    assert (np.diff(pod) >= 0).all()
    assert ((pod >= 0) & (pod <= curve.plateau)).all()


def test_damage_of_no_size_is_not_found_and_endless_damage_reaches_the_plateau():
    curve = DetectionCurve(a50=20.0, plateau=0.9)
    np.testing.assert_allclose(curve.pod([0.0, np.inf]), [0.0, 0.9])


@given(curves, st.floats(0.01, 0.99))
def test_size_at_inverts_the_pod(curve, share):
    pod = share * curve.plateau
    assert curve.pod(curve.size_at(pod)) == pytest.approx(pod, rel=1e-6)


def test_a_pod_at_or_above_the_plateau_is_reached_at_no_size():
    curve = DetectionCurve(a50=20.0, plateau=0.9)
    assert curve.size_at(0.9) == np.inf
    assert curve.a90 == np.inf
    assert DetectionCurve(a50=20.0, slope=4.0).a90 == pytest.approx(20 * 9**0.25)


def test_constant_chance_does_not_depend_on_size():
    curve = DetectionCurve.constant(0.7, far_side_share=0.2)
    np.testing.assert_array_equal(curve.pod([0.0, 1.0, 1e6]), [0.7, 0.7, 0.7])
    assert curve.sides == ((0.8, 0.7), (0.2, 0.0))


def test_sides_share_all_damage():
    assert DetectionCurve(a50=20.0, plateau=0.9).sides == ((1.0, 0.9),)
    curve = DetectionCurve(a50=20.0, plateau=0.9, far_side_share=0.3, far_side_plateau=0.2)
    assert curve.sides == ((0.7, 0.9), (0.3, 0.2))


def test_a_number_stands_for_a_constant_chance():
    curve = DetectionCurve(a50=3.0)
    assert as_detection(curve) is curve
    assert as_detection(0.75) == DetectionCurve.constant(0.75)
    assert as_detection(1).plateau == 1.0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"a50": -1.0}, "`a50` must be at least 0"),
        ({"a50": np.inf}, "`a50`"),
        ({"a50": np.nan}, "`a50`"),
        ({"a50": 1.0, "slope": 0.0}, "`slope` must be positive"),
        ({"a50": 1.0, "plateau": 0.0}, "`plateau` must be above 0"),
        ({"a50": 1.0, "plateau": 1.01}, "`plateau`"),
        ({"a50": 1.0, "far_side_share": 1.1}, "`far_side_share`"),
        ({"a50": 1.0, "far_side_plateau": -0.1}, "`far_side_plateau`"),
    ],
)
def test_numbers_outside_their_range_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        DetectionCurve(**arguments)


def test_a50_is_half_of_the_plateau_and_pod50_is_a_chance_of_a_half():
    """With POD 0.8 at most, half of the plateau is 0.40 at 20 mm; 0.50 = 0.8 / (1 + (20/a)^4) at a = 20 (5/3)^(1/4)."""
    curve = DetectionCurve(20.0, 4.0, 0.8)
    assert curve.pod(curve.a50) == pytest.approx(0.4)
    assert curve.pod50 == pytest.approx(20.0 * (5 / 3) ** 0.25)
    assert curve.pod(curve.pod50) == pytest.approx(0.5)
    assert DetectionCurve(20.0).pod50 == pytest.approx(20.0)
    assert DetectionCurve(20.0, plateau=0.5).pod50 == np.inf
    assert LinkedCurve(20.0, 3.0, 0.8, link="probit", spread=0.4).pod50 > 20.0


def test_a_fitted_pod_has_both_sizes():
    rng = np.random.default_rng(1)
    size = rng.uniform(5, 80, 400)
    hit = rng.random(400) < 0.8 / (1 + (20 / size) ** 4)
    fit = fit_hit_miss(size, hit, plateau=0.8)
    curve = fit.curve()
    assert fit.a50 == pytest.approx(curve.a50) == pytest.approx(fit.size_at(0.4))
    assert fit.pod50 == pytest.approx(curve.pod50) == pytest.approx(fit.size_at(0.5))
    assert fit.pod50 > fit.a50


@pytest.mark.parametrize("spread", [0.1, 1.0, 3.0])
@pytest.mark.parametrize("log_size", [True, False])
def test_size_at_inverts_the_mean_over_inspectors(spread, log_size):
    curve = LinkedCurve(20.0, 3.0 if log_size else 0.2, 0.95, log_size=log_size, spread=spread)
    for pod in (0.3, 0.5, 0.9):
        assert float(curve.pod(curve.size_at(pod))) == pytest.approx(pod, abs=1e-9)


@pytest.mark.parametrize(
    "number", [0.75, np.float32(0.75), np.float64(0.75), np.array(0.75), ConstantDetection(0.75)]
)
def test_every_kind_of_number_stands_for_a_chance(number):
    assert as_detection(number) == DetectionCurve.constant(0.75)


def test_a_share_that_no_look_can_find_is_kept():
    assert as_detection(ConstantDetection(0.75, 0.2)) == DetectionCurve.constant(0.75, far_side_share=0.2)
    curves = curves_by_method(MethodDetection({"tap": 0.9, "visual": 0.3}, hidden_share=0.2))
    assert curves["visual"] == DetectionCurve.constant(0.3, far_side_share=0.2)


def test_methods_have_a_curve_each():
    tap = DetectionCurve(20.0)
    assert curves_by_method({"tap": tap, "visual": 0.3}) == {
        "tap": tap,
        "visual": DetectionCurve.constant(0.3),
    }
    assert curves_by_method(np.float32(0.5)) == {"": DetectionCurve.constant(0.5)}
    with pytest.raises(ValueError, match="at least one method"):
        curves_by_method({})
    with pytest.raises(ValueError, match="one far-side share"):
        curves_by_method({"tap": 0.5, "visual": DetectionCurve(20.0, far_side_share=0.1)})
    with pytest.raises(TypeError, match=r"`detection\['tap'\]` must be a chance .* Got str"):
        curves_by_method({"tap": "0.5"})


@pytest.mark.parametrize("wrong", ["0.5", None, True, [0.5], DetectionCurve])
def test_what_is_no_detection_is_refused(wrong):
    with pytest.raises(TypeError, match="`detection` must be a chance above 0 and at most 1"):
        as_detection(wrong)


def test_looks_that_find_all_are_known_as_such():
    assert DetectionCurve.constant(1.0).finds_all
    assert not DetectionCurve.constant(0.99).finds_all
    assert not DetectionCurve(1.0).finds_all
    assert not DetectionCurve.constant(1.0, far_side_share=0.1).finds_all
