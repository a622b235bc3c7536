"""Growth figures show the mappings, their error and the fitted spread, with the unit of the fit."""

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection, PolyCollection

from kit.figures import plot_growth
from kit.growth import compare_growth, fit_tracks


@pytest.fixture(scope="module")
def tracks():
    """Twenty damages mapped at 0, 1 and 2 thousand hours, and one mapped once."""
    rng = np.random.default_rng(1)
    rate = 0.01 * np.exp(0.5 * rng.standard_normal(20))
    age = np.tile([0.0, 1000.0, 2000.0], 20)
    size = (30 + np.repeat(rate, 3) * age) * np.exp(0.05 * rng.standard_normal(60))
    frame = pd.DataFrame({"track": np.repeat(np.arange(20), 3), "age": 500 + age, "diameter_mm": size})
    return pd.concat([frame, pd.DataFrame({"track": [99], "age": [800.0], "diameter_mm": [25.0]})])


@pytest.fixture(scope="module")
def fit(tracks):
    return fit_tracks(tracks, clock="flight_hours", may_stand_still=False)


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def line(ax, label):
    return next(one for one in ax.get_lines() if one.get_label() == label)


def test_every_damage_mapped_again_is_a_line_through_its_mappings(fit, tracks):
    ax = plot_growth(fit, tracks)
    (lines,) = [
        part
        for part in ax.collections
        if isinstance(part, LineCollection) and part.get_label() == "20 damages"
    ]
    paths = [path.vertices for path in lines.get_paths()]
    assert len(paths) == 20
    first = tracks.loc[tracks["track"] == 0]
    np.testing.assert_allclose(paths[0], np.c_[[0.0, 1000.0, 2000.0], first["diameter_mm"]])


def test_the_median_is_the_fitted_growth_from_the_median_size(fit, tracks):
    time, size = line(plot_growth(fit, tracks), "median, linear").get_data()
    np.testing.assert_allclose(size, fit.first_median + fit.rate_median * time)


def test_the_band_holds_5_to_95_percent_of_the_rates(fit, tracks):
    ax = plot_growth(fit, tracks)
    (band,) = [
        part
        for part in ax.collections
        if isinstance(part, PolyCollection) and "of the rates" in part.get_label()
    ]
    corners = band.get_paths()[0].vertices
    at_end = corners[np.isclose(corners[:, 0], 2000.0), 1]
    expected = fit.first_median + 2000.0 * fit.rate_quantile([0.05, 0.95])
    np.testing.assert_allclose([at_end.min(), at_end.max()], expected)


def test_bars_are_what_one_measurement_may_be_off_by(fit, tracks):
    ax = plot_growth(fit, tracks)
    (bars,) = ax.containers
    segments = np.array(bars.lines[2][0].get_segments())
    size = tracks.loc[tracks["track"] < 99, "diameter_mm"].to_numpy()
    np.testing.assert_allclose(segments[:, 1, 1] / size, np.exp(1.96 * fit.size_log_sd), rtol=1e-9)
    np.testing.assert_allclose(segments[:, 0, 1] / size, np.exp(-1.96 * fit.size_log_sd), rtol=1e-9)


def test_axes_have_words_and_the_unit_of_the_fit_and_style_is_left_alone(fit, tracks):
    before = dict(plt.rcParams)
    _, given = plt.subplots()
    ax = plot_growth(fit, tracks, given)
    assert ax is given
    assert ax.get_xlabel() == "Time since the first mapping [flight hours]"
    assert ax.get_ylabel() == "Equivalent diameter [mm]"
    assert dict(plt.rcParams) == before


def test_forms_side_by_side_are_told_apart_without_colour_and_carry_their_criterion(tracks):
    compared = compare_growth(tracks, clock="flight_hours", may_stand_still=False)
    ax = plot_growth(compared, tracks)
    drawn = [one for one in ax.get_lines() if str(one.get_label()).startswith("median")]
    assert len({one.get_linestyle() for one in drawn}) == len(drawn) == 3
    table = compared.to_frame()
    assert f"median, pressure (AIC +{table.loc['pressure', 'aic_above_least']:.1f})" in labels(ax)


def test_many_damages_are_thinned_and_the_legend_says_so(fit, tracks):
    ax = plot_growth(fit, tracks, most=5)
    assert "5 of 20 damages" in labels(ax)


def test_nothing_to_draw_is_refused(fit, tracks):
    with pytest.raises(ValueError, match="`tracks` must hold damage mapped at two ages"):
        plot_growth(fit, tracks.drop_duplicates("track"))
    with pytest.raises(ValueError, match="`tracks` must have a column age"):
        plot_growth(fit, tracks.drop(columns="age"))
