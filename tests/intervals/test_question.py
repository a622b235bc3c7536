"""Questions are read whole, or refused with file, field, what it must be and what it was."""

import datetime as dt

import pytest
from support import DEMO

from kit.intervals import Question, QuestionError, read_question

DEMO_QUESTIONS = sorted((DEMO / "questions").glob("*.toml"))


@pytest.fixture
def read(tmp_path, question_text):
    """Read the question with one passage exchanged for another."""

    def read_with(old: str = "", new: str = "") -> Question:
        assert old in question_text
        path = tmp_path / "asked.toml"
        path.write_text(question_text.replace(old, new, 1) if old else question_text)
        return read_question(path)

    return read_with


def refused(read, old, new, *parts):
    with pytest.raises(QuestionError) as caught:
        read(old, new)
    message = str(caught.value)
    for part in ("asked.toml: ", *parts):
        assert part in message, message
    assert "{" not in message.replace("{'", "")
    return message


@pytest.mark.parametrize("path", DEMO_QUESTIONS, ids=lambda path: path.stem)
def test_every_demo_question_reads(path):
    question = read_question(path)
    assert question.name == path.stem
    assert question.title.endswith("?")


def test_there_are_demo_questions():
    assert len(DEMO_QUESTIONS) >= 10


def test_what_stands_in_the_file_is_what_is_asked(read):
    question = read()
    assert (question.group, question.horizon, question.seed, question.draws) == ("flap", 40000, 7, 100)
    assert question.known_on is None
    assert question.packages == ("base check",)
    assert question.basis == ("recorded", "implied")
    assert question.modes[0].growth.rate_median == 0.0164
    assert question.modes[0].onset.basis == "an estimate"


def test_a_question_is_passed_through_and_a_str_is_a_path(read, tmp_path):
    question = read()
    assert read_question(question) is question
    assert read_question(str(tmp_path / "asked.toml")) == question


def test_a_day_may_be_a_toml_date(read):
    assert read("seed = 7", "seed = 7\nknown_on = 2019-06-30").known_on == dt.date(2019, 6, 30)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("horizon = 40000\n", "", ["1 field(s) are wrong", "horizon: Field required"]),
        ("seed = 7\n", "", ["seed: Field required"]),
        ('group = "flap"', 'groups = "flap"', ["group: Field required", "groups: Extra inputs", "Got 'flap'"]),
        ("horizon = 40000", 'horizon = "long"', ["horizon: ", "valid number", "Got 'long'"]),
        ("horizon = 40000", "horizon = -5", ["horizon: ", "greater than 0", "Got -5"]),
        ("horizon = 40000", "horizon = inf", ["horizon: ", "finite number", "Got inf"]),
        ("horizon = 40000", "horizon = nan", ["horizon: ", "Got nan"]),
        ("horizon = 40000", "horizon = true", ["horizon: ", "valid number", "Got True"]),
        ("horizon = 40000", 'horizon = "40000"', ["horizon: ", "valid number", "Got '40000'"]),
        ("seed = 7", "seed = 7.5", ["seed: ", "integer", "Got 7.5"]),
        ("seed = 7", "seed = -1", ["seed: ", "greater than or equal to 0", "Got -1"]),
        ("draws = 100", "draws = 10", ["draws: ", "greater than or equal to 50", "Got 10"]),
        ('name = "small"', 'name = "../up"', ["name: ", "match pattern", "Got '../up'"]),
        ('name = "small"', "name = 3", ["name: ", "valid string", "Got 3"]),
        ("share_of_draws = 0.8", "share_of_draws = 80", ["target.share_of_draws: ", "less than 1", "Got 80"]),
        ("allowed_share = 0.2", "allowed_share = 0", ["threshold.allowed_share: ", "greater than 0", "Got 0"]),
        ("plateau = 0.97", "plateau = 1.2", ["detection.plateau: ", "less than or equal to 1", "Got 1.2"]),
        ("slope = 4.0", "slop = 4.0", ["detection.slope: Field required", "detection.slop: Extra inputs", "Got 4.0"]),
        ('clock = "calendar_days"', 'clock = "days"', ["modes.0.clock: ", "'flight_hours', 'flight_cycles' or 'calendar_days'", "Got 'days'"]),
        ('kind = "moisture_disbond"', 'kind = "moistur"', ["modes.0.kind: ", "one of disbond, moisture, moisture_disbond, delamination, dent, puncture, core_damage", "Got 'moistur'"]),
        ("log_sd = 0.48,", "log_sd = 12,", ["onset", "log_sd: ", "less than 10", "Got 12"]),
        ('packages = ["base check"]', 'packages = "base check"', ["packages: ", "valid tuple", "Got 'base check'"]),
        ('packages = ["base check"]', "known_on = 2019-02-30", ["not a TOML file"]),
        ('packages = ["base check"]', 'known_on = "soon"', ["known_on: ", "valid date", "Got 'soon'"]),
        ('packages = ["base check"]', 'basis = ["assumed"]', ["basis.0: ", "'recorded' or 'implied'", "Got 'assumed'"]),
        ('packages = ["base check"]', "basis = []", ["basis: ", "at least 1"]),
        ('packages = ["base check"]', 'govern = ["growth_window"]', ["question: ", "no [growth_window] table"]),
        ('measure = "preventable_exceedances"', 'measure = "cost"', ["target.measure: ", "'exceedances'", "Got 'cost'"]),
    ],
)  # fmt: skip
def test_a_wrong_field_is_named_with_what_it_must_be_and_what_it_was(read, old, new, parts):
    refused(read, old, new, *parts)


def test_all_wrong_fields_are_named_at_once(read):
    message = refused(read, "horizon = 40000\nseed = 7\ndraws = 100", "horizon = 0\nseed = -1\ndraws = 1")
    assert "3 field(s) are wrong" in message


def test_a_kind_named_twice_is_refused(read, question_text):
    mode = question_text[question_text.index("[[modes]]") :]
    refused(
        read,
        "[[modes]]",
        mode + "[[modes]]",
        "`modes` must name each kind once, got moisture_disbond, moisture_disbond",
    )


def test_no_modes_at_all_is_refused(read, question_text):
    refused(read, question_text[question_text.index("[[modes]]") :], "", "modes: Field required")


def test_what_is_not_toml_is_refused_with_its_line(read):
    refused(read, "horizon = 40000", "horizon = 40,000", "not a TOML file", "line 4")


def test_what_is_not_text_is_refused(tmp_path):
    path = tmp_path / "asked.toml"
    for content, why in (
        (b"\xff\xfe\x00name", "not a TOML file"),
        (b"a = " + 100_000 * b"[", "nested too deeply"),
    ):
        path.write_bytes(content)
        with pytest.raises(QuestionError, match=rf"asked\.toml: not a TOML file.*{why}|asked\.toml: {why}"):
            read_question(path)


@pytest.mark.parametrize("name", ["missing.toml", "."])
def test_a_file_that_cannot_be_read_is_refused_with_the_reason(tmp_path, name):
    with pytest.raises(
        QuestionError, match=r": cannot be read \((No such file|Is a directory).*\)\. Give the path"
    ):
        read_question(tmp_path / name)


def test_more_than_fits_the_memory_is_refused_with_what_to_do(read):
    refused(
        read,
        "draws = 100",
        "draws = 20000\nsamples = 384",
        "`draws` times `samples` must be at most 2,000,000",
        "fewer of either",
    )


def test_damages_sampled_in_each_draw_may_be_asked_for(read):
    assert read().samples == 96
    assert read("draws = 100", "draws = 1000\nsamples = 384").samples == 384
