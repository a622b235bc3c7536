"""Packages and planned usage have days: what was in force, as known on a day."""

import pandas as pd
import pytest

from kit.findings import TableError, in_force, load_fleet

DATED = """
[[packages]]
name = "A check"
flight_hours = 500

[[packages]]
name = "A check"
flight_hours = 600
valid_from = 2016-01-01
recorded_on = 2015-06-01

[[planned_usage."S1"]]
flight_hours = 2000
flight_cycles = 1900
aircraft = 2

[[planned_usage."S1"]]
flight_hours = 1000
flight_cycles = 900
aircraft = 2
valid_from = 2018-01-01
recorded_on = 2017-12-01
"""


@pytest.fixture
def folder(tiny):
    path = tiny.write()
    text = (path / "dataset.toml").read_text()
    (path / "dataset.toml").write_text(text[: text.index("[[packages]]")] + DATED)
    return path


@pytest.mark.parametrize(
    ("day", "hours", "flown"),
    [
        ("2015-05-31", 500, 2000),
        ("2015-12-31", 500, 2000),
        ("2016-01-01", 600, 2000),
        ("2018-01-01", 600, 1000),
    ],
)
def test_what_is_in_force_is_known_by_then_and_valid_by_then(folder, day, hours, flown):
    fleet = load_fleet(folder, set_aside=folder.parent / "r.csv").as_known_on(day)
    assert fleet.packages["flight_hours"].tolist() == [hours]
    assert fleet.planned_usage.loc["S1", "flight_hours"] == flown


def test_a_row_known_but_not_in_force_yet_is_in_the_fingerprint(folder):
    fleet = load_fleet(folder, set_aside=folder.parent / "r.csv")
    before, known, valid = (
        fleet.as_known_on(day).fingerprint()["packages"] for day in ("2015-05-31", "2015-06-01", "2016-01-01")
    )
    assert before != known == valid


def test_of_two_rows_of_one_day_the_one_recorded_last_stands_and_none_known_is_none():
    rows = pd.DataFrame(
        {
            "name": ["A", "A", "B"],
            "length": [1, 2, 3],
            "valid_from": pd.to_datetime(["2010-01-01", "2010-01-01", "2012-01-01"]),
            "recorded_on": pd.to_datetime(["2010-01-01", "2011-01-01", "2011-01-01"]),
        }
    )
    for known, cut, names, lengths in (
        ("2010-06-01", "2015-01-01", ["A"], [1]),
        ("2011-06-01", "2011-06-01", ["A"], [2]),
        ("2011-06-01", "2015-01-01", ["A", "B"], [2, 3]),
        ("2009-01-01", "2015-01-01", [], []),
    ):
        some = in_force(rows, "name", known_on=pd.Timestamp(known), cut_off=pd.Timestamp(cut))
        assert (some["name"].tolist(), some["length"].tolist()) == (names, lengths)


def test_two_rows_of_the_same_days_are_refused(folder):
    path = folder / "dataset.toml"
    path.write_text(path.read_text().replace("valid_from = 2016-01-01\nrecorded_on = 2015-06-01\n", ""))
    with pytest.raises(TableError, match="'A check' stands twice with the same valid_from and recorded_on"):
        load_fleet(folder)
