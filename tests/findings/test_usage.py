"""Meters become clocks: linear, across meter changes, with stated ends."""

import numpy as np
import pandas as pd
import pytest

from kit.findings import Meters


def meters(tiny) -> Meters:
    fleet = tiny.load()
    return Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)


def test_usage_is_linear_between_readings(tiny):
    # A1 flies 10 hours and 5 cycles a day: 365 days of 2010
    at = meters(tiny).at(["A1", "A1", "A1"], ["2010-01-01", "2011-01-01", "2015-01-01"], "flight_hours")
    assert at.tolist() == [0.0, 3650.0, 18260.0]
    assert meters(tiny).at("A1", ["2011-01-01"], "flight_cycles").tolist() == [1825.0]


def test_a_meter_change_takes_no_usage(tiny):
    at = meters(tiny)
    assert at.at("A1", ["2020-12-01"], "flight_hours").tolist() == [18260 + 21610]
    assert at.at("A1", ["2020-12-01"], "flight_cycles").tolist() == [19935]
    days = pd.date_range("2014-12-01", "2015-02-01")
    steps = np.diff(at.at("A1", days, "flight_hours"))
    assert steps == pytest.approx(10.0, abs=0.01)


def test_two_meter_changes_add_up(tiny):
    tiny.set(
        "usage",
        "R4",
        read_on="2018-01-01",
        recorded_on="2018-01-01",
        flight_hours="11000",
        flight_cycles="14600",
    )
    tiny.add("usage", "R4", reading="R4b", flight_hours="100", meter_change="yes")
    tiny.add(
        "usage",
        "R4",
        reading="R4c",
        read_on="2019-01-01",
        recorded_on="2019-01-01",
        flight_hours="3000",
        flight_cycles="16000",
    )
    at = meters(tiny)
    assert at.at("A1", ["2018-01-01", "2019-01-01"], "flight_hours").tolist() == [29260.0, 32160.0]
    assert at.at("A1", ["2019-01-01"], "flight_cycles").tolist() == [16000.0]


def test_before_the_first_reading_usage_rises_from_nought_at_entry(tiny):
    # A2 entered 2010-01-01 and shows 2922 hours on 2014-01-01, 1461 days later
    at = meters(tiny).at("A2", ["2009-12-31", "2010-01-01", "2012-01-01", "2014-01-01"], "flight_hours")
    assert np.isnan(at[0])
    assert at[1:].tolist() == [0.0, 2 * 730.0, 2922.0]


def test_after_the_last_reading_the_last_year_goes_on_up_to_60_days_and_the_cut_off(tiny):
    tiny.set("usage", "R6", read_on="2020-12-31").set(
        "usage", "R4", read_on="2020-10-01", recorded_on="2020-10-01"
    )
    tiny.set("usage", "R4", flight_hours="20990", flight_cycles="19625")
    at = meters(tiny)
    rate = 20990 / (pd.Timestamp("2020-10-01") - pd.Timestamp("2015-01-01")).days
    got = at.at("A1", ["2020-10-01", "2020-11-30", "2020-12-01"], "flight_hours")
    assert got[:2] == pytest.approx([39250.0, 39250 + 60 * rate])
    assert np.isnan(got[2])
    assert np.isfinite(at.at("A2", ["2020-12-31"], "flight_hours")).all()
    assert np.isnan(at.at("A2", ["2021-01-01"], "flight_hours")).all()


def test_calendar_days_run_from_entry(tiny):
    at = meters(tiny).at(["A1", "A2", "A9"], ["2010-01-11", "2009-12-31", "2012-01-01"], "calendar_days")
    assert at[0] == 10.0
    assert np.isnan(at[1:]).all()


def test_no_readings_no_aircraft_and_no_day_give_nan(tiny):
    tiny.rows["usage"] = [row for row in tiny.rows["usage"] if row["aircraft"] == "A1"]
    at = meters(tiny).at(["A2", "A9", "A1"], ["2015-01-01", "2015-01-01", "NaT"], "flight_hours")
    assert np.isnan(at).all()


def test_one_reading_alone_is_linear_from_entry_and_goes_on(tiny):
    tiny.rows["usage"] = [tiny.row("usage", "R4") | {"read_on": "2020-12-01"}]
    days = (pd.Timestamp("2020-12-01") - pd.Timestamp("2010-01-01")).days
    got = meters(tiny).at("A1", ["2010-01-02", "2020-12-31"], "flight_hours")
    assert got == pytest.approx([21610 / days, 21610 * (days + 30) / days])


def test_an_unknown_clock_is_refused_with_the_clocks(tiny):
    with pytest.raises(
        ValueError, match=r"one of flight_hours, flight_cycles, calendar_days\. Got 'landings'"
    ):
        meters(tiny).at("A1", ["2015-01-01"], "landings")
