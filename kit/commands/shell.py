"""What all commands share: exit status, sources, messages, tables, progress."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TextIO

import typer
from rich.console import Console
from rich.markup import escape
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text
from tqdm import tqdm

from kit.numerics.plain_text import plain_text

if TYPE_CHECKING:
    import pandas as pd

    from kit.findings import Fleet

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
    """Whether lines end somewhere: on a terminal, or where COLUMNS says so."""
    return bool(os.environ.get("COLUMNS")) or (stream is not None and stream.isatty())


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
        f"{fleet.notice + ' ' if fleet.notice else ''}{len(fleet.rejected)} problems in rejected rows, "
        f"{len(fleet.warnings)} warnings."
    )


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
    say(text.translate(str.maketrans(marks)))


def say(text: str, *, err: bool = False) -> None:
    """Print a line in which nothing that came from data can steer the terminal.

    Parameters
    ----------
    text : str
        The line.
    err : bool
        Whether it goes to the standard error.
    """
    typer.echo(plain_text(text), err=err)


def show(table: Table) -> None:
    """Print a table; where the terminal is too narrow for it, one block a row, so that no number is cut.

    Parameters
    ----------
    table : Table
        Whose cells are marked-up text.
    """
    out = console()
    if Measurement.get(out, out.options.update(max_width=10_000), table).minimum <= out.width:
        out.print(table)
        return
    if table.title:
        say(wrapped(_flat(table.title)))
    heads = [_flat(column.header) for column in table.columns]
    for row in zip(*([_flat(text) for text in column.cells] for column in table.columns), strict=True):
        say("")
        for number, (head, text) in enumerate(zip(heads, row, strict=True)):
            if text:
                say(wrapped(f"{head}: {text}", indent="" if number == 0 else "  "))


def _flat(text: object) -> str:
    """Return marked-up text as one plain line."""
    return " ".join(Text.from_markup(str(text)).plain.split())


def wrapped(text: str, *, indent: str = "") -> str:
    """Break a line between words to the width of the terminal; a number or name is never broken.

    Parameters
    ----------
    text : str
        The line.
    indent : str
        Before it; what follows the first break stands two places further in.

    Returns
    -------
    str
        In one line where the output is no terminal and COLUMNS says no width.
    """
    if not _has_width(sys.stdout):
        return f"{indent}{text}".rstrip()
    lines = textwrap.wrap(
        text,
        console().width,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return "\n".join(lines) or indent.rstrip()


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
    return escape(plain_text(value))


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
