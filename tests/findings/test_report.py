"""Problems are told in words: how many, which reasons, the first ones in full."""

import pandas as pd

from kit.findings import PROBLEM_COLUMNS, problems_text


def problems(n: int) -> pd.DataFrame:
    rows = [
        ("usage", "usage.csv", k, "read_on", f"x{k}", f"reason {k % 2}", "a day", "write it")
        for k in range(2, n + 2)
    ]
    return pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))


def test_counts_by_reason_and_the_first_problems_are_listed():
    assert problems_text(problems(5), limit=2).splitlines() == [
        "5 problems in 5 rows of 1 table.",
        "    3  usage: reason 0",
        "    2  usage: reason 1",
        "usage.csv row 2, read_on = 'x2': reason 0. Expected: a day. Mend: write it.",
        "usage.csv row 3, read_on = 'x3': reason 1. Expected: a day. Mend: write it.",
        "and 3 more problems.",
    ]


def test_reasons_beyond_the_limit_are_counted():
    assert "       and 1 more reason" in problems_text(problems(5), limit=1).splitlines()


def test_no_problems_is_said():
    assert problems_text(problems(0)) == "No problems."


def test_a_long_value_is_cut():
    frame = problems(1).assign(value="POLYGON" * 20)
    assert f"read_on = '{('POLYGON' * 20)[:57]}...': reason 0" in problems_text(frame)
