"""Arguments and functions by the names that they had before: taken for one release, with a warning that says the new name."""

from __future__ import annotations

import functools
import warnings
from collections.abc import Callable
from typing import Any, TypeVar

Function = TypeVar("Function", bound=Callable[..., Any])


def renamed(**names: str) -> Callable[[Function], Function]:
    """Let a function take arguments by their earlier names.

    Parameters
    ----------
    **names : str
        Earlier name of each argument, and its name now.

    Returns
    -------
    callable
        To put above the function. An earlier name gives a DeprecationWarning, and a TypeError if the argument
        is given by its name now as well.

    Examples
    --------
    >>> @renamed(confidence="level")
    ... def reach(*, level):
    ...     return level
    >>> reach(level=0.9)
    0.9
    """

    def decorate(function: Function) -> Function:
        @functools.wraps(function)
        def taken(*args: Any, **given: Any) -> Any:
            for old in names.keys() & given.keys():
                new = names[old]
                if new in given:
                    raise TypeError(f"`{new}` must be given once. Got {old}, its earlier name, as well.")
                warnings.warn(
                    f"`{old}` of {function.__name__} is now `{new}`; the earlier name goes with the next release.",
                    DeprecationWarning,
                    stacklevel=2,
                )
                given[new] = given.pop(old)
            return function(*args, **given)

        return taken

    return decorate


def formerly(function: Function, name: str) -> Function:
    """Return a function under the name that it had before.

    Parameters
    ----------
    function : callable
        The function by its name of today.
    name : str
        Its earlier name.

    Returns
    -------
    callable
        Does the same, after a DeprecationWarning that says the new name.

    Examples
    --------
    >>> def reach(level):
    ...     return level
    >>> span = formerly(reach, "span")
    >>> span.__name__
    'span'
    """

    @functools.wraps(function)
    def called(*args: Any, **given: Any) -> Any:
        warnings.warn(
            f"`{name}` is now `{function.__name__}`; the earlier name goes with the next release.",
            DeprecationWarning,
            stacklevel=2,
        )
        return function(*args, **given)

    called.__name__ = called.__qualname__ = name
    return called
