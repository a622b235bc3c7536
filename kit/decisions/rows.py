"""Which very rows a decision used: a digest of each, one over all, and what became of each since."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import zlib
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.findings import replace_bytes

ENDING = ".rows.gz"
"""What the name of the side file of a record ends in."""

MOST_BYTES = 2_000_000_000
"""A side file that is longer than this when unpacked is not read [bytes]."""

MOST_TIMES, SMALL = 100, 1_000_000
"""What is packed grows some ten times when unpacked. What grows more than so often, beyond so many bytes, was made to fill the
memory of whoever reads it [-], [bytes]."""

_LEAF, _NODE = b"\x00", b"\x01"  # a leaf can never be taken for a node

COLUMNS = ("table", "id", "what", "column", "then", "now")
"""Columns of a table of what became of rows."""


@dataclass(frozen=True, eq=False)
class UsedRows:
    """The rows that a decision used, each in its canonical form.

    Parameters
    ----------
    texts : tuple of str
        A JSON list of table, id and the cells that are not blank, for each row, in order of table and id.
    """

    texts: tuple[str, ...]

    def __repr__(self) -> str:
        """Return one line."""
        return f"UsedRows({len(self.texts):,} rows, root {self.root[:12]})"

    @cached_property
    def root(self) -> str:
        """Root of the tree of digests [64 hexadecimal digits]."""
        return merkle_root([leaf_digest(text) for text in self.texts])

    def counts(self) -> dict[str, int]:
        """Return how many rows there are of each table.

        Returns
        -------
        dict of str to int
            By table.
        """
        return dict(self._counts)

    @cached_property
    def _counts(self) -> dict[str, int]:
        tables = pd.Series([json.loads(text)[0] for text in self.texts], dtype=object)
        return {str(name): int(n) for name, n in tables.value_counts(sort=False).sort_index().items()}

    @cached_property
    def packed(self) -> bytes:
        """Bytes of the side file: one line a row, packed."""
        return gzip.compress("".join(f"{row}\n" for row in self.texts).encode("utf-8"), mtime=0)


def leaf_digest(text: str) -> bytes:
    """Return the digest of one row.

    Parameters
    ----------
    text : str
        The row in its canonical form.

    Returns
    -------
    bytes
        SHA-256.
    """
    return hashlib.sha256(_LEAF + text.encode("utf-8")).digest()


def merkle_root(leaves: list[bytes]) -> str:
    """Return the root of a tree of digests.

    Parameters
    ----------
    leaves : list of bytes
        In order.

    Returns
    -------
    str
        SHA-256 in hex; a leaf without a partner goes up as it is.

    Notes
    -----
    Leaves and nodes are distinguished by their first byte, as in the Merkle trees of RFC 6962, so that no set of rows can
    be made up of the nodes of another one.
    """
    level = leaves or [hashlib.sha256(b"").digest()]
    for _ in range(len(level).bit_length() + 1):
        if len(level) == 1:
            break
        pairs = [
            hashlib.sha256(_NODE + a + b).digest() for a, b in zip(level[::2], level[1::2], strict=False)
        ]
        level = pairs + level[len(level) - len(level) % 2 :]
    return level[0].hex()


def write_rows(rows: UsedRows, path: Path) -> None:
    """Write the side file of a record, whole or not at all.

    Parameters
    ----------
    rows : UsedRows
        The rows.
    path : Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    replace_bytes(path, rows.packed)


def read_rows(path: str | Path) -> UsedRows:
    """Read a side file.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    UsedRows
        As written; compare its root with that of the record.

    Raises
    ------
    RecordError
        If it cannot be read, or is no side file.
    """
    try:
        packed = file_bytes(path, MOST_BYTES, "the rows of a decision")
        most = min(MOST_BYTES, SMALL + MOST_TIMES * len(packed))
        with gzip.open(io.BytesIO(packed)) as file:
            raw = file.read(most + 1)
        if len(raw) > most:
            raise ValueError(f"more than {most:,} bytes when unpacked from {len(packed):,}")
        texts = tuple(raw.decode("utf-8").split("\n")[:-1])
        _check(texts)
    except (OSError, EOFError, ValueError, zlib.error) as error:
        raise RecordError(
            f"{path}: not the rows of a decision ({error}). Restore the file from its source, or re-run without it."
        ) from None
    return UsedRows(texts)


def _check(texts: tuple[str, ...]) -> None:
    """Refuse lines that are no rows: all are read at once, as line by line takes five times as long."""
    if not all(text.startswith('["') and text.endswith("}]") for text in texts):
        raise ValueError("a line is not a list of table, id and cells")
    rows = json_object(f'{{"rows":[{",".join(texts)}]}}'.encode(), "row", "a row")["rows"]
    if len(rows) != len(texts) or not all(
        isinstance(row, list) and len(row) == 3 and isinstance(row[2], dict) for row in rows
    ):
        raise ValueError("a line is not a list of table, id and cells")


def _cells(text: str) -> tuple[tuple[str, str], dict[str, str]]:
    row = json_object(b'{"row":' + text.encode("utf-8") + b"}", "row", "a row")["row"]
    if not (isinstance(row, list) and len(row) == 3 and isinstance(row[2], dict)):
        raise ValueError("a line is not a list of table, id and cells")
    table, key, cells = row
    return (str(table), str(key)), {str(name): str(cell) for name, cell in cells.items()}


def rows_changed(then: UsedRows, now: UsedRows) -> pd.DataFrame:
    """Say what became of each row that a decision used.

    Parameters
    ----------
    then : UsedRows
        The rows of the record.
    now : UsedRows
        The rows as known on the same day, read today.

    Returns
    -------
    DataFrame
        Columns table, id, what, column, then, now; one row for each cell of a row ``altered`` in place, and one for
        each row ``deleted``, or ``back-dated``: entered since with a day on which it would have been known.
    """
    old_only, new_only = set(then.texts) - set(now.texts), set(now.texts) - set(then.texts)
    old, new = (dict(_cells(text) for text in texts) for texts in (old_only, new_only))
    out: list[tuple[str, str, str, str, str, str]] = []
    for table, key in sorted(set(old) | set(new)):
        before, after = old.get((table, key)), new.get((table, key))
        if before is None or after is None:
            out.append((table, key, "back-dated" if before is None else "deleted", "", "", ""))
            continue
        for column in sorted(set(before) | set(after)):
            a, b = before.get(column, ""), after.get(column, "")
            if a != b:
                out.append((table, key, "altered", column, a, b))
    return pd.DataFrame(out, columns=list(COLUMNS), dtype="str")
