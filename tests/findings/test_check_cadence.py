"""A card, a reading or a repair unlike nearly all others is named, with what would fit; a fleet whose records vary is left alone."""

import datetime as dt

import pytest

from kit.findings import load_fleet

PLANES, TASKS = [f"B{k}" for k in range(6)], [f"N{k}" for k in range(4)]


@pytest.fixture
def checks(tiny):
    """Six aircraft with five checks each, 700 days apart, at which four tasks are closed together."""
    for task in TASKS:
        tiny.add("tasks", "K1", task=task, zones="Z1")
    for p, plane in enumerate(PLANES):
        tiny.add("aircraft", "A1", aircraft=plane)
        tiny.add("basing", "B1", stay=f"S{plane}", aircraft=plane)
        for k in range(5):
            day = (dt.date(2010, 5, 6) + dt.timedelta(700 * k + 90 * p)).isoformat()
            for task in TASKS:
                name = f"C-{task}-{plane}-{k}"
                tiny.add("cards", "C1", card=name, task=task, aircraft=plane, closed_on=day, recorded_on=day)
    return tiny


def named(tiny, table):
    """Load, and return (row id, column) with the reason and what was expected, of the warnings of a table."""
    key = {"cards": "card", "usage": "reading", "repairs": "repair"}[table]
    fleet = load_fleet(tiny.write(), set_aside=tiny.folder / "rejected.csv")
    rows = fleet.warnings[fleet.warnings["table"] == table]
    ids = {k + 2: row[key] for k, row in enumerate(tiny.rows[table])}
    cells = rows[["row", "column", "reason", "expected"]].itertuples(index=False, name=None)
    return {(ids[row], column): f"{reason}: {expected}" for row, column, reason, expected in cells}


def test_cards_that_keep_their_time_and_their_check_are_not_named(checks):
    assert named(checks, "cards") == {}


def test_a_card_of_a_wrong_aircraft_is_named_with_the_aircraft_whose_check_lacks_it(checks):
    """By the card beside it where there is one, and else by standing alone."""
    checks.set("cards", "C-N1-B2-2", aircraft="B1")
    early = named(checks, "cards")["C-N1-B2-2", "aircraft"]
    assert early == (
        "a card of the task far too early beside another one on the aircraft: B2, whose check of that day lacks the task, or "
        "about 700 days between two cards of the task on an aircraft (C-N1-B1-2 is 90 days off)"
    )
    checks.set("cards", "C-N1-B2-2", aircraft="B5", closed_on="2015-12-31", recorded_on="2015-12-31")
    checks.set("cards", "C-N1-B5-2", closed_on="2015-12-31", recorded_on="2015-12-31")
    assert ("C-N1-B2-2", "closed_on") in named(checks, "cards")


def test_a_card_of_a_wrong_task_is_named_beside_the_one_it_doubles_with_the_task_that_is_missing(checks):
    found = named(checks.set("cards", "C-N1-B2-2", task="N2"), "cards")
    assert set(found) == {("C-N1-B2-2", "task"), ("C-N2-B2-2", "task")}
    assert all(": N1, which the check of that day lacks" in words for words in found.values())


def test_a_card_with_day_and_month_exchanged_is_named_with_the_day_of_its_check(checks):
    assert checks.row("cards", "C-N1-B1-0")["closed_on"] == "2010-08-04"
    found = named(checks.set("cards", "C-N1-B1-0", closed_on="2010-04-08"), "cards")
    assert list(found) == [("C-N1-B1-0", "closed_on")]
    assert ": 2010-08-04, day and month exchanged" in found["C-N1-B1-0", "closed_on"]


def test_lost_cards_and_tasks_that_often_come_early_are_not_named(checks):
    """Three cards of two tasks are lost; one task in four is closed again after 100 days."""
    lost = ("C-N0-B0-1", "C-N1-B0-1", "C-N1-B3-3")
    checks.rows["cards"] = [row for row in checks.rows["cards"] if row["card"] not in lost]
    for plane in PLANES:
        for k in range(4):
            day = dt.date.fromisoformat(checks.row("cards", f"C-N3-{plane}-{k}")["closed_on"])
            for task in ("N2", "N3"):
                again = (day + dt.timedelta(100)).isoformat()
                checks.add("cards", "C1", card=f"E-{task}-{plane}-{k}", task=task, aircraft=plane, closed_on=again, recorded_on=again)  # fmt: skip
    assert named(checks, "cards") == {}


def test_the_only_card_of_a_task_is_named_where_it_fits_into_the_series_of_another_task(checks):
    """Looks again at a damage that stays, each year; of a campaign each aircraft has one card, and none is named."""
    for task in ("R1", "R2", "ONCE"):
        checks.add("tasks", "K1", task=task, zones="Z1", threshold_days="", repeat_days="")
    for task, plane in (("R1", "B0"), ("R2", "B1")):
        for k in range(6):
            day = f"{2011 + k}-03-0{1 + k}"
            checks.add("cards", "C1", card=f"{task}-{k}", task=task, aircraft=plane, closed_on=day, recorded_on=day)  # fmt: skip
    for plane in PLANES:
        checks.add("cards", "C1", card=f"O-{plane}", task="ONCE", aircraft=plane, closed_on="2013-03-01", recorded_on="2013-03-01")  # fmt: skip
    assert named(checks, "cards") == {}
    found = named(checks.set("cards", "R1-3", task="R2"), "cards")
    assert list(found) == [("R1-3", "task")]
    assert ": R1, of which the cards before and after" in found["R1-3", "task"]


@pytest.fixture
def monthly(tiny):
    """A1 read on the first of each month, some 100 hours and 90 cycles apart; the last reading is of another day."""
    tiny.rows["usage"] = [row for row in tiny.rows["usage"] if row["aircraft"] == "A2"]
    for k in range(120):
        day = f"{2011 + k // 12}-{1 + k % 12:02d}-01"
        hours, cycles = 1000 + 100 * k + 7 * (k % 3), 900 + 90 * k + 6 * (k % 3)
        tiny.add("usage", "R6", reading=f"M{k}", aircraft="A1", read_on=day, flight_hours=f"{hours}", flight_cycles=f"{cycles}", recorded_on=day)  # fmt: skip
    tiny.add("usage", "R6", reading="M120", aircraft="A1", flight_hours="13100", flight_cycles="11800")
    return tiny


def test_a_reading_whose_cycles_do_not_fit_its_hours_is_named_by_those_beside_it(monthly):
    assert named(monthly, "usage") == {}
    found = named(monthly.set("usage", "M40", flight_cycles="4560"), "usage")  # 4506, two digits exchanged
    assert list(found) == [("M40", "flight_cycles")]
    assert "does not fit flight_hours" in found["M40", "flight_cycles"]
    assert "about 4,50" in found["M40", "flight_cycles"]
    monthly.set("usage", "M40", flight_cycles="4506", flight_hours="5070")
    assert list(named(monthly, "usage")) == [("M40", "flight_hours")]


def test_a_reading_of_another_day_than_all_others_is_named(monthly):
    monthly.set("usage", "M40", read_on="2014-05-11", recorded_on="2014-05-11")
    found = named(monthly, "usage")
    assert list(found) == [("M40", "read_on")]
    assert "day 1 of a month, as 118 of 119 readings" in found["M40", "read_on"]
    found = named(monthly.set("usage", "M40", read_on="2014-06-01", recorded_on="2014-06-01"), "usage")
    assert [cell for cell, words in found.items() if words.startswith("two readings")] == [
        ("M40", "read_on"),
        ("M41", "read_on"),
    ]


@pytest.mark.parametrize(("column", "cell"), [("restoration_factor", "0.9"), ("repair_class", "interim")])
def test_a_repair_that_is_not_like_those_by_the_same_method_is_named(tiny, column, cell):
    for k in range(25):
        tiny.add("repairs", "X1", repair=f"Y{k}", repair_method="patch", repair_class="permanent", restoration_factor="0.5")  # fmt: skip
    for k in range(12):  # by another method the factors vary, as somebody works them out
        tiny.add("repairs", "X1", repair=f"V{k}", repair_method="fill", restoration_factor=f"{0.5 + k / 50}")
    assert named(tiny, "repairs") == {}
    found = named(tiny.set("repairs", "Y7", **{column: cell}), "repairs")
    assert list(found) == [("Y7", column)]
    assert f"{'0.5' if column == 'restoration_factor' else 'permanent'}, as 24 of 25 repairs by 'patch'" in found["Y7", column]  # fmt: skip
