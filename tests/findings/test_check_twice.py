"""What two cells say of one thing is the same; where nearly all rows agree, the one that does not is named."""

import pytest

from findings.test_check_across import warnings
from kit.findings.check import twice

REASONS = ("not the zone", "not the method", "most looks on cards", "larger than the length", "does not fit the outline", "no other damage of this type")  # fmt: skip


def found(tiny):
    """Return the warnings of these checks, by table, row, column and value."""
    return {cell: words for cell, (reason, words) in warnings(tiny).items() if any(one in reason for one in REASONS)}  # fmt: skip


@pytest.fixture
def looks(tiny):
    """Thirty looks on cards of K1 at its zones, with a damage each, and five of K2, which looks at Z1."""
    for k in range(30):
        day = f"2017-{1 + k // 3:02d}-{10 + k % 3}"
        tiny.add("cards", "C1", card=f"N{k}", aircraft="A2", closed_on=day, recorded_on=day)
        tiny.add("inspections", "L1", inspection=f"M{k}", card=f"N{k}", aircraft="A2", zone="Z2", panel="P4", inspected_on=day, outcome="found", recorded_on=day)  # fmt: skip
        tiny.add("findings", "D1", finding=f"E{k}", inspection=f"M{k}", aircraft="A2", zone="Z2", panel="P4", found_on=day, recorded_on=day)  # fmt: skip
    for k in range(5):
        day = f"2018-0{1 + k}-20"
        tiny.add("cards", "C1", card=f"V{k}", task="K2", aircraft="A2", closed_on=day, recorded_on=day)
        tiny.add("inspections", "L1", inspection=f"W{k}", card=f"V{k}", aircraft="A2", zone="Z1", panel="P3", method="visual", inspected_on=day, recorded_on=day)  # fmt: skip
    return tiny


def test_a_look_at_another_zone_or_by_another_method_than_its_task_is_named(looks):
    assert found(looks) == {}
    looks.set("inspections", "W2", zone="Z2", panel="P4")
    assert found(looks) == {("inspections", 38, "zone", "Z2"): "Z1 (task K2)"}
    looks.set("inspections", "W2", zone="Z1", panel="P3", method="tap_manual")
    assert found(looks) == {("inspections", 38, "method", "tap_manual"): "visual (task K2)"}


def test_a_task_that_says_something_else_than_its_looks_is_named_once(looks):
    """A walk-round taken for a tap test would make clean tap looks of all its cards: a longer interval."""
    looks.set("tasks", "K2", method="tap_manual")
    assert found(looks) == {("tasks", 3, "method", "tap_manual"): "visual, as these looks have"}
    looks.set("tasks", "K2", method="visual", zones="Z2")
    assert found(looks) == {("tasks", 3, "zones", "Z2"): "Z1, as these looks have"}


def test_a_finding_by_another_method_than_its_look_is_named(looks):
    looks.set("findings", "E3", method="tap_instrumented")
    assert list(found(looks).values()) == ["tap_manual, the method of the look"]


def test_sizes_that_fit_neither_each_other_nor_the_outline_are_named(looks):
    """The outlines are 50 x 30 mm; the length a digit short, width and length exchanged, a point of the outline moved."""
    looks.set("findings", "E3", length="20", width="")
    assert list(found(looks).values()) == ["about 58 mm, as the outline has (it is 20 mm)"]
    looks.set("findings", "E3", length="30", width="50")
    assert "50 mm, the width, or more" in found(looks).values()
    looks.set("findings", "E3", length="50", width="30", outline="POLYGON((10 100,150 100,150 130,100 130,10 100))")  # fmt: skip
    assert list(found(looks).values()) == ["about 143 mm, as the outline has (it is 50 mm)"]


def test_the_only_damage_of_a_type_at_a_depth_is_named(looks, monkeypatch):
    monkeypatch.setattr(twice, "FEWEST_OF_KIND", 100)
    for k in range(30):
        looks.set("findings", f"E{k}", depth="near_bond")
        for n in range(3):
            looks.add("findings", f"E{k}", finding=f"F{n}-{k}")
    looks.set("findings", "E3", depth="core")
    assert list(found(looks).values()) == ["near_bond, as the 119 others of type disbond"]
    looks.set("findings", "E4", depth="core")
    assert found(looks) == {}
