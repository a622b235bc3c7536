"""What do looks for water and looks for the bond that it breaks say of one life together."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from kit.findings import Fleet, build_looks, clean_methods
from kit.life.lives.histories import panel_looks

WET, BROKEN, DRY = "moisture", "moisture_disbond", "disbond"


def moisture_and_disbond_looks(
    fleet: Fleet,
    *,
    clock: str = "calendar_days",
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    dry_route: bool = False,
) -> pd.DataFrame:
    """Return the looks that tell of water in the core and of the bond that it breaks, life by life.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    clock : str
        Clock of the ages.
    zones : sequence of str, optional
        Labels of the zones; default all.
    basis : sequence of str
        Which looks count: ``recorded``, ``implied``.
    dry_route : bool
        Whether disbonds of kind ``disbond`` are wanted too, as the dry route of the fit: they count as found with no
        moisture there, since their kind says so.

    Returns
    -------
    DataFrame
        A row for each life and day of a look: life, age [clock units], disbond (True, False), moisture (True,
        False, or blank where no method that sees water was used) and entry [clock units], as
        `kit.life.fit_moisture_then_disbond` takes them.

    Notes
    -----
    A tap does not tell water, and a look for water does not tell the bond. The two stages bind them: where there is no
    water its disbond has not come either (with the dry route only taps tell that), and where a later tap is clean it had not come before. A day on
    which water was found and neither holds is left out. A find of another kind ends the life's looks; lives
    after a repair are left out.
    """
    known = list(fleet.tables["zones"]["zone"]) if zones is None else list(zones)
    parts = {}
    for kind in (WET, BROKEN):
        every = build_looks(fleet, methods=clean_methods(kind), basis=basis)
        parts[kind], _ = panel_looks(fleet, zones=known, clock=clock, basis=basis, kind=kind, all_looks=every)
    taps, wet = parts[BROKEN], parts[WET]
    taps = taps.loc[taps["kind"] != WET]
    breaks = [BROKEN, DRY] if dry_route else [BROKEN]
    other = taps.loc[~taps["kind"].isin(["", *breaks])].groupby("life")["age"].min()
    taps = taps.loc[taps["kind"].isin(["", *breaks])]
    found = taps.loc[taps["kind"].isin(breaks)].groupby("life")["age"].min()
    last_clean = taps.loc[taps["kind"] == ""].groupby("life")["age"].max()
    entry = taps.groupby("life")["entry"].first()
    wet = wet.loc[wet["kind"].isin(["", WET]) & wet["life"].isin(entry.index)]
    rows = pd.concat(
        [
            taps[["life", "age"]].assign(
                disbond=taps["kind"].isin(breaks),
                moisture=taps["kind"].map({DRY: False}).astype(object).where(taps["kind"] == DRY, pd.NA),
            ),
            wet[["life", "age"]].assign(disbond=pd.NA, moisture=wet["kind"] == WET),
        ],
        ignore_index=True,
    )
    rows = rows.groupby(["life", "age"], as_index=False).agg({"disbond": "max", "moisture": "max"})
    stop = rows["life"].map(found).fillna(float("inf"))
    cut = rows["life"].map(other).fillna(float("inf"))
    rows = rows.loc[(rows["age"] <= stop) & (rows["age"] < cut) & (rows["age"] >= rows["life"].map(entry))]
    clean_later = rows["age"] <= rows["life"].map(last_clean).fillna(-1.0)
    dry = (rows["moisture"] == False).fillna(False)  # noqa: E712
    implied = rows["disbond"].isna() & (clean_later | (dry & (not dry_route)))
    rows = rows.assign(disbond=rows["disbond"].mask(implied, False))
    rows = rows.loc[rows["disbond"].notna()]
    return rows.assign(disbond=rows["disbond"].astype(bool), entry=rows["life"].map(entry)).reset_index(
        drop=True
    )
