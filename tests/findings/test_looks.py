"""Looks: those recorded, the clean ones that cards imply, and those that may not be implied."""

import pandas as pd
import pytest

from kit.findings import LOOK_COLUMNS, build_looks, load_fleet


def looks(tiny, **settings) -> pd.DataFrame:
    return build_looks(load_fleet(tiny.write(), set_aside=True), **settings).set_index("look")


def test_cards_imply_clean_looks_less_what_was_recorded_skipped_or_not_fitted(tiny):
    frame = build_looks(tiny.load())
    assert tuple(frame) == LOOK_COLUMNS
    # C1: Z1 has a look of its own; C2: Z2 was skipped; C3: by the card's method; C4: A3 has no Z2; C5 is visual
    assert frame.drop(columns=["aircraft", "zone", "coverage"]).to_numpy().tolist() == [
        ["L1", "P1", pd.Timestamp("2012-01-01"), "tap_manual", "recorded", "C1", False],
        ["L2", "P1", pd.Timestamp("2014-01-01"), "tap_manual", "recorded", "C2", True],
        ["C4|Z1", "P1", pd.Timestamp("2018-01-01"), "tap_manual", "implied", "C4", False],
        ["C1|Z2", "P2", pd.Timestamp("2012-01-01"), "tap_manual", "implied", "C1", False],
        ["L4", "P2", pd.Timestamp("2019-02-01"), "tap_manual", "recorded", "", False],
        ["C3|Z1", "P3", pd.Timestamp("2016-06-01"), "tap_instrumented", "implied", "C3", False],
        ["C3|Z2", "P4", pd.Timestamp("2016-06-01"), "tap_instrumented", "implied", "C3", False],
    ]
    assert (frame["coverage"] == "full").all()


def test_basis_and_methods_choose(tiny):
    fleet = tiny.load()
    assert set(build_looks(fleet, basis=["recorded"])["look"]) == {"L1", "L2", "L4"}
    assert set(build_looks(fleet, basis=("implied",))["look"]) == {"C1|Z2", "C3|Z1", "C3|Z2", "C4|Z1"}
    visual = build_looks(fleet, methods=["visual"]).set_index("look")
    assert visual["found"].to_dict() == {"L3": True, "C5|Z1": False}
    assert len(build_looks(fleet, basis=())) == 0


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"basis": ["assumed"]}, r"`basis` must be a list of recorded, implied\. Got \['assumed'\]"),
        (
            {"methods": "visual"},
            r"`methods` must be a list of tap_manual, tap_instrumented, moisture_meter, thermography, x_ray, ultrasonic, weighing, visual\. Got 'visual'",
        ),
    ],
)
def test_unknown_settings_are_refused(tiny, settings, message):
    with pytest.raises(ValueError, match=message):
        looks(tiny, **settings)


def test_a_look_with_only_a_not_confirmed_finding_is_clean(tiny):
    assert not looks(tiny).loc["L4", "found"]
    assert looks(
        tiny.set("findings", "D3", disposition="monitor", outline="POLYGON ((0 0, 9 0, 9 9, 0 0))")
    ).loc["L4", "found"]


def test_a_look_whose_finding_was_rejected_is_neither_clean_nor_found(tiny):
    frame = looks(tiny.set("findings", "D1", kind="crack"))
    assert "L2" not in frame.index
    assert "C2|Z1" not in frame.index


def test_a_rejected_look_is_not_replaced_by_an_implied_clean_one(tiny):
    frame = looks(tiny.set("inspections", "L1", method="ear"))
    assert "C1|Z1" not in frame.index
    assert "C1|Z2" in frame.index


def test_a_rejected_look_at_an_unknown_zone_takes_the_whole_card(tiny):
    frame = looks(tiny.set("inspections", "L1", zone="Z7"))
    assert not any(name.startswith("C1|") for name in frame.index)


def test_a_finding_without_a_look_on_the_day_of_a_card_is_no_clean_look(tiny):
    assert "C4|Z1" in looks(tiny).index
    tiny.set("findings", "D4", aircraft="A3", panel="P1", found_on="2018-01-01", recorded_on="2018-01-01")
    assert "C4|Z1" not in looks(tiny).index
    tiny.set("findings", "D4", kind="crack")
    assert "C4|Z1" not in looks(tiny).index


def test_a_panel_off_the_aircraft_gives_no_implied_look(tiny):
    tiny.set("cards", "C4", closed_on="2016-01-05", recorded_on="2016-01-05")
    assert "C4|Z1" not in looks(tiny).index


def test_looks_of_one_panel_day_and_method_are_one(tiny):
    tiny.add("cards", "C2", card="C6", zones_not_done="")
    tiny.add(
        "inspections",
        "L2",
        inspection="L9",
        card="",
        outcome="clean",
        coverage="POLYGON ((0 0, 9 0, 9 9, 0 0))",
    )
    frame = looks(tiny)
    one = frame[(frame["panel"] == "P1") & (frame["looked_on"] == "2014-01-01")]
    assert one[["basis", "card", "found", "coverage"]].to_numpy().tolist() == [
        ["recorded", "C2", True, "full"]
    ]
    assert "C6|Z2" in frame.index


def test_a_part_looked_at_is_told(tiny):
    part = "POLYGON ((0 0, 500 0, 500 500, 0 500, 0 0))"
    assert looks(tiny.set("inspections", "L1", coverage=part)).loc["L1", "coverage"] == part


def test_no_cards_and_no_inspections_give_no_looks(tiny):
    for table in ("cards", "inspections", "findings", "repairs"):
        tiny.rows[table] = []
    frame = build_looks(tiny.load())
    assert tuple(frame) == LOOK_COLUMNS
    assert len(frame) == 0
