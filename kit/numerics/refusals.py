"""What is raised where there is no answer to give, and what words a refusal uses."""

from __future__ import annotations


class NoFiniteMaximum(ValueError):
    """The likelihood has no finite maximum, so there is no fit to give."""


class NoProfileLimit(ValueError):
    """The end of a profile was not found, so there is no bound to give."""
