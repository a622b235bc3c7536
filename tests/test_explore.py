import html
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kit.detection import DetectionCurve
from kit.explore import (
    compare_with_play,
    interval_explorer,
    readable,
    risk_html,
    risk_picture,
    risk_text,
    rows_of_group,
    scheduled_plays,
    what_happened,
)
from kit.growth import LinearGrowth
from kit.intervals import Question, WeibullLife, cycle_kernel
from kit.intervals.answer import Answer, ModeAnswer, RuleAnswer
from kit.simulate.schedule import simulate_schedule

MEASURES = ("exceedances", "preventable", "not_preventable", "exposure", "preventable_exposure")
HORIZON, FIRST, REPEAT, LIMIT = 20000.0, 4000.0, 4000.0, 40.0
PER_UNIT = 2.0  # flight cycles per flight hour
GROWTH = LinearGrowth(20.0, 0.4, 0.002, 0.5, clock="flight_cycles")
CURVE = DetectionCurve(20.0, 4.0, 0.95, 0.1, 0.05)


def make_question(title="How often?", **more):
    return Question.model_validate(
        {
            "name": "small",
            "title": title,
            "group": "outer_door",
            "horizon": HORIZON,
            "modes": [{"kind": "disbond", "clock": "flight_cycles", "far_side_share": 0.1}],
            "detection": {
                "method": "tap_manual",
                "a50_mm": 20,
                "slope": 4,
                "plateau": 0.95,
                "far_side_plateau": 0.05,
                "basis": "assumed",
            },
            "target": {"per_10000_flight_hours": 0.05},
            "threshold": {"allowed_share": 0.1},
            "seed": 1,
        }
        | more
    )


def make_answer(
    *, question=None, repeats=(1000.0, 2000.1, 2000.4, 4000.0, 8000.0), repeat=REPEAT, rules=(), risk=None
):
    curve = pd.DataFrame({"repeat": repeats})
    curve["share_meeting"] = [0.95 if x <= 4000 else 0.9 for x in repeats]
    for name in MEASURES:
        slope = 0.02 if "exposure" in name else 1e-5
        for ending, factor in (("", 1.0), ("_lower", 0.5), ("_upper", 2.0)):
            curve[name + ending] = slope * factor * curve["repeat"]
    mode = ModeAnswer(
        "disbond", "flight_cycles", None, None, 60000.0, 2.0, (0, 0), (0, 0), "", None, None, GROWTH, PER_UNIT
    )
    return Answer(
        question or make_question(),
        {"name": "Small", "notice": "Invented data. For tests.", "known_on": "2020-01-01"},
        (mode,),
        LIMIT,
        None if repeat is None else FIRST,
        repeat,
        "words",
        "words",
        "risk",
        rules,
        curve,
        risk or dict.fromkeys(MEASURES, (1.0, 0.5, 2.0)),
        2000.0,
        None,
        {"flight_hours": 7.0, "flight_cycles": 14.0, "calendar_days": 1.0},
    )


def test_text_gives_risk_band_exposure_and_whether_the_target_is_met():
    lines = risk_text(make_answer(), 4000).splitlines()
    assert lines == [
        "Repeat interval: 4,000 flight hours",
        "Preventable exceedances: 0.0400 (5 % to 95 % of draws: 0.0200 to 0.0800) per 10,000 panel flight hours",
        "Hours beyond the limit, unfound: 80.0 (5 % to 95 % of draws: 40.0 to 160.0) per 10,000 panel flight hours",
        "Target, preventable exceedances at most 0.05 per 10,000 panel flight hours: met; 95.0% of draws meet it, "
        "95.0% must (best estimate 0.04)",
        "Advisory only: the approved maintenance data, the caps and the airworthiness authority govern.",
    ]


def test_text_says_not_met_by_the_share_of_draws_and_not_by_the_best_estimate():
    answer = make_answer(question=make_question(target={"per_10000_flight_hours": 1.0}))
    assert "NOT met; 90.0% of draws meet it" in risk_text(answer, 8000)


def test_text_says_that_an_interval_is_longer_than_the_cap():
    answer = make_answer(rules=(RuleAnswer("cap", 5000.0, False, "never"),))
    assert "Longer than the cap of 5,000 flight hours: never allowed" in risk_text(answer, 8000)
    assert "cap of" not in risk_text(answer, 4000)


def test_nothing_is_read_between_examined_intervals():
    with pytest.raises(ValueError, match=r"one of the 5 intervals .* Got 3000\. The nearest are .*4,000"):
        risk_text(make_answer(), 3000)
    with pytest.raises(ValueError, match=r"Got 3000\."):
        risk_picture(make_answer(), [3000])


def test_picture_rings_each_interval_at_its_risk_and_its_exposure():
    figure = risk_picture(make_answer(), [1000, 8000])
    for ax, slope in zip(figure.axes, (1e-5, 0.02), strict=True):
        rings = [one.get_xydata()[0] for one in ax.get_lines() if one.get_markerfacecolor() == "none"]
        np.testing.assert_allclose(rings, [[1000, slope * 1000], [8000, slope * 8000]])
        assert [text.get_text() for text in ax.texts] == ["1,000", "8,000"]


def test_picture_shows_the_measure_that_the_target_bounds():
    answer = make_answer(
        question=make_question(target={"measure": "exceedances", "per_10000_flight_hours": 1.0})
    )
    assert risk_picture(answer, [1000]).axes[0].get_ylabel().startswith("Exceedances")


def test_explorer_html_is_escaped_and_has_words_for_the_picture():
    text = risk_html(make_answer(rules=(RuleAnswer("cap", 5000.0, False, ""),)), 8000)
    assert 'alt="Risk and exposure against the repeat interval, with 8,000 marked"' in text
    words = html.unescape(re.sub(r"<[^>]*>", "\n", text))
    for line in risk_text(make_answer(rules=(RuleAnswer("cap", 5000.0, False, ""),)), 8000).splitlines():
        assert line in words


def test_explorer_escapes_what_comes_from_files():
    answer = make_answer(question=make_question(title="<img src=x onerror=alert(1)> & more"))
    title = interval_explorer(answer).children[0].value
    assert "<img" not in title
    assert "&lt;img src=x onerror=alert(1)&gt; &amp; more" in title


def test_explorer_opens_at_the_recommendation_and_moves_text_and_picture():
    answer = make_answer()
    _, slider, view = interval_explorer(answer).children
    assert slider.value == 4000.0
    assert "Repeat interval: 4,000 flight hours" in view.value
    before = view.value
    slider.index = 4
    assert "Repeat interval: 8,000 flight hours" in view.value
    assert re.search(r'src="([^"]*)"', view.value)[1] != re.search(r'src="([^"]*)"', before)[1]


def test_explorer_opens_at_the_first_interval_where_nothing_is_recommended():
    assert interval_explorer(make_answer(repeat=None)).children[1].value == 1000.0


def test_slider_has_words_waits_until_let_go_and_tells_close_intervals_apart():
    slider = interval_explorer(make_answer()).children[1]
    assert slider.description == "Repeat interval [flight hours]"
    assert slider.continuous_update is False
    labels = [label for label, _ in slider.options]
    assert labels == ["1,000.0", "2,000.1", "2,000.4", "4,000.0", "8,000.0"]
    assert [value for _, value in slider.options] == [1000.0, 2000.1, 2000.4, 4000.0, 8000.0]


def test_importing_the_module_does_not_load_widgets():
    import subprocess
    import sys

    code = "import sys, kit.explore; print('ipywidgets' in sys.modules)"
    assert (
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.strip()
        == "False"
    )


def test_plays_are_put_on_the_clock_of_the_question():
    (given,) = scheduled_plays(make_answer())
    assert given["life_scale"] == 30000.0
    assert given["growth"].rate_median == pytest.approx(0.004)
    assert given["detection"].far_side_share == 0.1
    assert (given["first"], given["repeat"], given["horizon"], given["limit"]) == (
        FIRST,
        REPEAT,
        HORIZON,
        LIMIT,
    )


@pytest.mark.parametrize(
    ("horizon", "ends"),
    [(20000.0, [20000]), (18000.0, [16000, 20000]), (4001.0, [4000, 8000]), (3000.0, [4000])],
)
def test_plays_end_at_the_looks_around_the_horizon(horizon, ends):
    plays = scheduled_plays(make_answer(question=make_question(horizon=horizon)))
    assert [play["horizon"] for play in plays] == ends


def test_plays_without_a_recommendation_are_refused():
    with pytest.raises(ValueError, match="small: no interval examined meets the target"):
        scheduled_plays(make_answer(repeat=None))


def quadrature(horizon):
    """Risk per 10,000 flight hours worked out apart from `kit.explore`."""
    risk = cycle_kernel(
        growth=LinearGrowth(20.0, 0.4, 0.004, 0.5),  # twice the rate per cycle
        detection=CURVE,
        limit=LIMIT,
        first=FIRST,
        repeat=REPEAT,
        horizon=horizon,
    ).risk(WeibullLife(30000.0, 2.0))
    return {name: (float(value) * 10_000 / horizon, 0.0, 0.0) for name, value in risk.items()}


@pytest.mark.parametrize("horizon", [20000.0, 18500.0, 3000.0])
def test_quadrature_and_play_agree_within_four_standard_errors(horizon):
    answer = make_answer(question=make_question(horizon=horizon), risk=quadrature(horizon))
    played = [
        simulate_schedule(**play, n=200_000, seed=3 + number)
        for number, play in enumerate(scheduled_plays(answer))
    ]
    frame = compare_with_play(answer, played)
    assert frame["difference_in_errors"].abs().max() < 4
    assert (frame["standard_error"] / frame["played"]).loc["exceedances"] < 0.06


def test_a_play_ended_at_the_horizon_instead_of_at_looks_is_refused():
    answer = make_answer(question=make_question(horizon=18500.0))
    plays = [play | {"horizon": 18500.0} for play in scheduled_plays(answer)]
    played = [simulate_schedule(**play, n=100, seed=3) for play in plays]
    with pytest.raises(ValueError, match=r"each of the 2 plays .* Got 2, first .*horizon=18500"):
        compare_with_play(answer, played)
    with pytest.raises(ValueError, match=r"Got 0, first 'none'"):
        compare_with_play(answer, [])


def frame(**columns):
    return pd.DataFrame(columns)


@pytest.fixture
def small_fleet():
    return SimpleNamespace(
        tables={
            "zones": frame(zone=["Z1", "Z2", "Z3"], group=["door", "door", "fin"]),
            "findings": frame(finding=["F1", "F2"], zone=["Z1", "Z3"]),
            "inspections": frame(inspection=["L1", "L2"], zone=["Z2", "Z3"]),
            "panels": frame(fitting=["P1", "P2"], zone=["Z3", "Z2"]),
            "repairs": frame(repair=["R1", "R2"], finding=["F1", "F2"]),
            "tasks": frame(task=["T1", "T2"], zones=["Z3; Z2", "Z3"]),
            "cards": frame(card=["C1", "C2"], task=["T1", "T2"]),
            "limits": frame(limit=["M1", "M2"], group=["door", "fin"]),
        }
    )


def test_rows_of_a_group_are_found_by_zone_finding_task_or_name(small_fleet):
    rows = frame(
        table=[
            "findings",
            "findings",
            "repairs",
            "repairs",
            "inspections",
            "panels",
            "cards",
            "cards",
            "limits",
            "tasks",
        ],
        id=["F1", "F2", "R1", "R2", "L1", "P2", "C1", "C2", "M1", "T2"],
    )
    assert rows_of_group(rows, small_fleet, "door")["id"].tolist() == ["F1", "R1", "L1", "P2", "C1", "M1"]


def test_rows_of_whole_aircraft_and_of_no_table_are_left_out(small_fleet):
    rows = frame(table=["usage", "basing"], id=["U1", "F1"])
    assert rows_of_group(rows, small_fleet, "door").empty
    assert rows_of_group(rows.iloc[:0], small_fleet, "door").empty


def test_an_unknown_group_is_named_with_those_known(small_fleet):
    with pytest.raises(ValueError, match=r"Got 'wing'\. Known are door, fin\."):
        rows_of_group(frame(table=[], id=[]), small_fleet, "wing")


def test_numbers_are_rounded_to_significant_digits_and_words_kept():
    table = frame(a=[1234567.89, 0.000123456789, float("nan")], b=["risk", True, 3])
    assert readable(table, digits=4)["a"].tolist() == ["1.235e+06", "0.0001235", "–"]
    assert readable(table)["b"].tolist() == ["risk", True, 3]
    with pytest.raises(ValueError, match="Got 0"):
        readable(table, digits=0)


def test_what_happened_counts_damage_that_arose_while_records_were_kept(tmp_path):
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "onsets.csv").write_text(
        "onset,zone,group,found_on,is_exceedance,exposure_flight_hours,is_before_records\n"
        "N1,Z1,door,2010-01-01,yes,120.5,\n"
        "N2,Z2,door,,,0.0,\n"
        "N3,Z2,door,2009-01-01,yes,900.0,yes\n"
        "N4,Z3,fin,,yes,30.0,\n",
        encoding="utf-8",
    )
    counted = what_happened(tmp_path)
    assert counted.loc["door"].tolist() == [2, 1, 1, 120.5]
    assert counted.loc["fin"].tolist() == [1, 0, 1, 30.0]
    assert what_happened(tmp_path, by="zone").loc["Z2", "arose"] == 1


def test_a_real_dataset_has_no_truth_and_gives_no_rows(tmp_path):
    empty = what_happened(tmp_path)
    assert empty.empty
    assert list(empty.columns) == ["arose", "found", "exceedances", "exposure_hours"]
    with pytest.raises(ValueError, match="Got 'panel'"):
        what_happened(tmp_path, by="panel")
