"""A question may name a POD; what is stored is the numbers that the name stood for."""

import dataclasses
import json

import pytest

import kit
from kit.decisions import read_decision, rerun, write_decision
from kit.detection import PodRegister
from kit.intervals import QuestionError, read_question, recommend

STATED = """\
method = "tap_manual"
a50_mm = 20
slope = 4.0
plateau = 0.97
basis = "assumed"
"""
ENTRY = """\
[[pods]]
name = "manual-thin"
method = "tap_manual"
skin_class = "thin"
side = "outer"
conditions = "hangar"
a50_mm = 20
slope = 4.0
plateau = 0.97
far_side_plateau = 0.0
basis = "assumed"
source = "invented for a test"
"""


@pytest.fixture
def ask(tmp_path, question_text):
    """Read the small question with another [detection]."""

    def with_detection(text):
        assert STATED in question_text
        path = tmp_path / "asked.toml"
        path.write_text(question_text.replace(STATED, text))
        return read_question(path)

    return with_detection


@pytest.fixture
def dataset(small_evidence, tmp_path):
    """Return the small fleet with its source at a folder with a register."""
    (tmp_path / "pods.toml").write_text(ENTRY)
    return dataclasses.replace(small_evidence.fleet, source=str(tmp_path))


def test_a_name_gives_the_answer_of_its_numbers(ask, dataset, small_question):
    named, stated = recommend(dataset, ask('pod = "manual-thin"')), recommend(dataset, small_question)
    assert (named.threshold, named.repeat, named.risk) == (stated.threshold, stated.repeat, stated.risk)
    detection = named.question.detection
    assert (detection.pod, detection.a50_mm, detection.plateau, detection.method) == (
        "manual-thin",
        20,
        0.97,
        "tap_manual",
    )
    assert any(
        "entry manual-thin of the register: invented for a test" in words for words in named.assumptions
    )


def test_a_built_in_entry_needs_no_file(ask, small_evidence):
    answer = recommend(small_evidence, ask('pod = "published-manual"'))
    assert answer.question.detection.a50_mm == PodRegister().get("published-manual").a50
    assert any("Genest" in words and "assumed: slope" in words for words in answer.assumptions)


@pytest.mark.long
def test_a_re_run_does_not_hang_on_the_register(ask, dataset, tmp_path):
    path = write_decision(recommend(dataset, ask('pod = "manual-thin"')), tmp_path / "decisions")
    stored = json.loads(path.read_text())["question"]["detection"]
    assert (stored["pod"], stored["a50_mm"], stored["far_side_plateau"]) == ("manual-thin", 20.0, 0.0)
    (tmp_path / "pods.toml").unlink()
    result = rerun(path, dataset)
    assert result.verdicts == ("reference data changed",)
    assert result.differing == ()
    assert result.today is None  # what is known today does not name it any more


@pytest.mark.long
@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda text: text.replace("a50_mm = 20", "a50_mm = 35"), "was altered (a50_mm 20.0 to 35.0)"),
        (lambda text: text.replace("manual-thin", "manual-other"), "is no longer in the register"),
        (
            lambda text: text + text.replace("manual-thin", "back-dated"),
            "other entries of the register are not",
        ),
    ],
)
def test_an_entry_altered_gone_or_back_dated_since_is_changed_reference_data_and_named(
    ask, dataset, tmp_path, change, what
):
    """The numbers stay those of the record; that the file says something else now is told with the entry's name."""
    path = write_decision(recommend(dataset, ask('pod = "manual-thin"')), tmp_path / "out")
    before = (tmp_path / "pods.toml").read_text()
    (tmp_path / "pods.toml").write_text(change(before))
    assert change(before) != before
    result = rerun(path, dataset)
    assert result.verdicts == ("reference data changed",)
    assert result.reasons[0].startswith("rows as known on")
    assert "PODs: manual-thin, which was used, " in result.reasons[1]
    assert what in result.reasons[1]
    assert not result.differing


def test_a_question_with_numbers_is_stored_without_a_name(small_question, small_evidence, tmp_path):
    path = write_decision(recommend(small_evidence, small_question), tmp_path)
    assert json.loads(path.read_text())["question"]["detection"]["pod"] is None
    assert read_decision(path).question.detection == small_question.detection


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ('pod = "manual-thin"\na50_mm = 20', ["give `pod` or the numbers of a POD, not both", "'manual-thin' beside a50_mm"]),
        ('pod = 3', ["detection.pod: ", "valid string", "Got 3"]),
        ('pod = "manual-thin"\nplateu = 0.9', ["detection.plateu: Extra inputs", "Got 0.9"]),
        ('pod = "manual-thin"\nin_fit = "none"', ["detection.in_fit", "Got 'none'"]),
        ('method = "tap_manual"', ["detection.a50_mm: Field required"]),
    ],
)  # fmt: skip
def test_half_a_name_and_half_numbers_are_refused(ask, text, parts):
    with pytest.raises(QuestionError) as caught:
        ask(text)
    for part in ("asked.toml: ", *parts):
        assert part in str(caught.value), str(caught.value)


def test_a_name_that_is_not_there_or_came_later_is_refused(ask, dataset, tmp_path):
    with pytest.raises(
        QuestionError, match=r"question small: detection.pod: .*Got 'other'. Known are manual-thin"
    ):
        recommend(dataset, ask('pod = "other"'))
    (tmp_path / "pods.toml").write_text(ENTRY + "recorded_on = 2999-01-01\n")
    with pytest.raises(QuestionError, match=r"manual-thin was not known on .*it was recorded on 2999-01-01"):
        recommend(dataset, ask('pod = "manual-thin"'))
    (tmp_path / "pods.toml").write_text(ENTRY.replace("slope = 4.0\n", ""))
    with pytest.raises(QuestionError, match=r"slope: Field required"):
        recommend(dataset, ask('pod = "manual-thin"'))


def test_the_question_itself_is_not_changed(ask, dataset):
    question = ask('pod = "manual-thin"')
    before = question.model_dump()
    recommend(dataset, question)
    assert question.model_dump() == before
    assert kit.Question.model_validate(before) == question
