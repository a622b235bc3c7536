"""What general libraries make of the lives behind an answer: the second opinion that goes into the dossier."""

from __future__ import annotations

from kit.intervals.evidence import Evidence
from kit.intervals.named_pod import kind_asked
from kit.intervals.question import Question
from kit.life import NoFiniteMaximum, SecondOpinion, fit_weibull, second_opinion


def second_opinions(evidence: Evidence, question: Question) -> dict[str, SecondOpinion | str]:
    """Fit the lives of each kind that a question asks about by general libraries as well.

    Parameters
    ----------
    evidence : Evidence
        As known on the day of the question.
    question : Question
        As asked.

    Returns
    -------
    dict of str to SecondOpinion or str
        By kind of damage, of the lives with looks taken to find all, since no library knows other looks; a sentence where
        these lives have no finite fit.
    """
    out: dict[str, SecondOpinion | str] = {}
    for mode in question.modes:
        lives = evidence.histories((question.group,), kind_asked(question, mode), mode.clock, question.basis)
        try:
            out[mode.kind] = second_opinion(fit_weibull(lives))
        except NoFiniteMaximum as reason:
            out[mode.kind] = f"no fit to be held against others: {reason}"
    return out
