"""Which panels were looked at in which period."""

import pandas as pd
import pytest
from support import day

from kit.findings import build_looks, coverage_table, panel_ages
from kit.findings.ages import panel_age_bounds


def cells(table, label):
    """Rows of one panel or position: year, recorded, implied."""
    rows = table[table["label"] == label]
    return list(zip(rows["period"].dt.year, rows["recorded"], rows["implied"], strict=True))


def test_looks_are_counted_by_year_and_basis(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 100, 200).card("A1", 400, 1500)
    table = coverage_table(hand.load())
    years = cells(table, "P1")
    assert years[:5] == [(2010, 2, 0), (2011, 0, 1), (2012, 0, 0), (2013, 0, 0), (2014, 0, 1)]
    assert years[-1] == (2020, 0, 0)
    assert len(years) == 11
    assert table["looks"].tolist() == (table["recorded"] + table["implied"]).tolist()
    assert table["without_look"].sum() == 8
    assert table["share_without_look"].unique() == pytest.approx([8 / 11])


def test_only_periods_while_fitted_and_while_records_were_kept_count(hand):
    hand.aircraft("A1", records_from=731)  # 2012-01-02
    hand.panel("P1", "A1", until=1500)  # 2014-02-09
    table = coverage_table(hand.load())
    assert table["period"].dt.year.tolist() == [2012, 2013, 2014]
    assert table["fitted_days"].tolist() == [365, 365, 40]  # from 2012-01-02 in a leap year; up to 2014-02-09


def test_a_panel_is_followed_to_the_next_aircraft_and_a_position_keeps_its_place(hand):
    hand.aircraft("A1").aircraft("A2").panel("P1", "A1", until=365).panel("P2", "A1", on=365)
    hand.panel("P1", "A2", on=365, state="repaired").clean("A1", 100, 400).clean("A2", 500)
    fleet = hand.load()
    by_panel, by_place = coverage_table(fleet), coverage_table(fleet, by="position")
    assert cells(by_panel, "P1")[:2] == [(2010, 1, 0), (2011, 1, 0)]
    assert cells(by_panel, "P2")[0] == (2011, 1, 0)
    assert cells(by_place, "A1 Z1")[:2] == [(2010, 1, 0), (2011, 1, 0)]
    assert cells(by_place, "A2 Z1")[0] == (2011, 1, 0)
    # 2011-01-01, the day of the change, belongs to both panels; the place has no more days than the year
    assert by_place["fitted_days"].max() == 366
    assert (
        by_place[(by_place["label"] == "A1 Z1") & (by_place["period"] == "2011-01-01")]["fitted_days"].item()
        == 365
    )


@pytest.mark.parametrize("freq", ["YS", "QS", "MS"])
@pytest.mark.parametrize("by", ["panel", "position"])
def test_no_look_at_a_fitted_panel_is_lost_or_counted_twice(demo_fleet, freq, by):
    looks = build_looks(demo_fleet)
    table = coverage_table(demo_fleet, freq=freq, by=by)
    begins = demo_fleet.tables["aircraft"].set_index("aircraft")
    begins = begins["records_from"].fillna(begins["entry_into_service"])
    while_kept = looks["looked_on"] >= begins.reindex(looks["aircraft"]).to_numpy()
    by_basis = looks[while_kept]["basis"].value_counts()
    assert table["recorded"].sum() == by_basis["recorded"]
    assert table["implied"].sum() == by_basis["implied"]
    assert not table.duplicated(["label", "period"]).any()


def test_quarters_and_months_are_finer(hand):
    hand.aircraft("A1").panel("P1", "A1", until=364).clean("A1", 100)  # 2010-04-11
    fleet = hand.load()
    assert coverage_table(fleet, freq="QS")["without_look"].tolist() == [True, False, True, True]
    months = coverage_table(fleet, freq="MS")
    assert months.loc[~months["without_look"], "period"].tolist() == [pd.Timestamp("2010-04-01")]
    assert months["fitted_days"].sum() == 365


def test_zones_and_methods_choose(tiny):
    fleet = tiny.load()
    # P1 was tapped at A1 Z1 and visually looked at, by card C5, only after it had left
    assert set(coverage_table(fleet, zones=["Z2"])["panel"]) == {"P2", "P4"}
    visual = coverage_table(fleet, zones=["Z1"], methods=["visual"])
    assert cells(visual, "P5")[2] == (2018, 0, 1)
    assert cells(coverage_table(fleet, zones=["Z1"]), "P5")[2] == (2018, 0, 0)


def test_nothing_fitted_gives_an_empty_table_with_its_columns(hand):
    hand.aircraft("A1").panel("P1", "A1")
    fleet = hand.load()
    empty, full = coverage_table(fleet, zones=["Z2"]), coverage_table(fleet)
    assert len(empty) == 0
    assert empty.columns.tolist() == full.columns.tolist()
    assert empty.dtypes.tolist() == full.dtypes.tolist()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"freq": "W"}, "`freq` must be one of YS, QS, MS. Got 'W'"),
        ({"by": "zone"}, "`by` must be panel or position. Got 'zone'"),
        (
            {"zones": ["Z9"]},
            r"`zones` must be a list of zones of the dataset. Got \['Z9'\]. Known are Z1, Z2",
        ),
        ({"zones": "Z1"}, "`zones` must be a list of zones of the dataset. Got 'Z1'"),
        ({"methods": ["x-ray"]}, "`methods` must be a list of"),
    ],
)
def test_what_is_unknown_is_refused(tiny, arguments, words):
    with pytest.raises(ValueError, match=words):
        coverage_table(tiny.load(), **arguments)


# Two ages of a panel of unknown age ----------------------------------------------------------------


def test_a_known_age_is_all_three(tiny):
    fleet = tiny.load()
    bounds = panel_age_bounds(fleet, ["P1", "P4"], ["2015-01-01", "2015-01-01"], "flight_hours")
    known = panel_ages(fleet, ["P1", "P4"], ["2015-01-01", "2015-01-01"], "flight_hours")
    for one in bounds:
        assert one.tolist() == known.tolist()


def old_and_young(hand):
    """A1 flies 10 hours a day from day 0, A2 20 hours a day from day 50."""
    return hand.aircraft("A1").aircraft("A2", entry=50, hours_per_day=20)


def test_where_the_records_show_no_change_a_panel_is_as_old_as_its_aircraft(hand):
    old_and_young(hand).panel("P1", "A1", on=200, state="unknown")
    bounds = panel_age_bounds(hand.load(), "P1", [day(300)], "flight_hours")
    assert bounds.for_limits.tolist() == [3000.0]
    assert bounds.youngest.tolist() == [1000.0]
    assert bounds.oldest.tolist() == [3000.0]


def test_after_a_change_it_is_as_old_as_the_oldest_aircraft_of_the_programme(hand):
    old_and_young(hand).panel("P0", "A1", until=200).panel("P1", "A1", on=200, state="unknown")
    fleet = hand.load()
    # on day 200 A1 has 2,000 hours and A2 3,000; by day 300 the panel has flown 1,000 on A1
    bounds = panel_age_bounds(fleet, "P1", [day(199), day(200), day(300)], "flight_hours")
    assert bounds.for_limits.tolist()[1:] == [3000.0, 4000.0]
    assert bounds.youngest.tolist()[1:] == [0.0, 1000.0]
    assert pd.isna(bounds.for_limits[0])
    days = panel_age_bounds(fleet, "P1", [day(300)], "calendar_days")
    assert (days.for_limits[0], days.youngest[0]) == (300.0, 100.0)  # A1 is the oldest by days


def test_records_that_begin_late_cannot_show_that_nothing_was_changed(hand):
    hand.aircraft("A1", records_from=150).aircraft("A2", entry=50, hours_per_day=20)
    hand.panel("P1", "A1", on=200, state="unknown")
    assert panel_age_bounds(hand.load(), "P1", [day(200)], "flight_hours").for_limits.tolist() == [3000.0]


def test_the_bounds_go_with_the_panel_to_the_next_aircraft(hand):
    old_and_young(hand).panel("P0", "A1", until=200).panel("P1", "A1", on=200, until=300, state="unknown")
    hand.panel("P1", "A2", on=400, state="repaired")
    bounds = panel_age_bounds(hand.load(), "P1", [day(350), day(410)], "flight_hours")
    assert bounds.for_limits.tolist() == [4000.0, 4200.0]
    assert bounds.youngest.tolist() == [1000.0, 1200.0]


def test_every_unknown_age_of_the_demo_has_ordered_bounds(demo_fleet):
    panels = demo_fleet.tables["panels"]["panel"].unique()
    for clock in demo_fleet.clocks:
        known = panel_ages(demo_fleet, panels, demo_fleet.cut_off, clock)
        bounds = panel_age_bounds(demo_fleet, panels, demo_fleet.cut_off, clock)
        unknown = pd.isna(known)
        assert 0 < unknown.sum() < len(panels)
        assert (bounds.youngest[unknown] < bounds.oldest[unknown]).all()
        assert (bounds.for_limits == bounds.oldest).all()
        assert (bounds.for_limits[~unknown] == known[~unknown]).all()
