"""What a question means by the name of a POD, by a target it leaves to the structure class, and by a kind its method is blind to."""

from __future__ import annotations

from kit.detection import PodError, PodRegister
from kit.findings import Fleet, clean_methods, kind_as_seen
from kit.intervals.class_target import with_target
from kit.intervals.question import Mode, NamedDetection, Question, QuestionError, StatedDetection


def with_numbers(question: Question, fleet: Fleet) -> Question:
    """Put numbers in place of all that a question only names: its POD, and the target of its structure class.

    Parameters
    ----------
    question : Question
        The question.
    fleet : Fleet
        The dataset as it is known.

    Returns
    -------
    Question
        With all its numbers, as `with_pod` and `kit.intervals.class_target.with_target` put them in.

    Raises
    ------
    QuestionError
        If one of them cannot be had.
    """
    return with_pod(with_target(question, fleet), fleet)


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
    numbers = {"detection": _numbers_of(question, "detection", fleet)}
    if question.past_detection is not None:
        numbers["past_detection"] = _numbers_of(question, "past_detection", fleet)
    if all(numbers[part] is getattr(question, part) for part in numbers):
        return question
    return question.model_copy(update=numbers)


def _numbers_of(question: Question, part: str, fleet: Fleet) -> StatedDetection:
    """Return the numbers of one of the two PODs of a question."""
    asked = getattr(question, part)
    if not isinstance(asked, NamedDetection):
        return asked
    try:
        known_on = fleet.known_on.date()
        register = PodRegister.of_dataset(fleet.source)
        entry = register.get(asked.pod, known_on=known_on, on=fleet.cut_off.date())
    except PodError as problem:
        raise QuestionError(f"question {question.name}: {part}.pod: {problem}") from None
    if entry.recorded_on is not None and entry.recorded_on > known_on:
        raise QuestionError(
            f"question {question.name}: {part}.pod: {entry.name} was not known on {known_on}: it was recorded on "
            f"{entry.recorded_on}. Name a POD that was, or state its numbers with their basis."
        )
    return StatedDetection.of_entry(entry, in_fit=asked.in_fit)


def need_methods_that_see(question: Question) -> None:
    """Refuse a question whose past or planned looks cannot be told of its kinds of damage.

    Parameters
    ----------
    question : Question
        The question, with the numbers of its PODs.

    Raises
    ------
    QuestionError
        If past looks are stated to be by a method whose looks do not count for a kind, or the planned method is
        blind to what they found.
    """
    if question.past_detection is None:
        return
    past, planned = question.past_detection.method, question.detection.method
    for mode in question.modes:
        seen = kind_asked(question, mode)
        if past not in (counted := clean_methods(seen)):
            raise QuestionError(
                f"question {question.name}: past_detection.method: the looks that count for {seen} are those by {', '.join(counted)}. "
                f"Got {past!r}. State the POD of those, or leave `past_detection` out."
            )
        if kind_as_seen(mode.kind, planned) != seen:
            raise QuestionError(
                f"question {question.name}: detection.method: {planned} does not see what past looks by {past} found of {mode.kind} "
                f"({seen}): neither its life nor its growth tells of looks to come. Ask with one method for both."
            )


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
        The kind as asked, as the looks that were made see it; moisture to be found by a method that is blind to water is
        the bond that it broke, as it is in findings. So questions and records from before the two had names of
        their own still hold.
    """
    return kind_as_seen(mode.kind, question.looked_with.method)
