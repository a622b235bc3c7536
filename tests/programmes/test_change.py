"""Programmes from the demo fleet's small sister: looks by day, comparisons, forecasts, refusals in one line."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from programmes_parts import one_draw, panels

from kit.cautions import CAUTIONS
from kit.intervals import QuestionError, age_replacement
from kit.programmes import (
    Costs,
    LivingPanels,
    PanelUsage,
    Parked,
    Programme,
    Rule,
    UsagePlan,
    compare_programmes,
    cost_curve,
    events_of,
    extension_evidence,
    fleet_leaders,
    forecast_finds,
    group_of,
    look_days,
    looks_by_period,
    method_choice,
    present_state,
    replacement_ages,
    simulate_programme,
)
from kit.simulate.schedule import simulate_schedule

COSTS = Costs(
    look=400,
    repair=3000,
    beyond_limit=40_000,
    beyond_hour=2,
    look_hours=2,
    repair_hours=12,
    repair_beyond_hours=40,
)


def living(lives, *, since=1000.0, per_day=10.0, aircraft=None):
    n = len(lives)
    frame = pd.DataFrame({"panel": [f"P{i}" for i in range(n)], "zone": "Z", "is_age_known": True})
    frame["aircraft"] = aircraft or [f"A{i}" for i in range(n)]
    clocks = ("flight_hours", "flight_cycles", "calendar_days")
    return LivingPanels(
        frame=frame,
        lives={"disbond": lives},
        since_look={clock: np.full(n, since) for clock in clocks},
        age={clock: lives.now.copy() for clock in clocks},
        per_day={
            "flight_hours": np.full(n, per_day),
            "flight_cycles": np.full(n, per_day),
            "calendar_days": np.ones(n),
        },
        left_out=pd.DataFrame(),
        cut_off=pd.Timestamp("2025-12-31"),
        group="Z",
    )


def every(hours, **more):
    rule = Rule(repeat={"flight_hours": hours}, first={"flight_hours": hours}, zones=("Z",))
    return Programme(name=f"every {hours:g}", rules=(rule,), **more)


def test_looks_fall_one_repeat_after_the_last_one_on_record():
    some = living(panels([5000.0, 5000.0]))
    days = look_days(every(3000.0), some, PanelUsage.of(some, None), days=1000.0)
    np.testing.assert_allclose(days[0], [200.0, 500.0, 800.0])
    assert looks_by_period(days, np.array([365.0, 1000.0])).tolist() == [2.0, 4.0]


def test_parked_aircraft_are_looked_at_later_on_a_clock_of_use():
    some = living(panels([5000.0, 5000.0]))
    away = Parked("A0", pd.Timestamp("2026-01-30"), pd.Timestamp("2026-05-10"))  # 100 days
    days = look_days(every(3000.0), some, PanelUsage.of(some, UsagePlan(parked=(away,))), days=1000.0)
    np.testing.assert_allclose(days[0][:2], [300.0, 600.0])
    np.testing.assert_allclose(days[1], [200.0, 500.0, 800.0])


def test_what_comes_first_of_two_clocks_counts():
    some = living(panels([5000.0]), since=0.0)
    rule = Rule(
        repeat={"flight_hours": 3000.0, "calendar_days": 250.0}, first={"flight_hours": 3000.0}, zones=("Z",)
    )
    days = look_days(Programme(name="both", rules=(rule,)), some, PanelUsage.of(some, None), days=700.0)
    np.testing.assert_allclose(days[0], [250.0, 500.0])


def test_a_programme_that_starts_later_leaves_the_looks_of_the_present_one_until_then():
    some = living(panels([5000.0]))
    later = every(6000.0, starts_on=pd.Timestamp("2026-10-27"))  # day 300
    days = look_days(later, some, PanelUsage.of(some, None), days=1500.0, present=every(3000.0))
    np.testing.assert_allclose(days[0][np.isfinite(days[0])], [200.0, 800.0, 1400.0])


def test_late_looks_are_spread_over_the_phase_in():
    some = living(panels([9000.0] * 4), since=8000.0)
    days = look_days(every(3000.0, phase_in_days=200.0), some, PanelUsage.of(some, None), days=300.0)
    np.testing.assert_allclose(np.sort(days[:, 0]), [25.0, 75.0, 125.0, 175.0])


def test_finds_alone_are_those_that_are_counted_beside_the_rest():
    """Work is left out where nothing asks for it; what is asked for does not move."""
    draws, some = one_draw(n=16), living(panels([6000.0, 9000.0, 0.0], looks=[3000.0]))
    usage = PanelUsage.of(some, None)
    days = [look_days(every(hours), some, usage, days=1500.0) for hours in (3000.0, 5000.0)]
    events = events_of(days, usage, np.array([500.0, 1000.0, 1500.0]))
    asked = (some, {"disbond": draws}, events, [{"disbond": None}] * 2)
    every_one, counted = simulate_programme(*asked, limit=40.0, seed=2, by_panel=True)
    finds, nothing = simulate_programme(
        *asked, limit=40.0, seed=2, by_panel=True, measures=("finds",), lucky=False
    )
    np.testing.assert_array_equal(finds["finds"], every_one["finds"])
    assert list(finds) == ["finds"]
    assert not nothing
    assert counted["finds"].sum() > 0


def test_a_new_panel_meets_what_the_event_by_event_play_of_a_schedule_counts():
    """`kit.simulate.schedule` walks lives one by one and shares nothing with the sums."""
    draws = one_draw(n=128, restoration=None)
    some = living(panels([0.0] * 6), since=np.nan)
    days = look_days(every(4000.0), some, PanelUsage.of(some, None), days=1600.0)
    events = events_of([days], PanelUsage.of(some, None), np.array([800.0, 1600.0]))
    expected, _ = simulate_programme(
        some, {"disbond": draws}, events, [{"disbond": None}], limit=40.0, seed=2
    )
    truth = simulate_schedule(
        life_scale=20_000.0,
        life_shape=2.0,
        growth=draws.growth(0),
        detection=draws.pod.curve(0),
        limit=40.0,
        first=4000.0,
        repeat=4000.0,
        horizon=16_000.0,
        n=400_000,
        seed=5,
    )
    for name in ("exceedances", "exposure"):
        value = expected[name][0].sum(axis=1).mean() / 6
        estimate = getattr(truth, name)
        assert abs(value - estimate.value) < 4 * estimate.standard_error + 0.02 * estimate.value


def test_the_same_programme_twice_makes_no_difference_and_more_looks_never_leave_more():
    draws = one_draw(n=32)
    some = living(panels([9000.0, 14_000.0], [3000.0, 8000.0]))
    usage = PanelUsage.of(some, None)
    looks = [look_days(every(hours), some, usage, days=1500.0) for hours in (2000.0, 2000.0, 6000.0)]
    events = events_of(looks, usage, np.array([1500.0]))
    expected, counted = simulate_programme(
        some, {"disbond": draws}, events, [{"disbond": None}] * 3, limit=40.0, seed=1
    )
    for name, values in expected.items():
        np.testing.assert_array_equal(values[0], values[1])
        np.testing.assert_array_equal(counted[name][0], counted[name][1])
    assert expected["exposure"][2].mean() > expected["exposure"][0].mean()
    assert expected["finds"][2].mean() < expected["finds"][0].mean()


def test_a_repaired_panel_can_be_damaged_again_as_far_as_the_question_says():
    some = living(panels([15_000.0]))
    usage = PanelUsage.of(some, None)
    looks = look_days(every(1000.0), some, usage, days=2000.0)
    events = events_of([looks], usage, np.array([2000.0]))
    found = {}
    for name, left in (("first only", None), ("as new", 0.0), ("as old", 1.0)):
        draws = one_draw(n=16, restoration=left)
        expected, _ = simulate_programme(
            some, {"disbond": draws}, events, [{"disbond": None}], limit=40.0, seed=1
        )
        found[name] = expected["finds"][0].mean()
    assert found["first only"] < found["as new"] < found["as old"]
    assert found["first only"] <= 1.0


@pytest.fixture(scope="module")
def group(small_evidence, question_text, tmp_path_factory):
    path = tmp_path_factory.mktemp("question") / "small.toml"
    path.write_text(question_text, encoding="utf-8")
    return group_of(small_evidence, path, draws=50)


@pytest.mark.long
def test_a_longer_interval_finds_less_and_leaves_more_and_says_so(group):
    ask = group.ask
    proposed = Programme.every(group.evidence, ask, 15_000.0)
    change = compare_programmes(group, proposed=proposed, years=5, costs=COSTS)
    total = change.to_frame().iloc[-1]
    assert total["finds_difference"] < 0 < total["exposure_difference"]
    assert any("fewer finds do not mean less damage" in line for line in change.cautions)
    assert total["exposure_lower"] <= total["exposure_difference"] <= total["exposure_upper"]
    frame = change.to_frame()
    for name in ("looks", "finds", "exposure", "cost", "hours"):
        assert frame[f"{name}_present"].iloc[:-1].sum() == pytest.approx(total[f"{name}_present"])
    assert change.words()[0].startswith("Over 5 years from")
    assert change.cautions[-len(CAUTIONS) :] == CAUTIONS
    outlook = change.outlook(1)
    assert (outlook["lower"] <= outlook["upper"]).all()
    assert outlook.loc["finds", "expected"] == pytest.approx(total["finds_proposed"])


def test_a_forecast_adds_up_and_its_limits_hold_its_mean(group):
    made = forecast_finds(group, quarters=4, costs=COSTS)
    rows = made.to_frame()
    assert rows["finds"].iloc[:-1].sum() == pytest.approx(rows["finds"].iloc[-1])
    assert (rows["finds_lower"] <= rows["finds_upper"]).all()
    assert rows["finds_lower"].iloc[-1] <= rows["finds"].iloc[-1] <= rows["finds_upper"].iloc[-1]
    assert (rows["repairs"] <= rows["finds"] + 1e-12).all()


def test_the_panels_to_tap_first_are_those_whose_risk_a_look_takes_away(group):
    state = present_state(group)
    rows = state.to_frame()
    assert rows["removed"].is_monotonic_decreasing
    assert (rows["removed"] <= rows["beyond"] + 1e-9).all()
    assert ((rows["beyond"] <= rows["damage"] + 1e-9) & (rows["damage"] <= 1)).all()
    assert (rows["damage_lower"] <= rows["damage_upper"]).all()
    leaders = fleet_leaders(group, sample=5, state=state)
    assert len(leaders.frame) == 5
    assert 0 < leaders.chance_clean < 1
    assert "leaders" in leaders.words()[0]


def test_an_extension_says_what_it_needs_and_what_takes_it_back(group):
    made = extension_evidence(group, 8000.0, years=2)
    assert made.frame["looks"].is_monotonic_increasing
    assert made.frame["chance_clean"].is_monotonic_decreasing
    assert made.rule.false_alarm <= 0.05 < made.rule.detection
    assert "Reconsider the interval at" in made.words()[-1]


@pytest.mark.parametrize(
    ("what", "message"),
    [
        (lambda g: Programme.every(g.evidence, g.ask, 0.0), "must look at something. Got 0.0"),
        (lambda g: Programme.every(g.evidence, g.ask, 5000.0, zones=[]), "it looks at nothing"),
        (lambda g: Programme.every(g.evidence, g.ask, 5000.0, zones=["999"]), "999 are no zones of"),
        (
            lambda g: Programme.every(g.evidence, g.ask, 5000.0, aircraft=["X9"]),
            "aircraft X9 are not in the dataset",
        ),
        (
            lambda g: Programme.every(g.evidence, g.ask, 5000.0, starts_on="2020-01-01"),
            "must not start in the past. Got 2020-01-01",
        ),
        (lambda g: Programme.every(g.evidence, g.ask, 5000.0, pod="no such"), "pod"),
        (lambda g: forecast_finds(g, quarters=24), "usage is planned up to 20"),
        (
            lambda g: forecast_finds(
                g, quarters=4, usage=UsagePlan(until=g.fleet.cut_off + dt.timedelta(days=100))
            ),
            "the plan's `until`",
        ),
        (lambda g: forecast_finds(g, quarters=0), "quarters must be a whole number from 1 to 40. Got 0"),
        (
            lambda g: forecast_finds(g, usage=UsagePlan(rates={"X9": {}})),
            "aircraft X9 are not in the dataset",
        ),
        (
            lambda g: compare_programmes(g, proposed=Programme.every(g.evidence, g.ask, 9e6)),
            "it looks at nothing within 5",
        ),
        (
            lambda g: compare_programmes(
                g, proposed=Programme.every(g.evidence, g.ask, 5000.0, starts_on="2040-01-01")
            ),
            "it starts on 2040-01-01, and what is compared ends on",
        ),
    ],
)
def test_what_cannot_be_done_is_refused_in_one_line(group, what, message):
    with pytest.raises(QuestionError) as error:
        what(group)
    assert message in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "[cost]\nlook = 1\nrepair = 2\nbeyond_limit = 3\n",
            "[cost] must have beyond_hour, beyond_limit, look, repair",
        ),
        (
            "[cost]\nlook = -1\nrepair = 2\nbeyond_limit = 3\nbeyond_hour = 0\n[hours]\nlook = 1\nrepair = 1\nrepair_beyond = 1\n",
            "`look` must be a number of at least 0. Got -1",
        ),
        (
            "[cost]\nlook = 1\nrepair = 2\nbeyond_limit = 3\nbeyond_hour = 0\n",
            "[hours] must have look, repair, repair_beyond",
        ),
        ("[prices]\n", "unknown key prices"),
        ("not toml", "not a TOML file"),
    ],
)
def test_costs_that_are_missing_or_negative_are_refused_in_one_line(tmp_path, text, message):
    path = tmp_path / "costs.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(QuestionError) as error:
        Costs.read(path)
    assert message in str(error.value)
    assert "\n" not in str(error.value)


def test_a_usage_plan_is_read_and_wrong_days_are_refused(tmp_path):
    path = tmp_path / "usage.toml"
    path.write_text(
        'until = 2026-12-31\n[[parked]]\naircraft = "A1"\nbegin = 2026-02-01\nend = 2026-03-01\n'
        '[[rate]]\naircraft = "A2"\nflight_hours = 1000\nflight_cycles = 900\n',
        encoding="utf-8",
    )
    plan = UsagePlan.read(path)
    assert plan.until == pd.Timestamp("2026-12-31")
    assert plan.parked[0].aircraft == "A1"
    assert plan.rates["A2"]["flight_cycles"] == 900.0
    path.write_text('[[parked]]\naircraft = "A1"\nbegin = 2026-03-01\nend = 2026-02-01\n', encoding="utf-8")
    with pytest.raises(QuestionError, match=r"`end` must be after `begin`\. Got 2026-03-01 to 2026-02-01"):
        UsagePlan.read(path)


def test_the_least_cost_is_the_least_and_its_parts_add_up(group):
    curve = cost_curve(group, COSTS)
    rows = curve.to_frame()
    assert curve.flat[0] <= curve.least <= curve.flat[1]
    assert rows["total"].min() == rows.loc[rows["repeat"] == curve.least, "total"].item()
    looks = rows["looks"] * rows["repeat"]
    np.testing.assert_allclose(looks, looks.iloc[0])  # a look's cost over its spacing
    assert (rows["total_lower"] <= rows["total_upper"]).all()
    assert "no target" in curve.cautions[0]


def test_replacement_ages_are_those_of_the_closed_form_under_each_draw(group):
    """R. E. Barlow and F. Proschan, Mathematical Theory of Reliability, 1965, ch. 4 (checked in tests/intervals)."""
    row = replacement_ages(group, COSTS, replacement=8000.0).iloc[0]
    draws = group.draws[row["kind"]]
    ages = [
        age_replacement(float(scale), float(shape), 5.0).age
        for scale, shape in zip(draws.scale, draws.shape, strict=True)
        if shape > 1.05
    ]
    assert min(ages) <= row["age"] <= max(ages)
    assert row["age_lower"] <= row["age"] <= row["age_upper"]
    with pytest.raises(QuestionError, match="`replacement` must be positive"):
        replacement_ages(group, COSTS, replacement=0.0)


def test_a_method_held_against_itself_needs_its_own_pod(group):
    same = group.ask.detection.model_copy(
        update={"log_a50_sd": 0.0, "log_slope_sd": 0.0, "logit_plateau_sd": 0.0}
    )
    choice = method_choice(group, same, repeats=(6000.0, 6000.0), methods=("one", "the other"))
    assert choice.parity[0] == pytest.approx(same.a50_mm, rel=0.15)
    assert choice.parity[1] <= choice.parity[0] <= choice.parity[2]
    worse = same.model_copy(update={"a50_mm": same.a50_mm * 2})
    assert method_choice(group, worse, repeats=(6000.0, 6000.0)).better < 0.2
    assert "that is the POD to be proved" in choice.words()[-1]


def test_a_repeat_beyond_the_cap_is_said_first_and_may_not_be_flown(group):
    capped = replace(group, problem=replace(group.problem, cap=5000.0, cap_basis="task T1"))
    proposed = Programme.every(group.evidence, group.ask, 6000.0)
    change = compare_programmes(capped, proposed=proposed, years=1)
    assert change.exceeds_cap
    assert any(
        "exceeds the not-to-exceed limit of 5,000 flight hours (task T1): it may not be flown" in line
        for line in change.cautions
    )
