"""Growth is shown with how far a mapping may be off; no largest difference is a headline."""

import numpy as np
import pandas as pd
import pytest

from kit.figures import plot_tracks
from kit.growth import fit_tracks


@pytest.fixture(scope="module")
def tracks():
    rng = np.random.default_rng(1)
    rows = [
        (f"D{i}", age, (20 + 0.003 * age) * np.exp(0.15 * rng.standard_normal()))
        for i in range(12)
        for age in 1000.0 * np.arange(2 + i)
    ]
    return pd.DataFrame(rows, columns=["track", "age", "diameter_mm"])


@pytest.fixture(scope="module")
def fit(tracks):
    return fit_tracks(tracks, clock="flight_cycles")


def test_the_damages_with_most_mappings_are_drawn_to_one_scale_with_their_errors(tracks, fit):
    figure = plot_tracks(fit, tracks, most=4, limit_mm=50.0)
    titles = [ax.get_title() for ax in figure.axes if ax.get_visible()]
    assert titles == [f"damage D{i}: {2 + i} mappings" for i in (11, 10, 9, 8)]
    assert len({ax.get_ylim() for ax in figure.axes}) == 1
    bars = figure.axes[0].containers[0][2][0].get_segments()
    size = np.sort(tracks.loc[tracks["track"] == "D11", "diameter_mm"])
    off = np.exp(1.96 * fit.size_log_sd)
    np.testing.assert_allclose(sorted(bar[1, 1] for bar in bars), size * off)


def test_a_growth_in_words_has_bounds_its_clock_and_the_error_of_one_mapping(fit):
    words = fit.words()
    low, high = fit.bounds("rate_median")
    assert f"({1000 * low:.3g} to {1000 * high:.3g}) mm per 1,000 flight cycles" in words
    assert f"factor of up to {np.exp(1.96 * fit.size_log_sd):.2f}" in words
    assert "From 12 damages mapped again." in words


def test_damage_mapped_once_is_no_growth(tracks, fit):
    with pytest.raises(ValueError, match=r"mapped at two ages or more\. Got none"):
        plot_tracks(fit, tracks.drop_duplicates("track"))
