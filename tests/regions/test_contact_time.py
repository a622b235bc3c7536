"""An instrumented hammer: contact time, local stiffness, background of a panel, regions and maps."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.regions import (
    background,
    contact_stiffness,
    contact_time_map,
    contact_time_regions,
    half_sine_contact_time,
)

EXPECTED = pd.read_csv(Path(__file__).parents[1] / "data" / "references" / "expected.csv")


def rows(pattern):
    some = EXPECTED.loc[(EXPECTED["case"] == "G2") & EXPECTED["quantity"].str.match(pattern)]
    assert len(some)
    return [tuple(row) for row in some[["quantity", "expected", "tol_abs"]].itertuples(index=False)]


@pytest.mark.parametrize(("quantity", "expected", "tolerance"), rows("half_sine"))
def test_contact_time_of_a_mass_on_a_spring_cawley_adams_1988_reference_g2(quantity, expected, tolerance):
    """Reference G2: half a sine, pi sqrt(m/k)."""
    mass, stiffness = map(float, re.fullmatch(r"half_sine_contact_s_m(.*)_k(.*)", quantity).groups())
    assert half_sine_contact_time(stiffness, hammer_mass=mass) * 1e-6 == pytest.approx(
        expected, abs=tolerance
    )
    back = contact_stiffness(expected * 1e6, hammer_mass=mass)
    assert back == pytest.approx(stiffness, rel=2 * tolerance / expected + 1e-11)


@pytest.mark.parametrize(("quantity", "expected", "tolerance"), rows("series_spring"))
def test_a_spring_in_series_lengthens_the_contact_cawley_adams_1988_reference_g2(
    quantity, expected, tolerance
):
    """Reference G2: the layer over a disbond is a spring in series with the contact, sqrt(1 + k1/k2)."""
    k1, k2 = (float(one) for one in re.search(r"k1=(.*)_k2=(.*)", quantity).groups())
    long, short = half_sine_contact_time([1 / (1 / k1 + 1 / k2), k1], hammer_mass=0.01)
    assert long / short == pytest.approx(expected, abs=tolerance)


def panel(rng, share, *, n=400, ratio=1.6, scatter=0.03):
    tau = 300 * (1 + scatter * rng.standard_normal(n))
    dull = np.arange(n) < round(share * n)
    tau[dull] *= ratio * (1 + 0.1 * rng.standard_normal(dull.sum()))
    return rng.permutation(tau)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.3, 0.45, 0.6])
def test_the_background_is_that_of_the_sound_taps_whatever_the_damaged_share(share):
    """Simulation, seed fixed: 300 µs with 3 % scatter; dull taps 1.6 times as long."""
    rng = np.random.default_rng(8)
    found = [background(panel(rng, share)) for _ in range(40)]
    assert {one.way for one in found} == {"median" if share < 1 / 3 else "half_sample_mode"}
    centre = np.array([one.contact_time_us for one in found])
    assert np.abs(centre / 300 - 1).max() < 0.06  # two standard deviations of one tap
    assert np.mean(centre) == pytest.approx(300, rel=0.02)
    spread = np.mean([one.spread_us for one in found])
    assert 0.8 * 9 < spread < (2 if found[0].way == "median" else 1.3) * 9


def test_the_median_is_lost_where_most_taps_are_dull():
    """Why there is a second way: what the first one would say."""
    tau = panel(np.random.default_rng(8), 0.6)
    assert background(tau, way="median").contact_time_us > 400
    assert background(tau).contact_time_us == pytest.approx(300, rel=0.05)


def test_a_panel_of_which_a_fifth_is_sound_is_beyond_both_ways_as_the_notes_say():
    tau = panel(np.random.default_rng(8), 0.8)
    assert all(background(tau, way=way).contact_time_us > 400 for way in ("auto", "median"))


@given(st.lists(st.floats(50, 5000), min_size=1, max_size=40), st.floats(0.1, 10), st.randoms())
def test_the_background_scales_with_the_unit_and_has_no_order(tau, factor, random):
    one = background(tau)
    mixed = list(tau)
    random.shuffle(mixed)
    assert background([*mixed, np.nan]).to_frame().equals(one.to_frame())
    assert min(tau) <= one.contact_time_us <= max(tau)
    for way in ("median", "half_sample_mode"):
        a, b = background(tau, way=way), background(np.array(tau) * 2.0, way=way)
        assert b.contact_time_us == pytest.approx(2 * a.contact_time_us)


def grid(n=6, step=25.0):
    x, y = np.meshgrid(step * np.arange(n), step * np.arange(n))
    return x.ravel(), y.ravel()


def test_regions_are_the_connected_cells_above_the_threshold():
    x, y = grid()
    tau = np.full(36, 300.0)
    tau[[7, 8, 13]] = [390.0, 420.0, 600.0]  # 390 is 1.3 times the background: dull
    tau[[22, 29]] = [389.9, 500.0]
    found = contact_time_regions(x, y, tau)
    assert found.background.contact_time_us == 300
    parts = found.to_frame().sort_values("n_taps")
    assert parts["n_taps"].tolist() == [1, 3]
    assert parts["area_mm2"].tolist() == pytest.approx([625, 1875])
    assert parts["highest_ratio"].tolist() == pytest.approx([5 / 3, 2])
    assert found.outlines.n_dull == 4
    assert "2 regions above 1.3 times 300 µs" in repr(found)


def test_places_that_were_not_read_count_as_not_tapped():
    x, y = grid()
    tau = np.full(36, 300.0)
    tau[14] = 500.0
    whole = contact_time_regions(x, y, tau)
    assert not whole.outlines.open_edge
    tau[15] = np.nan
    found = contact_time_regions(x, y, tau)
    assert found.outlines.n_taps == 35
    assert found.outlines.open_edge
    assert np.isnan(found.ratio[15])


def test_a_sound_panel_has_no_region():
    x, y = grid()
    found = contact_time_regions(x, y, np.full(36, 300.0), outline=shapely.box(-10, -10, 140, 140))
    assert not len(found.regions)
    assert found.outlines.outer.area == 0


def test_a_map_has_a_cell_for_each_tap_and_holes_where_nothing_was_read():
    x, y = grid(4)
    tau = np.arange(16.0) + 300
    tau[5] = np.nan
    found = contact_time_map(x + 10, y, tau, hammer_mass=0.012)
    assert found.x_edges.tolist() == pytest.approx([-2.5, 22.5, 47.5, 72.5, 97.5])
    assert found.y_edges.tolist() == pytest.approx([-12.5, 12.5, 37.5, 62.5, 87.5])
    assert np.isnan(found.ratio[1, 1])
    assert np.isfinite(found.ratio).sum() == 15
    assert found.ratio[0, 3] * found.background.contact_time_us == pytest.approx(303)
    assert found.stiffness[0, 3] == pytest.approx(contact_stiffness(303.0, hammer_mass=0.012))
    frame = found.to_frame()
    assert len(frame) == 15
    assert frame.loc[0, ["x_mm", "y_mm"]].tolist() == pytest.approx([10, 0], abs=1e-9)
    assert contact_time_map(x, y, tau).stiffness is None


def test_of_two_taps_in_a_cell_the_longer_contact_stands():
    x, y = grid(3)
    found = contact_time_map([*x, 1.0], [*y, 1.0], [*np.full(9, 300.0), 450.0], pitch=25.0)
    assert found.ratio.shape == (3, 3)
    assert found.ratio[0, 0] == 1.5


@settings(max_examples=20)
@given(st.integers(2, 9), st.integers(2, 7), st.floats(2, 60), st.floats(2, 60), st.floats(-500, 500))
def test_a_map_of_rows_and_columns_has_their_numbers(n_x, n_y, a, b, shift):
    if max(a, b) > 3.9 * min(a, b):
        b = a
    x, y = np.meshgrid(a * np.arange(n_x) + shift, b * np.arange(n_y) - shift)
    tau = 300.0 + np.arange(x.size)
    found = contact_time_map(x, y, tau)
    assert found.ratio.shape == (n_y, n_x)
    assert (found.ratio.ravel() * found.background.contact_time_us).tolist() == pytest.approx(tau.tolist())


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: contact_stiffness([300.0, -1.0], hammer_mass=0.01), r"`contact_time` must be positive and finite \[µs\]: 1 of 2"),
        (lambda: contact_stiffness(300.0, hammer_mass=0.0), r"`hammer_mass` must be positive and finite \[kg\]: 1 of 1"),
        (lambda: half_sine_contact_time(0.0, hammer_mass=1.0), r"`stiffness` must be positive"),
        (lambda: background([np.nan]), "`contact_time` must have a reading at least"),
        (lambda: background([1.0], way="mean"), "`way` must be one of auto, median, half_sample_mode. Got 'mean'"),
        (lambda: contact_time_regions([0, 1], [0, 1], [1, 1], threshold=1.0), "`threshold` must be above 1"),
        (lambda: contact_time_regions([0, 1], [0], [1, 1]), "Got 2, 1, 2, 2 values"),
        (lambda: contact_time_map([0, 1], [0], [1, 1]), "Got 2, 1, 2 values"),
        (lambda: contact_time_map([0, np.nan], [0, 1], [1, 1]), "`x` and `y` must be finite where"),
        (lambda: contact_time_map([0], [0], [1]), "`pitch` must be given where one place was read"),
    ],
)  # fmt: skip
def test_readings_that_make_no_sense_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
