import itertools

import numpy as np
import pytest

from kit.simulate import default_scenario
from kit.simulate.fleet import build_fleet, day_date, day_number, stream


@pytest.fixture(scope="module")
def fleet():
    return build_fleet(default_scenario(), 20260630)


def test_streams_hang_on_their_key_alone():
    first = stream(7, "T01", "571", "damage").random(3)
    stream(7, "T01", "571", "panel").random(100)
    assert np.array_equal(first, stream(7, "T01", "571", "damage").random(3))
    assert not np.array_equal(first, stream(7, "T01", "671", "damage").random(3))
    assert not np.array_equal(first, stream(8, "T01", "571", "damage").random(3))


def test_base_checks_never_run_over_24_months_or_5000_hours_in_service(fleet):
    for tail in fleet:
        checks = np.concatenate([[tail.entry], tail.base_checks])
        parked = np.array([a < tail.parked[1] and b > tail.parked[0] for a, b in itertools.pairwise(checks)])
        assert (np.diff(checks)[~parked] <= 730).all()
        assert (np.diff(tail.hours[checks])[~parked] <= 5000).all()


def test_subtypes_fly_as_stated(fleet):
    for name, n, cycles, ratio in (("QV-44-100", 24, 2350, 1.05), ("QV-44-300", 12, 1050, 2.6)):
        tails = [t for t in fleet if t.subtype.name == name]
        assert len(tails) == n
        start, stop = day_number(day_date(0).replace(year=2018)), day_number(day_date(0).replace(year=2020))
        yearly = [(t.cycles[stop] - t.cycles[start]) / 2 for t in tails]
        assert np.mean(yearly) == pytest.approx(cycles, rel=0.05)
        assert np.mean([t.hours[stop] / t.cycles[stop] for t in tails]) == pytest.approx(ratio, rel=0.02)
    assert sum(t.is_second_hand for t in fleet) == 8


def test_six_parked_aircraft_do_not_fly_but_age(fleet):
    parked = [t for t in fleet if t.parked[1] > t.parked[0]]
    assert len(parked) == 6
    for t in parked:
        begin, end = t.parked
        assert t.cycles[end] == t.cycles[begin]
        assert t.moisture_clock[end] - t.moisture_clock[begin] >= end - begin


def test_looks_of_one_aircraft_keep_eight_days_apart_from_walk_rounds(fleet):
    for t in fleet:
        checks = np.concatenate([t.base_checks, t.a_checks])
        if t.opportunities.size:
            assert np.abs(t.opportunities[:, None] - checks[None, :]).min() >= 8
