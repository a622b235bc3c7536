"""What a fleet knows of each life: where it was, on what, in which climate, of which build."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings import Fleet, PanelAges, need_fleet
from kit.life.groups.design_columns import NOT_KNOWN
from kit.life.lives.censored import Histories
from kit.life.lives.histories import AFTER_REPAIR, repairs_that_end_lives
from kit.numerics.refusals import need

_OF_ZONE = ("group", "side", "structure_class", "core_material", "low_point")
COVARIATES = ("zone", "aircraft", "subtype", "climate", *_OF_ZONE, "build_lot", "repair_class")
"""Covariates that `with_covariates` can attach."""

NOT_REPAIRED = "not repaired"
"""Repair class of a life that does not follow a repair."""

_FOREVER = np.datetime64("2200-01-01")


def with_covariates(histories: Histories, fleet: Fleet, names: Sequence[str]) -> pd.DataFrame:
    """Attach covariates to histories, for `fit_regression` and `fit_frailty`.

    Parameters
    ----------
    histories : Histories
        As `kit.life.build_histories` makes them from the same fleet.
    fleet : Fleet
        The findings as loaded.
    names : sequence of str
        Which covariates: ``zone``, ``aircraft``, ``subtype`` (of the aircraft), ``climate``, ``group``,
        ``side``, ``structure_class``, ``core_material``, ``low_point`` (of the zone), ``build_lot`` (of the panel) and
        ``repair_class`` (of the repair that the life follows).

    Returns
    -------
    DataFrame
        The columns of `Histories.to_frame` and one for each name, as text. Clock and kind stand in its
        ``attrs``. What is blank or cannot be told is the level ``not known``: no life is left out, and
        ``frame["climate"].value_counts()`` counts them.

    Raises
    ------
    ValueError
        If a name is unknown, or a life is not of a panel of the fleet.

    See Also
    --------
    fit_regression : What the covariates do to the age at onset.

    Notes
    -----
    A panel may move. Zone, aircraft and climate are those under which it spent most of the life's watch:
    from entry to the find, or to the last clean look, counted on the clock of the histories. The climate
    is that of the aircraft's base while the panel was fitted to it; time in store counts for none. On a
    tie the earlier one is taken. A life before any repair has the repair class ``not repaired``.
    """
    need_fleet(fleet)
    need("histories", histories, Histories, "histories", "Make them with `kit.build_histories(fleet)`.")
    unknown = sorted(set(names) - set(COVARIATES))
    if unknown:
        raise ValueError(f"`names` must be among {', '.join(COVARIATES)}. Got {', '.join(unknown)}.")
    frame = histories.to_frame()
    frame.attrs = {"clock": histories.clock, "kind": histories.kind}
    life = pd.Series(histories.life, dtype=object).astype(str)
    parts = life.str.rpartition(AFTER_REPAIR).reindex(
        columns=range(3), fill_value=""
    )  # none where no life is
    after = (parts[1] != "").to_numpy() & parts[2].str.isdigit().to_numpy()
    panel = np.where(after, parts[0], life)
    number = np.where(after, parts[2].where(after, "0"), "0").astype(np.int64)
    fittings = fleet.tables["panels"]
    strange = ~np.isin(panel, fittings["panel"].unique())
    if strange.any():
        raise ValueError(
            f"`histories` must be of panels of the fleet: {int(strange.sum())} of {len(life)} lives are not, first "
            f"{life[strange].iloc[0]!r}. Build them from this fleet."
        )
    ages = PanelAges(fleet, histories.clock)
    repairs = _repairs(fleet, ages)
    after_which = pd.MultiIndex.from_arrays([panel, number])
    begun = repairs["age"].reindex(after_which).to_numpy(float)
    # After a repair a life counts a virtual age from its entry; the panel's own went on from the repair.
    shift = np.where(number > 0, begun - histories.entry, 0.0)
    watch = pd.DataFrame(
        {
            "panel": panel,
            "from": histories.entry + shift,
            "to": np.where(np.isfinite(histories.upper), histories.upper, histories.lower) + shift,
        }
    )
    zones = fleet.tables["zones"].set_index("zone")
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    places = fittings[["panel", "aircraft", "zone", "fitted_on", "removed_on"]]
    zone = where = None
    for name in names:
        if name in ("zone", *_OF_ZONE) and zone is None:
            zone = _longest(watch, places.rename(columns={"zone": "value"}), ages, fleet)
        if name in ("aircraft", "subtype") and where is None:
            where = _longest(watch, places.rename(columns={"aircraft": "value"}), ages, fleet)
        if name == "zone":
            values = zone
        elif name in _OF_ZONE:
            values = zones[name].reindex(zone).to_numpy(object)
        elif name == "aircraft":
            values = where
        elif name == "subtype":
            values = aircraft["subtype"].reindex(where).to_numpy(object)
        elif name == "climate":
            values = _longest(watch, _stays(fleet, places), ages, fleet)
        elif name == "build_lot":
            lots = fittings.loc[fittings["build_lot"] != ""].sort_values("fitted_on", kind="stable")
            values = lots.groupby("panel")["build_lot"].first().reindex(panel).to_numpy(object)
        else:
            values = repairs["repair_class"].reindex(after_which).to_numpy(object)
            values = np.where(number > 0, values, NOT_REPAIRED)
        text = pd.Series(values, dtype=object)
        frame[name] = text.where(text.notna() & (text != ""), NOT_KNOWN).to_numpy(object)
    return frame


def _repairs(fleet: Fleet, ages: PanelAges) -> pd.DataFrame:
    """Age of the panel at each repair that ends a life, and its class, by panel and number."""
    ends = repairs_that_end_lives(fleet)
    age = ages.at(ends["panel"].to_numpy(object), ends["repaired_on"].to_numpy())
    index = pd.MultiIndex.from_arrays([ends["panel"].to_numpy(object), ends["number"].to_numpy()])
    return pd.DataFrame({"age": age, "repair_class": ends["repair_class"].to_numpy(object)}, index=index)


def _stays(fleet: Fleet, places: pd.DataFrame) -> pd.DataFrame:
    """Return when panels were at bases: fittings, cut where the aircraft changed base."""
    basing = fleet.tables.get("basing")
    if basing is None or not len(basing):
        return pd.DataFrame({"panel": [], "value": [], "fitted_on": [], "removed_on": []})
    both = places.merge(basing[["aircraft", "valid_from", "valid_to", "climate"]], on="aircraft")
    start = np.maximum(both["fitted_on"].to_numpy(), both["valid_from"].to_numpy())
    # A stay lasts through its last day; the next one begins a day later.
    left = both["valid_to"].fillna(_FOREVER) + pd.Timedelta(days=1)
    stop = np.minimum(both["removed_on"].fillna(_FOREVER).to_numpy(), left.to_numpy())
    out = pd.DataFrame(
        {
            "panel": both["panel"],
            "value": both["climate"],
            "fitted_on": start,
            "removed_on": stop,
        }
    )
    return out.loc[start < stop]


def _longest(watch: pd.DataFrame, stays: pd.DataFrame, ages: PanelAges, fleet: Fleet) -> NDArray[np.object_]:
    """Value under which each life spent most of its watch, by the panel's age at both ends of each stay."""
    cut_off = fleet.cut_off.to_datetime64()
    until = np.minimum(stays["removed_on"].fillna(_FOREVER).to_numpy("datetime64[s]"), cut_off)
    serial = stays["panel"].to_numpy(object)
    spans = pd.DataFrame(
        {
            "panel": serial,
            "value": stays["value"].to_numpy(object),
            "since": _age(ages, serial, stays["fitted_on"]),
            "until": _age(ages, serial, until),
        }
    )
    both = watch.reset_index(names="row").merge(spans.dropna(), on="panel")
    both["time"] = np.minimum(both["to"], both["until"]) - np.maximum(both["from"], both["since"])
    # A stay that only touches the watch still says where the life was, where nothing else does.
    both = both.loc[both["time"] >= 0]
    total = both.groupby(["row", "value"], sort=False).agg(time=("time", "sum"), since=("since", "min"))
    total = total.reset_index().sort_values(
        ["row", "time", "since"], ascending=[True, False, True], kind="stable"
    )
    return total.drop_duplicates("row").set_index("row")["value"].reindex(watch.index).to_numpy(object)


def _age(ages: PanelAges, serial: NDArray[np.object_], dates: ArrayLike) -> NDArray[np.float64]:
    return ages.at(serial, np.asarray(dates)) if len(serial) else np.empty(0)
