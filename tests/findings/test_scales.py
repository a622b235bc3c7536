"""Units that whole tables speak against: no row stands out where all of them are written in the wrong one."""

import pytest

from kit.findings import LIMIT_BEYOND_PANELS, SIZES_TOO_SMALL, load_fleet
from kit.findings.check.scales import PANEL_SIZES, SMALL_LIMIT

# Each test reads a dataset of its own; what it holds changes rarely.
pytestmark = pytest.mark.long

INCHES = ("1.5", "2", "2.25", "1.75", "2.5", "1.25", "0.75", "2.75")
"""Sizes as an inspector reads them off a tape in inches."""


def reasons(tiny):
    """Load, and return table and reason of every warning with what was expected."""
    rows = tiny.load().warnings
    return {(row.table, row.reason): row.expected for row in rows.itertuples()}


def sized(tiny, unit, sizes=INCHES, *, limit="50.8"):
    """Give the tiny fleet one damage of each size at Z1, and a limit for its group."""
    for k, size in enumerate(sizes):
        made = {
            "inspection": "",
            "outline": "",
            "rounding": "",
            "method": "tap_manual",
            "kind": "core_damage",
        }
        made |= {
            "length": size,
            "width": size,
            "size_unit": unit,
            "centre_x": str(50 + 40 * k),
            "centre_y": "100",
        }
        tiny.add("findings", "D4", finding=f"E{k}", **made)
    return tiny.set("limits", "M1", group=tiny.row("zones", "Z1")["group"], size=limit)


def test_inches_in_inches_are_not_doubted(tiny):
    told = reasons(sized(tiny, "in"))
    assert not {reason for _, reason in told if "unit" in reason or "inches" in reason}


def test_inches_read_as_millimetres_are_told_by_tap_limit_and_quarters(tiny):
    told = reasons(sized(tiny, "mm"))
    assert told["zones", SIZES_TOO_SMALL] == "a median length from 4 mm on (it is 2 mm)"
    assert ("limits", "limit and sizes of the group are as far apart as two units") in told
    assert told["dataset", "sizes in mm heap on quarters and eighths, as inches do"].endswith(
        "(5 of 10 are quarters or eighths)"
    )


def test_inches_read_as_centimetres_are_told_by_their_quarters(tiny):
    """20 mm for 2 in is a size like any other: only the quarters tell."""
    told = reasons(sized(tiny, "cm", ("1.25", "2", "2.25", "1.75", "2.5", "1.125", "0.75")))
    assert ("dataset", "sizes in cm heap on quarters and eighths, as inches do") in told


@pytest.mark.parametrize(
    ("limit", "reason"),
    [
        ("2", "a limit smaller than a tap test tells: written in another unit?"),
        ("1290", LIMIT_BEYOND_PANELS),
        ("6", "limit and sizes of the group are as far apart as two units"),
    ],
)
def test_a_limit_in_another_unit_is_told(tiny, limit, reason):
    assert ("limits", reason) in reasons(sized(tiny, "in", limit=limit))


def test_a_limit_that_sizes_come_near_is_not_doubted(tiny):
    assert not [table for table, _ in reasons(sized(tiny, "in", limit="25.4")) if table == "limits"]


def test_a_panel_smaller_than_a_hand_is_told(tiny):
    """A panel 40 in by 20 in, read as mm, is smaller than a hand; in inches it is a panel."""
    outline = "POLYGON ((0 0, 40 0, 40 20, 0 20, 0 0))"
    words = "no panel is so large or so small: outline written in another unit?"
    tiny.add("zones", "Z2", zone="Z9", outline=outline)
    assert reasons(tiny)["zones", words] == "100 to 15,000 mm across (it is 44.72 mm)"
    assert PANEL_SIZES[0] < 44.72 * 25.4 < PANEL_SIZES[1]


def test_the_smallest_limit_that_is_not_doubted_is_that_of_a_coin(tiny):
    words = "a limit smaller than a tap test tells: written in another unit?"
    assert ("limits", words) not in reasons(sized(tiny, "in", limit=f"{SMALL_LIMIT:g}"))


def test_sizes_take_the_unit_of_their_map_and_where_no_column_says_it_that_of_the_dataset(tiny):
    """One rule: the cell, else the map of the sizes, else the map of the table, else, without such a column, the dataset."""
    tiny.set("findings", "D2", size_unit="")
    tiny.columns["findings"].remove("size_unit")
    tiny.unit = "cm"
    for name in ("outline", "centre_x", "centre_y"):
        for row in tiny.rows["findings"]:
            row[name] = "" if name == "outline" else "5"
    for row in tiny.rows["findings"]:
        row["length"] = "3"
        row.pop("size_unit", None)
    fleet = load_fleet(tiny.write(), set_aside=tiny.folder / "aside.csv")
    assert set(fleet.tables["findings"]["length"]) == {30.0}
    words = "there is no column with the unit of sizes: they are read in cm, length_unit of the dataset"
    assert words in fleet.warnings["reason"].tolist()
    folder = tiny.write()
    toml = folder / "dataset.toml"
    toml.write_text(
        toml.read_text() + '\n[map.findings.units]\ndefault = "in"\ncentre_x = "cm"\ncentre_y = "cm"\n'
    )
    fleet = load_fleet(folder, set_aside=tiny.folder / "aside.csv")
    assert set(fleet.tables["findings"]["length"]) == {3 * 25.4}
    assert not fleet.warnings["reason"].str.contains("no column with the unit").any()


def test_both_days_of_a_fitting_may_stand_on_one_line(tiny):
    """The removal is known from its own day: what was decided before it sees the panel fitted."""
    tiny.set("panels", "F1", recorded_on="2010-01-01")
    fleet = tiny.load()
    told = fleet.warnings[fleet.warnings["table"] == "panels"]
    assert told[["row", "column", "value"]].to_numpy().tolist() == [[0, "removed_on", "1"]]

    def removed(fleet):
        return fleet.tables["panels"].set_index("fitting")["removed_on"]["F1"]

    assert f"{removed(fleet):%Y-%m-%d}" == "2016-01-01"
    assert str(removed(fleet.as_known_on("2015-12-31"))) == "NaT"
    assert f"{removed(fleet.as_known_on('2016-01-01')):%Y-%m-%d}" == "2016-01-01"
