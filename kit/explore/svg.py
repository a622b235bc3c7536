"""Pictures as SVG text: quick to make, sharp at any size, told apart in black and white, and with words for who cannot see them."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from kit.figures import KIND_STYLE
from kit.numerics.plain_text import plain_text

_NAMESPACE = "http:" + "//www.w3.org/2000/svg"  # the name of the standard, not an address
_TILE = 8.0  # of a hatch, in units of the picture
_STROKES = {
    "/": "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4",
    "\\": "M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4",
    "x": "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4 M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4",
    "-": "M0,4 h8",
    "+": "M0,4 h8 M4,0 v8",
    ".": "M3,4 h2",
    "o": "M2,4 a2,2 0 1,0 4,0 a2,2 0 1,0 -4,0",
}


def escaped(text: object) -> str:
    """Return text from data as it can stand in HTML, in SVG and in an attribute.

    Parameters
    ----------
    text : object
        Any.

    Returns
    -------
    str
        Escaped, and without marks that steer or hide text.

    Examples
    --------
    >>> escaped("<b>&'")
    '&lt;b&gt;&amp;&#x27;'
    """
    return html.escape(plain_text(text).replace("\n", " "), quote=True)


@dataclass(frozen=True)
class Picture:
    """A picture that a notebook shows and keeps.

    Parameters
    ----------
    svg : str
        The picture.
    words : str
        What it shows, in words.
    """

    svg: str
    words: str

    def __repr__(self) -> str:
        """Return what it shows."""
        return f"Picture({self.words})"

    def _repr_svg_(self) -> str:
        return self.svg


def picture(body: str, *, width: float, height: float, words: str, scale: float = 1.0) -> Picture:
    """Put the parts of a picture together.

    Parameters
    ----------
    body : str
        Its parts.
    width, height : float
        Its size in its own units.
    words : str
        What it shows.
    scale : float
        Size on the screen over its own [px].

    Returns
    -------
    Picture
        That a screen reader reads as its words.
    """
    told = escaped(words)
    svg = (
        f'<svg xmlns="{_NAMESPACE}" role="img" aria-label="{told}" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width * scale:.0f}" height="{height * scale:.0f}" style="max-width:100%;height:auto" '
        f'font-family="sans-serif" font-size="12"><title>{told}</title>'
        f'<rect width="{width:g}" height="{height:g}" fill="white"/>{body}</svg>'
    )
    return Picture(svg, words)


def text(
    x: float, y: float, words: object, *, anchor: str = "start", size: float = 12, bold: bool = False
) -> str:
    """Write text with a white rim, so that it is read over lines.

    Parameters
    ----------
    x, y : float
        Where it stands.
    words : object
        The text.
    anchor : str
        start, middle or end.
    size : float
        Of the letters.
    bold : bool
        Whether they are.

    Returns
    -------
    str
        A part of a picture.
    """
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size:g}"{weight} fill="black" '
        f'stroke="white" stroke-width="3" paint-order="stroke">{escaped(words)}</text>'
    )


def line(
    x: Sequence[float], y: Sequence[float], *, width: float = 1.0, dash: str = "", grey: str = "black"
) -> str:
    """Draw a line through points.

    Parameters
    ----------
    x, y : sequence of float
        The points.
    width : float
        Of the line.
    dash : str
        Lengths of dashes and gaps.
    grey : str
        Its colour.

    Returns
    -------
    str
        A part of a picture.
    """
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<polyline points="{points}" fill="none" stroke="{grey}" stroke-width="{width:g}"{dashed}/>'


def outline_path(shape: shapely.Geometry | None, *, digits: int = 1) -> str:
    """Return polygons with their holes as the data of a path.

    Parameters
    ----------
    shape : Polygon, MultiPolygon or None
        In units of the picture.
    digits : int
        Decimals of the coordinates.

    Returns
    -------
    str
        "" where there is no area.
    """
    if shape is None or shapely.is_empty(shape):
        return ""
    parts = []
    for part in shapely.get_parts(shape).tolist():
        if shapely.get_type_id(part) != shapely.GeometryType.POLYGON:
            continue
        for ring in (part.exterior, *part.interiors):
            points = np.round(shapely.get_coordinates(ring)[:-1], digits)
            parts.append("M" + "L".join(f"{x:g},{y:g}" for x, y in points) + "Z")
    return "".join(parts)


def hatches(kinds: Sequence[str]) -> str:
    """Return the hatches of kinds of damage, to be named as ``url(#hatch-<kind>)``.

    Parameters
    ----------
    kinds : sequence of str
        Kinds; others have one hatch between them.

    Returns
    -------
    str
        A part of a picture.
    """
    out = []
    for kind in dict.fromkeys(kinds):
        colour, hatch = KIND_STYLE.get(kind, ("0.6", "--"))
        colour = "#999999" if not colour.startswith("#") else colour
        strokes = " ".join(_STROKES[sign] for sign in dict.fromkeys(hatch) if sign in _STROKES)
        out.append(
            f'<pattern id="hatch-{escaped(kind)}" patternUnits="userSpaceOnUse" width="{_TILE:g}" height="{_TILE:g}">'
            f'<rect width="{_TILE:g}" height="{_TILE:g}" fill="{colour}" fill-opacity="0.35"/>'
            f'<path d="{strokes}" stroke="black" stroke-width="0.9" fill="none"/></pattern>'
        )
    return f"<defs>{''.join(out)}</defs>"


def _short(value: float) -> str:
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def curve_chart(
    curves: Sequence[tuple[str, np.ndarray, str]],
    *,
    at: tuple[float, float],
    size: tuple[float, float],
    right: float,
    level: float,
    mark: float,
    x_words: str,
    mark_words: str,
    level_words: str,
) -> str:
    """Draw the share of draws at or below each value, with the value and the share that are asked.

    Parameters
    ----------
    curves : sequence of tuple
        Name, values of the draws, and dashes of the line.
    at, size : tuple of float
        Upper left corner and size of the frame.
    right : float
        Largest value shown.
    level : float
        Share that is asked [-].
    mark : float
        Value that is asked.
    x_words, mark_words, level_words : str
        What they are.

    Returns
    -------
    str
        A part of a picture.
    """
    (left, top), (wide, high) = at, size

    def x_of(value: np.ndarray | float) -> np.ndarray | float:
        return left + wide * np.minimum(np.asarray(value) / right, 1.0)

    def y_of(share: np.ndarray | float) -> np.ndarray | float:
        return top + high * (1 - np.asarray(share))

    parts = [
        f'<rect x="{left:g}" y="{top:g}" width="{wide:g}" height="{high:g}" fill="none" stroke="black"/>'
    ]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(text(left - 5, float(y_of(share)) + 4, f"{share * 100:.0f} %", anchor="end", size=10))
    for part in (0.0, 0.5, 1.0):
        parts.append(
            text(left + wide * part, top + high + 14, _short(right * part), anchor="middle", size=10)
        )
    parts.append(line([x_of(mark)] * 2, [top, top + high], width=1.6, dash="1,3"))
    parts.append(line([left, left + wide], [y_of(level)] * 2, width=1.2, dash="6,3", grey="#444"))
    for name, values, dash in curves:
        ordered = np.sort(values)[:: max(values.size // 160, 1)]
        share = (np.arange(ordered.size) + 1) / ordered.size
        x = np.r_[left, np.repeat(x_of(ordered), 2), left + wide]
        y = np.r_[y_of(0.0), y_of(0.0), np.repeat(y_of(share), 2)[:-1], y_of(1.0)]
        parts.append(line(x, y, width=2.2 if not dash else 1.8, dash=dash))
        middle = float(np.median(values))
        parts.append(text(float(x_of(middle)) + 4, float(y_of(0.5)) - 3 + 14 * bool(dash), name, bold=True))
    below = top + high + 30
    parts.append(text(left + wide / 2, below, x_words, anchor="middle", size=11))
    parts.append(text(float(x_of(mark)) + 3, top + high - 6, mark_words, size=10))
    parts.append(text(left + 4, float(y_of(level)) + 12, level_words, size=10))
    return "".join(parts)
