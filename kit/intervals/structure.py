"""What the class of a structure asks of an answer: which rules govern, and what the target is held against."""

from __future__ import annotations

from collections.abc import Sequence

CLASSES = ("critical", "primary", "secondary", "tertiary")
"""Classes of structure, the one that asks most first."""

CLASS_BASIS = "common practice, no source"
"""Where the rules by class come from."""

_NOT_FOR_SAFETY = ("cost",)  # every other rule bears on safety, one that is added as well


def strictest(classes: Sequence[str]) -> str:
    """Return the class that asks most of several.

    Parameters
    ----------
    classes : sequence of str
        Classes of the zones of a group.

    Returns
    -------
    str
        One of `CLASSES`; the first where none is known, so that what is not known asks most.
    """
    known = [one for one in CLASSES if one in set(classes)]
    return known[0] if known else CLASSES[0]


def rules_of_class(structure_class: str, asked: Sequence[str]) -> tuple[str, ...]:
    """Return the rules that govern where a question does not say.

    Parameters
    ----------
    structure_class : str
        One of `CLASSES`; blank: not known, as the one that asks most.
    asked : sequence of str
        Rules that the question gives numbers for.

    Returns
    -------
    tuple of str
        Critical and primary structure: the smallest answer of all that bear on safety; else the risk. The
        least cost never governs unless a question says so.
    """
    if structure_class in ("secondary", "tertiary"):
        return ("risk",)
    return tuple(rule for rule in asked if rule not in _NOT_FOR_SAFETY)


def held_against_of_class(structure_class: str) -> str:
    """Return what the target is held against where a question does not say.

    Parameters
    ----------
    structure_class : str
        One of `CLASSES`; blank: not known.

    Returns
    -------
    str
        ``worst_zone`` for critical structure, and where the class is not known, else ``mean``.
    """
    return "worst_zone" if structure_class in ("critical", "") else "mean"
