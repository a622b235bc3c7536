"""Past looks and planned looks each with their own POD and method."""

import numpy as np
import pytest
from support import QUESTION, Hand

import kit
from kit.intervals import Evidence, QuestionError, beliefs, recommend
from kit.intervals.named_pod import kind_asked, need_methods_that_see
from kit.intervals.question import StatedDetection

SURE = {"log_a50_sd": 0.0, "log_slope_sd": 0.0, "logit_plateau_sd": 0.0, "logit_far_share_sd": 0.0}
POD = StatedDetection(method="tap_manual", a50_mm=20, slope=4, plateau=0.97, basis="a test", **SURE)


def pod(**other):
    return POD.model_copy(update=other)


@pytest.fixture(scope="module")
def evidence(tmp_path_factory):
    """Twelve aircraft tapped every 500 days, five of them found damaged once."""
    made = Hand(tmp_path_factory.mktemp("past") / "twelve")
    made.rows["tasks"][0] |= {"repeat_days": "500"}
    for i in range(12):
        made.aircraft(f"A{i}").panel(f"P{i}", f"A{i}").card(f"A{i}", *range(500, 4001, 500))
        if i < 5:
            made.find(f"A{i}", 1000 + 500 * i, kind="moisture_disbond", size=24 + i)
    return Evidence(made.load())


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    """Return the shared question with these PODs of planned and past looks."""
    path = tmp_path_factory.mktemp("asked") / "small.toml"
    path.write_text(QUESTION)
    question = kit.read_question(path)

    def with_pods(planned, past=None):
        return question.model_copy(
            update={"detection": planned, "past_detection": past, "draws": 64, "packages": ()}
        )

    return with_pods


def drawn(evidence, question):
    (one,) = beliefs(question, evidence)
    return one.draws


def test_the_life_rests_on_the_pod_of_past_looks_alone_and_the_risk_on_that_of_planned_ones(evidence, asked):
    plain = drawn(evidence, asked(pod()))
    better = drawn(evidence, asked(pod(a50_mm=10.0), pod()))
    assert np.array_equal(better.scale, plain.scale)
    assert np.array_equal(better.shape, plain.shape)
    assert better.pod.a50 == pytest.approx(10.0)
    assert better.looked_with.a50 == pytest.approx(20.0)
    assert plain.past_pod is None
    assert plain.looked_with is plain.pod


def test_past_looks_that_saw_less_leave_more_damage_to_have_been_there(evidence, asked):
    saw_well, saw_badly = (drawn(evidence, asked(pod(), pod(plateau=plateau))) for plateau in (0.97, 0.5))
    age = 3000.0
    share = [float(np.mean((age / one.scale[1:]) ** one.shape[1:])) for one in (saw_well, saw_badly)]
    assert share[1] > share[0]


@pytest.mark.long
def test_the_same_pod_for_both_is_the_answer_with_one_pod_and_a_better_planned_one_never_has_a_shorter_repeat(
    evidence, asked
):
    one, both, better = (
        recommend(evidence, question)
        for question in (
            asked(pod()),
            asked(pod(), pod()),
            asked(pod(a50_mm=12.0, method="tap_instrumented"), pod()),
        )
    )
    assert (both.threshold, both.repeat, both.risk) == (one.threshold, one.repeat, one.risk)
    assert better.repeat >= one.repeat
    assert better.present == one.present  # the programme in force looks as it did
    words = "\n".join(better.assumptions)
    assert "looks to come: POD of tap_instrumented: a50 12 mm" in words
    assert "past looks and the present programme: POD of tap_manual: a50 20 mm" in words
    assert "looks to come" not in "\n".join(one.assumptions)


def test_what_past_looks_found_is_what_their_method_sees(asked):
    """A tap tells the bond that moisture broke, whatever is planned."""
    question = asked(pod(method="thermography"), pod())
    assert kind_asked(question, question.modes[0]) == "moisture_disbond"


def test_a_method_whose_looks_do_not_count_or_that_is_blind_to_what_was_found_is_refused(asked):
    with pytest.raises(
        QuestionError,
        match=r"past_detection.method: the looks that count for moisture_disbond are those by tap_manual",
    ):
        need_methods_that_see(asked(pod(), pod(method="thermography")))
    wet = asked(pod(), pod(method="moisture_meter"))
    wet = wet.model_copy(update={"modes": (wet.modes[0].model_copy(update={"kind": "moisture"}),)})
    with pytest.raises(
        QuestionError,
        match=r"detection.method: tap_manual does not see what past looks by moisture_meter found",
    ):
        need_methods_that_see(wet)


def test_half_a_name_and_half_numbers_of_a_past_pod_are_refused(tmp_path):
    path = tmp_path / "asked.toml"
    path.write_text(QUESTION + '\n[past_detection]\npod = "manual"\na50_mm = 3\n')
    with pytest.raises(
        QuestionError, match=r"asked.toml: past_detection: give `pod` or the numbers of a POD, not both"
    ):
        kit.read_question(path)
