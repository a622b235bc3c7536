"""Decision records: written whole, read back, checked by their digest, never overwritten."""

import copy
import importlib
import json
import os
from datetime import date

import pytest

import kit
from kit.cautions import CAUTIONS
from kit.decisions import (
    RecordError,
    SignOff,
    UsedRows,
    decision_record,
    file_digest,
    read_decision,
    read_rows,
    record_digest,
    write_decision,
)


@pytest.fixture(scope="module")
def answer(small_evidence, small_question):
    return kit.recommend(small_evidence, small_question.model_copy(update={"proposed_repeat": 9000.0}))


@pytest.fixture(scope="module")
def data(answer, tmp_path_factory):
    return json.loads(write_decision(answer, tmp_path_factory.mktemp("record")).read_text())


@pytest.fixture
def saved(data, tmp_path):
    """Write a record with other contents and return its path."""

    def save(changed, name="small.json", **layout):
        path = tmp_path / name
        path.write_text(json.dumps(changed, **layout), encoding="utf-8")
        return path

    return save


def leaves(value, path=()):
    """Every place of a JSON document that holds a number, a text or a flag."""
    if isinstance(value, dict | list):
        for key, part in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(part, (*path, key))
    elif value is not None:
        yield path


def altered(data, path):
    """Return the document with that place changed a little."""
    out = copy.deepcopy(data)
    place = out
    for key in path[:-1]:
        place = place[key]
    old = place[path[-1]]
    if isinstance(old, bool):
        place[path[-1]] = not old
    elif isinstance(old, str):
        place[path[-1]] = old + "x"
    else:
        place[path[-1]] = old + 1 if isinstance(old, int) else old * (1 + 1e-12) + (old == 0) * 1e-12
    return out


def test_a_record_is_read_back_as_it_was_written(answer, tmp_path):
    path = write_decision(answer, tmp_path / "new" / "folder")
    assert path == tmp_path / "new" / "folder" / "small.json"
    record = read_decision(path)
    rows = UsedRows(answer.fleet.row_texts())
    assert record.model_dump(mode="json") == decision_record(answer, rows=rows).model_dump(mode="json")
    assert read_rows(tmp_path / "new" / "folder" / "small.rows.gz").texts == rows.texts
    assert record.digest == record_digest(record)
    assert len(record.digest) == 64


def test_a_record_holds_what_the_answer_rests_on(answer, data):
    assert data["known_on"] == answer.dataset["known_on"]
    assert data["dataset"]["fingerprint"] == answer.dataset["fingerprint"]
    assert data["question"]["seed"] == answer.question.seed
    assert {"python", "numpy", "pandas", "scipy", "shapely", "skin-findings-kit"} <= set(data["software"])
    mode = data["modes"][0]
    assert mode["lives"] == answer.modes[0].histories.n_lives
    assert sum(mode["excluded"].values()) == len(answer.modes[0].histories.excluded)
    assert [one["rule"] for one in data["rules"]] == [one.rule for one in answer.rules]
    assert data["recommendation"]["repeat"] == answer.repeat
    assert tuple(data["cautions"][-len(CAUTIONS) :]) == CAUTIONS
    assert data["assumptions"] == list(answer.assumptions)
    assert data["proposal"]["repeat"] == 9000


def test_the_digest_is_independent_of_the_order_of_keys_and_of_white_space(data, saved):
    def turned(value):
        if isinstance(value, dict):
            return {key: turned(value[key]) for key in reversed(value)}
        return [turned(part) for part in value] if isinstance(value, list) else value

    for name, changed, layout in (
        ("a.json", turned(data), {}),
        ("b.json", data, {"indent": 7}),
        ("c.json", data, {"separators": (",", ":")}),
    ):
        path = saved(changed, name, **layout)
        assert read_decision(path).digest == file_digest(path) == data["digest"]


@pytest.mark.long
def test_a_change_of_any_value_shows_in_the_digest_or_is_no_record_any_more(data, saved):
    """Each number by one part in a million million, each text by a letter."""
    n_digest = 0
    for place in leaves(data):
        path = saved(altered(data, place))
        try:
            record = read_decision(path)
        except RecordError:
            continue
        assert record.digest != file_digest(path), place
        n_digest += 1
    assert n_digest > 200


@pytest.mark.parametrize(
    "place", [("recommendation", "repeat"), ("modes", 0, "scale"), ("question", "seed"), ("digest",)]
)
def test_a_changed_record_is_still_read(data, saved, place):
    path = saved(altered(data, place))
    assert read_decision(path).digest != file_digest(path)


def test_a_caution_that_is_taken_out_shows(data, saved):
    path = saved(data | {"cautions": data["cautions"][1:]})
    assert read_decision(path).digest != file_digest(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"record": 2, "record": 1}', "the name 'record' stands twice"),
        ('{"record": NaN}', "nan is not a finite number|NaN is not a finite number"),
        ('{"record": 1e999}', "1e999 is not a finite number"),
        ("\ufeff{}", "byte-order mark"),
        ("[" * 100_000, "nested too deeply"),
    ],
)
def test_json_that_two_readers_could_read_otherwise_is_refused_in_one_line(tmp_path, text, words):
    (tmp_path / "odd.json").write_text(text, encoding="utf-8")
    for read in (read_decision, file_digest):
        with pytest.raises(RecordError, match=rf"odd\.json: not a decision record: .*({words})") as caught:
            read(tmp_path / "odd.json")
        assert "\n" not in str(caught.value)


def test_sign_offs_are_part_of_the_record(answer, tmp_path):
    signed = (SignOff(role="certifying engineer", on=date(2026, 1, 5), note="agreed"),)
    record = read_decision(write_decision(answer, tmp_path, sign_offs=signed))
    assert record.sign_offs == signed
    assert record.digest == record_digest(record) != decision_record(answer).digest


def test_writing_the_same_again_changes_nothing(answer, tmp_path):
    path = write_decision(answer, tmp_path)
    before = path.stat().st_mtime_ns
    assert write_decision(answer, tmp_path) == path
    assert path.stat().st_mtime_ns == before


def test_the_same_decision_made_on_another_day_or_machine_leaves_the_record_as_it_is(
    answer, tmp_path, monkeypatch
):
    """Other days, versions and last digits make other bytes, not another decision."""
    path = write_decision(answer, tmp_path)
    before = path.read_bytes()
    module = importlib.import_module("kit.decisions.record")
    monkeypatch.setattr(module, "software_versions", lambda: {"python": "3.99.0"})
    assert write_decision(answer, tmp_path) == path
    assert path.read_bytes() == before


def test_another_record_of_that_name_is_never_overwritten(answer, small_evidence, small_question, tmp_path):
    path = write_decision(answer, tmp_path)
    before = path.read_bytes()
    other = kit.recommend(small_evidence, small_question.model_copy(update={"seed": 8}))
    with pytest.raises(
        RecordError, match=r"small\.json: another decision of this name is there, .* Give another folder"
    ):
        write_decision(other, tmp_path)
    assert path.read_bytes() == before
    assert sorted(one.name for one in tmp_path.iterdir()) == ["small.json", "small.rows.gz"]


def test_an_existing_file_that_is_no_text_is_not_overwritten(answer, tmp_path):
    (tmp_path / "small.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordError, match=r"small\.json: another decision of this name is there"):
        write_decision(answer, tmp_path)
    assert (tmp_path / "small.json").read_bytes() == b"\xff\xfe\x00"


@pytest.mark.parametrize("below", [(), ("sub",)])
def test_a_folder_that_cannot_be_written_to_is_refused(answer, tmp_path, below):
    """A path below a regular file cannot be written to by anyone, whoever runs this."""
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(
        RecordError, match=r"small\.json: cannot be written \(.+\)\. Give a folder that can be written to\."
    ):
        write_decision(answer, (tmp_path / "file").joinpath(*below))
    assert [one.name for one in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("problem", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_an_interrupted_writing_leaves_no_file_at_all(answer, tmp_path, monkeypatch, problem):
    def interrupted(*_):
        raise problem

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(RecordError if isinstance(problem, OSError) else KeyboardInterrupt):
        write_decision(answer, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_record_is_refused_with_the_reason(tmp_path):
    with pytest.raises(
        RecordError, match=r"none\.json: cannot be read \(No such file or directory\)\. Give the path"
    ):
        read_decision(tmp_path / "none.json")


def test_what_is_no_record_is_refused_naming_the_fields(data, saved):
    with pytest.raises(RecordError) as caught:
        read_decision(saved({"name": "x", "rules": 3, "cost": 1}))
    message = str(caught.value)
    for words in (
        "small.json: not a decision record of form 5 or earlier",
        "known_on: Field required",
        "rules: ",
        "Restore the file",
    ):
        assert words in message
    for changed, words in (
        (data | {"record": 6}, "record: Input should be 1, 2, 3, 4 or 5"),
        (data | {"cost": 1}, "cost: Extra inputs"),
        (
            data | {"modes": [data["modes"][0] | {"scale": "large"}]},
            "modes.0.scale: Input should be a valid number",
        ),
    ):
        with pytest.raises(RecordError) as caught:
            read_decision(saved(changed))
        assert words in str(caught.value)


@pytest.mark.parametrize("text", ["", "not json", "[1, 2]", '{"name": '])
def test_what_is_no_json_object_is_refused(tmp_path, text):
    path = tmp_path / "record.json"
    path.write_text(text)
    with pytest.raises(RecordError, match=r"record\.json: not a decision record: .*Restore the file"):
        read_decision(path)


def test_what_is_no_text_is_refused(tmp_path):
    (tmp_path / "record.json").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(RecordError, match=r"record\.json: not a text file\."):
        read_decision(tmp_path / "record.json")


def test_a_record_says_when_each_aircraft_is_due(answer):
    """The panels of the answer's list, each on one aircraft, and no aircraft twice."""
    due = decision_record(answer).due
    assert sum(one.panels for one in due) == len(answer.due)
    assert sum(one.late for one in due) == int(answer.due["is_late"].sum())
    assert len({one.aircraft for one in due}) == len(due)
    days = [one.due_on for one in due if one.due_on is not None]
    assert days == sorted(days)
    assert days[0] == answer.due["due_on"].min().date()
