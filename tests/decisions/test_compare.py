"""A field is the same, differs, or is stated by people."""

import pytest

from kit.decisions import compare

ORDER = "findings F1, found_on = '2017-27-12': mixed (day first: rows {}; YYYY-MM-DD: {} other rows)"


@pytest.mark.parametrize(
    ("then", "now", "state"),
    [
        (ORDER.format("3, 4, 17", 99), ORDER.format("3", 12), "same"),
        (ORDER.format("3", 12), ORDER.format("3", 12).replace("F1", "F2"), "differs"),
        (ORDER.format("3", 12), "All fine.", "differs"),
    ],
)
def test_a_row_set_aside_is_the_same_wherever_other_rows_stand_in_the_file(then, now, state):
    """Rows that come later, and another kind of source, move the rows that a reason names besides."""
    (check,) = compare({"set_aside": [then]}, {"set_aside": [now]})
    assert check.state == state
