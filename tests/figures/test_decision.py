import dataclasses
import itertools
from types import SimpleNamespace

import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from kit.cautions import CAUTIONS
from kit.decisions import Causes
from kit.figures import plot_answer, plot_causes, plot_rerun, plot_risk
from kit.intervals import RuleAnswer


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def line(ax, start):
    return next(one for one in ax.get_lines() if str(one.get_label()).startswith(start))


def test_risk_draws_the_curve_its_band_and_the_target(make_answer):
    """The line is the median of the draws, as no single case is the answer."""
    answer = make_answer()
    ax = plot_risk(answer)
    x, y = line(ax, "preventable").get_data()
    np.testing.assert_allclose(x, answer.curve["repeat"])
    np.testing.assert_allclose(y, answer.curve["preventable_worst"])
    corners = ax.collections[0].get_paths()[0].vertices
    assert corners[:, 1].max() == pytest.approx(answer.curve["preventable_worst_upper"].max())
    np.testing.assert_allclose(line(ax, "target 0.05").get_ydata(), 0.05)
    assert ax.get_xlabel() == "Repeat interval [flight hours]"
    assert ax.get_ylabel() == "Exceedances, at the worst age\n[per 10,000 panel flight hours]"


@pytest.mark.parametrize("measure", ["exceedances", "preventable", "exceedances_worst", "preventable_worst"])
def test_exceedances_are_drawn_in_all_and_by_what_an_interval_can_prevent(make_answer, measure):
    """Titled 'how many pass the limit', the picture once drew the preventable third of them alone."""
    answer = make_answer()
    ax = plot_risk(answer, measure)
    worst = measure[measure.index("_") :] if "_" in measure else ""
    for words, column in (
        ("in all", "exceedances"),
        ("preventable", "preventable"),
        ("no interval prevents", "not_preventable"),
    ):
        np.testing.assert_allclose(line(ax, words).get_ydata(), answer.curve[column + worst])
    assert len({line(ax, words).get_linestyle() for words in ("in all", "preventable", "no interval")}) == 3
    top = max(answer.curve["exceedances" + worst])
    assert ax.get_ylim()[1] > top


def test_what_lies_beyond_the_not_to_exceed_limit_is_hatched(make_answer):
    answer = make_answer()
    ax = plot_risk(answer)
    assert not [one for one in ax.patches if one.get_hatch()]
    cap = float(answer.curve["repeat"].median())
    rules = (*answer.rules, RuleAnswer("cap", cap, False, "of the programme"))
    ax = plot_risk(dataclasses.replace(answer, rules=rules))
    (area,) = [one for one in ax.patches if one.get_hatch()]
    assert area.get_x() == pytest.approx(cap)
    assert area.get_x() + area.get_width() == pytest.approx(ax.get_xlim()[1])
    assert f"beyond the not-to-exceed limit of {cap:,.0f}" in labels(ax)


def test_risk_marks_the_recommendation_and_the_interval_now_by_line_and_number(make_answer):
    ax = plot_risk(make_answer())
    assert line(ax, "programme now 2,000").get_xdata()[0] == 2000
    assert line(ax, "recommended 4,000").get_xdata()[0] == 4000
    assert line(ax, "programme").get_linestyle() != line(ax, "recommended").get_linestyle()


def test_risk_draws_one_line_where_the_recommendation_is_the_interval_now(make_answer):
    ax = plot_risk(make_answer(current=4000.0))
    assert "recommended = now 4,000" in labels(ax)
    assert not any("programme" in label for label in labels(ax))


def test_a_current_interval_beyond_the_curve_is_still_seen(make_answer):
    ax = plot_risk(make_answer(current=12000.0))
    assert ax.get_xlim()[1] > 12000


def test_the_band_of_a_single_interval_is_seen(make_answer):
    ax = plot_risk(make_answer(repeats=(4000,), current=None))
    (bar,) = ax.collections[0].get_segments()
    np.testing.assert_allclose(bar, [[4000, 0.064], [4000, 0.12]])


def test_without_an_answer_nothing_is_recommended(make_answer):
    ax = plot_risk(make_answer(repeat=None))
    assert not any("recommended" in label for label in labels(ax))


def test_exposure_names_what_is_born_beyond_or_far_as_the_difference(make_answer):
    answer = make_answer()
    ax = plot_risk(answer, "exposure")
    rest = line(ax, "begins beyond").get_ydata()
    np.testing.assert_allclose(rest, answer.curve["exposure"] - answer.curve["preventable_exposure"])
    assert not any("target" in label for label in labels(ax))  # the target is of another measure


def test_the_key_stands_below_the_axes_and_takes_no_room_from_the_data(make_answer):
    ax = plot_risk(make_answer())
    figure = ax.figure
    figure.canvas.draw()
    box = ax.get_legend().get_window_extent().transformed(ax.transAxes.inverted())
    assert box.y1 < 0
    drawn = max(line(ax, "in all").get_ydata().max(), 0.05)
    assert ax.get_ylim()[1] < 2.0 * drawn


def test_keys_of_a_page_hide_neither_each_other_nor_the_cautions(make_answer):
    figure = plot_answer(make_answer())
    figure.canvas.draw()
    boxes = [ax.get_legend().get_window_extent() for ax in figure.axes]
    assert all(a.x1 < b.x0 for a, b in itertools.pairwise(boxes))
    cautions = figure._supxlabel.get_window_extent()
    assert all(box.y0 > cautions.y1 for box in boxes)
    assert all(box.x1 <= figure.bbox.width and box.x0 >= 0 for box in boxes)


def test_tick_labels_do_not_touch(make_answer):
    figure = plot_answer(make_answer(repeats=(1000, 5000, 10000, 20000)))
    figure.canvas.draw()
    for ax in figure.axes:
        boxes = [t.get_window_extent() for t in ax.get_xticklabels() if t.get_text() and t.get_visible()]
        boxes = sorted((b for b in boxes if b.width), key=lambda b: b.x0)
        assert all(a.x1 < b.x0 for a, b in itertools.pairwise(boxes))


def test_answer_figure_says_interval_cautions_and_that_data_are_invented_within_its_edges(make_answer):
    figure = plot_answer(make_answer())
    assert isinstance(figure, Figure)
    assert not plt.get_fignums()  # belongs to no window
    title = figure.get_suptitle()
    assert "initial inspection at 3,000, then every 4,000 flight hours" in title
    assert "Invented data." in title
    below = " ".join(figure.get_supxlabel().split())
    assert all(f"- {caution}" in below for caution in CAUTIONS)  # the whole list, under the plots
    FigureCanvasAgg(figure).draw()
    assert figure._supxlabel.get_window_extent().y0 >= 0
    labels = [ax.xaxis.label.get_window_extent().y0 for ax in figure.axes]
    assert figure._supxlabel.get_window_extent().y1 < min(labels)
    for text in (figure._suptitle, figure._supxlabel):
        box = text.get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= figure.bbox.width


def test_a_long_title_is_wrapped_and_not_cut(make_answer):
    from dataclasses import replace

    answer = replace(
        make_answer(), repeat_in_packages="every 4th heavy check (" + "20,000 flight hours or " * 8 + ")"
    )
    figure = plot_answer(answer)
    figure.canvas.draw()
    box = figure._suptitle.get_window_extent()
    assert box.x0 >= 0
    assert box.x1 <= figure.bbox.width


def test_answer_figure_says_so_where_no_interval_meets_the_target(make_answer):
    assert "no repeat is recommended" in plot_answer(make_answer(repeat=None)).get_suptitle()


@pytest.fixture
def rerun_result(make_answer):
    def record(answer):
        return SimpleNamespace(
            question=answer.question,
            curve=answer.curve.to_dict("records"),
            recommendation=SimpleNamespace(repeat=answer.repeat),
        )

    question = make_answer().question.model_copy(update={"proposed_repeat": 8000.0})
    return SimpleNamespace(
        then=record(make_answer(question=question)),
        known_now=record(make_answer(repeats=(500, 1000), repeat=1000.0)),
        today=record(make_answer(repeat=None)),
    )


def test_rerun_draws_three_runs_told_apart_without_colour(rerun_result):
    ax = plot_rerun(rerun_result)
    then, known, today = (line(ax, words) for words in ("as decided", "known now", "known to date"))
    assert len({one.get_linestyle() for one in (then, known, today)}) == 3
    assert len({one.get_marker() for one in (then, known, today)}) == 3
    np.testing.assert_allclose(known.get_xdata(), [500, 1000])
    assert [text for text in labels(ax) if "every" in text] == [
        "as decided: every 4,000",
        "known now of that time: every 1,000",
    ]
    assert "known to date: no interval" in labels(ax)


def test_rerun_crosses_each_answer_on_its_line_and_marks_what_was_proposed(rerun_result):
    ax = plot_rerun(rerun_result)
    crosses = [one.get_xydata()[0] for one in ax.get_lines() if one.get_marker() == "x"]
    np.testing.assert_allclose(crosses, [[4000, 0.08], [1000, 0.02]])
    assert line(ax, "proposed then 8,000").get_xdata()[0] == 8000
    np.testing.assert_allclose(line(ax, "target 0.05").get_ydata(), 0.05)


def step(record, repeat, risk):
    rules = (SimpleNamespace(rule="risk", interval=risk),)
    recommendation = SimpleNamespace(threshold=1000.0, repeat=repeat)
    return SimpleNamespace(
        question=record.question,
        recommendation=recommendation,
        rules=rules,
        proposal=None,
        present=None,
        share_meeting=0.9,
    )


def test_causes_say_what_moved_and_are_drawn_with_the_repeat_on_each(rerun_result):
    """A repeat that vanishes is a move, and must not fall out of the list."""
    then = rerun_result.then
    causes = Causes(
        (
            ("the record", 0, step(then, 4000.0, 4300.0)),
            ("rows corrected", 3, step(then, 4000.0, 4300.2)),
            ("rows added late", 7, step(then, 2000.0, 2100.0)),
            ("events since", 90, step(then, None, 1500.0)),
        )
    )
    assert causes.words() == (
        "- rows added late (7 rows): repeat -2,000 to 2,000 flight hours; longest interval of the risk rule -2,200 to 2,100 flight hours\n"
        "- events since (90 rows): repeat 2,000 to none flight hours; longest interval of the risk rule -600 to 1,500 flight hours",
    )
    ax = plot_causes(causes)
    assert [bar.get_width() for bar in ax.patches] == [4300.0, 4300.2, 2100.0, 1500.0]
    np.testing.assert_allclose(ax.get_lines()[0].get_xdata(), [4000, 4000, 2000, np.nan])
    assert Causes(causes.steps[:2]).words() == (
        "No cause moved the repeat or the longest interval of the risk rule.",
    )


def test_line_colours_differ_in_grey_or_in_dash():
    from kit.figures.style import LINES

    seen = {(round(float(np.dot(to_rgb(colour), (0.3, 0.59, 0.11))), 1), dash) for colour, dash, _ in LINES}
    assert len(seen) == len(LINES)
