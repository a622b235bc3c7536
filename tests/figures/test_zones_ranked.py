"""Pictures of a ranking read what the results say, and tell things apart without colour."""

import numpy as np
import pandas as pd
import pytest

from kit.figures import (
    plot_funnel,
    plot_pareto,
    plot_plan_view,
    plot_rank_chances,
    plot_shrinkage,
    plot_time_line,
    plot_zone_counts,
)
from kit.life import mean_cumulative
from kit.ranking import KindRanking, RankDraws, funnel_limits, funnel_table


@pytest.fixture
def ranking():
    rate = np.random.default_rng(1).normal([3.0, 2.0, 1.0], 0.2, (500, 3))
    return KindRanking(
        kind="disbond",
        draws=None,
        ranks=RankDraws(names=("outer_door", "fin", "tip"), rate=rate),
        found=np.array([10.0, 30.0, 4.0]),
        expected=np.array([5.0, 20.0, 9.0]),
        false_calls=np.zeros(3),
        detected=np.array([0.4, 0.8, 0.8]),
        raw_rate=np.array([1.5, 2.1, 1.0]),
        assumptions=(),
    )


def test_an_arrow_leads_from_what_was_found_to_what_arises(ranking):
    ax = plot_shrinkage(ranking, truth=pd.Series({"outer_door": 3.1, "fin": 2.0, "tip": 1.0}))
    arrows = [text for text in ax.texts if text.arrow_patch is not None]
    table = ranking.to_frame().iloc[::-1]
    assert [arrow.xy[0] for arrow in arrows] == pytest.approx(table["rate"].tolist())
    assert [arrow.xyann[0] for arrow in arrows] == pytest.approx(table["raw_per_1000_fh"].tolist())
    assert ax.get_yticklabels()[-1].get_text() == "outer door (10; 2 to 1)"
    markers = {line.get_marker() for line in ax.lines if line.get_marker() not in ("None", "|")}
    assert {"o", "x"} <= markers


def test_the_funnel_has_the_limits_of_chance_and_names_who_lies_outside():
    ax = plot_funnel(funnel_table(["door", "fin"], [60, 21], [20.0, 20.0]))
    line = next(one for one in ax.lines if one.get_label() == "95 % limits of chance")
    x, y = line.get_data()
    assert y == pytest.approx(funnel_limits(x, level=0.95)[0])
    assert [text.get_text() for text in ax.texts] == ["door"]


def test_chances_of_ranks_stand_as_numbers_in_their_squares(ranking):
    ax = plot_rank_chances(ranking.ranks)
    table = ranking.ranks.probabilities()
    assert [tick.get_text() for tick in ax.get_yticklabels()] == ["outer door", "fin", "tip"]
    assert ax.texts[0].get_text() == f"{100 * table.loc['outer_door', 1]:.0f}"


def test_shares_run_up_to_the_whole():
    ax = plot_pareto(pd.Series({"a": 1, "b": 6, "c": 3}))
    assert [bar.get_height() for bar in ax.patches] == [6, 3, 1]
    share = ax.figure.axes[-1].lines[0].get_ydata()
    assert list(share) == pytest.approx([60, 90, 100])


def test_the_plan_is_darker_and_hatched_denser_where_zones_are_worse():
    square = "POLYGON (({0} 0, {1} 0, {1} 1, {0} 1, {0} 0))"
    rows = [(str(i), "g", square.format(i, i + 1)) for i in range(5)] + [("", "", square.format(-1, 9))]
    outlines = pd.DataFrame(rows, columns=["zone", "group", "outline"])
    ax = plot_plan_view(outlines, pd.Series([5.0, 4.0, 3.0, 2.0, 1.0], index=list("01234")))
    zones = ax.patches[:5]
    assert len({patch.get_hatch() for patch in zones}) == 5
    grey = [patch.get_facecolor()[0] for patch in zones]
    assert grey == sorted(grey)
    assert [text.get_text() for text in ax.texts] == list("12345")


def test_counts_of_zones_are_steps_with_their_names():
    watch = pd.DataFrame({"unit": ["A", "A", "A"], "age": [5.0, 8.0, 12.0], "event": [1, 1, 0]})
    ax = plot_zone_counts({"nose_cone": mean_cumulative(watch)})
    assert ax.lines[0].get_ydata().tolist() == [1.0, 2.0]
    assert [text.get_text() for text in ax.texts] == ["nose cone"]


def test_a_time_line_stacks_looks_and_finds_by_purpose_and_method_and_marks_what_changed():
    """Purposes are told by hatch and methods by shade, so that it reads in black and white."""
    rows = [
        (2019, "tap_manual", "routine", 10, 2), (2020, "tap_manual", "routine", 6, 1), (2020, "tap_instrumented", "routine", 5, 3),
        (2021, "tap_instrumented", "campaign", 8, 4),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["year", "method", "purpose", "looks", "finds"])
    looks, finds = plot_time_line(table, marks={2020: "instrument"})
    for ax, name in ((looks, "looks"), (finds, "finds")):
        tops = {2019: 0.0, 2020: 0.0, 2021: 0.0}
        for bar in ax.patches:
            year = round(bar.get_x() + bar.get_width() / 2)
            tops[year] = max(tops[year], bar.get_y() + bar.get_height())
        assert tops == table.groupby("year")[name].sum().to_dict()
    style = {one.get_label(): (one[0].get_facecolor(), one[0].get_hatch()) for one in looks.containers}
    routine, other, campaign = (
        style[name]
        for name in ("tap manual, routine", "tap instrumented, routine", "tap instrumented, campaign")
    )
    assert routine[1] == other[1] != campaign[1]
    assert other[0] == campaign[0] != routine[0]
    assert [text.get_text() for text in looks.texts] == ["instrument"]
