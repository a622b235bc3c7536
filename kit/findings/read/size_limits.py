"""How large may a source be: what is over these sizes is refused before it is read."""

from __future__ import annotations

LARGEST_FILE = 2 * 1024**3
"""Largest table file, workbook or region file that is read [bytes]."""

LARGEST_UNPACKED = 1024**3
"""Largest total of the parts of a workbook, or of a column of a Parquet file, once unpacked [bytes]."""

MOST_ROWS = 50_000_000
"""Most rows of a table that are read."""

MOST_CELLS = 30_000_000
"""Most cells of a sheet that are read, counted from A1 to its last row and column."""

LONGEST_POLYGON = 1_000_000
"""Longest polygon that is read: characters of WKT, or bytes of WKB."""

MOST_CORNERS = 50_000
"""Most corners of a polygon that are read."""

LONGEST_NAME = 200
"""Longest id that is taken [characters]."""

LONGEST_TEXT = 32_767
"""Longest text of a cell that is taken, as a sheet may hold [characters]."""

MOST_COLUMNS = 16_384
"""Most columns of a table, as a sheet may hold."""

LONGEST_VALUE = 200
"""Longest cell that a problem repeats in full [characters]."""


def too_large(n: int, most: int, *, what: str, unit: str, mend: str) -> dict[str, str]:
    """Return the words about something over its limit, nothing where it is not.

    Parameters
    ----------
    n, most : int
        How much there is, and how much may be.
    what, unit : str
        What is counted, and in what.
    mend : str
        What to do.

    Returns
    -------
    dict of str to str
        reason, expected and mend; empty where `n` is at most `most`.
    """
    if n <= most:
        return {}
    return {
        "reason": f"{what} is too large ({n:,} {unit})",
        "expected": f"at most {most:,} {unit}",
        "mend": mend,
    }


def shortened(cell: str, most: int = LONGEST_VALUE) -> str:
    """Return a cell for a message, cut where it is very long.

    Parameters
    ----------
    cell : str
        The cell.
    most : int
        From how many characters on it is cut.

    Returns
    -------
    str
        At most `most` characters of it, then how long it is.

    Examples
    --------
    >>> shortened("0 0, " * 1000)[-23:]
    '... (5,000 characters)'
    """
    if len(cell) <= most:
        return cell
    return f"{cell[:most]}... ({len(cell):,} characters)"
