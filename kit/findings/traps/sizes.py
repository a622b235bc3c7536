"""Is a size written in another unit than it says."""

from __future__ import annotations

import pandas as pd

from kit.findings.traps.context import TrapContext, no_cases
from kit.findings.units import suspect_units


def find_unit_mix_ups(context: TrapContext) -> pd.DataFrame:
    """Return findings whose size fits another unit better (T2).

    Parameters
    ----------
    context : TrapContext
        The dataset.

    Returns
    -------
    DataFrame
        The columns of `CASE_COLUMNS`; the suggestion is the unit that fits.

    See Also
    --------
    kit.findings.units.suspect_units : What is held against what; loading and growth use the same decision.
    """
    rows = context.rows("findings")
    doubt = suspect_units(rows, context.fleet.tables["zones"])
    if not len(doubt):
        return no_cases()
    return context.cases(
        "findings",
        rows.loc[doubt.index],
        "size_unit",
        doubt["found"],
        suggestion=doubt["suggestion"],
        confidence=doubt["confidence"],
    )
