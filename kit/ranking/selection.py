"""Which looks, finds and hours count in a ranking: by period, method, task, purpose, subtype, climate, aircraft and cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import DAYS_BEYOND, KINDS, METHODS, TAP_METHODS, Fleet, Meters, build_looks
from kit.regions import tracked_regions

PURPOSES = ("routine", "reinspection", "campaign", "not planned")
"""Why a panel was inspected: a repeating task; a task without interval, which follows known damage; a task
without interval for some days only; no task at all."""

DISBOND_KINDS = ("disbond", "moisture_disbond", "core_damage")
"""Kinds that tapping finds, which are ranked together where none are named."""

NO_CAUSE = "not stated"
"""Cause of a finding without one."""

_DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, kw_only=True)
class Selection:
    """What counts in a ranking; None counts all.

    Parameters
    ----------
    since, until : str or Timestamp, optional
        First and last day that count.
    methods, tasks, purposes : sequence of str, optional
        Methods, tasks and purposes (`PURPOSES`) of the looks. Default of the methods: tapping for looks, any for finds.
    subtypes, climates, aircraft : sequence of str, optional
        Where and on what.
    causes : sequence of str, optional
        Causes of the finds, as written; `NO_CAUSE` for blank.
    """

    since: str | pd.Timestamp | None = None
    until: str | pd.Timestamp | None = None
    methods: Sequence[str] | None = None
    tasks: Sequence[str] | None = None
    purposes: Sequence[str] | None = None
    subtypes: Sequence[str] | None = None
    climates: Sequence[str] | None = None
    aircraft: Sequence[str] | None = None
    causes: Sequence[str] | None = None

    def checked(self, fleet: Fleet) -> Selection:
        """Return this selection after its names were looked up in the fleet.

        Parameters
        ----------
        fleet : Fleet
            The findings as loaded.

        Returns
        -------
        Selection
            The same.

        Raises
        ------
        ValueError
            If a name is not in the dataset, a day is none, or the period is empty.
        """
        tables = fleet.tables
        known = {
            "methods": METHODS,
            "tasks": tables["tasks"]["task"],
            "purposes": PURPOSES,
            "subtypes": tables["aircraft"]["subtype"],
            "climates": tables["basing"]["climate"],
            "aircraft": tables["aircraft"]["aircraft"],
            "causes": [*tables["findings"]["cause"], NO_CAUSE],
        }
        for name, values in known.items():
            given = getattr(self, name)
            unknown = [] if given is None else sorted(set(given) - set(values))
            if isinstance(given, str) or unknown:
                some = sorted({str(value) for value in values if value})
                raise ValueError(
                    f"`{name}` must be a list of names of the dataset. Got {given!r}. Known are {', '.join(some[:30])}."
                )
        for name in ("since", "until"):
            try:
                pd.Timestamp(getattr(self, name) or "2000-01-01")
            except ValueError:
                raise ValueError(
                    f"`{name}` must be a day (YYYY-MM-DD). Got {getattr(self, name)!r}."
                ) from None
        if self.since is not None and self.until is not None and self.first > self.last:
            raise ValueError(
                f"`since` must not be after `until`. Got {self.since} and {self.until}; exchange them."
            )
        return self

    @property
    def first(self) -> pd.Timestamp:
        """First day that counts."""
        return pd.Timestamp("1900-01-01") if self.since is None else pd.Timestamp(self.since)

    @property
    def last(self) -> pd.Timestamp:
        """Last day that counts."""
        return pd.Timestamp("2262-01-01") if self.until is None else pd.Timestamp(self.until)

    def rows(self, table: pd.DataFrame, *, day: str) -> pd.Series:
        """Return which rows count, as far as their columns tell.

        Parameters
        ----------
        table : DataFrame
            Any of the columns method, task, purpose, subtype, climate, aircraft, cause.
        day : str
            Column of the day.

        Returns
        -------
        Series of bool
            Which do.
        """
        keep = table[day].between(self.first, self.last)
        for names, column in (
            (self.methods, "method"),
            (self.tasks, "task"),
            (self.purposes, "purpose"),
            (self.subtypes, "subtype"),
            (self.climates, "climate"),
            (self.aircraft, "aircraft"),
            (self.causes, "cause"),
        ):
            if names is not None and column in table.columns:
                keep &= table[column].isin(list(names))
        return keep

    def words(self) -> str:
        """Return what counts in words.

        Returns
        -------
        str
            The names that were given, or that all counts.
        """
        parts = [
            f"{name} {', '.join(map(str, value)) if isinstance(value, list | tuple) else value}"
            for name, value in vars(self).items()
            if value is not None
        ]
        return "; ".join(parts) if parts else "all that is on record"


EVERYTHING = Selection()
"""All that is on record."""


def purposes(fleet: Fleet) -> pd.Series:
    """Return the purpose of each task.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.

    Returns
    -------
    Series of str
        One of `PURPOSES`, by task.
    """
    tasks = fleet.tables["tasks"].set_index("task")
    repeats = tasks[["repeat_flight_hours", "repeat_flight_cycles", "repeat_days"]].notna().any(axis=1)
    words = np.where(repeats, "routine", np.where(tasks["valid_to"].notna(), "campaign", "reinspection"))
    return pd.Series(words, index=tasks.index, dtype=object)


def stays(fleet: Fleet) -> pd.DataFrame:
    """Return each fitting of a panel, cut where its aircraft changed base.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.

    Returns
    -------
    DataFrame
        Columns panel, aircraft, zone, start, stop (days; while records were kept, up to the cut-off or 60 days after the
        last reading of the aircraft), subtype, climate (``not known`` without a base).
    """
    fittings = fleet.tables["panels"]
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    begin = aircraft["records_from"].fillna(aircraft["entry_into_service"]).reindex(fittings["aircraft"])
    known = fleet.tables["usage"].groupby("aircraft")["read_on"].max() + pd.Timedelta(days=DAYS_BEYOND)
    out = fittings[["panel", "aircraft", "zone"]].copy()
    out["start"] = np.maximum(fittings["fitted_on"].to_numpy(), begin.to_numpy())
    stop = fittings["removed_on"].fillna(fleet.cut_off).to_numpy()
    stop = np.minimum(stop, np.datetime64(fleet.cut_off))
    # Beyond its last reading an aircraft has no usage; what it had flown by then still counts.
    out["stop"] = np.fmin(stop, known.reindex(fittings["aircraft"]).to_numpy())
    out["subtype"] = aircraft["subtype"].reindex(out["aircraft"]).to_numpy(object)
    out = out.loc[out["stop"] > out["start"]].reset_index(drop=True).reset_index(names="fitting")
    based = fleet.tables["basing"][["aircraft", "valid_from", "valid_to", "climate"]].sort_values(
        ["aircraft", "valid_from"], kind="stable"
    )
    following = based.groupby("aircraft")["valid_from"].shift(-1)
    based["end"] = based["valid_to"].fillna(following).fillna(pd.Timestamp("2262-01-01"))
    parts = out.merge(based, on="aircraft", how="inner")
    parts["start"] = np.maximum(parts["start"], parts["valid_from"])
    parts["stop"] = np.minimum(parts["stop"], parts["end"])
    parts = parts.loc[parts["stop"] > parts["start"]]
    # Days of no base on record stay, as days of a climate that is not known.
    days = (parts["stop"] - parts["start"]).groupby(parts["fitting"]).sum().reindex(out["fitting"])
    whole = days.fillna(pd.Timedelta(0)).to_numpy() >= (out["stop"] - out["start"]).to_numpy()
    columns = ["panel", "aircraft", "zone", "start", "stop", "subtype", "climate"]
    kept = parts.loc[parts["fitting"].isin(out["fitting"][whole]), columns]
    rest = out.loc[~whole].assign(climate="not known")[columns]
    return pd.concat([kept, rest], ignore_index=True)


def exposure_of(fleet: Fleet, selection: Selection = EVERYTHING) -> pd.DataFrame:
    """Return what each stay of a panel flew within a selection.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        Period, subtypes, climates and aircraft that count.

    Returns
    -------
    DataFrame
        As `stays`, with panel_flight_hours, panel_flight_cycles and panel_years.
    """
    out = stays(fleet)
    for names, column in (
        (selection.subtypes, "subtype"),
        (selection.climates, "climate"),
        (selection.aircraft, "aircraft"),
    ):
        if names is not None:
            out = out.loc[out[column].isin(list(names))]
    out = out.assign(
        start=np.maximum(out["start"], selection.first), stop=np.minimum(out["stop"], selection.last)
    )
    out = out.loc[out["stop"] > out["start"]].reset_index(drop=True)
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    names = out["aircraft"].to_numpy(object)
    for clock in ("flight_hours", "flight_cycles"):
        flown = meters.at(names, out["stop"].to_numpy(), clock) - meters.at(
            names, out["start"].to_numpy(), clock
        )
        out[f"panel_{clock}"] = np.nan_to_num(flown)
    out["panel_years"] = (out["stop"] - out["start"]).dt.days / _DAYS_PER_YEAR
    return out


def labelled(fleet: Fleet, table: pd.DataFrame, *, day: str) -> pd.DataFrame:
    """Attach subtype and climate to rows that name an aircraft and a day.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    table : DataFrame
        Columns aircraft and that of the day.
    day : str
        Column of the day.

    Returns
    -------
    DataFrame
        A copy with the columns subtype and climate (``not known`` without a base).
    """
    aircraft = fleet.tables["aircraft"].set_index("aircraft")
    based = fleet.tables["basing"][["aircraft", "valid_from", "climate"]].sort_values(
        "valid_from", kind="stable"
    )
    rows = table.reset_index(drop=True)
    out = rows.assign(subtype=aircraft["subtype"].reindex(rows["aircraft"]).to_numpy(object))
    if not len(rows) or not len(based):
        return out.assign(climate="not known")
    left = rows[["aircraft", day]].reset_index(names="order").sort_values(day, kind="stable")
    left["aircraft"] = left["aircraft"].astype(based["aircraft"].dtype)
    merged = pd.merge_asof(left, based, left_on=day, right_on="valid_from", by="aircraft")
    climate = _named(merged.sort_values("order", kind="stable")["climate"])
    return out.assign(climate=np.where(climate == "", "not known", climate))


def _named(values: pd.Series) -> np.ndarray:
    """Return names as plain text, blank where there is none."""
    plain = values.to_numpy(object)
    return np.where(pd.isna(plain), "", plain).astype(object)


def _purpose_of(fleet: Fleet, task: pd.Series) -> np.ndarray:
    """Return what each look was for, by its task."""
    known = purposes(fleet).to_dict()
    return np.array([known.get(name, "not planned") for name in task], dtype=object)


def selected_looks(
    fleet: Fleet, selection: Selection = EVERYTHING, *, methods: Sequence[str] = TAP_METHODS
) -> pd.DataFrame:
    """Return the looks of a selection with what they were for.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.
    methods : sequence of str
        Methods that count where the selection names none.

    Returns
    -------
    DataFrame
        As `kit.findings.build_looks`, with task, purpose, subtype and climate.
    """
    looks = build_looks(fleet, methods=list(selection.methods or methods))
    cards = fleet.tables["cards"].set_index("card")["task"]
    looks = looks.assign(task=_named(cards.reindex(looks["card"])))
    looks["purpose"] = _purpose_of(fleet, looks["task"])
    looks = labelled(fleet, looks, day="looked_on")
    return looks.loc[selection.rows(looks, day="looked_on")].reset_index(drop=True)


def selected_regions(fleet: Fleet, selection: Selection = EVERYTHING) -> pd.DataFrame:
    """Return the findings of a selection, with which of them is the first of its damage.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.

    Returns
    -------
    DataFrame
        As `kit.regions.tracked_regions`, with task, purpose, cause, subtype, climate and is_first: whether the damage
        was not mapped before, within the selection or outside of it.
    """
    regions = tracked_regions(fleet).sort_values(["found_on", "finding"], kind="stable")
    regions["is_first"] = ~regions.duplicated("track")
    findings = fleet.tables["findings"].set_index("finding")
    inspections = fleet.tables["inspections"].set_index("inspection")["card"]
    cards = fleet.tables["cards"].set_index("card")["task"]
    look = _named(findings["inspection"].reindex(regions["finding"]))
    regions["task"] = _named(cards.reindex(_named(inspections.reindex(look))))
    regions["purpose"] = _purpose_of(fleet, regions["task"])
    cause = _named(findings["cause"].reindex(regions["finding"]))
    regions["cause"] = np.where(cause == "", NO_CAUSE, cause)
    regions = labelled(fleet, regions, day="found_on")
    return regions.loc[selection.rows(regions, day="found_on")].reset_index(drop=True)


def first_detections(
    fleet: Fleet, selection: Selection = EVERYTHING, *, kinds: Sequence[str] | None = None
) -> pd.DataFrame:
    """Return the findings of a selection that are the first of their damage.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    selection : Selection
        What counts.
    kinds : sequence of str, optional
        Kinds of damage. Default: `DISBOND_KINDS`.

    Returns
    -------
    DataFrame
        As `selected_regions` gives them.
    """
    regions = selected_regions(fleet, selection)
    return regions.loc[regions["is_first"] & regions["kind"].isin(list(kinds or DISBOND_KINDS))]


def check_by(by: str) -> None:
    """Refuse what zones cannot be put together by.

    Parameters
    ----------
    by : str
        ``zone`` or ``group``.

    Raises
    ------
    ValueError
        If it is neither.
    """
    if by not in ("group", "zone"):
        raise ValueError(f"`by` must be zone or group. Got {by!r}.")


def check_kinds(kinds: Sequence[str] | None) -> None:
    """Refuse kinds of damage that there are not.

    Parameters
    ----------
    kinds : sequence of str or None
        Kinds of damage; None for all that count.

    Raises
    ------
    ValueError
        If one is unknown.
    """
    unknown = sorted(set(kinds or ()) - set(KINDS))
    if unknown:
        raise ValueError(f"`kinds` must be among {', '.join(KINDS)}. Got {', '.join(unknown)}.")
