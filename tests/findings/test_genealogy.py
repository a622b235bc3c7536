"""A panel's whole way, with its ages; fleets small enough to do in one's head."""

import numpy as np
import pandas as pd
import pytest
from support import day

from kit.findings import build_looks, lineage, panel_history
from kit.life import build_histories

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long


def steps(history):
    """Days since 2010-01-01, event and place."""
    days = (history["date"] - pd.Timestamp("2010-01-01")).dt.days
    return list(zip(days, history["event"], history["aircraft"], strict=True))


def swapped(hand):
    """P1 and P2 change places between A1 (10 hours a day) and A2 (20 hours a day) on day 1000."""
    hand.aircraft("A1").aircraft("A2", hours_per_day=20)
    for panel, first, second in (("P1", "A1", "A2"), ("P2", "A2", "A1")):
        hand.panel(panel, first, until=1000).panel(panel, second, on=1000, state="repaired")
    return hand


def test_a_swap_between_aircraft_takes_age_and_history_along(hand):
    swapped(hand).clean("A1", 500).clean("A2", 1500)
    fleet = hand.load()
    one, two = panel_history(fleet, "P1"), panel_history(fleet, "P2")
    assert steps(one) == [
        (0, "fitted", "A1"),
        (500, "look", "A1"),
        (1000, "removed", "A1"),
        (1000, "fitted", "A2"),
        (1500, "look", "A2"),
    ]
    assert one["flight_hours"].tolist() == [0, 5000, 10000, 10000, 20000]
    assert one["flight_cycles"].tolist() == [0, 2500, 5000, 5000, 7500]
    assert one["calendar_days"].tolist() == [0, 500, 1000, 1000, 1500]
    assert one["virtual_flight_hours"].tolist() == one["flight_hours"].tolist()
    assert steps(two) == [(0, "fitted", "A2"), (1000, "removed", "A2"), (1000, "fitted", "A1")]
    assert two["flight_hours"].tolist() == [0, 20000, 20000]
    assert one["zone"].unique().tolist() == ["Z1"]


def test_a_repair_halves_the_virtual_age_which_then_goes_on(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.repair(hand.find("A1", 1000), 1010, 0.5).card("A1", 1210)
    history = panel_history(hand.load(), "P1")
    assert steps(history) == [
        (0, "fitted", "A1"),
        (1000, "look", "A1"),
        (1000, "find", "A1"),
        (1010, "repair", "A1"),
        (1210, "look", "A1"),
    ]
    assert history["what"].tolist() == [
        "new",
        "tap_manual, recorded, found",
        "disbond, monitor",
        "permanent, restoration factor 0.5",
        "tap_manual, implied, clean",
    ]
    assert history["flight_hours"].tolist() == [0, 10000, 10000, 10100, 12100]
    assert history["virtual_flight_hours"].tolist() == [0, 10000, 10000, 5050, 7050]
    assert history["virtual_flight_cycles"].tolist() == [0, 5000, 5000, 2525, 3525]
    assert history["virtual_calendar_days"].tolist() == [0, 1000, 1000, 505, 705]


def test_a_second_repair_starts_from_the_virtual_age_of_the_first(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.repair(hand.find("A1", 1000), 1000, 0.5)  # 10,000 hours become 5,000
    hand.repair(hand.find("A1", 1400), 1400, 0.25)  # 9,000 become 2,250
    hand.clean("A1", 1500)
    history = panel_history(hand.load(), "P1")
    assert history.loc[history["event"] == "repair", "virtual_flight_hours"].tolist() == [5000, 2250]
    assert history["virtual_flight_hours"].iloc[-1] == 3250


@pytest.mark.parametrize(("factor", "after"), [(0.0, 0.0), (1.0, 10000.0)])
def test_a_factor_of_nought_renews_and_one_of_one_changes_nothing(hand, factor, after):
    hand.aircraft("A1").panel("P1", "A1").repair(hand.find("A1", 1000), 1000, factor)
    assert panel_history(hand.load(), "P1")["virtual_flight_hours"].iloc[-1] == after


def test_a_repair_without_a_factor_leaves_the_virtual_age(hand):
    hand.aircraft("A1").panel("P1", "A1").repair(hand.find("A1", 1000), 1000, 0.5)
    hand.rows["repairs"][0] |= {"restoration_factor": "", "repair_class": "replacement"}
    last = panel_history(hand.load(), "P1").iloc[-1]
    assert (last["what"], last["virtual_flight_hours"]) == ("replacement", 10000)


def test_in_the_store_days_run_and_hours_do_not_and_a_repair_there_says_so(hand):
    hand.aircraft("A1").aircraft("A2").panel("P1", "A1", until=1000).panel(
        "P1", "A2", on=1300, state="repaired"
    )
    hand.repair(hand.find("A1", 1000), 1100, 0.5)
    history = panel_history(hand.load(), "P1")
    assert steps(history)[-3:] == [
        (1000, "removed", "A1"),
        (1100, "repair", "in store"),
        (1300, "fitted", "A2"),
    ]
    assert history["flight_hours"].tolist()[-3:] == [10000, 10000, 10000]
    assert history["calendar_days"].tolist()[-3:] == [1000, 1100, 1300]
    assert history["virtual_flight_hours"].tolist()[-3:] == [10000, 5000, 5000]
    assert history["virtual_calendar_days"].tolist()[-3:] == [1000, 550, 750]


def test_a_meter_change_takes_no_age(tiny):
    # A1's meter of hours starts again at nought on 2015-01-01
    history = panel_history(tiny.load(), "P1")
    removed = history[history["event"] == "removed"].iloc[0]
    assert removed["date"] == pd.Timestamp("2016-01-01")
    assert removed["flight_hours"] == pytest.approx(18260 + 3650)
    assert removed["flight_cycles"] == pytest.approx(9130 + 1825)
    assert (history["flight_hours"].diff().dropna() >= 0).all()


def test_an_unknown_age_is_nan_all_the_way_and_a_void_finding_is_no_find(tiny):
    tiny.set("findings", "D4", disposition="not_confirmed")
    history = panel_history(tiny.load(), "P5")
    assert history[["flight_hours", "virtual_flight_hours", "calendar_days"]].isna().all().all()
    assert "no damage" in set(history["event"])
    assert "find" not in set(history["event"])


def test_methods_choose_the_looks_and_not_the_finds(tiny):
    fleet = tiny.load()
    assert "look" not in set(panel_history(fleet, "P5")["event"])
    seen = panel_history(fleet, "P5", methods=["visual"])
    assert seen.loc[seen["event"] == "look", "what"].tolist() == ["visual, implied, clean"]
    assert "find" in set(panel_history(fleet, "P5")["event"])


def test_the_day_of_removal_belongs_to_what_was_seen_that_day(hand):
    swapped(hand)
    hand.find("A1", 1000)
    history = panel_history(hand.load(), "P1")
    assert [step[1] for step in steps(history)] == ["fitted", "look", "find", "removed", "fitted"]


def test_a_panel_that_is_not_there_is_refused(tiny):
    with pytest.raises(ValueError, match=r"`panel` must be a serial of the panels table. Got 'P9'"):
        panel_history(tiny.load(), "P9")


def test_the_lineage_tells_fittings_store_and_place(hand):
    hand.aircraft("A1").aircraft("A2")
    hand.panel("P1", "A1", until=1000).panel("P1", "A2", on=1300, state="repaired")
    hand.panel("P2", "A1", on=1000, until=4000)
    hand.repair(hand.find("A1", 900), 950, 0.5)
    table = lineage(hand.load()).set_index("panel")
    one, two = table.loc["P1"], table.loc["P2"]
    assert (one["first_fitted"], one["state"]) == (pd.Timestamp(day(0)), "new")
    assert (one["n_fittings"], one["n_aircraft"], one["aircraft"], one["place"]) == (2, 2, "A1;A2", "A2 Z1")
    assert (one["days_fitted"], one["days_in_store"], one["days_since_removed"]) == (3717, 300, 0)
    assert (one["n_finds"], one["n_repairs"]) == (1, 1)
    assert one["flight_hours"] == pytest.approx(37170)
    assert one["calendar_days"] == 4017
    assert (two["n_fittings"], two["place"]) == (1, "in store")
    assert (two["days_fitted"], two["days_in_store"], two["days_since_removed"]) == (3000, 0, 17)
    assert two["flight_hours"] == pytest.approx(30000)


def test_lineage_and_history_agree_for_every_panel_of_a_sample(demo_fleet):
    table = lineage(demo_fleet)
    assert table["panel"].tolist() == sorted(demo_fleet.tables["panels"]["panel"].unique())
    days = table["days_fitted"] + table["days_in_store"] + table["days_since_removed"]
    np.testing.assert_array_equal(days, (demo_fleet.cut_off - table["first_fitted"]).dt.days)
    for row in table.sample(5, random_state=np.random.default_rng(4)).itertuples():
        history = panel_history(demo_fleet, row.panel)
        assert (history["event"] == "fitted").sum() == row.n_fittings
        assert (history["event"] == "find").sum() == row.n_finds
        assert (history["event"] == "repair").sum() == row.n_repairs


@pytest.mark.long
@pytest.mark.parametrize("clock", ["flight_hours", "calendar_days"])
def test_virtual_ages_are_those_with_which_lives_after_a_repair_enter_the_histories(demo_fleet, clock):
    lives = build_histories(demo_fleet, clock=clock, include_repaired=True).to_frame()
    after = lives[lives["life"].str.contains(" after repair ")].sort_values("life").head(25)
    looks = build_looks(demo_fleet)
    for row in after.itertuples():
        panel, number = row.life.split(" after repair ")
        history = panel_history(demo_fleet, panel, looks=looks)
        repairs = history[(history["event"] == "repair")]
        factor = repairs["what"].str.extract(r"factor ([\d.]+)")[0].astype(float)
        entry = repairs[factor < 1][f"virtual_{clock}"].iloc[int(number) - 1]
        assert entry == pytest.approx(row.entry)
    assert len(after) == 25
