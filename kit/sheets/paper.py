"""A document on A4 pages, drawn line by line, so that it needs nothing but matplotlib."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import PercentFormatter, StrMethodFormatter

from kit.numerics.plain_text import plain_text
from kit.sheets.content import Document
from kit.sheets.parts import Boxes, Curve, Grid, Heading, Items, Part, Words

WIDTH, HEIGHT = 595.0, 842.0
"""A4 [pt]."""

SMALLEST = 5.5
"""A sheet that is too long for one page with letters of this size goes on to a second one; none is left out [pt]."""

_LARGEST, _STEP, _OF_DOSSIER = 8.5, 0.25, 8.0
_MARGIN, _FOOT, _LEADING, _PAD = 28.0, 14.0, 1.22, 3.0
_MEASURED = 100.0  # letters are measured this large, as widths are rounded [pt]
_CURVE_HEIGHT = 150.0
_FAMILY = "DejaVu Sans"  # comes with matplotlib


@dataclass
class _Paper:
    """What is to be drawn on each page: letters, lines, frames and curves, in points from the top left corner."""

    size: float
    pages: list[list[tuple]] = field(default_factory=lambda: [[]])
    y: float = _MARGIN

    def room(self, height: float) -> None:
        """Begin a page where there is no room left."""
        if self.y + height > HEIGHT - _MARGIN - _FOOT and self.pages[-1]:
            self.pages.append([])
            self.y = _MARGIN

    def line(self, text: str, x: float, size: float, *, bold: bool = False) -> None:
        self.pages[-1].append(("text", x, self.y + size, text, size, bold))

    def rule(self, x: float, width: float, weight: float = 0.4) -> None:
        self.pages[-1].append(("rule", x, self.y, width, weight))

    def words(self, text: str, *, x: float = _MARGIN, size: float | None = None, bold: bool = False) -> None:
        """Set a paragraph."""
        size = size or self.size
        for line in _wrapped(text, WIDTH - _MARGIN - x, size, bold):
            self.room(size * _LEADING)
            self.line(line, x, size, bold=bold)
            self.y += size * _LEADING


def pages(document: Document) -> tuple[Figure, ...]:
    """Draw a document on A4 pages.

    Parameters
    ----------
    document : Document
        What `decision_document` gave.

    Returns
    -------
    tuple of Figure
        Black on white. A sheet is one page: its letters are as large as that allows, down to `SMALLEST`; what does
        not even fit then stands on further pages, as nothing is left out.
    """
    paper = _set(document, _OF_DOSSIER)
    if document.kind == "sheet":
        steps = int((_LARGEST - SMALLEST) / _STEP) + 1
        for k in range(steps):
            paper = _set(document, _LARGEST - k * _STEP)
            if len(paper.pages) == 1:
                break
    return tuple(
        _drawn(page, f"{document.foot}; page {k} of {len(paper.pages)}")
        for k, page in enumerate(paper.pages, 1)
    )


def pdf_bytes(document: Document) -> bytes:
    """Return a document as PDF.

    Parameters
    ----------
    document : Document
        What `decision_document` gave.

    Returns
    -------
    bytes
        The same for the same document; its words can be searched and copied.
    """
    content = io.BytesIO()
    about = {"Title": plain_text(document.title), "CreationDate": None, "Creator": None, "Producer": None}
    with (
        mpl.rc_context({"pdf.fonttype": 42, "font.family": _FAMILY}),
        PdfPages(content, metadata=about) as pdf,
    ):
        for page in pages(document):
            pdf.savefig(page)
    return content.getvalue()


def picture(curve: Curve) -> Figure:
    """Draw the curve of a document by itself.

    Parameters
    ----------
    curve : Curve
        What is to be drawn.

    Returns
    -------
    Figure
        In black and white.
    """
    figure = Figure(figsize=(6.5, 2.4), layout="constrained")
    _plot(curve, figure.subplots(), 8.0)
    return figure


def _plot(curve: Curve, ax: Axes, size: float) -> None:
    ax.plot(
        curve.repeats,
        curve.shares,
        color="black",
        linewidth=1.2,
        marker="o",
        markersize=3,
        label="share of draws that meet the target",
    )
    ax.axhline(curve.asked, color="black", linestyle="--", linewidth=0.8, label=f"asked: {curve.asked:.0%}")
    if curve.answer is not None:
        ax.axvline(
            curve.answer, color="black", linestyle=":", linewidth=1.2, label=f"answer: {curve.answer:,.0f}"
        )
    ax.set_xlabel(f"repeat interval [{curve.unit}]", fontsize=size)
    ax.set_ylabel("share of draws", fontsize=size)
    ax.set_ylim(0, 1.05)
    ax.xaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.tick_params(labelsize=size)
    ax.legend(fontsize=size, frameon=False)


def _set(document: Document, size: float) -> _Paper:
    """Set a document with letters of a size."""
    paper = _Paper(size)
    paper.words(document.title, size=size * 1.45, bold=True)
    paper.y += size * 0.3
    before: Part | None = None
    for part in document.parts:
        if isinstance(part, Grid) and isinstance(before, Grid):
            paper.y += size * 0.6  # two tables do not touch
        before = part
        _SETTERS[type(part)](paper, part)
    return paper


def _heading(paper: _Paper, part: Heading) -> None:
    paper.y += paper.size * 0.55
    paper.room(paper.size * 4)  # never alone at the foot
    paper.words(part.text, size=paper.size * 1.1, bold=True)
    paper.rule(_MARGIN, WIDTH - 2 * _MARGIN, 0.7)
    paper.y += paper.size * 0.25


def _words(paper: _Paper, part: Words) -> None:
    if part.weight != "strong":
        paper.words(part.text, size=paper.size * (0.88 if part.weight == "small" else 1.0))
        return
    size = paper.size * 1.1
    lines = _wrapped(part.text, WIDTH - 2 * _MARGIN - 4 * _PAD, size, True)
    height = len(lines) * size * _LEADING + 2 * _PAD
    paper.y += _PAD  # clear of the letters above
    paper.room(height)
    paper.pages[-1].append(("frame", _MARGIN, paper.y, WIDTH - 2 * _MARGIN, height, 1.2))
    paper.y += _PAD
    for line in lines:
        paper.line(line, _MARGIN + 2 * _PAD, size, bold=True)
        paper.y += size * _LEADING
    paper.y += 2 * _PAD


_WHOLE = 8  # lines of an item that stay together; a longer one may go on overleaf


def _items(paper: _Paper, part: Items) -> None:
    if part.run_on:
        paper.words(" ".join(f"({k}) {line}" for k, line in enumerate(part.lines, 1)))
        return
    for line in part.lines:
        n_lines = len(_wrapped(line, WIDTH - 2 * _MARGIN - paper.size, paper.size, False))
        paper.room(min(n_lines, _WHOLE) * paper.size * _LEADING)  # a caution is not torn between two pages
        paper.line("•", _MARGIN + 1, paper.size)
        paper.words(line, x=_MARGIN + paper.size)


def _grid(paper: _Paper, part: Grid) -> None:
    size = paper.size * 0.94
    widths = _widths(part, size)
    for row, bold in ((part.names, True), *((row, False) for row in part.rows)):
        cells = [_wrapped(cell, width - _PAD, size, bold) for cell, width in zip(row, widths, strict=True)]
        for k in range(max(map(len, cells))):
            paper.room(size * _LEADING)
            x = _MARGIN
            for lines, width in zip(cells, widths, strict=True):
                if k < len(lines):
                    paper.line(lines[k], x, size, bold=bold)
                x += width
            paper.y += size * _LEADING
        paper.y += size * 0.1
        paper.rule(_MARGIN, WIDTH - 2 * _MARGIN, 0.7 if bold else 0.25)
        paper.y += size * 0.1


def _widths(part: Grid, size: float) -> list[float]:
    """Columns as wide as they need, longer ones in proportion, none narrower than its longest word where there is room."""
    room = WIDTH - 2 * _MARGIN
    columns = list(zip(part.names, *part.rows, strict=True))
    wanted = [max(_width(cell, size, bold=True) for cell in column) + 2 * _PAD for column in columns]
    least = [
        min(
            max(_width(word, size, bold=True) for cell in column for word in [*cell.split(), ""]) + 2 * _PAD,
            room / 2,
        )
        for column in columns
    ]
    if sum(wanted) <= room:
        return [*wanted[:-1], room - sum(wanted[:-1])]
    if sum(least) >= room:
        return [one * room / sum(least) for one in least]
    rest = [one - floor for one, floor in zip(wanted, least, strict=True)]
    return [floor + (room - sum(least)) * one / sum(rest) for floor, one in zip(least, rest, strict=True)]


def _boxes(paper: _Paper, part: Boxes) -> None:
    width, height = (WIDTH - 2 * _MARGIN) / len(part.labels), 28.0
    paper.y += paper.size * 0.3
    paper.room(height)
    for k, label in enumerate(part.labels):
        paper.pages[-1].append(("frame", _MARGIN + k * width, paper.y, width, height, 0.7))
        paper.line(label, _MARGIN + k * width + _PAD, paper.size * 0.8)
    paper.y += height + paper.size * 0.3


def _curve(paper: _Paper, part: Curve) -> None:
    paper.room(_CURVE_HEIGHT)
    paper.pages[-1].append(("curve", _MARGIN + 40, paper.y + 6, 380.0, _CURVE_HEIGHT - 40, part, paper.size))
    paper.y += _CURVE_HEIGHT


_SETTERS: dict[type, Callable[[_Paper, Part], None]] = {
    Heading: _heading,
    Words: _words,
    Items: _items,
    Grid: _grid,
    Boxes: _boxes,
    Curve: _curve,
}


def _drawn(page: list[tuple], foot: str) -> Figure:
    """Draw a page."""
    figure = Figure(figsize=(WIDTH / 72, HEIGHT / 72), facecolor="white")
    foot_at = HEIGHT - _MARGIN
    for what, x, y, *more in [*page, ("text", _MARGIN, foot_at, foot, 5.5, False)]:
        left, top = x / WIDTH, 1 - y / HEIGHT
        if what == "text":
            text, size, bold = more
            figure.text(
                left, top, _in_font(text, bold), fontsize=size, fontweight="bold" if bold else "normal", va="baseline", family=_FAMILY, parse_math=False
            )  # fmt: skip
        elif what == "rule":
            width, weight = more
            figure.add_artist(
                Line2D([left, left + width / WIDTH], [top, top], color="black", linewidth=weight)
            )
        elif what == "frame":
            width, height, weight = more
            box = Rectangle(
                (left, top - height / HEIGHT),
                width / WIDTH,
                height / HEIGHT,
                fill=False,
                edgecolor="black",
                linewidth=weight,
            )
            box.set_transform(figure.transFigure)
            figure.add_artist(box)
        else:
            width, height, curve, size = more
            _plot(
                curve,
                figure.add_axes((left, top - height / HEIGHT, width / WIDTH, height / HEIGHT)),
                size * 0.85,
            )
    return figure


@cache
def _font(bold: bool):
    return get_font(findfont(FontProperties(family=_FAMILY, weight="bold" if bold else "normal")))


@cache
def _letter(mark: str, bold: bool) -> float:
    """Width of a letter over the size of the font [-]."""
    font = _font(bold)
    font.set_size(_MEASURED, 72)
    return font.load_char(ord(mark)).linearHoriAdvance / 65536 / _MEASURED


def _width(text: str, size: float, bold: bool) -> float:
    return size * sum(_letter(mark, bold) for mark in _in_font(text, bold))


@cache
def _in_font(text: str, bold: bool) -> str:
    """Return a text in which letters that the font does not have stand by their numbers, so that none is lost."""
    known = _font(bold).get_charmap()
    clean = plain_text(text).replace("\n", " ").replace("\t", " ")
    return "".join(mark if ord(mark) in known else f"[U+{ord(mark):04X}]" for mark in clean)


def _wrapped(text: str, width: float, size: float, bold: bool) -> list[str]:
    """Break a text into lines; a word that is wider than a line is broken where it must be."""
    lines, line = [], ""
    for word in _pieces(text, width, size, bold):
        longer = f"{line} {word}" if line else word
        if line and _width(longer, size, bold) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [one.replace("\u00a0", " ") for one in (*lines, line)]


def _pieces(text: str, width: float, size: float, bold: bool) -> Iterator[str]:
    whole = re.sub(r"(?<=\d) (?=%)", "\u00a0", _in_font(text, bold))  # no line ends between 95 and %
    for word in filter(None, whole.split(" ")):
        piece = ""
        for mark in word:
            if piece and _width(piece + mark, size, bold) > width:
                yield piece
                piece = ""
            piece += mark
        yield piece
