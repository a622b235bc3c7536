"""Sheets as a PDF file, exact to scale."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from kit.findings import replace_bytes
from kit.tap_sheets.content import TapSheet
from kit.tap_sheets.draw import sheet_pages


def write_sheets(
    sheets: Sequence[TapSheet],
    path: str | Path,
    *,
    paper: str = "a4",
    title: str = "",
    say: Callable[[str], None] | None = None,
) -> int:
    """Write sheets as one PDF file, whole or not at all; the same sheets give the same bytes.

    Parameters
    ----------
    sheets : sequence of TapSheet
        In their order.
    path : str or Path
        The file.
    paper : str
        ``a4`` or ``letter``.
    title : str
        What they are for.
    say : callable, optional
        Called before each sheet with its panel.

    Returns
    -------
    int
        Number of pages.

    Raises
    ------
    ValueError
        If there is no sheet, or the paper is unknown.
    OSError
        If it cannot be written.
    """
    if not len(sheets):
        raise ValueError("`sheets` must hold at least one. Got none: choose a panel.")
    buffer, n_pages = io.BytesIO(), 0
    canvas = Canvas(buffer, pageCompression=1, invariant=1)  # no day and no number of its own in the file
    canvas.setTitle(title or "Tap-test sheets")
    canvas.setCreator("skin findings kit")
    for k, sheet in enumerate(sheets):
        if say is not None:
            say(sheet.panel)
        for page in sheet_pages(sheet, paper=paper, number=k + 1, of=len(sheets), title=title):
            page.put_on(canvas)
            n_pages += 1
    canvas.save()
    replace_bytes(Path(path), buffer.getvalue())
    return n_pages
