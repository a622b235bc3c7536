"""Odd and wrong input: each a clear statement, never an infinite or negative interval, never one above the cap."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_problem import BASE, problem
from support import QUESTION, Hand

import kit
from kit.commands.answers import answer_block
from kit.intervals import Evidence, QuestionError, combine, recommend
from kit.intervals.cautions import own_cautions

ODD = {
    "a cap below the shortest package": (
        {"cap": 900.0, "packages": (4000.0,)},
        "no package is as short as 900",
    ),
    "a limit below what can be found": ({"limit": 6.0}, "not above the size found with POD 0.9"),
    "a target that no interval meets": ({"target": 1e-9}, "not met even by a look every"),
    "a target that any interval meets": ({"target": 1e9, "allowed": 0.9}, "no limit found up to"),
    "growth that all but stands still": ({"rate": 1e-12}, ""),
    "growth that passes the limit in an hour": ({"rate": 50.0}, ""),
    "a life far beyond the horizon": ({"scale": 1e9}, "no limit found up to"),
    "a life within days": ({"scale": 30.0}, "not met even by a look every"),
}


@pytest.mark.parametrize("name", ODD)
def test_an_odd_question_has_a_finite_answer_within_the_cap_or_none_and_says_why(name):
    given, words = ODD[name]
    given = dict(given)
    more = {part: given.pop(part) for part in ("cap", "packages") if part in given}
    made = problem(**BASE | {"horizon": 30_000.0} | given, **more)
    schedule = combine(made)
    assert np.isfinite(schedule.first)
    assert 0 < schedule.first <= made.cap
    if schedule.repeat is not None:
        assert np.isfinite(schedule.repeat)
        assert 0 < schedule.repeat <= made.cap
    told = own_cautions(made, schedule, current=np.inf, flown=np.nan)
    said = "\n".join([*schedule.notes, *(rule.reason for rule in schedule.rules), *told.values()])
    assert words in said
    assert not any(token in said for token in (" inf", " nan", "-inf"))


def test_a_horizon_inside_the_first_interval_is_refused_with_the_shortest_that_will_do():
    """The shortest look is every 60 days, 1,200 hours here."""
    with pytest.raises(
        QuestionError,
        match=r"horizon: 900 flight hours lie inside the first interval: .*1,200.*Give at least 2,400\.",
    ):
        combine(problem(**BASE | {"horizon": 900.0}))


def test_a_cap_that_leaves_thousands_of_looks_is_refused_with_the_horizon_that_will_do():
    with pytest.raises(
        QuestionError,
        match=r"horizon: under the not-to-exceed limit of 12 flight hours more than 2,000 looks .*Give at most 24,000\.",
    ):
        combine(problem(**BASE | {"horizon": 30_000.0}, cap=12.0))
    with pytest.raises(
        QuestionError, match=r"not-to-exceed limit of 0\.5 flight hours .*Give at most 1,000\."
    ):
        combine(problem(**BASE | {"horizon": 30_000.0}, cap=0.5))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("rate_median = 0.0164", "rate_median = 0", r"growth.*greater than 0\. Got 0"),
        ("horizon = 40000", "horizon = -1", r"horizon: .*greater than 0\. Got -1"),
        ("horizon = 40000", "horizon = 40000\nmeasured_to_true = 50", r"measured_to_true: .*less than 5\. Got 50"),
        ("horizon = 40000", "horizon = inf", r"horizon: .*finite number\. Got inf"),
        ("per_10000_flight_hours = 0.05", "per_10000_flight_hours = 0", r"target.per_10000_flight_hours: .*greater than 0\. Got 0"),
        ("allowed_share = 0.2", "allowed_share = 1.0", r"threshold.allowed_share: .*less than 1\. Got 1.0"),
    ],
)  # fmt: skip
def test_a_number_that_cannot_be_is_named_with_its_field_and_what_it_was(tmp_path, old, new, words):
    path = tmp_path / "small.toml"
    assert old in QUESTION
    path.write_text(QUESTION.replace(old, new))
    with pytest.raises(QuestionError, match=words):
        kit.read_question(path)


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    """Eight aircraft tapped every 500 days, as known on the last day of 2020."""
    made = Hand(tmp_path_factory.mktemp("odd") / "eight")
    for i in range(8):
        made.aircraft(f"A{i}").panel(f"P{i}", f"A{i}").card(f"A{i}", *range(500, 4001, 500))
    return Evidence(made.load())


@pytest.fixture
def ask(tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(QUESTION)
    return kit.read_question(path)


@pytest.mark.long
def test_a_day_after_all_that_is_known_is_answered_as_known_on_the_last_day_and_says_so(evidence, ask):
    answer = recommend(evidence, ask.model_copy(update={"known_on": pd.Timestamp("2031-05-01").date()}))
    head = answer_block(answer)[0].strip()
    assert head == "small (known 2020-12-31, the last day of the data; asked as known on 2031-05-01)"
    same = recommend(evidence, ask)
    assert (answer.threshold, answer.repeat) == (same.threshold, same.repeat)


@pytest.mark.long
def test_planned_usage_of_20_times_what_was_flown_is_said_and_never_lengthens_days(evidence, ask):
    """Calendar damage, twenty times the hours a year: hours between looks grow, but no days do."""
    plain = recommend(evidence, ask.model_copy(update={"packages": ()}))
    planned = evidence.fleet.planned_usage * [20, 20, 1]
    wild = recommend(replace(evidence.fleet, planned_usage=planned), ask.model_copy(update={"packages": ()}))
    assert any(
        "planned usage of S1, 40,000 flight hours a year, is outside" in one for one in wild.special_cautions
    )
    assert np.isfinite(wild.threshold)
    assert wild.repeat is None or np.isfinite(wild.repeat)
    if wild.repeat is not None:
        assert wild.repeat / 20 <= plain.repeat * 1.02
