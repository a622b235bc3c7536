"""A share, like a chance, lies between 0 and 1: so does every axis that draws one."""

import inspect

import numpy as np
import pandas as pd
import pytest

import kit.figures
from kit.detection import DetectionCurve, fit_hit_miss
from kit.figures import (
    plot_answer,
    plot_modes,
    plot_pod,
    plot_probability,
    plot_reporting_delay,
    plot_share_damaged,
)
from kit.findings import delay_distribution
from kit.life import Histories, fit_weibull

SHARES = {"plot_modes", "plot_pod", "plot_probability", "plot_reporting_delay", "plot_share_damaged"}
"""Figures with an axis of shares; `plot_answer` holds one of them."""


def share_axes(figure):
    """Return the axes of a figure whose words say share or chance."""
    every = [axis for ax in figure.axes for axis in (ax.xaxis, ax.yaxis)]
    return [axis for axis in every if any(w in axis.get_label_text().lower() for w in ("share", "chance"))]


def assert_ends_at_one(figure):
    figure.canvas.draw()
    found = share_axes(figure)
    assert found
    for axis in found:
        low, high = axis.get_view_interval()
        assert 0 <= low < high <= 1


@pytest.fixture
def nearly_all():
    """Forty panels of which all but one are found damaged by the third look."""
    rows = [
        {"life": f"P{i}", "age": 1000.0 * look, "found": i > 0 and look == 1 + i % 3}
        for i in range(40)
        for look in range(1, 4 if i == 0 else 2 + i % 3)
    ]
    return Histories.from_looks(pd.DataFrame(rows), clock="flight_hours", kind="core_damage")


def test_a_life_that_reaches_all_panels_is_drawn_to_1(nearly_all):
    fit = fit_weibull(nearly_all)
    assert 1 - fit.survival(fit.oldest_age) > 0.8
    ax = plot_share_damaged(fit, nearly_all)
    assert_ends_at_one(ax.figure)
    assert ax.get_ylim()[1] == 1


def test_a_life_with_few_finds_is_drawn_as_large_as_it_is(fit, histories):
    ax = plot_share_damaged(fit, histories)
    assert_ends_at_one(ax.figure)


def test_kinds_of_damage_and_the_page_of_an_answer(mode, make_answer):
    assert_ends_at_one(plot_modes((mode,), "flight_hours", 50000.0).figure)
    assert_ends_at_one(plot_answer(make_answer()))


def test_the_ticks_of_a_probability_plot_are_shares_below_1(fit, histories):
    """Its scale is that of the Weibull chance, on which 1 is at no finite height."""
    ax = plot_probability(fit, histories)
    ax.figure.canvas.draw()
    ticks = [float(tick.get_text()) for tick in ax.get_yticklabels()]
    assert ticks
    assert 0 < min(ticks) <= max(ticks) < 1


def test_a_chance_of_detection_with_its_hits_and_misses():
    rng = np.random.default_rng(1)
    size = rng.uniform(5, 60, 80)
    hit = rng.random(80) < DetectionCurve(20.0, 4.0).pod(size)
    ax = plot_pod(fit_hit_miss(size, hit))
    assert_ends_at_one(ax.figure)
    single = [line for line in ax.get_lines() if line.get_marker() in ("|", "x")]
    assert len(single) == 2
    assert all(line.get_ydata().min() >= 0 and line.get_ydata().max() <= 1 for line in single)


def test_a_reporting_delay():
    assert_ends_at_one(plot_reporting_delay(delay_distribution([1, 3, 9, 40], [500] * 4)).figure)


def test_every_figure_whose_words_say_share_is_looked_at_here():
    """A new figure of a share joins the list above."""
    plots = {name for name, plot in inspect.getmembers(kit.figures, callable) if name.startswith("plot_")}
    words = ("share with", "share recorded", "chance to be found")
    drawing = {
        name
        for name in plots
        if any(w in inspect.getsource(getattr(kit.figures, name)).lower() for w in words)
    }
    assert drawing == SHARES
