"""Recommendations: what they keep whatever the numbers are, and what they refuse."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import DEMO, QUESTION, Hand

import kit
from kit.cautions import CAUTIONS
from kit.intervals import Evidence, QuestionError, recommend
from kit.intervals.question import GrowthWindow, Mode, Target

N_AIRCRAFT, LOOK_EVERY = 30, 500  # days


def with_finds(folder, n_finds, *, kind="moisture_disbond"):
    """Thirty aircraft with a panel each, tapped every 500 days; so many are found damaged once."""
    fleet = Hand(folder)
    rng = np.random.default_rng(1)
    for i in range(N_AIRCRAFT):
        name = f"A{i:02d}"
        fleet.aircraft(name).panel(f"P{i:02d}", name)
        fleet.card(name, *range(LOOK_EVERY, 4001, LOOK_EVERY))
        if i < n_finds:
            fleet.find(name, LOOK_EVERY * int(rng.integers(2, 8)), kind=kind, size=20 + i)
    return fleet.load()


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return with_finds(tmp_path_factory.mktemp("recommend") / "thirty", 15)


@pytest.fixture(scope="module")
def evidence(fleet):
    return Evidence(fleet)


@pytest.fixture(scope="module")
def ask(tmp_path_factory):
    """Return the shared question with some fields exchanged."""
    path = tmp_path_factory.mktemp("ask") / "small.toml"
    path.write_text(QUESTION)
    question = kit.read_question(path)

    def asked(**fields):
        mode = fields.pop("mode", None)
        if mode is not None:
            fields["modes"] = (question.modes[0].model_copy(update=mode),)
        detection = fields.pop("detection", None)
        if isinstance(detection, dict):
            fields["detection"] = question.detection.model_copy(update=detection)
        return question.model_copy(update=fields)

    return asked


@pytest.fixture(scope="module")
def answer(evidence, ask):
    return recommend(evidence, ask())


def target(value, share=0.8, measure="preventable_exceedances"):
    return Target(measure=measure, per_10000_flight_hours=value, share_of_draws=share)


def with_task(fleet, **cells):
    """Return the fleet with these cells in the task that taps Z1."""
    tasks = fleet.tables["tasks"].copy()
    for name, value in cells.items():
        tasks.loc[tasks["task"] == "K1", name] = value
    return replace(fleet, tables=fleet.tables | {"tasks": tasks})


def rule(answer, name):
    return next(one for one in answer.rules if one.rule == name)


def same(left, right):
    assert (left.threshold, left.repeat, left.governed_by) == (
        right.threshold,
        right.repeat,
        right.governed_by,
    )
    assert left.rules == right.rules
    assert left.risk == right.risk
    pd.testing.assert_frame_equal(left.curve, right.curve, check_exact=True)
    pd.testing.assert_frame_equal(left.to_frame(), right.to_frame(), check_exact=True)
    assert left.assumptions == right.assumptions
    assert left.dataset == right.dataset


# The same answer ----------------------------------------------------------------------------------


def test_the_same_question_has_the_same_answer(fleet, ask, answer):
    same(recommend(fleet, ask()), answer)


@pytest.mark.long
def test_the_demo_gives_the_same_answer_twice(demo_fleet):
    ask = kit.read_question(DEMO / "questions" / "spoiler.toml").model_copy(update={"draws": 64})
    same(recommend(demo_fleet, ask), recommend(demo_fleet, ask))


def test_other_questions_before_it_do_not_change_an_answer(fleet, ask, answer):
    shared = Evidence(fleet)
    recommend(shared, ask(seed=99, packages=(), clock="calendar_days", horizon=7000))
    same(recommend(shared, ask()), answer)


@pytest.mark.long
def test_the_order_of_the_rows_in_the_files_does_not_matter(tmp_path, ask, answer):
    fleet = with_finds(tmp_path / "thirty", 15)
    turned = Hand(tmp_path / "turned")
    rows = {}
    for name, table in fleet.as_read.items():
        rows[name] = [
            {k: v for k, v in row.items() if k not in ("file", "row")}
            for row in table.text.to_dict("records")
        ]
    turned.rows = {name: part[::-1] for name, part in rows.items()}
    other = recommend(turned.load(), ask())
    assert other.dataset["fingerprint"] == answer.dataset["fingerprint"]
    assert (other.threshold, other.repeat) == pytest.approx((answer.threshold, answer.repeat), rel=1e-9)
    assert other.risk["exceedances"] == pytest.approx(answer.risk["exceedances"], rel=1e-6)


def test_another_seed_of_the_draws_changes_little(evidence, ask):
    """The middle of 1,000 draws: its sampling error is a few percent of the spread of the draws."""
    repeats = [
        recommend(evidence, ask(seed=seed, draws=1000, packages=(), target=target(0.05, 0.5))).repeat
        for seed in (1, 2, 3)
    ]
    assert max(repeats) / min(repeats) < 1.1
    other = recommend(evidence, ask(seed=1, draws=1000, packages=(), target=target(0.05, 0.95))).repeat
    assert other < min(repeats)  # asking more of the draws matters more than the seed does


# What an answer keeps -----------------------------------------------------------------------------


@pytest.mark.parametrize("packages", [(), ("base check",), ("A check", "base check")])
@pytest.mark.parametrize("value", [0.005, 0.05, 0.3])
@pytest.mark.parametrize("measure", ["preventable_exceedances", "exposure"])
def test_what_is_recommended_meets_the_target(evidence, ask, packages, value, measure):
    value = value * (1000 if measure == "exposure" else 1)
    answer = recommend(evidence, ask(packages=packages, target=target(value, measure=measure)))
    if answer.repeat is None:
        assert 0 < answer.threshold <= 40000
        assert rule(answer, "risk").interval is None
        assert "no repeat interval is recommended" in repr(answer)
        assert answer.special_cautions[0].startswith("no interval is recommended: ")
        return
    row = answer.curve.loc[answer.curve["repeat"] == answer.repeat]
    assert len(row) == 1
    assert row["share_meeting"].iloc[0] >= 0.8
    assert 0 < answer.threshold <= 40000
    assert answer.repeat <= 20000


@pytest.mark.long
@pytest.mark.parametrize("packages", [(), ("A check", "base check")])
def test_a_stricter_target_never_gives_a_longer_repeat(evidence, ask, packages):
    repeats = [
        recommend(evidence, ask(packages=packages, target=target(value))).repeat or 0.0
        for value in (1.0, 0.3, 0.05, 0.02, 1e-4)
    ]
    assert repeats == sorted(repeats, reverse=True)
    assert repeats[0] > repeats[2] > repeats[-1]


def test_asking_more_draws_to_meet_it_never_gives_a_longer_repeat(evidence, ask):
    repeats = [
        recommend(evidence, ask(packages=(), target=target(0.05, share))).repeat for share in (0.5, 0.8, 0.95)
    ]
    assert repeats == sorted(repeats, reverse=True)


def test_a_smaller_allowed_share_never_gives_a_later_threshold(evidence, ask):
    ages = []
    for share in (0.5, 0.2, 0.1, 0.02):
        question = ask(packages=())
        question = question.model_copy(
            update={"threshold": question.threshold.model_copy(update={"allowed_share": share})}
        )
        ages.append(rule(recommend(evidence, question), "threshold").interval)
    assert ages == sorted(ages, reverse=True)
    assert ages[0] > ages[-1]


def test_the_rules_stand_with_their_own_answers_and_the_smallest_governs(evidence, ask):
    window = GrowthWindow(opportunities=2, growth_percentile=0.9, detectable_pod=0.5)
    answers = {}
    for opportunities in (1, 2, 10):
        given = window.model_copy(update={"opportunities": opportunities})
        answers[opportunities] = recommend(
            evidence, ask(packages=(), growth_window=given, govern=("risk", "growth_window"))
        )
    for answer in answers.values():
        own = {name: rule(answer, name).interval for name in ("risk", "growth_window")}
        assert answer.repeat == min(own.values())
        assert answer.governed_by == min(own, key=own.get)
        assert [one.rule for one in answer.rules if one.governs] == ["threshold", answer.governed_by]
    assert rule(answers[10], "growth_window").interval * 10 == pytest.approx(
        rule(answers[1], "growth_window").interval
    )
    assert answers[10].governed_by == "growth_window"


def test_a_rule_that_was_not_asked_to_govern_is_only_shown(evidence, ask, answer):
    short = GrowthWindow(opportunities=4)
    shown = recommend(evidence, ask(growth_window=short))
    assert rule(shown, "growth_window").interval < answer.repeat == shown.repeat
    assert "not asked to govern" in rule(shown, "growth_window").reason
    window_only = recommend(
        evidence,
        ask(
            packages=(),
            growth_window=GrowthWindow(opportunities=1),
            govern=("growth_window",),
            target=target(1e-3),
        ),
    )
    assert window_only.governed_by == "growth_window"
    assert window_only.repeat == rule(window_only, "growth_window").interval
    assert not rule(window_only, "risk").governs


def test_a_risk_that_no_interval_meets_blocks_only_where_it_is_asked_to_govern(evidence, ask):
    window = {"growth_window": GrowthWindow(opportunities=1), "target": target(1e-9), "packages": ()}
    shown = recommend(evidence, ask(govern=("growth_window",), **window))
    assert rule(shown, "risk").interval is None
    assert shown.repeat == rule(shown, "growth_window").interval
    assert recommend(evidence, ask(govern=("risk", "growth_window"), **window)).repeat is None


def test_a_window_rule_without_a_window_blocks_an_answer_that_it_should_govern(evidence, ask):
    window = GrowthWindow(detectable_pod=0.96)  # hardly below the plateau: far above the limit
    answer = recommend(evidence, ask(growth_window=window, govern=("risk", "growth_window")))
    assert answer.repeat is None
    assert "is not below the limit" in rule(answer, "growth_window").reason


@pytest.mark.long
@settings(max_examples=12, deadline=None)
@given(
    st.floats(1500, 40_000),
    st.sampled_from([(), ("A check",), ("A check", "base check")]),
    st.floats(0.01, 3),
)
def test_no_cap_is_ever_exceeded(fleet, ask, cap, packages, value):
    answer = recommend(
        with_task(fleet, cap_flight_hours=cap, cap_basis="safety item"),
        ask(packages=packages, target=target(value)),
    )
    if answer.repeat is None:
        return
    assert answer.repeat <= cap * (1 + 1e-9)
    assert answer.threshold <= cap * (1 + 1e-9)
    assert rule(answer, "cap").interval == pytest.approx(cap)
    assert "safety item" in rule(answer, "cap").reason
    if answer.governed_by == "cap":
        assert rule(answer, "risk").interval >= cap * (1 - 1e-9)


def test_a_cap_on_several_clocks_holds_for_whichever_comes_first(fleet, ask):
    """2,000 hours and 1,900 cycles a year: 365.25 days are 2,000 hours, 950 cycles are 1,000."""
    in_days = with_task(fleet, cap_flight_hours=4000.0, cap_days=365.25)
    assert rule(recommend(in_days, ask(packages=())), "cap").interval == pytest.approx(2000)
    in_cycles = with_task(fleet, cap_flight_hours=4000.0, cap_flight_cycles=950.0, cap_days=365.25)
    answer = recommend(in_cycles, ask(packages=()))
    assert answer.repeat == pytest.approx(1000)
    assert answer.governed_by == "cap"


@pytest.mark.parametrize(
    "cells",
    [
        {"valid_to": pd.Timestamp("2015-01-01")},
        {"valid_from": pd.Timestamp("2021-06-01")},
        {"method": "visual"},
        {"zones": "Z9"},
    ],
)
def test_the_cap_of_a_task_that_is_not_in_force_or_not_for_it_does_not_count(fleet, ask, answer, cells):
    tasks = fleet.tables["tasks"]
    extra = tasks.loc[tasks["task"] == "K1"].assign(task="K3", cap_flight_hours=700.0)
    count = recommend(replace(fleet, tables=fleet.tables | {"tasks": pd.concat([tasks, extra])}), ask())
    assert rule(count, "cap").interval == 700
    extra = extra.assign(**cells)
    other = recommend(replace(fleet, tables=fleet.tables | {"tasks": pd.concat([tasks, extra])}), ask())
    assert other.repeat == answer.repeat
    assert not [one for one in other.rules if one.rule == "cap"]


def test_a_package_longer_than_the_cap_is_not_taken(fleet, ask):
    answer = recommend(with_task(fleet, cap_flight_hours=3000.0), ask())
    assert (answer.repeat, answer.governed_by) == (3000.0, "cap")
    # The risk is shown in even steps, and to beyond the cap: what it buys is seen.
    assert {500.0 * k for k in range(2, 10)} <= set(answer.curve["repeat"])
    assert answer.curve["repeat"].max() >= 4500.0
    assert any("no package is as short" in caution for caution in answer.cautions)


def test_a_proposal_is_judged_by_the_same_target(evidence, ask):
    longest = recommend(evidence, ask(packages=())).repeat
    for share, meets in ((0.9, True), (1.6, False)):
        proposal = recommend(evidence, ask(packages=(), proposed_repeat=longest * share)).proposal
        assert proposal["meets"] is meets
        assert (proposal["share_meeting"] >= 0.8) is meets


def test_the_same_question_on_another_clock_gives_the_same_schedule(evidence, ask):
    """Planned usage turns hours into days: 2,000 hours in 365.25 of them."""
    on_hours = recommend(evidence, ask(packages=()))
    day = on_hours.units_per_day["flight_hours"]
    assert day == pytest.approx(2000 / 365.25)
    for clock, factor in (("calendar_days", 1 / day), ("flight_cycles", 1900 / 2000)):
        other = recommend(evidence, ask(packages=(), clock=clock, horizon=40000 * factor))
        assert other.repeat == pytest.approx(on_hours.repeat * factor, rel=1e-6)
        assert other.threshold == pytest.approx(on_hours.threshold * factor, rel=1e-6)
        assert other.risk["exceedances"] == pytest.approx(on_hours.risk["exceedances"], rel=1e-6)
        assert other.risk["exposure"] == pytest.approx(on_hours.risk["exposure"], rel=1e-6)


def test_risks_have_bounds_around_them_and_parts_that_add_up(answer):
    frame = answer.curve
    assert frame["repeat"].is_monotonic_increasing
    for name in ("exceedances", "preventable", "not_preventable", "exposure"):
        assert (frame[f"{name}_lower"] <= frame[f"{name}_upper"]).all()
    # The middles of draws need not add up, their parts in each draw do: see test_joint_risk.
    assert (frame["preventable"] <= frame["exceedances"]).all()
    # What the worst window holds rises with the repeat, but for where looks happen to fall in it.
    assert (frame["exposure"] >= 0.9 * frame["exposure"].cummax()).all()
    assert frame["exposure"].iloc[-1] > frame["exposure"].iloc[0]


# Cautions and assumptions -------------------------------------------------------------------------


def every_answer(evidence, ask):
    yield recommend(evidence, ask())
    yield recommend(evidence, ask(target=target(1e-9)))  # no interval meets it
    yield recommend(evidence, ask(mode={"kind": "disbond"}))  # no finds
    yield recommend(evidence, ask(proposed_repeat=9000))


def test_every_answer_carries_the_cautions_that_bind(evidence, ask):
    binding = (
        "dvisory",
        "not-to-exceed limits and the airworthiness authority govern",
        "licensed or authorised person",
        "not flown on the strength of this kit",
    )
    for answer in every_answer(evidence, ask):
        assert answer.cautions[-len(CAUTIONS) :] == CAUTIONS
        assert answer.special_cautions == answer.cautions[: -len(CAUTIONS)]
        text = " ".join(answer.cautions)
        for words in binding:
            assert words in text


def test_every_answer_lists_what_does_not_come_from_data(evidence, ask, small_evidence):
    for answer in every_answer(evidence, ask):
        text = "\n".join(answer.assumptions)
        for words in (
            "POD of tap_manual",
            "(assumed)",
            "stated (an estimate)",
            "planned usage",
            "closed card",
            "independently",
            "as though all damage lay on the tapped side",
        ):
            assert words in text
    bare = recommend(small_evidence, ask(basis=("recorded",), measured_to_true=1.2))
    assert "closed card" not in "\n".join(bare.assumptions)
    assert "true size is 1.2 times the size as mapped" in bare.assumptions


def test_a_far_horizon_is_cautioned(answer):
    text = "\n".join(answer.cautions)
    assert "finds only" not in text  # 15 are enough to tell a shape from its prior
    assert "extrapolated" not in text or "beyond the oldest age seen" in text


def test_the_dataset_is_named_with_its_notice_day_and_fingerprint(fleet, answer):
    assert answer.dataset["notice"] == "Invented data."
    assert (answer.dataset["known_on"], answer.dataset["cut_off"]) == ("2020-12-31", "2020-12-31")
    assert answer.dataset["fingerprint"] == fleet.fingerprint()


def test_the_limit_in_force_is_used_unless_one_is_stated(fleet, ask):
    limits = fleet.tables["limits"]
    later = limits.assign(limit="M2", size=50.0, valid_from=pd.Timestamp("2015-01-01"))
    future = limits.assign(limit="M3", size=40.0, valid_from=pd.Timestamp("2022-01-01"))
    changed = replace(
        fleet, tables=fleet.tables | {"limits": pd.concat([later, limits, future], ignore_index=True)}
    )
    assert recommend(changed, ask()).limit_mm == 50
    assert recommend(changed, ask(limit_mm=45.0)).limit_mm == 45
    assert recommend(changed, ask(known_on=pd.Timestamp("2014-06-30").date())).limit_mm == 60


def test_what_the_trade_would_check_first_is_a_caution_and_a_gate_where_asked(evidence, ask, answer):
    """The growth window at POD 0.9 is 30 mm at twice the rate or more: far shorter than the repeat."""
    words = next(one for one in answer.special_cautions if "detectable-growth interval of moisture" in one)
    assert "times the detectable-growth interval" in words
    long = recommend(evidence, ask(packages=(), target=target(3.0)))
    assert "longer than the longest time between two looks at one panel that was flown (5,000" in "\n".join(
        long.special_cautions
    )
    held = recommend(evidence, ask(gates=("growth_window",)))
    assert (held.repeat, held.governed_by, held.threshold) == (None, "no answer", answer.threshold)
    assert f"held back, as the question asks: {words}" in held.special_cautions
    small = recommend(evidence, ask(limit_mm=20.0))
    assert "is not above the size found with POD 0.9" in "\n".join(small.special_cautions)


def test_where_most_cannot_be_prevented_that_is_said_first_with_what_could(evidence, ask):
    answer = recommend(evidence, ask(limit_mm=12.0, target=target(3.0)))
    assert "no interval prevents it. What could: a method" in answer.special_cautions[0]


def test_the_present_programme_is_judged_and_cautioned_where_it_misses_the_target(fleet, ask):
    programme = with_task(fleet, repeat_days=np.nan, repeat_flight_hours=12_000.0)
    answer = recommend(programme, ask(packages=(), target=target(0.02)))
    assert answer.repeat < 12_000.0 == answer.present["repeat"]
    assert not answer.present["meets"]
    assert any(one.startswith("the present repeat of 12,000") for one in answer.special_cautions)
    short = recommend(with_task(fleet, repeat_days=np.nan, repeat_flight_hours=1_000.0), ask(packages=()))
    assert short.present["meets"]


def test_panels_past_their_next_look_are_named_by_aircraft_and_day(evidence, ask, answer):
    """All panels are 4,017 days and 40,170 hours old and were last tapped on day 4,000, or when found."""
    due = answer.due
    assert len(due) == N_AIRCRAFT
    assert due["age"].to_numpy() == pytest.approx(40_170, rel=0.01)
    tapped = due.loc[due["last_look"] > 39_000]
    assert (tapped["due_age"] == tapped["last_look"] + answer.repeat).all()
    assert not tapped["is_late"].any()
    assert (tapped["due_on"] > pd.Timestamp("2020-12-31")).all()


def test_planned_usage_that_nobody_flew_is_cautioned_with_the_figures(fleet, ask, answer):
    """The aircraft fly 10 hours a day, 3,652 a year; 2,000 are planned."""
    assert any(
        "planned usage of S1, 2,000 flight hours a year, is outside" in one for one in answer.special_cautions
    )
    planned = fleet.planned_usage.assign(flight_hours=3652.5, flight_cycles=1826.25)
    other = recommend(replace(fleet, planned_usage=planned), ask())
    assert not any("planned usage" in one for one in other.special_cautions)


# Few finds ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    return Evidence(with_finds(tmp_path_factory.mktemp("clean") / "thirty", 0))


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    return Evidence(with_finds(tmp_path_factory.mktemp("single") / "thirty", 1))


def test_no_finds_are_answered_from_what_the_clean_looks_rule_out_and_say_so(clean, ask):
    answer = recommend(clean, ask())
    mode = answer.modes[0]
    assert (mode.fit, mode.histories.n_finds, mode.histories.n_lives) == (None, 0, N_AIRCRAFT)
    assert mode.life_basis.startswith("no finds: what the clean looks leave open; prior of the shape 2 ")
    assert "shape of moisture_disbond: prior with median 2" in "\n".join(answer.assumptions)
    assert "moisture_disbond: 0 finds only" in "\n".join(answer.cautions)
    assert mode.scale_bounds[0] < mode.scale < mode.scale_bounds[1]
    assert answer.repeat is not None


def test_no_finds_give_the_bound_of_the_clean_looks_by_chi_square(clean, ask):
    """Zero finds, looks that miss nothing, all lives clean to day 4000: sum of (t / scale) ** shape = -ln(1 - level)."""
    sure = ask(mode={"shape_log_sd": 0.001}, draws=2048, detection={"in_fit": "perfect"})
    scales = recommend(clean, sure).modes[0].draws.scale[1:]
    assert np.quantile(scales, 0.05) == pytest.approx(4000 * np.sqrt(N_AIRCRAFT / -np.log(0.05)), rel=0.03)


def test_looks_that_miss_make_the_bound_of_no_finds_no_longer(clean, ask):
    """A bound that took looks as perfect held in 83 % of simulated fleets where 95 % were stated."""
    low = [
        np.quantile(recommend(clean, ask(detection={"in_fit": chance})).modes[0].draws.scale, 0.05)
        for chance in ("perfect", 0.8, 0.5)
    ]
    assert low == sorted(low, reverse=True)


def test_no_finds_without_an_assumed_shape_rest_on_a_weak_prior_and_say_so(clean, ask):
    answer = recommend(clean, ask(mode={"assumed_shape": None}))
    assert "shape of moisture_disbond: prior with median 2 and log standard deviation 0.5 (weak" in "\n".join(
        answer.assumptions
    )


@pytest.mark.parametrize("shape", [2.0, None])
def test_a_single_find_is_answered(single, ask, shape):
    answer = recommend(single, ask(mode={"assumed_shape": shape}))
    mode = answer.modes[0]
    assert mode.histories.n_finds == 1
    assert mode.fit is not None
    assert np.isfinite([mode.scale, mode.shape]).all()
    assert "moisture_disbond: 1 finds only" in "\n".join(answer.cautions)
    assert answer.repeat is None or answer.repeat > 0
    if shape is not None:
        assert mode.shape == pytest.approx(shape, rel=0.35)


def test_a_fleet_of_one_aircraft_is_answered(tmp_path, ask):
    """Its two panels are one cluster, so that nothing can be said of how aircraft differ."""
    fleet = Hand(tmp_path / "one").aircraft("A1").panel("P1", "A1").panel("P2", "A1", zone="Z2")
    fleet.card("A1", 500, 1500, 3000).card("A1", 500, 1500, 3000, zone="Z2")
    fleet.find("A1", 3500, kind="moisture_disbond")
    mode = recommend(fleet.load(), ask()).modes[0]
    assert (mode.histories.n_lives, mode.histories.n_finds) == (2, 1)
    assert mode.fit.robust_covariance is None


def test_fewer_clean_looks_never_support_a_longer_interval(clean, ask):
    """Half of the looks are left out: the same silence says less."""
    halves = []
    for every in (1, 2):
        cards = clean.fleet.tables["cards"].iloc[::every].reset_index(drop=True)
        one = Evidence(replace(clean.fleet, tables=clean.fleet.tables | {"cards": cards}))
        last = one.histories(
            ("flap",), "moisture_disbond", "calendar_days", ("recorded", "implied")
        ).lower.sum()
        halves.append((last, recommend(one, ask(packages=())).modes[0].scale))
    assert halves[1][0] < halves[0][0]
    assert halves[1][1] <= halves[0][1]


# Refusals -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"group": "wing"}, r"^question small: `group` must be a group of the zones table\. Got wing\. Known are flap\.$"),
        ({"growth_groups": ("flap", "wing"), "mode": {"growth": "fit"}}, r"`group` must be a group of the zones table\. Got wing\."),
        ({"life_groups": ("flap", "wing")}, r"`group` must be a group of the zones table\. Got wing\."),
        ({"mode": {"restoration": "fit"}}, r"^question small: restoration of moisture_disbond cannot be fitted: `lives` must hold lives after a repair\..*State it as a number between 0 and 1"),
        ({"packages": ("C check",)}, r"^question small: packages: 'C check' is not a package of dataset\.toml\. Known are A check, base check\.$"),
        ({"mode": {"growth": "fit"}}, r"^question small: growth of moisture_disbond cannot be fitted: .*Got 0\. State the growth"),
        ({"known_on": pd.Timestamp("2009-01-01").date()}, r"^question small: "),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_one_clear_refusal(evidence, ask, fields, message):
    with pytest.raises(QuestionError, match=message):
        recommend(evidence, ask(**fields))


@pytest.mark.parametrize(
    ("q", "error", "message"),
    [
        (
            0.0,
            np.nan,
            r"the looks after repairs do not tell it \(fit 0\.00, 95 % profile bounds up to 0\.70\)",
        ),
        (0.5, 0.9, r"do not tell it .*the upper bound is the careful one"),
        (1.3, 0.2, r"repaired panels do no better than old ones\. State `restoration` = 1"),
    ],
)
def test_a_restoration_that_the_looks_do_not_tell_is_refused_with_the_careful_number(
    evidence, ask, monkeypatch, q, error, message
):
    monkeypatch.setattr(Evidence, "restoration", lambda *_: Restored(q, error))
    with pytest.raises(QuestionError, match=message):
        recommend(evidence, ask(mode={"restoration": "fit"}))


def test_a_fitted_restoration_is_drawn_and_told(evidence, ask, monkeypatch):
    monkeypatch.setattr(Evidence, "restoration", lambda *_: Restored(0.5, 0.1))
    answer = recommend(evidence, ask(mode={"restoration": "fit"}))
    q = answer.modes[0].draws.restoration[1:]
    assert (q.mean(), q.std()) == pytest.approx((0.5, 0.1), abs=0.02)
    assert "fitted to lives after repairs" in "\n".join(answer.assumptions)


class Restored:
    """A fit of the restoration factor with a given result."""

    fitted = ("repair",)

    def __init__(self, q, error):
        self.restoration = pd.Series({"repair": q})
        self.covariance = np.diag([1.0, 1.0, error**2])

    def bounds(self, name, method):
        return 0.0, 0.7


def test_the_own_group_alone_borrows_nothing(ask, evidence, answer):
    assert recommend(evidence, ask(life_groups=("flap",))).modes[0].scale == answer.modes[0].scale


def test_few_sizes_for_the_onset_rest_on_a_weak_prior_and_say_so(single, ask):
    answer = recommend(single, ask(mode={"onset": "fit"}))
    assert "the size at onset rests on 1 sizes at first find and on a weak prior" in "\n".join(
        answer.cautions
    )


def test_no_limit_in_force_is_refused_with_what_to_do(fleet, ask):
    none = replace(fleet, tables=fleet.tables | {"limits": fleet.tables["limits"].iloc[:0]})
    with pytest.raises(
        QuestionError,
        match=r"^question small: limits: no revision for group 'flap' is in force on 2020-12-31\. Add it",
    ):
        recommend(none, ask())
    assert recommend(none, ask(limit_mm=55.0)).limit_mm == 55


def with_limits(fleet, *rows):
    """Exchange the limits: the first of the fleet with these cells, one row each."""
    first = fleet.tables["limits"].iloc[0].to_dict()
    limits = pd.DataFrame(
        [first | {"limit": f"M{k + 1}", "bounds": "equivalent_diameter"} | row for k, row in enumerate(rows)]
    )
    return replace(fleet, tables=fleet.tables | {"limits": limits})


def test_the_limit_is_that_of_the_kind_asked_about_and_of_no_other_kind(fleet, ask):
    extent = {"bounds": "longest_extent"}
    own = {"size": 45.0, "kind": "moisture_disbond"}
    limits = ({"size": 60.0}, own | extent, {"size": 5.0, "kind": "dent"})
    answer = recommend(with_limits(fleet, *limits), ask(packages=()))
    assert not any("limits differ by kind" in line for line in answer.cautions)
    by_extent = next(
        line for line in answer.special_cautions if "the limit bounds the longest extent (45 mm)" in line
    )
    ratio = float(by_extent.split("longest extent is ")[1].split(" times")[0])
    assert answer.limit_mm == pytest.approx(45 / ratio, rel=0.005)
    assert recommend(with_limits(fleet, own), ask(packages=())).limit_mm == 45


def test_of_limits_that_differ_by_kind_the_smallest_is_used_and_told(fleet, ask):
    """An area of 1,257 mm² is a disc of 40 mm."""
    area = {"size": 400 * np.pi, "kind": "disbond", "bounds": "area"}
    mode = ask().modes[0]
    question = ask(packages=(), modes=(mode, mode.model_copy(update={"kind": "disbond"})))
    answer = recommend(with_limits(fleet, {"size": 60.0}, area), question)
    assert answer.limit_mm == pytest.approx(40)
    words = "the limits differ by kind (moisture_disbond 60 mm, disbond 40 mm): the smallest, 40 mm, is used for all of them"
    assert words in answer.special_cautions


def test_a_kind_without_a_limit_is_refused_by_name(fleet, ask):
    with pytest.raises(QuestionError, match="no revision for group 'flap' and moisture_disbond is in force"):
        recommend(with_limits(fleet, {"kind": "dent"}), ask())


def test_no_planned_usage_is_refused_with_the_subtype(fleet, ask):
    bare = replace(fleet, planned_usage=fleet.planned_usage.iloc[:0])
    with pytest.raises(QuestionError, match=r"`planned_usage` in dataset\.toml must give .* Got none for S1"):
        recommend(bare, ask())


def test_several_kinds_add_up(evidence, ask):
    """The risk of two kinds is the sum of theirs at the same schedule."""
    second = Mode(
        kind="disbond",
        clock="flight_cycles",
        assumed_shape=3.0,
        growth=ask().modes[0].growth,
        onset=ask().modes[0].onset,
    )
    fields = {
        "packages": (),
        "govern": ("growth_window",),
        "growth_window": GrowthWindow(detectable_pod=0.5),
        "target": target(100.0),
    }
    both = recommend(evidence, ask(modes=(ask().modes[0], second), **fields))
    alone = [recommend(evidence, ask(modes=(mode,), **fields)) for mode in both.question.modes]
    repeats = set(both.curve["repeat"]) & set(alone[0].curve["repeat"]) & set(alone[1].curve["repeat"])
    assert repeats
    assert [mode.kind for mode in both.modes] == ["moisture_disbond", "disbond"]
    assert len(both.to_frame()) == 2


def test_what_the_risk_rule_allows_is_worked_out_without_the_rest_of_the_answer(
    small_evidence, small_question
):
    """The short way by which many states of the data are compared gives the numbers of the whole answer."""
    from kit.intervals import allowed_by_risk

    answer = kit.recommend(small_evidence, small_question)
    interval, share = allowed_by_risk(small_evidence, small_question)
    (risk,) = (rule.interval for rule in answer.rules if rule.rule == "risk")
    judged = answer.proposal or answer.present
    assert interval == risk
    assert share == (answer.share_meeting if judged is None else judged["share_meeting"])
