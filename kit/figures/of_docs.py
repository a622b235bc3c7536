"""Every picture of the documentation, made anew.

Run as ``python -m kit.figures.of_docs demo_fleet docs/images``.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import matplotlib

from kit.figures.decision import save_answer
from kit.findings import load_fleet, replace_bytes
from kit.intervals import read_question, recommend

ANSWERS = ("spoiler",)
"""Questions of the demo fleet whose answers are shown in the documentation."""


def pictures(source: str | Path) -> Iterator[tuple[str, bytes]]:
    """Make every picture of the documentation.

    Parameters
    ----------
    source : str or Path
        Folder of the demo fleet.

    Yields
    ------
    tuple of str and bytes
        Name of the file, and the picture.
    """
    with tempfile.TemporaryDirectory() as folder:
        fleet = load_fleet(source, set_aside=folder)
    for name in ANSWERS:
        answer = recommend(fleet, read_question(Path(source) / "questions" / f"{name}.toml"))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "answer.png"
            save_answer(answer, path)
            yield f"{name}.png", path.read_bytes()


def main(source: str, target: str) -> None:
    """Write the pictures to a folder.

    Parameters
    ----------
    source : str
        Folder of the demo fleet.
    target : str
        Folder of the pictures.
    """
    matplotlib.use("Agg")
    for name, picture in pictures(source):
        replace_bytes(Path(target) / name, picture)


if __name__ == "__main__":
    main(*sys.argv[1:])
