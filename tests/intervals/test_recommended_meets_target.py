"""A schedule that is recommended meets the target as it stands, with its own first look."""

import pytest

import kit
from kit.intervals import rules


@pytest.mark.parametrize("packages", [(), ("base check",)])
@pytest.mark.parametrize("wanted", [0.02, 0.05, 0.3])
def test_a_recommended_schedule_meets_the_target_in_the_asked_share_of_draws(
    small_evidence, small_question, packages, wanted
):
    """Also where no package is short enough, and the first look is later than the one that the rule examined."""
    target = small_question.target.model_copy(update={"per_10000_flight_hours": wanted})
    answer = kit.recommend(
        small_evidence,
        small_question.model_copy(update={"target": target, "packages": packages, "draws": 64}),
    )
    if answer.repeat is None:
        assert any(caution.startswith("no interval is recommended") for caution in answer.cautions)
    else:
        assert answer.share_meeting >= target.share_of_draws
        risk = next(rule.interval for rule in answer.rules if rule.rule == "risk")
        if answer.repeat < risk * 0.99 and not packages:
            assert any(caution.startswith("repeat shortened from") for caution in answer.special_cautions)


def test_no_interval_is_recommended_where_none_goes_with_the_first_look(
    small_evidence, small_question, monkeypatch
):
    """As if no looks of the programme met what those that the rule examined had met."""
    put_in_packages, asked = rules.in_packages, []

    def in_packages(*arguments, **more):
        asked.append(arguments)
        return put_in_packages(*arguments, **more)

    monkeypatch.setattr(rules, "in_packages", in_packages)
    monkeypatch.setattr(rules, "meets", lambda problem, first, repeat, until=None: not asked)
    answer = kit.recommend(small_evidence, small_question.model_copy(update={"packages": (), "draws": 64}))
    assert answer.repeat is None
    assert answer.governed_by == "no answer"
    assert any("the target is not met even by a look every" in caution for caution in answer.special_cautions)
