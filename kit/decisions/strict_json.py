"""JSON that no two readers can read otherwise."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import numpy as np

MOST_DIGITS = 18
"""Longest whole number, so that every reader can hold it [digits]."""


class RecordError(ValueError):
    """A decision record, or what stands beside it, that cannot be read."""


def file_bytes(path: str | Path, most: int, what: str = "a decision record") -> bytes:
    """Return the bytes of a regular file of bounded length.

    Parameters
    ----------
    path : str or Path
        The file. A pipe, which may never end, is not opened.
    most : int
        Longest that is read [bytes].
    what : str
        What it should be.

    Returns
    -------
    bytes
        Its contents.

    Raises
    ------
    RecordError
        If it is no regular file, cannot be read, or is longer.
    """
    path = Path(path)
    give = f"Give the path of {what}."
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            raise RecordError(f"{path}: not a regular file. {give}")
        if state.st_size > most:
            raise RecordError(
                f"{path}: not {what}: {state.st_size:,} bytes, and one has at most {most:,}. Restore the file from its source."
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:
        if isinstance(error, RecordError):
            raise
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordError(f"{path}: cannot be read ({reason}). {give}") from None


def json_object(raw: bytes, path: str | Path, what: str = "a decision record") -> dict[str, Any]:
    """Return a JSON object from bytes that no two readers can read otherwise.

    Parameters
    ----------
    raw : bytes
        The bytes.
    path : str or Path
        Where they stand, for the error.
    what : str
        What they should be.

    Returns
    -------
    dict
        The object.

    Raises
    ------
    RecordError
        If a name stands twice in one object, a number is none or out of range, a text holds half a character, it is
        nested too deeply, cut short, begins with a byte-order mark, or is no JSON object.
    """

    def pairs(items: list[tuple[str, Any]]) -> dict[str, Any]:
        out = dict(items)
        if len(out) < len(items):
            names = [name for name, _ in items]
            twice = next(name for name in names if names.count(name) > 1)
            raise ValueError(f"the name {twice[:80]!r} stands twice in one object")
        return out

    def number(text: str) -> float:
        value = float(text)
        if not np.isfinite(value):
            raise ValueError(f"{text[:30]} is not a finite number")
        return value

    def whole(text: str) -> int:
        if len(text) > MOST_DIGITS:
            raise ValueError(f"{text[:30]}... is out of range: a whole number of {len(text):,} digits")
        return int(text)

    restore = "Restore the file from its source."
    try:
        text = raw.decode("utf-8")
        data = json.loads(
            text, object_pairs_hook=pairs, parse_float=number, parse_int=whole, parse_constant=number
        )
        json.dumps(data, ensure_ascii=False).encode("utf-8")
    except UnicodeDecodeError:
        raise RecordError(f"{path}: not a text file. Give the path of {what}.") from None
    except RecursionError:
        raise RecordError(f"{path}: not {what}: nested too deeply. {restore}") from None
    except UnicodeEncodeError:
        raise RecordError(f"{path}: not {what}: a text holds half a character. {restore}") from None
    except ValueError as error:
        words = "it begins with a byte-order mark" if text.startswith("\ufeff") else str(error)
        raise RecordError(
            f"{path}: not {what}: not JSON as records are written ({words}). {restore}"
        ) from None
    if not isinstance(data, dict):
        raise RecordError(f"{path}: not {what}: no JSON object. {restore}")
    return data
