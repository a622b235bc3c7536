"""What a document is made of; how it looks is the work of those who draw it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Heading:
    """A heading.

    Parameters
    ----------
    text : str
        Its words.
    """

    text: str


@dataclass(frozen=True)
class Words:
    """A paragraph.

    Parameters
    ----------
    text : str
        Its words.
    weight : {"", "strong", "small"}
        Strong stands in a box.
    """

    text: str
    weight: str = ""


@dataclass(frozen=True)
class Items:
    """A list, each item in full.

    Parameters
    ----------
    lines : tuple of str
        The items.
    run_on : bool
        Whether they stand behind one another with numbers, to take less room.
    """

    lines: tuple[str, ...]
    run_on: bool = False


@dataclass(frozen=True)
class Grid:
    """A table.

    Parameters
    ----------
    names : tuple of str
        Headings of its columns.
    rows : tuple of tuple of str
        Its cells.
    """

    names: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Boxes:
    """Boxes to be filled in by hand.

    Parameters
    ----------
    labels : tuple of str
        What is to stand in each.
    """

    labels: tuple[str, ...]


@dataclass(frozen=True)
class Curve:
    """Share of draws that meet the target against the repeat interval.

    Parameters
    ----------
    repeats, shares : tuple of float
        Points [units of the schedule's clock], [-].
    asked : float
        Share that is asked [-].
    answer : float or None
        The repeat that was recommended [units of the schedule's clock].
    unit : str
        Of the clock.
    """

    repeats: tuple[float, ...]
    shares: tuple[float, ...]
    asked: float
    answer: float | None
    unit: str


Part = Heading | Words | Items | Grid | Boxes | Curve
