"""What became known between two days, and what it changed."""

import pandas as pd
import pytest

from kit.findings import CHANGE_COLUMNS, changes_text, load_fleet


def told(changes) -> list[tuple]:
    return list(zip(changes["table"], changes["id"], changes["what"], strict=True))


def test_rows_are_added_added_late_corrected_or_withdrawn(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")  # 272 days after 2019-05-05
    tiny.add("findings", "D4", finding="D5", found_on="2020-03-01", recorded_on="2020-03-31", centre_x="")
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2020-04-01", replaces="D2")
    tiny.add("findings", "D1", finding="D1b", disposition="void", recorded_on="2020-05-01", replaces="D1")
    changes = tiny.load().changes("2019-12-31", "2020-06-30")
    assert told(changes) == [
        ("findings", "D4", "added late"),
        ("findings", "D5", "added"),
        ("findings", "D2b", "corrected"),
        ("findings", "D1b", "withdrawn"),
    ]
    assert changes["lag_days"].tolist() == [272, 30, 1066, 2312]
    assert changes["changed"].tolist() == [(), (), ("length",), ("disposition",)]
    assert changes["old"].tolist() == [(), (), ("2",), ("monitor",)]
    assert changes["new"].tolist() == [(), (), ("3",), ("void",)]
    assert tuple(changes.columns) == CHANGE_COLUMNS


def test_the_first_day_does_not_count_and_the_last_does(tiny):
    fleet = tiny.load()
    assert told(fleet.changes("2018-01-01", "2018-03-01")) == [("cards", "C5", "added")]
    assert told(fleet.changes("2017-12-31", "2018-01-01")) == [("cards", "C4", "added")]
    assert len(fleet.changes("2018-03-01", "2018-03-01")) == 0


def test_without_an_end_all_that_is_known_counts_and_no_more(tiny):
    fleet = tiny.load()
    assert told(fleet.changes("2019-05-05")) == told(fleet.changes("2019-05-05", "2030-01-01"))
    assert ("findings", "D4", "added") in told(fleet.changes("2019-05-05"))
    assert len(fleet.as_known_on("2019-05-05").changes("2019-02-01", "2030-01-01")) == 0
    assert tuple(fleet.changes("2030-01-01").columns) == CHANGE_COLUMNS


def test_a_removal_is_the_correction_of_its_fitting(tiny):
    changes = tiny.load().changes("2015-12-31", "2016-01-01")
    row = changes.set_index("id").loc["F1"]
    assert (row["what"], row["replaces"], row["changed"], row["old"], row["new"]) == (
        "corrected",
        "F0",
        ("removed_on",),
        ("",),
        ("2016-01-01",),
    )


def test_a_correction_of_a_correction_is_set_against_the_one_before(tiny):
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2020-04-01", replaces="D2")
    tiny.add("findings", "D2b", finding="D2c", width="2", recorded_on="2020-04-02", replaces="D2b")
    changes = tiny.load().changes("2020-03-31", "2020-04-30").set_index("id")
    assert changes.loc["D2c", "changed"] == ("width",)
    assert (changes.loc["D2c", "old"], changes.loc["D2c", "new"]) == (("1",), ("2",))


def test_a_correction_under_the_same_id_is_set_against_the_row_before(tiny):
    tiny.add("findings", "D2", length="3", recorded_on="2020-04-01", replaces="D2")
    tiny.add("findings", "D2", length="4", recorded_on="2020-05-01", replaces="D2")
    changes = tiny.load().changes("2020-03-31", "2020-11-30")
    assert changes["id"].tolist() == ["D2", "D2"]
    assert changes["old"].tolist() == [("2",), ("3",)]
    assert changes["new"].tolist() == [("3",), ("4",)]


def test_a_cell_written_otherwise_with_the_same_value_is_no_change(tiny):
    tiny.add(
        "findings", "D2", finding="D2b", length="2.0", side="outer", recorded_on="2020-04-01", replaces="D2"
    )
    row = tiny.load().changes("2020-03-31").set_index("id").loc["D2b"]
    assert row["changed"] == ("side",)
    assert (row["old"], row["new"]) == (("",), ("outer",))


def test_each_changed_cell_becomes_a_row(tiny):
    tiny.add("findings", "D2", finding="D2b", length="3", width="2", recorded_on="2020-04-01", replaces="D2")
    changes = tiny.load().changes("2020-03-31", "2020-04-30")
    cells = changes.explode(["changed", "old", "new"])
    assert cells[["changed", "old", "new"]].to_numpy().tolist() == [["length", "2", "3"], ["width", "1", "2"]]


def test_rejected_rows_are_not_listed(tiny):
    tiny.add("findings", "D4", finding="D5", kind="crack", found_on="2020-03-01", recorded_on="2020-03-02")
    fleet = load_fleet(tiny.write(), set_aside=tiny.folder / "rejected.csv")
    assert len(fleet.rejected) == 1
    assert "D5" not in set(fleet.changes("2020-01-01")["id"])


def test_a_zone_has_no_event_day_and_is_not_late(tiny):
    tiny.set("zones", "Z2", recorded_on="2010-06-01")
    row = tiny.load().changes("2010-05-01", "2010-07-01").iloc[0]
    assert (row["table"], row["id"], row["what"]) == ("zones", "Z2", "added")
    assert pd.isna(row["event_date"])
    assert pd.isna(row["lag_days"])


def test_what_bears_on_a_day_is_part_of_what_became_known_after_it(demo_fleet):
    since = demo_fleet.rows_since("2024-06-30")
    every = demo_fleet.changes("2024-06-30")
    keys = set(zip(every["table"], every["id"], strict=True))
    assert set(zip(since["table"], since["id"], strict=True)) <= keys
    assert 0 < len(since) < len(every)
    withdrawn = every.loc[every["what"] == "withdrawn", "id"]
    assert set(since.loc[since["what"] == "withdrawn", "id"]) <= set(withdrawn)


def test_changes_of_the_halves_are_those_of_the_whole(demo_fleet):
    whole = demo_fleet.changes("2024-01-01", "2024-12-31")
    halves = pd.concat(
        [demo_fleet.changes("2024-01-01", "2024-06-30"), demo_fleet.changes("2024-06-30", "2024-12-31")],
        ignore_index=True,
    )
    pd.testing.assert_frame_equal(whole, halves)


def test_days_in_the_wrong_order_or_that_are_none_are_refused(tiny):
    fleet = tiny.load()
    with pytest.raises(
        ValueError, match=r"`since` must not be after `until`. Got 2020-01-02 and 2020-01-01; exchange"
    ):
        fleet.changes("2020-01-02", "2020-01-01")
    with pytest.raises(ValueError, match=r"`until` must be a day such as '2019-06-30'. Got 'soon' instead"):
        fleet.changes("2020-01-02", "soon")


def test_the_text_counts_all_and_lists_what_is_more_than_added(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")
    tiny.add("findings", "D4", finding="D5", found_on="2020-03-01", recorded_on="2020-03-02")
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2020-04-01", replaces="D2")
    tiny.add("findings", "D1", finding="D1b", recorded_on="2020-05-01", replaces="D1")
    changes = tiny.load().changes("2019-12-31", "2020-06-30")
    assert changes_text(changes).splitlines() == [
        "      1  findings: added",
        "      1  findings: added late",
        "      2  findings: corrected",
        "2020-02-01 findings D4: added late, 272 days after 2019-05-05",
        "2020-04-01 findings D2b: corrected, replaces D2; length '2' to '3'",
        "2020-05-01 findings D1b: corrected, replaces D1; no cell differs",
    ]
    assert changes_text(changes, limit=1).endswith("2019-05-05\nand 2 more.")
    assert changes_text(changes.iloc[:0]) == "Nothing became known."
