"""A past decision comes out again, or the re-run says what changed."""

import csv
import datetime as dt
import gzip
import importlib
import json
import re
import shutil

import pytest

import kit
from kit.decisions import VERDICTS, RecordError, digest_of, influence, read_decision, rerun, write_decision
from kit.numerics.forked import forked_map

DAY = "2019-06-30"


def load(folder):
    return kit.load_fleet(folder, set_aside=folder.parent / "rejected_rows.csv")


@pytest.fixture(scope="module")
def path(small_evidence, small_question, tmp_path_factory):
    """The record of a decision of 2019."""
    question = small_question.model_copy(
        update={"known_on": dt.date.fromisoformat(DAY), "proposed_repeat": 9000.0}
    )
    return write_decision(kit.recommend(small_evidence, question), tmp_path_factory.mktemp("record"))


@pytest.fixture(scope="module")
def ran(path, small_evidence):
    """The re-run, and what its three runs answered."""
    module, kept = importlib.import_module("kit.decisions.rerun"), []
    answer = module.recommend
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "recommend", lambda *asked: kept.append(answer(*asked)) or kept[-1])
        return rerun(path, small_evidence), kept


@pytest.fixture(scope="module")
def result(ran):
    return ran[0]


@pytest.fixture
def answered(ran, monkeypatch):
    """Let a re-run take the answers that are there, so that what stands beside the record can be altered at no cost."""
    kept = iter(ran[1])
    monkeypatch.setattr(importlib.import_module("kit.decisions.rerun"), "recommend", lambda *_: next(kept))


@pytest.fixture
def folder(small_folder, tmp_path):
    """A copy of the small fleet, to be altered."""
    return shutil.copytree(small_folder, tmp_path / "fleet")


def rows_of(folder, table):
    with (folder / f"{table}.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def write(folder, table, rows):
    with (folder / f"{table}.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, rows[0], restval="")
        writer.writeheader()
        writer.writerows(rows)


def early_moisture(folder):
    """Findings of moisture on flaps that were known by the day of the decision and stand today."""
    fleet = load(folder)
    zones = fleet.tables["zones"].set_index("zone")["group"]
    rows = fleet.tables["findings"]
    rows = rows[
        (rows["kind"] == "moisture_disbond")
        & (rows["zone"].map(zones) == "flap")
        & (rows["recorded_on"] <= DAY)
    ]
    return rows["finding"].tolist()


def test_on_the_same_data_a_decision_is_reproduced(result):
    assert (result.verdict, result.reasons, result.changed_tables) == ("reproduced", (), ())
    assert result.reproduced
    frame = result.to_frame()
    assert frame["same"].all()
    assert frame["difference"].dropna().max() == 0
    assert {"threshold", "repeat", "moisture_disbond: scale", "rule risk"} <= set(frame["quantity"])
    assert repr(result).startswith("Rerun(small: reproduced; ")


@pytest.mark.long
def test_it_is_reproduced_from_a_fresh_loading_too(path, small_folder, result):
    again = rerun(path, load(small_folder))
    assert again.verdict == "reproduced"
    assert again.to_frame().equals(result.to_frame())


def test_the_three_runs_are_of_the_day_of_its_events_and_of_today(result, small_evidence):
    assert f"{result.now.known_on}" == DAY
    assert f"{result.now.dataset.cut_off}" == f"{result.known_now.dataset.cut_off}" == DAY
    assert f"{result.today.dataset.cut_off}" == f"{small_evidence.fleet.cut_off:%Y-%m-%d}"
    assert result.today.modes[0].lives >= result.now.modes[0].lives
    # The simulated office is late with some rows, so these two differ in what they know.
    assert len(result.rows_since) > 0
    assert result.known_now.dataset.fingerprint != result.now.dataset.fingerprint


@pytest.mark.parametrize(
    ("place", "factor"),
    [
        (("recommendation", "repeat"), 2),
        pytest.param(("modes", 0, "scale"), 1 + 1e-9, marks=pytest.mark.long),
        pytest.param(("question", "draws"), 2, marks=pytest.mark.long),
        pytest.param(("curve", 0, "repeat"), 1.01, marks=pytest.mark.long),
    ],
)
def test_any_number_changed_in_the_file_is_an_altered_record(path, small_evidence, tmp_path, place, factor):
    data = json.loads(path.read_text())
    part = data
    for key in place[:-1]:
        part = part[key]
    part[place[-1]] *= factor
    other = tmp_path / "small.json"
    other.write_text(json.dumps(data))
    result = rerun(other, small_evidence)
    assert result.verdict == "record altered"
    assert not result.reproduced
    assert (
        result.reasons[0] == "the record does not match its own digest: it was altered after it was written"
    )


def test_an_altered_record_that_can_no_longer_be_answered_says_that_it_was_altered(
    path, small_evidence, tmp_path
):
    other = tmp_path / "small.json"
    other.write_text(path.read_text().replace(DAY, "1999-06-30"))
    with pytest.raises(
        RecordError, match=r"small\.json: the record does not match its own digest: .*altered"
    ):
        rerun(other, small_evidence)
    for changes, words in (
        ({"proposal": {}}, "proposal.repeat: Field required"),
        ({"dataset": {"fingerprint": "gone"}}, "dataset.fingerprint: Input should be"),
    ):
        other.write_text(json.dumps(json.loads(path.read_text()) | changes))
        with pytest.raises(RecordError, match=rf"small\.json: not a decision record .*{words}"):
            rerun(other, small_evidence)


def test_a_row_altered_in_place_is_changed_data_with_its_table_named(path, folder):
    rows = rows_of(folder, "findings")
    chosen = early_moisture(folder)[0]
    next(row for row in rows if row["finding"] == chosen)["kind"] = "dent"
    write(folder, "findings", rows)
    result = rerun(path, load(folder))
    assert result.verdict == "data changed in place"
    assert "findings" in result.changed_tables
    told = [tuple(row) for row in result.row_changes.itertuples(index=False)]
    assert told == [
        ("findings", chosen, "altered", "kind", "moisture", "dent")
    ]  # as ever written for a blind method
    assert f"rows: 1 altered (findings {chosen} kind 'moisture' to 'dent')" in result.reasons
    assert re.search(rf"rows as known on {DAY} differ from the record in: .*findings", result.reasons[0])
    frame = result.to_frame().set_index("quantity")
    assert frame.loc["moisture_disbond: finds", "now"] == frame.loc["moisture_disbond: finds", "then"] - 1
    assert not frame.loc["moisture_disbond: finds", "same"]


@pytest.mark.parametrize(
    "alter",
    [
        lambda lines: lines[1:],
        lambda lines: [*lines, lines[-1]],
        lambda lines: [lines[1], lines[0], *lines[2:]],
        lambda lines: [lines[0].replace("a", "\u0430", 1), *lines[1:]],  # looks alike
        lambda lines: [],
    ],
    ids=["a row taken out", "a row twice", "two exchanged", "a look-alike letter", "none"],
)
def test_rows_beside_a_record_that_are_not_those_of_its_root_are_an_altered_record(
    path, small_evidence, answered, tmp_path, alter
):
    shutil.copy(path, tmp_path / path.name)
    lines = gzip.decompress(path.with_suffix(".rows.gz").read_bytes()).decode().splitlines(keepends=True)
    (tmp_path / "small.rows.gz").write_bytes(gzip.compress("".join(alter(lines)).encode()))
    result = rerun(tmp_path / path.name, small_evidence)
    assert result.verdicts == ("record altered",)
    assert result.reasons == (
        "small.rows.gz holds other rows than the record was written with (another root): one of the two was altered or exchanged",
    )


def test_a_record_that_does_not_say_which_rows_it_used_is_not_reproduced_in_silence(
    path, small_evidence, answered, tmp_path
):
    data = json.loads(path.read_text()) | {"rows": None}
    (tmp_path / "small.json").write_text(json.dumps(data | {"digest": digest_of(data)}))
    result = rerun(tmp_path / "small.json", small_evidence)
    assert result.verdict == "reproduced"
    assert (
        result.reasons[-1]
        == "the record does not say which rows it used: those altered, back-dated or deleted since cannot be named"
    )


@pytest.mark.long
def test_a_rejected_row_entered_with_an_early_day_may_be_changed_data(path, folder):
    """It alters no number and no digest of a table, and nobody altered the record."""
    rows = rows_of(folder, "findings")
    bad = rows[0] | {"finding": "BAD", "length": "-5", "recorded_on": "2018-01-01", "replaces": ""}
    write(folder, "findings", [*rows, bad])
    result = rerun(path, load(folder))
    assert result.verdicts == ("record altered", "data changed in place")
    (one,) = [one for one in result.differing if one.field.startswith("set_aside.")]
    assert "findings BAD, length" in one.now


@pytest.mark.long
def test_a_row_taken_out_is_changed_data(path, folder):
    rows = rows_of(folder, "repairs")
    gone = next(row for row in rows if row["recorded_on"] <= DAY and not row["replaces"])
    write(folder, "repairs", [row for row in rows if row is not gone])
    result = rerun(path, load(folder))
    assert "repairs" in result.changed_tables
    told = result.row_changes.set_index(["table", "id"])["what"]
    assert told["repairs", gone["repair"]] == "deleted"


@pytest.mark.long
def test_an_altered_cell_that_no_number_rests_on_is_changed_data_all_the_same(path, folder):
    rows = rows_of(folder, "aircraft")
    column = next(name for name in rows[0] if name in ("remarks", "subtype"))
    if column == "subtype":
        limits = rows_of(folder, "limits")
        row = next(row for row in limits if row["group"] != "flap")
        row["size"] = str(float(row["size"]) + 1)
        write(folder, "limits", limits)
        table = "limits"
    else:
        rows[0]["remarks"] = "altered"
        write(folder, "aircraft", rows)
        table = "aircraft"
    result = rerun(path, load(folder))
    verdict = "reference data changed" if table == "limits" else "data changed in place"
    assert (result.verdict, result.changed_tables) == (verdict, ("all", table))
    assert result.to_frame()["same"].all()


@pytest.mark.long
def test_a_back_dated_row_is_changed_data(path, folder):
    rows = rows_of(folder, "cards")
    new = next(row for row in rows if row["closed_on"] < DAY) | {"card": "BACKDATED", "replaces": ""}
    write(folder, "cards", [*rows, new])
    result = rerun(path, load(folder))
    assert "cards" in result.changed_tables
    assert result.row_changes[["id", "what"]].to_numpy().tolist() == [["BACKDATED", "back-dated"]]


def test_a_late_row_changes_nothing_then_but_shows_in_what_is_known_now(path, folder, result):
    """The same finding, withdrawn by a correction that was recorded after the decision."""
    rows = rows_of(folder, "findings")
    name = early_moisture(folder)[0]
    chosen = next(row for row in rows if row["finding"] == name)
    late = chosen | {
        "finding": "LATE",
        "disposition": "void",
        "recorded_on": "2025-06-01",
        "replaces": chosen["finding"],
    }
    write(folder, "findings", [*rows, late])
    again = rerun(path, load(folder))
    assert again.verdict == "reproduced"
    before, after = result.to_frame().set_index("quantity"), again.to_frame().set_index("quantity")
    assert after["now"].equals(before["now"])
    assert (
        after.loc["moisture_disbond: finds", "known_now"]
        == before.loc["moisture_disbond: finds", "known_now"] - 1
    )
    since = again.rows_since.set_index("id")
    assert since.loc["LATE", "what"] == "withdrawn"
    assert len(again.rows_since) == len(result.rows_since) + 1


@pytest.mark.long
def test_the_ranking_of_rows_puts_first_the_panel_whose_late_find_was_planted(small_question, folder):
    """Nothing else that bears on the answer is late: a remark, a fitting and one clean look of other panels move nothing, or less."""
    for table in ("findings", "inspections", "repairs", "panels", "cards", "deferrals", "usage", "zones"):
        rows = rows_of(folder, table)
        for row in rows:
            row["recorded_on"] = min(row["recorded_on"], DAY) if row.get("recorded_on") else ""
        write(folder, table, rows)
    finds = early_moisture(folder)
    rows = rows_of(folder, "findings")
    planted = next(row for row in rows if row["finding"] == finds[0])
    for row in rows:
        if row["inspection"] == planted["inspection"]:
            row["recorded_on"] = "2020-03-01"
    write(folder, "findings", rows)
    looks = rows_of(folder, "inspections")
    for row in looks:
        if row["inspection"] == planted["inspection"]:
            row["recorded_on"] = "2020-03-01"
    zones = (
        kit.load_fleet(folder, set_aside=folder.parent / "r.csv").tables["zones"].set_index("zone")["group"]
    )
    other = next(
        row
        for row in looks
        if zones.get(row["zone"]) == "flap"
        and row["outcome"] == "clean"
        and row["panel"] not in ("", planted["panel"])
        and row["inspected_on"] < DAY
    )
    other["recorded_on"] = "2020-03-01"
    write(folder, "inspections", looks)
    fittings = rows_of(folder, "panels")
    third = next(
        row
        for row in fittings
        if zones.get(row["zone"]) == "flap"
        and row["panel"] not in ("", planted["panel"], other["panel"])
        and row["fitted_on"] < DAY
        and not row["replaces"]
        and row["fitting"] not in {one["replaces"] for one in fittings}
    )
    again = third | {
        "fitting": "AGAIN",
        "replaces": third["fitting"],
        "build_lot": "Z",
        "recorded_on": "2020-03-01",
    }
    write(folder, "panels", [*fittings, again])
    fleet = load(folder)
    question = small_question.model_copy(update={"known_on": dt.date.fromisoformat(DAY)})
    path = write_decision(kit.recommend(fleet, question), folder.parent / "answers")
    result = rerun(path, fleet, run=forked_map)
    ranked, _ = influence(result, fleet, run=forked_map)
    assert set(ranked["panel"]) == {planted["panel"], other["panel"], third["panel"]}
    first = ranked.iloc[0]
    assert first["panel"] == planted["panel"]
    assert f"late findings {planted['finding']}" in first["rows"]
    moved = ranked.set_index("panel")[["risk_rule_change", "share_change"]].abs()
    assert (moved.loc[planted["panel"]] > moved.loc[other["panel"]]).all()
    assert (moved.loc[third["panel"]] == 0).all()


def test_other_numbers_from_the_same_rows_are_changed_software(path, small_evidence, tmp_path, monkeypatch):
    """As if the fit had been another one when the record was written."""
    from kit.decisions import form as module

    then = read_decision(path)
    modes = (then.modes[0].model_copy(update={"scale": then.modes[0].scale * 1.001}),)
    old = then.model_copy(update={"modes": modes, "software": then.software | {"numpy": "1.0"}})
    old = old.model_copy(update={"digest": module.record_digest(old)})
    (tmp_path / "small.json").write_text(old.model_dump_json())
    result = rerun(tmp_path / "small.json", small_evidence)
    assert result.verdict == "software changed"
    assert "1 fields do not come out again: modes.0.scale" in result.reasons
    assert any(re.match(r"software: numpy 1\.0 then, [0-9.]+ now", reason) for reason in result.reasons)
    frame = result.to_frame().set_index("quantity")
    assert frame.loc["moisture_disbond: scale", "difference"] == pytest.approx(0.001 / 1.001, rel=1e-6)


def test_a_difference_within_the_tolerance_is_reproduced(path, small_evidence, tmp_path):
    from kit.decisions import form as module

    then = read_decision(path)
    modes = (then.modes[0].model_copy(update={"scale": then.modes[0].scale * (1 + 1e-8)}),)
    old = then.model_copy(update={"modes": modes})
    old = old.model_copy(update={"digest": module.record_digest(old)})
    (tmp_path / "small.json").write_text(old.model_dump_json())
    assert rerun(tmp_path / "small.json", small_evidence).verdict == "reproduced"


@pytest.mark.long
def test_a_record_of_a_question_without_a_day_is_re_run_on_the_day_of_its_data(
    small_evidence, small_question, tmp_path, folder
):
    """What comes in later does not change it."""
    record = write_decision(kit.recommend(small_evidence, small_question), tmp_path / "records")
    rows = rows_of(folder, "cards")
    new = rows[-1] | {"card": "NEXT", "recorded_on": "2026-01-05", "replaces": ""}
    write(folder, "cards", [*rows, new])
    assert rerun(record, load(folder)).verdict == "reproduced"


def test_verdicts_are_those_named():
    assert set(VERDICTS) == {
        "reproduced",
        "data changed in place",
        "reference data changed",
        "question altered",
        "record altered",
        "software changed",
    }


def test_nothing_is_called_software_while_the_versions_are_the_same(path, small_evidence, tmp_path):
    """Same rows, same versions, other number: the record says what its question does not give."""
    from kit.decisions import form as module

    then = read_decision(path)
    words = then.recommendation.model_copy(update={"repeat_in_words": "every look"})
    old = then.model_copy(update={"recommendation": words})
    old = old.model_copy(update={"digest": module.record_digest(old)})
    (tmp_path / "small.json").write_text(old.model_dump_json())
    result = rerun(tmp_path / "small.json", small_evidence)
    assert result.verdicts == ("record altered",)
    assert [one.field for one in result.differing] == ["recommendation.repeat_in_words"]


def altered_answer(path, tmp_path, **fields):
    """Write a record with another shape, its digest made anew."""
    from kit.decisions import form as module

    then = read_decision(path)
    modes = (then.modes[0].model_copy(update={"shape": then.modes[0].shape * 1.001}),)
    old = then.model_copy(update={"modes": modes} | fields)
    old = old.model_copy(update={"digest": module.record_digest(old)})
    (tmp_path / "small.json").write_text(old.model_dump_json())
    return tmp_path / "small.json"


def test_other_code_of_the_kit_under_the_same_version_is_told_as_changed_software(
    path, small_evidence, tmp_path
):
    result = rerun(altered_answer(path, tmp_path, code="0" * 64), small_evidence)
    assert result.verdict == "software changed"
    assert any(
        re.match(r"software: the kit's own code 000000000000 then, [0-9a-f]{12} now", reason)
        for reason in result.reasons
    )


def test_a_record_that_does_not_tell_its_code_verifies_and_is_no_excuse(path, small_evidence, tmp_path):
    """Records before the digest of the code are re-run as before; taking it out makes nothing software."""
    contents = json.loads(path.read_text())
    assert contents.pop("code") == kit.decisions.code_digest()
    contents["digest"] = kit.decisions.digest_of(contents)
    (tmp_path / "small.json").write_text(json.dumps(contents))
    result = rerun(tmp_path / "small.json", small_evidence)
    assert result.verdict == "reproduced"
    assert not any(reason.startswith("software") for reason in result.reasons)
    contents["modes"][0]["shape"] *= 1.001
    contents["digest"] = kit.decisions.digest_of(contents)
    (tmp_path / "small.json").write_text(json.dumps(contents))
    assert rerun(tmp_path / "small.json", small_evidence).verdict == "record altered"


def test_the_question_beside_a_record_is_held_against_it_without_being_given(path, small_evidence, tmp_path):
    """A record whose question was altered, with its whole answer made for that, does not pass beside what was asked."""
    record = tmp_path / "small.json"
    record.write_bytes(path.read_bytes())
    asked = read_decision(path).question
    packed = tmp_path / "question.json"
    packed.write_text(asked.model_dump_json())
    assert rerun(record, small_evidence).verdict == "reproduced"
    packed.write_text(asked.model_copy(update={"seed": asked.seed + 1}).model_dump_json())
    result = rerun(record, small_evidence)
    assert result.verdicts == ("question altered",)
    assert f"seed {asked.seed} in the record, {asked.seed + 1} as given" in result.reasons[-1]
    packed.write_text('{"name": 3}')
    with pytest.raises(kit.QuestionError, match=r"question.json: not the question of a record \("):
        rerun(record, small_evidence)


def test_what_is_no_record_is_refused(tmp_path, small_evidence):
    (tmp_path / "x.json").write_text("{}")
    with pytest.raises(RecordError, match="not a decision record"):
        rerun(tmp_path / "x.json", small_evidence)


def test_a_question_that_later_data_cannot_answer_leaves_the_verdict_and_says_so(
    small_evidence, small_question, tmp_path, monkeypatch
):
    """The verdict rests on the data as known then; the two later runs are a comment to it."""
    module = importlib.import_module("kit.decisions.rerun")
    asked = small_question.model_copy(update={"known_on": dt.date(2016, 6, 30)})
    path = kit.write_decision(kit.recommend(small_evidence, asked), tmp_path)
    answer = module.recommend

    def only_then(evidence, question):
        if question.known_on is None:
            raise kit.QuestionError("4 tracks only")
        return answer(evidence, question)

    monkeypatch.setattr(module, "recommend", only_then)
    result = kit.rerun(path, small_evidence)
    assert result.verdict == "reproduced"
    assert result.known_now is None
    assert result.today is None
    assert sum("4 tracks only" in reason for reason in result.reasons) == 2
    assert result.to_frame()["today"].isna().all()


BASE_CHECK = 'name = "base check"\nflight_hours = 5000\ndays = 730\n'


def with_packages(folder, text):
    path = folder / "dataset.toml"
    assert BASE_CHECK in path.read_text()
    path.write_text(path.read_text().replace(BASE_CHECK, text))
    return load(folder)


@pytest.mark.long
def test_a_later_change_of_a_check_cycle_leaves_the_decision_reproduced_and_shows_to_date(path, folder):
    later = BASE_CHECK.replace("5000", "4000") + "valid_from = 2025-01-01\nrecorded_on = 2024-11-01\n"
    result = rerun(path, with_packages(folder, f"{BASE_CHECK}\n[[packages]]\n{later}"))
    assert result.verdicts == ("reproduced",)
    assert [one["flight_hours"] for one in result.now.reference["packages"]] == [5000]
    assert [one["flight_hours"] for one in result.known_now.reference["packages"]] == [5000]
    assert [one["flight_hours"] for one in result.today.reference["packages"]] == [4000]


def test_a_record_says_of_which_tier_its_limit_is_and_what_it_bounds(path):
    (limit,) = read_decision(path).reference["limits"]
    assert limit["tier"].startswith("allowable damage limit (ADL)")
    assert (limit["bounds"], limit["kind"]) == ("equivalent_diameter", "")
    assert limit["repairable_size"] > limit["size"]


@pytest.mark.long
def test_a_check_cycle_changed_in_place_is_changed_reference_data_and_named(path, folder):
    result = rerun(path, with_packages(folder, BASE_CHECK.replace("5000", "4000")))
    assert result.verdicts == ("reference data changed",)
    assert result.row_changes[["table", "column", "then", "now"]].to_numpy().tolist() == [
        ["packages", "flight_hours", "5000.0", "4000.0"]
    ]


def test_another_question_than_the_one_given_is_named(path, small_evidence, small_question):
    asked = small_question.model_copy(update={"proposed_repeat": 8000.0})
    result = rerun(path, small_evidence, question=asked)
    assert result.verdicts == ("question altered",)
    assert "proposed_repeat 9000.0 in the record, 8000.0 as given" in result.reasons[-1]
