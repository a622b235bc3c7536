"""The command that runs a notebook with other parameters."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from kit.commands.shell import BAD_INPUT, NO, bad_input, say


def notebook(
    name: Annotated[
        str, typer.Argument(help="Number, name or path of the notebook; `list` shows what there is.")
    ],
    values: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="NAME=VALUE", help="A parameter and its value; repeat it for more."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="File of the executed copy; without it, the notebook's parameters are listed and nothing is run."
        ),
    ] = None,
) -> None:
    """Run a notebook with other parameters and keep the executed copy, its parameters and the dataset's fingerprint."""
    from kit.notebook import (
        NotebookError,
        find_notebook,
        notebook_parameters,
        notebook_paths,
        run_notebook,
        values_of,
    )

    try:
        if name == "list":
            for path in notebook_paths():
                say(path.stem)
            return
        path = find_notebook(name)
        parameters = notebook_parameters(path)
        given = _given(values or [])
        values_of(parameters, given)
        if out is None:
            for one in parameters:
                say(f"{one.name}: {one.kind} = {one.default!r}  # {one.words}")
            say("Nothing was run. Give --out FILE.ipynb for the executed copy.")
            return
        with bad_input():
            run = run_notebook(path, out, given=given, progress=sys.stderr.isatty())
    except NotebookError as error:
        say(f"error: {error}", err=True)
        raise typer.Exit(BAD_INPUT) from None
    if run.dataset:
        say(f"Dataset {run.dataset['dataset']}, fingerprint {run.dataset['fingerprint']}")
    say(f"Executed copy: {run.path}")
    if run.no_answer:
        say(f"No answer: {run.no_answer}")
        raise typer.Exit(NO)
    if run.failure:
        say(f"error: {path.name} stopped: {run.failure}. Its last cell shows where.", err=True)
        raise typer.Exit(BAD_INPUT)


def _given(values: list[str]) -> dict[str, str]:
    """Split NAME=VALUE; a name may be given once."""
    from kit.notebook import NotebookError

    given: dict[str, str] = {}
    for text in values:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise NotebookError(f"--set {text!r}: must be NAME=VALUE, such as --set group=flap.")
        if name.strip() in given:
            raise NotebookError(f"--set {name.strip()}: is given twice. Give it once.")
        given[name.strip()] = value
    return given


NOTEBOOKS = (notebook,)
"""Commands about notebooks, in the order in which help lists them."""
