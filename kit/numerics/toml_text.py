"""What a TOML text says, or one error where it says nothing: also where it is too large or too deep to be read."""

from __future__ import annotations

import tomllib
from typing import Any

LONGEST_TOML = 4_000_000
"""Longest description or question that is read: seconds of work [characters]."""


def toml_contents(text: str) -> dict[str, Any]:
    """Return what a TOML text says.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    dict
        Its contents.

    Raises
    ------
    tomllib.TOMLDecodeError
        If it is not TOML, is longer than `LONGEST_TOML`, is nested too deeply, or holds a number of thousands of digits.

    Examples
    --------
    >>> toml_contents("horizon = 40000")
    {'horizon': 40000}
    """
    if len(text) > LONGEST_TOML:
        raise tomllib.TOMLDecodeError(
            f"it is too long: {len(text):,} characters, and at most {LONGEST_TOML:,} are read"
        )
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError("it is nested too deeply") from None
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as error:  # of int, about its digits; the rest of its words are for programmers
        raise tomllib.TOMLDecodeError(f"a number in it cannot be read: {str(error).split(';')[0]}") from None
