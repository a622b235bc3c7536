"""Traps of records that move an answer, and that no warning names, are said where the answer is said."""

import re

import pandas as pd
import pytest
from support import DEMO

from kit.intervals import Evidence, read_question, recommend
from kit.intervals.open_traps import TRAPS_SAID, trap_cautions, traps_by_group


def test_a_find_that_may_be_a_false_call_is_said_with_its_row_for_its_own_group_until_it_is_settled(tiny):
    """D1 was left as it was, and its panel was tapped clean afterwards."""
    tiny.add("zones", "Z2", zone="Z9", group="door", former_label="", former_label_until="")
    traps = traps_by_group(tiny.load())
    assert trap_cautions(traps, "door", {"flight_hours"}) == []
    assert trap_cautions(traps, "flap", {"flight_hours"}) == [
        "records of this group that may mislead, to be looked at before the answer is used: "
        "findings that may be false calls and count as finds: 1 (D1)"
    ]
    tiny.set("findings", "D1", disposition="not_confirmed")
    assert trap_cautions(traps_by_group(tiny.load()), "flap", {"flight_hours"}) == []


def test_of_many_rows_the_number_and_the_first_are_said_and_cycles_only_where_ages_are_in_cycles():
    rows = [("T14", f"A{k} K1 2016-01-01", "flap") for k in range(5)] + [("T7", "A9", "")]
    traps = pd.DataFrame(rows, columns=["trap", "name", "group"])
    (hours,), (cycles,) = (
        trap_cautions(traps, "flap", {clock}) for clock in ("flight_hours", "flight_cycles")
    )
    assert hours.endswith("5 (A0 K1 2016-01-01, A1 K1 2016-01-01, A2 K1 2016-01-01, ...)")
    assert "A9" not in hours
    assert f"{TRAPS_SAID['T7']}: 1 (A9)" in cycles


@pytest.mark.long
def test_what_is_planted_in_the_demo_is_said_by_the_answers_of_its_groups(demo_evidence):
    """False calls that were planted and are seen, in the answer on their group; the campaign on the spoilers in its own."""
    planted = pd.read_csv(DEMO / "truth" / "blemishes.csv")
    planted = set(planted.loc[planted["trap"] == "T13", "row"])
    ask = read_question(DEMO / "questions" / "spoiler.toml")
    evidence = demo_evidence.as_known_on(ask.known_on)
    own = evidence.traps[evidence.traps["group"] == ask.group]
    assert set(own.loc[own["trap"] == "T13", "name"]) & planted
    (said,) = (
        line
        for line in recommend(evidence, ask).cautions
        if line.startswith("records of this group that may mislead")
    )
    assert said in trap_cautions(evidence.traps, ask.group, {mode.clock for mode in ask.modes})
    assert "campaigns outside the programme" in said
    assert sorted(own.loc[own["trap"] == "T13", "name"])[0] in said


@pytest.mark.long
def test_jumps_between_mappings_are_a_caution_of_the_answer(demo_fleet, monkeypatch):
    """The demo's mapped disbonds do not jump; with the last mapping of each third one three times as large they do."""
    ask = read_question(DEMO / "questions" / "aileron.toml")
    ask = ask.model_copy(update={"draws": 64, "modes": ask.modes[1:2], "growth_forms": ("linear",)})
    assert not any("jumped in" in line for line in recommend(demo_fleet, ask).cautions)
    as_mapped = Evidence.tracks

    def with_jumps(self, *args):
        frame = as_mapped(self, *args)
        last = frame.sort_values("age").groupby("track").tail(1)
        again = last.index[last["track"].map(frame["track"].value_counts()) > 1]
        frame.loc[again[::3], "diameter_mm"] *= 3.0
        return frame

    monkeypatch.setattr(Evidence, "tracks", with_jumps)
    answer = recommend(demo_fleet, ask)
    (said,) = (line for line in answer.special_cautions if "jumped in" in line)
    assert said.startswith("the mapped damages of disbond jumped in ")
    assert said in answer.words()
    assert re.search(r"\(panels ([A-Z]{2}\d{4}(, )?)+", said)
