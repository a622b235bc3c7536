"""Intervals that can be flown: searches, packages, shares, clocks."""

import ast
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import kit
from kit.intervals import RULES
from kit.intervals.packages import Package, in_packages, package_lengths, shortest_on_clock
from kit.intervals.question import RULE_FIELDS
from kit.intervals.search import age_at_share, longest_meeting
from kit.intervals.structure import rules_of_class

NAN = float("nan")
PER_DAY = {"calendar_days": 1.0, "flight_hours": 6.0, "flight_cycles": 5.0}


# The search ---------------------------------------------------------------------------------------


def smooth(edge):
    """Rise through 0 at the edge, as the log of a risk over its target does."""
    return lambda interval: 2.3 * math.log(interval / edge)


def stepped(edge):
    """Say no more than whether the target is met."""
    return lambda interval: -1.0 if interval <= edge else 1.0


def bent(edge):
    """Rise hardly at all below the edge and steeply above it."""
    return lambda interval: (0.01 if interval <= edge else 40.0) * math.log(interval / edge)


def endless(edge):
    """Go down without end where the risk is nought, as a log does."""
    return lambda interval: -math.inf if interval < edge / 2 else math.log(interval / edge)


SHAPES = st.sampled_from([smooth, stepped, bent, endless])


def search(shape, *, start, longest=20_000.0, shortest=100.0):
    return longest_meeting(
        lambda interval: shape(interval) <= 0, start=start, shortest=shortest, longest=longest, unit=7.0
    )


@given(SHAPES, st.floats(110, 19_990), st.floats(1, 19_999))
def test_the_longest_that_meets_the_target_is_found_to_two_percent_on_the_short_side(shape, edge, start):
    calls = []

    def excess(interval):
        calls.append(interval)
        return shape(edge)(interval)

    found = search(excess, start=start)
    assert found <= edge <= found * 1.02 * (1 + 1e-12)
    assert all(100.0 <= interval <= 20_000.0 for interval in calls)


def test_a_smooth_risk_takes_few_looks():
    calls = []
    search(lambda interval: calls.append(interval) or smooth(3210.0)(interval), start=5000.0)
    assert len(set(calls)) < 12


def test_where_all_meet_it_it_is_the_longest_and_where_none_does_there_is_none():
    assert search(lambda _: -1.0, start=500.0, longest=2000.0) == 2000.0
    assert search(lambda _: 0.0, start=500.0, longest=2000.0) == 2000.0
    assert search(lambda _: 1.0, start=500.0, longest=2000.0) is None


def test_only_the_shortest_meets_it():
    assert search(stepped(100.0), start=500.0, longest=2000.0) == 100.0


@pytest.mark.parametrize("start", [2000.0, 5000.0])
def test_a_start_at_or_beyond_the_longest_is_no_obstacle(start):
    found = search(smooth(700.0), start=start, longest=2000.0)
    assert found <= 700 <= found * 1.02


def test_a_start_below_the_shortest_is_no_obstacle():
    assert search(smooth(20.0), start=50.0) is None


@given(st.sets(st.integers(0, 400)), st.sets(st.integers(0, 400)), st.floats(101, 19_999))
def test_what_misses_the_target_wherever_another_does_never_gets_the_longer_answer(some, more, start):
    """Even where risk does not rise with the interval: intervals that miss are scattered over the grid at will."""

    def missing(steps):
        return lambda interval: 1.0 if round(np.log(interval / 7.0) / np.log(1.02)) in steps else -1.0

    better, worse = (search(missing(steps), start=start) or 0.0 for steps in (some, some | more))
    assert worse <= better


# Packages -----------------------------------------------------------------------------------------

A_CHECK = Package("A check", 500.0, {"flight_hours": 500.0, "flight_cycles": NAN, "days": NAN})
BASE = Package("base check", 4400.0, {"flight_hours": 5000.0, "flight_cycles": NAN, "days": 730.0})


def test_the_largest_multiple_that_is_not_longer_with_whichever_first():
    assert in_packages(4399.0, [A_CHECK, BASE], "flight hours") == (
        4000.0,
        "every 8th A check (4,000 flight hours)",
        True,
    )
    length, words, fits = in_packages(9000.0, [BASE], "flight hours")
    assert (length, fits) == (8800.0, True)
    assert words == "every 2nd base check (10,000 flight hours or 1,460 days, whichever first)"


def test_of_two_equal_lengths_the_larger_package_is_named():
    double = Package("C check", 1000.0, {"flight_hours": 1000.0})
    assert in_packages(1400.0, [A_CHECK, double], "flight hours")[:2] == (
        1000.0,
        "every C check (1,000 flight hours)",
    )


def test_where_no_package_is_short_enough_the_interval_stands_and_it_says_so():
    assert in_packages(499.0, [A_CHECK, BASE], "flight hours") == (499.0, "every 499 flight hours", False)
    assert in_packages(1234.4, [], "calendar days") == (1234.4, "every 1,234 calendar days", False)


@pytest.mark.parametrize("times", [1, 3, 7, 10, 49, 100])
@pytest.mark.parametrize("length", [0.1, 1 / 3, 499.999, 2437.6])
def test_floating_error_at_an_exact_multiple_costs_no_package(times, length):
    package = Package("check", length, {"flight_hours": length})
    interval = sum([length] * times)
    found, _, fits = in_packages(interval, [package], "flight hours")
    assert fits
    assert found == pytest.approx(times * length, rel=1e-12)


@given(st.floats(1, 1e5), st.lists(st.floats(1, 1e4), min_size=1, max_size=4))
def test_no_package_multiple_is_longer_than_the_interval_nor_could_another_fit(interval, lengths):
    packages = [Package(f"check {i}", length, {"flight_hours": length}) for i, length in enumerate(lengths)]
    found, _, fits = in_packages(interval, packages, "flight hours")
    assert found <= interval * (1 + 1e-8)
    assert fits == (min(lengths) <= interval * (1 + 1e-9))
    for length in lengths:
        if length <= interval:
            assert math.floor(interval / length) * length <= found * (1 + 1e-8)


@pytest.mark.parametrize(
    ("n", "word"),
    [
        (2, "2nd"),
        (3, "3rd"),
        (4, "4th"),
        (11, "11th"),
        (12, "12th"),
        (13, "13th"),
        (21, "21st"),
        (22, "22nd"),
    ],
)
def test_ordinals(n, word):
    assert in_packages(n * 500.0, [A_CHECK], "flight hours")[1].startswith(f"every {word} A check")


def test_a_package_is_as_long_as_its_first_limit_on_the_clock_asked_for():
    packages = pd.DataFrame(
        {
            "name": ["base check", "A check"],
            "flight_hours": [5000.0, 500.0],
            "flight_cycles": [NAN, NAN],
            "days": [730.0, NAN],
        }
    )
    found = package_lengths(packages, ["base check", "A check"], "flight_hours", [PER_DAY])
    assert [(p.name, p.length) for p in found] == [
        ("A check", 500.0),
        ("base check", 4380.0),
    ]  # 730 days at 6 hours
    on_cycles = package_lengths(packages, ["base check"], "flight_cycles", [PER_DAY])
    assert on_cycles[0].length == pytest.approx(730 * 5)
    with pytest.raises(
        ValueError, match=r"^'C check' is not a package of dataset\.toml\. Known are base check, A check\.$"
    ):
        package_lengths(packages, ["A check", "C check"], "flight_hours", [PER_DAY])


# Clocks -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amounts", "days"),
    [
        ({"flight_hours": 600.0, "flight_cycles": NAN, "days": NAN}, 100),
        ({"flight_hours": 600.0, "flight_cycles": 450.0, "days": NAN}, 90),
        ({"flight_hours": 600.0, "flight_cycles": 450.0, "days": 80.0}, 80),
        ({"days": 80.0}, 80),
    ],
)
def test_whichever_comes_first_on_any_clock(amounts, days):
    for clock, rate in PER_DAY.items():
        assert shortest_on_clock(amounts, clock, PER_DAY) == pytest.approx(days * rate)


def test_nothing_limits():
    assert shortest_on_clock({"flight_hours": NAN, "days": NAN}, "flight_hours", PER_DAY) == math.inf
    assert shortest_on_clock({}, "flight_hours", PER_DAY) == math.inf


# Shares -------------------------------------------------------------------------------------------


@given(st.floats(0.5, 6), st.floats(1e-3, 0.9))
def test_the_age_of_a_share_is_that_of_the_closed_form(shape, allowed):
    ages = np.geomspace(10, 1e5, 2000)
    share = -np.expm1(-((ages / 8000) ** shape))
    expected = 8000 * (-np.log1p(-allowed)) ** (1 / shape)
    expected = min(max(expected, 10), 1e5)
    assert age_at_share(ages, share, allowed) == pytest.approx(expected, rel=1e-4)


def test_a_share_reached_at_once_or_never_gives_an_end():
    ages = np.array([10.0, 100.0, 1000.0])
    assert age_at_share(ages, np.array([0.3, 0.4, 0.5]), 0.2) == 10.0
    assert age_at_share(ages, np.array([0.0, 0.01, 0.02]), 0.2) == 1000.0
    assert age_at_share(ages, np.zeros(3), 0.2) == 1000.0


def test_a_share_that_jumps_from_nothing_is_found_within_the_step():
    assert 100.0 <= age_at_share(np.array([10.0, 100.0, 1000.0]), np.array([0.0, 0.0, 0.5]), 0.2) <= 1000.0


def test_a_rule_stands_in_two_files_alone():
    """Its numbers in the question, what it works out in the rules; answers, words, figures and records take it by its name."""
    names = tuple(rule.name for rule in RULES)
    assert names == tuple(RULE_FIELDS)
    kit_folder = Path(kit.__file__).parent
    for name in ("detection_chance", "failure_finding"):
        holds = {
            path.relative_to(kit_folder).as_posix()
            for path in kit_folder.rglob("*.py")
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Constant) and node.value == name
        }
        assert holds == {"intervals/question.py", "intervals/rules.py"}


def test_a_rule_that_is_added_governs_what_bears_on_safety():
    assert rules_of_class("critical", ("risk", "of tomorrow", "cost")) == ("risk", "of tomorrow")
