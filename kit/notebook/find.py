"""Where the kit's notebooks, and the questions of its demo, are: beside the packages in a clone, in the shared data of an installation."""

from __future__ import annotations

import json
import sysconfig
from pathlib import Path

from kit.notebook.parameters import NotebookError

_INSTALLED = ("share", "skin-findings-kit")
_BESIDE_DEMO = ("questions/*.toml", "costs.toml", "ranking.toml", "plan_view.csv")


def notebook_paths() -> tuple[Path, ...]:
    """List the kit's notebooks.

    Returns
    -------
    tuple of Path
        In the order of their numbers; none where they were not installed.
    """
    return _shipped("notebooks", ("[0-9][0-9]_*.ipynb",))


def demo_files() -> tuple[Path, ...]:
    """List what stands beside the tables of the demo fleet and is not simulated: its questions, costs, settings, plan view.

    Returns
    -------
    tuple of Path
        Questions are in a folder of that name; none where they were not installed.
    """
    return _shipped("demo_fleet", _BESIDE_DEMO)


def _shipped(name: str, patterns: tuple[str, ...]) -> tuple[Path, ...]:
    """Return files of a folder beside the packages in a clone, else in the shared data of an installation."""
    for top in (Path(__file__).resolve().parents[2], Path(sysconfig.get_path("data")).joinpath(*_INSTALLED)):
        found = [path for pattern in patterns for path in sorted((top / name).glob(pattern))]
        if found:
            return tuple(found)
    return ()


def find_notebook(name: str) -> Path:
    """Find a notebook by its number, its name or its path.

    Parameters
    ----------
    name : str
        Such as ``05``, ``05_set_interval`` or a path to an ``.ipynb`` file.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    NotebookError
        If there is none, or the name fits several.
    """
    path = Path(name)
    if path.suffix == ".ipynb" and path.is_file():
        return path
    known = notebook_paths()
    wanted = path.name.removesuffix(".ipynb")
    fits = [one for one in known if one.stem == wanted or one.stem.startswith(f"{wanted}_")]
    if len(fits) == 1:
        return fits[0]
    raise NotebookError(
        f"notebook {name!r}: {'fits several' if fits else 'there is none of that name'}. "
        f"Give a path, or one of {', '.join(one.stem for one in known) or '(none is installed)'}."
    )


def questions_of_notebooks() -> str:
    """List the question of each notebook, with a link to it.

    Returns
    -------
    str
        Markdown; the question is the notebook's first heading.
    """
    lines = []
    for path in notebook_paths():
        first = "".join(json.loads(path.read_text(encoding="utf-8"))["cells"][0]["source"])
        lines.append(f"- {path.stem[:2]}: [{first.splitlines()[0].lstrip('# ')}]({path.name})")
    return "\n".join(lines)
