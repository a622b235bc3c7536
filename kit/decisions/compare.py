"""Which fields of a record come out again, which do not, and which nobody but people can know."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

TOLERANCE = 1e-6
"""Largest relative difference of a number that counts as reproduced [-]."""

SMALLEST = 1e-12
"""Numbers nearer to one another than this are the same, whatever their relative difference [as named]."""

SAME, DIFFERS, STATED, VERSION, DATA = "same", "differs", "stated, not checked", "version", "data"
"""What can be found of a field: the last two are distinguished from a difference of the answer."""

STATES = (SAME, DIFFERS, STATED, VERSION, DATA)

_STATED = ("question", "sign_offs", "made_on")
_OF_DATA = ("dataset.fingerprint.", "rows.", "reference.")
_SKIPPED = ("record", "digest")  # the form, and what is checked by itself
_SENTENCES = (
    "cautions",
    "assumptions",
    "set_aside",
)  # lists in which one more must not make others of all that follow


WORDS_SINCE_5 = (
    ("no window:", "no detectable-growth interval:"),
    ("growth window", "detectable-growth interval"),
    ("first look", "initial inspection"),
    ("the cap ", "the not-to-exceed limit "),
    ("the caps and", "the not-to-exceed limits and"),
)
"""Words of records before form 5, and those of the trade that stand for the same since."""

PLAINER_WORDS = (
    (", drawn shapes ", ", 5 % to 95 % of the drawn shapes "),
    ("kinds of damage", "damage types"),
    ("kind of damage", "damage type"),
)
"""Words that were said more plainly within a form, whatever the form."""


@dataclass(frozen=True)
class FieldCheck:
    """One field of a record held against the fresh run.

    Parameters
    ----------
    field : str
        Its place, with points between the parts.
    then, now : object
        Value in the record and in the fresh run; None where there is none, or where it is null.
    difference : float
        Relative difference of two numbers, else nan [-].
    state : str
        One of `STATES`.
    """

    field: str
    then: object
    now: object
    difference: float
    state: str


def compare(
    record: dict[str, Any],
    fresh: dict[str, Any],
    *,
    absent: Container[str] | None = (),
    words: Sequence[tuple[str, str]] = (),
) -> tuple[FieldCheck, ...]:
    """Hold every field of a record against a second record made afresh.

    Parameters
    ----------
    record : dict
        The record as it stands in its file.
    fresh : dict
        The record that the same question gives now, as JSON values.
    absent : container of str or None
        Fields that a record of that form does not have, by their place with * for a number in a list; None for a form of which
        parts lack fields that were declared since, so that only what the record says is held against the fresh run.
    words : sequence of (str, str)
        Words that a record of that form has, and those that stand for the same today.

    Returns
    -------
    tuple of FieldCheck
        In the order of the record. Numbers agree within `TOLERANCE`, all else only exactly; a number and a text, or
        a number and a flag, never do. Lists of sentences are laid side by side by what they say, so that one more or fewer is
        one field. What the question says and who signed is stated by people: the re-run asks
        what the record says was asked. Versions and digests of tables have states of their own.

    Notes
    -----
    A pure function: nothing is run, so that many records can be held against one fresh run.
    """
    pairs = _pairs(record, fresh, "", absent, words)
    return tuple(_check(name, then, now, words) for name, then, now in pairs)


def relative_difference(one: float, two: float) -> float:
    """Return the difference of two numbers over the larger of them.

    Parameters
    ----------
    one, two : float
        The numbers.

    Returns
    -------
    float
        0 for two equal numbers or two that are none, infinite where only one is a number [-].

    Examples
    --------
    >>> relative_difference(100.0, 99.0), relative_difference(0.0, 1e-18), relative_difference(float("nan"), 1.0)
    (0.01, 0.0, inf)
    """
    if one == two or (math.isnan(one) and math.isnan(two)):
        return 0.0
    size = max(abs(one), abs(two))
    if not (math.isfinite(one) and math.isfinite(two)):
        return float("inf")
    return 0.0 if abs(one - two) < SMALLEST else abs(one - two) / size


_MISSING = "(none)"
"""Stands where one side has no such field, which null is not."""


def _pairs(
    then: object,
    now: object,
    name: str,
    absent: Container[str] | None,
    words: Sequence[tuple[str, str]] = (),
) -> Iterator[tuple[str, object, object]]:
    """Give every number, text, flag and null of two documents with its place."""
    if isinstance(then, dict) and isinstance(now, dict):
        if name.endswith(".excluded"):  # the reasons for which lives were left out are words, too
            then, now = (
                {str(_as_worded_now(key, words)): value for key, value in side.items()}
                for side in (then, now)
            )
        keys = dict.fromkeys(then if absent is None else [*then, *now])
        for key in keys:
            part = f"{name}.{key}" if name else str(key)
            if part in _SKIPPED or (key not in then and re.sub(r"\.\d+(?=\.)", ".*", part) in (absent or ())):
                continue
            if not name and key in _STATED and key in then:
                yield from ((one, old, _MISSING) for one, old in _leaves(then[key], key))
                continue
            yield from _pairs(then.get(key, _MISSING), now.get(key, _MISSING), part, absent, words)
    elif name in _SENTENCES and _is_texts(then) and _is_texts(now):
        yield from _aligned(then, now, name, words)
    elif isinstance(then, list) and isinstance(now, list):
        for k in range(max(len(then), len(now))):  # a list neither grows nor shrinks, whatever the form
            old, new = (part[k] if k < len(part) else _MISSING for part in (then, now))
            yield from _pairs(old, new, f"{name}.{k}", absent, words)
    else:
        yield name, then, now


def _aligned(
    then: list[str], now: list[str], name: str, words: Sequence[tuple[str, str]]
) -> Iterator[tuple[str, object, object]]:
    """Give the sentences of two lists side by side; one that stands in one of them only has nothing beside it."""
    sides = [[_without_places(str(_as_worded_now(one, words))) for one in part] for part in (then, now)]
    for _, i, i_end, j, j_end in difflib.SequenceMatcher(None, *sides, autojunk=False).get_opcodes():
        for k in range(max(i_end - i, j_end - j)):
            old = then[i + k] if i + k < i_end else _MISSING
            new = now[j + k] if j + k < j_end else _MISSING
            yield f"{name}.{j + k if old is _MISSING else i + k}", old, new


def _leaves(value: object, name: str) -> Iterator[tuple[str, object]]:
    """Give every number, text, flag and null of a part with its place; an empty part is one, too."""
    items = list(
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    if not items:
        yield name, value
    for key, part in items:
        yield from _leaves(part, f"{name}.{key}")


def _without_places(text: str) -> str:
    """Leave out of a reason where in the file other rows stand, which later rows and other sources move."""
    return re.sub(r"rows? \d+(, \d+)*|\d+ (other|more) rows?", "rows", text)


def _as_worded_now(value: object, words: Sequence[tuple[str, str]]) -> object:
    """Put today's words in place of those of then; what is no text stays."""
    if isinstance(value, str):
        for old, new in words:
            value = value.replace(old, new)
    return value


def _check(name: str, then: object, now: object, words: Sequence[tuple[str, str]] = ()) -> FieldCheck:
    numbers = _is_number(then) and _is_number(now)
    gap = relative_difference(then, now) if numbers else float("nan")
    if name.split(".")[0] in _STATED:
        state = STATED
    elif name.startswith("set_aside.") and isinstance(then, str) and isinstance(now, str):
        state = SAME if _without_places(then) == _without_places(now) else DIFFERS
    elif (
        gap <= TOLERANCE
        if numbers
        else type(then) is type(now) and _as_worded_now(then, words) == _as_worded_now(now, words)
    ):
        state = SAME
    elif name == "code" or name.startswith("software."):
        state = VERSION
    else:
        state = DATA if name.startswith(_OF_DATA) else DIFFERS
    return FieldCheck(name, then, now, gap, state)


def _is_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(one, str) for one in value)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
