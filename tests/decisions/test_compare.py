"""A field is the same, differs, or is stated by people."""

import pytest

from kit.decisions import compare
from kit.decisions.compare import PLAINER_WORDS, WORDS_SINCE_5

ORDER = "findings F1, found_on = '2017-27-12': mixed (day first: rows {}; YYYY-MM-DD: {} other rows)"


@pytest.mark.parametrize(
    ("then", "now", "state"),
    [
        (ORDER.format("3, 4, 17", 99), ORDER.format("3", 12), "same"),
        (ORDER.format("3, 4", 99), ORDER.format("3", 12).replace("rows 3", "row 3"), "same"),
        (ORDER.format("3, 4", 2), ORDER.format("3, 4", 1).replace("other rows", "other row"), "same"),
        (ORDER.format("3", 12), ORDER.format("3", 12).replace("F1", "F2"), "differs"),
        (ORDER.format("3", 12), "All fine.", "differs"),
    ],
)
def test_a_row_set_aside_is_the_same_wherever_other_rows_stand_in_the_file(then, now, state):
    """Rows that come later, and another kind of source, move the rows that a reason names besides."""
    (check,) = compare({"set_aside": [then]}, {"set_aside": [now]})
    assert check.state == state


def test_words_of_then_are_the_same_as_the_words_that_stand_for_them_since():
    then = {"notes": ["first look moved up to 5,000, since the growth window is short"]}
    now = {"notes": ["initial inspection moved up to 5,000, since the detectable-growth interval is short"]}
    assert compare(then, now)[0].state == "differs"
    assert compare(then, now, words=WORDS_SINCE_5)[0].state == "same"
    other = {"notes": ["initial inspection moved up to 4,000, since the detectable-growth interval is short"]}
    assert compare(then, other, words=WORDS_SINCE_5)[0].state == "differs"


def test_a_band_that_was_not_labelled_is_the_same_as_with_its_label_and_as_no_other():
    then, now = ({"basis": f"prior{words} 1.1 to 2.9"} for words in PLAINER_WORDS[0])
    assert [compare(one, now, words=PLAINER_WORDS)[0].state for one in (then, now)] == ["same", "same"]
    assert (
        compare({"basis": "prior, drawn shapes 1.1 to 3.9"}, now, words=PLAINER_WORDS)[0].state == "differs"
    )


def test_a_field_declared_since_may_be_missing_in_a_list_and_nothing_else_may():
    then = {"reference": {"limits": [{"size": 40.0}]}}
    now = {"reference": {"limits": [{"size": 40.0, "bounds": "area"}]}}
    assert [one.state for one in compare(then, now, absent=("reference.limits.*.bounds",))] == ["same"]
    assert [one.state for one in compare(then, now)] == ["same", "data"]
    assert [one.state for one in compare(now, then, absent=("reference.limits.*.bounds",))] == [
        "same",
        "data",
    ]


def test_a_damage_type_was_a_kind_of_damage_in_texts_and_in_the_reasons_of_lives_left_out():
    then = {"notes": ["kinds of damage arise alone"], "excluded": {"another kind of damage was found": 1}}
    now = {"notes": ["damage types arise alone"], "excluded": {"another damage type was found": 1}}
    checks = compare({"modes": [then]}, {"modes": [now]}, words=PLAINER_WORDS)
    assert {one.state for one in checks} == {"same"}
    other = {"modes": [now | {"excluded": {"another damage type was found": 2}}]}
    assert "differs" in {one.state for one in compare({"modes": [then]}, other, words=PLAINER_WORDS)}
