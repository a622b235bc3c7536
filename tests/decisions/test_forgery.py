"""Whoever alters a record and works out its digest anew is found out, whichever field it is."""

import dataclasses
import datetime as dt
import json
import re

import numpy as np
import pytest
from pydantic import BaseModel

import kit
from kit.decisions import (
    DecisionRecord,
    RecordError,
    SignOff,
    UsedRows,
    as_record,
    decision_record,
    digest_of,
    judge,
    read_contents,
    write_decision,
)
from kit.intervals.by_part import PartAnswer
from kit.intervals.slack import Slack

SIGNED = (SignOff(role="certifying engineer", on=dt.date(2019, 7, 2), note="agreed"),)


@pytest.fixture(scope="module")
def answer(small_evidence, small_question):
    more = {"known_on": dt.date(2019, 6, 30), "proposed_repeat": 9000.0}
    return kit.recommend(small_evidence, small_question.model_copy(update=more))


@pytest.fixture(scope="module")
def short(answer):
    """The same answer with two points of its curve, to be quick, and with parts of the fleet and intervals as flown."""
    part = PartAnswer(
        name="QV-44-100", share=0.4, first=5000.0, repeat=4000.0, repeat_words="none", governed_by="risk",
        share_meeting=0.9,
    )  # fmt: skip
    slack = Slack(ratios=np.array([0.9, 1.0, 1.3]), n_open=1)
    return dataclasses.replace(answer, curve_of=lambda: answer.curve.iloc[:2], parts=(part,), slack=slack)


@pytest.fixture(scope="module")
def data(short, tmp_path_factory):
    return read_contents(write_decision(short, tmp_path_factory.mktemp("record"), sign_offs=SIGNED))


@pytest.fixture(scope="module")
def fresh(short):
    return decision_record(short, rows=UsedRows(short.fleet.row_texts()))


def found_out(forged, fresh):
    """The verdicts, what is listed as stated or of a version, and the reasons; or that it is no record."""
    forged = forged | {"digest": digest_of(forged)}
    try:
        record = as_record(forged, "forged.json")
    except RecordError as error:
        return ("refused",), (), str(error)
    result = judge(forged, record, fresh)
    return result.verdicts, tuple(one.field for one in result.stated), " ".join(result.reasons)


def places(value, path=()):
    """Every place of a document, whole parts included."""
    if path:
        yield path
    if isinstance(value, dict | list):
        for key, part in value.items() if isinstance(value, dict) else enumerate(value):
            yield from places(part, (*path, key))


def others(value):
    """Give what a forger could put in the place of a value, of its own type and of others."""
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int | float):
        yield from (value * 2 + 1, f"{value}")
    elif isinstance(value, str):
        day = re.fullmatch(r"\d{4}-\d\d-\d\d", value)
        yield from ("2018-01-01" if day else f"{value} All fine.", None)
    elif value is None:
        yield from (0.5, "x", {}, [])
    elif isinstance(value, list):
        yield from ([], value[:-1], [*value, *value[-1:]], value[::-1])
    else:
        yield from ({}, dict(list(value.items())[:-1]), value | {"x": 1.0}, [])


def put(data, path, value):
    out = data.copy()
    place = out
    for key in path[:-1]:
        place[key] = place[key].copy()
        place = place[key]
    place[path[-1]] = value
    return out


def test_the_record_itself_is_reproduced(data, fresh):
    verdicts, stated, reasons = found_out(data, fresh)
    assert (verdicts, reasons) == (("reproduced",), "")
    assert {"question.title", "question.detection.basis", "sign_offs.0.role"} <= set(stated)


@pytest.mark.parametrize("name", ["parts", "slack", "code"])
def test_what_records_of_the_form_may_lack_is_said_where_it_is_taken_out(data, fresh, name):
    rest = {key: value for key, value in data.items() if key != name}
    verdicts, _, reasons = found_out(rest, fresh)
    assert verdicts == ("reproduced",)
    assert f"the record does not say {name}, which records of its form may lack" in reasons


def test_every_field_forged_with_its_digest_is_noticed_or_listed_as_stated(data, fresh):
    """All places of the record, each with values of its own type and of others."""
    n_noticed, unseen = 0, []
    one_of_each = {tuple(0 if isinstance(key, int) else key for key in path): path for path in places(data)}
    for path in one_of_each.values():  # items of a list have the same fields, and the last stands for them
        if path[0] in ("digest", "record"):
            continue
        old = data
        for key in path:
            old = old[key]
        for value in others(old):
            if type(value) is type(old) and value == old:
                continue
            verdicts, stated, reasons = found_out(put(data, path, value), fresh)
            field = ".".join(map(str, path))
            noticed = verdicts != ("reproduced",)
            listed = path[0] in ("question", "sign_offs", "made_on") and any(
                name.startswith(path[0]) for name in stated
            )
            named = path[0] in ("software", "code") and "software: " in reasons
            if not (noticed or listed or named):
                unseen.append((field, value))
            n_noticed += noticed
    assert unseen == []
    assert n_noticed > 300


def declared(model, path=()):
    """Every field that the form declares, parts of parts included."""
    for name, field in model.model_fields.items():
        yield (*path, name)
        todo = [field.annotation]
        while todo:
            kind = todo.pop()
            todo += getattr(kind, "__args__", ())
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from declared(kind, (*path, name))


def test_no_field_of_the_form_is_left_out_of_that_test(data):
    """Those of the question may be absent or of another form: they are stated all together."""
    seen = {tuple(key for key in path if not isinstance(key, int)) for path in places(data)}
    assert {path for path in declared(DecisionRecord) if path[0] != "question"} <= seen


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("cautions",), ["All fine."]),
        (("assumptions",), []),
        (("recommendation", "repeat_in_words"), "every 4th base check"),
        (("rules", 0, "reason"), "as certified"),
        (("recommendation", "current_repeat"), 9500.0),
        (("modes", 0, "life_basis"), "200 finds"),
        (("proposal", "risk", "exposure", 0), 0.0),
    ],
)
def test_what_an_author_would_forge_is_named_by_its_field(data, fresh, path, value):
    verdicts, _, reasons = found_out(put(data, path, value), fresh)
    assert verdicts == ("record altered",)
    assert path[0] in reasons
    assert "same rows, same question, same versions" in reasons


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (("recommendation", "repeat"), "a repeat of"),
        (("recommendation", "threshold"), "an initial inspection at"),
    ],
)
def test_a_record_that_recommends_more_than_its_own_rules_allow_was_altered_whatever_made_it(
    data, fresh, path, words
):
    """Other versions excuse other numbers, but not numbers that contradict each other."""
    forged = put(data, path, data[path[0]][path[1]] * 3) | {"code": "0" * 64}
    verdicts, _, reasons = found_out(forged, fresh)
    assert verdicts == ("record altered", "software changed")
    assert f"recommends {words}" in reasons
    assert "cannot tell words that were altered from code that was changed" in reasons


def test_an_emptied_or_foreign_software_field_is_told(data, fresh):
    _, _, reasons = found_out(data | {"software": {}}, fresh)
    assert "software: " in reasons
    _, _, reasons = found_out(put(data, ("software", "numpy"), "9.9"), fresh)
    assert "numpy 9.9 then" in reasons


# What is no record ---------------------------------------------------------------------------------

BAD = {
    "10**400": lambda text: re.sub(r'"limit_mm": [0-9.]+', '"limit_mm": 1' + "0" * 400, text),
    "1e999": lambda text: re.sub(r'"limit_mm": [0-9.]+', '"limit_mm": 1e999', text),
    "Infinity": lambda text: re.sub(r'"limit_mm": [0-9.]+', '"limit_mm": -Infinity', text),
    "NaN": lambda text: re.sub(r'"limit_mm": [0-9.]+', '"limit_mm": NaN', text),
    "twice": lambda text: text.replace('"repeat":', '"repeat": 99999.0, "repeat":', 1),
    "half a character": lambda text: text.replace('"title": "', '"title": "\\ud800', 1),
    "cut short": lambda text: text[: len(text) // 2],
    "byte-order mark": lambda text: "\ufeff" + text,
    "nested": lambda text: text.replace('"curve": [', '"curve": [' + "[" * 5000 + "]" * 5000 + ","),
    "nested less": lambda text: text.replace('"curve": [', '"curve": [' + "[" * 300 + "]" * 300 + ","),
    "empty": lambda text: "",
    "a form that is a flag": lambda text: text.replace('"record": 5', '"record": true', 1),
    "a form that is no whole number": lambda text: text.replace('"record": 5', '"record": 5.0', 1),
    "no form": lambda text: text.replace('"record": 5, ', "", 1),
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_no_record_is_one_clear_line(data, tmp_path, name):
    path = tmp_path / "forged.json"
    path.write_text(BAD[name](json.dumps(data)), encoding="utf-8")
    with pytest.raises(RecordError) as caught:
        kit.read_decision(path)
    assert re.fullmatch(
        r".*forged\.json: not a decision record.*Restore the file from its source\.", str(caught.value)
    )


def test_a_record_of_one_gigabyte_is_refused_unread(tmp_path):
    path = tmp_path / "forged.json"
    with path.open("wb") as file:
        file.truncate(1_000_000_000)
    with pytest.raises(RecordError, match=r"1,000,000,000 bytes, and one has at most 32,000,000"):
        kit.read_decision(path)
    with pytest.raises(RecordError, match="not a regular file"):
        kit.read_decision(tmp_path)


# What no field alone shows ------------------------------------------------------------------------


def test_a_record_of_today_that_passes_for_the_form_before_is_said_to_say_less(data, fresh):
    """What that form did not say, such as the tier of the limit, is held against nothing."""
    rest = [{k: v for k, v in row.items() if k != "tier"} for row in data["reference"]["limits"]]
    forged = put(data, ("reference", "limits"), rest) | {"record": 4}
    _, _, reasons = found_out(forged, fresh)
    assert "the record is of form 4, which says less than one of today" in reasons


@pytest.mark.parametrize("form", [1, 2, 3])
def test_a_record_of_today_cannot_pass_for_an_old_one_that_says_less(data, fresh, form):
    """Old forms lack fields, and what a record does not say is held against nothing: so its version must have written that form."""
    later = (
        "made_on",
        "reference",
        "rows",
        "set_aside",
        "due",
        "code",
        "proposal",
        "present",
        "share_meeting",
    )
    less = {name: part for name, part in data.items() if name not in later} | {"record": form}
    verdicts, _, reasons = found_out(less, fresh)
    assert verdicts[0] == "record altered"
    assert f"is of form {form} and that version 0.2.0 of the kit made it, but only version 0.1.0" in reasons
    older = put(less, ("software", "skin-findings-kit"), "0.1.0")
    verdicts, _, reasons = found_out(older, fresh)
    assert "skin-findings-kit 0.1.0 then" in reasons
    if form < 3:
        assert f"of form {form}, which says less than one of today" in reasons


def test_what_is_in_no_digest_of_a_table_may_be_changed_data_as_well_as_an_altered_record(data, fresh):
    """A row that is set aside was added since, or the author took one out of the list: the record alone cannot tell."""
    for path, value in (
        (("set_aside",), data["set_aside"][:-1]),
        (("dataset", "rejected_rows"), 0),
        (("dataset", "notice"), "Real data."),
    ):
        verdicts, _, reasons = found_out(put(data, path, value), fresh)
        assert verdicts == ("record altered", "data changed in place")
        assert "a register that holds the record tells which" in reasons


def test_a_forged_record_is_not_excused_by_a_row_that_was_altered_too(data, fresh):
    """A row of another zone is altered, and the cautions with it: the re-run says that it cannot part the two."""
    forged = put(data, ("cautions",), ["All fine."])
    forged = put(forged, ("dataset", "fingerprint", "zones"), "0" * 64)
    verdicts, _, reasons = found_out(forged, fresh)
    assert verdicts != ("reproduced",)
    assert "cautions.0" in reasons
    assert "cannot tell what was altered in the record from what these rows did" in reasons


def test_a_caution_more_or_fewer_is_one_field_and_names_it(data, fresh):
    """Held side by side by what they say, not by where they stand."""
    first, second, *rest = data["cautions"]
    for cautions, then, now in (
        ([second, *rest], "(none)", first),
        ([first, "All fine.", second, *rest], "All fine.", "(none)"),
    ):
        forged = put(data, ("cautions",), cautions)
        forged |= {"digest": digest_of(forged)}
        differing = judge(forged, as_record(forged, "forged.json"), fresh).differing
        assert [(one.then, one.now) for one in differing] == [(then, now)]
