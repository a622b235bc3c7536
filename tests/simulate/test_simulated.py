"""Central cases of answers beside lives simulated event by event, and what happened in a simulated fleet."""

from dataclasses import replace

import pytest
from made_answer import CURVE, FIRST, GROWTH, HORIZON, LIMIT, REPEAT, made_draws, make_answer, make_question

from kit.simulate.schedule import simulate_schedule
from kit.simulate.simulated import compare_with_simulation, simulated_schedules, what_happened


def test_schedules_are_put_on_the_clock_of_the_question_and_end_at_its_horizon():
    """An answer counts damage up to the horizon itself, whether or not a look falls on it."""
    (given,) = simulated_schedules(make_answer())
    assert given["life_scale"] == 30000.0
    assert given["growth"].rate_median == pytest.approx(0.004)
    assert given["detection"].far_side_share == 0.1
    assert (given["first"], given["repeat"], given["horizon"], given["limit"]) == (
        FIRST,
        REPEAT,
        HORIZON,
        LIMIT,
    )


def test_a_play_finds_damage_beyond_the_limit_no_more_surely_than_at_it():
    """As the answer counts it, so that faster growth never allows a longer interval."""
    (given,) = simulated_schedules(make_answer())
    assert given["detection"].relative(4 * LIMIT) == given["detection"].relative(LIMIT)


def test_schedules_without_a_recommendation_are_refused():
    with pytest.raises(ValueError, match="small: no interval examined meets the target"):
        simulated_schedules(make_answer(repeat=None))
    with pytest.raises(ValueError, match="small: no interval examined meets the target"):
        compare_with_simulation(make_answer(repeat=None), [])


def compared(answer, n=300_000):
    simulated = [
        simulate_schedule(**schedule, n=n, seed=3 + number)
        for number, schedule in enumerate(simulated_schedules(answer))
    ]
    return compare_with_simulation(answer, simulated)


@pytest.mark.parametrize("horizon", [20000.0, 18500.0, 3000.0])
def test_calculation_and_play_agree_within_four_standard_errors(horizon):
    """For the central case and first onsets. The answer itself is a median over draws that differ in more."""
    frame = compared(make_answer(question=make_question(horizon=horizon)))
    assert frame["difference_in_errors"].abs().max() < 4
    assert (frame["standard_error"] / frame["simulated"]).loc["exceedances"] < 0.06


def test_several_kinds_of_damage_on_several_clocks_are_simulated_and_summed():
    answer = make_answer()
    other = made_draws(
        kind="impact", clock="calendar_days", scale=9000.0, shape=1.2, growth=GROWTH, curve=CURVE
    )
    (mode,) = answer.modes
    second = replace(mode, kind="impact", clock="calendar_days", draws=other, units_per_schedule_unit=1 / 7)
    frame = compared(replace(answer, modes=(mode, second)))
    assert frame["difference_in_errors"].abs().max() < 4
    assert (frame["simulated"] > compared(answer)["simulated"]).all()


def test_a_play_of_another_case_does_not_agree():
    """Growth half as fast again is told apart, so that agreement says something."""
    answer = make_answer()
    (schedule,) = simulated_schedules(answer)
    other = replace(schedule["growth"], rate_median=1.5 * schedule["growth"].rate_median)
    simulated = simulate_schedule(**(schedule | {"growth": other}), n=300_000, seed=3)
    frame = compare_with_simulation(answer, [simulated])
    assert frame.loc["preventable", "difference_in_errors"] < -6


def test_a_play_that_does_not_end_at_the_horizon_is_refused():
    answer = make_answer(question=make_question(horizon=18500.0))
    schedules = [schedule | {"horizon": 16000.0} for schedule in simulated_schedules(answer)]
    simulated = [simulate_schedule(**schedule, n=100, seed=3) for schedule in schedules]
    with pytest.raises(ValueError, match=r"each of the 1 schedules .* Got 1, first .*horizon=16000"):
        compare_with_simulation(answer, simulated)
    with pytest.raises(ValueError, match=r"Got 0, first 'none'"):
        compare_with_simulation(answer, [])


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
