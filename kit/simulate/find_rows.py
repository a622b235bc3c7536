"""A finding as a records department writes it: outline or sizes, disposition, repair, taps, and the look that confirms it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import shapely

from kit.findings import MM_PER_UNIT, TAP_METHODS
from kit.regions import ellipses
from kit.simulate.deferrals import LEFT
from kit.simulate.fleet import stream
from kit.simulate.loop import ultrasonic_size
from kit.simulate.scenario_parts import Family
from kit.simulate.shapes import clearances, draw_shape, outline_of
from kit.simulate.taps import tap_rows

if TYPE_CHECKING:
    from kit.simulate.operator import Book, Row

_CAUSES = {
    "M": (
        "skin off wet core", "bond gone, edge seal open", "moisture in bond", "bond peeled beside wet core", "corroded foil, bond gone",
        "seal aged, skin lifted",
    ),
    "G": ("bond opened", "skin lifted from core", "pressure cycling", "bond line let go", "adhesive peeled"),
    "I": ("hail", "tool dropped", "ground equipment", "runway stones", "bird", "ladder mark", "steps driven against skin"),
    "W": ("water in core", "edge seal open", "damp core near fastener row", "drain blocked", "moisture"),
}  # fmt: skip

_TAPPED = {"tap_manual": 0.1, "tap_instrumented": 0.25}  # share of the drawn sizes that have a grid of taps


def _wkt_of(points: np.ndarray) -> str:
    """Return a polygon through the points as WKT, coordinates to 0.1 mm."""
    closed = [*points.tolist(), points[0].tolist()]
    return "POLYGON ((" + ", ".join(f"{x:.1f} {y:.1f}" for x, y in closed) + "))"


def _tap(book: Book, row: Row, points: np.ndarray, family: Family) -> None:
    """Tap a grid round some of the damages without an outline, by hand or with an instrument."""
    share = _TAPPED.get(row["method"], 0.0)
    rng = stream(book.truth.seed, row["finding"], "taps")
    if rng.random() >= share:
        return
    timed = row["method"] == "tap_instrumented"
    taps = tap_rows(rng, points, shapely.Polygon(family.outline), timed=timed)
    if taps:
        row["tap_grid"] = f"taps/{row['finding']}.csv"
        for tap in taps:
            name = f"K{len(book.tables['taps']) + 1:06d}"
            book.tables["taps"].append(
                {"tap": name, "grid": row["tap_grid"], **tap, "recorded_on": row["recorded_on"]}
            )


def write_find(book: Book, find: Row, look: Row, station: int, *, is_look: bool) -> None:
    """Write a finding and its repair.

    Parameters
    ----------
    book : Book
        The operator's tables.
    find, look : dict
        What was found in truth, and the look as it was written down.
    station : int
        Index of the hangar, -1 on the line.
    is_look : bool
        Whether the look stands in the table of looks.
    """
    s, rng = book.scenario, book.rng
    family, _ = book.zones[find["zone"]]
    key, mode = (
        find["damage"] or f"false/{find['aircraft']}/{find['zone']}/{look['inspected_on']}",
        find["mode"],
    )
    if key not in book.shapes:
        # Where water stands the bond goes: the wet core has the place of the damage that it leads to.
        like = f"{find['panel_key']}#{int(key.split('~')[1]) // 100 - 1}" if mode == "W" else key
        rng = stream(book.truth.seed, like, "shape")
        book.shapes[key] = draw_shape(rng, family, mode, find["first_size"])
    points, centre, shape = outline_of(book.shapes[key], family, find["measured_size"])
    out = book.tables["findings"]
    number = f"F{len(out) + 1:05d}"
    length, width = (
        find["measured_size"] * math.sqrt(shape.aspect),
        find["measured_size"] / math.sqrt(shape.aspect),
    )
    has_outline = rng.random() < 0.75
    if has_outline:
        length, width = _sides(points)
    inch = station >= 0 and s.stations[station] == s.inch_station
    step = 0.25 if inch else 5.0
    per = 25.4 if inch else 1.0
    depth = {"I": "core", "W": "core"}.get(mode, "near_bond")
    row: Row = {
        "finding": number,
        "inspection": look if is_look else None,  # becomes the id once inspections are numbered
        "aircraft": look["aircraft"], "zone": look["zone"], "panel": look["panel"], "found_on": look["inspected_on"],
        "method": look["method"],
        "kind": "moisture" if mode == "W" else next((m.kind for m in s.modes if m.name == mode), "disbond"),
        "cause": str(rng.choice(_CAUSES[mode])) if mode else "dull sound",
        "outline": _wkt_of(points) if has_outline else None,
        "centre_x": None if has_outline else round(centre[0], 1),
        "centre_y": None if has_outline else round(centre[1], 1),
        "length": max(step, round(length / per / step) * step),
        "width": max(step, round(width / per / step) * step),
        "angle": None if has_outline else round(math.degrees(shape.angle)),
        "size_unit": "in" if inch else "mm", "rounding": step,
        "depth": "far_bond" if find["side"] == "far" else depth,
        "side": "outer",
        "disposition": find["disposition"],
        "remarks": "photo on file" if rng.random() >= s.blemishes.no_photo else None,
        "recorded_on": look["recorded_on"],
    }  # fmt: skip
    out.append(row)
    book.drawn[number] = shapely.Polygon(points)
    if not has_outline:
        _tap(book, row, points, family)
    book.damage_of[number] = find["damage"]
    if find["disposition"] in LEFT:
        book.left.append((row, find))
    # By the size as it was written down the damage may be beyond its limit: then it stays by a disposition of its own.
    if find["disposition"] == "monitor" and _is_beyond(book, row, family):
        row["disposition"] = "temporary_repair"
        find = find | {"repair": s.repairs[0].name, "repaired_on": find["day"]}
    is_tap = look["method"] in TAP_METHODS
    if is_tap and find["damage"] and key not in book.confirmed and family.structure_class == "critical":
        book.confirmed.add(key)
        _confirm(book, row, look, find, family)
    if not find["repair"]:
        return
    method = next(r for r in s.repairs if r.name == find["repair"])
    repaired = find["repaired_on"].date()
    region = None
    if method.name in ("bonded patch", "core plug and patch"):
        low, high = points.min(axis=0) - 25, points.max(axis=0) + 25
        part = shapely.box(*low, *high) & shapely.Polygon(family.outline).buffer(-0.5)
        region = _wkt_of(np.round(np.array(part.exterior.coords)[:-1], 1))
    book.tables["repairs"].append(
        {
            "repair": f"R{len(book.tables['repairs']) + 1:04d}", "finding": number, "repaired_on": repaired,
            "repair_class": method.repair_class, "repair_method": method.name, "region": region,
            "restoration_factor": None if math.isnan(method.restoration_factor) else method.restoration_factor,
            "recorded_on": max(book.soon(repaired), row["recorded_on"]),
        }
    )  # fmt: skip


def _is_beyond(book: Book, row: Row, family: Family) -> bool:
    """Say whether a damage as written is beyond the allowable limit of its place."""
    s, per = book.scenario, MM_PER_UNIT[row["size_unit"]]
    if row["outline"] is not None:
        shape = shapely.from_wkt(row["outline"])
    else:
        sizes = (np.array([row[name] * per]) for name in ("length", "width"))
        x, y, angle = (np.array([float(row[name])]) for name in ("centre_x", "centre_y", "angle"))
        shape = ellipses(x, y, *sizes, angle)[0]
    edge, fasteners = clearances(shapely.get_coordinates(shape)[:-1], family)
    share = s.edge_share if edge < s.edge_band or fasteners < s.fastener_band else 1.0
    critical = family.structure_class == "critical"
    least = s.edge_distance_critical if critical else s.edge_distance
    diameter = math.sqrt(4 * shapely.area(shape) / math.pi)
    return edge < least or diameter > round(share * s.limit_on(family, row["found_on"]))


def _confirm(book: Book, row: Row, look: Row, find: Row, family: Family) -> None:
    """Write the look by ultrasonics that confirms and sizes a find on an item with a limitation."""
    widest = 0.75 * min(family.length, family.height)
    size = min(ultrasonic_size(book.scenario, book.truth.seed, find["damage"], find["true_size"]), widest)
    points, _, _ = outline_of(book.shapes[find["damage"]], family, size)
    length, width = _sides(points)
    again = look | {"card": None, "method": "ultrasonic"}
    book.tables["inspections"].append(again)
    number = f"F{len(book.tables['findings']) + 1:05d}"
    book.tables["findings"].append(
        row
        | {
            "finding": number, "inspection": again, "method": "ultrasonic", "outline": _wkt_of(points),
            "centre_x": None, "centre_y": None, "angle": None, "tap_grid": None, "length": round(length),
            "width": round(width), "size_unit": "mm", "rounding": 1.0,
            "remarks": f"confirms and sizes {row['finding']}",
        }
    )  # fmt: skip
    book.damage_of[number] = find["damage"]


def _sides(points: np.ndarray) -> tuple[float, float]:
    corners = np.array(shapely.oriented_envelope(shapely.Polygon(points)).exterior.coords)
    sides = np.hypot(*np.diff(corners[:3], axis=0).T)
    return float(sides.max()), float(sides.min())
