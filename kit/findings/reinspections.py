"""Which look did the re-inspection that a deferral asks for, and can it have."""

from __future__ import annotations

import itertools

import pandas as pd

from kit.findings.frames import names_in
from kit.findings.methods import SEES


def reinspections(
    deferrals: pd.DataFrame,
    findings: pd.DataFrame,
    inspections: pd.DataFrame,
    cards: pd.DataFrame,
    tasks: pd.DataFrame,
) -> pd.DataFrame:
    """Return the look that each deferral names as its re-inspection, and what speaks against it.

    Parameters
    ----------
    deferrals, findings, inspections, cards, tasks : DataFrame
        Rows of these tables, as loaded.

    Returns
    -------
    DataFrame
        On the index of `deferrals`: panel and kind (of the damage left), looked_panel, looked_on and looked_with
        (panel, day and method of the look; missing where none is named), other_panel, too_early (before it was
        deferred), blind (the method cannot see the kind, or the task looks for other kinds and the look found none of it), and counts (a look is named and none of the three).

    Notes
    -----
    A look is of the panel where the fittings say so, or where the serials as they are written do: of a look or a
    finding that was put down at the wrong side, the serial is right and the zone is not.
    """
    # There are few deferrals, and millions of looks.
    inspections = inspections.loc[inspections["inspection"].isin(deferrals["reinspection"])]
    hanging = findings.loc[findings["inspection"].isin(deferrals["reinspection"])]
    findings = findings.loc[findings["finding"].isin(deferrals["finding"])]
    looks = (
        inspections.drop_duplicates("inspection").set_index("inspection").reindex(deferrals["reinspection"])
    )
    found = findings.drop_duplicates("finding").set_index("finding").reindex(deferrals["finding"])
    looks, found = looks.set_axis(deferrals.index), found.set_axis(deferrals.index)
    out = pd.DataFrame(
        {
            "panel": found["panel"].fillna(""),
            "kind": found["kind"].fillna(""),
            "looked_panel": looks["panel"],
            "looked_on": looks["inspected_on"],
            "looked_with": looks["method"],
        }
    )
    named = out["looked_on"].notna() & (out["kind"] != "")
    serials = ["panel", "panel_as_written"]
    is_there = pd.Series(False, index=out.index)
    for one, other in itertools.product(serials, serials):
        is_there |= (looks[one] == found[other]) & (found[other] != "")
    out["other_panel"] = named & ~is_there
    out["too_early"] = named & (out["looked_on"] < deferrals["deferred_on"])
    sees = [
        kind in SEES.get(method, ()) for method, kind in zip(out["looked_with"], out["kind"], strict=True)
    ]
    out["blind"] = named & ~pd.Series(sees, index=out.index, dtype=bool)
    looks_for = tasks.drop_duplicates("task").set_index("task")["looks_for"]
    cards = cards.loc[cards["card"].isin(looks["card"])]
    read_for = cards.drop_duplicates("card").set_index("card")["task"].reindex(looks["card"]).map(looks_for)
    hits = set(zip(hanging["inspection"], hanging["kind"], strict=True))
    not_read = [
        isinstance(text, str) and text != "" and kind not in names_in(text) and (look, kind) not in hits
        for text, look, kind in zip(read_for, deferrals["reinspection"], out["kind"], strict=True)
    ]
    out["blind"] |= named & pd.Series(not_read, index=out.index, dtype=bool)
    out["counts"] = named & ~out[["other_panel", "too_early", "blind"]].any(axis=1)
    return out
