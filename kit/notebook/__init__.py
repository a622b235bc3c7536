"""Notebooks: their parameters, how they are run with others, and how they speak."""

from kit.notebook.find import demo_files, find_notebook, notebook_paths
from kit.notebook.parameters import NotebookError, Parameter, notebook_parameters, values_of
from kit.notebook.run import NotebookRun, run_notebook
from kit.notebook.tell import NoAnswer, open_fleet, present, say

__all__ = [
    "NoAnswer",
    "NotebookError",
    "NotebookRun",
    "Parameter",
    "demo_files",
    "find_notebook",
    "notebook_parameters",
    "notebook_paths",
    "open_fleet",
    "present",
    "run_notebook",
    "say",
    "values_of",
]
