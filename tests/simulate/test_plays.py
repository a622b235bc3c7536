"""Answers beside lives played event by event, and what happened in a simulated fleet."""

import numpy as np
import pytest
from made_answer import CURVE, FIRST, HORIZON, LIMIT, REPEAT, make_answer, make_question

from kit.growth import LinearGrowth
from kit.intervals import WeibullLife, as_counted
from kit.intervals.risk import age_kernel, between
from kit.simulate.plays import compare_with_play, scheduled_plays, what_happened
from kit.simulate.schedule import simulate_schedule


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
    [(20000.0, [20000]), (18000.0, [16000, 20000]), (4001.0, [4000, 8000]), (3000.0, [3000])],
)
def test_plays_end_at_the_looks_around_the_horizon(horizon, ends):
    plays = scheduled_plays(make_answer(question=make_question(horizon=horizon)))
    assert [play["horizon"] for play in plays] == ends


def test_plays_without_a_recommendation_are_refused():
    with pytest.raises(ValueError, match="small: no interval examined meets the target"):
        scheduled_plays(make_answer(repeat=None))


def quadrature(horizon):
    """Risk per 10,000 flight hours worked out apart from the answer."""
    kernel = age_kernel(
        growth=LinearGrowth(20.0, 0.4, 0.004, 0.5),  # twice the rate per cycle
        detection=as_counted(make_question(), CURVE, LIMIT),
        limit=LIMIT,
        first=FIRST,
        repeat=REPEAT,
        horizon=horizon,
    )
    knots = np.r_[0.0, kernel.ends]
    out = {}
    for name, values in kernel.cumulative(WeibullLife(30000.0, 2.0)).items():
        value = between(knots, np.r_[0.0, values], np.array([horizon]))[0]
        out[name] = (float(value) * 10_000 / horizon, 0.0, 0.0)
    return out


@pytest.mark.parametrize("horizon", [20000.0, 18500.0, 3000.0])
def test_quadrature_and_play_agree_within_four_standard_errors(horizon):
    answer = make_answer(question=make_question(horizon=horizon), risk=quadrature(horizon))
    played = [
        simulate_schedule(**play, n=300_000, seed=3 + number)
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
