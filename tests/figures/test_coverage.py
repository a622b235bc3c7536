import numpy as np
import pandas as pd
import pytest

from kit.figures import plot_coverage


@pytest.fixture
def table():
    """P1 was looked at in 2010 (recorded) and 2012 (both ways); P2 came in 2011 and was looked at by a card in 2012."""
    rows = [
        ("P1", 2010, 1, 0),
        ("P1", 2011, 0, 0),
        ("P1", 2012, 1, 2),
        ("P2", 2011, 0, 0),
        ("P2", 2012, 0, 1),
    ]
    frame = pd.DataFrame(rows, columns=["panel", "year", "recorded", "implied"])
    frame["period"] = pd.to_datetime(frame["year"].astype(str) + "-01-01")
    frame["label"] = frame["panel"]
    frame["without_look"] = frame["recorded"] + frame["implied"] == 0
    return frame.drop(columns="year")


def marks(ax, label):
    (line,) = [line for line in ax.lines if line.get_label() == label]
    return sorted(map(tuple, np.asarray(line.get_xydata()).tolist()))


def test_recorded_and_implied_looks_stand_at_their_panel_and_period(table):
    ax = plot_coverage(table)
    assert marks(ax, "recorded") == [(0, 0), (2, 0)]
    assert marks(ax, "implied") == [(2, 0), (2, 1)]
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["P1", "P2"]
    assert [tick.get_text() for tick in ax.get_xticklabels()] == ["2010", "2011", "2012"]


def test_they_are_told_apart_without_colour(table):
    lines = {line.get_label(): line for line in plot_coverage(table).lines}
    assert lines["implied"].get_markerfacecolor() == "none"
    assert lines["recorded"].get_markerfacecolor() != "none"
    assert lines["implied"].get_markersize() > lines["recorded"].get_markersize()


def test_periods_fitted_without_a_look_are_hatched_and_the_others_are_not(table):
    ax = plot_coverage(table)
    cells = [patch for patch in ax.patches if patch.get_hatch()]
    centres = [(cell.get_x() + cell.get_width() / 2, cell.get_y() + cell.get_height() / 2) for cell in cells]
    np.testing.assert_allclose(sorted(centres), [(1, 0), (1, 1)])
    assert ax.get_title() == "without a look in 40 % of the periods fitted"
    assert "fitted, no look" in [text.get_text() for text in ax.get_legend().get_texts()]


def test_the_axes_name_what_they_show(table):
    ax = plot_coverage(table)
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("Period [year]", "Panel [serial]")
    table["period"] += pd.DateOffset(months=3)
    positions = table.drop(columns="panel")
    ax = plot_coverage(positions)
    assert ax.get_ylabel() == "Position [aircraft and zone]"
    assert ax.get_xlabel() == "Period [year and month of its start]"
    assert ax.get_xticklabels()[0].get_text() == "2010-04"


def test_of_many_rows_only_some_are_named_and_all_are_drawn(table):
    rows = table[table["panel"] == "P1"]
    many = pd.concat([rows.assign(label=f"P{k:03d}") for k in range(90)], ignore_index=True)
    ax = plot_coverage(many)
    assert len(ax.get_yticklabels()) == 30
    assert len(marks(ax, "recorded")) == 180


def test_an_empty_table_is_refused(table):
    with pytest.raises(
        ValueError, match=r"`table` must have rows. Got none: nothing was fitted at these zones"
    ):
        plot_coverage(table.iloc[:0])
