"""The living panels of a group on the cut-off: ages, looks since they were last known to be sound, known damage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import panel_age_bounds
from kit.intervals import DAYS_PER_YEAR, Evidence, Question, kind_asked
from kit.life import repairs_that_end_lives, with_virtual_ages
from kit.numerics.typing import Floats
from kit.regions import standing_regions

_CLOCKS = ("flight_hours", "flight_cycles", "calendar_days")


@dataclass(frozen=True, eq=False, kw_only=True)
class PanelLives:
    """What one kind of damage may have done to each living panel, on the clock of the kind.

    Parameters
    ----------
    kind, clock : str
        Kind of damage and its clock.
    start : ndarray, shape (n_panels,)
        Age from which damage that nobody knows of could begin: that of new, of the last repair, or of the last find
        [clock units].
    now : ndarray, shape (n_panels,)
        Age on the cut-off [clock units].
    looks : ndarray, shape (n_panels, n_most)
        Ages at the looks since, rising, none of which found it; nan where there are no more [clock units].
    known_mm : ndarray, shape (n_panels,)
        Size of known damage that stands, as last mapped; nan where there is none [mm].
    known_since : ndarray, shape (n_panels,)
        Time since it was mapped [clock units].
    """

    kind: str
    clock: str
    start: Floats
    now: Floats
    looks: Floats
    known_mm: Floats
    known_since: Floats

    def __len__(self) -> int:
        """Return the number of panels."""
        return self.now.size

    def take(self, rows: np.ndarray) -> PanelLives:
        """Return some of the panels.

        Parameters
        ----------
        rows : ndarray of int
            Which.

        Returns
        -------
        PanelLives
            These.
        """
        arrays = {
            name: getattr(self, name)[rows] for name in ("start", "now", "looks", "known_mm", "known_since")
        }
        return PanelLives(kind=self.kind, clock=self.clock, **arrays)


@dataclass(frozen=True, eq=False, kw_only=True)
class LivingPanels:
    """The panels of a group that are fitted on the cut-off.

    Parameters
    ----------
    frame : DataFrame
        A row a panel: panel, aircraft, zone, subtype, lot, base, last_look (a day; NaT without one), age_hours and
        hours_since_look [flight hours], is_age_known.
    lives : dict of str to PanelLives
        By kind of damage.
    since_look, age : dict of str to ndarray
        By clock: time since the last look, nan without one, and age [clock units].
    per_day : dict of str to ndarray
        By clock: planned usage of each panel's aircraft [clock units per day].
    left_out : DataFrame
        Panels that cannot be told of: panel, reason.
    cut_off : Timestamp
        The day on which they are looked at.
    group : str
        Group of zones.
    """

    frame: pd.DataFrame
    lives: dict[str, PanelLives]
    since_look: dict[str, Floats]
    age: dict[str, Floats]
    per_day: dict[str, Floats]
    left_out: pd.DataFrame
    cut_off: pd.Timestamp
    group: str

    def __len__(self) -> int:
        """Return the number of panels."""
        return len(self.frame)

    def take(self, rows: np.ndarray) -> LivingPanels:
        """Return some of the panels.

        Parameters
        ----------
        rows : ndarray of int
            Which.

        Returns
        -------
        LivingPanels
            These.
        """
        some = np.asarray(rows, np.int64)
        return LivingPanels(
            frame=self.frame.iloc[some].reset_index(drop=True),
            lives={name: one.take(some) for name, one in self.lives.items()},
            since_look={name: values[some] for name, values in self.since_look.items()},
            age={name: values[some] for name, values in self.age.items()},
            per_day={name: values[some] for name, values in self.per_day.items()},
            left_out=self.left_out,
            cut_off=self.cut_off,
            group=self.group,
        )

    def __repr__(self) -> str:
        """Return one line."""
        return f"LivingPanels({self.group}: {len(self)} panels on {self.cut_off:%Y-%m-%d}, {len(self.left_out)} left out)"


def living_panels(evidence: Evidence, ask: Question, *, unknown: str = "oldest") -> LivingPanels:
    """Gather what is on record of every panel of a group that is fitted on the cut-off.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known.
    ask : Question
        The question, with the numbers of its POD.
    unknown : str
        Age that a panel of unknown age is given: ``oldest`` possible or ``youngest``.

    Returns
    -------
    LivingPanels
        With the looks since each was last known to be sound, and the known damage that stands.

    Notes
    -----
    A repair puts a panel back to its virtual age; a find that was not repaired leaves its age as it is, and a second
    damage of the kind may have begun since. A look that found something else counts as a look that did not find
    this kind. Where an aircraft has no recent meter reading, its panels age by planned usage since the last look.
    """
    fleet = evidence.fleet
    day, panels = fleet.cut_off, fleet.tables["panels"]
    there = panels["zone"].isin(evidence.zones_of((ask.group,))) & panels["removed_on"].isna()
    there &= (panels["fitted_on"] <= day) & (panels["panel"] != "")
    frame = panels.loc[there, ["panel", "aircraft", "zone", "build_lot"]].drop_duplicates(
        "panel", keep="last"
    )
    frame = (
        frame.rename(columns={"build_lot": "lot"}).sort_values("panel", kind="stable").reset_index(drop=True)
    )
    frame["subtype"] = frame["aircraft"].map(fleet.tables["aircraft"].set_index("aircraft")["subtype"])
    bases = frame["aircraft"].map(_base_now(fleet.tables["basing"], day))
    frame["base"] = bases.astype("str").fillna("")  # of a fleet without bases they come without a type
    # Says which panels have no usage planned, before anything is worked out.
    evidence.units_per_day(ask.group)
    per_day = {"calendar_days": np.ones(len(frame))}
    for clock in _CLOCKS[:2]:
        per_day[clock] = frame["subtype"].map(fleet.planned_usage[clock]).to_numpy(np.float64) / DAYS_PER_YEAR

    def age_on(names: np.ndarray, days: np.ndarray, clock: str) -> tuple[Floats, np.ndarray]:
        """Ages, and which of them are known."""
        known = evidence.ages(clock).at(names, days)
        blank = np.isnan(known)
        if blank.any():
            bounds = panel_age_bounds(fleet, names[blank], days[blank], clock)
            known[blank] = bounds.oldest if unknown == "oldest" else bounds.youngest
        return known, ~blank

    names = frame["panel"].to_numpy(object)
    here = np.full(len(frame), np.datetime64(day))
    looks = _looks_of(evidence, ask, frame)
    last = looks.groupby("panel")["looked_on"].max()
    frame["last_look"] = frame["panel"].map(last)
    now, since, known = {}, {}, np.ones(len(frame), bool)
    for clock in _CLOCKS:
        now[clock], told = age_on(names, here, clock)
        known &= told
        looked = ~frame["last_look"].isna().to_numpy()
        at_look = np.full(len(frame), np.nan)
        at_look[looked] = age_on(names[looked], frame["last_look"].to_numpy()[looked], clock)[0]
        gap = (np.datetime64(day) - frame["last_look"].to_numpy().astype("datetime64[D]")).astype(float)
        gap = np.where(looked, gap, np.nan)
        now[clock] = np.where(np.isnan(now[clock]), at_look + per_day[clock] * gap, now[clock])
        since[clock] = now[clock] - at_look
    frame["age_hours"], frame["hours_since_look"] = now["flight_hours"], since["flight_hours"]
    frame["is_age_known"] = known
    standing = standing_regions(fleet, day, regions=evidence.regions)
    ends = repairs_that_end_lives(fleet)
    ends = ends.loc[ends["repaired_on"] <= day]
    lives = {}
    for mode in ask.modes:
        kind = kind_asked(ask, mode)
        lives[mode.kind] = _lives_of(
            mode.kind, kind, mode.clock, evidence, ask, frame, now[mode.clock], age_on, ends, standing
        )
    bad = ~np.all([np.isfinite(one.now) & np.isfinite(one.start) for one in lives.values()], axis=0)
    left_out = pd.DataFrame(
        {"panel": names[bad], "reason": "its age cannot be told, not even its bounds"}, dtype=object
    )
    out = LivingPanels(
        frame=frame,
        lives=lives,
        since_look=since,
        age=now,
        per_day=per_day,
        left_out=left_out,
        cut_off=pd.Timestamp(day),
        group=ask.group,
    )
    return out.take(np.flatnonzero(~bad)) if bad.any() else out


def _base_now(basing: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    rows = basing.loc[(basing["valid_from"] <= day) & ~(basing["valid_to"] < day)]
    return rows.sort_values("valid_from", kind="stable").groupby("aircraft")["base"].last()


def _looks_of(evidence: Evidence, ask: Question, frame: pd.DataFrame) -> pd.DataFrame:
    """Gather looks that bear on all kinds of the question, at the panels wherever they were in the group."""
    zones, parts = evidence.zones_of((ask.group,)), []
    for mode in ask.modes:
        looks = evidence.all_looks(kind_asked(ask, mode), ask.basis)
        parts.append(looks.loc[looks["zone"].isin(zones) & looks["panel"].isin(frame["panel"])])
    # A look that is blind to one of the kinds does not do for it.
    names = ["panel", "looked_on"]
    out = parts[0][names].drop_duplicates()
    for other in parts[1:]:
        out = out.merge(other[names].drop_duplicates(), on=names)
    return out


def _lives_of(kind, seen, clock, evidence, ask, frame, now, age_on, ends, standing) -> PanelLives:
    """One kind of damage: from when it could stand unknown, the looks since, and what is known of it."""
    names, n = frame["panel"].to_numpy(object), len(frame)
    row_of = pd.Index(names)
    zones = evidence.zones_of((ask.group,))
    # What each panel was known to be like last: new, repaired, or with this damage found.
    since = np.full(n, np.datetime64("1900-01-01", "D"))
    shift, begin = np.zeros(n), np.zeros(n)
    last_repair = with_virtual_ages(ends.loc[ends["panel"].isin(names)], evidence.ages(clock))
    last_repair = last_repair.drop_duplicates("panel", keep="last").dropna(subset=["virtual", "age_at"])
    at = row_of.get_indexer(last_repair["panel"])
    since[at] = last_repair["repaired_on"].to_numpy().astype("datetime64[D]")
    begin[at] = last_repair["virtual"].to_numpy(np.float64)
    shift[at] = begin[at] - last_repair["age_at"].to_numpy(np.float64)
    damage = evidence.fleet.damage
    finds = damage.loc[
        (damage["kind"] == seen) & damage["panel"].isin(names), ["finding", "panel", "found_on"]
    ]
    track = evidence.regions.set_index("finding")["track"]
    owner = finds["finding"].map(track[~track.index.duplicated()])
    finds = finds.assign(track=owner.astype(object).where(owner.notna(), "finding " + finds["finding"]))
    first = finds.groupby("track", sort=False).agg(panel=("panel", "first"), found_on=("found_on", "min"))
    first = first.groupby("panel")["found_on"].max()
    later = row_of.get_indexer(first.index)
    found_on = first.to_numpy().astype("datetime64[D]")
    newer = found_on > since[later]
    later, found_on = later[newer], found_on[newer]
    if later.size:
        ages, _ = age_on(names[later], found_on, clock)
        since[later], begin[later] = found_on, ages + shift[later]
    looks = evidence.all_looks(seen, ask.basis)
    looks = looks.loc[looks["zone"].isin(zones) & looks["panel"].isin(names), ["panel", "looked_on"]]
    looks = looks.drop_duplicates()
    row = row_of.get_indexer(looks["panel"])
    day = looks["looked_on"].to_numpy().astype("datetime64[D]")
    keep = day > since[row]
    row, day = row[keep], day[keep]
    age = age_on(names[row], day, clock)[0] + shift[row] if row.size else np.empty(0)
    keep = np.isfinite(age)
    row, age = row[keep], age[keep]
    order = np.lexsort((age, row))
    row, age = row[order], age[order]
    number = np.bincount(row, minlength=n)
    table = np.full((n, max(int(number.max(initial=0)), 1)), np.nan)
    table[row, np.arange(row.size) - np.repeat(np.cumsum(number) - number, number)] = age
    some = standing.loc[(standing["kind"] == seen) & standing["panel"].isin(names)]
    some = some.sort_values("diameter_mm", kind="stable").drop_duplicates("panel", keep="last")
    known_mm, known_since = np.full(n, np.nan), np.full(n, np.nan)
    if len(some):
        at = row_of.get_indexer(some["panel"])
        known_mm[at] = some["diameter_mm"].to_numpy(np.float64)
        mapped, _ = age_on(names[at], some["found_on"].to_numpy(), clock)
        known_since[at] = np.maximum(now[at] - mapped, 0.0)
    return PanelLives(
        kind=kind,
        clock=clock,
        start=np.minimum(begin, now + shift),
        now=now + shift,
        looks=table,
        known_mm=known_mm,
        known_since=known_since,
    )
