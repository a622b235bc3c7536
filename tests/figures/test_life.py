import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from kit.figures import plot_modes, plot_probability, plot_share_damaged
from kit.life import (
    Histories,
    chance_found_by_look,
    expected_positions,
    fit_turnbull,
    fit_weibull,
    plotting_positions,
)


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def line(ax, label):
    return next(one for one in ax.get_lines() if one.get_label() == label)


def test_share_damaged_draws_the_fit_over_the_estimate_without_a_model(fit, histories):
    """Ten panels, number i found between i - 1 and i thousand hours: the estimate rises by a tenth in each."""
    ax = plot_share_damaged(fit, histories)
    age, share = line(ax, "Weibull, core damage (7 finds)").get_data()
    np.testing.assert_allclose(share, 1 - fit.survival(age))
    boxes = next(part for part in ax.collections if part.get_label() == "without a model")
    corners = boxes.get_paths()[0].vertices
    for i in range(1, 8):
        inside = corners[np.isclose(corners[:, 0], 1000.0 * (i - 1)) | np.isclose(corners[:, 0], 1000.0 * i)]
        assert inside[:, 1].max() >= i / 10 - 1e-9
        assert np.isclose(inside[:, 1], (i - 1) / 10).any()


def test_share_damaged_draws_the_band_of_the_estimate_without_a_model(fit, histories):
    ages = np.array([1500.0, 4500.0])
    low, high = fit_turnbull(histories).band(ages, n=50, seed=1)
    drawn = line(plot_share_damaged(fit, histories, band=(ages, low, high)), "its 95 % band")
    np.testing.assert_allclose(drawn.get_ydata(), 1 - low)


def test_share_damaged_axes_have_words_and_the_unit_of_the_fit(fit, histories):
    ax = plot_share_damaged(fit, histories)
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("Panel age [flight hours]", "Share with damage [-]")
    assert max(ax.get_yticks()) <= 1.0


def test_share_damaged_keeps_to_the_axes_given_and_leaves_style_alone(fit, histories):
    before = dict(plt.rcParams)
    _, ax = plt.subplots()
    assert plot_share_damaged(fit, histories, ax, color="black") is ax
    assert line(ax, "Weibull, core damage (7 finds)").get_color() == "black"
    assert dict(plt.rcParams) == before


def looks_that_miss(pod, n=3000, seed=3):
    """Lives of Weibull scale 10,000 and shape 2, looked at every 1,000 to 3,000 hours by looks that miss some damage."""
    rng = np.random.default_rng(seed)
    onset, gap = 10000 * rng.weibull(2.0, n), rng.uniform(1000, 3000, n)
    ages = gap[:, None] * np.arange(1, 9)
    found = (ages >= onset[:, None]) & (rng.random(ages.shape) < pod)
    last = np.where(found.any(axis=1), found.argmax(axis=1), 7)
    rows = [(i, ages[i, k], found[i, k]) for i in range(n) for k in range(last[i] + 1)]
    return Histories.from_looks(pd.DataFrame(rows, columns=["life", "age", "found"]), clock="flight_hours")


@pytest.mark.parametrize("pod", [1.0, 0.5])
def test_what_looks_are_expected_to_find_runs_through_the_finds(pod):
    """Finds lie far below the share with damage, and about what the fit expects these looks to find."""
    seen = looks_that_miss(pod)
    points = plotting_positions(seen)
    expected = expected_positions(seen, pod, scale=10000.0, shape=2.0)
    there = np.interp(points["upper"], expected["age"], expected["share"])
    middle = points["upper"].between(4000, 14000)
    off = (points["share"] - there)[middle].abs().max()
    from_damage = ((-np.expm1(-((points["upper"] / 10000) ** 2))) - points["share"])[middle].max()
    assert off < 0.03  # 3,000 lives: a standard error of at most 0.009
    assert from_damage > 4 * off


def test_looks_expected_to_find_add_up_to_the_finds_in_the_mean():
    """The compensator of the first find: finds less the chances of the looks that were made have mean zero."""
    looks = [
        chance_found_by_look(looks_that_miss(0.6, n=300, seed=s), 0.6, scale=10000.0, shape=2.0)[
            "chance"
        ].sum()
        - looks_that_miss(0.6, n=300, seed=s).n_finds
        for s in range(12)
    ]
    assert abs(np.mean(looks)) < 3 * np.std(looks, ddof=1) / np.sqrt(len(looks))


def test_the_expected_finds_are_drawn_thin_where_looks_miss_and_by_kind(histories, mode):
    missed = fit_weibull(histories, detection=0.7)
    ax = plot_share_damaged(missed, histories)
    drawn = line(ax, "found, as the fit expects with these looks")
    expected = expected_positions(histories, 0.7, scale=missed.scale, shape=missed.shape)
    np.testing.assert_allclose(drawn.get_ydata(), expected["share"])
    assert drawn.get_linewidth() < 1
    assert "found, as the fit expects with these looks" not in labels(
        plot_share_damaged(fit_weibull(histories), histories)
    )
    assert "thin: found, as the fit expects with these looks" in labels(
        plot_modes((mode,), "flight_hours", 9000.0)
    )


@pytest.mark.parametrize("plot", [plot_share_damaged, plot_probability])
def test_the_naive_way_is_dotted_and_named(plot, fit, histories):
    naive = fit_weibull(lower=[1000.0, 3000.0, 6000.0], upper=[1000.0, 3000.0, 6000.0])
    drawn = line(plot(fit, histories, naive=naive), "the naive way")
    assert drawn.get_linestyle() == ":"
    age, height = drawn.get_data()
    expected = 1 - naive.survival(age)
    np.testing.assert_allclose(height if plot is plot_share_damaged else -np.expm1(-np.exp(height)), expected)


def test_probability_plot_makes_the_weibull_a_straight_line_through_its_shares(fit, histories):
    ax = plot_probability(fit, histories)
    age, height = line(ax, "Weibull, core damage (7 finds)").get_data()
    np.testing.assert_allclose(np.diff(height) / np.diff(np.log(age)), fit.shape)
    np.testing.assert_allclose(-np.expm1(-np.exp(height)), 1 - fit.survival(age), rtol=1e-9)
    assert ax.get_xscale() == "log"
    heights = dict(zip([t.get_text() for t in ax.get_yticklabels()], ax.get_yticks(), strict=True))
    assert heights["0.1"] == pytest.approx(np.log(-np.log(0.9)))


def test_modes_are_told_apart_without_colour(mode):
    ax = plot_modes((mode, mode, mode, mode, mode), "flight_hours", 9000.0)
    lines = [one for one in ax.get_lines() if "lives" in str(one.get_label())]
    assert len(lines) == 5  # more kinds than line styles: none is dropped
    assert len({one.get_linestyle() for one in lines[:4]}) == 4


def test_modes_name_finds_and_lives_and_stand_on_the_clock_of_the_schedule(mode):
    from dataclasses import replace

    ax = plot_modes((replace(mode, units_per_schedule_unit=0.5),), "flight_hours", 9000.0)
    assert labels(ax)[0] == "core damage (7 finds in 10 lives)"
    age, share = ax.get_lines()[0].get_data()
    np.testing.assert_allclose(share, 1 - mode.fit.survival(age * 0.5))
    assert ax.get_lines()[1].get_xdata()[0] == pytest.approx(1000.0 / 0.5)
    assert ax.get_xlabel() == "Panel age [flight hours]"


def test_bounds_of_modes_hold_the_middle_95_percent_of_the_drawn_lives_on_the_clock_of_the_schedule(mode):
    from dataclasses import replace

    ax = plot_modes((replace(mode, units_per_schedule_unit=0.5),), "flight_hours", 9000.0)
    age = ax.get_lines()[0].get_xdata()
    corners = ax.collections[0].get_paths()[0].vertices
    for one in (age[50], age[-1]):
        shares = [
            1 - np.exp(-((one * 0.5 / scale) ** shape))
            for scale, shape in zip(mode.draws.scale[1:], mode.draws.shape[1:], strict=True)
        ]
        drawn = corners[np.isclose(corners[:, 0], one), 1]
        assert (drawn.min(), drawn.max()) == pytest.approx(tuple(np.quantile(shares, [0.025, 0.975])))


def test_a_mode_without_a_fit_has_the_line_and_bounds_of_its_draws(mode):
    """Where no maximum of the likelihood exists the prior of the shape still gives draws, so that bounds stay."""
    from dataclasses import replace

    ax = plot_modes((replace(mode, fit=None),), "flight_hours", 9000.0)
    assert len(ax.collections) == 1
    age, share = ax.get_lines()[0].get_data()
    np.testing.assert_allclose(share, 1 - np.exp(-((age / mode.scale) ** mode.shape)))
