"""Warnings on the rows that an answer rests on are said where the answer is said."""

import pytest
from support import DEMO

from kit.findings import load_fleet
from kit.intervals import QuestionError, read_question, recommend
from kit.intervals.open_warnings import open_warnings, units_that_cannot_be, warning_cautions


def test_open_warnings_of_the_group_are_counted_by_table_with_the_first_rows(tiny):
    tiny.add("zones", "Z2", zone="Z9", group="door", former_label="", former_label_until="")
    tiny.set("findings", "D1", width="0.001").set("findings", "D4", width="0.001")
    fleet = tiny.load()
    assert warning_cautions(fleet, "door") == []
    (caution,) = warning_cautions(fleet, "flap")
    assert caution == (
        "rows of this group with open warnings, to be settled before the answer is used: "
        "findings 2 (D1, D4; mostly: a width smaller than anybody measures)"
    )


def test_what_all_groups_share_concerns_each(tiny):
    tiny.set("aircraft", "A3", subtype="S1").set("usage", "R2", read_on="2014-12-01")
    fleet = load_fleet(tiny.write(), set_aside=tiny.folder / "rejected.csv")
    assert set(open_warnings(fleet, "flap")["table"]) >= {"dataset", "usage"}
    assert "planned_usage.S1.aircraft" in warning_cautions(fleet, "flap")[0]


def test_warnings_on_cards_are_said_where_their_task_looks_at_the_group(tiny):
    fleet = tiny.set("cards", "C1", recorded_on="2025-01-01").load()
    assert warning_cautions(fleet, "flap")[0].split("used: ")[1].startswith("cards 1 (C1; mostly: recorded more than ten")  # fmt: skip
    assert warning_cautions(fleet, "door") == []


def test_no_interval_rests_on_a_limit_larger_than_its_panels(tiny):
    """50.8 written in mm and read as inches: every damage would be within it."""
    fleet = load_fleet(tiny.set("limits", "M1", group="flap", size="1290").write())
    words = "limits.csv row 2, size = '1290': the limit is larger than any panel of its group"
    assert units_that_cannot_be(fleet, "flap").startswith(words)
    assert units_that_cannot_be(fleet, "door") == ""
    question = read_question(DEMO / "questions" / "flap.toml").model_copy(update={"known_on": None})
    with pytest.raises(
        QuestionError, match=r"size = '1290': the limit is larger .* To correct: check units of limits"
    ):
        recommend(fleet, question)
