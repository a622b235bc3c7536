"""Nominal against actual intervals, from closed cards and meters; what a stretched repeat does is told with the answer."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_problem import BASE, problem
from support import QUESTION, Hand

import kit
from kit.intervals import Evidence, Slack, combine, package_slack, recommend
from kit.intervals.cautions import own_cautions

EVERY = 500  # days that the task names


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """One aircraft that flies 10 hours a day, with one panel and one card of a task every 500 days."""
    made = Hand(tmp_path_factory.mktemp("slack") / "one")
    made.rows["tasks"][0] |= {"repeat_days": str(EVERY)}
    return made.aircraft("A0").panel("P0", "A0").card("A0", 100).load()


def flown(fleet, *gaps, **cells):
    """The fleet, tapped after each of these gaps in days, with these cells in its task."""
    (card,) = fleet.tables["cards"].to_dict("records")
    days = card["closed_on"] + pd.to_timedelta(np.cumsum([0, *gaps]), unit="D")
    cards = pd.DataFrame([card | {"card": f"C{k}", "closed_on": day} for k, day in enumerate(days)])
    tasks = fleet.tables["tasks"].copy()
    for name, value in cells.items():
        tasks.loc[tasks["task"] == "K1", name] = value
    return replace(fleet, tables=fleet.tables | {"cards": cards, "tasks": tasks})


@pytest.fixture(scope="module")
def slack_of(tmp_path_factory):
    path = tmp_path_factory.mktemp("asked") / "small.toml"
    path.write_text(QUESTION)
    return lambda fleet: package_slack(Evidence(fleet), kit.read_question(path))


def test_a_gap_is_measured_against_what_its_task_names(fleet, slack_of):
    slack = slack_of(flown(fleet, 500, 450, 1000, 500, 500, 480, 400))
    assert slack.ratios == pytest.approx([0.8, 0.9, 0.96, 1, 1, 1, 2])
    assert (slack.n_open, slack.middle, slack.longest) == (0, 1.0, 2.0)
    assert slack.share_over == pytest.approx(1 / 7)
    assert "1.00 times their interval apart in the middle" in slack.words


def test_of_several_clocks_the_one_that_ran_out_first_counts(fleet, slack_of):
    """An aircraft of the fleet flies 10 hours a day: 500 days are 5,000 hours, 1.25 times 4,000."""
    slack = slack_of(flown(fleet, *[500] * 7, repeat_flight_hours=4000.0))
    assert slack.ratios[1:] == pytest.approx(1.25, rel=1e-3)
    assert slack.n_open == 1  # the last one, of the days that are left


def test_a_zone_left_out_of_a_card_was_not_looked_at(fleet, slack_of):
    fleet = flown(fleet, *[500] * 7)
    fleet.tables["cards"].loc[3, "zones_not_done"] = "Z1"
    assert slack_of(fleet).ratios == pytest.approx([1, 1, 1, 1, 1, 2])


def test_a_gap_that_is_still_open_counts_once_it_is_longer_than_nominal(fleet, slack_of):
    slack = slack_of(flown(fleet, 500, 500))
    assert (slack.n_open, slack.longest > 2) == (1, True)
    assert "1 of them not closed yet" in slack.words


def test_without_an_interval_or_a_second_card_nothing_is_told(fleet, slack_of):
    assert slack_of(flown(fleet, 500, repeat_days=np.nan)) is None
    assert slack_of(flown(fleet)) is None


def test_the_share_of_draws_that_meet_the_target_with_a_stretched_repeat_is_told():
    made = problem(**BASE | {"horizon": 30_000.0})
    schedule = combine(made)
    for ratio, told in ((1.5, True), (1.0, False)):
        slack = Slack(ratios=np.array([0.9, ratio, ratio]), n_open=0)
        words = own_cautions(made, schedule, current=np.inf, flown=np.nan, slack=slack).get("slack", "")
        assert (f"{1.5 * schedule.repeat:,.0f} flight hours and meets the target in" in words) == told


@pytest.mark.long
def test_a_repeat_flown_longer_than_nominal_is_a_caution_and_one_that_is_kept_is_none(fleet, tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(QUESTION)
    late, kept = (recommend(flown(fleet, *[gap] * n), path) for gap, n in ((750, 5), (490, 7)))
    (words,) = [one for one in late.special_cautions if "a repeat stretched as in nine of ten" in one]
    assert f"is {1.5 * late.repeat:,.0f} flight hours" in words
    assert not [one for one in kept.special_cautions if "stretched" in one]
    assert kept.slack is not None
