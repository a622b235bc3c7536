"""What stands beside a dataset: its questions and costs."""

from __future__ import annotations

from pathlib import Path

from kit.intervals import Question, read_question
from kit.notebook.tell import present
from kit.programmes import Costs


def costs_of(source: str | Path) -> Costs:
    """Read the costs that stand beside a dataset.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.

    Returns
    -------
    Costs
        From its ``costs.toml``.
    """
    return Costs.read(Path(source) / "costs.toml")


def question_of(source: str | Path, name: str) -> Question:
    """Read a question that stands beside a dataset.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    name : str
        Name of the question's file, without its ending.

    Returns
    -------
    Question
        As asked.

    Raises
    ------
    NoAnswer
        If there is none of that name.
    """
    folder = Path(source) / "questions"
    return read_question(
        folder
        / f"{present('question', name, (one.stem for one in folder.glob('*.toml')), of='questions beside the dataset')}.toml"
    )
