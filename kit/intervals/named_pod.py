"""What a question means by the name of a POD, and by a kind of damage that its method is blind to."""

from __future__ import annotations

from kit.detection import PodError, PodRegister
from kit.findings import Fleet, kind_as_seen
from kit.intervals.question import Mode, NamedDetection, Question, QuestionError, StatedDetection


def with_pod(question: Question, fleet: Fleet) -> Question:
    """Put the numbers of the register in place of the name of a POD.

    Parameters
    ----------
    question : Question
        The question; one that states numbers is returned as it is.
    fleet : Fleet
        The dataset as it is known, in whose folder the register stands.

    Returns
    -------
    Question
        With numbers, their basis, and the name that they came from, so that a record of it does not depend
        on the register.

    Raises
    ------
    QuestionError
        If the register cannot be read, lacks the name, or got it later than the question's day.
    """
    asked = question.detection
    if not isinstance(asked, NamedDetection):
        return question
    try:
        known_on = fleet.known_on.date()
        register = PodRegister.of_dataset(fleet.source)
        entry = register.get(asked.pod, known_on=known_on, on=fleet.cut_off.date())
    except PodError as problem:
        raise QuestionError(f"question {question.name}: detection.pod: {problem}") from None
    if entry.recorded_on is not None and entry.recorded_on > known_on:
        raise QuestionError(
            f"question {question.name}: detection.pod: {entry.name} was not known on {known_on}: it was recorded on "
            f"{entry.recorded_on}. Name a POD that was, or state its numbers with their basis."
        )
    stated = StatedDetection(
        method=entry.method,
        a50_mm=entry.a50,
        slope=entry.slope,
        plateau=entry.plateau,
        far_side_plateau=entry.far_side_plateau,
        basis=entry.words,
        in_fit=asked.in_fit,
        pod=entry.name,
    )
    return question.model_copy(update={"detection": stated})


def kind_asked(question: Question, mode: Mode) -> str:
    """Return the kind of damage that a question is about.

    Parameters
    ----------
    question : Question
        The question, with the numbers of its POD.
    mode : Mode
        One of its kinds.

    Returns
    -------
    str
        The kind as asked; moisture to be found by a method that is blind to water is the bond that it broke,
        as it is in findings. So questions and records from before the two had names of their own still hold.
    """
    return kind_as_seen(mode.kind, question.detection.method)
