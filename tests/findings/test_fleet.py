"""A fleet as it stood on a day, what changed since, and the digest of its rows."""

import random

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support import Tiny

from kit.findings import TABLES, load_fleet

POLYGON = "POLYGON ((100 100, 160 100, 160 130, 100 130, 100 100))"


def test_a_late_row_is_not_known_before_it_was_recorded(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")
    fleet = tiny.load()
    before, after = fleet.as_known_on("2020-01-31"), fleet.as_known_on("2020-02-01")
    assert before.tables["findings"]["finding"].tolist() == ["D1", "D2", "D3"]
    assert after.tables["findings"]["finding"].tolist() == ["D1", "D2", "D3", "D4"]
    assert before.cut_off == before.known_on == pd.Timestamp("2020-01-31")
    assert fleet.as_known_on("2030-01-01").known_on == fleet.known_on
    assert fleet.as_known_on("2030-01-01").fingerprint() == fleet.fingerprint()
    assert before.as_known_on("2020-06-01").known_on == pd.Timestamp("2020-01-31")


def test_a_corrected_row_stands_until_the_correction_became_known(tiny):
    tiny.add(
        "findings", "D1", finding="D1b", outline=POLYGON, length="60", recorded_on="2015-01-01", replaces="D1"
    )
    fleet = tiny.load()
    assert "D1" not in set(fleet.tables["findings"]["finding"])
    then = fleet.as_known_on("2014-12-31").tables["findings"]
    assert then[["finding", "length"]].to_numpy().tolist() == [["D1", 50.0]]


def test_a_chain_of_corrections_and_a_reference_through_it(tiny):
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2018-01-01", replaces="D2")
    tiny.add("findings", "D2b", finding="D2c", length="4", recorded_on="2019-01-01", replaces="D2b")
    fleet = tiny.load()
    for day, finding, length in (
        ("2017-12-31", "D2", 50.8),
        ("2018-06-01", "D2b", 76.2),
        ("2020-12-31", "D2c", 101.6),
    ):
        known = fleet.as_known_on(day)
        assert known.tables["repairs"]["finding"].tolist() == [finding]
        found = known.tables["findings"].set_index("finding")
        assert found.loc[finding, "length"] == pytest.approx(length)
        assert [name for name in found.index if name.startswith("D2")] == [finding]


def test_a_zone_is_corrected_by_a_row_with_the_same_label(tiny):
    tiny.add("zones", "Z1", group="cowl", recorded_on="2019-01-01", replaces="Z1")
    tiny.add("limits", "M1", limit="M2", group="cowl")
    fleet = tiny.load()
    assert fleet.tables["zones"]["group"].tolist() == ["cowl", "flap"]
    assert fleet.as_known_on("2018-12-31").tables["zones"]["group"].tolist() == ["flap", "flap"]


def test_two_corrections_of_one_row_and_corrections_in_a_ring_are_rejected(tiny):
    tiny.add("findings", "D4", finding="D4b", replaces="D4").add(
        "findings", "D4", finding="D4c", replaces="D4"
    )
    tiny.add("findings", "D4", finding="D8", replaces="D9").add("findings", "D4", finding="D9", replaces="D8")
    fleet = load_fleet(tiny.write(), set_aside=True)
    assert fleet.rejected[["row", "value", "reason"]].to_numpy().tolist() == [
        [6, "D4", "one row is corrected by several rows"],
        [7, "D4", "one row is corrected by several rows"],
        [8, "D9", "rows correct each other in a ring"],
        [9, "D8", "rows correct each other in a ring"],
    ]
    assert fleet.tables["findings"]["finding"].tolist() == ["D1", "D2", "D3"]


def test_a_correction_recorded_before_the_row_that_it_corrects_is_rejected(tiny):
    tiny.add("findings", "D4", finding="D4b", recorded_on="2019-05-05", replaces="D4")
    fleet = load_fleet(tiny.write(), set_aside=True)
    assert fleet.rejected[["row", "reason", "expected"]].to_numpy().tolist() == [
        [6, "corrects a row that was recorded after it", "recorded_on from 2019-05-06 on"]
    ]


def test_checks_are_made_again_on_what_was_known(tiny):
    # the look L2 was recorded after its finding, so on the day between the finding stands alone
    tiny.set("inspections", "L2", recorded_on="2014-03-01")
    fleet = tiny.load()
    assert len(fleet.warnings) == 0
    then = fleet.as_known_on("2014-02-01")
    assert then.tables["findings"]["finding"].tolist() == ["D1"]
    assert then.warnings[["table", "row", "value", "reason"]].to_numpy().tolist() == [
        ["findings", 2, "L2", "refers to a row of inspections that became known later"]
    ]
    tiny.set("findings", "D2", recorded_on="2017-06-01")
    late = tiny.load().as_known_on("2017-05-10")
    assert late.rejected[["table", "value", "reason"]].to_numpy().tolist() == [
        ["repairs", "D2", "refers to a row of findings that became known later"]
    ]


def test_a_mended_row_that_could_not_be_read_is_no_reject_any_more(tiny):
    tiny.add("findings", "D4", finding="D4b", recorded_on="2019-08-01", replaces="D4")
    tiny.set("findings", "D4", kind="crack")
    fleet = tiny.load()
    assert len(fleet.rejected) == 0
    assert fleet.as_known_on("2019-07-01").rejected["value"].tolist() == ["crack"]


@pytest.mark.parametrize("date", ["soon", None, float("nan")])
def test_a_date_that_is_no_day_is_refused(tiny, date):
    fleet = tiny.load()
    with pytest.raises(ValueError, match=f"must be a day such as '2019-06-30'. Got {date!r} instead"):
        fleet.as_known_on(date)


def test_rows_since_names_late_corrected_and_withdrawn_rows(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")
    tiny.add("findings", "D2", finding="D2b", recorded_on="2019-10-01", replaces="D2")
    tiny.add(
        "findings", "D1", finding="D1b", disposition="not_confirmed", recorded_on="2019-11-01", replaces="D1"
    )
    # an event of after the day and its own correction change nothing that was known
    tiny.add("findings", "D4", finding="D6", found_on="2020-03-01", recorded_on="2020-03-02")
    tiny.add("findings", "D6", finding="D6b", recorded_on="2020-03-03", replaces="D6")
    since = tiny.load().rows_since("2019-06-30")
    assert since.drop(columns=["recorded_on", "event_date"]).to_numpy().tolist() == [
        ["findings", "D2b", "D2", "corrected"],
        ["findings", "D1b", "D1", "withdrawn"],
        ["findings", "D4", "", "late"],
    ]
    assert since["event_date"].tolist() == [
        pd.Timestamp(day) for day in ("2017-05-01", "2014-01-01", "2019-05-05")
    ]
    assert len(load_fleet(tiny.folder).rows_since("2020-12-31")) == 0


def test_rows_since_knows_no_more_than_the_fleet(tiny):
    tiny.set("findings", "D4", recorded_on="2020-02-01")
    fleet = tiny.load().as_known_on("2020-01-01")
    assert len(fleet.rows_since("2019-06-30")) == 0


@pytest.mark.long
def test_every_cell_changes_the_fingerprint_of_its_table_and_of_all(tiny):
    changes = {
        "aircraft": ("A2", "records_from", "2014-01-02"),
        "basing": ("B1", "climate", "wet"),
        "zones": ("Z1", "outline", "POLYGON ((0 0, 1001 0, 1000 500, 0 500, 0 0))"),
        "panels": ("F4", "prior_flight_hours", "501"),
        "usage": ("R4", "flight_hours", "21610.5"),
        "tasks": ("K1", "cap_basis", "limitation"),
        "cards": ("C1", "station", "Saltmere"),
        "inspections": ("L1", "panel", ""),
        "findings": ("D1", "remarks", "photo"),
        "repairs": ("X1", "restoration_factor", "0.5"),
        "limits": ("M1", "size", "40.000001"),
        "taps": ("T2", "contact_time", "300.000001"),
        "deferrals": ("DF2", "until", "2021-05-07"),
    }
    assert set(changes) == set(TABLES)
    before = load_fleet(tiny.left().write()).fingerprint()
    assert set(before) == {
        *TABLES,
        "packages",
        "planned_usage",
        "all",
    }  # what dataset.toml says of plans counts too
    assert all(len(digest) == 64 for digest in before.values())
    for table, (key, column, value) in changes.items():
        old = tiny.row(table, key).get(column, "")
        after = load_fleet(tiny.set(table, key, **{column: value}).write()).fingerprint()
        assert {name for name in before if after[name] != before[name]} == {table, "all"}
        tiny.set(table, key, **{column: old})


def test_lay_out_of_files_does_not_change_the_fingerprint(tiny):
    before = tiny.load().fingerprint()
    for table in tiny.columns:
        tiny.columns[table].reverse()
    tiny.set("limits", "M1", size="40.00")
    tiny.set("findings", "D1", outline="POLYGON((150 100, 150 130,100.0 130,100 100, 150 100))")
    assert tiny.load().fingerprint() == before


@pytest.mark.long
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=st.sampled_from(sorted(TABLES)), seed=st.integers(0, 2**16))
def test_order_of_rows_changes_neither_tables_nor_fingerprint(tmp_path_factory, table, seed):
    tiny = Tiny(tmp_path_factory.mktemp("order") / "tiny").left()
    tiny.add("findings", "D2", finding="D2b", length="3", recorded_on="2018-01-01", replaces="D2")
    tiny.add("findings", "D4", finding="D9", kind="crack")
    tiny.add(
        "usage", "R7", reading="R10", read_on="2012-01-01", flight_hours="9000", recorded_on="2012-01-01"
    )
    before = load_fleet(tiny.write(), set_aside=tmp_path_factory.mktemp("aside"))
    random.Random(seed).shuffle(tiny.rows[table])
    after = load_fleet(tiny.write(), set_aside=tmp_path_factory.mktemp("aside"))
    assert after.fingerprint() == before.fingerprint()
    for name in TABLES:
        pd.testing.assert_frame_equal(
            before.tables[name].drop(columns="row"), after.tables[name].drop(columns="row"), check_exact=True
        )
    unordered = ["table", "column", "value", "reason"]
    assert sorted(after.rejected[unordered].to_numpy().tolist()) == sorted(
        before.rejected[unordered].to_numpy().tolist()
    )
