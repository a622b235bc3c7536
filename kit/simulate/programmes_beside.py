"""What truly stood and happened in a simulated fleet, beside what answers about programmes expect."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from kit.programmes import BackTest, Group, PresentState, ProgrammeChange
from kit.simulate.truth import truly_happened, truly_standing


def standing_beside(source: str | Path, state: PresentState) -> pd.DataFrame:
    """Set the damage to be expected unfound beside that which truly stood.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.
    state : PresentState
        What `kit.present_state` gave.

    Returns
    -------
    DataFrame
        Index is_damaged and is_beyond; expected and true panels, and the true share of the first tenth and of all.
    """
    rows = state.to_frame().set_index("panel")
    truth = truly_standing(source, rows.index, state.group.living.cut_off)
    tenth = rows.index[: max(len(rows) // 10, 1)]
    said = rows[["damage", "beyond"]].sum().set_axis(truth.columns)
    shares = {"true in the first tenth": truth.loc[tenth].mean(), "true of all": truth.mean()}
    return pd.DataFrame({"expected": said, "true": truth.sum()} | shares)


def happened_beside(source: str | Path, change: ProgrammeChange, group: Group, *, years: int) -> pd.DataFrame:
    """Set what the proposed programme was expected to bring beside what truly happened.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.
    change : ProgrammeChange
        What `kit.compare_programmes` gave.
    group : Group
        The group.
    years : int
        Years from the day of the question.

    Returns
    -------
    DataFrame
        Index quantity; expected, lower, upper, true, inside.
    """
    end = group.living.cut_off + pd.DateOffset(years=years)
    outlook = change.outlook(1).loc[["finds", "exceedances", "exposure"]]
    outlook["true"] = truly_happened(source, group.living.frame["panel"], group.living.cut_off, end)
    return outlook.assign(inside=outlook["true"].between(outlook["lower"], outlook["upper"]))


def found_beside(source: str | Path, group: Group, test: BackTest) -> str:
    """Say what was truly found in the last year tried, and what truly stands unfound today.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet, with its truth.
    group : Group
        The group.
    test : BackTest
        Past forecasts.

    Returns
    -------
    str
        Markdown.
    """
    panels, last = group.living.frame["panel"], test.to_frame().iloc[-1]
    happened = truly_happened(source, panels, last["known_on"], last["known_on"] + pd.DateOffset(years=1))
    standing = truly_standing(source, panels, group.living.cut_off)
    return (
        f"Found in the year after {last['known_on']:%Y-%m-%d}: {happened['finds']:.0f} in truth, {last['came']:.0f} on record. There and unfound on "
        f"{group.living.cut_off:%Y-%m-%d}: {standing['is_damaged'].sum()} panels in truth."
    )
