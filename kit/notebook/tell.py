"""How a notebook speaks: sentences as Markdown, and a plain sentence where it cannot answer."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable
from typing import TypeVar

from IPython.display import Markdown, display, update_display

from kit.cautions import CAUTIONS
from kit.findings import Fleet, load_fleet
from kit.numerics.words import spelled

Result = TypeVar("Result")


class NoAnswer(ValueError):
    """A notebook cannot go on for what it was asked; its message is the answer."""

    def _render_traceback_(self) -> list[str]:
        """Show the sentence and nothing else: the reader has made no mistake in code."""
        return [f"No answer: {self}"]


def say(*sentences: object, boxed: bool = False) -> None:
    """Show sentences as Markdown.

    Parameters
    ----------
    *sentences : object
        Paragraphs or lists, as text; blank ones are left out. Names as they stand in tables may hold underscores, which are shown as they are.
    boxed : bool
        Whether they stand in a box, as an answer does.
    """
    text = _paragraphs(sentences)
    display(Markdown("\n".join(f"> {line}".rstrip() for line in text.splitlines()) if boxed else text))


def _paragraphs(sentences: tuple[object, ...]) -> str:
    """Join sentences; a tuple or list holds several."""
    every = [str(one) for some in sentences for one in (some if isinstance(some, tuple | list) else (some,))]
    # Where a line of a page ends, per cent stays with its number.
    return re.sub(r"(?<=\d) %", "\N{NO-BREAK SPACE}%", spelled("\n\n".join(one for one in every if one)))


_TOP = "answer-at-the-top"
_STANDING = f"*{CAUTIONS[0]} The other standing cautions stand at the end.*"


def answer_first() -> None:
    """Hold the place at the top of a notebook where its answer will stand in a box."""
    display(Markdown("> The answer comes to stand here when all cells have run."), display_id=_TOP)


def answer(*sentences: object, special: Iterable[str] = ()) -> None:
    """Show the answer in a box at its place, and put the same into the box at the top.

    Parameters
    ----------
    *sentences : object
        As for `say`.
    special : iterable of str
        What must be read before it is used, because of this case; the standing cautions, which it may hold, are not repeated.
    """
    own = [line for line in special if line not in CAUTIONS]
    text = _paragraphs(
        (
            *sentences,
            *(("**Special to this case, to be read before it is used:**", bullets(own)) if own else ()),
            _STANDING,
        )
    )
    box = Markdown("\n".join(f"> {line}".rstrip() for line in text.splitlines()))
    display(box)
    update_display(box, display_id=_TOP)


def cautions(*lists: object) -> None:
    """Show cautions as a list, each once, those of the results before those that every output carries.

    Parameters
    ----------
    *lists : iterable of str
        What results caution against; the standing cautions are added.
    """
    own = [line for lines in lists for line in lines if line not in CAUTIONS]
    say(bullets(own, CAUTIONS))


def bullets(*lists: object) -> str:
    """Return lines as a list in Markdown, each once.

    Parameters
    ----------
    *lists : iterable of str
        The lines.

    Returns
    -------
    str
        A line each; blank where there is none.
    """
    return "\n".join(f"- {line}" for line in dict.fromkeys(line for lines in lists for line in lines))


def exercise(task: str, solution: str) -> None:
    """Show an exercise with its answer folded below it.

    Parameters
    ----------
    task : str
        What to do, in Markdown.
    solution : str
        What comes of it, in Markdown.
    """
    display(
        Markdown(f"**Exercise.** {task}\n\n<details><summary>Answer</summary>\n\n{solution}\n\n</details>")
    )


def present(name: str, value: str, known: object, *, of: str) -> str:
    """Return a parameter's value where the fleet has it, and say in one sentence what there is where it has not.

    Parameters
    ----------
    name : str
        Name of the parameter.
    value : str
        What was asked for.
    known : iterable of str
        What there is.
    of : str
        What these are, in words.

    Returns
    -------
    str
        The value.

    Raises
    ------
    NoAnswer
        If it is not among them.
    """
    names = sorted({str(one) for one in known} - {""})
    if value not in names:
        raise NoAnswer(f"{name} {value!r} is none of the {of}: {', '.join(names) or 'there are none'}.")
    return value


def attempt(make: Callable[..., Result], *given: object, **named: object) -> Result:
    """Make a result, or say in its own words why it cannot be had from these data.

    Parameters
    ----------
    make : callable
        What makes it.
    *given, **named : object
        Its arguments.

    Returns
    -------
    Result
        What it made.

    Raises
    ------
    NoAnswer
        Where it refuses the data.
    """
    try:
        return make(*given, **named)
    except ValueError as reason:
        raise NoAnswer(str(reason)) from None


def where_possible(make: Callable[..., Result], *given: object, **named: object) -> Result | None:
    """Make a result that the answer does not hang on, or show in its own words why it cannot be had from these data.

    Parameters
    ----------
    make : callable
        What makes it.
    *given, **named : object
        Its arguments.

    Returns
    -------
    Result or None
        What it made; None where it refuses the data, which is shown.
    """
    try:
        return make(*given, **named)
    except ValueError as reason:
        say(f"Not to be had from these data: {reason}")
        return None


def open_fleet(source: str) -> Fleet:
    """Load a dataset with its rejected rows set aside, and show what it is.

    Parameters
    ----------
    source : str
        As `kit.load_fleet` takes it.

    Returns
    -------
    Fleet
        As loaded.
    """
    with tempfile.TemporaryDirectory() as folder:
        fleet = load_fleet(source, set_aside=folder)
    say(fleet.words())
    return fleet
