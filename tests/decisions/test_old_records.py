"""Records of every form that was ever written verify and run again, whatever the software has learned since."""

import json
import shutil
from pathlib import Path

import pytest

import kit
from kit.decisions import file_digest, read_decision, rerun

RECORDS = Path(__file__).parents[1] / "data" / "records"
FORM_1 = RECORDS / "form_1"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    """Thirty aircraft, in the form in which datasets were when the record was written."""
    return kit.load_fleet(FORM_1 / "fleet", set_aside=tmp_path_factory.mktemp("old") / "rejected_rows.csv")


@pytest.mark.parametrize(
    "path", sorted(RECORDS.glob("form_*/*.json")), ids=lambda path: f"{path.parent.name}/{path.stem}"
)
def test_a_record_of_any_form_verifies_by_its_digest(path):
    assert read_decision(path).digest == file_digest(path)
    assert read_decision(path).record == int(path.parent.name.removeprefix("form_"))


def test_a_record_of_form_1_keeps_its_own_measure():
    """The mean over the horizon of the preventable part, which the record does not have to say."""
    record = read_decision(FORM_1 / "small.json")
    target = record.question.target
    assert (target.measure, target.window_flight_hours, target.column) == (
        "preventable_exceedances",
        None,
        "preventable",
    )


def test_a_record_of_form_1_runs_again_to_the_same_recommendation(fleet):
    """Only the search for the longest interval is another one since; it may differ by its step of 2 %."""
    result = rerun(FORM_1 / "small.json", fleet)
    assert result.verdict in ("reproduced", "software changed")
    assert (result.changed_tables, len(result.rows_since)) == ((), 0)
    then, now = result.then.recommendation, result.now.recommendation
    assert (now.threshold, now.repeat, now.governed_by) == pytest.approx(
        (then.threshold, then.repeat, then.governed_by)
    )
    for name, values in then.risk.items():
        assert now.risk[name] == pytest.approx(values, rel=1e-6)
    differing = result.to_frame().query("not same")["quantity"].tolist()
    assert set(differing) <= {"rule risk"}
    rules = [
        {rule.rule: rule.interval for rule in record.rules}["risk"] for record in (result.then, result.now)
    ]
    assert rules[1] == pytest.approx(rules[0], rel=0.02)


def test_a_record_of_form_1_that_was_altered_is_named_as_such(fleet, tmp_path):
    data = json.loads((FORM_1 / "small.json").read_text(encoding="utf-8"))
    data["recommendation"]["repeat"] *= 2
    shutil.copy(FORM_1 / "small.json", tmp_path / "small.json")
    (tmp_path / "small.json").write_text(json.dumps(data), encoding="utf-8")
    assert rerun(tmp_path / "small.json", fleet).verdict == "record altered"
