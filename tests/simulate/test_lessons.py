"""Lessons planted in the demo fleet: the naive look at the data errs, the right one comes near the truth.

Each holds the three against each other; how near they come is what the planted differences and the demo's number of finds allow.
"""

import numpy as np
import pytest
from support import DEMO

import kit
from kit.simulate import lessons

pytestmark = pytest.mark.long


def values(lesson):
    """The answers as numbers: naive, right, truth."""
    return [lesson["value"].loc[name] for name in ("naive", "right", "truth")]


def test_lesson_a_all_kinds_together_by_count_hide_who_leads_in_each(demo_fleet):
    """Flap and cowl door have most finds, by their size and looks; by damage the radome leads, as in truth."""
    table = lessons.lesson_kinds(demo_fleet, DEMO, kit.rank_by_damage(demo_fleet))
    assert (table["leads"] == table["leads_in_truth"]).all()
    assert table.at["all", "most_found"] != table.at["all", "leads_in_truth"]
    assert table.at["core_damage", "most_found"] != table.at["core_damage", "leads_in_truth"]
    assert (table["p_worst"] > 0.5).all()


def test_lesson_b_water_on_flight_cycles_is_laid_to_the_subtype(demo_fleet):
    """Naive: a hazard several times as large, sure of it; on the calendar the two are indistinguishable; in truth they are alike."""
    lesson = lessons.lesson_clock(demo_fleet, DEMO)
    naive, right, truth = values(lesson)
    assert truth == 1
    assert naive > 3
    assert "differs" in lesson["says"]["naive"]
    assert "is indistinguishable" in lesson["says"]["right"]
    assert abs(np.log(right)) < 0.25 * abs(np.log(naive))


def test_lesson_c_a_bad_lot_hides_in_the_pooled_spoilers(demo_fleet):
    """Pooled, all spoilers wear out early; told apart, lot Q lives about as much shorter as it was made to."""
    naive, right, truth = values(lessons.lesson_lot(demo_fleet, DEMO))
    assert naive == 1 > truth
    assert abs(np.log(right / truth)) < 0.25 * abs(np.log(naive / truth))


def test_lesson_d_a_better_method_looks_like_a_surge(demo_fleet):
    """Finds rise when the instrument comes; it sees small damage that a hand misses, and larger damage no better."""
    lesson = lessons.lesson_method(demo_fleet, DEMO)
    naive, right, truth = values(lesson)
    assert naive > truth > 1
    assert right > 1.1
    assert abs(np.log(lesson["value"]["right for larger ones"])) < abs(np.log(right))
    assert "no more" in lesson["says"]["right for larger ones"]


def test_lesson_e_what_was_known_then_lacks_what_came_late(demo_fleet):
    """Damages of the group by the day: known then, known now of the same time, and truly found by then."""
    naive, right, truth = values(lessons.lesson_known_then(demo_fleet, DEMO))
    assert naive < truth
    assert abs(right - truth) < abs(naive - truth)


def test_lesson_f_counts_fall_because_fewer_look(demo_fleet):
    """Finds a year fall with the looks; finds a look do not, nor does the damage that arises. So few finds say so themselves."""
    lesson = lessons.lesson_fewer_looks(demo_fleet, DEMO)
    naive, right, truth = values(lesson)
    assert naive < 1 < truth
    assert right > 1
    assert "cannot show a change" in lesson["says"]["naive"]
