"""The age belongs to the physical panel, wherever it is fitted."""

import numpy as np
import pandas as pd
import pytest

from kit.findings import PanelAges, panel_ages, record_starts


def test_a_panel_takes_its_age_to_the_next_aircraft(tiny):
    fleet = tiny.load()
    days = ["2009-12-31", "2010-01-01", "2014-01-01", "2016-01-01", "2016-01-05", "2016-01-10", "2020-12-31"]
    # 10 hours a day on A1 until 2015-01-01, then 21610 hours in 2161 days; 3636 hours on A3 after 2016-01-10
    leaving = 18260 + 365 * 10.0
    got = panel_ages(fleet, "P1", days, "flight_hours")
    assert np.isnan(got[0])
    assert got[1:] == pytest.approx([0, 14610, leaving, leaving, leaving, leaving + 3636])


def test_calendar_days_run_on_in_the_store(tiny):
    fleet = tiny.load()
    got = panel_ages(fleet, ["P1", "P1"], ["2016-01-05", "2017-01-01"], "calendar_days")
    assert got.tolist() == [2195.0, 2557.0]


def test_a_prior_age_counts_and_an_unknown_one_is_nan(tiny):
    fleet = tiny.load()
    # A2 flies 2 hours a day
    assert panel_ages(fleet, "P4", ["2012-01-11"], "flight_hours").tolist() == [520.0]
    assert panel_ages(fleet, "P4", ["2012-01-11"], "flight_cycles").tolist() == [410.0]
    assert panel_ages(fleet, "P4", ["2012-01-11"], "calendar_days").tolist() == [610.0]
    for clock in ("flight_hours", "flight_cycles", "calendar_days"):
        assert np.isnan(panel_ages(fleet, ["P5", "P9"], ["2018-01-01", "2018-01-01"], clock)).all()


def test_a_prior_age_at_a_later_fitting_holds_from_there(tiny):
    tiny.set("panels", "F6", prior_flight_hours="30000", prior_days="3000")
    fleet = tiny.load()
    days = ["2014-01-01", "2016-01-10", "2020-12-31"]
    assert panel_ages(fleet, "P1", days, "flight_hours") == pytest.approx([14610, 30000, 33636])
    assert panel_ages(fleet, "P1", days, "calendar_days").tolist() == [1461.0, 3000.0, 3000.0 + 1817]


def test_unknown_usage_on_one_aircraft_makes_later_ages_unknown_and_no_others(tiny):
    tiny.rows["usage"] = [row for row in tiny.rows["usage"] if row["aircraft"] != "A1"]
    fleet = tiny.load()
    got = panel_ages(fleet, ["P1", "P3", "P4"], ["2018-01-01"] * 3, "flight_hours")
    assert np.isnan(got).tolist() == [True, False, False]


def test_many_pairs_agree_with_one_at_a_time(tiny):
    fleet = tiny.load()
    rng = np.random.default_rng(3)
    panels = rng.choice(["P1", "P2", "P3", "P4", "P5"], 200)
    days = np.datetime64("2009-06-01") + rng.integers(0, 4300, 200)
    ages = PanelAges(fleet, "flight_cycles")
    one_by_one = [ages.at(panel, [day])[0] for panel, day in zip(panels, days, strict=True)]
    np.testing.assert_array_equal(ages.at(panels, days), one_by_one)


def test_ages_never_fall(tiny):
    ages = PanelAges(tiny.load(), "flight_hours")
    days = pd.date_range("2010-01-01", "2020-12-31", freq="11D")
    for panel in ("P1", "P2", "P3"):
        assert (np.diff(ages.at(panel, days)) >= 0).all()


def test_an_unknown_clock_is_refused(tiny):
    with pytest.raises(ValueError, match=r"one of flight_hours, flight_cycles, calendar_days\. Got 'hours'"):
        panel_ages(tiny.load(), "P1", ["2015-01-01"], "hours")


def test_records_of_a_panel_start_with_those_of_its_aircraft(tiny):
    starts = record_starts(tiny.load())
    assert starts.dt.strftime("%Y-%m-%d").to_dict() == {
        "P1": "2010-01-01",
        "P2": "2010-01-01",
        "P3": "2014-01-01",
        "P4": "2014-01-01",
        "P5": "2016-01-01",
    }


def test_a_panel_that_left_before_the_records_began_starts_where_it_is_seen(tiny):
    # P3 left A2 before its records begin and came to A3 in 2013
    tiny.set("panels", "F3", removed_on="2012-01-01", recorded_on="2014-01-01")
    tiny.set("panels", "F6", panel="P3", fitted_on="2013-05-01", recorded_on="2013-05-01")
    starts = record_starts(tiny.load())
    assert starts["P3"] == pd.Timestamp("2013-05-01")
    tiny.rows["panels"] = [row for row in tiny.rows["panels"] if row["fitting"] != "F6"]
    tiny.rows["cards"] = [row for row in tiny.rows["cards"] if row["card"] != "C4"]
    assert pd.isna(record_starts(tiny.load())["P3"])
