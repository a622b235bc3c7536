"""Which method sees which damage type: a wet core rings, and it is the bond that moisture breaks which sounds dull."""

import pytest
from support import day

from kit.findings import (
    KINDS,
    METHODS,
    SEES,
    blind_to,
    build_looks,
    clean_methods,
    kind_as_seen,
    methods_seeing,
)
from kit.life import build_histories


def reasons(fleet, table):
    warnings = fleet.warnings
    return warnings.loc[warnings["table"] == table, "reason"].tolist()


def test_every_method_sees_some_kind_and_every_kind_is_seen():
    assert set(SEES) == set(METHODS)
    for method in METHODS:
        assert set(SEES[method]) | set(blind_to(method)) == set(KINDS)
        assert SEES[method]
    for kind in KINDS:
        assert methods_seeing(kind)
        assert set(clean_methods(kind)) <= set(methods_seeing(kind))


def test_a_tap_is_blind_to_water_and_a_moisture_meter_to_all_else():
    """Common practice: water is found by moisture meter, thermography, X-ray, ultrasonics or weighing."""
    assert blind_to("tap_manual") == blind_to("tap_instrumented") == ("moisture",)
    assert SEES["moisture_meter"] == SEES["weighing"] == ("moisture",)
    assert set(methods_seeing("moisture")) == {
        "moisture_meter",
        "thermography",
        "x_ray",
        "ultrasonic",
        "weighing",
    }


@pytest.mark.parametrize(
    ("kind", "method", "seen"),
    [
        ("moisture", "tap_manual", "moisture_disbond"),
        ("moisture", "visual", "moisture_disbond"),
        ("moisture", "x_ray", "moisture"),
        ("disbond", "tap_manual", "disbond"),
        ("disbond", "moisture_meter", "disbond"),
    ],
)
def test_moisture_found_by_a_method_blind_to_water_is_the_bond_that_it_broke(kind, method, seen):
    assert kind_as_seen(kind, method) == seen


def test_old_data_load_with_a_warning_and_the_digest_that_they_had(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, kind="moisture")
    old = hand.load()
    assert old.tables["findings"]["kind"].tolist() == ["moisture_disbond"]
    assert any("read as moisture_disbond" in reason for reason in reasons(old, "findings"))
    hand.set("findings", "D1", kind="moisture_disbond")
    new = hand.load()
    assert new.fingerprint() == old.fingerprint()
    hand.set("findings", "D1", kind="disbond")
    assert hand.load().fingerprint() != old.fingerprint()


def test_water_found_by_a_method_that_sees_it_stays_water(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, kind="moisture", method="thermography")
    fleet = hand.load()
    assert fleet.tables["findings"]["kind"].tolist() == ["moisture"]
    assert reasons(fleet, "findings") == []


def test_a_find_by_a_method_blind_to_its_kind_is_warned_of(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.find("A1", 500, kind="disbond", method="x_ray")
    assert reasons(hand.load(), "findings") == ["the method is blind to this damage type"]


def test_a_moisture_meter_through_carbon_or_metal_is_warned_of(hand):
    hand.aircraft("A1").panel("P1", "A1")
    hand.set("zones", "Z1", outer_material="CFRP")
    hand.clean("A1", 400, method="moisture_meter")
    assert reasons(hand.load(), "inspections") == ["a moisture meter tells nothing through carbon or metal"]
    hand.set("zones", "Z1", outer_material="GFRP")
    assert reasons(hand.load(), "inspections") == []


def test_a_life_of_moisture_rests_on_looks_that_could_have_seen_it_alone(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 200, 600)
    hand.clean("A1", 400, method="thermography")
    hand.find("A1", 800, kind="moisture", method="moisture_meter")
    hand.aircraft("A2").panel("P2", "A2").clean("A2", 500)
    histories = build_histories(hand.load(), kind="moisture", clock="calendar_days")
    assert (histories.lower.tolist(), histories.upper.tolist()) == ([400], [800])
    assert histories.excluded.set_index("life")["reason"].to_dict() == {
        "P2": "no look in the records by a method that sees moisture"
    }


def test_water_that_was_found_ends_the_watch_of_no_other_kind(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 400)
    hand.find("A1", 600, kind="moisture", method="thermography")
    hand.clean("A1", 800)
    hand.find("A1", 1000, kind="moisture_disbond")
    fleet = hand.load()
    broken = build_histories(fleet, kind="moisture_disbond", clock="calendar_days")
    assert (broken.lower.tolist(), broken.upper.tolist()) == ([800], [1000])
    assert set(build_looks(fleet)["method"]) == {"tap_manual"}


def test_methods_that_are_all_blind_to_the_kind_are_refused(hand):
    hand.aircraft("A1").panel("P1", "A1").clean("A1", 400)
    with pytest.raises(
        ValueError, match=r"`methods` must hold one that sees moisture\. Got tap_manual, blind to it"
    ):
        build_histories(hand.load(), kind="moisture", methods=["tap_manual"])


@pytest.mark.parametrize("skin", ["outer_material", "inner_material"])
def test_carbon_on_aluminium_is_warned_of_unless_the_remarks_say_what_isolates_them(hand, skin):
    hand.aircraft("A1").panel("P1", "A1")
    hand.set("zones", "Z1", **{skin: "CFRP", "core_material": "aluminium"})
    (reason,) = reasons(hand.load(), "zones")
    assert "carbon skin on an aluminium core" in reason
    hand.set("zones", "Z1", remarks="glass isolating ply")
    assert reasons(hand.load(), "zones") == []


def test_a_clean_look_of_a_task_that_looks_for_water_says_nothing_of_the_bond(hand):
    """Thermography sees a disbond on a heated skin; on a panel cold from flight it is read for water (common practice, no source)."""
    hand.aircraft("A1").panel("P1", "A1")
    hand._add("tasks", task="WT", zones="Z1", method="thermography", valid_from=day(0), recorded_on=day(0))
    hand._add("cards", card="CW", task="WT", aircraft="A1", closed_on=day(400), recorded_on=day(400))
    options = {"clock": "calendar_days", "methods": ["thermography"]}
    assert build_histories(hand.load(), kind="disbond", **options).lower.tolist() == [400]
    hand.set("tasks", "WT", looks_for="moisture")
    fleet = hand.load()
    assert build_histories(fleet, kind="disbond", **options).n_lives == 0
    assert build_histories(fleet, kind="moisture", **options).lower.tolist() == [400]
    hand.set("tasks", "WT", looks_for="moisture; dent")
    assert "the task looks for a kind that its method cannot see" in reasons(hand.load(), "tasks")
