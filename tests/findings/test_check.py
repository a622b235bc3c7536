"""Each kind of wrong row is rejected, or accepted with a warning, and the message says which and why."""

import numpy as np
import pytest
from support import Tiny

from kit.findings import TableError, load_fleet
from kit.findings.check.lone import FEWEST_ROWS


def rejected(tiny: Tiny, *lines: str) -> TableError:
    """Load and return the error, whose message must hold the lines as they are."""
    with pytest.raises(TableError) as caught:
        load_fleet(tiny.write())
    for line in lines:
        assert line in str(caught.value), str(caught.value)
    return caught.value


def warned(tiny: Tiny, *cells: str):
    """Load without rejects and return the only warning, which must hold the cells."""
    fleet = load_fleet(tiny.write())
    assert len(fleet.warnings) == 1, fleet.warnings.to_string()
    warning = fleet.warnings.iloc[0]
    for cell in cells:
        assert cell in " | ".join(map(str, warning)), " | ".join(map(str, warning))
    return fleet, warning


@pytest.mark.parametrize(
    ("table", "key", "cells", "line"),
    [
        (
            "limits",
            "M1",
            {"size": "40 mm"},
            "limits.csv row 2, size = '40 mm': size is not a number. Expected: a finite number with a decimal point. To correct: write digits and a decimal point, no unit, no comma.",
        ),
        ("limits", "M1", {"size": "4,5"}, "limits.csv row 2, size = '4,5': size is not a number."),
        (
            "limits",
            "M1",
            {"size": "inf"},
            "limits.csv row 2, size = 'inf': size is not a number. Expected: a finite number",
        ),
        ("limits", "M1", {"size": "nan"}, "limits.csv row 2, size = 'nan': size is not a number."),
        (
            "limits",
            "M1",
            {"size": ""},
            "limits.csv row 2, size = '': size is blank. Expected: allowable damage limit (ADL): largest damage that may stay; what of it is bounded: see bounds. To correct: write the size.",
        ),
        (
            "limits",
            "M1",
            {"size": "-4"},
            "limits.csv row 2, size = '-4': size is too small. Expected: at least 0 mm. To correct: check sign and unit.",
        ),
        (
            "limits",
            "M1",
            {"total_share": "1.5"},
            "limits.csv row 2, total_share = '1.5': total_share is too large. Expected: at most 1. To correct: check the number",
        ),
        ("limits", "M1", {"limit": ""}, "limits.csv row 2, limit = '': limit is blank."),
        (
            "zones",
            "Z1",
            {"side": "Left"},
            "zones.csv row 2, side = 'Left': side is not one of its choices. Expected: one of left, right, centre. To correct: write left.",
        ),
        (
            "zones",
            "Z1",
            {"removable": "y"},
            "zones.csv row 2, removable = 'y': removable is not a flag. Expected: yes, or a blank cell. To correct: write yes or leave it blank.",
        ),
        (
            "findings",
            "D1",
            {"size_unit": "cms"},
            "findings.csv row 2, size_unit = 'cms': unknown size unit. Expected: one of mm, cm, in. To correct: write cm.",
        ),
        (
            "findings",
            "D1",
            {"kind": "Dis bond"},
            "kind = 'Dis bond': kind is not one of its choices. Expected: one of disbond, moisture, moisture_disbond, delamination, dent, puncture, core_damage. To correct: write disbond.",
        ),
        (
            "findings",
            "D1",
            {"outline": "POLYGON ((0 0, 1 0"},
            "findings.csv row 2, outline = 'POLYGON ((0 0, 1 0': outline is not a polygon in WKT. Expected: a closed POLYGON in WKT, which can be read. To correct: write POLYGON ((x y,",
        ),
        (
            "findings",
            "D1",
            {"outline": "POINT (1 1)"},
            "outline = 'POINT (1 1)': outline is not a polygon in WKT. Expected: one POLYGON, not a POINT.",
        ),
        (
            "zones",
            "Z1",
            {"outline": "POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))"},
            "zones.csv row 2, outline = 'POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))': outline crosses itself or has no area. Expected: an outline that does not cross itself (Self-intersection[5 5]). To correct: draw the outline again.",
        ),
        (
            "inspections",
            "L1",
            {"coverage": "half"},
            "inspections.csv row 2, coverage = 'half': coverage is neither full nor a polygon in WKT. Expected: full, or the part looked at",
        ),
        (
            "findings",
            "D1",
            {"found_on": "next week"},
            "findings.csv row 2, found_on = 'next week': found_on is not a date. Expected: a day that exists, as YYYY-MM-DD. To correct: write the year, the month and the day as digits",
        ),
        ("findings", "D1", {"found_on": "2014-02-30"}, "found_on = '2014-02-30': found_on is not a date."),
        ("findings", "D1", {"found_on": "2014-1-1"}, "found_on = '2014-1-1': found_on"),
    ],
)
def test_a_cell_that_cannot_be_read_is_rejected(tiny, table, key, cells, line):
    rejected(tiny.set(table, key, **cells), line)


def test_a_written_size_of_0_beside_an_outline_is_read_without_a_warning_of_the_program(tiny):
    """No ratio to the outline, nor to another mapping, tells its unit; any warning of the program fails the suite."""
    fleet = load_fleet(tiny.set("findings", "D1", length="0", width="0").write())
    assert fleet.tables["findings"]["length"].iloc[0] == 0
    assert not len(fleet.rejected)


def test_dates_in_two_orders_are_told_with_their_rows(tiny):
    tiny.set("findings", "D1", found_on="25/03/2015").set("findings", "D2", found_on="03/25/2015")
    tiny.set("findings", "D4", found_on="04/03/2015")
    rejected(
        tiny,
        "findings.csv row 2, found_on = '25/03/2015': found_on: the order of day and month is mixed "
        "(day first: row 2; month first: row 3; either way: row 5; YYYY-MM-DD: 1 other row). "
        "Expected: a day that exists, as YYYY-MM-DD. To correct: write 2015-03-25.",
        "To correct: write 2015-03-04 if the day comes first, 2015-04-03 if the month does.",
        "3  findings: found_on: the order of day and month is mixed",
    )


def test_a_day_before_the_month_is_seen_in_iso_like_dates(tiny):
    tiny.set("usage", "R8", read_on="2016-25-03")
    rejected(
        tiny,
        "usage.csv row 9, read_on = '2016-25-03': read_on: the order of day and month is mixed "
        "(day first: row 9; YYYY-MM-DD: 8 other rows)",
        "To correct: write 2016-03-25.",
    )


def test_problems_of_all_tables_come_in_one_pass(tiny):
    tiny.set("limits", "M1", size="x").set("cards", "C1", task="K9").set(
        "repairs", "X1", repaired_on="2017-04-01"
    )
    error = rejected(tiny, "4 problems in 4 rows of 4 tables.")
    assert error.problems[["table", "row", "column"]].to_numpy().tolist() == [
        ["cards", 2, "task"],
        ["inspections", 2, "card"],
        ["repairs", 2, "repaired_on"],
        ["limits", 2, "size"],
    ]


def test_an_id_used_twice_by_rows_that_differ_rejects_them_all(tiny):
    tiny.add("limits", "M1", size="45")
    error = rejected(
        tiny,
        "limits.csv row 2, limit = 'M1': id used twice, and the rows differ. Expected: an id of its own; row 3 has the "
        "same. To correct: give one row an id of its own, or say in replaces what it corrects.",
    )
    assert error.problems["row"].tolist() == [2, 3]


def test_the_second_of_two_equal_rows_is_rejected(tiny):
    tiny.add("limits", "M1")
    error = rejected(
        tiny,
        "limits.csv row 3, limit = 'M1': id used twice, the rows are equal. Expected: an id of its own; row 2",
    )
    assert len(error.problems) == 1


@pytest.mark.parametrize(
    ("table", "key", "cells", "line"),
    [
        ("panels", "F2", {"aircraft": "A9"}, "panels.csv row 4, aircraft = 'A9': no such row in aircraft. Expected: the id of a row of aircraft. To correct: correct the aircraft, or add the row to aircraft."),
        ("tasks", "K2", {"zones": "Z1;Z7"}, "tasks.csv row 3, zones = 'Z7': no such row in zones."),
        ("cards", "C2", {"zones_not_done": "Z7"}, "cards.csv row 3, zones_not_done = 'Z7': no such row in zones."),
        ("findings", "D1", {"inspection": "L9"}, "findings.csv row 2, inspection = 'L9': no such row in inspections."),
        ("findings", "D4", {"aircraft": "A3", "zone": "Z2"}, "findings.csv row 5, zone = 'Z2': the subtype of the aircraft has no such zone. Expected: a zone of subtype S2, which A3 is. To correct: correct the zone or the aircraft"),
        ("inspections", "L4", {"aircraft": "A3"}, "inspections.csv row 5, zone = 'Z2': the subtype of the aircraft has no such zone."),
        ("panels", "F2", {"fitted_on": "2019-06-01", "recorded_on": "2019-06-01"}, "inspections.csv row 5, inspected_on = '2019-02-01': no panel was fitted there that day. Expected: a panel fitted at A1 Z2 on 2019-02-01; the first panel was fitted there on 2019-06-01. To correct: correct inspected_on or the zone"),
        ("panels", "F2", {"removed_on": "2018-06-01", "recorded_on": "2018-06-01"}, "inspections.csv row 5, inspected_on = '2019-02-01': no panel was fitted there that day. Expected: a panel fitted at A1 Z2 on 2019-02-01; panel P2 was removed there on 2018-06-01."),
        ("panels", "F2", {"removed_on": "2009-06-01"}, "panels.csv row 4, removed_on = '2009-06-01': removed_on is before fitted_on. Expected: 2010-01-01 or later. To correct: correct fitted_on or removed_on."),
        ("findings", "D4", {"found_on": "2021-05-05", "recorded_on": "2021-05-05"}, "findings.csv row 5, found_on = '2021-05-05': found_on is after the cut-off. Expected: a day up to 2020-12-31, the cut-off in dataset.toml. To correct: correct found_on, or move the cut-off."),
        ("findings", "D4", {"recorded_on": "2019-05-04"}, "findings.csv row 5, found_on = '2019-05-05': found_on is after recorded_on: recorded before it happened. Expected: a day up to recorded_on, 2019-05-04. To correct: correct found_on or recorded_on."),
        ("findings", "D1", {"outline": "", "length": "", "width": ""}, "findings.csv row 2, outline = '': neither an outline nor a centre with a length. Expected: an outline, or centre_x, centre_y and length, or a tap grid. To correct: draw the outline, or write centre and length."),
        ("findings", "D2", {"size_unit": ""}, "findings.csv row 3, size_unit = '': a size without a unit. Expected: mm, cm or in. To correct: write the unit of length and width."),
        ("findings", "D2", {"length": "50"}, "findings.csv row 3, length = '50 in': length is larger than the panel. Expected: at most 447 mm, the diagonal of the panel (it is 1270 mm). To correct: unit mix-up? 50 mm = 50 mm would fit; correct size_unit or the size."),
        ("findings", "D2", {"centre_x": "401"}, "findings.csv row 3, centre_x = '401': the centre is outside the panel. Expected: a point on the panel (it is 401, 100 mm). To correct: check the zone, the datum and the unit."),
        ("findings", "D1", {"outline": "POLYGON ((2000 100, 2050 100, 2050 130, 2000 100))"}, "outline is outside the panel. Expected: an outline inside its panel (0 % of it is). To correct: check the zone, the datum and the unit."),
        ("findings", "D1", {"outline": "POLYGON ((990 100, 1040 100, 1040 130, 990 130, 990 100))"}, "outline is mostly outside the panel. Expected: an outline inside its panel (20 % of it is)."),
        ("findings", "D1", {"outline": "POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))"}, "findings.csv row 2, outline = 'POLYGON ((0 0, 10 10, 10 0, 0 10, 0 0))': outline crosses itself or has no area. Expected: an outline that does not cross itself (Self-intersection[5 5])."),
        ("findings", "D1", {"outline": "POLYGON ((0 0, 10 0, 20 0, 0 0))"}, "outline crosses itself or has no area."),
        ("findings", "D1", {"zone": "Z2"}, "findings.csv row 2, zone = 'Z2': zone is not that of its inspection. Expected: Z1, as in inspections L2. To correct: correct the zone or the inspection."),
        ("inspections", "L1", {"aircraft": "A2", "panel": ""}, "inspections.csv row 2, aircraft = 'A2': aircraft is not that of its card. Expected: A1, as in cards C1."),
        ("repairs", "X1", {"repaired_on": "2017-04-30"}, "repairs.csv row 2, repaired_on = '2017-04-30': repaired before it was found. Expected: 2017-05-01, the day it was found, or later."),
        ("limits", "M1", {"replaces": "M0"}, "limits.csv row 2, replaces = 'M0': corrects a row that is not there. Expected: the id of a row of limits that was recorded before. To correct: correct the id, or leave the cell blank."),
        ("limits", "M1", {"replaces": "M1"}, "limits.csv row 2, replaces = 'M1': corrects a row that is not there."),
    ],
)  # fmt: skip
def test_a_row_that_does_not_fit_the_other_tables_is_rejected(tiny, table, key, cells, line):
    rejected(tiny.set(table, key, **cells), line)


def test_a_row_that_refers_to_a_rejected_row_is_rejected_too(tiny):
    tiny.set("findings", "D2", kind="crack")
    rejected(
        tiny,
        "findings.csv row 3, kind = 'crack': kind is not one of its choices.",
        "repairs.csv row 2, finding = 'D2': refers to a rejected row of findings. Expected: the id of an accepted row of "
        "findings. To correct: correct findings.csv row 3 first.",
    )


def test_two_panels_at_one_place_reject_both_fittings(tiny):
    tiny.set("panels", "F1", removed_on="2016-02-01", recorded_on="2016-02-01").set(
        "panels", "F6", fitted_on="2016-03-01", recorded_on="2016-03-01"
    )
    error = rejected(
        tiny,
        "panels.csv row 3, zone = 'Z1': two panels at one place at once. Expected: no shared days "
        "(A1 Z1 has P1 from 2010-01-01 to 2016-02-01). To correct: write removed_on of the earlier fitting",
        "(A1 Z1 has P5 from 2016-01-01 to now)",
    )
    clash = error.problems[error.problems["reason"] == "two panels at one place at once"]
    assert clash["row"].tolist() == [3, 7]


def test_one_panel_at_two_places_rejects_both_fittings(tiny):
    tiny.set("panels", "F6", fitted_on="2015-12-01")
    error = rejected(
        tiny, "panel = 'P1': one panel at two places at once. Expected: no shared days (A3 Z1 has P1 from"
    )
    clash = error.problems[error.problems["reason"] == "one panel at two places at once"]
    assert clash["row"].tolist() == [3, 8]


def test_a_fitting_inside_another_one_is_found_whatever_lies_between(tiny):
    tiny.set("panels", "F2", removed_on="")
    for key, start, end in (("F8", "2011-01-01", "2011-02-01"), ("F9", "2015-01-01", "2015-02-01")):
        tiny.add(
            "panels", "F2", fitting=key, panel=f"Q{key}", fitted_on=start, removed_on=end, recorded_on=end
        )
    error = rejected(tiny)
    clash = error.problems[error.problems["reason"] == "two panels at one place at once"]
    assert clash["row"].tolist() == [4, 9, 10]


def test_the_reading_that_offends_is_rejected_and_not_those_after_it(tiny):
    tiny.add(
        "usage",
        "R7",
        reading="R10",
        read_on="2012-01-01",
        flight_hours="14600",
        flight_cycles="730",
        recorded_on="2012-01-01",
    )
    error = rejected(
        tiny,
        "usage.csv row 11, flight_hours = '14600': flight_hours goes backwards. Expected: a reading that rises with the "
        "date (14600 on 2012-01-01; before it up to 0, after it from 4400). To correct: correct the reading; if the meter was "
        "changed, add a row with meter_change = yes.",
    )
    assert len(error.problems) == 1


def test_a_meter_change_row_lets_the_meter_begin_again_and_no_row_does_not(tiny):
    load_fleet(tiny.write())
    tiny.set("usage", "R3", meter_change="")
    rejected(
        tiny,
        "usage.csv row 4, flight_hours = '0': flight_hours rises faster than an aircraft flies. Expected: at most 24 a day "
        "(0 on 2015-01-01, 18260 on 2015-01-01). To correct: correct one of the readings; if the meter was changed, say so",
        "usage.csv row 3, flight_hours = '18260': flight_hours rises faster",
    )


def test_a_meter_change_without_a_last_reading_is_a_warning(tiny):
    tiny.set("usage", "R2", read_on="2014-12-01")
    warned(
        tiny,
        "usage | usage.csv | 4 | meter_change | yes | meter changed without a last reading of the old meter",
    )


def test_a_former_label_means_its_zone_and_is_a_warning_only_after_its_last_day(tiny):
    tiny.set("cards", "C2", zones_not_done="Y2").set("inspections", "L4", zone="Y2")
    fleet, _ = warned(
        tiny,
        "inspections | inspections.csv | 5 | zone | Y2 | a former label used after its last day | "
        "Z2, the present label (the former one was in use until 2015-12-31) | write the present label",
    )
    looks = fleet.tables["inspections"].set_index("inspection")
    assert looks.loc["L4", ["zone", "zone_as_written", "panel"]].tolist() == ["Z2", "Y2", "P2"]
    assert fleet.tables["cards"].set_index("card").loc["C2", "zones_not_done"] == "Z2"


def test_a_label_that_two_zones_had_is_told_apart_by_the_serial(tiny):
    # until 2015 the label Z1 was that of the zone which is now Z2
    tiny.set("zones", "Z2", former_label="Z1")
    tiny.add(
        "inspections",
        "L1",
        inspection="L5",
        card="",
        panel="P2",
        inspected_on="2012-02-01",
        recorded_on="2012-02-01",
    )
    looks = load_fleet(tiny.write()).tables["inspections"].set_index("inspection")
    assert looks["zone"].to_dict() == {"L1": "Z1", "L2": "Z1", "L3": "Z2", "L4": "Z2", "L5": "Z2"}
    tiny.set("inspections", "L5", panel="")
    rejected(
        tiny,
        "inspections.csv row 6, zone = 'Z1': the label stood for more than one zone that day. Expected: a label that "
        "stood for one zone, or the serial of the panel beside it.",
    )


def test_a_serial_that_disagrees_with_the_fittings_is_a_warning(tiny):
    tiny.set("findings", "D4", panel="P2")
    fleet, _ = warned(
        tiny,
        "findings | findings.csv | 5 | panel | P2 | the serial as written is not that of the fittings, which stand | "
        "P5, which the fittings say was there | correct the serial, or the fittings in panels; that panel was at A1 Z2",
    )
    found = fleet.tables["findings"].set_index("finding")
    assert found.loc["D4", ["panel", "panel_as_written"]].tolist() == ["P5", "P2"]


def test_a_look_on_the_day_of_a_change_means_the_panel_taken_off_or_the_serial_named(tiny):
    tiny.add(
        "inspections",
        "L1",
        inspection="L5",
        card="",
        panel="",
        inspected_on="2016-01-01",
        recorded_on="2016-01-01",
    )
    tiny.add("inspections", "L5", inspection="L6", panel="P5")
    looks = load_fleet(tiny.write()).tables["inspections"].set_index("inspection")
    assert looks.loc[["L5", "L6"], "panel"].tolist() == ["P1", "P5"]


@pytest.mark.parametrize(
    ("table", "key", "cells", "words"),
    [
        ("findings", "D1", {"outline": "POLYGON ((100 100, 150 100, 150 130, 100 130, 100 90, 100 100))"}, "outline crosses itself, repaired | an outline that does not cross itself (Ring Self-intersection[100 100])"),
        ("findings", "D1", {"outline": "POLYGON ((970 100, 1010 100, 1010 130, 970 130, 970 100))"}, "outline leaves the panel, clipped | an outline inside its panel (75 % of it is)"),
        ("findings", "D1", {"length": "2"}, "size_unit | 2 mm | unit mix-up suspected | a size that fits what else is known (2 mm beside an outline 50 mm long; 2 mm is less than a tap tells) | check size_unit, which length, width and rounding are in; in would fit"),
        ("findings", "D1", {"length": "5"}, "size_unit | 5 mm | unit mix-up suspected | a size that fits what else is known (5 mm beside an outline 50 mm long) | check size_unit, which length, width and rounding are in; cm would fit"),
        ("findings", "D1", {"size_unit": ""}, "findings.csv | 2 | size_unit |  | a size without a unit, not used"),
        ("findings", "D1", {"disposition": "void"}, "inspections | inspections.csv"),
        ("findings", "D1", {"found_on": "2014-01-02"}, "found_on is not the day of the look | 2014-01-01, the day of the look"),
        ("inspections", "L2", {"outcome": "clean"}, "inspections | inspections.csv | 3 | outcome | clean | outcome is clean, but damage hangs on the look; it counts as found"),
        ("findings", "D3", {"inspection": ""}, "inspections.csv | 5 | outcome | found | outcome is found, but no accepted finding hangs on the look"),
        ("limits", "M1", {"valid_from": "2018-01-01"}, "findings"),
        ("limits", "M1", {"group": "cowl"}, "limits"),
        ("aircraft", "A3", {"subtype": "S2"}, ""),
        ("panels", "F6", {"state": "new"}, "panels | panels.csv | 8 | state | new | state is new, but the panel was fitted before; its age goes on"),
        ("basing", "B2", {"aircraft": "A1"}, "basing | basing.csv | 2 | valid_from | 2010-01-01 | two bases at once"),
    ],
)  # fmt: skip
def test_a_row_that_can_be_used_by_rule_is_a_warning(tiny, table, key, cells, words):
    fleet = load_fleet(tiny.set(table, key, **cells).write())
    texts = [" | ".join(map(str, row)) for row in fleet.warnings.to_numpy()]
    if key == "A3" or cells == {"disposition": "void"}:
        assert not texts
    else:
        assert any(words in text for text in texts), texts


def test_a_repaired_outline_and_a_clipped_one_are_used_as_mended(tiny):
    tiny.set("findings", "D1", outline="POLYGON ((100 100, 150 100, 150 130, 100 130, 100 90, 100 100))")
    tiny.set(
        "findings",
        "D4",
        outline="POLYGON ((970 100, 1010 100, 1010 130, 970 130, 970 100))",
        length="",
        width="",
    )
    found = load_fleet(tiny.write()).tables["findings"].set_index("finding")
    assert found.loc["D1", "outline"].is_valid
    assert found.loc["D1", "outline"].area == pytest.approx(1500, rel=0.05)
    assert found.loc["D4", "outline"].area == pytest.approx(900)


def test_no_limit_in_force_is_told_for_each_finding_with_the_first_revision(tiny):
    fleet = load_fleet(tiny.set("limits", "M1", valid_from="2018-01-01").write())
    assert fleet.warnings[["table", "row", "column", "reason", "expected"]].to_numpy().tolist() == [
        ["findings", 2, "found_on", "no limit was in force that day", "a limit of group flap in force (the first is from 2018-01-01)"],
        ["findings", 3, "found_on", "no limit was in force that day", "a limit of group flap in force (the first is from 2018-01-01)"],
    ]  # fmt: skip


def test_findings_that_overlap_within_a_week_may_be_one_damage(tiny):
    tiny.add("findings", "D4", finding="D5", found_on="2019-05-09", recorded_on="2019-05-09")
    warned(
        tiny,
        "finding | D5 | may be the same damage as another finding | a damage of its own (D4 is within a week",
    )


def test_a_finding_with_a_centre_at_the_place_of_an_outline_may_be_the_same(tiny):
    tiny.add(
        "findings",
        "D4",
        finding="D5",
        outline="",
        centre_x="30",
        centre_y="25",
        length="35",
        found_on="2019-05-12",
        recorded_on="2019-05-12",
    )
    warned(tiny, "finding | D5 | may be the same damage as another finding")
    tiny.set("findings", "D5", centre_x="60", centre_y="28")  # not in line with it, which would be doubted
    assert len(load_fleet(tiny.write()).warnings) == 0
    tiny.set("findings", "D5", centre_x="30", centre_y="25", found_on="2019-05-13", recorded_on="2019-05-13")
    assert len(load_fleet(tiny.write()).warnings) == 0


def test_a_step_of_rounding_that_no_tap_test_has_points_to_the_unit(tiny):
    tiny.set("findings", "D2", rounding="5")
    warned(
        tiny,
        "size_unit | 2 in | unit mix-up suspected | a size that fits what else is known (rounded to 127 mm) | check size_unit",
    )
    tiny.set("findings", "D2", rounding="0.25", size_unit="mm", length="3", width="2")
    warned(
        tiny,
        "size_unit | 3 mm | unit mix-up suspected | a size that fits what else is known (rounded to 0.25 mm",
    )


def test_no_damage_needs_no_shape(tiny):
    tiny.set("findings", "D4", outline="", length="", width="", disposition="not_confirmed")
    assert len(load_fleet(tiny.write()).tables["findings"]) == 4


def test_a_clean_fleet_of_one_aircraft_without_events_is_accepted(tiny):
    for table in ("cards", "inspections", "findings", "repairs"):
        tiny.rows[table] = []
    for table in ("basing", "panels", "usage"):
        tiny.rows[table] = [row for row in tiny.rows[table] if row["aircraft"] == "A1"]
    tiny.rows["aircraft"] = [tiny.row("aircraft", "A1")]
    fleet = load_fleet(tiny.write())
    assert len(fleet.tables["panels"]) == 3
    assert np.isin(fleet.tables["panels"]["aircraft"], "A1").all()


@pytest.mark.parametrize("column", ["length", "width"])
def test_a_size_of_0_beside_an_outline_is_warned_of_by_name(tiny, column):
    """The outline is used; a size that nobody measured is left blank."""
    assert not len(load_fleet(tiny.write()).warnings)
    tiny.set("findings", "D1", **{column: "0"})
    told = load_fleet(tiny.write()).warnings
    told = told[told["reason"] == f"a {column} of 0"]
    assert told[["file", "row", "column", "value"]].to_numpy().tolist() == [
        ["findings.csv", tiny.line("findings", "D1"), column, "0"]
    ]
    assert f"leave {column} blank where it was not measured" in told["mend"].iloc[0]


def test_where_no_aircraft_is_left_the_rows_of_many_panels_are_still_named(tiny):
    for aircraft in ("A1", "A2", "A3"):
        tiny.set("aircraft", aircraft, aircraft=aircraft + chr(27))
    for k in range(FEWEST_ROWS):
        tiny.add("panels", "F0", fitting=f"Q{k}", panel=f"S{k}")
    rejected(tiny, "aircraft.csv row 2, aircraft = ")
