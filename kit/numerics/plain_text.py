"""Text from data as a screen or a page may show it."""

from __future__ import annotations

import unicodedata

_HIDDEN = ("Cc", "Cf", "Cs", "Zl", "Zp")  # controls, direction marks, half characters, line separators


def plain_text(text: object) -> str:
    """Return a text that cannot steer a terminal or hide a part of itself.

    Parameters
    ----------
    text : object
        What is to be shown.

    Returns
    -------
    str
        Every control character but the end of a line and the tabulator, and every mark that turns the direction or
        has no width, is a replacement character.

    Examples
    --------
    >>> plain_text("seen" + chr(27) + "[2J gone")
    'seen\N{REPLACEMENT CHARACTER}[2J gone'
    """
    return "".join(
        mark if mark in "\n\t" or unicodedata.category(mark) not in _HIDDEN else "\N{REPLACEMENT CHARACTER}"
        for mark in str(text)
    )
