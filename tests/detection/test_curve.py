"""Chance of detection by size."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kit.detection import DetectionCurve, as_detection

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
