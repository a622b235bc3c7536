"""Causes are let in one at a time, and what they add sums to the whole."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

import kit
from kit.decisions import causes_of, rerun, write_decision
from kit.decisions.causes import ORDER, QUANTITIES
from kit.findings import events_up_to, rows_kept

DAY = "2019-06-30"


@pytest.fixture(scope="module")
def result(small_evidence, small_question, tmp_path_factory):
    asked = small_question.model_copy(
        update={"known_on": dt.date.fromisoformat(DAY), "proposed_repeat": 9000.0}
    )
    path = write_decision(kit.recommend(small_evidence, asked), tmp_path_factory.mktemp("record"))
    return rerun(path, small_evidence)


@pytest.mark.long
def test_changes_sum_to_the_whole_from_the_record_to_what_is_known_to_date(result, small_evidence):
    frame = causes_of(result, small_evidence.fleet).to_frame()
    assert tuple(frame["cause"]) == ("the record", *ORDER)
    for name in QUANTITIES:
        whole = frame[name].iloc[-1] - frame[name].iloc[0]
        assert frame[f"{name}_change"].sum() == pytest.approx(whole, abs=1e-9)
    assert frame["repeat"].iloc[-1] == result.today.recommendation.repeat
    now = frame.set_index("cause")
    assert now.loc[ORDER[6], "repeat"] == result.known_now.recommendation.repeat
    assert now.loc[ORDER[0], "repeat_change"] == 0
    quiet = now[(now["rows"] == 0) & (now.index != "the record")]
    assert np.all(quiet[[f"{name}_change" for name in QUANTITIES]].to_numpy() == 0)


def test_all_later_rows_let_in_are_what_is_known_now_and_none_are_what_was_known_then(small_evidence):
    fleet, day = small_evidence.fleet, pd.Timestamp(DAY)
    since = fleet.rows_since(day)
    both = events_up_to(rows_kept(fleet, day, since), day), events_up_to(fleet, day)
    for name in ("findings", "inspections", "cards", "panels", "limits", "repairs"):
        key = fleet.tables[name].columns[0]
        assert both[0].tables[name][key].tolist() == both[1].tables[name][key].tolist()
    none = rows_kept(fleet, day, since.iloc[:0])
    assert none.tables["findings"]["recorded_on"].max() <= day
