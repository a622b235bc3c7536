"""What stands on the sheet of a panel: gathered from the fleet, nothing judged anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from kit.cautions import CAUTIONS
from kit.findings import KINDS, PLACES, TAP_METHODS, Fleet
from kit.intervals import Evidence, QuestionError, tasks_due
from kit.numerics.typing import Floats
from kit.numerics.words import percent
from kit.regions import (
    TIER_WORDS,
    damage_place,
    equivalent_diameter,
    limits_in_force,
    standing_regions,
    tier_panels,
)
from kit.tap_sheets.taps import tap_lattice, tap_pitch

ASPECT = 2.0
"""Length over width of damage that the grid is made for, where nothing else is said (assumed, no source) [-]."""
CHANCE = 0.9
"""Chance that a tap lands on damage of the wanted size, where nothing else is said (common practice, no source) [-]."""


@dataclass(frozen=True, eq=False, kw_only=True)
class TapSheet:
    """What the tap-test sheet of one panel says.

    Parameters
    ----------
    panel, aircraft, zone, group, side : str
        Which panel, and where it is fitted.
    outline, fastener_rows : Polygon, MultiLineString or None
        The panel in its own coordinates [mm].
    edge_band_mm : float
        Width of the band along the edge; nan without one [mm].
    n_faces : int or None
        Faces that can be reached.
    method : str
        Method of the look.
    tasks : tuple of str
        Tasks that ask for it.
    pitch_mm, size_mm, aspect, chance : float
        The grid, and the damage that it is made for.
    bounds, size_basis : str
        What the wanted size is, and where it is from.
    taps : ndarray, shape (n, 2)
        Places of the taps [mm].
    damage : DataFrame
        Earlier damage: mark, finding, kind, geometry (None where it was not mapped), diameter_mm, found_on (last mapped),
        stands (it was not repaired), place.
    repairs : DataFrame
        Repairs: mark, repair, finding, repaired_on, repair_class, repair_method, geometry (None where unknown).
    limits : DataFrame
        Limits in force: place, kind, limit, revision, bounds and the clauses.
    judged : str
        The panel as a whole against its limits on the records, in words.
    order : str
        Why it stands where it does among the sheets, in words.
    dataset, notice, known_on, cut_off : str
        Of the data.
    """

    panel: str
    aircraft: str
    zone: str
    group: str
    side: str
    outline: shapely.Polygon
    fastener_rows: shapely.Geometry | None
    edge_band_mm: float
    n_faces: int | None
    method: str
    tasks: tuple[str, ...]
    pitch_mm: float
    size_mm: float
    aspect: float
    chance: float
    bounds: str
    size_basis: str
    taps: Floats
    damage: pd.DataFrame
    repairs: pd.DataFrame
    limits: pd.DataFrame
    judged: str
    order: str
    dataset: str
    notice: str
    known_on: str
    cut_off: str

    def __repr__(self) -> str:
        """Return one line."""
        return (
            f"TapSheet({self.panel} on {self.aircraft} {self.zone}: {len(self.taps):,} taps at {self.pitch_mm:g} mm, "
            f"{len(self.damage)} earlier damages, {len(self.repairs)} repairs)"
        )

    def is_drawn(self, shape: shapely.Geometry | None) -> bool:
        """Tell whether a region lies on the panel, at least in part.

        Parameters
        ----------
        shape : Polygon or MultiPolygon or None
            The region [mm].

        Returns
        -------
        bool
            Only such are in the drawing.
        """
        return shape is not None and bool(shapely.intersects(shape, self.outline))

    @property
    def method_lines(self) -> tuple[str, ...]:
        """How to look, and what the look does not show, in sentences."""
        what = "longest extent" if self.bounds == "longest_extent" else "equivalent diameter"
        faces = {
            1: "One face can be reached: damage on the far side can pass.",
            2: "Both faces can be reached: tap each, and keep a copy of this sheet for each.",
        }.get(self.n_faces, "How many faces can be reached is not on record: say which was tapped.")
        return (
            f"Method: {self.method.replace('_', ' ')}"
            + (
                f", asked by {', '.join(self.tasks)}."
                if self.tasks
                else "; no task in force asks for it here."
            ),
            f"Square grid of {self.pitch_mm:g} mm, {len(self.taps):,} taps. Made for damage of {self.size_mm:g} mm ({what}; "
            f"{self.size_basis}), {self.aspect:g} times as long as wide at any angle: a tap lands on it with a chance of "
            f"{self.chance:.0%}. That it then sounds dull is another chance (POD), so the look as a whole finds it less often.",
            "Smaller or narrower damage can lie between the taps.",
            "Tap along the edge and along each row of fasteners too, no wider than the pitch: the grid leaves a strip there.",
            "Round every known damage and repair tap outwards until the sound is clear on all sides; draw the new outline.",
            faces,
            "Where a tap is dull, tap at half the pitch round it, mark the outline, measure it, and enter it on the front.",
        )

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know: what is particular to this panel first, then the standing list."""
        own = []
        lost = int(self.damage["geometry"].isna().sum()) if len(self.damage) else 0
        if lost:
            own.append(
                f"{lost} earlier damages of this panel have no outline on record and are not in the drawing: find and map them."
            )
        outside = sum(not self.is_drawn(shape) for shape in self.damage["geometry"] if shape is not None)
        if outside:
            own.append(
                f"{outside} earlier damages of this panel lie outside its outline on record and are not in the drawing: find them, "
                "and correct the records."
            )
        if not len(self.limits):
            own.append(
                "No damage limit for this panel is on record: take it from the approved data before anything is left as it is."
            )
        if not np.isfinite(self.edge_band_mm) and (self.limits["place"] == "edge_band").any():
            own.append(
                "A limit for the edge band is on record, but not the width of the band: take it from the approved data."
            )
        return (*own, *CAUTIONS)


def panel_sheets(
    fleet: Fleet | Evidence,
    panels: Sequence[str],
    *,
    size_mm: float | None = None,
    aspect: float = ASPECT,
    chance: float = CHANCE,
) -> list[TapSheet]:
    """Make the sheets of some panels, in their order.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    panels : sequence of str
        Serials of fitted panels.
    size_mm : float, optional
        Equivalent diameter of damage that is to be met; default the smallest allowable damage of the panel's limits [mm].
    aspect, chance : float
        Its length over width, and the chance that a tap lands on it [-].

    Returns
    -------
    list of TapSheet
        One a panel.

    Raises
    ------
    QuestionError
        If a panel is not fitted, or no size is known to make a grid for.
    """
    evidence = fleet if isinstance(fleet, Evidence) else Evidence(fleet)
    fitted = _fitted(evidence.fleet)
    unknown = [panel for panel in dict.fromkeys(panels) if panel not in fitted.index]
    if unknown:
        raise QuestionError(
            f"panel: {', '.join(map(repr, unknown))} is fitted on no aircraft on {evidence.fleet.cut_off:%Y-%m-%d}. Give serials of "
            f"the table panels without a removal, such as {', '.join(fitted.index[:3]) or 'none there'}."
        )
    due = tasks_due(evidence)
    return _made(
        evidence, list(dict.fromkeys(panels)), due, {}, size_mm=size_mm, aspect=aspect, chance=chance
    )


def check_sheets(
    fleet: Fleet | Evidence,
    aircraft: str,
    check: str,
    *,
    present: Sequence[pd.DataFrame] = (),
    size_mm: float | None = None,
    aspect: float = ASPECT,
    chance: float = CHANCE,
) -> tuple[list[TapSheet], tuple[str, ...]]:
    """Make the sheets of an aircraft's check, the panels to tap first on top.

    Parameters
    ----------
    fleet : Fleet or Evidence
        The findings.
    aircraft : str
        The aircraft.
    check : str
        A package of the dataset, or a task.
    present : sequence of DataFrame, optional
        What stands on the panels today, as `kit.programmes.PresentState.to_frame` gives it, of as many groups as were
        worked out: panels go by what a look takes away of the chance of unfound damage beyond the limit, after those for
        which it is not known. Without any they go by due date.
    size_mm, aspect, chance : float, optional
        As of `panel_sheets`.

    Returns
    -------
    sheets : list of TapSheet
        One a panel.
    left_out : tuple of str
        What of the check has no sheet, in words.

    Raises
    ------
    QuestionError
        If the aircraft or the check is not known, or it has no panel to tap.
    """
    evidence = fleet if isinstance(fleet, Evidence) else Evidence(fleet)
    fleet = evidence.fleet
    known = fleet.tables["aircraft"]["aircraft"]
    if aircraft not in set(known):
        raise QuestionError(
            f"aircraft: {aircraft!r} is not in the dataset. Known are {', '.join(sorted(known)[:40])}."
        )
    tasks = _tasks_of(fleet, check)
    due = tasks_due(evidence, aircraft=aircraft)
    due = due.loc[due["task"].isin(tasks)]
    tapped = due.loc[due["method"].isin(TAP_METHODS)]
    other = sorted(set(due.loc[~due["method"].isin(TAP_METHODS), "task"]))
    left_out = (f"{', '.join(other)}: not by tapping, so without a sheet",) if other else ()
    bare = _bare(fleet, aircraft, tasks)
    if bare:
        left_out = (
            *left_out,
            f"zones {', '.join(bare)}: no panel on record there, so without a sheet: tap what is fitted",
        )
    if not len(tapped):
        raise QuestionError(
            f"check: {check!r} asks for no tap test on {aircraft}. {'; '.join(left_out) or 'Give another check.'}"
        )
    first = tapped.drop_duplicates("panel")
    order = _order(first, present, fleet.cut_off)
    words = dict(zip(order["panel"], order["words"], strict=True))
    made = _made(evidence, list(words), tapped, words, size_mm=size_mm, aspect=aspect, chance=chance)
    return made, left_out


def _tasks_of(fleet: Fleet, check: str) -> list[str]:
    """Tasks that are done at a package: those whose repeat no larger package fits into; or the task of that name."""
    tasks, packages = fleet.tables["tasks"], fleet.packages
    if check in set(tasks["task"]):
        return [check]
    if check not in set(packages["name"]):
        raise QuestionError(
            f"check: {check!r} is neither a package nor a task. Known are {', '.join([*packages['name'], *sorted(tasks['task'])])}."
        )
    units = ["flight_hours", "flight_cycles", "days"]
    every = packages[units].to_numpy(float)
    out = []
    for row in tasks.to_dict("records"):
        asked = np.array([row[f"repeat_{unit}"] for unit in units], float)
        # A package is done before a task's repeat runs out where it is shorter on a clock that both have.
        fits = np.array(
            [np.isfinite(one + asked).any() and not (one > asked * (1 + 1e-9)).any() for one in every]
        )
        last = np.flatnonzero(fits)
        if (
            not last.size or packages["name"].iloc[last[-1]] == check
        ):  # what fits none is left out of no check
            out.append(row["task"])
    return out


def _bare(fleet: Fleet, aircraft: str, tasks: list[str]) -> list[str]:
    """Zones of the check that the aircraft has and where no panel is on record."""
    rows = fleet.tables["aircraft"]
    subtype = rows.loc[rows["aircraft"] == aircraft, "subtype"].iloc[0]
    has = fleet.zone_subtypes.loc[fleet.zone_subtypes["subtype"] == subtype, "zone"]
    asked = fleet.task_zones.loc[fleet.task_zones["task"].isin(tasks), "zone"]
    fitted = _fitted(fleet)
    return sorted(set(asked) & set(has) - set(fitted.loc[fitted["aircraft"] == aircraft, "zone"]))


def _fitted(fleet: Fleet) -> pd.DataFrame:
    """Panels fitted at the end of the data, by serial."""
    rows, day = fleet.tables["panels"], fleet.cut_off
    rows = rows.loc[(rows["fitted_on"] <= day) & ~(rows["removed_on"] <= day)]
    return rows.sort_values(["panel", "fitted_on"]).drop_duplicates("panel", keep="last").set_index("panel")


def _order(first: pd.DataFrame, present: Sequence[pd.DataFrame], cut_off: pd.Timestamp) -> pd.DataFrame:
    """Put panels by present risk where it is known, after those for which it is not, which go by due date."""
    out = first.copy()
    risk = {row.panel: row for rows in present for row in rows.itertuples()}
    out["removed"] = [risk[panel].removed if panel in risk else np.inf for panel in out["panel"]]
    out = out.sort_values(["removed", "due_on"], ascending=[False, True], na_position="first", kind="stable")
    words = []
    for row in out.itertuples():
        when = (
            "due date cannot be told" if pd.isna(row.due_on) else f"due by {row.due_on:%Y-%m-%d} ({row.task})"
        )
        if row.due_on < cut_off:
            when = f"OVERDUE on the records, {when}"
        if row.not_told:
            when += f", or earlier: {row.not_told.replace('_', ' ')} cannot be told"
        if row.panel in risk:
            one = risk[row.panel]
            when = f"unfound damage beyond the limit {percent(one.beyond)} ({percent(one.beyond_lower)} to {percent(one.beyond_upper)}), {when}"
        elif present:
            when = f"present risk not worked out, {when}"
        words.append(when)
    return out.assign(words=words)


def _made(
    evidence: Evidence,
    panels: list[str],
    due: pd.DataFrame,
    order: dict[str, str],
    *,
    size_mm: float | None,
    aspect: float,
    chance: float,
) -> list[TapSheet]:
    """Gather what stands on each sheet."""
    fleet = evidence.fleet
    fitted, zones = _fitted(fleet), fleet.tables["zones"].set_index("zone")
    own_regions = evidence.regions.loc[evidence.regions["panel"].isin(panels)]
    standing = standing_regions(fleet, fleet.cut_off, regions=own_regions)
    tiers = tier_panels(fleet, regions=standing, panels=panels).set_index("panel")
    mapped = own_regions.groupby("panel")
    limits = {
        group: _limits(fleet, group) for group in zones["group"].loc[fitted.loc[panels, "zone"]].unique()
    }
    made = []
    for panel in panels:
        row = fitted.loc[panel]
        zone = zones.loc[row["zone"]]
        own = limits[zone["group"]]
        wanted, bounds, basis = _wanted(own, size_mm, aspect, chance, panel)
        try:
            pitch = tap_pitch(wanted, bounds=bounds, aspect=aspect, chance=chance)
            taps = tap_lattice(zone["outline"], pitch)
        except ValueError as error:
            raise QuestionError(f"{panel}: {error}") from error
        asked = due.loc[(due["panel"] == panel) & due["method"].isin(TAP_METHODS)]
        regions = mapped.get_group(panel) if panel in mapped.groups else evidence.regions.iloc[:0]
        lost = _unmapped(fleet, panel, row, regions)
        damage = _damage(zone, regions, lost, set(standing["finding"]))
        made.append(
            TapSheet(
                panel=panel,
                aircraft=row["aircraft"],
                zone=row["zone"],
                group=zone["group"],
                side=zone["side"],
                outline=zone["outline"],
                fastener_rows=zone["fastener_rows"],
                edge_band_mm=float(zone["edge_band"]),
                n_faces=None if pd.isna(zone["faces_reachable"]) else int(zone["faces_reachable"]),
                method=asked["method"].iloc[0] if len(asked) else TAP_METHODS[0],
                tasks=tuple(dict.fromkeys(asked["task"])),
                pitch_mm=pitch,
                size_mm=wanted,
                aspect=aspect,
                chance=chance,
                bounds=bounds,
                size_basis=basis,
                taps=taps,
                damage=damage,
                repairs=_repairs(fleet, pd.concat([regions, lost]) if len(lost) else regions),
                limits=own,
                judged=_judged(tiers.loc[panel]),
                order=order.get(panel)
                or _order(asked.head(1), (), fleet.cut_off)["words"].str.cat(sep="")
                or "no task in force asks for it",
                dataset=fleet.name,
                notice=fleet.notice,
                known_on=f"{fleet.known_on:%Y-%m-%d}",
                cut_off=f"{fleet.cut_off:%Y-%m-%d}",
            )
        )
    return made


def _limits(fleet: Fleet, group: str) -> pd.DataFrame:
    """Every limit of a group in force, by place and kind; blank is anywhere and every kind."""
    asked = [(place, kind) for place in ("", *PLACES) for kind in ("", *KINDS)]
    place, kind = (np.array(names, object) for names in zip(*asked, strict=True))
    n = len(asked)
    rows = limits_in_force(
        fleet.tables["limits"], np.full(n, group, object), place, np.full(n, fleet.cut_off), kind
    )
    return rows.loc[rows["limit"] != ""].drop_duplicates("limit").reset_index(drop=True)


def _wanted(
    limits: pd.DataFrame, size_mm: float | None, aspect: float, chance: float, panel: str
) -> tuple[float, str, str]:
    """Size that the grid is made for: as given, or the allowable damage that needs the closest grid."""
    if size_mm is not None:
        return float(size_mm), "equivalent_diameter", "as given"
    some = limits.loc[limits["size"] > 0]
    if not len(some):
        raise QuestionError(
            f"{panel}: no allowable size is on record, so that no grid can be made. Give the size that is to be met with --size."
        )
    found = []
    for row in some.to_dict("records"):
        size = float(equivalent_diameter(row["size"])) if row["bounds"] == "area" else float(row["size"])
        what = "longest_extent" if row["bounds"] == "longest_extent" else "equivalent_diameter"
        try:
            pitch = tap_pitch(size, bounds=what, aspect=aspect, chance=chance)
        except ValueError as error:
            raise QuestionError(f"{panel}, limit {row['limit']}: {error}") from error
        found.append((pitch, size, what, f"smallest allowable, limit {row['limit']}"))
    return min(found, key=lambda one: one[0])[1:]


def _unmapped(fleet: Fleet, panel: str, fitting: pd.Series, regions: pd.DataFrame) -> pd.DataFrame:
    """Damage on record that no place on the panel is known for, with the columns that a region has."""
    found = fleet.damage
    here = (found["aircraft"] == fitting["aircraft"]) & (found["zone"] == fitting["zone"])
    here &= (found["panel"] == "") & (found["found_on"] >= fitting["fitted_on"])
    lost = found.loc[((found["panel"] == panel) | here) & ~found["finding"].isin(regions["finding"])]
    return lost[["finding", "kind", "found_on"]].assign(
        geometry=np.full(len(lost), None, object), diameter_mm=np.nan, track=-1
    )


def _damage(zone: pd.Series, regions: pd.DataFrame, lost: pd.DataFrame, standing: set[str]) -> pd.DataFrame:
    """Earlier damage of a panel: what stands first, the latest on top; of each damage its last mapping."""
    rows = regions.assign(stands=regions["finding"].isin(standing))
    lives_on = set(rows.loc[rows["stands"], "track"])
    gone = rows.loc[~rows["stands"] & ~rows["track"].isin(lives_on)].sort_values("found_on", kind="stable")
    parts = [rows.loc[rows["stands"]], gone.drop_duplicates("track", keep="last"), lost.assign(stands=True)]
    parts = [part for part in parts if len(part)] or [rows]
    out = pd.concat(parts, ignore_index=True)[
        ["finding", "kind", "geometry", "diameter_mm", "stands", "found_on"]
    ]
    out = out.sort_values(["stands", "found_on"], ascending=False, kind="stable").reset_index(drop=True)
    out["mark"] = [f"D{k + 1}" for k in range(len(out))]
    out["place"] = ""
    if len(out):
        out["place"] = damage_place(
            out["geometry"].to_numpy(object),
            np.full(len(out), zone["outline"], object),
            edge_band_mm=float(zone["edge_band"]),
            fastener_rows=np.full(len(out), zone["fastener_rows"], object),
        )
    return out


def _repairs(fleet: Fleet, found: pd.DataFrame) -> pd.DataFrame:
    """Repairs of the damage of a panel, the latest first; where the region is not on record, that of the damage."""
    rows = fleet.tables["repairs"]
    shapes = found.drop_duplicates("finding").set_index("finding")["geometry"]
    rows = rows.loc[rows["finding"].isin(shapes.index)].sort_values(
        "repaired_on", ascending=False, kind="stable"
    )
    out = rows[["repair", "finding", "repaired_on", "repair_class", "repair_method"]].reset_index(drop=True)
    own, other = rows["region"].to_numpy(object), shapes.reindex(rows["finding"]).to_numpy(object)
    out["geometry"] = np.array(
        [None, *(b if a is None else a for a, b in zip(own, other, strict=True))], object
    )[1:]
    out["mark"] = [f"R{k + 1}" for k in range(len(out))]
    return out


def _judged(tier: pd.Series) -> str:
    """Say how the panel as a whole stands against its limits."""
    if not tier["n_damages"]:
        return "On the records no damage with a place stands on the panel."
    why = (
        f" (by {tier['clause'].replace('_', ' ')}, limit {tier['limit']})"
        if tier["clause"] and tier["limit"]
        else ""
    )
    unknown = f"; {int(tier['n_not_judged'])} damages could not be judged" if tier["n_not_judged"] else ""
    return (
        f"On the records, the panel as a whole: {TIER_WORDS.get(tier['tier'], tier['tier'])}{why}{unknown}."
    )
