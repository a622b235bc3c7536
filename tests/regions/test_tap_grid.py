"""What chance a grid of taps has to land on a damage."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import kit
from kit.regions import tap_grid_pitch

EXPECTED = pd.read_csv(Path(__file__).parents[1] / "data" / "references" / "expected.csv")


def rows(case, pattern):
    some = EXPECTED.loc[(EXPECTED["case"] == case) & EXPECTED["quantity"].str.match(pattern)]
    assert len(some)
    return [tuple(row) for row in some[["quantity", "expected", "tol_abs"]].itertuples(index=False)]


@pytest.mark.parametrize(("quantity", "expected", "tolerance"), rows("F1", ".*_grid_hit"))
def test_circle_on_a_grid_singer_wickman_1969_reference_f1(quantity, expected, tolerance):
    """Reference F1: Singer & Wickman 1969; Gilbert 1987, ch. 10; closed forms."""
    grid, ratio = re.match(r"(\w+)_grid_hit_d/p=(.*)", quantity).groups()
    size = float(ratio)
    assert kit.tap_grid_chance(size, size, 1.0, 0.0, grid=grid) == pytest.approx(expected, abs=tolerance)
    assert kit.tap_grid_chance(size, size, 1.0, grid=grid) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("quantity", "expected", "tolerance"), rows("F1", "radius_over_pitch"))
def test_pitch_for_a_wanted_chance_gilbert_1987_reference_f1(quantity, expected, tolerance):
    """Reference F1: Gilbert 1987 prints 0.56 for a chance to miss of 0.1."""
    miss = float(quantity.rpartition("_")[2])
    assert 1 / tap_grid_pitch(2.0, 2.0, 1 - miss) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("quantity", "expected", "tolerance"), rows("F2", "ellipse_"))
def test_ellipse_on_a_square_grid_reference_f2(quantity, expected, tolerance):
    """Reference F2: areas of unions of ellipses, worked out with polygons and by simulation."""
    way, a, ratio = re.match(r"ellipse_(\w+)_a/p=([\d.]+)_b/a=([\d.]+)", quantity).groups()
    length = 2 * float(a)
    angle = 0.0 if way == "aligned" else 45.0
    found = kit.tap_grid_chance(length, length * float(ratio), 1.0, angle)
    assert found == pytest.approx(expected, abs=tolerance)


@pytest.mark.long
def test_ellipse_agrees_with_taps_thrown_at_random():
    """Independent way: 400,000 positions, seed fixed, any angle, both grids."""
    rng = np.random.default_rng(3)
    n, a, b, pitch = 400_000, 19.0, 7.0, 25.0
    points = np.stack(np.meshgrid(np.arange(-4, 5), np.arange(-4, 5)), axis=-1).reshape(-1, 2)
    for grid, rows_of_grid in (("square", [[1, 0], [0, 1]]), ("triangular", [[1, 0], [0.5, np.sqrt(0.75)]])):
        basis = pitch * np.array(rows_of_grid)
        centre = rng.random((n, 2)) @ basis
        turn = rng.uniform(0, np.pi, n)
        hit = np.zeros(n, bool)
        for x, y in points @ basis:
            dx, dy = x - centre[:, 0], y - centre[:, 1]
            u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
            hit |= (u / a) ** 2 + (v / b) ** 2 <= 1
        error = np.sqrt(hit.mean() * (1 - hit.mean()) / n)
        assert abs(float(kit.tap_grid_chance(2 * a, 2 * b, pitch, grid=grid)) - hit.mean()) < 4 * error


sizes = st.floats(1.0, 200.0)


@given(sizes, sizes, sizes, st.floats(-180.0, 180.0), st.sampled_from(["square", "triangular"]))
def test_chance_has_no_unit_and_no_handedness(length, width, pitch, angle, grid):
    chance = kit.tap_grid_chance(length, width, pitch, angle, grid=grid)
    assert 0 < chance <= 1
    inches = kit.tap_grid_chance(length / 25.4, width / 25.4, pitch / 25.4, angle, grid=grid)
    assert inches == pytest.approx(float(chance), rel=1e-9)
    assert kit.tap_grid_chance(length, width, pitch, angle + 180.0, grid=grid) == pytest.approx(
        float(chance), rel=1e-9
    )
    assert kit.tap_grid_chance(length, width, pitch, -angle, grid=grid) == pytest.approx(
        float(chance), rel=1e-9
    )
    assert kit.tap_grid_chance(width, length, pitch, angle + 90.0, grid=grid) == pytest.approx(
        float(chance), rel=1e-9
    )


@given(sizes, st.floats(0.3, 1.0), st.floats(0.05, 0.99), st.sampled_from(["square", "triangular"]))
def test_pitch_gives_back_its_chance(length, share, chance, grid):
    pitch = tap_grid_pitch(length, length * share, chance, 30.0, grid=grid)
    assert kit.tap_grid_chance(length, length * share, pitch, 30.0, grid=grid) == pytest.approx(
        chance, abs=1e-7
    )


def test_certain_hit_of_a_circle_needs_its_inscribed_square():
    """Closed form: a circle of diameter d always holds a tap while the pitch is at most d / sqrt 2."""
    assert tap_grid_pitch(30.0, 30.0, 1.0) == pytest.approx(30.0 / np.sqrt(2), rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (
            {"length": -1.0, "width": 1.0, "pitch": 1.0},
            r"`length` must be positive and finite \[mm\]. Got -1",
        ),
        ({"length": 1.0, "width": 1.0, "pitch": 0.0}, r"`pitch` must be positive and finite \[mm\]. Got 0"),
        (
            {"length": 1.0, "width": 1.0, "pitch": 1.0, "grid": "hex"},
            "`grid` must be one of square, triangular. Got 'hex'",
        ),
    ],
)
def test_impossible_grids_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        kit.tap_grid_chance(**arguments)


def test_impossible_chance_is_refused():
    with pytest.raises(ValueError, match=r"`chance` must be above 0 and at most 1\. Got 1\.5"):
        tap_grid_pitch(1.0, 1.0, 1.5)
