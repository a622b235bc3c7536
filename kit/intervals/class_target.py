"""Which target holds for a class of structure: as dataset.toml states it, where a question does not say."""

from __future__ import annotations

from kit.findings import Fleet
from kit.intervals.question import Question, QuestionError, Target
from kit.intervals.structure import strictest


def class_of_group(fleet: Fleet, group: str) -> str:
    """Class of structure of a group of zones.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    group : str
        Group of the zones table.

    Returns
    -------
    str
        The strictest class of its zones.
    """
    zones = fleet.tables["zones"]
    return strictest(list(zones.loc[zones["group"] == group, "structure_class"]))


def target_of_class(fleet: Fleet, structure_class: str) -> Target | None:
    """Return the target that a dataset states for a class of structure.

    Parameters
    ----------
    fleet : Fleet
        The dataset as it is known; a target has days like a limit.
    structure_class : str
        The class.

    Returns
    -------
    Target or None
        With its basis and the class that it was taken from; None where none is stated.
    """
    rows = fleet.targets.loc[fleet.targets["structure_class"] == structure_class]
    return Target.model_validate(rows.iloc[0].to_dict()) if len(rows) else None


def with_target(question: Question, fleet: Fleet) -> Question:
    """Put the target of the structure class in the place of one that a question leaves out.

    Parameters
    ----------
    question : Question
        The question; one that states its target is returned as it is.
    fleet : Fleet
        The dataset as it is known.

    Returns
    -------
    Question
        With a target, its basis and the class that it was taken from, so that a record of it does not depend on
        the dataset's.

    Raises
    ------
    QuestionError
        If no target is stated for the class.
    """
    if question.target is not None:
        return question
    name = class_of_group(fleet, question.group)
    target = target_of_class(fleet, name)
    if target is None:
        stated = ", ".join(fleet.targets["structure_class"]) or "none"
        raise QuestionError(
            f"question {question.name}: target: there is none, and dataset.toml states none for structure of class {name} as known "
            f"on {fleet.known_on:%Y-%m-%d} (stated for: {stated}). Add a [targets.{name}] table there, or a [target] table to the "
            "question."
        )
    return question.model_copy(update={"target": target})


def is_looser(own: Target, of_class: Target) -> bool | None:
    """Tell whether a target asks less than that of the structure class.

    Parameters
    ----------
    own, of_class : Target
        Target of the question, and of the class.

    Returns
    -------
    bool or None
        None where they bound different things, so that neither can be said to ask less.
    """
    if (own.measure, own.window_flight_hours) != (of_class.measure, of_class.window_flight_hours):
        return None
    return (
        own.per_10000_flight_hours > of_class.per_10000_flight_hours
        or own.share_of_draws < of_class.share_of_draws
    )
