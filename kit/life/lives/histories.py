"""What periodic looks say of each life: entry, last clean age, first found age.

A life is one panel from new or renewed until it is removed, renewed or cut off. Damage
that was there when a look was clean does not exist here; what imperfect looks may have
missed is the business of the fit, so every history keeps the ages of all its looks.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from kit.findings import (
    CLOCKS,
    KINDS,
    TAP_METHODS,
    Fleet,
    PanelAges,
    build_looks,
    clean_methods,
    looks_read_for,
    methods_seeing,
    need_fleet,
    record_starts,
)
from kit.numerics.refusals import need

AFTER_REPAIR = " after repair "
"""Between the panel and the number of the repair, in the name of the life that follows it."""

PREVALENT = ("left_out", "bounded")
"""What becomes of panels that are damaged at their first recorded look, with no earlier record."""

_EVENT = ["life", "age", "date", "kind", "entry", "cluster", "finding"]


@dataclass(frozen=True, eq=False)
class Histories:
    """Lives, interval-censored, right-censored and left-truncated: clean until one age, found by another.

    Parameters
    ----------
    life : ndarray of object, shape (n,)
        Name of each life.
    entry : ndarray of float, shape (n,)
        Age at which the life comes under watch; it counts only because it was clean then [clock units].
    lower : ndarray of float, shape (n,)
        Age at the last clean look before the first find, or at the last look [clock units].
    upper : ndarray of float, shape (n,)
        Age at the first find; infinite if never found [clock units].
    count : ndarray of float, shape (n,)
        Number of lives that a row stands for [-].
    cluster : ndarray of object, shape (n,) or None
        Name of the cluster, usually the aircraft; lives of one cluster are not independent.
    look_age : ndarray of float, shape (n_looks,)
        Ages of the looks of all lives, one life after the other, up to the first find [clock units].
    look_start : ndarray of int, shape (n + 1,)
        Where the looks of each life begin in `look_age`.
    clock : str
        Clock of the ages.
    excluded : DataFrame
        Lives left out: columns life and reason.
    kind : str
        Kind of damage, empty where it was not said.
    look_method : ndarray of object, shape (n_looks,) or None
        Method of each look, where it was said.
    """

    life: NDArray[np.object_]
    entry: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    count: NDArray[np.float64]
    cluster: NDArray[np.object_] | None
    look_age: NDArray[np.float64]
    look_start: NDArray[np.int64]
    clock: str = "age"
    excluded: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame({"life": [], "reason": []}, dtype=object)
    )
    kind: str = ""
    look_method: NDArray[np.object_] | None = None

    def __len__(self) -> int:
        """Return the number of rows."""
        return self.lower.size

    def __repr__(self) -> str:
        """Return one line with the counts."""
        return (
            f"Histories(kind={self.kind!r}, clock={self.clock!r}, lives={self.n_lives:g}, "
            f"finds={self.n_finds:g}, excluded={len(self.excluded)})"
        )

    @property
    def n_lives(self) -> float:
        """Lives, counted with their count [-]."""
        return float(self.count.sum())

    @property
    def n_finds(self) -> float:
        """Lives with a find, counted with their count [-]."""
        return float(self.count[np.isfinite(self.upper)].sum())

    @property
    def excluded_by_reason(self) -> pd.Series:
        """Number of lives left out, by reason."""
        return self.excluded.groupby("reason", sort=True).size().rename("lives")

    def to_frame(self) -> pd.DataFrame:
        """Return the rows as a table.

        Returns
        -------
        DataFrame
            Columns life, entry, lower, upper, count, cluster, n_looks; ages in clock units.
        """
        return pd.DataFrame(
            {
                "life": self.life,
                "entry": self.entry,
                "lower": self.lower,
                "upper": self.upper,
                "count": self.count,
                "cluster": self.cluster if self.cluster is not None else self.life,
                "n_looks": np.diff(self.look_start),
            }
        )

    def take(self, rows: ArrayLike, *, count: ArrayLike | None = None) -> Histories:
        """Return some of the lives, with their looks.

        Parameters
        ----------
        rows : array_like of int
            Rows of the lives, in the order wanted.
        count : array_like of float, optional
            Number of lives that each stands for. Default: as it was.

        Returns
        -------
        Histories
            These lives.
        """
        at = np.asarray(rows, dtype=np.int64)
        lengths = np.diff(self.look_start)[at]
        start = np.r_[0, np.cumsum(lengths)].astype(np.int64)
        look = np.arange(start[-1]) - np.repeat(start[:-1], lengths) + np.repeat(self.look_start[at], lengths)
        return dataclasses.replace(
            self,
            life=self.life[at],
            entry=self.entry[at],
            lower=self.lower[at],
            upper=self.upper[at],
            count=self.count[at] if count is None else np.asarray(count, np.float64),
            cluster=None if self.cluster is None else self.cluster[at],
            look_age=self.look_age[look],
            look_start=start,
            look_method=None if self.look_method is None else self.look_method[look],
        )

    @classmethod
    def from_looks(
        cls,
        frame: pd.DataFrame,
        *,
        clock: str = "age",
        kind: str = "",
        excluded: pd.DataFrame | None = None,
    ) -> Histories:
        """Build histories from looks.

        Parameters
        ----------
        frame : DataFrame
            One row a look: columns ``life``, ``age`` [clock units], ``found`` (bool). Optional:
            ``entry``, ``cluster``, ``count``, the same for all looks of a life, and ``method``, the
            method of each look. Looks at or before the entry age are those that the life had to pass to come under watch. Looks after the
            first find say nothing of the onset and are not used.
        clock : str
            Name of the clock of ``age``.
        kind : str
            Kind of damage.
        excluded : DataFrame, optional
            Lives already left out (life, reason), to be counted with those left out here.

        Returns
        -------
        Histories
            One row a life, in the order of the life names.

        Raises
        ------
        ValueError
            If a column is missing, an age is negative or not finite, or a value that belongs to the
            life differs between its looks.

        Notes
        -----
        A life found at the first look after an entry with no look at the entry itself has its
        onset in (entry, age]. A life already found at or before its entry age is prevalent: it is
        left out and counted.

        Examples
        --------
        >>> looks = pd.DataFrame({"life": ["a", "a", "b"], "age": [400.0, 800.0, 500.0],
        ...                       "found": [False, True, False]})
        >>> Histories.from_looks(looks).to_frame()[["life", "lower", "upper"]]
          life  lower  upper
        0    a  400.0  800.0
        1    b  500.0    inf
        """
        need(
            "frame",
            frame,
            pd.DataFrame,
            "a table of looks",
            "Make a DataFrame with one row a look: life, age, found.",
        )
        missing = [name for name in ("life", "age", "found") if name not in frame.columns]
        if missing:
            raise ValueError(
                f"`frame` must have the columns life, age and found. Got {list(frame.columns)!r}: "
                f"{', '.join(missing)} missing. Rename the columns of the looks."
            )
        age = frame["age"].to_numpy(np.float64)
        bad = np.flatnonzero(~(np.isfinite(age) & (age >= 0)))
        if bad.size:
            raise ValueError(
                f"`age` must be finite and at least 0: {bad.size} of {age.size} looks are not, first row "
                f"{bad[0]} (life={frame['life'].iloc[bad[0]]!r}, age={age[bad[0]]:g}). Drop looks at unknown ages, "
                "or give the panel an age."
            )
        left_out = [] if excluded is None else [excluded[["life", "reason"]].astype(object)]
        code, names = pd.factorize(frame["life"], sort=True)
        if (code < 0).any():
            raise ValueError(
                "`life` must name a life in every row. Got a blank. Fill it in, or drop the look."
            )
        said = frame["found"].isin([True, False])
        if not said.all():
            row = int(np.argmin(said))
            raise ValueError(
                f"`found` must be true or false for every look. Got {frame['found'].iloc[row]!r} in row {row} "
                f"(life={frame['life'].iloc[row]!r}). Say of each look whether it found damage."
            )
        found = frame["found"].to_numpy(bool)
        # A clean and a finding look at one age: the find counts, so it is sorted first.
        order = np.lexsort((~found, age, code))
        code, age, found = code[order], age[order], found[order]
        n = len(names)
        entry = _of_life(frame, "entry", code, order, n, 0.0)
        count = _of_life(frame, "count", code, order, n, 1.0)
        for name, values, floor in (("entry", entry, 0.0), ("count", count, np.finfo(float).tiny)):
            wrong = np.flatnonzero(~(np.isfinite(values) & (values >= floor)))
            if wrong.size:
                raise ValueError(
                    f"`{name}` must be finite and {'at least 0' if name == 'entry' else 'above 0'}. "
                    f"Got {values[wrong[0]]:g} for life {names[wrong[0]]!r}. Correct it, or leave the life out."
                )
        cluster = None
        if "cluster" in frame.columns:
            cluster = np.empty(n, object)
            cluster[code[::-1]] = frame["cluster"].to_numpy(object)[order][::-1]

        position = np.arange(age.size)
        start = np.searchsorted(code, np.arange(n + 1))
        first_find = np.minimum.reduceat(np.where(found, position, age.size), start[:-1]) if n else start[:0]
        has_find = first_find < age.size
        end = np.where(has_find, first_find, start[1:] - 1)  # last look that is used
        upper = np.where(has_find, age[np.minimum(first_find, age.size - 1)], np.inf) if n else np.empty(0)
        prevalent = has_find & (upper <= entry) & ((entry > 0) | (upper == 0))
        # The last clean look: the look before the find unless that is another life's.
        before = end - 1
        lower = np.where(
            has_find,
            np.where(before >= start[:-1], age[np.maximum(before, 0)], 0.0),
            age[np.maximum(end, 0)],
        )
        lower = np.maximum(lower, entry)
        no_watch = ~has_find & (lower <= entry)  # clean, and never seen after its entry: nothing known
        keep = ~prevalent & ~no_watch
        for mask, reason in (
            (prevalent, "already damaged at its first recorded look (prevalent)"),
            (no_watch, "no look after it came under watch"),
        ):
            if mask.any():
                left_out.append(
                    pd.DataFrame({"life": np.asarray(names)[mask], "reason": reason}, dtype=object)
                )
        used = (position <= end[code]) & keep[code]
        lengths = np.bincount(code[used], minlength=n)[keep]
        return cls(
            np.asarray(names, dtype=object)[keep],
            entry[keep],
            lower[keep],
            upper[keep],
            count[keep],
            None if cluster is None else cluster[keep],
            age[used],
            np.r_[0, np.cumsum(lengths)].astype(np.int64),
            clock,
            pd.concat(left_out, ignore_index=True)
            if left_out
            else pd.DataFrame({"life": [], "reason": []}, dtype=object),
            kind,
            frame["method"].to_numpy(object)[order][used] if "method" in frame.columns else None,
        )


def _of_life(
    frame: pd.DataFrame,
    column: str,
    code: NDArray[np.int64],
    order: NDArray[np.int64],
    n: int,
    default: float,
) -> NDArray[np.float64]:
    """Value of a column that is the same for all looks of a life."""
    if column not in frame.columns:
        return np.full(n, default)
    values = frame[column].to_numpy(np.float64)[order]
    out = np.empty(n)
    out[code] = values
    differs = np.flatnonzero(out[code] != values)
    if differs.size:
        raise ValueError(
            f"`{column}` must be the same for all looks of a life. Got {values[differs[0]]:g} and "
            f"{out[code[differs[0]]]:g} for one life ({frame['life'].iloc[order[differs[0]]]!r}). Correct one of them."
        )
    return out


def build_histories(
    fleet: Fleet,
    *,
    kind: str = "disbond",
    clock: str = "flight_hours",
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    methods: Sequence[str] | None = None,
    include_repaired: bool = False,
    prevalent: str = "left_out",
) -> Histories:
    """Build the histories of one kind of damage from a fleet.

    A panel is followed by its serial across zones and aircraft. Its life begins new, at age 0,
    or comes under watch later, at its first recorded clean look. A repair or the cut-off ends the watch at the last
    clean look before it; a find of another kind ends it too, by a look that was clean of this one.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    kind : str
        Kind of damage whose onset is wanted.
    clock : str
        ``flight_hours``, ``flight_cycles`` or ``calendar_days``.
    zones : sequence of str, optional
        Labels of the zones; default all. A panel counts while fitted at one of them.
    basis : sequence of str
        Which looks count: ``recorded``, ``implied``.
    methods : sequence of str, optional
        Methods whose clean result counts; by default those that `kit.findings.clean_methods` gives for the kind:
        tapping, or where it is blind to the kind those that see it. Finds by any method close an interval
        at their own age.
    include_repaired : bool
        Whether a panel's life after a repair enters, at the virtual age (restoration factor times
        the virtual age that it had), as a further life.
    prevalent : str
        What becomes of panels whose record begins late. ``left_out``: they come under watch at their first recorded clean
        look, and those damaged at that look are left out. ``bounded``: they are followed from new, the first look on record being
        the first that was made; damage found there began between new and then.

    Returns
    -------
    Histories
        One row a life, with the aircraft as cluster, and the lives left out with their reasons.

    Raises
    ------
    ValueError
        If `clock`, `kind` or `prevalent` is unknown, a zone is not in the dataset, or all methods are blind to the kind.

    Notes
    -----
    A look by a method that is blind to the kind is no look at all: a tap does not tell whether there is water in the
    core. Water that was found ends the watch of no other kind, as the bond over it was still sound.

    ``bounded`` holds where nothing was looked at before the records, such as where a programme began late. If earlier looks
    took damage off, the panels that are left do better than all, and the share comes out too low: to the unsafe side.

    Left out and counted: panels of unknown age; panels already damaged at their first recorded look
    with no earlier record, unless they are bounded; panels without a tap test while watched; lives after a repair unless they
    were asked for.
    """
    need_fleet(fleet)
    if clock not in CLOCKS:
        raise ValueError(f"`clock` must be one of {', '.join(CLOCKS)}. Got {clock!r} instead.")
    if kind not in KINDS:
        raise ValueError(f"`kind` must be one of {', '.join(KINDS)}. Got {kind!r} instead.")
    all_zones = fleet.tables["zones"]["zone"]
    wanted = list(all_zones) if zones is None else list(zones)
    unknown = sorted(set(wanted) - set(all_zones))
    if unknown:
        raise ValueError(
            f"`zones` must name zones of the dataset. Got {', '.join(unknown)}. "
            f"Known are {', '.join(sorted(all_zones))}."
        )
    looks, excluded = panel_looks(
        fleet,
        zones=wanted,
        basis=basis,
        methods=methods,
        clock=clock,
        kind=kind,
        include_repaired=include_repaired,
        prevalent=prevalent,
    )
    return histories_of_kind(looks, excluded, kind=kind, clock=clock)


def methods_that_see(kind: str, methods: Sequence[str] | None) -> tuple[str, ...]:
    """Return the methods whose clean looks count for a kind of damage.

    Parameters
    ----------
    kind : str
        Kind of damage; blank: any.
    methods : sequence of str or None
        Methods asked for; None: those of the kind, or tapping.

    Returns
    -------
    tuple of str
        Those of them that can see the kind.

    Raises
    ------
    ValueError
        If all that were asked for are blind to the kind.
    """
    if methods is None:
        return clean_methods(kind) if kind else TAP_METHODS
    seeing = tuple(method for method in methods if not kind or method in methods_seeing(kind))
    if methods and not seeing:
        raise ValueError(
            f"`methods` must hold one that sees {kind}. Got {', '.join(methods)}, blind to it; "
            f"give some of {', '.join(methods_seeing(kind))}."
        )
    return seeing


def panel_looks(
    fleet: Fleet,
    *,
    zones: Sequence[str],
    clock: str,
    basis: Sequence[str] = ("recorded", "implied"),
    methods: Sequence[str] | None = None,
    kind: str = "",
    include_repaired: bool = False,
    prevalent: str = "left_out",
    all_looks: pd.DataFrame | None = None,
    ages: PanelAges | None = None,
    ends: pd.DataFrame | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all looks and finds of the panels at some zones, with ages.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    zones : sequence of str
        Labels of the zones.
    clock : str
        Clock of the ages.
    basis : sequence of str
        Which looks count: ``recorded``, ``implied``.
    methods : sequence of str, optional
        Methods whose clean result counts; by default those of the kind, or tapping.
    kind : str
        Kind of damage that is wanted: looks by methods that are blind to it are left out, and so is water that was
        found unless it is the kind. Blank: all.
    include_repaired : bool
        Whether lives after a repair enter, at their virtual age.
    prevalent : str
        As for `build_histories`.
    all_looks : DataFrame, optional
        What `kit.findings.build_looks` gave for the same basis and methods, so that it is not built again.
    ages : PanelAges, optional
        Ages of the fleet's panels on the clock, likewise.
    ends : DataFrame, optional
        What `repairs_that_end_lives` gave, likewise.

    Returns
    -------
    looks : DataFrame
        Columns life, age [clock units], date, kind (blank: a clean look), entry [clock units], cluster,
        finding (blank: a clean look), method.
    excluded : DataFrame
        Panels left out: life and reason.
    """
    need_fleet(fleet)
    if prevalent not in PREVALENT:
        raise ValueError(f"`prevalent` must be {' or '.join(PREVALENT)}. Got {prevalent!r}.")
    methods = methods_that_see(kind, methods)
    looks = build_looks(fleet, methods=methods, basis=basis) if all_looks is None else all_looks
    looks = looks_read_for(fleet, looks, kind)
    counts = looks["method"].isin(methods) & ~looks["found"] & looks["zone"].isin(zones)
    clean = looks.loc[counts, ["panel", "aircraft", "looked_on", "method"]]
    clean = clean.rename(columns={"looked_on": "date"}).assign(kind="")
    real = fleet.damage
    if kind not in ("", "moisture"):
        real = real.loc[real["kind"] != "moisture"]
    finds = real.loc[real["zone"].isin(zones), ["panel", "aircraft", "found_on", "kind", "finding", "method"]]
    finds = finds.rename(columns={"found_on": "date"})
    events = pd.concat([clean.assign(finding=""), finds], ignore_index=True)
    events = events.loc[events["panel"] != ""]

    fittings = fleet.tables["panels"]
    panels = pd.Index(sorted(fittings.loc[fittings["zone"].isin(zones), "panel"].unique()))
    ages = PanelAges(fleet, clock) if ages is None else ages
    events["age"] = ages.at(events["panel"].to_numpy(object), events["date"].to_numpy())
    starts = record_starts(fleet).reindex(panels)
    left_out: list[pd.DataFrame] = []

    def leave_out(names: pd.Index, reason: str) -> None:
        if len(names):
            left_out.append(pd.DataFrame({"life": names, "reason": reason}, dtype=object))

    by_tap = set(methods) <= set(TAP_METHODS)
    no_look = "no look in the records" if by_tap else f"no look in the records by a method that sees {kind}"
    unknown_age = pd.Index(sorted(events.loc[events["age"].isna(), "panel"].unique()))
    leave_out(unknown_age, "age of the panel unknown")
    events = events.loc[~events["panel"].isin(unknown_age)]
    leave_out(panels.difference(events["panel"].unique()).difference(unknown_age), no_look)

    # A panel whose records start after it was new comes under watch at its first recorded clean look.
    events = events.sort_values(["panel", "date", "kind"], kind="stable")
    first_fitted = fittings.groupby("panel")["fitted_on"].min()
    age_at_start = pd.Series(
        ages.at(panels.to_numpy(object), starts.to_numpy()), index=panels, dtype=np.float64
    )
    late = (starts > first_fitted.reindex(panels)) | (age_at_start > 0)
    if prevalent == "bounded":
        late &= False
    first_clean = events.loc[events["kind"] == ""].groupby("panel")["age"].min()
    entry = first_clean.reindex(panels).where(late, 0.0)
    first_find = events.loc[events["kind"] != ""].groupby("panel")["age"].min().reindex(panels)
    is_prevalent = late & first_find.notna() & ~(entry < first_find)
    leave_out(is_prevalent[is_prevalent].index, "already damaged at its first recorded look (prevalent)")
    never_clean = late & entry.isna() & first_find.isna() & ~panels.isin(unknown_age)
    events = events.loc[
        ~events["panel"].isin(is_prevalent[is_prevalent].index.union(never_clean[never_clean].index))
    ]
    events = events.assign(life=events["panel"], entry=events["panel"].map(entry), cluster=events["aircraft"])

    # A repair ends a life, at whichever zone it was made; what follows is another one at its virtual age.
    ends = repairs_that_end_lives(fleet) if ends is None else ends
    ends = ends.loc[
        ends["panel"].isin(events["panel"]), ["panel", "repaired_on", "restoration_factor", "number"]
    ]
    if len(ends) and len(events):
        events, more = _split_at_repairs(events, ends, ages, include_repaired)
        left_out += more
    cluster = events.groupby("life")["cluster"].first()
    events = events.assign(cluster=events["life"].map(cluster))
    excluded = (
        pd.concat(left_out, ignore_index=True)
        if left_out
        else pd.DataFrame({"life": [], "reason": []}, dtype=object)
    )
    return events[[*_EVENT, "method"]], excluded


def looks_with_entries(
    histories: Histories,
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.object_] | None, NDArray[np.int64]]:
    """Return all looks, with one at its entry for each life that came under watch late.

    Parameters
    ----------
    histories : Histories
        With the ages of all looks.

    Returns
    -------
    age : ndarray of float, shape (n_looks,)
        Ages, life by life, rising; of two looks of a life at one age both stay [clock units].
    life : ndarray of int, shape (n_looks,)
        Row of the life of each.
    method : ndarray of object, shape (n_looks,) or None
        Method of each; blank for a look at an entry that is not on record.
    start : ndarray of int, shape (n_lives + 1,)
        Where the looks of each life begin.
    """
    n = len(histories)
    age, life = histories.look_age, np.repeat(np.arange(n), np.diff(histories.look_start))
    # Every life that entered late passed a look at its entry, recorded or not.
    passed = np.zeros(n, bool)
    passed[life[age == histories.entry[life]]] = True
    more = np.flatnonzero((histories.entry > 0) & ~passed)
    age, life = np.r_[age, histories.entry[more]], np.r_[life, more]
    order = np.lexsort((age, life))
    method = histories.look_method
    if method is not None:
        method = np.r_[method, np.full(more.size, "", dtype=object)][order]
    return age[order], life[order], method, np.searchsorted(life[order], np.arange(n + 1))


def repairs_that_end_lives(fleet: Fleet) -> pd.DataFrame:
    """Return the repairs after which another life of the panel begins.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.

    Returns
    -------
    DataFrame
        The repairs of real damage with a restoration factor below 1, by panel and date, with panel and
        number, which counts each panel's repairs from 1.
    """
    real = fleet.damage[["finding", "panel"]]
    ends = fleet.tables["repairs"].merge(real, on="finding")
    ends = ends.loc[ends["restoration_factor"] < 1].sort_values(["panel", "repaired_on"], kind="stable")
    return ends.assign(number=ends.groupby("panel").cumcount().to_numpy() + 1)


def with_virtual_ages(ends: pd.DataFrame, ages: PanelAges) -> pd.DataFrame:
    """Add the age that each repair left its panel with.

    Parameters
    ----------
    ends : DataFrame
        As `repairs_that_end_lives` gives it.
    ages : PanelAges
        Ages of the panels on a clock.

    Returns
    -------
    DataFrame
        With age_at, the age of the panel at the repair, and virtual, the age from which the next life goes on
        [clock units].
    """
    number = ends["number"].to_numpy()
    age_at = ages.at(ends["panel"].to_numpy(object), ends["repaired_on"].to_numpy())
    # Rows of one panel stand together, by date: each repair starts from the virtual age that the last one left.
    factor, virtual = ends["restoration_factor"].to_numpy(np.float64), np.zeros(len(ends))
    for n in range(1, (number.max() if number.size else 0) + 1):
        rows = np.flatnonzero(number == n)
        before = virtual[rows - 1] - age_at[rows - 1] if n > 1 else 0.0
        virtual[rows] = factor[rows] * (age_at[rows] + before)
    return ends.assign(age_at=age_at, virtual=virtual)


def _split_at_repairs(
    events: pd.DataFrame, ends: pd.DataFrame, ages: PanelAges, include_repaired: bool
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Give what follows a repair a life of its own, or leave it out and count it."""
    by_date = events.reset_index(drop=True).reset_index(names="order").sort_values("date", kind="stable")
    # The last repair strictly before each event: the find that was repaired that day belongs to the old life.
    numbered = with_virtual_ages(ends, ages)
    numbered = numbered.sort_values("repaired_on", kind="stable")
    matched = pd.merge_asof(
        by_date,
        numbered.rename(columns={"repaired_on": "date"}),
        on="date",
        by="panel",
        allow_exact_matches=False,
    ).sort_values("order", kind="stable")
    after = matched["number"].notna()
    first = matched.loc[~after]
    later = matched.loc[after]
    if not len(later):
        return first[events.columns], []
    number = later["number"].astype(int)
    later = later.assign(life=later["panel"] + AFTER_REPAIR + number.astype(str))
    if not include_repaired:
        names = pd.Index(later["life"].unique())
        return first[events.columns], [
            pd.DataFrame({"life": names, "reason": "life after a repair, not asked for"}, dtype=object)
        ]
    later = later.assign(age=later["virtual"] + (later["age"] - later["age_at"]), entry=later["virtual"])
    return pd.concat([first, later], ignore_index=True)[events.columns], []


def histories_of_kind(looks: pd.DataFrame, excluded: pd.DataFrame, *, kind: str, clock: str) -> Histories:
    """Build the histories of one kind from the looks of `panel_looks`.

    Parameters
    ----------
    looks : DataFrame
        As `panel_looks` returns them.
    excluded : DataFrame
        Panels left out already: life and reason.
    kind : str
        Kind of damage whose onset is wanted.
    clock : str
        Clock of the ages.

    Returns
    -------
    Histories
        A find of another kind ends the watch; water ends no watch. The look that made it counts as clean where
        its method can see the wanted kind and did not find that too.

    Notes
    -----
    Leaving that look out would make the share with damage 15 to 17 % too high, since lives then end earlier where
    another kind is found; counted, it is right to 1 % (tests/life/test_build_histories.py, four seeds).
    """
    if kind != "moisture":
        looks = looks.loc[looks["kind"] != "moisture"]
    is_other = (looks["kind"] != "") & (looks["kind"] != kind)
    cut = looks["life"].map(looks.loc[is_other].groupby("life")["age"].min())
    cut = cut.astype(np.float64)  # text where there are no looks at all
    at = pd.MultiIndex.from_frame(looks[["life", "age"]])
    own_too = at.isin(at[(looks["kind"] == kind).to_numpy()])
    ended = is_other & (looks["age"] == cut) & looks["method"].isin(clean_methods(kind)) & ~own_too
    once = ended & ~looks.assign(ended=ended).duplicated(["life", "ended"])
    kept = looks.loc[
        ((looks["kind"] == kind) & ~(looks["age"] > cut))
        | ((looks["kind"] == "") & ~(looks["age"] >= cut))
        | once
    ]
    lost = pd.Index(looks["life"].unique()).difference(kept["life"].unique())
    more = pd.DataFrame(
        {"life": lost, "reason": "another kind of damage was found at its first look"}, dtype=object
    )
    frame = kept.assign(found=kept["kind"] == kind)
    return Histories.from_looks(
        frame[["life", "age", "found", "entry", "cluster", "method"]],
        clock=clock,
        kind=kind,
        excluded=pd.concat([excluded, more], ignore_index=True) if len(more) else excluded,
    )


def check_rows(
    lower: ArrayLike,
    upper: ArrayLike,
    entry: ArrayLike | None = None,
    count: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], ...]:
    """Check rows of known ages and return them as arrays.

    Parameters
    ----------
    lower, upper : array_like of float, shape (n,)
        Clean at `lower`, found at `upper`; infinite `upper`: never found; equal: onset known exactly
        [clock units].
    entry : array_like of float, shape (n,), optional
        Age at which each life came under watch [clock units]. Default 0.
    count : array_like of float, shape (n,), optional
        Number of lives that each row stands for. Default 1.

    Returns
    -------
    entry, lower, upper, count : ndarray of float, shape (n,)
        The rows.

    Raises
    ------
    ValueError
        If a row does not have 0 <= entry <= lower <= upper, or a count is not positive.
    """
    low, up = (np.atleast_1d(np.asarray(x, np.float64)) for x in (lower, upper))
    if low.ndim != 1 or low.shape != up.shape:
        raise ValueError(f"`lower` and `upper` must be of one length. Got shapes {low.shape} and {up.shape}.")
    start = np.zeros_like(low) if entry is None else np.broadcast_to(np.asarray(entry, np.float64), low.shape)
    number = np.ones_like(low) if count is None else np.broadcast_to(np.asarray(count, np.float64), low.shape)
    good = (start >= 0) & (start <= low) & (low <= up) & (low < np.inf) & (up > 0)
    if not good.all():
        row = int(np.argmin(good))
        raise ValueError(
            f"Each row must have 0 <= entry <= lower <= upper, finite but for `upper`: {int((~good).sum())} of "
            f"{low.size} rows do not, first row {row} (entry={start[row]:g}, lower={low[row]:g}, upper={up[row]:g}). "
            "Check the order of the inspection dates and the unit of the ages."
        )
    positive = (number > 0) & (number < np.inf)
    if not positive.all():
        row = int(np.argmin(positive))
        raise ValueError(
            f"`count` must be above 0 in every row. Got {number[row]:g} in row {row}. Drop rows of no life."
        )
    return start, low, up, number
