"""Rows that concern a group of zones, and tables to read."""

from types import SimpleNamespace

import pandas as pd
import pytest

from kit.decisions import readable, rows_of_group


def frame(**columns):
    return pd.DataFrame(columns)


@pytest.fixture
def small_fleet():
    return SimpleNamespace(
        tables={
            "zones": frame(zone=["Z1", "Z2", "Z3"], group=["door", "door", "fin"]),
            "findings": frame(finding=["F1", "F2"], zone=["Z1", "Z3"]),
            "inspections": frame(inspection=["L1", "L2"], zone=["Z2", "Z3"]),
            "panels": frame(fitting=["P1", "P2"], zone=["Z3", "Z2"]),
            "repairs": frame(repair=["R1", "R2"], finding=["F1", "F2"]),
            "tasks": frame(task=["T1", "T2"], zones=["Z3; Z2", "Z3"]),
            "cards": frame(card=["C1", "C2"], task=["T1", "T2"]),
            "limits": frame(limit=["M1", "M2"], group=["door", "fin"]),
        }
    )


def test_rows_of_a_group_are_found_by_zone_finding_task_or_name(small_fleet):
    rows = frame(
        table=[
            "findings",
            "findings",
            "repairs",
            "repairs",
            "inspections",
            "panels",
            "cards",
            "cards",
            "limits",
            "tasks",
        ],
        id=["F1", "F2", "R1", "R2", "L1", "P2", "C1", "C2", "M1", "T2"],
    )
    assert rows_of_group(rows, small_fleet, "door")["id"].tolist() == ["F1", "R1", "L1", "P2", "C1", "M1"]


def test_rows_of_whole_aircraft_and_of_no_table_are_left_out(small_fleet):
    rows = frame(table=["usage", "basing"], id=["U1", "F1"])
    assert rows_of_group(rows, small_fleet, "door").empty
    assert rows_of_group(rows.iloc[:0], small_fleet, "door").empty


def test_an_unknown_group_is_named_with_those_known(small_fleet):
    with pytest.raises(ValueError, match=r"Got 'wing'\. Known are door, fin\."):
        rows_of_group(frame(table=[], id=[]), small_fleet, "wing")


def test_numbers_are_rounded_to_significant_digits_and_words_kept():
    table = frame(a=[1234567.89, 0.000123456789, float("nan")], b=["risk", True, 3])
    assert readable(table, digits=4)["a"].tolist() == ["1.235e+06", "0.0001235", "–"]
    assert readable(table)["b"].tolist() == ["risk", True, 3]
    with pytest.raises(ValueError, match="Got 0"):
        readable(table, digits=0)
