"""A past decision run again, on what was known then and on today's data."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from pydantic import ValidationError

from kit.decisions.compare import DIFFERS, compare
from kit.decisions.form import DecisionRecord, digest_of
from kit.decisions.record import decision_record, rows_used
from kit.decisions.record_file import MOST_BYTES, as_record, read_contents, rows_path
from kit.decisions.rows import UsedRows, read_rows, rows_changed
from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.decisions.verdicts import NAMED, VERDICTS, WITH_LATER, Rerun, judge
from kit.findings import Fleet, need_fleet
from kit.intervals import (
    Evidence,
    NamedDetection,
    Question,
    QuestionError,
    read_question,
    recommend,
    with_numbers,
)
from kit.numerics.forked import Mapped

PACKED_QUESTION = "question.json"
"""Name of the question in an evidence pack."""

_AS_THEN, _OF_THAT_TIME, _TO_DATE = "known then", "known now of that time", "known to date"


def rerun(
    path: str | Path,
    fleet: Fleet | Evidence,
    *,
    question: Question | str | Path | None = None,
    run: Mapped = map,
    with_curves: bool = True,
) -> Rerun:
    """Re-run a past decision from its record.

    Parameters
    ----------
    path : str or Path
        The record.
    fleet : Fleet or Evidence
        The dataset as it is today.
    question : Question, str or Path, optional
        The question that was meant, to be held against the one in the record. Default: the one that stands beside the
        record, in its folder or its evidence pack, if there is one.
    run : callable
        How the three runs are made: `map`, one after the other; `kit.numerics.forked.forked_map`, on all cores.
    with_curves : bool
        Whether the risk against the repeat is worked out for what is known now too, as the figure of a re-run shows it.

    Returns
    -------
    Rerun
        The verdict, the numbers then, now and today, and the rows that came since.

    Raises
    ------
    RecordError
        If the file is not a decision record, or was altered so that it cannot be run again.
    QuestionError
        If the question can no longer be answered on the data as known then.

    Notes
    -----
    The data are taken back to the day of the record, the question is answered again, and every number
    is compared. Two more runs ask the same question with late rows and corrections, of the same events and
    of all events to date. They are no judgement of those who decided, who could not know them.
    """
    need_fleet(fleet, Evidence, must="a fleet, or the evidence of one")
    contents = read_contents(path)
    then = as_record(contents, path)
    altered = then.digest != digest_of(contents)
    evidence = fleet if isinstance(fleet, Evidence) else Evidence(fleet)
    given = list(_asked_beside(path)) if question is None else [read_question(question)]
    try:
        result = _run_again(contents, then, evidence, path, run, with_curves)
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError) as error:
        if not altered:
            raise
        raise RecordError(
            f"{path}: the record does not match its own digest: it was altered after it was written, and what it "
            f"says now cannot be run again ({error}). Restore the file from its source."
        ) from None
    for asked in given:
        result = _held_against(result, asked, evidence)
    return result


def question_path(path: str | Path) -> Path:
    """Return where the question of a record stands, as it was asked.

    Parameters
    ----------
    path : str or Path
        The record.

    Returns
    -------
    Path
        ``<name>.question.toml`` beside it; it may be missing.
    """
    return Path(path).with_suffix(".question.toml")


def _asked_beside(path: str | Path) -> Iterator[Question]:
    """Give each question that stands beside a record: as it was asked, and as a pack says that it was."""
    asked, packed = question_path(path), Path(path).parent / PACKED_QUESTION
    if asked.is_file():
        yield read_question(asked)
    if not packed.is_file():
        return
    what = "the question of a record"
    stated = json_object(file_bytes(packed, MOST_BYTES, what), packed.name, what)
    try:
        yield Question.model_validate_json(json.dumps(stated))
    except ValidationError as error:
        where = ".".join(str(part) for part in error.errors()[0]["loc"])[:80]
        raise QuestionError(
            f"{packed.name}: not the question of a record ({where}: {error.errors()[0]['msg']}). Restore the file from its source."
        ) from None


def _rows_of(path: str | Path, then: DecisionRecord) -> tuple[UsedRows | None, str, str]:
    """Rows that the record used, from the file beside it; why there are none, and what was altered."""
    side = rows_path(path)
    if then.rows is None:
        words = "the record does not say which rows it used: those altered, back-dated or deleted since cannot be named"
        return None, words if then.record >= WITH_LATER else "", ""
    if not side.is_file():
        words = "is not beside the record: rows that were altered, back-dated or deleted cannot be named"
        return None, f"{side.name} {words}", ""
    rows = read_rows(side)
    if rows.root != then.rows.root:
        words = "holds other rows than the record was written with (another root): one of the two was altered or exchanged"
        return None, "", f"{side.name} {words}"
    return rows, "", ""


def _held_against(result: Rerun, asked: Question, evidence: Evidence) -> Rerun:
    """Add whether the question in the record is the one that was given."""
    asked = with_numbers(asked, evidence.as_known_on(result.then.known_on).fleet)
    day = {"known_on": result.then.known_on}
    sides = [one.model_copy(update=day).model_dump(mode="json") for one in (result.then.question, asked)]
    other = [one for one in compare(*({"asked": side} for side in sides)) if one.state == DIFFERS]
    if not other:
        return result
    words = "; ".join(
        f"{one.field.removeprefix('asked.')} {one.then} in the record, {one.now} as given"
        for one in other[:NAMED]
    )
    found = {"question altered", *result.verdicts} - {"reproduced"}
    return dataclasses.replace(
        result,
        verdicts=tuple(name for name in VERDICTS if name in found),
        reasons=tuple(dict.fromkeys((*result.reasons, f"the question is not the one given: {words}"))),
    )


def open_question(question: Question) -> Question:
    """Return a question without its day, its POD by name and its target by class again where it had them so.

    Parameters
    ----------
    question : Question
        As a record holds it.

    Returns
    -------
    Question
        To be asked of what is known today.
    """
    more: dict[str, object] = {
        part: NamedDetection(pod=pod.pod, in_fit=pod.in_fit)
        for part in ("detection", "past_detection")
        if (pod := getattr(question, part)) is not None and pod.pod is not None
    }
    if question.target is not None and question.target.structure_class is not None:
        more["target"] = None
    return question.model_copy(update={"known_on": None} | more)


@dataclass(frozen=True)
class _AsThen:
    """The question answered as known then; what became of its rows, then and since; what to say of them, and what was altered."""

    record: DecisionRecord
    changes: pd.DataFrame | None
    since: pd.DataFrame
    note: str
    altered: str


def _run_again(
    contents: dict[str, Any],
    then: DecisionRecord,
    evidence: Evidence,
    path: str | Path,
    run: Mapped,
    with_curves: bool,
) -> Rerun:
    """Answer the question of a record again, three times, and compare."""
    day = pd.Timestamp(then.known_on)

    def again(body: str) -> DecisionRecord | _AsThen | QuestionError:
        if body == _AS_THEN:
            answer = recommend(evidence, then.question.model_copy(update={"known_on": then.known_on}))
            rows = None if then.rows is None else rows_used(answer.fleet)
            used, note, altered = _rows_of(path, then)
            changes = rows_changed(used, rows) if used is not None and rows is not None else None
            return _AsThen(
                decision_record(answer, rows=rows), changes, evidence.fleet.rows_since(day), note, altered
            )
        later = evidence.up_to(then.known_on) if body == _OF_THAT_TIME else evidence
        try:
            return decision_record(recommend(later, open_question(then.question)), with_curve=with_curves)
        except QuestionError as problem:
            return problem

    # The first has the least to answer, so that it also sees to the rows: two of the three share a core.
    as_then, *later = run(again, (_AS_THEN, _OF_THAT_TIME, _TO_DATE))
    unanswered = [
        f"what is {words} cannot answer the question: {one}"
        for words, one in zip((_OF_THAT_TIME, _TO_DATE), later, strict=True)
        if isinstance(one, QuestionError)
    ]
    known_now, today = (None if isinstance(one, QuestionError) else one for one in later)
    return judge(
        contents,
        then,
        as_then.record,
        known_now=known_now,
        today=today,
        rows_since=as_then.since,
        row_changes=as_then.changes,
        notes=(*unanswered, as_then.note) if as_then.note else tuple(unanswered),
        altered=(as_then.altered,) if as_then.altered else (),
    )
