import numpy as np
import pandas as pd
import pytest

from kit.figures import plot_zone_rates


@pytest.fixture
def ranking():
    frame = pd.DataFrame(
        {
            "group": ["outer_door", "fin", "outer_door", "fin"],
            "kind": ["all", "all", "moisture", "moisture"],
            "finds": [5, 20, 0, 3],
        }
    )
    for name, value in (("per_1000_fh", [0.5, 0.2, 0.0, 0.1]), ("per_look", [0.1, 0.3, 0.0, 0.2])):
        frame[name] = value
        frame[f"{name}_lower"] = frame[name] * 0.5
        frame[f"{name}_upper"] = frame[name] * 2 + 0.05
    return frame


def points(ax):
    return ax.containers[0].lines[0].get_xdata()


def test_rates_stand_highest_on_top_with_their_raw_counts(ranking):
    ax = plot_zone_rates(ranking)
    np.testing.assert_allclose(points(ax), [0.2, 0.5])
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["fin (20)", "outer door (5)"]


def test_each_rate_is_sorted_by_itself_and_names_its_exposure(ranking):
    ax = plot_zone_rates(ranking, rate="per_look")
    np.testing.assert_allclose(points(ax), [0.1, 0.3])
    assert ax.get_xlabel() == "Finds [per look]"
    assert plot_zone_rates(ranking).get_xlabel() == "Finds [per 1,000 panel flight hours]"


def test_bars_reach_from_bound_to_bound(ranking):
    ax = plot_zone_rates(ranking)
    (bars,) = ax.containers[0].lines[2]
    ends = np.array([segment[:, 0] for segment in bars.get_segments()])
    np.testing.assert_allclose(ends, [[0.1, 0.45], [0.25, 1.05]])


def test_a_group_without_finds_is_drawn_at_zero_with_its_upper_bound(ranking):
    ax = plot_zone_rates(ranking, kind="moisture")
    assert points(ax)[0] == 0.0
    assert not ax.containers[0].lines[0].get_clip_on()  # the marker at 0 is whole
    assert ax.get_title() == "moisture: rate and exact bounds"
