"""What all commands share: exit status, sources, messages, tables, progress."""

from __future__ import annotations

import json
import os
import re
import sys
import tempfile
import textwrap
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer
from rich.cells import cell_len
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text
from tqdm import tqdm

from kit.numerics.plain_text import plain_text
from kit.numerics.words import spelled

if TYPE_CHECKING:
    import pandas as pd

    from kit.findings import Fleet

_HELD_TOGETHER = re.compile(r"(?<=\d) (?=(?:%|FH|FC|mm|m²)(?!\w))|(?<=→) (?=[-+]?\d)")
"""Blanks at which no line is broken: between a number and its unit."""

_HELD = "\N{NO-BREAK SPACE}"
_SHORT = 70  # letters of a head with its value that are not parted
_ROOM = 20  # letters of a sentence in a narrow column

FINE, NO, BAD_INPUT = 0, 1, 2
"""Exit status: fine, the answer is no, bad input."""

Source = Annotated[
    str,
    typer.Argument(
        help="Folder with a dataset.toml, or another source that load_fleet takes: workbook, database."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Strict = Annotated[
    bool, typer.Option("--strict", help="Stop at rejected rows instead of setting them aside.")
]


def console(*, stderr: bool = False) -> Console:
    """Return a console; where it is no terminal and COLUMNS says no width, lines are wide enough for the tables.

    Parameters
    ----------
    stderr : bool
        Whether it writes to the standard error.

    Returns
    -------
    Console
        Without colours of its own for numbers.
    """
    return Console(
        stderr=stderr,
        width=None if _has_width(sys.stderr if stderr else sys.stdout) else 170,
        highlight=False,
        soft_wrap=False,
    )


def _has_width(stream: TextIO | None) -> bool:
    """Whether lines end somewhere: on a terminal, or where COLUMNS says so, which errors that go to a file do not heed."""
    if stream is not None and stream.isatty():
        return True
    return bool(os.environ.get("COLUMNS")) and stream is not sys.stderr


def _is_about_input(error: Exception) -> bool:
    """Whether an error is one of those that say what is wrong with the input; their packages are slow to load."""
    from kit.decisions import RecordError
    from kit.findings import MissingPackage, TableError
    from kit.intervals import QuestionError

    return isinstance(error, MissingPackage | TableError | QuestionError | RecordError | NotImplementedError)


@contextmanager
def bad_input() -> Iterator[None]:
    """Turn an error about the input into one message and exit status 2.

    Yields
    ------
    None
        What is done under it may refuse its input.

    Raises
    ------
    Exit
        With the status of bad input.
    """
    try:
        yield
    except (ValueError, ImportError, NotImplementedError) as error:
        if not _is_about_input(error):
            raise
        message = str(error)
    except OSError as error:
        message = str(error)  # one of ours says what to do; the system's names its file apart
        if error.strerror:
            message = (
                f"{error.filename or 'file'}: {error.strerror}. Give a path that can be read and written."
            )
    else:
        return
    say(f"error: {message}", err=True)
    raise typer.Exit(BAD_INPUT)


def load(source: str, *, strict: bool, rejected: Path | None = None) -> Fleet:
    """Load a dataset.

    Parameters
    ----------
    source : str
        As `load_fleet` takes it.
    strict : bool
        Whether rejected rows stop it.
    rejected : Path, optional
        Where they are set aside otherwise.

    Returns
    -------
    Fleet
        As loaded.
    """
    from kit.findings import load_fleet

    return load_fleet(source, set_aside=False if strict or rejected is None else rejected)


def load_aside(source: str, *, strict: bool) -> Fleet:
    """Load a dataset whose rejected rows are set aside and not kept.

    Parameters
    ----------
    source : str
        As `load_fleet` takes it.
    strict : bool
        Whether rejected rows stop it.

    Returns
    -------
    Fleet
        As loaded.
    """
    with tempfile.TemporaryDirectory() as folder:
        return load(source, strict=strict, rejected=Path(folder) / "rejected_rows.csv")


def notice(fleet: Fleet) -> str:
    """Say what must be said of a dataset, and how many of its rows have problems.

    Parameters
    ----------
    fleet : Fleet
        As loaded.

    Returns
    -------
    str
        One line.
    """
    return (
        f"{' '.join([*fleet.notice.split(), str(len(fleet.rejected))])} problems in rejected rows, "
        f"{len(fleet.warnings)} warnings."
    )


def writable_file(path: Path | None, option: str, *endings: str) -> None:
    """Refuse a file that could not be written, before the work whose result it is to hold.

    Parameters
    ----------
    path : Path or None
        The file; None where none is asked for.
    option : str
        The option that names it, for the message.
    *endings : str
        How its name may end; default as it likes.

    Raises
    ------
    OSError
        If its folder is not there or not to be written to, or it is a folder, or it ends otherwise.
    """
    if path is None:
        return
    folder = path.parent
    if endings and path.suffix.lower() not in endings:
        raise OSError(
            f"{option} {path}: must end in {' or '.join(endings)}. Got {path.suffix or 'no ending'!r}; correct it."
        )
    if path.is_dir():
        raise IsADirectoryError(f"{option} {path}: is a folder. Give the name of a file.")
    if not folder.is_dir():
        raise FileNotFoundError(f"{option} {path}: the folder {folder} is not there. Make it first.")
    if not os.access(path if path.exists() else folder, os.W_OK):
        raise PermissionError(f"{option} {path}: cannot be written. Give a place that can.")


def writable_folder(path: Path, option: str) -> None:
    """Refuse a folder that could not be made or written to, before the work whose results it is to hold.

    Parameters
    ----------
    path : Path
        The folder; it need not be there yet.
    option : str
        What named it, for the message.

    Raises
    ------
    OSError
        If it, or the nearest folder above it that is there, is a file or not to be written to.
    """
    there = next(one for one in (path, *path.absolute().parents) if one.exists())
    if not there.is_dir():
        raise NotADirectoryError(
            f"{option}: {there} is a file, not a folder. Give a path where you may write."
        )
    if not os.access(there, os.W_OK):
        raise PermissionError(f"{option}: {there} cannot be written to. Give a path where you may write.")


def print_json(data: object) -> None:
    """Print one JSON document.

    Parameters
    ----------
    data : object
        Of plain values; what JSON does not know is written as text.
    """
    text = json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False, default=str)
    marks = {
        mark: f"\\u{ord(mark):04x}" for mark in set(text) if plain_text(mark) != mark and ord(mark) < 0x10000
    }
    typer.echo(plain_text(text.translate(str.maketrans(marks))))


def say(text: str, *, err: bool = False) -> None:
    """Print lines for people, in which nothing that came from data can steer the terminal.

    Parameters
    ----------
    text : str
        One line or more, each broken between words to the width of the terminal; per cent is spelled in one way. Lines after the
        first stand further in, so that none that came with data passes for a line of the command's own.
    err : bool
        Whether they go to the standard error.
    """
    body = spelled(plain_text(text))
    above = body[: len(body) - len(body.lstrip("\n"))]
    first, *rest = body[len(above) :].split("\n")
    lines = [first, *(line if line.startswith(" ") or not line else f"  {line}" for line in rest)]
    typer.echo(above + "\n".join(_wrapped(line, err=err) for line in lines), err=err)


def show(table: Table) -> None:
    """Print a table; where the terminal is too narrow for it, one block a row, so that no number is cut or broken.

    Parameters
    ----------
    table : Table
        Whose cells are marked-up text; columns that stand to the right hold numbers, which are not parted from their bounds.
    """
    out = console()
    if table.title:
        table.title = spelled(str(table.title))
    for column in table.columns:
        held = _parted(column.cells, words=column.justify != "right")
        words = [*_flat(column.header).split(), *held]
        column.min_width = max((cell_len(word) for word in words), default=0)
    needed = sum(column.min_width + 3 for column in table.columns) + 1  # a blank on each side, and lines
    if needed <= out.width or not _has_width(sys.stdout):
        out.print(table, width=max(out.width, needed))
        return
    if table.title:
        say(_flat(table.title))
    heads = [_flat(column.header) for column in table.columns]
    for name, *values in zip(
        *([_flat(text) for text in column.cells] for column in table.columns), strict=True
    ):
        say(f"\n{heads[0]}: {name}")
        pairs = (f"{head}: {text}" for head, text in zip(heads[1:], values, strict=True) if text)
        # A head and its short value stay together.
        say("  " + " · ".join(one.replace(" ", _HELD) if len(one) <= _SHORT else one for one in pairs))


def _parted(cells: Iterable[object], *, words: bool) -> Iterator[str]:
    """Give what must stay together of some cells: their lines, or the words of these and room for some of them."""
    for text in cells:
        for line in Text.from_markup(str(text)).plain.split("\n"):
            yield from (*line.split(), line[:_ROOM]) if words else (line,)


def _flat(text: object) -> str:
    """Return marked-up text as one plain line."""
    return " ".join(Text.from_markup(str(text)).plain.split())


def _wrapped(text: str, *, err: bool = False) -> str:
    """Break a line between words to the width of the terminal; a number, its per cent or a name is never broken.

    Parameters
    ----------
    text : str
        The line; what follows the first break stands two places further in than it.
    err : bool
        Whether it goes to the standard error.

    Returns
    -------
    str
        In one line where the output is no terminal and COLUMNS says no width.
    """
    if not _has_width(sys.stderr if err else sys.stdout):
        return text.rstrip().replace(_HELD, " ")
    indent = text[: len(text) - len(text.lstrip(" "))]
    lines = textwrap.wrap(
        _HELD_TOGETHER.sub(_HELD, text.lstrip(" ")),
        console(stderr=err).width,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(lines).replace(_HELD, " ")


def cell(value: object) -> str:
    """Return a cell of a table that shows its text as it is.

    Parameters
    ----------
    value : object
        What it holds.

    Returns
    -------
    str
        Without marks that a terminal or the table would follow.
    """
    return escape(spelled(plain_text(value)))


def plain(frame: pd.DataFrame) -> list[dict[str, object]]:
    """Return rows of a table as JSON values; not-a-number becomes null.

    Parameters
    ----------
    frame : DataFrame
        A table.

    Returns
    -------
    list of dict
        One a row.
    """
    return json.loads(frame.to_json(orient="records", date_format="iso", double_precision=15))


@contextmanager
def steps(words: str, *, quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show on the standard error which step of long work is done, where that is a terminal.

    Parameters
    ----------
    words : str
        Name of the work.
    quiet : bool
        Whether nothing is shown.

    Yields
    ------
    callable
        To be called before each step with its name.
    """
    # A bar writes carriage returns, which only a terminal takes for what they are.
    quiet = quiet or not sys.stderr.isatty()
    with tqdm(
        desc=words, unit=" steps", file=sys.stderr, disable=quiet, leave=False, dynamic_ncols=True
    ) as bar:

        def tell(step: str) -> None:
            bar.set_postfix_str(plain_text(step))
            bar.update(1)

        yield tell
