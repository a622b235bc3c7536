"""Are there as many aircraft of a subtype as planned usage says."""

from __future__ import annotations

import pandas as pd

from kit.findings.check.problems import one_problem, sorted_problems


def count_problems(planned: pd.DataFrame, aircraft: pd.DataFrame) -> pd.DataFrame:
    """Return the subtypes whose aircraft are not as many as planned usage says, where one of them has too many.

    Fewer of all is what a fleet looks like on an earlier day; one too many is an aircraft under the wrong subtype.

    Parameters
    ----------
    planned : DataFrame
        Planned usage in force, by subtype, with the column aircraft.
    aircraft : DataFrame
        Accepted aircraft known on the same day.

    Returns
    -------
    DataFrame
        One problem a subtype.
    """
    if not len(planned):
        return sorted_problems([])
    counts = aircraft["subtype"].value_counts().reindex(planned.index, fill_value=0)
    stated = planned["aircraft"]
    if not (counts > stated).any():
        return sorted_problems([])
    return sorted_problems(
        [
            one_problem(
                "dataset",
                "dataset.toml",
                column=f"planned_usage.{subtype}.aircraft",
                value=str(stated[subtype]),
                reason="not as many aircraft of the subtype as planned_usage says",
                expected=f"{counts[subtype]}, as in the table aircraft",
                mend="correct the count, or the subtype of an aircraft",
            )
            for subtype in planned.index[counts != stated]
        ]
    )
