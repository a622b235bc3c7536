"""What is raised where there is no answer to give, and what words a refusal uses."""

from __future__ import annotations


class NoFiniteMaximum(ValueError):
    """The likelihood has no finite maximum, so there is no fit to give."""


class NoProfileLimit(ValueError):
    """The end of a profile was not found, so there is no bound to give."""


def described(value: object) -> str:
    """Say in a few words what was given.

    Parameters
    ----------
    value : object
        What was given.

    Returns
    -------
    str
        Its type, with columns of a table and short texts and numbers as they are.
    """
    if value is None or isinstance(value, bool | int | float | str):
        return repr(value) if len(repr(value)) <= 60 else repr(value)[:57] + "..."
    columns = getattr(value, "columns", None)
    if columns is not None:
        names = [str(name) for name in columns]
        return f"a table with the columns {', '.join(names[:8])}{', ...' if len(names) > 8 else ''}"
    if isinstance(value, type) or callable(value):
        return f"{getattr(value, '__name__', value)!s} itself, not what it makes"
    name = type(value).__name__
    return f"{'an' if name[:1].lower() in 'aeiou' else 'a'} {name}"


def need(name: str, value: object, kinds: type | tuple[type, ...], must: str, do: str) -> None:
    """Refuse an argument that is not of a kind that a call can work with.

    Parameters
    ----------
    name : str
        Name of the argument.
    value : object
        What was given.
    kinds : type or tuple of type
        What it may be.
    must : str
        The same in words, after "must be".
    do : str
        What to do, as a sentence.

    Raises
    ------
    TypeError
        If it is of another kind.
    """
    if not isinstance(value, kinds):
        raise TypeError(f"`{name}` must be {must}. Got {described(value)}. {do}")
