"""Records of every form that was ever written verify and run again, whatever the software has learned since."""

import datetime as dt
import json
import shutil
from pathlib import Path

import pytest

import kit
from kit.decisions import as_record, digest_of, file_digest, judge, read_contents, read_decision, rerun
from kit.decisions.form import SCHEMA

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


def test_a_record_of_each_form_is_kept():
    """Of today's form as well: what is written now must verify when the next form comes."""
    kept = {int(path.parent.name.removeprefix("form_")) for path in RECORDS.glob("form_*/*.json")}
    assert kept == set(range(1, SCHEMA + 1))


def test_a_record_of_form_1_keeps_its_own_measure():
    """The mean over the horizon of the preventable part, which the record does not have to say."""
    record = read_decision(FORM_1 / "small.json")
    target = record.question.target
    assert (target.measure, target.window_flight_hours, target.column) == (
        "preventable_exceedances",
        None,
        "preventable",
    )


def test_a_record_of_form_1_keeps_its_own_certainties():
    """Growth, POD and size as mapped were taken as sure, the shape as assumed, and only a first onset counted."""
    question = read_decision(FORM_1 / "small.json").question
    (mode,) = question.modes
    assert (mode.restoration, mode.growth.log_rate_sd, mode.onset.log_median_sd) == (None, 0, 0)
    assert (mode.assumed_shape, mode.shape_log_sd) == (2.0, pytest.approx(0.01))
    pod = question.detection
    assert (pod.log_a50_sd, pod.log_slope_sd, pod.logit_plateau_sd, pod.logit_far_share_sd) == (0, 0, 0, 0)
    assert (question.log_measured_to_true_sd, question.growth_forms) == (0, ("linear",))


def test_a_record_that_says_how_sure_it_is_keeps_that(tmp_path):
    """Only what a record leaves unsaid is filled, and nothing in a record of today's form."""
    data = json.loads((FORM_1 / "small.json").read_text(encoding="utf-8"))
    path = tmp_path / "small.json"
    data["question"]["detection"]["log_a50_sd"] = 0.4
    path.write_text(json.dumps(data), encoding="utf-8")
    assert read_decision(path).question.detection.log_a50_sd == 0.4
    path.write_text(json.dumps(data | {"record": 3}), encoding="utf-8")
    question = read_decision(path).question
    assert (question.modes[0].restoration, question.detection.logit_plateau_sd) == (0.0, 0.3)


def test_a_shape_that_was_fitted_is_left_to_the_finds(tmp_path):
    """An assumed shape had no bounds; where the record has some, the finds had settled it."""
    data = json.loads((FORM_1 / "small.json").read_text(encoding="utf-8"))
    data["modes"][0]["shape_bounds"] = [1.1, 2.9]
    (tmp_path / "small.json").write_text(json.dumps(data), encoding="utf-8")
    assert read_decision(tmp_path / "small.json").question.modes[0].shape_log_sd == 1.0


@pytest.mark.long
def test_a_record_of_form_1_runs_again_to_the_same_recommendation(fleet):
    """Joint draws with the certainties of then come to the same checks, judged by the aircraft that flies most between them.

    Every second check was 7,995 flight hours at the mean usage, by its days; the busiest aircraft reaches the 10,000 of its hours first. They
    are beyond the first look that is allowed, so that this is one check earlier.

    The risk that is shown is that of these longer gaps: the value of then lies below its upper end.
    """
    result = rerun(FORM_1 / "small.json", fleet)
    assert result.verdict == "software changed"
    assert any("its own certainties were used" in reason for reason in result.reasons)
    assert (result.changed_tables, len(result.rows_since)) == ((), 0)
    then, now = result.then.recommendation, result.now.recommendation
    assert (now.repeat_in_words, now.governed_by) == (then.repeat_in_words, then.governed_by)
    assert (now.threshold, now.repeat) == (pytest.approx(5000.0), pytest.approx(10_000.0))
    for name, (value, _, _) in then.risk.items():
        middle, low, high = now.risk[name]
        assert low < middle < high
        assert high > value


def test_a_record_of_form_1_that_was_altered_is_named_as_such(fleet, tmp_path):
    data = json.loads((FORM_1 / "small.json").read_text(encoding="utf-8"))
    data["recommendation"]["repeat"] *= 2
    shutil.copy(FORM_1 / "small.json", tmp_path / "small.json")
    (tmp_path / "small.json").write_text(json.dumps(data), encoding="utf-8")
    assert rerun(tmp_path / "small.json", fleet).verdict == "record altered"


def test_a_record_of_form_3_knows_no_packages_in_its_fingerprint_and_lacks_no_more_than_it_did(fleet):
    """Only what was declared since may be missing; a field of today in it, or one of then gone, is a difference."""
    contents = read_contents(RECORDS / "form_3" / "D-07.json")
    then = read_decision(RECORDS / "form_3" / "D-07.json")
    added = {"packages": "1" * 64, "planned_usage": "2" * 64}
    later = then.dataset.model_copy(update={"fingerprint": then.dataset.fingerprint | added})
    now = then.model_copy(update={"record": 4, "dataset": later, "made_on": dt.date(2026, 1, 1)})
    assert judge(contents, then, now).verdicts == ("reproduced",)
    without = {name: part for name, part in contents.items() if name not in ("present", "digest")}
    without |= {"digest": digest_of(without)}
    assert judge(without, as_record(without, "x"), now).verdicts == ("record altered",)
    more = {name: part for name, part in contents.items() if name != "digest"} | {"set_aside": ["x"]}
    more |= {"digest": digest_of(more)}
    assert judge(more, as_record(more, "x"), now).verdicts == ("record altered",)


def test_a_record_of_form_4_has_the_words_of_then_and_does_not_say_what_its_limit_bounds():
    """The trade's words came with form 5, and with them the tier of the limit and what it bounds."""
    contents = read_contents(RECORDS / "form_4" / "D-07.json")
    then = read_decision(RECORDS / "form_4" / "D-07.json")
    (limit,) = then.reference["limits"]
    since = {"tier": "allowable damage limit (ADL)", "bounds": "equivalent_diameter", "place": "", "kind": ""}
    reference = then.reference | {"limits": (limit | since | {"repairable_size": 120.0},)}
    words = {"growth window": "detectable-growth interval", "the caps and": "the not-to-exceed limits and"}
    cautions = list(then.cautions)
    for old, new in words.items():
        assert any(old in one for one in cautions)
        cautions = [one.replace(old, new) for one in cautions]
    now = then.model_copy(update={"record": 5, "reference": reference, "cautions": tuple(cautions)})
    assert judge(contents, then, now).verdicts == ("reproduced",)
    other = now.model_copy(update={"reference": then.reference | {"limits": (limit | {"size": 41.0},)}})
    assert judge(contents, then, other).verdicts == ("record altered",)
