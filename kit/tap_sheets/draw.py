"""The pages of a sheet, in millimetres on paper: front with drawing and boxes, back with limits, method and cautions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely

from kit.figures import KIND_STYLE
from kit.tap_sheets.content import TapSheet
from kit.tap_sheets.page import MARGIN, PAPERS, Page
from kit.tap_sheets.taps import drawing_scale

_BAR = 100.0  # the check bar, on paper
_CLOSEST = 1.8  # taps closer than this on paper are not told apart
_CROSS = 0.5  # half of a tap's mark, on paper
_MOST_LIMITS = 6  # on the front
_MOST_ROWS = 8  # of earlier damage and repairs on the front; the rest goes to the back
_FEWEST_READINGS = 4
_READING, _SIGNED, _BOTTOM = 6.0, 7.5, 38.0  # heights of rows and of all below them
_OTHER = ("0.6", "--")
_LIMIT_COLUMNS = {
    "place": ("limit by place", 24),
    "kind": ("kind", 19),
    "bounds": ("what is held", 28),
    "size": ("allowable", 18),
    "repairable_size": ("repairable", 19),
    "spacing": ("apart", 11),
    "edge_distance": ("edge", 10),
    "total_share": ("share", 11),
    "most_damages": ("no.", 8),
    "limit": ("record", 38),
}
"""Clauses of a limit, with their headings and widths."""


def sheet_pages(sheet: TapSheet, *, paper: str, number: int, of: int, title: str) -> list[Page]:
    """Draw the pages of a sheet.

    Parameters
    ----------
    sheet : TapSheet
        What it says.
    paper : str
        One of `PAPERS`.
    number, of : int
        Which sheet of how many.
    title : str
        What the sheets are for.

    Returns
    -------
    list of Page
        Front and back, and further pages where the records do not fit.

    Raises
    ------
    ValueError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise ValueError(f"`paper` must be one of {', '.join(PAPERS)}. Got {paper!r}.")
    size = PAPERS[paper]
    records = _records(sheet)
    pages = [_front(sheet, Page(*size), records[:_MOST_ROWS], len(records) - _MOST_ROWS, number, of, title)]
    pages += _back(sheet, size, records[_MOST_ROWS:], number, of, title)
    for k, page in enumerate(pages):
        page.text(
            page.width - MARGIN, page.height - MARGIN + 1, f"sheet {number} of {of}, page {k + 1} of {len(pages)}",
            size=7.5, ha="right",
        )  # fmt: skip
        page.text(
            MARGIN, page.height - MARGIN + 1,
            f"{sheet.panel} · {sheet.aircraft} · {sheet.zone} · data to {sheet.cut_off}, as known on {sheet.known_on}", size=7.5,
        )  # fmt: skip
    return pages


def _head(sheet: TapSheet, page: Page, title: str, what: str) -> None:
    page.text(MARGIN, page.y, f"{what}: panel {sheet.panel}", size=13, bold=True)
    page.text(page.width - MARGIN, page.y, title, size=9, ha="right")
    page.y += 6.5
    page.paragraph(
        f"Aircraft {sheet.aircraft}, zone {sheet.zone} ({sheet.group.replace('_', ' ')}, {sheet.side}). {sheet.dataset}.",
        size=8.5,
    )
    page.line([MARGIN, page.width - MARGIN], [page.y, page.y], width=0.8)
    page.y += 1.5


def _records(sheet: TapSheet) -> list[tuple[str, ...]]:
    """Rows of earlier damage and repairs."""
    rows = [
        (
            one["mark"],
            one["finding"],
            one["kind"].replace("_", " "),
            "not mapped" if np.isnan(one["diameter_mm"]) else f"{one['diameter_mm']:.0f} mm",
            one["place"].replace("_", " "),
            f"{one['found_on']:%Y-%m-%d}",
            "stands" if one["stands"] else "stands no more",
        )
        for one in sheet.damage.to_dict("records")
    ]
    rows += [
        (
            one["mark"],
            f"{one['repair']} of {one['finding']}",
            f"repair, {one['repair_class']}",
            "not mapped" if one["geometry"] is None else "",
            one["repair_method"],
            f"{one['repaired_on']:%Y-%m-%d}",
            "",
        )
        for one in sheet.repairs.to_dict("records")
    ]
    return rows


_RECORD_COLUMNS = (
    ("mark", 9), ("record", 25), ("what", 27), ("diameter", 15), ("place or way", 46), ("on", 17), ("state", 20)
)  # fmt: skip


def _front(
    sheet: TapSheet,
    page: Page,
    records: Sequence[tuple[str, ...]],
    more: int,
    number: int,
    of: int,
    title: str,
) -> Page:
    _head(sheet, page, title, "Tap-test sheet")
    page.paragraph(f"Place in the order: {sheet.order}.", size=8)
    shown = sheet.limits if len(sheet.limits) <= _MOST_LIMITS else sheet.limits.iloc[:0]
    below = 34.0 + (len(shown) + len(records) + 2) * 4.4 + (_FEWEST_READINGS + 1) * _READING + _BOTTOM
    room = (page.inner - 12.0, page.height - MARGIN - page.y - below)
    _drawing(sheet, page, room)
    if len(shown):
        _limit_table(page, shown)
    else:
        what = (
            "are on the back" if len(sheet.limits) else "are not on record: take them from the approved data"
        )
        page.paragraph(f"The damage limits by place {what}.", size=8, bold=True)
    if records:
        page.table(_RECORD_COLUMNS, records)
        if more > 0:
            page.paragraph(
                f"{more} more records of damage and repair stand on a further page, and in the drawing.",
                size=7.5,
                bold=True,
            )
    else:
        page.paragraph("No earlier damage and no repair of this panel is on record.", size=8)
    page.paragraph(sheet.judged, size=8)
    n_readings = int((page.height - MARGIN - page.y - _BOTTOM) // _READING) - 1
    page.table(
        [("place", 11), ("x [mm]", 15), ("y [mm]", 15), ("length", 15), ("width", 15), ("angle", 13), ("face", 12),
         ("second method and reading", 46), ("what was done", 30)],
        [(f"{k + 1}", *[""] * 8) for k in range(max(n_readings, _FEWEST_READINGS))], row=_READING,
    )  # fmt: skip
    page.table(
        [("done on", 22), ("tool and its number", 34), ("tool tried on a known piece", 48), ("face tapped", 22),
         ("name or stamp", 28), ("signature", 32)],
        [[""] * 6], row=_SIGNED,
    )  # fmt: skip
    box = 3.2
    for x, words in (
        (0.0, "all taps made, no dull place"),
        (62.0, "dull places as above"),
        (112.0, "not all tapped: say what and why"),
    ):
        page.box(MARGIN + x, page.y, box, box)
        page.text(MARGIN + x + box + 1.2, page.y, words, size=8)
    page.y += 5.5
    page.paragraph(
        "Read the method and the cautions on the back before the first tap. Advisory: the approved data govern.", size=8, bold=True
    )  # fmt: skip
    return page


def _limit_table(page: Page, limits: pd.DataFrame) -> None:
    rows = [tuple(_limit_cell(name, row) for name in _LIMIT_COLUMNS) for row in limits.to_dict("records")]
    page.table([(words, share) for words, share in _LIMIT_COLUMNS.values()], rows)


def _placed(
    shape: shapely.Geometry, at: tuple[float, float], low: tuple[float, float], scale: float
) -> shapely.Geometry:
    """Bring a shape of the panel onto the page: forward to the right, up upwards."""
    return shapely.transform(
        shape, lambda xy: np.array([at[0], at[1]]) + (xy - low) / scale * np.array([1.0, -1.0])
    )


def _drawing(sheet: TapSheet, page: Page, room: tuple[float, float]) -> None:
    """Draw the panel to scale with all that is known of it, the bar below, and what the marks mean."""
    low_x, low_y, high_x, high_y = shapely.bounds(sheet.outline)
    scale = drawing_scale(high_x - low_x, high_y - low_y, room=room)
    width, height = (high_x - low_x) / scale, (high_y - low_y) / scale
    top = page.y + 4.0
    at = (MARGIN + 6.0 + (room[0] - width) / 2, top + height)
    low = (low_x, low_y)

    def on_page(shape: shapely.Geometry) -> shapely.Geometry:
        return _placed(shape, at, low, scale)

    if sheet.edge_band_mm > 0:
        page.shape(
            on_page(shapely.buffer(sheet.outline, -sheet.edge_band_mm)), width=0.6, grey=0.35, dash=(3.6, 1.8)
        )
    if sheet.fastener_rows is not None:
        for line in shapely.get_parts(sheet.fastener_rows):
            page.lines([shapely.get_coordinates(on_page(line))], width=0.9, grey=0.2, dash=(0.9, 1.8))
    step = max(int(np.ceil(_CLOSEST * scale / sheet.pitch_mm - 1e-9)), 1)
    _taps(sheet, page, at, low, scale, step)
    for one in sheet.repairs.to_dict("records"):
        if sheet.is_drawn(one["geometry"]):
            page.shape(on_page(one["geometry"]), width=0.9, dash=(2.7, 1.1))
            _mark(page, on_page(one["geometry"]), one["mark"], corner=3)
    for k, one in enumerate(sheet.damage.to_dict("records")):
        if sheet.is_drawn(one["geometry"]):
            colour, hatch = KIND_STYLE.get(one["kind"], _OTHER)
            shape = on_page(one["geometry"])
            if one["stands"]:
                page.shape(shape, width=0.8, fill=colour, hatch=hatch)
            else:
                page.shape(shape, dash=(0.5, 0.8))
            _mark(page, shape, one["mark"], corner=k % 3)
    page.shape(on_page(sheet.outline), width=1.1)
    page.text(at[0] + width / 2, at[1] + 1.2, "forward →", size=7.5, ha="center")
    page.text(at[0] - 1.5, at[1] - height / 2, "up →", size=7.5, upright=True)
    narrow = width < 60.0  # what is written below would run together
    page.text(
        at[0] - narrow * 4.0,
        at[1] + 1.2,
        f"x {low_x:g}, y {low_y:g} mm",
        size=6.5,
        ha="right" if narrow else "left",
    )
    page.text(at[0] + width, top - 1.0, f"x {high_x:g}, y {high_y:g} mm", size=6.5, ha="right", va="bottom")
    page.y = at[1] + 8.0
    _bar(page, scale)
    few = f"every {_nth(step)} tap of every {_nth(step)} row is drawn" if step > 1 else "every tap is drawn"
    page.paragraph(
        f"Scale 1 : {scale:g}. Taps (+) {sheet.pitch_mm:g} mm apart, {len(sheet.taps):,} in all; {few}. "
        "Hatched: damage that stands (D). Dotted outline: damage that stands no more. Dashed outline: repair (R). "
        + (f"Long dashes: edge band of {sheet.edge_band_mm:g} mm. " if sheet.edge_band_mm > 0 else "No edge band on record. ")
        + ("Dots: rows of fasteners." if sheet.fastener_rows is not None else "No rows of fasteners on record."),
        size=7.5,
    )  # fmt: skip


def _nth(number: int) -> str:
    """Say a number as an ordinal."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _taps(
    sheet: TapSheet, page: Page, at: tuple[float, float], low: tuple[float, float], scale: float, step: int
) -> None:
    """Draw the taps as crosses; where they would run together, every so many of each row and column."""
    taps = sheet.taps
    if not len(taps):
        return
    index = np.rint((taps - taps.min(axis=0)) / sheet.pitch_mm).astype(int)
    taps = taps[(index % step == 0).all(axis=1)]
    x, y = at[0] + (taps[:, 0] - low[0]) / scale, at[1] - (taps[:, 1] - low[1]) / scale
    page.crosses(x, y, half=_CROSS)


def _mark(page: Page, shape: shapely.Geometry, words: str, *, corner: int) -> None:
    """Write the mark of a damage or a repair at a corner of it: upper right, upper left, lower right, lower left."""
    left, top, right, bottom = shapely.bounds(shape)
    aside, low = corner % 2, corner // 2
    page.text(
        left - 0.5 if aside else right + 0.5, bottom if low else top, words, size=7, bold=True,
        ha="right" if aside else "left", va="top" if low else "bottom", boxed=True,
    )  # fmt: skip


def _bar(page: Page, scale: float) -> None:
    """Draw the bar by which the print is checked."""
    x = MARGIN
    page.line([x, x + _BAR], [page.y, page.y], width=2.0)
    for k in range(11):
        tick = 1.8 if k % 5 == 0 else 1.0
        page.line([x + 10 * k] * 2, [page.y - tick, page.y], width=0.5)
    page.text(
        x + _BAR + 2.5, page.y - 2.6,
        f"This bar is 100 mm on paper ({100 * scale:,.0f} mm on the panel).", size=7.5,
    )  # fmt: skip
    page.text(x + _BAR + 2.5, page.y + 0.8, "Print at 100 %; if it is not, measure nothing here.", size=7.5)
    page.y += 5.0


def _back(
    sheet: TapSheet,
    size: tuple[float, float],
    records: Sequence[tuple[str, ...]],
    number: int,
    of: int,
    title: str,
) -> list[Page]:
    page = Page(*size)
    _head(sheet, page, title, "Limits, method, cautions")
    pages = [page]
    page.heading("Damage limits")
    if len(sheet.limits) > _MOST_LIMITS:
        _limit_table(page, sheet.limits)
    page.paragraph(
        f"As on the records{', on the front' if 0 < len(sheet.limits) <= _MOST_LIMITS else ''}: size allowable and repairable, least "
        "distance apart and to the edge [mm], damaged share of the panel, number of damages; the approved repair data govern. A damage "
        "that touches a band or a row of fasteners belongs to it. A dash is not known, not free.", size=8,
    )  # fmt: skip
    page.heading("Method")
    for line in sheet.method_lines:
        page.paragraph(line, size=8, lead="•")
    page.heading("Cautions")
    for line in (*sheet.cautions, *((sheet.notice,) if sheet.notice else ())):
        if page.y > page.height - MARGIN - 12:
            page = Page(*size)
            _head(sheet, page, title, "Cautions, continued")
            pages.append(page)
        page.paragraph(line, size=7.5, lead="•")
    fits = int((size[1] - 2 * MARGIN - 40) / 4.4)
    for k in range(0, len(records), fits):
        page = Page(*size)
        _head(sheet, page, title, "Earlier damage and repairs, continued")
        page.table(_RECORD_COLUMNS, records[k : k + fits])
        pages.append(page)
    return pages


def _limit_cell(name: str, row: dict[str, object]) -> str:
    value = row[name]
    if name in ("place", "kind"):
        return str(value).replace("_", " ") or ("anywhere" if name == "place" else "every")
    if name == "bounds":
        return str(value).replace("_", " ")
    if name == "limit":
        return f"{value}, rev. {row['revision']}" if row["revision"] else str(value)
    if pd.isna(value):
        return "–"
    if name in ("size", "repairable_size"):
        return f"{value:g} mm²" if row["bounds"] == "area" else f"{value:g} mm"
    return f"{value * 100:g} %" if name == "total_share" else f"{value:g}"
