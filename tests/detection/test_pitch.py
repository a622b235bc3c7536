"""Grid and sound together."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.detection import DetectionCurve, detectable_size, fit_hit_miss, grid_pod, widest_pitch
from kit.regions import tap_grid_chance

CURVE = DetectionCurve(a50=20.0, slope=4.0, plateau=0.97)


def test_a_small_damage_is_met_by_its_area_and_then_sounds_dull():
    assert grid_pod(10.0, 25.0, CURVE) == pytest.approx(np.pi * 25 / 625 * CURVE.pod(10.0))
    assert grid_pod(60.0, 25.0, CURVE) == pytest.approx(CURVE.pod(60.0))  # a tap always lands on it
    assert grid_pod(10.0, 25.0, 0.8) == pytest.approx(0.8 * np.pi * 25 / 625)


def test_looks_on_a_grid_find_as_often_as_it_says():
    """Ellipses of 2 to 1 thrown on a square grid at any angle."""
    rng = np.random.default_rng(1)
    size, pitch, n = 24.0, 25.0, 20000
    x, y = rng.uniform(-pitch / 2, pitch / 2, (2, n))
    turn = rng.uniform(0, np.pi, n)
    gx, gy = (v.ravel() for v in np.meshgrid(np.arange(-2, 3) * pitch, np.arange(-2, 3) * pitch))
    dx, dy = gx[:, None] - x, gy[:, None] - y
    along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    long, wide = size * np.sqrt(2) / 2, size / np.sqrt(2) / 2
    met = ((along / long) ** 2 + (across / wide) ** 2 <= 1).any(axis=0)
    found = met & (rng.random(n) < CURVE.pod(size))
    chance = float(grid_pod(size, pitch, CURVE, aspect=2.0))
    assert found.mean() == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / n))
    assert np.pi * long * wide == pytest.approx(shapely.Point(0, 0).buffer(size / 2, 512).area, rel=1e-4)


@pytest.mark.long
@given(st.floats(5, 60), st.floats(0.1, 0.95), st.floats(1, 4))
@settings(max_examples=30, deadline=None)
def test_detectable_size_and_widest_pitch_undo_each_other(pitch, pod, aspect):
    size = detectable_size(pitch, CURVE, pod=pod, aspect=aspect)
    assert grid_pod(size, pitch, CURVE, aspect=aspect) == pytest.approx(pod, abs=1e-8)
    if float(CURVE.pod(size)) > pod * (1 + 1e-6):
        assert widest_pitch(size, CURVE, pod=pod, aspect=aspect) == pytest.approx(pitch, rel=1e-4)


def test_a_fine_grid_leaves_the_pod_and_a_coarse_one_the_geometry():
    assert detectable_size(0.5, CURVE) == pytest.approx(CURVE.a90)
    assert detectable_size(200.0, CURVE) > 200
    sure = DetectionCurve.constant(1.0)
    size = detectable_size(25.0, sure)
    assert tap_grid_chance(size, size, 25.0) == pytest.approx(0.9)


def test_a_wider_pitch_never_finds_smaller_damage():
    sizes = [detectable_size(p, CURVE) for p in (5, 10, 20, 40, 80)]
    assert (np.diff(sizes) >= -1e-9).all()


def test_no_pitch_makes_up_for_a_sound_that_is_missed():
    assert detectable_size(5.0, DetectionCurve(a50=20.0, plateau=0.85)) == np.inf
    with pytest.raises(ValueError, match=r"`size` 20 mm sounds dull with chance 0.485 only, below 0.9"):
        widest_pitch(20.0, CURVE)


def test_a_fit_may_stand_for_the_curve():
    fit = fit_hit_miss([10, 15, 20, 25, 30, 40], [1, 3, 5, 8, 9, 10], trials=[10] * 6)
    assert grid_pod(20.0, 25.0, fit) == pytest.approx(grid_pod(20.0, 25.0, fit.curve()))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: grid_pod(10.0, 25.0, CURVE, aspect=0.5), r"`aspect` must be at least 1 and finite. Got 0.5"),
        (lambda: grid_pod(10.0, -1.0, CURVE), r"`pitch` must be positive"),
        (lambda: detectable_size(25.0, CURVE, pod=1.0), r"`pod` .*Got 1.0"),
        (lambda: widest_pitch(25.0, CURVE, pod=0.0), r"`pod` .*Got 0.0"),
    ],
)
def test_wrong_arguments_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
