"""A page on paper: text, lines, shapes and tables placed in millimetres, and drawn onto a PDF canvas."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from kit.numerics.plain_text import plain_text

PAPERS: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height of the papers (ISO 216; ANSI/ASME Y14.1) [mm]."""

MARGIN = 12.0
"""Free of print on every side [mm]."""

POINTS = 72 / 25.4
"""Points a millimetre."""

_ASCENT, _DESCENT = (
    0.93,
    0.24,
)  # of the font's letters over their size, above and below the line they stand on
_SMALLEST = 5.5  # size of letters in a table, points
_HATCH = 4.5  # mm between the lines of a hatch that is named once
_EVEN_ODD = 0
_DIRECTIONS = {
    "/": ((1, 1),),
    "\\": ((1, -1),),
    "x": ((1, 1), (1, -1)),
    "-": ((1, 0),),
    "|": ((0, 1),),
    "+": ((1, 0), (0, 1)),
}


@cache
def _font(*, bold: bool) -> str:
    """Hand over a font that the file will hold, so that every letter of the data is printed; return its name."""
    name = "DejaVuSans-Bold" if bold else "DejaVuSans"
    pdfmetrics.registerFont(TTFont(name, Path(mpl.get_data_path(), "fonts", "ttf", f"{name}.ttf")))
    return name


class Page:
    """A page on which everything is placed in mm from its upper left corner.

    Parameters
    ----------
    width, height : float
        Of the paper [mm].
    """

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self.y = MARGIN
        self._parts: list[Callable[[Any], None]] = []

    @property
    def inner(self) -> float:
        """Width between the margins [mm]."""
        return self.width - 2 * MARGIN

    def put_on(self, canvas: Any) -> None:
        """Draw everything onto a canvas and end its page.

        Parameters
        ----------
        canvas : Canvas
            Of reportlab.
        """
        canvas.setPageSize((self.width * POINTS, self.height * POINTS))
        for part in self._parts:
            part(canvas)
        canvas.showPage()

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x * POINTS, (self.height - y) * POINTS

    def line(
        self,
        x: Sequence[float],
        y: Sequence[float],
        *,
        width: float = 0.5,
        grey: float = 0.0,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw a line that ends where its points end.

        Parameters
        ----------
        x, y : sequence of float
            Its points [mm].
        width : float
            Of the line [points].
        grey : float
            0 is black, 1 white [-].
        dash : tuple of float
            Lengths of dashes and gaps; none draws it through [points].
        """
        self.lines([np.column_stack([x, y])], width=width, grey=grey, dash=dash)

    def lines(
        self,
        lines: Sequence[np.ndarray],
        *,
        width: float = 0.5,
        grey: float = 0.0,
        dash: tuple[float, ...] = (),
    ) -> None:
        """Draw several lines alike, each a path of its own.

        Parameters
        ----------
        lines : sequence of ndarray, shape (n, 2)
            Points of each [mm].
        width, grey, dash : object
            As of `line`.
        """

        def draw(canvas: Any) -> None:
            _pen(canvas, width, grey, dash)
            for points in lines:
                path = canvas.beginPath()
                path.moveTo(*self._at(*points[0]))
                for point in points[1:]:
                    path.lineTo(*self._at(*point))
                canvas.drawPath(path)

        self._parts.append(draw)

    def crosses(self, x: np.ndarray, y: np.ndarray, *, half: float, grey: float = 0.3) -> None:
        """Draw crosses of two strokes.

        Parameters
        ----------
        x, y : ndarray
            Their middles [mm].
        half : float
            Half their width [mm].
        grey : float
            0 is black, 1 white [-].
        """

        def draw(canvas: Any) -> None:
            _pen(canvas, 0.25, grey, ())
            for middle_x, middle_y in zip(x, y, strict=True):
                path = canvas.beginPath()
                path.moveTo(*self._at(middle_x - half, middle_y))
                path.lineTo(*self._at(middle_x + half, middle_y))
                path.moveTo(*self._at(middle_x, middle_y - half))
                path.lineTo(*self._at(middle_x, middle_y + half))
                canvas.drawPath(path)

        self._parts.append(draw)

    def shape(
        self,
        shape: shapely.Geometry | None,
        *,
        width: float = 0.5,
        grey: float = 0.0,
        dash: tuple[float, ...] = (),
        fill: str | None = None,
        hatch: str = "",
    ) -> None:
        """Draw polygons with their holes, hatched and filled where that is asked.

        Parameters
        ----------
        shape : Polygon, MultiPolygon or None
            On the page [mm]; nothing is drawn where it has no area.
        width, grey, dash : object
            Of the outline, as of `line`.
        fill : str, optional
            Colour, or a grey as matplotlib writes it; let through by six tenths.
        hatch : str
            As matplotlib writes it.
        """
        rings = [] if shape is None else _rings(shape)
        if not rings:
            return

        def path_of(canvas: Any) -> Any:
            path = canvas.beginPath()
            for ring in rings:
                path.moveTo(*self._at(*ring[0]))
                for point in ring[1:]:
                    path.lineTo(*self._at(*point))
                path.close()
            return path

        def draw(canvas: Any) -> None:
            canvas.saveState()
            if fill is not None:
                canvas.setFillColorRGB(*mpl.colors.to_rgb(fill), alpha=0.4)
                canvas.drawPath(path_of(canvas), stroke=0, fill=1, fillMode=_EVEN_ODD)
            if hatch:
                canvas.saveState()
                canvas.clipPath(path_of(canvas), stroke=0, fill=0, fillMode=_EVEN_ODD)
                self._hatch(canvas, shapely.bounds(shape), hatch)
                canvas.restoreState()
            if width > 0:
                _pen(canvas, width, grey, dash)
                canvas.drawPath(path_of(canvas), stroke=1, fill=0)
            canvas.restoreState()

        self._parts.append(draw)

    def _hatch(self, canvas: Any, bounds: tuple[float, ...], hatch: str) -> None:
        """Draw the lines of a hatch over a box; what stands outside is clipped."""
        low, high = np.array(bounds[:2]), np.array(bounds[2:])
        middle, reach = (low + high) / 2, float(np.hypot(*(high - low))) / 2 + _HATCH
        _pen(canvas, 0.4, 0.0, ())
        for sign in dict.fromkeys(hatch):
            step = _HATCH / hatch.count(sign)
            steps = np.arange(-np.ceil(reach / step), np.ceil(reach / step) + 1) * step
            if sign not in _DIRECTIONS:  # dots and rings
                size = 0.18 if sign == "." else 0.5
                for x in middle[0] + steps:
                    for y in middle[1] + steps:
                        at = self._at(x, y)
                        canvas.circle(*at, size * POINTS, stroke=sign != ".", fill=sign == ".")
                continue
            for way in _DIRECTIONS[sign]:
                along = np.array(way, float) * (1, -1) / np.hypot(*way)
                across = np.array([-along[1], along[0]])
                for far in steps:
                    start, end = (
                        middle + across * far - along * reach,
                        middle + across * far + along * reach,
                    )
                    canvas.line(*self._at(*start), *self._at(*end))

    def box(self, x: float, y: float, width: float, height: float) -> None:
        """Draw an empty box.

        Parameters
        ----------
        x, y, width, height : float
            Its upper left corner and its size [mm].
        """

        def draw(canvas: Any) -> None:
            _pen(canvas, 0.7, 0.0, ())
            canvas.rect(*self._at(x, y + height), width * POINTS, height * POINTS)

        self._parts.append(draw)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 8.0,
        bold: bool = False,
        ha: str = "left",
        va: str = "top",
        upright: bool = False,
        boxed: bool = False,
    ) -> None:
        """Write text, as it is.

        Parameters
        ----------
        x, y : float
            Where it stands [mm].
        words : str
            The text.
        size : float
            Of the letters [points].
        bold : bool
            Whether they are.
        ha, va : str
            What of it stands there: left, center or right; top or bottom.
        upright : bool
            Written upwards, its middle at y and its right side at x.
        boxed : bool
            On white, where it stands over a drawing.
        """
        words, name = plain_text(words).replace("\n", " "), _font(bold=bold)
        if not words:
            return

        def draw(canvas: Any) -> None:
            canvas.setFont(name, size)
            canvas.setFillGray(0.0)
            if upright:
                canvas.saveState()
                left, base = self._at(x, y)
                canvas.translate(left - _DESCENT * size, base)
                canvas.rotate(90)
                canvas.drawCentredString(0, 0, words)
                canvas.restoreState()
                return
            left, base = self._at(x, y)
            base += _DESCENT * size if va == "bottom" else -_ASCENT * size
            if ha != "left" or boxed:
                wide = pdfmetrics.stringWidth(words, name, size)
                left -= {"left": 0.0, "center": 0.5, "right": 1.0}[ha] * wide
                if boxed:
                    canvas.setFillGray(1.0)
                    canvas.rect(left, base - 0.1 * size, wide, 0.95 * size, stroke=0, fill=1)
                    canvas.setFillGray(0.0)
            canvas.drawString(left, base, words)

        self._parts.append(draw)

    def paragraph(self, words: str, *, size: float = 8.0, lead: str = "", bold: bool = False) -> None:
        """Write text over the width of the page, and go on below it.

        Parameters
        ----------
        words, lead : str
            The text, and what stands before its first line.
        size : float
            Of the letters [points].
        bold : bool
            Whether they are.
        """
        # The widest letters that come up on average: a line never runs over the margin.
        per_line = int((self.inner - 4.0) / (size / POINTS * (0.63 if bold else 0.545)))
        for k, line in enumerate(textwrap.wrap(plain_text(words), per_line) or [""]):
            if lead and k == 0:
                self.text(MARGIN, self.y, lead, size=size)
            self.text(MARGIN + (4.0 if lead else 0.0), self.y, line, size=size, bold=bold)
            self.y += size / POINTS * 1.32
        self.y += size / POINTS * 0.3

    def heading(self, words: str) -> None:
        """Write a heading, and go on below it.

        Parameters
        ----------
        words : str
            The text.
        """
        self.y += 1.5
        self.text(MARGIN, self.y, words, size=9.5, bold=True)
        self.y += 5.0

    def table(
        self, columns: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]], *, row: float = 4.4
    ) -> None:
        """Draw a ruled table, and go on below it.

        Parameters
        ----------
        columns : sequence of tuple
            Heading and share of the width of each.
        rows : sequence of sequence of str
            Cells.
        row : float
            Height of a row [mm].
        """
        total = sum(share for _, share in columns)
        edges = MARGIN + np.cumsum([0.0, *(share / total * self.inner for _, share in columns)])
        for k, cells in enumerate([[name for name, _ in columns], *rows]):
            y = self.y + k * row
            for left, right, words in zip(edges[:-1], edges[1:], cells, strict=True):
                shown = plain_text(words)
                # Smaller letters before a cell is cut: the end of a record's name tells which it is.
                letters = (right - left - 1.5) * POINTS / (0.66 if k == 0 else 0.58)
                size = float(np.clip(letters / max(len(shown), 1), _SMALLEST, 7.0))
                most = max(int(letters / size + 1e-9), 3)
                shown = shown if len(shown) <= most else shown[: most - 1] + "…"
                self.text(left + 0.8, y + 1.0, shown, size=size, bold=k == 0)
        bottom = self.y + (len(rows) + 1) * row
        lines = [np.array([(MARGIN, y), (edges[-1], y)]) for y in self.y + np.arange(len(rows) + 2) * row]
        lines += [np.array([(x, self.y), (x, bottom)]) for x in edges]
        self.lines(lines, width=0.4, grey=0.4)
        self.y = bottom + 1.5


def _pen(canvas: Any, width: float, grey: float, dash: tuple[float, ...]) -> None:
    canvas.setLineWidth(width)
    canvas.setStrokeGray(grey)
    canvas.setDash(list(dash))


def _rings(shape: shapely.Geometry) -> list[np.ndarray]:
    """Outlines and holes of what has an area."""
    return [
        shapely.get_coordinates(ring)
        for part in shapely.get_parts(shape).tolist()
        if shapely.get_type_id(part) == shapely.GeometryType.POLYGON and not shapely.is_empty(part)
        for ring in (part.exterior, *part.interiors)
    ]
