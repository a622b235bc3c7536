"""What really stood on a simulated fleet on a day, and what really happened in a time: from its truth tables."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

_DAYS = ("onset_on", "crossed_on", "found_on")


def _onsets(source: str | Path) -> pd.DataFrame:
    folder = Path(source) / "truth"
    onsets = pd.read_csv(folder / "onsets.csv", parse_dates=list(_DAYS))
    panels = pd.read_csv(folder / "panels.csv", parse_dates=["removed_for_good_on"]).set_index("panel")
    gone = onsets["panel"].map(panels["removed_for_good_on"])
    # Damage is unfound until it is found or its panel leaves the fleet.
    return onsets.assign(ended_on=onsets["found_on"].fillna(gone).fillna(pd.Timestamp.max.normalize()))


def truly_standing(source: str | Path, panels: Sequence[str], on: str | pd.Timestamp) -> pd.DataFrame:
    """Tell which panels of a simulated fleet hold damage that nobody has found.

    Parameters
    ----------
    source : str or Path
        Folder of the fleet, with its truth.
    panels : sequence of str
        Panels asked about.
    on : date or str
        The day.

    Returns
    -------
    DataFrame
        Index panel; columns is_damaged and is_beyond (its limit).
    """
    day, onsets = pd.Timestamp(on), _onsets(source)
    there = onsets.loc[(onsets["onset_on"] <= day) & (onsets["ended_on"] > day)]
    beyond = there.loc[there["crossed_on"] <= day, "panel"]
    names = pd.Index(panels, name="panel")
    return pd.DataFrame(
        {"is_damaged": names.isin(there["panel"]), "is_beyond": names.isin(beyond)}, index=names
    )


def truly_happened(
    source: str | Path, panels: Sequence[str], begin: str | pd.Timestamp, end: str | pd.Timestamp
) -> pd.Series:
    """Count what happened on some panels of a simulated fleet in a time.

    Parameters
    ----------
    source : str or Path
        Folder of the fleet, with its truth.
    panels : sequence of str
        Panels asked about.
    begin, end : date or str
        After the one and up to the other.

    Returns
    -------
    Series
        finds, exceedances, exposure [panel flight hours; the flight hours of each damage beyond its limit spread evenly
        over its days].
    """
    start, stop = pd.Timestamp(begin), pd.Timestamp(end)
    onsets = _onsets(source)
    some = onsets.loc[onsets["panel"].isin(list(panels))]
    finds = (some["found_on"] > start) & (some["found_on"] <= stop)
    crossed = (
        (some["crossed_on"] > start) & (some["crossed_on"] <= stop) & (some["crossed_on"] <= some["ended_on"])
    )
    last = some["ended_on"].clip(upper=pd.Timestamp(stop.year + 50, 1, 1))
    known_end = some["ended_on"] < pd.Timestamp(2200, 1, 1)
    # Damage that was never found counts up to the end of the records, where its hours end.
    last = last.where(known_end, _last_day(source))
    days = (last - some["crossed_on"]).dt.days.clip(lower=1)
    inside = (last.clip(upper=stop) - some["crossed_on"].clip(lower=start)).dt.days.clip(lower=0)
    exposure = (some["exposure_flight_hours"] * inside / days).sum()
    return pd.Series(
        {"finds": int(finds.sum()), "exceedances": int(crossed.sum()), "exposure": float(exposure)}
    )


def _last_day(source: str | Path) -> pd.Timestamp:
    data = tomllib.loads((Path(source) / "dataset.toml").read_text(encoding="utf-8"))
    return pd.Timestamp(data["cut_off"])
