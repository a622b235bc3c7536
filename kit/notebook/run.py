"""Run a notebook with other parameters, and keep with the result what it was run with."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kit.findings import replace_text
from kit.notebook.parameters import NotebookError, notebook_parameters, values_of

_SEAL = "dataset-fingerprint"
_FINGERPRINT = """\
import json

print(json.dumps({"dataset": fleet.name, "known_on": f"{fleet.known_on:%Y-%m-%d}", "fingerprint": fleet.fingerprint()["all"]}))"""


@dataclass(frozen=True)
class NotebookRun:
    """What came of running a notebook.

    Parameters
    ----------
    path : Path
        The executed copy.
    parameters : dict
        Every parameter with the value that it had.
    dataset : dict
        Name, day known and fingerprint of the dataset that the notebook read; empty where it stopped before.
    no_answer : str
        Why the notebook could not answer, in a sentence; blank where it did.
    failure : str
        What went wrong where that was no such sentence; blank otherwise.
    """

    path: Path
    parameters: dict[str, Any]
    dataset: dict[str, str]
    no_answer: str = ""
    failure: str = ""


def run_notebook(
    notebook: Path, out: Path, *, given: Mapping[str, str] | None = None, progress: bool = False
) -> NotebookRun:
    """Run a notebook with some of its parameters set, and write the executed copy.

    Parameters
    ----------
    notebook : Path
        The notebook; it stays as it is.
    out : Path
        File of the executed copy, written whole or not at all.
    given : mapping of str to str, optional
        Values by name, as text. Paths are seen from where the call is made.
    progress : bool
        Whether a bar on the standard error shows how far it has come.

    Returns
    -------
    NotebookRun
        The copy holds, in its first cell and in its metadata, the parameters and the fingerprint of the dataset. Where a cell
        stops it, the copy holds all cells up to that one.

    Raises
    ------
    NotebookError
        If a name or value is not one that the notebook takes, or `out` is the notebook itself.
    """
    import nbformat
    import papermill

    parameters = notebook_parameters(notebook)
    values = values_of(parameters, given or {})
    for one in parameters:
        if one.is_path and one.name in values and "://" not in values[one.name]:
            # The notebook runs in its own folder, and the copy names no folder of this machine.
            values[one.name] = os.path.relpath(values[one.name], notebook.parent)
    if out.resolve() == notebook.resolve():
        raise NotebookError(f"{out}: is the notebook itself. Give another file for the executed copy.")
    if not out.parent.is_dir():
        raise NotebookError(f"{out}: the folder {out.parent} is not there. Make it first.")
    book = nbformat.read(notebook, as_version=4)
    book.cells.append(nbformat.v4.new_code_cell(_FINGERPRINT, id=_SEAL))
    no_answer = failure = ""
    with tempfile.TemporaryDirectory() as folder:
        asked, made = Path(folder, "asked.ipynb"), Path(folder, "made.ipynb")
        nbformat.write(book, asked)
        try:
            papermill.execute_notebook(
                asked, made, parameters=values, cwd=notebook.parent, progress_bar=progress, log_output=False
            )
        except papermill.PapermillExecutionError as error:
            if error.ename == "NoAnswer":
                no_answer = error.evalue
            else:
                failure = f"{error.ename}: {error.evalue}"
        result = nbformat.read(made, as_version=4)
    every = {one.name: values.get(one.name, one.default) for one in parameters}
    seal = next((cell for cell in result.cells if cell.id == _SEAL), None)
    dataset = {}
    if seal is not None and seal.outputs:
        dataset = json.loads(seal.outputs[0]["text"])
    # What papermill keeps are names of temporary files and times of day; what matters stands in words of our own.
    result.metadata.pop("papermill", None)
    for cell in result.cells:
        cell.metadata.pop("papermill", None)
    result.cells = [
        cell
        for cell in result.cells
        if cell.id != _SEAL and cell.metadata.get("tags", []) != ["papermill-error-cell-tag"]
    ]
    result.metadata["skin_findings_kit"] = {
        "notebook": notebook.name,
        "notebook_sha256": hashlib.sha256(notebook.read_bytes()).hexdigest(),
        "parameters": every,
        "set": sorted(values),
        **({"dataset": dataset} if dataset else {}),
    }
    result.cells.insert(
        0, nbformat.v4.new_markdown_cell(_header(notebook.name, every, set(values), dataset), id="run-with")
    )
    replace_text(out, nbformat.writes(result) + "\n")
    return NotebookRun(out, every, dataset, no_answer, failure)


def _header(name: str, every: dict[str, Any], given: set[str], dataset: dict[str, str]) -> str:
    """Say in Markdown what the copy was run with."""
    rows = [
        f"| `{key}` | `{json.dumps(value, ensure_ascii=False)}` | {'set' if key in given else 'as in the notebook'} |".replace("\n", " ")
        for key, value in every.items()
    ]  # fmt: skip
    told = (
        f"Dataset: {dataset['dataset']}, as known on {dataset['known_on']}; fingerprint (SHA-256) `{dataset['fingerprint']}`."
        if dataset
        else "It stopped before its end; the last output says why."
    )
    return "\n".join(
        [
            f"**{name}**, run with these parameters:",
            "",
            "| parameter | value | |",
            "| --- | --- | --- |",
            *rows,
            "",
            told,
        ]
    )
