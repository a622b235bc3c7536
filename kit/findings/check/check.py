"""Which rows of all tables can be used together, and what is wrong with the others.

Rejected is what cannot be used without guessing; what can be used by a stated rule is
accepted with a warning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.across import check_across
from kit.findings.check.cadence import check_cadence
from kit.findings.check.context import CheckContext
from kit.findings.check.deferrals import check_deferrals
from kit.findings.check.evidence import (
    SMALLEST_MM,
    check_findings,
    check_inspections,
    check_outcomes,
    check_repairs,
    check_zone_of_subtype,
)
from kit.findings.check.labels import ZoneLabels
from kit.findings.check.lone import check_lone
from kit.findings.check.meters import check_meters
from kit.findings.check.names import check_names
from kit.findings.check.problems import ProblemLog, one_problem
from kit.findings.check.references import References
from kit.findings.check.scales import check_scales
from kit.findings.check.shapes import FARTHEST, lines_on_panel, sound_outlines
from kit.findings.check.tap_checks import check_taps
from kit.findings.fittings import Fittings, overlapping
from kit.findings.keys import in_order
from kit.findings.known import rows_known
from kit.findings.read.columns import RawTable, as_headed
from kit.findings.tables import CHECK_ORDER, GEOMETRIES, TABLES


@dataclass(frozen=True)
class Checked:
    """What checks made of the rows known on a day.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Accepted rows by table, in the order of their ids.
    unusable : dict of str to DataFrame
        Rejected rows by table, as far as they could be read.
    rejected, warnings : DataFrame
        Problems of rejected rows, and of accepted ones.
    """

    tables: dict[str, pd.DataFrame]
    unusable: dict[str, pd.DataFrame]
    rejected: pd.DataFrame
    warnings: pd.DataFrame


def check_tables(raw: dict[str, RawTable], *, cut_off: pd.Timestamp, known_on: pd.Timestamp) -> Checked:
    """Check all tables against each other, as they were known on a day.

    Parameters
    ----------
    raw : dict of str to RawTable
        Every table as read.
    cut_off : Timestamp
        Last day of which events count.
    known_on : Timestamp
        Rows recorded later are left out.

    Returns
    -------
    Checked
        Accepted rows, rejected rows and all problems, those of every table in one pass.

    Notes
    -----
    Tables are checked in an order in which each refers only to those before it.
    """
    log = ProblemLog()
    known = {name: rows_known(TABLES[name], raw[name], known_on, log) for name in CHECK_ORDER}
    context = CheckContext(raw, known, {}, log, cut_off)
    references = References(context)
    unusable = {}
    for name in CHECK_ORDER:
        check = _CHECKS.get(name)
        rows = known[name].current.copy(deep=False)  # a new column does not touch what is known
        own = raw[name].rejected
        log.include(own[own.index.isin(rows.index)] if len(own) else own)
        check_names(context, name, rows)
        check_lone(context, name, rows)
        if name == "panels":
            _removals_on_one_line(context, rows, known_on)
        _events(context, name, rows)
        _far_outlines(context, name, rows)
        rows = references.resolve(name, rows)
        rows = rows if check is None else check(context, rows)
        labels = log.rejected_labels(name)
        lost = rows.index.isin(labels) if len(labels) else np.zeros(len(rows), dtype=bool)
        key = TABLES[name].id_column
        kept = rows[~lost] if lost.any() else rows
        kept = kept if in_order(kept[key]) else kept.sort_values(key, kind="stable")
        context.tables[name] = kept.reset_index(drop=True)
        unusable[name] = rows[lost].reset_index(drop=True)
        if name == "zones":
            context.labels = ZoneLabels(context.tables["zones"], context.tables["aircraft"])
            _subtypes(context)
        if name == "panels":
            context.fittings = Fittings(context.tables["panels"])
    check_outcomes(context)
    check_across(context)
    check_cadence(context)
    check_scales(context)
    ordered = {name: context.tables[name] for name in TABLES}
    problems = [as_headed(log.frame(warn=warn), raw) for warn in (False, True)]
    return Checked(ordered, unusable, *problems)


def _removals_on_one_line(context: CheckContext, rows: pd.DataFrame, known_on: pd.Timestamp) -> None:
    """Take a removal that stands on the line of its fitting, recorded before it, as known from its own day on.

    It cannot have been known earlier, and registers keep both days on one line: what was decided before that
    day sees the panel still fitted.
    """
    ahead = rows["removed_on"] > rows["recorded_on"]
    n = int((ahead & (rows["removed_on"] <= known_on)).sum())
    if n:
        problem = one_problem(
            "panels",
            rows.loc[ahead, "file"].iloc[0],
            column="removed_on",
            value=str(n),
            reason="removals on the line of the fitting, recorded before them: each is taken as known from its own day on",
            expected="a second row, recorded when the panel was removed, that replaces the first",
            mend="nothing, if removals are recorded within days; else write the second rows",
        )
        context.log.include(problem, warn=True)
    rows["removed_on"] = rows["removed_on"].mask(ahead & (rows["removed_on"] > known_on))


def _events(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Report events after the cut-off, before they were recorded, and ends before starts."""
    start, end = TABLES[name].event_date, TABLES[name].end_date
    if end:
        wrong = rows[end] < rows[start]
        context.report(
            name,
            rows,
            wrong,
            end,
            reason=f"{end} is before {start}",
            expected=[f"{day:%Y-%m-%d} or later" for day in rows.loc[wrong, start]],
            mend=f"correct {start} or {end}",
        )
    if not start or TABLES[name].is_plan:
        return
    # The end of a stay at a base may be foreseen; a removal is an event like the fitting.
    for column in (start, end) if name == "panels" else (start,):
        late = rows[column] > context.cut_off
        context.report(
            name,
            rows,
            late,
            column,
            reason=f"{column} is after the cut-off",
            expected=f"a day up to {context.cut_off:%Y-%m-%d}, the cut-off in dataset.toml",
            mend=f"correct {column}, or move the cut-off",
        )
        early = (rows[column] > rows["recorded_on"]) & (name != "basing") & (column == start)
        context.report(
            name,
            rows,
            early,
            column,
            reason=f"{column} is after recorded_on: recorded before it happened",
            expected=[f"a day up to recorded_on, {day:%Y-%m-%d}" for day in rows.loc[early, "recorded_on"]],
            mend=f"correct {column} or recorded_on",
        )


def _far_outlines(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Report outlines that reach farther than any aircraft, which geometry cannot work with, and blank them."""
    for column in TABLES[name].columns:
        if column.type not in GEOMETRIES or not len(rows):
            continue
        shapes = rows[column.name].to_numpy(dtype=object)
        points = shapely.get_coordinates(shapes)
        if not points.size or (points.min() >= -FARTHEST and points.max() <= FARTHEST):
            continue  # a nan makes both nan
        points, at = shapely.get_coordinates(shapes, return_index=True)
        far = np.zeros(len(shapes), dtype=bool)
        far[at[~(np.abs(points) <= FARTHEST).all(axis=1)]] = True  # a coordinate that is nan as well
        context.report(
            name,
            rows,
            far,
            column.name,
            reason=f"{column.name} reaches farther than any aircraft",
            expected=f"coordinates within {FARTHEST:g} mm of the datum of the panel",
            mend="check the outline and the length_unit of the dataset",
        )
        if far.any():
            rows[column.name] = pd.Series(np.where(far, None, shapes), index=rows.index, dtype="object")


def _zones(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check the outlines of zones and the rows of fasteners in them."""
    text = context.text("zones", rows)
    rows["outline"] = sound_outlines(context.log, "zones", "outline", rows, text)
    rows["fastener_rows"] = lines_on_panel(context.log, "zones", "fastener_rows", rows, text)
    hinge = rows["hinge_line"].to_numpy(dtype=object)
    straight = shapely.get_type_id(hinge) == shapely.GeometryType.LINESTRING
    straight &= (shapely.get_num_points(hinge) == 2) & (shapely.length(hinge) > 0)
    context.report(
        "zones",
        rows,
        ~shapely.is_missing(hinge) & ~straight,
        "hinge_line",
        reason="the hinge line is not one straight line",
        expected="LINESTRING (x1 y1, x2 y2), its two ends",
        mend="write the line through the hinges by two points",
    )
    skins = rows["outer_material"] + " " + rows["inner_material"]
    galvanic = skins.str.contains(_CARBON, case=False)
    galvanic &= rows["core_material"].str.contains("alumin", case=False)
    context.report(
        "zones",
        rows,
        galvanic & ~rows["remarks"].str.contains("isolat|barrier", case=False),
        "core_material",
        reason="carbon skin on an aluminium core: it corrodes unless the two are isolated",
        expected="remarks that say what isolates them",
        mend="check the materials; write in remarks what lies between them",
        warn=True,
    )
    return rows


_CARBON = "CFRP|carbon"


def _subtypes(context: CheckContext) -> None:
    """Report aircraft whose subtype has no zones."""
    rows = context.known["aircraft"].current
    rows = rows[rows["aircraft"].isin(context.tables["aircraft"]["aircraft"])]
    context.report(
        "aircraft",
        rows,
        ~rows["subtype"].isin(context.labels.subtypes),
        "subtype",
        reason="the subtype has no zones",
        expected=f"one of {', '.join(sorted(context.labels.subtypes))}",
        mend="correct the subtype, or name it in subtypes of zones",
        warn=True,
    )


def _limits(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Report limits of groups that no zone is in."""
    groups = context.tables["zones"]["group"]
    context.report(
        "limits",
        rows,
        ~rows["group"].isin(groups) & (rows["group"] != ""),
        "group",
        reason="no zone is in the group",
        expected=f"one of {', '.join(sorted(groups.unique()))}",
        mend="correct the group here or in zones",
        warn=True,
    )
    # Sizes were read as lengths; an area is in the unit squared.
    area = rows["bounds"] == "area"
    if area.any():
        text = context.text("limits", rows)
        for column in ("size", "repairable_size"):
            written = pd.to_numeric(text[column], errors="coerce").set_axis(rows.index)
            factor = (rows[column] / written).where(written > 0, 1.0)
            rows[column] = rows[column].where(~area, rows[column] * factor)
    tiny = rows["size"] < SMALLEST_MM
    context.report(
        "limits",
        rows,
        tiny & (rows["bounds"] != "area"),
        "size",
        reason="a limit smaller than anybody measures",
        expected=f"at least {SMALLEST_MM:g} mm",
        mend="check the size and the length_unit of the dataset",
        warn=True,
    )
    small = rows["repairable_size"] < rows["size"]
    context.report(
        "limits",
        rows,
        small,
        "repairable_size",
        reason="the repairable damage limit is below the allowable one",
        expected=[f"at least {size:g}, the allowable damage limit" for size in rows.loc[small, "size"]],
        mend="exchange the two, or correct one of them",
        warn=True,
    )
    keys = ["group", "place", "kind", "valid_from"]
    good = context.sound("limits", rows)
    context.report(
        "limits",
        good,
        good.duplicated(keys, keep=False) & good["valid_from"].notna(),
        "valid_from",
        reason="two limits for one place in force from the same day",
        expected="one row for each group, place, kind and day",
        mend="correct the place, the kind or the day; the row with the last id is used",
        warn=True,
    )
    _crossing(context, good)
    return rows


def _crossing(context: CheckContext, limits: pd.DataFrame) -> None:
    """Report limits for a kind anywhere, beside ones for a place and every kind: both may be meant for one damage."""
    placed = limits[(limits["kind"] == "") & (limits["place"] != "")]
    both = set(zip(limits["group"], limits["kind"], limits["place"], strict=True))
    of_kind = limits[(limits["kind"] != "") & (limits["place"] == "")]
    missing = [
        sorted(
            p for p in placed.loc[placed["group"] == group, "place"].unique() if (group, kind, p) not in both
        )
        for group, kind in of_kind[["group", "kind"]].itertuples(index=False, name=None)
    ]
    crosses = np.array([bool(places) for places in missing], dtype=bool)
    context.report(
        "limits",
        of_kind,
        crosses,
        "kind",
        reason="a limit for a kind anywhere, and one for a place and every kind",
        expected=[f"a row for this kind in {', '.join(places)} too" for places in missing if places],
        mend="write that row; until then the smaller of the two allowable damage limits is used there",
        warn=True,
    )


def _basing(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Report aircraft with two bases at once."""
    good = context.sound("basing", rows)
    spans = good.rename(columns={"valid_from": "fitted_on", "valid_to": "removed_on"})
    context.report(
        "basing",
        good,
        overlapping(spans, ["aircraft"]),
        "valid_from",
        reason="two bases at once",
        expected="one base of each aircraft at a time",
        mend="close the earlier stay with valid_to",
        warn=True,
    )
    return rows


def _panels(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check that a place has one panel at a time and a panel one place."""
    check_zone_of_subtype(context, "panels", rows)
    good = context.sound("panels", rows)
    for by, column, reason in (
        (["aircraft", "zone"], "zone", "two panels at one place at once"),
        (["panel"], "panel", "one panel at two places at once"),
    ):
        clash = overlapping(good, by)
        spans = [
            f"no shared days ({a} {z} has {p} from {f:%Y-%m-%d} to {'now' if pd.isna(r) else f'{r:%Y-%m-%d}'})"
            for a, z, p, f, r in good.loc[
                clash, ["aircraft", "zone", "panel", "fitted_on", "removed_on"]
            ].to_numpy()
        ]
        mend = "write removed_on of the earlier fitting, or correct the zone or the serial"
        context.report("panels", good, clash, column, reason=reason, expected=spans, mend=mend)
    ordered = good.sort_values(["fitted_on", "fitting"])
    again = ordered["panel"].duplicated() & (ordered["state"] == "new")
    context.report(
        "panels",
        ordered,
        again,
        "state",
        reason="state is new, but the panel was fitted before; its age goes on",
        expected="repaired or unknown, or a new serial",
        mend="correct the state or the serial",
        warn=True,
    )
    return rows


def _usage(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check that meters do not go backwards."""
    check_meters(context.log, context.sound("usage", rows), context.raw["usage"].text)
    return rows


_CHECKS: dict[str, Callable[[CheckContext, pd.DataFrame], pd.DataFrame]] = {
    "zones": _zones,
    "limits": _limits,
    "basing": _basing,
    "panels": _panels,
    "usage": _usage,
    "inspections": check_inspections,
    "taps": check_taps,
    "findings": check_findings,
    "repairs": check_repairs,
    "deferrals": check_deferrals,
}
"""What is checked of a table beyond its cells, days and references."""
