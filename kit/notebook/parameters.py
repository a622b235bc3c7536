"""What a notebook may be told: its one cell of parameters, and values for them with their types kept."""

from __future__ import annotations

import ast
import io
import json
import math
import tokenize
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TAG = "parameters"
"""Tag of the one cell whose values may be set."""

_EXAMPLES = {
    "str": "any text",
    "int": "a whole number such as 12",
    "float": "a number such as 0.95",
    "bool": "true or false",
    "list": 'a JSON list such as ["flap", "radome"]',
    "dict": 'a JSON object such as {"flight_hours": 6.8}',
}


class NotebookError(ValueError):
    """A notebook, or a value for one of its parameters, is not as it must be."""


@dataclass(frozen=True)
class Parameter:
    """One value that a notebook may be told.

    Parameters
    ----------
    name : str
        Its name.
    kind : str
        Its annotation: ``str``, ``int``, ``float``, ``bool``, ``list`` or ``dict``.
    default : object
        The literal in the notebook.
    words : str
        The comment beside it, with its unit.
    """

    name: str
    kind: str
    default: Any
    words: str

    @property
    def is_path(self) -> bool:
        """Whether it names a file or folder, seen from the notebook."""
        return self.kind == "str" and str(self.default).startswith(("../", "./"))

    def value(self, text: str) -> Any:
        """Read a value that was given as text, as the annotation says.

        Parameters
        ----------
        text : str
            As written on a command line; ``415`` stays text where text is asked for.

        Returns
        -------
        object
            Of the annotated type.

        Raises
        ------
        NotebookError
            If the text is no such value.
        """
        try:
            value = _read(self.kind, text)
        except ValueError:
            value = None
        if value is None:
            raise NotebookError(
                f"parameter {self.name!r}: must be {_EXAMPLES[self.kind]} ({self.words}). Got {text!r}."
            )
        return value


def _read(kind: str, text: str) -> Any:
    """Return a value of a kind, or None where the text is none."""
    if kind == "str":
        return text
    if kind == "bool":
        return {"true": True, "false": False}.get(text.strip().lower())
    if kind == "int":
        return int(text)
    if kind == "float":
        number = float(text)
        return number if math.isfinite(number) else None
    value = json.loads(text)
    return value if isinstance(value, {"list": list, "dict": dict}[kind]) else None


def notebook_parameters(path: Path) -> tuple[Parameter, ...]:
    """Read what a notebook may be told, from its one cell tagged ``parameters``.

    Parameters
    ----------
    path : Path
        The notebook.

    Returns
    -------
    tuple of Parameter
        In the order in which they are written.

    Raises
    ------
    NotebookError
        If the file is no notebook, has not exactly one such cell, or a line of it is not a name with one of the
        annotations ``str``, ``int``, ``float``, ``bool``, ``list`` and ``dict``, a literal of that type, and a
        comment that says what it is.
    """
    try:
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        tagged = [cell for cell in cells if TAG in cell["metadata"].get("tags", [])]
    except (ValueError, KeyError, TypeError) as error:
        raise NotebookError(f"{path.name}: is no notebook of format 4: {error}.") from error
    if len(tagged) != 1:
        raise NotebookError(
            f"{path.name}: must have exactly one cell tagged {TAG!r}. Got {len(tagged)}; tag it in JupyterLab under Common Tools."
        )
    source = "".join(tagged[0]["source"])
    comments = {
        token.start[0]: token.string.lstrip("# ")
        for token in tokenize.generate_tokens(io.StringIO(source).readline)
        if token.type == tokenize.COMMENT
    }
    return tuple(
        _parameter(path.name, node, comments.get(node.end_lineno, "")) for node in ast.parse(source).body
    )


def _parameter(notebook: str, node: ast.stmt, words: str) -> Parameter:
    """Read one line of the cell of parameters."""
    line = ast.unparse(node)
    kind = ast.unparse(node.annotation).split("[")[0] if isinstance(node, ast.AnnAssign) else ""
    default = None
    if isinstance(node, ast.AnnAssign) and node.value is not None:
        try:
            default = ast.literal_eval(node.value)
        except ValueError:
            default = None
    whole = {"str": str, "int": int, "float": float, "bool": bool, "list": list, "dict": dict}
    if kind not in whole or type(default) is not whole[kind] or not words:
        raise NotebookError(
            f"{notebook}: each line of the cell tagged {TAG!r} must be a name, an annotation out of {', '.join(whole)}, a literal of "
            f"that type, and a comment that says what it is, such as `level: float = 0.95  # confidence [-]`. Got {line!r}."
        )
    return Parameter(ast.unparse(node.target), kind, default, words)


def values_of(parameters: Sequence[Parameter], given: Mapping[str, str]) -> dict[str, Any]:
    """Read values that were given as text for some of the parameters.

    Parameters
    ----------
    parameters : sequence of Parameter
        What may be set.
    given : mapping of str to str
        By name.

    Returns
    -------
    dict of str to object
        The same, each of its annotated type.

    Raises
    ------
    NotebookError
        If a name is not among them, or a value is not of its type.
    """
    known = {one.name: one for one in parameters}
    for name in given:
        if name not in known:
            raise NotebookError(
                f"parameter {name!r}: the notebook has none of that name. Known are "
                + "; ".join(f"{one.name} ({one.kind}: {one.words})" for one in parameters)
                + "."
            )
    return {name: known[name].value(text) for name, text in given.items()}
