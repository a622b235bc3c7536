"""What each part of a fleet would have alone: the same rules on the same damage, side by side."""

from dataclasses import replace

import numpy as np
import pytest
from made_problem import BASE, PER_UNIT, problem

from kit.intervals import Usage, combine, parts_frame, parts_side_by_side, share_meeting
from kit.intervals.packages import Package

HOPS = {clock: 1.6 * value for clock, value in PER_UNIT.items()} | {
    "flight_hours": 1.0,
    "calendar_days": 0.05,
}


@pytest.fixture(scope="module")
def mixed():
    """Two subtypes, one of which flies 1.6 times the cycles that drive the damage."""
    made = problem(**BASE | {"horizon": 30_000.0})
    usages = (
        Usage(name="long legs", share=0.6, clock_per_unit=PER_UNIT),
        Usage(name="short hops", share=0.4, clock_per_unit=HOPS),
    )
    return replace(made, kinds=(replace(made.kinds[0], clock="flight_cycles"),), usages=usages)


def test_the_part_whose_damage_is_driven_faster_has_the_shorter_interval_and_the_fleet_lies_between(mixed):
    whole = combine(mixed)
    long_legs, short_hops = parts_side_by_side(mixed, whole)
    assert short_hops.repeat < whole.repeat < long_legs.repeat
    assert short_hops.first <= whole.first <= long_legs.first
    asked = mixed.ask.target.share_of_draws
    assert short_hops.share_meeting < asked <= long_legs.share_meeting


def test_a_part_alone_meets_the_target_under_its_own_schedule(mixed):
    for one in parts_side_by_side(mixed, combine(mixed)):
        alone = mixed.of_part(one.name)
        assert share_meeting(alone, one.first, one.repeat) >= mixed.ask.target.share_of_draws - 1e-9


def test_what_is_kept_of_the_whole_fleet_changes_nothing_of_a_part(mixed):
    fresh = replace(mixed, _risks={}, _known={})
    for name in ("long legs", "short hops"):
        combine(mixed)
        now, then = combine(mixed.of_part(name)), combine(fresh.of_part(name))
        assert (now.first, now.repeat) == (then.first, then.repeat)


def test_sums_kept_on_a_clock_whose_hours_differ_by_part_are_not_mixed(mixed):
    """On cycles an hour is not as long in both parts, so that sums are taken at other ages."""
    on_cycles = {
        name: {clock: value / per_unit["flight_cycles"] for clock, value in per_unit.items()}
        for name, per_unit in (("long legs", PER_UNIT), ("short hops", HOPS))
    }
    usages = tuple(replace(one, clock_per_unit=on_cycles[one.name]) for one in mixed.usages)
    ask = mixed.ask.model_copy(update={"clock": "flight_cycles"})
    per_day = {"flight_hours": 20.0, "flight_cycles": 18.0, "calendar_days": 1.0}
    made = replace(mixed, ask=ask, usages=usages, units_per_day=per_day, _risks={}, _known={})
    share_meeting(made, 3000.0, 3000.0)
    part = made.of_part("short hops")
    again = replace(made, _risks={}, _known={}).of_part("short hops")
    assert share_meeting(part, 3000.0, 3000.0) == share_meeting(again, 3000.0, 3000.0)


def test_a_package_of_days_is_as_long_as_the_part_flies_in_it(mixed):
    made = replace(mixed, packages=(Package("check", 1.0, {"days": 100.0}),))
    assert made.of_part("short hops").packages[0].length == pytest.approx(100 / 0.05)
    with pytest.raises(ValueError, match=r"must be one of long legs, short hops. Got 'all'"):
        made.of_part("all")


def test_one_part_has_nothing_beside_it_and_several_are_a_table(mixed):
    made = problem(**BASE)
    assert parts_side_by_side(made, combine(made)) == ()
    frame = parts_frame(parts_side_by_side(mixed, combine(mixed)))
    assert list(frame["name"]) == ["long legs", "short hops"]
    assert np.isclose(frame["share"].sum(), 1)
