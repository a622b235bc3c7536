"""What is wrong with the tables, in words that fit a terminal."""

from __future__ import annotations

import pandas as pd


def problems_text(problems: pd.DataFrame, limit: int = 20) -> str:
    """Return a plain-text summary of problems.

    First how many rows are concerned, then the count of each reason, then the first
    problems one by one: where, what was read, what was expected, how to mend it.

    Parameters
    ----------
    problems : DataFrame
        Columns table, file, row, column, value, reason, expected, mend.
    limit : int
        How many problems to list one by one.

    Returns
    -------
    str
        Lines of text; "No problems." where there are none.

    Examples
    --------
    >>> import pandas as pd
    >>> cells = ["usage", "usage.csv", 7, "read_on", "2015-25-03", "not a date", "a date", "write 2015-03-25"]
    >>> columns = ["table", "file", "row", "column", "value", "reason", "expected", "mend"]
    >>> print(problems_text(pd.DataFrame([cells], columns=columns)))
    1 problem in 1 row of 1 table.
        1  usage: not a date
    usage.csv row 7, read_on = '2015-25-03': not a date. Expected: a date. Mend: write 2015-03-25.
    """
    if not len(problems):
        return "No problems."
    n_rows = len(problems[["table", "file", "row"]].drop_duplicates())
    n_tables = problems["table"].nunique()
    lines = [f"{_count(len(problems), 'problem')} in {_count(n_rows, 'row')} of {_count(n_tables, 'table')}."]
    counts = (
        problems.groupby(["table", "reason"], sort=False).size().sort_values(ascending=False, kind="stable")
    )
    lines += [f"{n:>5}  {table}: {reason}" for (table, reason), n in counts.head(limit).items()]
    if len(counts) > limit:
        lines.append(f"       and {_count(len(counts) - limit, 'more reason')}")
    lines += [_line(problem) for problem in problems.head(limit).itertuples(index=False)]
    if len(problems) > limit:
        lines.append(f"and {_count(len(problems) - limit, 'more problem')}.")
    return "\n".join(lines)


def _count(number: int, word: str) -> str:
    """Return a number and its word, in the plural where it must be."""
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _line(problem: tuple) -> str:
    """Return one problem as one line."""
    where = problem.file + (f" row {problem.row}" if problem.row else "")
    if problem.column:
        value = problem.value if len(problem.value) <= 60 else problem.value[:57] + "..."
        where += f", {problem.column} = {value!r}"
    return f"{where}: {problem.reason}. Expected: {problem.expected}. Mend: {problem.mend}."
