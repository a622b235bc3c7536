"""How a notebook speaks: sentences as Markdown, and a plain sentence where it cannot answer."""

from __future__ import annotations

import tempfile

from IPython.display import Markdown, display

from kit.findings import Fleet, load_fleet


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
    text = "\n\n".join(str(one) for one in sentences if str(one))
    display(Markdown("\n".join(f"> {line}".rstrip() for line in text.splitlines()) if boxed else text))


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
