"""What was left is written down with its limit, its end and its re-inspection, and checked."""

import pytest
from support import day

from kit.findings import TableError
from kit.regions import deferral_ledger


@pytest.fixture
def left(hand):
    """A damage of 30 by 15 mm found on day 1000 and left until day 1700, looked at again on day 1300."""
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 1000, size=30)
    hand.find("A1", 1300, size=35)
    hand.rows["deferrals"] = []
    hand._add(
        "deferrals", deferral="DF1", finding="D1", limit="M1", basis="within the allowable damage limit",
        deferred_on=day(1000), until=day(1700), reinspect_by=day(1400), reinspection="L2", closed_on=day(1300),
        closed_by="renewed", recorded_on=day(1300),
    )  # fmt: skip
    hand._add(
        "deferrals", deferral="DF2", finding="D2", limit="M1", basis="within the allowable damage limit",
        deferred_on=day(1300), until=day(4200), reinspect_by=day(4100), recorded_on=day(1300),
    )  # fmt: skip
    return hand


def words(hand):
    warnings = hand.load().warnings
    return warnings.loc[warnings["table"] == "deferrals", "reason"].tolist()


def test_deferrals_that_were_kept_are_no_problem(left):
    assert words(left) == []


@pytest.mark.parametrize(
    ("key", "cells", "reason"),
    [
        ("DF2", {"until": day(2000)}, "open past its end: the end of a deferral is a hard stop"),
        ("DF1", {"until": day(1200)}, "closed after its end"),
        (
            "DF1",
            {"reinspection": "", "reinspect_by": day(1100)},
            "the re-inspection that it asks for is not on record",
        ),
        ("DF1", {"closed_by": ""}, "closed, but not how"),
    ],
)
def test_what_was_not_kept_is_warned_of(left, key, cells, reason):
    left.set("deferrals", key, **cells)
    assert reason in words(left)


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ({"deferred_on": day(900)}, "deferred before it was found"),
        ({"until": day(999)}, "until is before deferred_on"),
        ({"finding": "D9"}, "no such row in findings"),
        ({"closed_on": day(990)}, "closed_on is before deferred_on"),
    ],
)
def test_what_cannot_be_is_rejected(left, cells, reason):
    left.set("deferrals", "DF1", **cells)
    with pytest.raises(TableError, match=reason):
        left.load()


def test_the_ledger_says_what_is_open_what_was_done_and_what_has_no_deferral(left):
    left.aircraft("A2").panel("P2", "A2")
    left.find("A2", 1500, size=30)
    ledger = deferral_ledger(left.load())
    table = ledger.to_frame().set_index("deferral")
    assert table["state"].to_dict() == {"DF1": "closed in time", "DF2": "open"}
    assert table["reinspection_state"].to_dict() == {"DF1": "done", "DF2": "not yet due"}
    assert table.loc["DF1", ["days_left", "flown_hours", "flown_cycles"]].tolist() == [400, 3000, 1500]
    assert table["tier"].tolist() == ["allowable", "allowable"]
    assert ledger.without["finding"].tolist() == ["D3"]
    assert ledger.cautions == ("1 damages were left without a deferral.",)
    assert "2 deferrals, 1 open, 0 open past their end" in repr(ledger)


def test_the_ledger_of_an_earlier_day_does_not_know_what_came_later(left):
    table = deferral_ledger(left.load(), day(1250)).to_frame().set_index("deferral")
    assert table["state"].to_dict() == {"DF1": "open"}
    assert table["reinspection_state"].to_dict() == {"DF1": "not yet due"}


def test_flown_usage_ends_a_deferral_before_its_day(left):
    """The aircraft flies 5 cycles a day: 1500 in the 300 days that DF1 was open."""
    left.set("deferrals", "DF1", flight_cycles="1400")
    assert deferral_ledger(left.load()).to_frame()["state"].tolist() == ["closed late", "open"]


def test_damage_beyond_the_repairable_limit_that_was_left_is_a_caution(left):
    left.set("limits", "M1", size="10", repairable_size="20")
    ledger = deferral_ledger(left.load())
    assert ledger.to_frame()["is_beyond_rdl"].tolist() == [True, True]
    assert any("beyond the repairable damage limit" in words for words in ledger.cautions)


@pytest.mark.parametrize(
    ("look", "reason", "expected"),
    [
        (
            {"aircraft": "A2"},
            "the re-inspection is of another panel",
            "a look at panel P1, whose damage was left (it is of P2)",
        ),
        (
            {"inspected_on": day(990)},
            "the re-inspection was before the damage was deferred",
            f"a look on {day(1000)} or later (it was on {day(990)})",
        ),
        (
            {"method": "moisture_meter"},
            "the re-inspection was by a method that cannot see the damage",
            "a look at disbond by tap_manual, tap_instrumented, thermography, ultrasonic, visual (it was by moisture_meter)",
        ),
    ],
)
def test_a_re_inspection_must_be_of_the_panel_after_the_deferral_and_able_to_see(
    left, look, reason, expected
):
    """Such a look is warned of by name and the ledger does not take it for the re-inspection."""
    left.aircraft("A2").panel("P2", "A2")
    left.clean("A1", 1200)
    left.set("inspections", "L3", **look)
    left.set("deferrals", "DF1", reinspection="L3", closed_on="", closed_by="", until=day(4200))
    fleet = left.load()
    told = fleet.warnings[fleet.warnings["reason"].str.startswith(reason)]
    assert told[["table", "column", "value", "expected"]].to_numpy().tolist() == [
        ["deferrals", "reinspection", "L3", expected]
    ]
    ledger = deferral_ledger(fleet).to_frame().set_index("deferral")
    assert ledger.loc["DF1", "reinspection_state"] == "overdue"


def test_a_re_inspection_at_the_wrong_side_counts_by_its_serial(left):
    """The zone is wrong, the serial is not: that is warned of at the look."""
    left.panel("P2", "A1", zone="Z2")
    left.clean("A1", 1200, zone="Z2")
    left.set("inspections", "L3", panel="P1")
    left.set("deferrals", "DF1", reinspection="L3")
    assert words(left) == []
    assert deferral_ledger(left.load()).to_frame()["reinspection_state"].tolist() == ["done", "not yet due"]


def test_a_deferral_under_a_limit_for_another_kind_is_rejected(left):
    left._add("limits", limit="M2", group="flap", kind="dent", revision="1", valid_from=day(0), size="60")
    left.set("deferrals", "DF1", limit="M2")
    with pytest.raises(TableError, match="the limit is one for another damage type"):
        left.load()


def test_a_look_read_for_other_kinds_is_no_reinspection_of_a_disbond(left):
    """Thermography sees a disbond where the skin is heated; on a panel still cold from flight it is read for water (common practice, no source)."""
    left.set("inspections", "L2", method="thermography", card="CW")
    left.set("findings", "D2", method="tap_manual", inspection="")
    left._add(
        "tasks", task="WT", zones="Z1", method="thermography", valid_from=day(0), looks_for="moisture",
        recorded_on=day(0),
    )  # fmt: skip
    left._add("cards", card="CW", task="WT", aircraft="A1", closed_on=day(1300), recorded_on=day(1300))
    blind = "the re-inspection was by a method that cannot see the damage; it does not count as done"
    assert blind in words(left)
    left.set("tasks", "WT", looks_for="")
    assert blind not in words(left)
