"""Events up to a day with all that is known now, against the data as known on that day."""

import pandas as pd
import pytest

from kit.findings import TABLES, events_up_to


def ids(fleet, table):
    return fleet.tables[table][TABLES[table].id_column].tolist()


def test_a_late_row_counts_by_its_event_and_not_by_when_it_became_known(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")  # found on 2019-05-05
    fleet = tiny.load()
    assert ids(events_up_to(fleet, "2019-12-31"), "findings") == ["D1", "D2", "D3", "D4"]
    assert ids(fleet.as_known_on("2019-12-31"), "findings") == ["D1", "D2", "D3"]


def test_a_correction_made_later_stands(tiny):
    tiny.add("findings", "D4", finding="D4b", kind="puncture", recorded_on="2020-06-01", replaces="D4")
    fleet = tiny.load()
    later, known = events_up_to(fleet, "2019-12-31"), fleet.as_known_on("2019-12-31")
    assert later.tables["findings"].set_index("finding")["kind"].get("D4b") == "puncture"
    assert known.tables["findings"].set_index("finding")["kind"].get("D4") == "dent"


def test_a_withdrawal_made_later_stands(tiny):
    tiny.add("findings", "D4", finding="D4b", disposition="void", recorded_on="2020-06-01", replaces="D4")
    later = events_up_to(tiny.load(), "2019-12-31").tables["findings"].set_index("finding")
    assert later.loc["D4b", "disposition"] == "void"


def test_events_after_the_day_go_and_the_day_itself_stays(tiny):
    fleet = tiny.load()
    on, before = events_up_to(fleet, "2019-05-05"), events_up_to(fleet, "2019-05-04")
    assert "D4" in ids(on, "findings")
    assert "D4" not in ids(before, "findings")
    assert ids(events_up_to(fleet, "2013-01-01"), "cards") == ["C1"]
    assert ids(events_up_to(fleet, "2013-01-01"), "repairs") == []
    assert ids(fleet, "findings") == ["D1", "D2", "D3", "D4"]  # the fleet itself is as it was


def test_no_event_is_after_the_day_in_any_table(tiny):
    day = pd.Timestamp("2017-01-01")
    fleet = events_up_to(tiny.load(), day)
    dated = {name: table.event_date for name, table in TABLES.items() if table.event_date}
    for name, column in dated.items():
        assert not (fleet.tables[name][column] > day).any(), name


def test_a_removal_after_the_day_has_not_happened_yet(tiny):
    fleet = tiny.load()
    before = events_up_to(fleet, "2015-12-31").tables["panels"].set_index("fitting")
    assert pd.isna(before.loc["F1", "removed_on"])
    assert "F5" not in before.index
    after = events_up_to(fleet, "2016-01-01").tables["panels"].set_index("fitting")
    assert after.loc["F1", "removed_on"] == pd.Timestamp("2016-01-01")
    assert "F5" in after.index


@pytest.mark.parametrize(("table", "key"), [("tasks", "K1"), ("basing", "B1")])
def test_an_end_of_validity_after_the_day_has_not_come_yet(tiny, table, key):
    tiny.set(table, key, valid_to="2018-06-30")
    fleet = tiny.load()
    name = TABLES[table].id_column
    for day, ended in (("2018-06-29", False), ("2018-06-30", True)):
        row = events_up_to(fleet, day).tables[table].set_index(name).loc[key]
        assert pd.notna(row["valid_to"]) is ended


def test_zones_have_no_day_and_stay(tiny):
    assert ids(events_up_to(tiny.load(), "2010-06-01"), "zones") == ["Z1", "Z2"]


def test_the_day_becomes_the_cut_off_and_a_day_after_it_changes_nothing(tiny):
    fleet = tiny.load()
    assert events_up_to(fleet, "2018-03-01 15:30").cut_off == pd.Timestamp("2018-03-01")
    same = events_up_to(fleet, "2035-01-01")
    assert same.cut_off == fleet.cut_off
    assert same.fingerprint() == fleet.fingerprint()
    assert same.known_on == fleet.known_on


def test_where_nothing_came_late_both_views_hold_the_same_events(tiny):
    """What differs is only what was written down after the day: the removal of P1 is recorded on its day."""
    tiny.set("findings", "D4", recorded_on="2019-05-05").set("cards", "C2", recorded_on="2014-01-01")
    tiny.set("inspections", "L2", recorded_on="2014-01-01").set("findings", "D1", recorded_on="2014-01-01")
    tiny.set("repairs", "X1", recorded_on="2017-05-02")
    fleet = tiny.load()
    for day in ("2014-06-01", "2016-01-05", "2017-05-02", "2019-12-31"):
        known, later = fleet.as_known_on(day), events_up_to(fleet, day)
        for table in ("cards", "inspections", "findings", "repairs"):
            assert ids(known, table) == ids(later, table), (day, table)
