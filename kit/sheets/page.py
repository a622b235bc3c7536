"""A document as one HTML page that stands alone."""

from __future__ import annotations

import base64
import html
import io

from kit.numerics.plain_text import plain_text
from kit.sheets.content import Document
from kit.sheets.paper import picture
from kit.sheets.parts import Boxes, Curve, Grid, Heading, Items, Part, Words

_STYLE = """
@page { size: A4; margin: 9mm }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 190mm; margin: 4mm auto; padding: 0 2mm }
h1 { font-size: 1.4em; margin: 0 0 .4em } h2 { font-size: 1.1em; margin: .9em 0 .2em; border-bottom: 1px solid #000 }
table { border-collapse: collapse; width: 100%; margin: .3em 0 } th, td { border: 1px solid #000; padding: .1em .4em; text-align: left; vertical-align: top }
table + table { margin-top: .9em }
td { overflow-wrap: anywhere } p, ul { margin: .25em 0 } ul { padding-left: 1.2em } .strong { border: 2px solid #000; padding: .4em; font-weight: bold }
.boxes td { height: 3.2em; width: 33% } .small, footer { font-size: .85em; overflow-wrap: anywhere } img { width: 100%; max-width: 150mm }
@media print { body.sheet { font-size: 6.4pt; line-height: 1.2; max-width: none; margin: 0; padding: 0 } body.dossier { font-size: 8.5pt } }
"""


def html_page(document: Document) -> str:
    """Return a document as HTML.

    Parameters
    ----------
    document : Document
        What `decision_document` gave.

    Returns
    -------
    str
        A page without scripts or links, its picture in itself, in black and white; every text is escaped.
    """
    title = _text(document.title)
    body = "\n".join(map(_part, document.parts))
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">"
        f'<title>{title}</title><style>{_STYLE}</style></head><body class="{_text(document.kind)}">\n<h1>{title}</h1>\n{body}\n'
        f"<footer>{_text(document.foot)}</footer></body></html>\n"
    )


def _text(value: object) -> str:
    return html.escape(plain_text(value), quote=True)


def _part(part: Part) -> str:
    match part:
        case Heading(text):
            return f"<h2>{_text(text)}</h2>"
        case Words(text, weight):
            return f'<p class="{weight}">{_text(text)}</p>' if weight else f"<p>{_text(text)}</p>"
        case Items(lines, True):
            return "<p>" + " ".join(f"<b>({k})</b> {_text(line)}" for k, line in enumerate(lines, 1)) + "</p>"
        case Items(lines):
            return "<ul>" + "".join(f"<li>{_text(line)}</li>" for line in lines) + "</ul>"
        case Grid(names, rows):
            head = "".join(f"<th>{_text(name)}</th>" for name in names)
            cells = "".join(
                "<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in row) + "</tr>" for row in rows
            )
            return f"<table><tr>{head}</tr>{cells}</table>"
        case Boxes(labels):
            cells = "".join(f"<td>{_text(label)}</td>" for label in labels)
            return f'<table class="boxes"><tr>{cells}</tr></table>'
        case Curve():
            content = io.BytesIO()
            picture(part).savefig(content, format="png", dpi=130, metadata={"Software": None})
            data = base64.b64encode(content.getvalue()).decode("ascii")
            return f'<img alt="{_text(_told(part))}" src="data:image/png;base64,{data}">'


def _told(curve: Curve) -> str:
    points = ", ".join(
        f"{repeat:,.0f}: {share:.0%}" for repeat, share in zip(curve.repeats, curve.shares, strict=True)
    )
    return f"Share of draws that meet the target by repeat interval [{curve.unit}]: {points}; asked {curve.asked:.0%}"
