"""Figures of programmes show what the results hold."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kit.figures import (
    plot_back_test,
    plot_change,
    plot_cost,
    plot_extension,
    plot_forecast,
    plot_panels,
    plot_tornado,
)
from kit.programmes import PARTS

GROUP = SimpleNamespace(
    ask=SimpleNamespace(group="outer_door", clock="flight_hours", name="small"),
    living=SimpleNamespace(cut_off=pd.Timestamp("2025-12-31")),
    problem=SimpleNamespace(unit="flight hours"),
)


def test_the_panel_to_tap_first_stands_on_top_and_an_unknown_age_is_said():
    frame = pd.DataFrame(
        {
            "panel": ["P1", "P2"],
            "aircraft": ["A1", "A2"],
            "zone": ["Z", "Z"],
            "is_age_known": [True, False],
            "beyond": [0.3, 0.2],
            "beyond_lower": [0.1, 0.1],
            "beyond_upper": [0.5, 0.4],
            "removed": [0.2, 0.1],
        }
    )
    ax = plot_panels(SimpleNamespace(frame=frame, group=GROUP))
    assert [label.get_text() for label in ax.get_yticklabels()] == ["P2 (A2 Z, age unknown)", "P1 (A1 Z)"]
    assert [bar.get_width() for bar in ax.patches] == [0.2, 0.3, 0.1, 0.2]


def test_a_change_is_drawn_with_the_bounds_of_its_difference():
    frame = pd.DataFrame(
        {
            "year": ["1", "2", "all"],
            "exposure_present": [100.0, 120.0, 220.0],
            "exposure_proposed": [150.0, 160.0, 310.0],
            "exposure_difference": [50.0, 40.0, 90.0],
            "exposure_lower": [-20.0, -10.0, 10.0],
            "exposure_upper": [90.0, 80.0, 150.0],
        }
    )
    change = SimpleNamespace(
        frame=frame,
        group=GROUP,
        costs=None,
        present=SimpleNamespace(name="in force"),
        proposed=SimpleNamespace(name="longer"),
    )
    ax = plot_change(change)
    assert [bar.get_height() for bar in ax.patches] == [100.0, 120.0, 150.0, 160.0]
    np.testing.assert_allclose(
        [line[:, 1] for line in ax.collections[0].get_segments()], [[80, 190], [110, 200]]
    )
    assert ax.get_ylabel() == "Panel flight hours beyond the limit [a year]"
    with pytest.raises(ValueError, match="`quantity` must be one of exposure"):
        plot_change(change, quantity="luck")


def test_a_forecast_is_drawn_with_its_limits():
    frame = pd.DataFrame(
        {
            "quarter": ["1", "all"],
            "ends": pd.to_datetime(["2026-03-31", "2026-03-31"]),
            "finds": [2.5, 2.5],
            "finds_lower": [0.0, 0.0],
            "finds_upper": [5.0, 5.0],
        }
    )
    ax = plot_forecast(SimpleNamespace(frame=frame, group=GROUP, level=0.9))
    np.testing.assert_allclose(ax.collections[0].get_segments()[0][:, 1], [0, 5])
    assert ax.get_xticklabels()[0].get_text() == "to Mar 2026"


def test_a_year_outside_its_limits_has_a_mark_of_its_own():
    frame = pd.DataFrame(
        {
            "known_on": pd.to_datetime(["2022-12-31", "2023-12-31"]),
            "finds": [3.0, 4.0],
            "finds_lower": [1.0, 2.0],
            "finds_upper": [5.0, 7.0],
            "came": [2, 9],
            "inside": [True, False],
        }
    )
    ax = plot_back_test(SimpleNamespace(frame=frame, group_name="outer_door", level=0.9))
    words = [text.get_text() for text in ax.get_legend().get_texts()]
    assert "came, outside the limits" in words
    np.testing.assert_allclose(ax.collections[-1].get_offsets(), [[2024, 9]])


def test_the_value_that_moves_the_interval_most_stands_on_top():
    frame = pd.DataFrame(
        {
            "name": ["limit", "POD: a50"],
            "low": [36.0, 17.0],
            "high": [44.0, 23.0],
            "interval_low": [4000.0, np.nan],
            "interval_high": [7000.0, 5000.0],
        }
    )
    ax = plot_tornado(SimpleNamespace(frame=frame, base=5500.0, ask=GROUP.ask))
    assert [label.get_text() for label in ax.get_yticklabels()] == ["POD: a50 (17 to 23)", "limit (36 to 44)"]
    assert [bar.get_width() for bar in ax.patches] == [0.0, -1500.0, -500.0, 1500.0]


def test_costs_are_stacked_and_the_flat_range_marked():
    frame = pd.DataFrame(
        {
            "repeat": [1000.0, 2000.0],
            "total": [4.0, 8.0],
            "total_lower": [3.0, 7.0],
            "total_upper": [5.0, 9.0],
        }
    )
    for name in PARTS:
        frame[name] = [1.0, 2.0]
    ax = plot_cost(
        SimpleNamespace(
            frame=frame,
            least=1000.0,
            flat=(1000.0, 1500.0),
            group=GROUP,
            costs=SimpleNamespace(currency="crowns"),
        )
    )
    assert ax.get_ylabel() == "Cost per panel flight hour [crowns]"
    assert {*PARTS} <= {text.get_text() for text in ax.get_legend().get_texts()}


def test_evidence_for_an_extension_begins_with_what_there_is_today():
    frame = pd.DataFrame({"looks": [10.0, 20.0], "share": [0.7, 0.9], "chance_clean": [0.5, 0.2]})
    ax = plot_extension(
        SimpleNamespace(frame=frame, share_now=0.5, share_needed=0.95, repeat=8000.0, group=GROUP)
    )
    np.testing.assert_allclose(ax.lines[0].get_xydata(), [[0, 0.5], [10, 0.7], [20, 0.9]])
    np.testing.assert_allclose(ax.lines[1].get_xydata()[0], [0, 1])
