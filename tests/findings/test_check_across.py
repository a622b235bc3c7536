"""What other rows and tables say against a row; each is a warning, or a refusal where it would date or name all else."""

import numpy as np
import pandas as pd
import pytest

from kit.findings import TableError, load_fleet
from kit.findings.check.names import looks_of

GRID = [(x, y) for x in range(0, 200, 50) for y in range(0, 200, 50)]


def warnings(tiny):
    """Load, and return the warnings as (table, row, column, value) by reason."""
    rows = load_fleet(tiny.write(), set_aside=tiny.folder / "rejected.csv").warnings
    cells = rows[["table", "row", "column", "value"]].itertuples(index=False, name=None)
    return {
        cell: (reason, words)
        for cell, reason, words in zip(cells, rows["reason"], rows["expected"], strict=True)
    }


def test_a_zone_in_the_group_of_others_is_named_by_the_other_side_and_by_its_task(tiny):
    for name, side, group in (
        ("Z3", "left", "flap"),
        ("Z4", "right", "flap"),
        ("Z5", "left", "door"),
        ("Z6", "right", "door"),
    ):
        tiny.add("zones", "Z1", zone=name, side=side, group=group)
    tiny.set("tasks", "K1", zones="Z1;Z2;Z3;Z4")
    assert warnings(tiny) == {}
    found = warnings(tiny.set("zones", "Z3", group="door"))
    assert found["zones", 4, "group", "door"] == (
        "the group has more zones on this side than on the other",
        "as many left as right (door: 2 left, 1 right)",
    )
    assert ("zones", 5, "group", "flap") in found
    reason, words = found["tasks", 2, "zones", "Z1;Z2;Z3;Z4"]
    assert reason == "one zone of the task is of another group than the others"
    assert words == "zones of group flap (Z3 is of door, whose other zones are not in the task)"


def test_zones_that_jump_from_one_revision_of_a_task_to_the_next_are_named(tiny):
    tiny.add("tasks", "K1", task="K3", valid_from="2016-01-01", recorded_on="2016-01-01")
    tiny.set("tasks", "K1", valid_to="2015-12-31")
    assert warnings(tiny) == {}
    assert warnings(tiny.set("tasks", "K3", zones="Z1"))["tasks", 4, "zones", "Z1"] == (
        "the zones jump from one revision of the task to the next",
        "the zones of K1, which it follows (gone: Z2; new: none)",
    )


def test_the_count_of_a_subtype_is_held_against_planned_usage(tiny):
    tiny.set("aircraft", "A3", subtype="S1")
    found = {cell: reason for cell, (reason, _) in warnings(tiny).items()}
    assert found["dataset", 0, "planned_usage.S1.aircraft", "2"].startswith(
        "not as many aircraft of the subtype"
    )


def test_the_earlier_life_of_a_panel_is_held_against_the_fleet_its_own_fittings_and_its_neighbours(tiny):
    """A digit too many in the cycles; fewer days at a later fitting; one of five panels of an aircraft otherwise."""
    tiny.set("panels", "F4", prior_flight_cycles="4000")
    tiny.set("panels", "F6", prior_flight_hours="100", prior_flight_cycles="50", prior_days="50")
    tiny.set("panels", "F0", prior_days="60").set("panels", "F1", prior_days="60")
    for k in range(5):
        tiny.add("zones", "Z2", zone=f"Y{k}", side="centre", former_label="", former_label_until="")
        own = {
            "prior_flight_hours": "500",
            "prior_flight_cycles": "250",
            "prior_days": "260" if k == 4 else "250",
        }
        tiny.add("panels", "F4", fitting=f"G{k}", panel=f"Q{k}", zone=f"Y{k}", fitted_on="2013-01-01", **own)
    found = {cell: reason for cell, (reason, _) in warnings(tiny).items()}
    assert (
        found["panels", 6, "prior_flight_hours", "500"]
        == "prior_flight_hours does not fit prior_flight_cycles, by what the fleet flies"
    )
    assert (
        found["panels", 8, "prior_days", "50"]
        == "prior_days falls or leaps from one fitting of the panel to the next"
    )
    assert (
        found["panels", 13, "prior_days", "260"]
        == "prior_days is not that of the other panels fitted that day"
    )
    assert len(found) == 3 + (("panels", 6, "prior_flight_cycles", "4000") in found)


@pytest.mark.parametrize(("time", "named"), [("30", True), ("3000", True), ("500", False)])
def test_a_contact_time_far_from_all_its_neighbours_is_named(tiny, time, named):
    for k, (x, y) in enumerate(GRID):
        value = time if (x, y) == (50, 100) else str(300 + k)
        tiny.add("taps", "T1", tap=f"N{k}", grid="G2", x=str(x), y=str(y), mark="", contact_time=value)
    found = warnings(tiny)
    assert (list(found.values()) != []) == named
    assert not named or next(iter(found))[2:] == ("contact_time", time)


def test_sizes_smaller_than_anybody_measures_are_named(tiny):
    tiny.set("findings", "D1", width="0.001").set("limits", "M1", size="0.001")
    found = {cell: reason for cell, (reason, _) in warnings(tiny).items()}
    assert found["findings", 2, "width", "0.001"] == "a width smaller than anybody measures"
    assert found["limits", 2, "size", "0.001"] == "a limit smaller than anybody measures"


def test_a_typing_error_in_recorded_on_dates_no_other_row(tiny):
    """One row recorded in 2052 must not make 2052 the day on which everything is known."""
    tiny.set("findings", "D1", recorded_on="2052-01-05").set("cards", "C1", closed_on="2001-01-01")
    fleet = load_fleet(tiny.write(), set_aside=tiny.folder / "rejected.csv")
    assert fleet.known_on == pd.Timestamp("2020-12-31")
    told = fleet.rejected[["table", "row", "column", "reason"]].itertuples(index=False, name=None)
    assert (
        "findings",
        2,
        "recorded_on",
        "recorded_on is after the day of loading; the row is not used",
    ) in list(told)
    assert "recorded more than ten years after closed_on" in fleet.warnings["reason"].tolist()


def test_years_control_characters_nul_and_very_long_cells_are_refused_by_name(tiny):
    tiny.set("aircraft", "A1", entry_into_service="0001-01-01").set("basing", "B2", stay="B\x072")
    tiny.set("findings", "D2", remarks="water\x00mark").set("findings", "D4", remarks="x" * 40_000)
    tiny.set("basing", "B3", stay="B" * 201)
    with pytest.raises(TableError) as caught:
        tiny.load()
    found = caught.value.problems.set_index("reason")[["table", "row"]].apply(tuple, axis=1).to_dict()
    assert found["entry_into_service is before there were aircraft"] == ("aircraft", 2)
    assert found["stay holds a control character"] == ("basing", 3)
    assert found["stay is too long"] == ("basing", 4)
    assert found["remarks holds the character NUL"] == ("findings", 3)
    assert found["remarks is too long"] == ("findings", 5)


@pytest.mark.parametrize(
    "twin",
    [
        "P\N{ZERO WIDTH SPACE}4",
        "\N{CYRILLIC CAPITAL LETTER ER}4",
        "p4",
        "P 4",
        "\N{FULLWIDTH LATIN CAPITAL LETTER P}4",
    ],
)
def test_a_name_that_looks_like_another_one_is_named(tiny, twin):
    found = warnings(tiny.set("panels", "F3", panel=twin))
    reason, words = found["panels", 5, "panel", twin]
    assert reason == "panel looks like another one and is not the same"
    assert "'P4'" in words


def test_names_of_plain_letters_look_the_same_one_by_one_and_in_one_go():
    names = pd.Series(["FL1O", "fl 10", "X9", "x-9", "O|l"])
    together, alone = (
        looks_of(names),
        pd.concat([looks_of(pd.Series([name, "\N{SNOWMAN}"]))[:1] for name in names]),
    )
    assert np.array_equal(together.to_numpy(), alone.to_numpy())
    assert together.tolist() == ["f110", "f110", "x9", "x-9", "011"]


@pytest.mark.parametrize(
    ("x", "y", "named"),
    [
        ("205", "168.1", "centre_y"),
        ("20.5", "186.1", "centre_x"),
        ("205.4", "186.9", None),
        ("350", "420", None),
    ],
)
def test_a_centre_that_shares_one_coordinate_with_another_mapping_of_its_damage_is_named_by_the_other(
    tiny, x, y, named
):
    """A digit dropped or two exchanged leave the other coordinate; a mapping nearby, or one of another damage, is no error."""
    sized = {"outline": "", "length": "20", "width": "15", "centre_x": "205", "centre_y": "186.1"}
    tiny.set("findings", "D1", **sized)
    tiny.add("findings", "D1", finding="D90", **(sized | {"centre_x": x, "centre_y": y}))
    found = {
        cell: (reason, words)
        for cell, (reason, words) in warnings(tiny).items()
        if cell[2] in ("centre_x", "centre_y")
    }
    rows = {cell[:3] for cell in found}
    assert bool(rows) == (named is not None)
    if named:
        other = "centre_x" if named == "centre_y" else "centre_y"
        reason = (
            f"{named} is far from another mapping of this damage type on the panel that has the same {other}"
        )
        assert {reason} == {one for one, _ in found.values()}
        assert any("as of D1" in words for _, words in found.values())


@pytest.mark.long
def test_a_meter_that_stands_still_while_the_other_rises_is_named_on_both_days(tiny):
    """The cycles of a month copied into the next: no flight takes no time. Both standing still is an aircraft on the ground."""
    for name, day, hours, cycles in (
        ("R6a", "2018-06-01", "6000", "3000"),
        ("R6b", "2018-07-01", "6250", "3125"),
    ):
        tiny.add(
            "usage",
            "R6",
            reading=name,
            read_on=day,
            recorded_on=day,
            flight_hours=hours,
            flight_cycles=cycles,
        )
    assert not [cell for cell in warnings(tiny) if cell[0] == "usage"]
    tiny.set("usage", "R6b", flight_hours="6000", flight_cycles="3000")
    assert not [cell for cell in warnings(tiny) if cell[0] == "usage"]
    found = warnings(tiny.set("usage", "R6b", flight_hours="6250"))
    reason, words = found["usage", tiny.line("usage", "R6b"), "flight_cycles", "3000"]
    assert reason == "flight_cycles stands still while flight_hours rises"
    assert words == "a reading that rises from 2018-06-01 to 2018-07-01, as flight_hours does by 250"
    assert ("usage", tiny.line("usage", "R6a"), "flight_cycles", "3000") in found
    found = warnings(tiny.set("usage", "R6b", flight_hours="6000", flight_cycles="3125"))
    assert ("usage", tiny.line("usage", "R6b"), "flight_hours", "6000") in found


@pytest.mark.long
def test_a_lone_blank_and_a_lone_rounding_are_named_by_the_other_rows(tiny):
    for k in range(120):
        tiny.add(
            "findings",
            "D4",
            finding=f"E{k}",
            tap_grid="",
            outline="",
            centre_x=str(20 + 7 * k),
            centre_y="250",
        )
    lone = ("is blank, and", "nearly no other size")
    assert not [cell for cell, (reason, _) in warnings(tiny).items() if any(word in reason for word in lone)]
    tiny.set("findings", "E7", rounding="").set("findings", "E8", rounding="0.5").set(
        "findings", "E9", side=""
    )
    found = warnings(tiny)
    assert found["findings", tiny.line("findings", "E7"), "rounding", ""][0] == (
        "rounding is blank, and nearly all other rows have it"
    )
    assert found["findings", tiny.line("findings", "E8"), "rounding", "0.5"] == (
        "nearly no other size in this unit is rounded so",
        "5 mm, as most sizes in mm",
    )
    for k in range(20, 30):
        tiny.set("findings", f"E{k}", rounding="")
    assert ("findings", tiny.line("findings", "E20"), "rounding", "") not in warnings(tiny)


@pytest.mark.long
def test_the_one_panel_fitted_before_its_aircraft_entered_service_is_named(tiny):
    """Month and day exchanged: the panel would look older, and its damage slower, than it is."""
    for k in range(20):
        tiny.add("zones", "Z2", zone=f"Y{k}", side="centre", former_label="", former_label_until="")
        tiny.add("panels", "F5", fitting=f"G{k}", panel=f"Q{k}", zone=f"Y{k}", fitted_on="2010-01-01")
    early = "fitted before the aircraft entered service, and nearly no other panel was"
    assert early not in [reason for reason, _ in warnings(tiny).values()]
    found = warnings(tiny.set("panels", "G3", fitted_on="2009-10-01"))
    assert found["panels", tiny.line("panels", "G3"), "fitted_on", "2009-10-01"] == (
        early,
        "2010-01-01 or later",
    )
    assert early not in [
        reason for reason, _ in warnings(tiny.set("panels", "G4", fitted_on="2009-10-01")).values()
    ]
