"""Do looks, findings and repairs agree with fittings, outlines, limits and each other."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.centres import check_centres
from kit.findings.check.context import CheckContext
from kit.findings.check.shapes import check_sizes, clipped_to_panel, panel_outlines, sound_outlines
from kit.findings.check.tap_checks import check_tap_grids
from kit.findings.check.twice import check_looks_of_cards, check_methods_of_looks, check_sizes_twice
from kit.findings.keys import among, in_order, places
from kit.findings.methods import SEES, is_conductive, is_damage, methods_seeing
from kit.findings.read.lazy_text import LazyText, is_given
from kit.findings.tables import TABLES
from kit.findings.units import centres

DAYS_APART = np.timedelta64(7, "D")
"""Findings that overlap within this time may be one damage written down twice."""

SMALLEST_MM = 1.0
"""Length or width below which a size is doubted (common practice, no source) [mm]."""


def check_zone_of_subtype(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Report rows at a zone that the subtype of the aircraft does not have."""
    good = context.sound(name, rows)
    lacks = ~context.labels.has_zone(good["aircraft"], good["zone"])
    subtype = context.labels.subtype_of(good["aircraft"][lacks])
    context.report(
        name,
        good,
        lacks,
        "zone",
        reason="the subtype of the aircraft has no such zone",
        expected=[
            f"a zone of subtype {one}, which {plane} is"
            for one, plane in zip(subtype, good["aircraft"][lacks], strict=True)
        ],
        mend="correct the zone or the aircraft, or name the subtype in subtypes of the zone",
    )


def _place(context: CheckContext, name: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Give each row the panel that was there that day; report where there was none."""
    date = TABLES[name].event_date
    rows["panel_as_written"] = rows["panel"]
    check_zone_of_subtype(context, name, rows)
    where = context.fittings.at(rows["aircraft"], rows["zone"], rows[date], rows["panel_as_written"])
    serials = context.fittings.panels["panel"].array
    rows["panel"] = pd.Series(serials.take(where, allow_fill=True, fill_value=""), index=rows.index)
    good = context.sound(name, rows)
    none = good["panel"] == ""
    whys = [
        f"a panel fitted at {place[0]} {place[1]} on {place[2]:%Y-%m-%d}; {context.fittings.why_none(*place)}"
        for place in good.loc[none, ["aircraft", "zone", date]].itertuples(index=False, name=None)
    ]
    mend = f"correct {date} or the zone, or the days of fitting and removal in panels"
    context.report(
        name, good, none, date, reason="no panel was fitted there that day", expected=whys, mend=mend
    )
    written = good["panel_as_written"]
    other = (written != "") & ~none & (written != good["panel"])
    bad = good[other]
    hints = [
        "correct the serial, or the fittings in panels"
        + (f"; that panel was at {place[0]} {place[1]}: left and right exchanged?" if place else "")
        for place in context.fittings.place_of(bad["panel_as_written"], bad[date])
    ]
    expected = [f"{panel}, which the fittings say was there" for panel in bad["panel"]]
    context.report(
        name,
        good,
        other,
        "panel",
        reason="the serial as written is not that of the fittings, which stand",
        expected=expected,
        mend=hints,
        warn=True,
    )
    return rows


def check_inspections(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check looks against fittings and cards."""
    rows = _place(context, "inspections", rows)
    _through_conductive_skin(context, "inspections", rows)
    card = places(rows["card"], context.tables["cards"]["card"])
    _same_as(context, "inspections", rows, "card", "cards", ("aircraft",), card)
    check_looks_of_cards(context, rows, card)
    return rows


def _same_as(
    context: CheckContext,
    name: str,
    rows: pd.DataFrame,
    column: str,
    target: str,
    shared: tuple[str, ...],
    at: np.ndarray | None = None,
) -> None:
    """Report rows that name another aircraft or zone than the row they refer to; `at` says which, where it is known already."""
    good = context.sound(name, rows)
    known = context.tables[target]
    if at is None:
        at = places(good[column], known[TABLES[target].id_column])
    else:
        at = at if len(good) == len(rows) else at[rows.index.get_indexer(good.index)]
    if (at < 0).any():
        good, at = good[at >= 0], at[at >= 0]
    for item in shared:
        there = known[item].array.take(at)
        differs = np.asarray(there != good[item].array, dtype=bool)
        context.report(
            name,
            good,
            differs,
            item,
            reason=f"{item} is not that of its {column}",
            expected=[
                f"{cell}, as in {target} {ref}"
                for cell, ref in zip(there[differs], good[column][differs], strict=True)
            ],
            mend=f"correct the {item} or the {column}",
        )


def check_findings(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check findings against fittings, looks, outlines, limits and each other."""
    rows = _place(context, "findings", rows)
    rows = _kinds_seen(context, rows)
    look = context.places.pop(("findings", "inspection"))
    _same_as(context, "findings", rows, "inspection", "inspections", ("aircraft", "zone"), look)
    rows = _with_look(context, rows, look)
    text = context.text("findings", rows)
    zones = context.tables["zones"].set_index("zone")
    panels = panel_outlines(context.tables["zones"], rows["zone"])
    shapes = sound_outlines(context.log, "findings", "outline", rows, text)
    rows["outline"] = clipped_to_panel(context.log, "findings", "outline", rows, text, shapes, panels)
    _shapeless(context, rows, text, panels, check_tap_grids(context, rows, panels))
    good = context.sound("findings", rows).index
    keep = rows.index.isin(good)
    check_sizes(context.log, rows[keep], text[keep], context.tables["zones"])
    _without_limit(context, rows, zones["group"])
    sound = context.sound("findings", rows)
    box = shapely.bounds(sound["outline"].to_numpy(dtype=object))
    _alike(context, sound, box)
    doubted = context.log.warned_labels("findings", ("length", "width", "size_unit"))
    check_sizes_twice(context, sound, box, doubted)
    check_centres(context, sound, box)
    kept = rows.index.isin(context.sound("findings", rows).index)
    context.looks_found = look[kept & is_damage(rows).to_numpy()], look[kept]
    return rows


def _kinds_seen(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Read moisture found by a method that is blind to water as the bond that it broke; report other blind finds."""
    blind = pd.Series(False, index=rows.index)
    for method in SEES:
        blind |= (rows["method"] == method) & ~rows["kind"].isin(list(SEES[method]))
    wet = blind & (rows["kind"] == "moisture")
    context.report(
        "findings",
        rows,
        wet,
        "kind",
        reason="moisture found by a method that is blind to water is read as moisture_disbond, the bond that it broke",
        expected=f"moisture only where it was found by {', '.join(methods_seeing('moisture'))}",
        mend="write moisture_disbond; a wet core whose bond is sound rings",
        warn=True,
    )
    rows["kind"] = rows["kind"].mask(wet, "moisture_disbond")
    other = blind & ~wet
    context.report(
        "findings",
        rows,
        other,
        "method",
        reason="the method is blind to this damage type",
        expected=[f"one of {', '.join(methods_seeing(kind))}" for kind in rows.loc[other, "kind"]],
        mend="correct the kind or the method",
        warn=True,
    )
    _through_conductive_skin(context, "findings", rows)
    return rows


def _through_conductive_skin(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Report a moisture meter on a skin through which it tells nothing."""
    zones = context.tables["zones"]
    conductive = zones.loc[is_conductive(zones["outer_material"]), "zone"]
    context.report(
        name,
        rows,
        (rows["method"] == "moisture_meter") & rows["zone"].isin(conductive),
        "method",
        reason="a moisture meter tells nothing through carbon or metal",
        expected="thermography, x_ray, ultrasonic or weighing on this skin",
        mend="correct the method, or outer_material of the zone",
        warn=True,
    )


def _with_look(context: CheckContext, rows: pd.DataFrame, at: np.ndarray) -> pd.DataFrame:
    """Take the panel of the look where it is of the same day; report other days and results."""
    looks = context.tables["inspections"]
    look = pd.DataFrame(
        {
            name: pd.Series(looks[name].array.take(at, allow_fill=True), index=rows.index)
            for name in ("inspected_on", "zone", "aircraft", "panel", "method")
        }
    )
    same = (look["inspected_on"] == rows["found_on"]) & (look["zone"] == rows["zone"])
    same &= (look["aircraft"] == rows["aircraft"]) & (rows["panel"] != "")
    rows["panel"] = rows["panel"].where(~same, look["panel"])
    apart = (
        look["inspected_on"].notna() & rows["found_on"].notna() & (look["inspected_on"] != rows["found_on"])
    )
    context.report(
        "findings",
        rows,
        apart,
        "found_on",
        reason="found_on is not the day of the look",
        expected=[f"{day:%Y-%m-%d}, the day of the look" for day in look.loc[apart, "inspected_on"]],
        mend="correct found_on or inspected_on",
        warn=True,
    )
    check_methods_of_looks(context, rows, look["method"])
    return rows


def check_outcomes(context: CheckContext) -> None:
    """Report looks whose outcome disagrees with the findings that hang on them."""
    accepted = context.tables["inspections"]
    with_damage, with_finding = np.zeros((2, len(accepted)), dtype=bool)
    for flags, at in zip((with_damage, with_finding), context.looks_found, strict=True):
        flags[at[at >= 0]] = True
    outcome = accepted["outcome"]
    told = np.asarray(outcome == "clean", dtype=bool) & with_damage
    told |= np.asarray(outcome == "found", dtype=bool) & ~with_finding
    if not told.any():
        return
    good = context.tables["findings"]
    damaged = good.loc[is_damage(good), "inspection"]
    looks = context.known["inspections"].current
    looks = looks[among(looks["inspection"], accepted["inspection"].array[told])]
    said = looks[looks["outcome"] == "clean"]
    context.report(
        "inspections",
        said,
        among(said["inspection"], damaged),
        "outcome",
        reason="outcome is clean, but damage hangs on the look; it counts as found",
        expected="found",
        mend="correct the outcome, or the disposition or the inspection of the finding",
        warn=True,
    )
    said = looks[looks["outcome"] == "found"]
    context.report(
        "inspections",
        said,
        ~among(said["inspection"], good["inspection"]),
        "outcome",
        reason="outcome is found, but no accepted finding hangs on the look; it is left out of the looks",
        expected="a finding that names the look",
        mend="add or correct the finding, or write clean",
        warn=True,
    )


def _shapeless(
    context: CheckContext,
    rows: pd.DataFrame,
    text: pd.DataFrame | LazyText,
    panels: np.ndarray,
    tapped: np.ndarray,
) -> None:
    """Report findings without any shape, sizes without a unit, and centres off the panel."""
    drawn = is_given(text, "outline") | tapped
    sized = is_given(text, "length")
    no_unit = (sized | is_given(text, "width")) & ~is_given(text, "size_unit")
    words = {"expected": "mm, cm or in", "mend": "write the unit of length and width"}
    context.report("findings", rows, no_unit & ~drawn, "size_unit", reason="a size without a unit", **words)
    reason = "a size without a unit, not used"
    context.report("findings", rows, no_unit & drawn, "size_unit", reason=reason, warn=True, **words)
    for column in ("length", "width"):
        context.report(
            "findings",
            rows,
            rows[column] == 0,
            column,
            reason=f"a {column} of 0",
            expected=[
                "nothing beside the outline, or what was measured" if one else "what was measured"
                for one in drawn[rows[column] == 0]
            ],
            mend=f"leave {column} blank where it was not measured; the outline is used where there is one, and nothing "
            "is judged by a size of 0",
            warn=True,
        )
        small = (rows[column] > 0) & (rows[column] < SMALLEST_MM)
        context.report(
            "findings",
            rows,
            small,
            column,
            reason=f"a {column} smaller than anybody measures",
            expected=[
                f"at least {SMALLEST_MM:g} mm (it is {size:.3g} mm)" for size in rows.loc[small, column]
            ],
            mend=f"check {column} and its unit; leave it blank where it was not measured",
            warn=True,
        )
    centred = rows["centre_x"].notna() & rows["centre_y"].notna()
    damage = is_damage(rows)
    context.report(
        "findings",
        rows,
        damage & ~drawn & ~(sized & centred),
        "outline",
        reason="neither an outline nor a centre with a length",
        expected="an outline, or centre_x, centre_y and length, or a tap grid",
        mend="draw the outline, or write centre and length",
    )
    have = centred & ~drawn & ~shapely.is_missing(panels)
    off = have.to_numpy().copy()
    inside = shapely.intersects_xy(
        panels[off], rows["centre_x"].to_numpy()[off], rows["centre_y"].to_numpy()[off]
    )
    off[off] = ~inside
    context.report(
        "findings",
        rows,
        off,
        "centre_x",
        reason="the centre is outside the panel",
        expected=[
            f"a point on the panel (it is {x:.0f}, {y:.0f} mm)"
            for x, y in zip(rows["centre_x"][off], rows["centre_y"][off], strict=True)
        ],
        mend="check the zone, the datum and the unit",
    )


def _without_limit(context: CheckContext, rows: pd.DataFrame, groups: pd.Series) -> None:
    """Report findings on whose day no limit of the group was in force."""
    group = groups.reindex(rows["zone"]).set_axis(rows.index)
    limits = context.tables["limits"]
    begin = limits.groupby(["group", "kind"])["valid_from"].min()
    every, own = (
        begin.reindex(pd.MultiIndex.from_arrays([group, kinds])).set_axis(rows.index)
        for kinds in (np.full(len(rows), ""), rows["kind"])
    )
    first = every.where(~(own < every) & every.notna(), own)
    none = group.notna() & ~(first <= rows["found_on"])
    expected = [
        f"a limit of group {name} in force"
        + (f" for {kind}" if name in of_kinds else "")
        + ("" if pd.isna(day) else f" (the first is from {day:%Y-%m-%d})")
        for of_kinds in [set(limits.loc[limits["kind"] != "", "group"])]
        for name, kind, day in zip(group[none], rows["kind"][none], first[none], strict=True)
    ]
    context.report(
        "findings",
        rows,
        none,
        "found_on",
        reason="no limit was in force that day",
        expected=expected,
        mend="add the revision of the limit that was in force",
        warn=True,
    )


def _alike(context: CheckContext, rows: pd.DataFrame, box: np.ndarray) -> None:
    """Report findings that may be the same damage written down twice within days.

    Their centres are nearer to each other than half the longer of their lengths.
    """
    shapes = rows["outline"].to_numpy(dtype=object)
    drawn = ~shapely.is_missing(shapes)
    size = np.where(drawn, np.maximum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]), rows["length"])
    day, names = rows["found_on"].to_numpy(), rows["finding"]
    by_name = np.arange(len(rows)) if in_order(names) else pd.factorize(names, sort=True)[0]
    # A second method on the same damage confirms it.
    own = [pd.factorize(rows[name])[0] for name in ("method", "kind", "panel")]
    order = np.lexsort((by_name, day, *own))
    order = order[is_damage(rows).to_numpy(dtype=bool)[order]]
    first, second = order[:-1], order[1:]
    near = np.all([codes[first] == codes[second] for codes in own], axis=0)
    near &= (day[second] - day[first]) <= DAYS_APART
    # Few are so near in time: only of these is it worked out where they lie.
    first, second = first[near], second[near]
    (x1, y1), (x2, y2) = centres(rows.iloc[first]), centres(rows.iloc[second])
    near = np.hypot(x2 - x1, y2 - y1) < np.fmax(size[first], size[second]) / 2
    context.report(
        "findings",
        rows.iloc[second[near]],
        np.ones(near.sum(), dtype=bool),
        "finding",
        reason="may be the same damage as another finding",
        expected=[
            f"a damage of its own ({name} is within a week at the same place)"
            for name in names.iloc[first[near]]
        ],
        mend="if it is the same, write duplicate as its disposition",
        warn=True,
    )


def check_repairs(context: CheckContext, rows: pd.DataFrame) -> pd.DataFrame:
    """Check repairs against their findings and panels."""
    findings = context.tables["findings"]
    at = context.places.pop(("repairs", "finding"))
    found = pd.DataFrame(
        {
            name: pd.Series(findings[name].array.take(at, allow_fill=True), index=rows.index)
            for name in ("found_on", "zone")
        }
    )
    early = rows["repaired_on"] < found["found_on"]
    context.report(
        "repairs",
        rows,
        early,
        "repaired_on",
        reason="repaired before it was found",
        expected=[f"{day:%Y-%m-%d}, the day it was found, or later" for day in found.loc[early, "found_on"]],
        mend="correct repaired_on, or the finding that it names",
    )
    text = context.text("repairs", rows)
    panels = panel_outlines(context.tables["zones"], found["zone"])
    shapes = sound_outlines(context.log, "repairs", "region", rows, text)
    rows["region"] = clipped_to_panel(context.log, "repairs", "region", rows, text, shapes, panels)
    return rows
