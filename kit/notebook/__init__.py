"""Notebooks: their parameters, how they are run with others, and how they speak."""

from kit.notebook.beside import costs_of, question_of
from kit.notebook.find import demo_files, find_notebook, notebook_paths, questions_of_notebooks
from kit.notebook.parameters import NotebookError, Parameter, notebook_parameters, values_of
from kit.notebook.run import NotebookRun, run_notebook
from kit.notebook.tell import (
    NoAnswer,
    answer,
    answer_first,
    attempt,
    bullets,
    cautions,
    exercise,
    open_fleet,
    present,
    say,
    where_possible,
)

__all__ = [
    "NoAnswer",
    "NotebookError",
    "NotebookRun",
    "Parameter",
    "answer",
    "answer_first",
    "attempt",
    "bullets",
    "cautions",
    "costs_of",
    "demo_files",
    "exercise",
    "find_notebook",
    "notebook_parameters",
    "notebook_paths",
    "open_fleet",
    "present",
    "question_of",
    "questions_of_notebooks",
    "run_notebook",
    "say",
    "values_of",
    "where_possible",
]
