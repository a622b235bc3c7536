"""Which rules govern and what the target is held against, by class of structure; intervals as a planner writes them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_problem import BASE, N_DRAWS, PER_UNIT, problem

from kit.intervals import Usage, combine, parts_side_by_side
from kit.intervals.cautions import own_cautions
from kit.intervals.planned import as_planned, planned_words, rounded_down
from kit.intervals.question import Cost, GrowthWindow
from kit.intervals.structure import CLASSES, held_against_of_class, rules_of_class, strictest
from kit.posterior import FrailtyDraws


def of_class(name, **more):
    made = problem(**BASE | {"horizon": 30_000.0})
    asked = {
        "growth_window": GrowthWindow(detectable_pod=0.5),
        "cost": Cost(look=1.0, repair=1.0, beyond_limit=1.0),
    }
    return replace(made, ask=made.ask.model_copy(update=asked | more), structure_class=name)


def test_critical_and_primary_structure_ask_for_the_smallest_of_all_rules_that_bear_on_safety():
    by_class = {name: combine(of_class(name)) for name in CLASSES}
    repeats = [by_class[name].repeat for name in CLASSES]
    assert repeats[0] == repeats[1] < repeats[2] == repeats[3]
    assert by_class["critical"].governed_by == "growth_window"
    assert by_class["tertiary"].governed_by == "risk"


def test_a_class_that_is_not_known_asks_most():
    assert strictest([]) == strictest(["", "unheard of"]) == "critical"
    assert strictest(["tertiary", "primary"]) == "primary"
    assert rules_of_class("", ["risk", "cost", "growth_window"]) == ("risk", "growth_window")
    assert held_against_of_class("") == held_against_of_class("critical") == "worst_zone"


def test_a_question_that_leaves_out_a_shorter_rule_of_the_class_is_told_so():
    made = of_class("critical", govern=("risk",))
    told = own_cautions(made, combine(made), current=np.inf, flown=np.nan)
    assert "lets only risk govern, and detectable-growth interval" in told["class"]
    secondary = of_class("secondary", govern=("risk",))
    assert "class" not in own_cautions(secondary, combine(secondary), current=np.inf, flown=np.nan)


def test_an_interval_that_no_programme_could_follow_is_none():
    made = of_class(
        "critical", growth_window=GrowthWindow(detectable_pod=0.85, opportunities=10, growth_percentile=0.999)
    )
    schedule = combine(made)
    assert schedule.repeat is None
    assert "shorter than any programme" in next(
        one.reason for one in schedule.rules if one.rule == "growth_window"
    )


def with_zones(made):
    hazards = np.exp(0.4 * np.random.default_rng(3).standard_normal((N_DRAWS + 1, 4)))
    drawn = FrailtyDraws(
        names=tuple("abcd"),
        found=np.zeros(4),
        expected=np.zeros(4),
        multiplier=hazards,
        log_sd=np.full(N_DRAWS + 1, 0.4),
    )
    return replace(made, zones={"disbond": drawn})


def test_critical_structure_is_held_against_its_worst_zone_and_others_say_where_that_misses():
    zoned = with_zones(of_class("critical", growth_window=None))
    mean = with_zones(of_class("secondary", growth_window=None))
    assert combine(zoned).repeat < combine(mean).repeat
    told = own_cautions(mean, combine(mean), current=np.inf, flown=np.nan)
    assert "its worst zone" in told["worst_zone"]
    assert "worst_zone" not in own_cautions(zoned, combine(zoned), current=np.inf, flown=np.nan)


def test_a_part_of_the_fleet_that_misses_the_target_is_named():
    made = of_class("tertiary", growth_window=None)
    fast = {clock: 1.6 * value for clock, value in PER_UNIT.items()} | {"flight_hours": 1.0}
    kind = replace(made.kinds[0], clock="flight_cycles")
    usages = (
        Usage(name="short hops", share=0.5, clock_per_unit=fast),
        Usage(name="long legs", share=0.5, clock_per_unit=PER_UNIT),
    )
    made = replace(made, kinds=(kind,), usages=usages)
    schedule = combine(made)
    parts = parts_side_by_side(made, schedule)
    told = own_cautions(made, schedule, current=np.inf, flown=np.nan, parts=parts)
    assert "short hops (50% of the panels)" in told["part"]
    assert "which alone would have its initial inspection at" in told["part"]
    assert "long legs" not in told["part"]


@given(st.floats(0.5, 1e7))
def test_what_a_planner_writes_is_never_longer_and_less_than_a_tenth_shorter(amount):
    written = rounded_down(amount)
    assert amount * 0.9 < written <= amount * (1 + 1e-9)
    assert rounded_down(written) == pytest.approx(written)


def test_an_interval_is_written_on_every_clock_whichever_first():
    per_day = {"flight_hours": 7.0, "flight_cycles": 5.0, "calendar_days": 1.0}
    assert as_planned(3244.4, "flight_hours", per_day) == {
        "flight_hours": 3200.0,
        "flight_cycles": 2300.0,
        "months": 15.0,
    }
    words = planned_words(3244.4, "flight_hours", per_day, busiest=per_day | {"flight_hours": 9.0})
    assert (
        words
        == "3,200 flight hours, 2,300 flight cycles or 15 months, whichever first (busiest aircraft: 11 months)"
    )
    assert as_planned(40.0, "calendar_days", per_day)["days"] == 40.0
    with pytest.raises(ValueError, match="must be positive and finite"):
        rounded_down(0.0)
