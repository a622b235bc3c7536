"""A row of limits may be for one kind of damage; a blank kind is for every kind without a row of its own."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support import day

from kit.findings import KINDS, TableError, find_traps
from kit.regions import finding_regions, limits_in_force, tier_findings, tier_panels
from kit.regions.limits.limits import LIMIT_COLUMNS

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long


@pytest.fixture
def skin(hand):
    """A panel with a dent and a disbond of 30 by 15 mm each, far apart; M1 allows 60 mm whatever the kind."""
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, size=30, kind="disbond", at=(100, 100))
    hand.find("A1", 500, size=30, kind="dent", at=(300, 100))
    return hand


def add(hand, name, **cells):
    hand._add("limits", **({"limit": name, "group": "flap", "revision": "1", "valid_from": day(0)} | cells))
    return hand


def told(fleet, reason):
    rows = fleet.warnings[fleet.warnings["reason"] == reason]
    return rows[["table", "column", "value", "expected"]].to_numpy().tolist()


def test_a_limit_for_a_kind_goes_before_the_one_for_every_kind_and_for_no_other_kind(skin):
    fleet = add(skin, "M2", kind="disbond", size="20", repairable_size="50").load()
    table = tier_findings(fleet).set_index("finding")
    assert table["limit"].to_dict() == {"D1": "M2", "D2": "M1"}
    assert table["tier"].to_dict() == {"D1": "repairable", "D2": "allowable"}
    bare = finding_regions(fleet).drop(columns="kind")  # regions that say no kind have that of their finding
    assert tier_findings(fleet, bare)["limit"].tolist() == ["M2", "M1"]
    assert tier_panels(fleet).set_index("panel").loc["P1", ["tier", "limit"]].tolist() == ["repairable", "M2"]


def test_without_a_kind_every_answer_is_that_of_a_table_without_the_column(skin):
    limits = skin.load().tables["limits"]
    asked = (["flap"] * len(KINDS), ["field"] * len(KINDS), [day(100)] * len(KINDS))
    assert limits_in_force(limits, *asked, KINDS).equals(limits_in_force(limits.drop(columns="kind"), *asked))


def test_a_limit_for_the_kind_and_the_place_goes_before_both_and_else_the_smaller_one_holds(skin):
    add(skin, "M2", kind="disbond", size="40")
    add(skin, "M3", place="edge_band", size="25")
    limits = skin.load().tables["limits"]
    asked = ["flap", "flap"], ["edge_band", "field"], [day(100)] * 2
    assert limits_in_force(limits, *asked, "disbond")["limit"].tolist() == ["M3", "M2"]
    assert limits_in_force(limits, *asked, "dent")["limit"].tolist() == ["M3", "M1"]
    skin.set("limits", "M2", size="20")
    assert limits_in_force(skin.load().tables["limits"], *asked, "disbond")["limit"].tolist() == ["M2", "M2"]
    add(skin, "M4", kind="disbond", place="edge_band", size="35")
    assert limits_in_force(skin.load().tables["limits"], *asked, "disbond")["limit"].tolist() == ["M4", "M2"]


def test_a_limit_by_area_is_held_against_another_as_a_disc(skin):
    """A disc of 400 mm\u00b2 is 22.6 mm across: smaller than 25 mm, though the number is larger."""
    add(skin, "M2", kind="disbond", size="400", bounds="area")
    add(skin, "M3", place="edge_band", size="25")
    row = limits_in_force(skin.load().tables["limits"], ["flap"], ["edge_band"], [day(100)], "disbond")
    assert row["limit"].tolist() == ["M2"]


def test_a_kind_and_a_place_that_cross_are_warned_of(skin):
    add(skin, "M2", kind="disbond", size="40")
    add(skin, "M3", place="edge_band", size="25")
    reason = "a limit for a kind anywhere, and one for a place and every kind"
    expected = ["limits", "kind", "disbond", "a row for this kind in edge_band too"]
    assert told(skin.load(), reason) == [expected]
    add(skin, "M4", kind="disbond", place="edge_band", size="35")
    assert told(skin.load(), reason) == []


def test_two_rows_of_one_day_are_two_limits_only_where_the_kind_is_one(skin):
    add(skin, "M2", kind="disbond", size="40")
    assert not len(told(skin.load(), "two limits for one place in force from the same day"))
    add(skin, "M3", kind="disbond", size="30")
    assert len(told(skin.load(), "two limits for one place in force from the same day")) == 2


def test_a_kind_without_a_limit_is_warned_of_and_judged_as_not_known(skin):
    skin.set("limits", "M1", kind="dent")
    fleet = skin.load()
    expected = "a limit of group flap in force for disbond"
    assert told(fleet, "no limit was in force that day") == [["findings", "found_on", day(500), expected]]
    assert tier_findings(fleet).set_index("finding")["tier"].to_dict() == {
        "D1": "no limit known",
        "D2": "allowable",
    }


def test_a_kind_counts_its_own_damages_only(skin):
    """One disbond is too many, though four damages may be there."""
    skin.set("limits", "M1", most_damages="4")
    fleet = add(skin, "M2", kind="disbond", size="60", most_damages="0").load()
    panel = tier_panels(fleet).set_index("panel").loc["P1"]
    assert panel[["tier", "clause", "value", "limit_value", "limit"]].tolist() == [
        "repairable", "most_damages", 1, 0, "M2",
    ]  # fmt: skip


def test_a_finding_within_the_limit_of_another_kind_is_no_case_of_another_revision(skin):
    """30 mm, called within limits: beyond the 20 mm of its kind, within the 60 mm of a revision of that kind only."""
    for row in skin.rows["findings"]:
        row["disposition"] = "within_limits"
    add(skin, "M2", kind="disbond", size="20")
    assert not len(find_traps(skin.load(), traps=["T15"]))
    add(skin, "M3", kind="disbond", size="60", revision="2", valid_from=day(900))
    assert find_traps(skin.load(), traps=["T15"])["id"].tolist() == ["D1"]


def test_an_unknown_kind_is_refused_by_name(skin):
    with pytest.raises(TableError, match="wetness"):
        add(skin, "M2", kind="wetness", size="20").load()


@given(kind=st.sampled_from(KINDS), other=st.sampled_from(KINDS), size=st.floats(1, 100))
def test_a_limit_for_one_kind_never_changes_what_holds_for_another(kind, other, size):
    every = {name: float("nan") for name in LIMIT_COLUMNS} | {"group": "flap", "revision": "1", "place": ""}
    every |= {"valid_from": pd.Timestamp(day(0)), "kind": "", "bounds": "", "limit": "M1", "size": 60.0}
    rows = pd.DataFrame([every, every | {"limit": "M2", "kind": kind, "size": size}])
    holds = limits_in_force(rows, ["flap"], ["field"], [day(100)], other)["limit"].tolist()
    assert holds == ["M2" if other == kind else "M1"]
