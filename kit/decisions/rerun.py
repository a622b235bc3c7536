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

from kit.decisions.compare import (
    DATA,
    DIFFERS,
    PLAINER_WORDS,
    STATED,
    TOLERANCE,
    VERSION,
    WORDS_SINCE_5,
    FieldCheck,
    compare,
    relative_difference,
)
from kit.decisions.record import (
    MOST_BYTES,
    SCHEMA,
    DecisionRecord,
    as_record,
    decision_record,
    digest_of,
    read_contents,
    rows_path,
    rows_used,
)
from kit.decisions.rows import UsedRows, read_rows, rows_changed
from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.findings import Fleet, digest_over_all, need_fleet
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
from kit.numerics.words import in_words

VERDICTS = (
    "reproduced",
    "record altered",
    "data changed in place",
    "reference data changed",
    "question altered",
    "software changed",
)
"""What a re-run can find; of those that hold together the first is the verdict."""

PACKED_QUESTION = "question.json"
"""Name of the question in an evidence pack."""

ALL = "all"
"""Key of the digest over all tables."""

_AS_THEN, _OF_THAT_TIME, _TO_DATE = "known then", "known now of that time", "known to date"
_NAMED = 8  # fields named in a reason; `fields_frame` has all

REFERENCE = ("limits", "packages", "planned_usage", "pods")
"""Tables that say what is allowed or planned, not what was seen."""


@dataclass(frozen=True, eq=False)
class Rerun:
    """A decision re-run from its record.

    Parameters
    ----------
    verdicts : tuple of str
        All of `VERDICTS` that hold. ``record altered``: the record does not match its digest, or says what its
        question does not give on the same rows with the same versions; ``data changed in place``: the rows known
        then are no longer the same; ``reference data changed``: limits, POD, packages or planned usage as known then are
        not; ``question altered``: it is not the question that was given; ``software changed``: same rows, other
        versions, other numbers or words.
    reasons : tuple of str
        Why, in words.
    then, now : DecisionRecord
        The record, and the same question on the data as known then.
    known_now, today : DecisionRecord or None
        The same question on the same events with all that is known of them now, and on everything to
        date; None where those data cannot answer it.
    checks : tuple of FieldCheck
        Every field of the record held against the fresh run.
    changed_tables : tuple of str
        Tables whose rows as known then differ from the record's fingerprint.
    rows_since : DataFrame
        Rows recorded since that bear on that time, as `Fleet.rows_since` gives them.
    row_changes : DataFrame or None
        Rows as known then that were altered in place, back-dated or deleted since: table, id, what, column, then,
        now. None where the record has no rows beside it.
    """

    verdicts: tuple[str, ...]
    reasons: tuple[str, ...]
    then: DecisionRecord
    now: DecisionRecord
    known_now: DecisionRecord | None
    today: DecisionRecord | None
    checks: tuple[FieldCheck, ...]
    changed_tables: tuple[str, ...]
    rows_since: pd.DataFrame
    row_changes: pd.DataFrame | None = None

    @property
    def verdict(self) -> str:
        """The first of the verdicts."""
        return self.verdicts[0]

    @property
    def differing(self) -> tuple[FieldCheck, ...]:
        """Fields of the answer that do not come out again."""
        return tuple(one for one in self.checks if one.state == DIFFERS)

    @property
    def stated(self) -> tuple[FieldCheck, ...]:
        """Fields that only people can know, which no re-run can check."""
        return tuple(one for one in self.checks if one.state == STATED)

    @property
    def reproduced(self) -> bool:
        """Whether the decision came out again."""
        return self.verdict == "reproduced"

    def __repr__(self) -> str:
        """Return one line."""
        return f"Rerun({self.now.name}: {self.verdict}; {len(self.rows_since)} rows since)"

    def words(self) -> tuple[str, ...]:
        """Say whether the decision came out again, its risk, and what the question answers with later knowledge.

        Returns
        -------
        tuple of str
            Markdown; an answer that those data cannot give is said to be none.
        """
        then, unit = self.then, in_words(self.then.question.clock)
        answers = [
            "none"
            if one is None or one.recommendation.repeat is None
            else f"{one.recommendation.repeat:,.0f} {unit}"
            for one in (then, self.known_now, self.today)
        ]
        middle, low, high = then.recommendation.risk["preventable"]
        return (
            f"Decision {then.name} of {then.known_on}: **{'; '.join(self.verdicts)}**. Every {answers[0]} was the answer then; its risk, "
            f"{middle:.4f} preventable exceedances per 10,000 panel flight hours (5 % to 95 % of draws {low:.4f} to {high:.4f}), "
            f"{'comes' if self.reproduced else 'does not come'} out again.",
            f"With what is known now of that time the same question answers **{answers[1]}**, and with all events to date "
            f"**{answers[2]}**. None of that was known on the day.",
        )

    def fields_frame(self) -> pd.DataFrame:
        """Return every field of the record against the fresh run.

        Returns
        -------
        DataFrame
            Columns field, then, now, difference, state.
        """
        columns = ["field", "then", "now", "difference", "state"]
        return pd.DataFrame([dataclasses.astuple(one) for one in self.checks], columns=columns).astype(
            {"then": object, "now": object}
        )

    def to_frame(self) -> pd.DataFrame:
        """Return each number in the record and in each of the three runs.

        Returns
        -------
        DataFrame
            Columns quantity, then, now, difference, tolerance, same, known_now, today. The difference of
            then and now is relative to the larger of the two; text quantities have none.
        """
        then, now, known_now, today = (
            _quantities(record) if record is not None else {}
            for record in (self.then, self.now, self.known_now, self.today)
        )
        rows = []
        for name in dict.fromkeys([*then, *now]):
            a, b = then.get(name), now.get(name)
            numbers = all(isinstance(x, float) for x in (a, b))
            gap = relative_difference(a, b) if numbers else float("nan")
            rows.append(
                {
                    "quantity": name,
                    "then": a,
                    "now": b,
                    "difference": gap,
                    "tolerance": TOLERANCE if numbers else float("nan"),
                    "same": gap <= TOLERANCE if numbers else a == b,
                    "known_now": known_now.get(name),
                    "today": today.get(name),
                }
            )
        return pd.DataFrame(rows).astype(dict.fromkeys(("then", "now", "known_now", "today"), object))


def _quantities(record: DecisionRecord) -> dict[str, float | str]:
    """Every number of a record that must come out again, by name."""
    answer = record.recommendation
    out: dict[str, float | str] = {"governed by": answer.governed_by}
    number = lambda x: float("nan") if x is None else float(x)  # noqa: E731 - one-line reading of null
    out |= {
        "threshold": number(answer.threshold),
        "repeat": number(answer.repeat),
        "limit [mm]": answer.limit_mm,
    }
    for mode in record.modes:
        out |= {
            f"{mode.kind}: lives": mode.lives,
            f"{mode.kind}: finds": mode.finds,
            f"{mode.kind}: scale": mode.scale,
            f"{mode.kind}: shape": mode.shape,
            f"{mode.kind}: onset median [mm]": mode.onset_median_mm,
            f"{mode.kind}: growth median": mode.rate_median,
        }
    for measure, values in answer.risk.items():
        for ending, value in zip(("", ", 5 %", ", 95 %"), values, strict=True):
            out[f"{measure.replace('_', ' ')} per 10,000 FH{ending}"] = float(value)
    for rule in record.rules:
        out[f"rule {rule.rule}"] = number(rule.interval)
    if record.proposal is not None:
        out["proposal: meets the target"] = "yes" if record.proposal.meets else "no"
        out["proposal: share of draws meeting"] = record.proposal.share_meeting
    return out


_OF_LIMITS = tuple(
    f"reference.limits.*.{name}" for name in ("tier", "bounds", "place", "kind", "repairable_size")
)
_LATELY = ("code", "parts", "slack")  # no form of their own
_NEW = {
    3: ("made_on", "reference", "rows", "set_aside", "due", *_LATELY),
    4: (*_LATELY, *_OF_LIMITS),
    5: _LATELY,
}
"""Fields that records of a form did not have yet, or that were declared after the form; of forms 1 and 2 parts lack fields, too."""

_JOINT = 3  # the first form that was worked out as today; before it, the form itself tells of other software

# Each is the number of a form for good, never the form of today: with the next form these stay what they are.
_WITH_LATER = 4  # the first form whose fingerprint holds the tables below
_TRADE_WORDS = 5  # the first form whose cautions have the trade's words of today
_LATER = ("packages", "planned_usage", "pods")

_WRITTEN_BY = dict.fromkeys((1, 2, 3), "0.1.0")
"""Version of the kit that wrote a form which no later version writes: no record of today can pass for an old one, which says less."""

_IN_NO_DIGEST = (
    "set_aside.",
    "dataset.rejected_rows",
    "dataset.warned_rows",
    "dataset.name",
    "dataset.notice",
)
"""Fields that say of the data what is in no digest of a table."""


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
        return None, words if then.record >= _WITH_LATER else "", ""
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
        for one in other[:_NAMED]
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


def judge(
    contents: dict[str, Any],
    then: DecisionRecord,
    now: DecisionRecord,
    *,
    known_now: DecisionRecord | None = None,
    today: DecisionRecord | None = None,
    rows_since: pd.DataFrame | None = None,
    row_changes: pd.DataFrame | None = None,
    notes: tuple[str, ...] = (),
    altered: tuple[str, ...] = (),
) -> Rerun:
    """Hold a record against the fresh run, and say what follows.

    Parameters
    ----------
    contents : dict
        The record as it stands in its file, as `read_contents` gives it.
    then : DecisionRecord
        The same, read.
    now : DecisionRecord
        The same question on the same day, answered afresh.
    known_now, today : DecisionRecord or None
        The same question on what is known now of that time, and to date.
    rows_since : DataFrame, optional
        Rows recorded since.
    row_changes : DataFrame, optional
        What became of the rows used, as `rows_changed` gives it.
    notes : tuple of str
        What to say besides.
    altered : tuple of str
        What is known already to have been altered of the record or the files that belong to it, in words.

    Returns
    -------
    Rerun
        The verdicts. A pure function: nothing is run, read or written.
    """
    verdicts, reasons = set(), []
    if then.digest != digest_of(contents):
        verdicts.add("record altered")
        reasons.append("the record does not match its own digest: it was altered after it was written")
    for words in (*altered, _not_of_its_form(then)):
        if words:
            verdicts.add("record altered")
            reasons.append(words)
    fresh = now.model_dump(mode="json")
    prints = fresh["dataset"]["fingerprint"]
    if then.record < _WITH_LATER:
        prints = {name: digest for name, digest in prints.items() if name not in _LATER}
        prints = fresh["dataset"]["fingerprint"] = prints | {ALL: digest_over_all(prints)}
    changed = _changed_tables(then.dataset.fingerprint, prints)
    for verdict, named in (
        ("data changed in place", [name for name in changed if name not in (*REFERENCE, ALL)]),
        ("reference data changed", [name for name in changed if name in REFERENCE]),
    ):
        if named:
            verdicts.add(verdict)
            reasons.append(
                f"rows as known on {then.known_on} differ from the record in: {', '.join(named)} "
                "(altered in place, back-dated or taken out)"
            )
    if changed == (ALL,):
        verdicts.add("record altered")
        reasons.append("the digest over all tables does not match those of the tables, which all agree")
    if row_changes is not None and len(row_changes):
        reasons.append("rows: " + _rows_in_words(row_changes))
    checks = compare(
        contents,
        fresh,
        absent=_NEW.get(then.record),
        words=(*PLAINER_WORDS, *(WORDS_SINCE_5 if then.record < _TRADE_WORDS else ())),
    )
    if "pods" in changed:
        reasons.append(_pods_in_words(checks, then))
    differing = [one for one in checks if one.state == DIFFERS]
    other = [one for one in checks if one.state == VERSION]
    if not other and (words := _at_odds(checks, changed)):
        verdicts.add("record altered")
        reasons.append(words)
    if words := _longer_than_its_rules(then):
        verdicts.add("record altered")
        reasons.append(words)
    of_data = bool(verdicts & {"data changed in place", "reference data changed"})
    tells = then.record >= _WITH_LATER  # which rows were set aside
    if tells and not of_data and differing and all(one.field.startswith(_IN_NO_DIGEST) for one in differing):
        verdicts.add("data changed in place")
        reasons.append(
            "what differs is in no digest of a table: either rows that are set aside, or the name or notice of the dataset, were "
            "changed since, or the record was; a register that holds the record tells which"
        )
    if differing:
        more = f" and {len(differing) - _NAMED} more" if len(differing) > _NAMED else ""
        names = ", ".join(one.field for one in differing[:_NAMED]) + more
        reasons.append(f"{len(differing)} fields do not come out again: {names}")
        if not of_data:
            verdicts.add("software changed" if other or then.record < _JOINT else "record altered")
            if not other and then.record >= _JOINT:
                reasons.append(
                    "same rows, same question, same versions: the record says what they do not give, so that it or its "
                    "question was altered after it was written, or the code of the kit was, without a new version"
                )
            elif other:
                reasons.append(
                    "with other versions a re-run cannot tell words that were altered from code that was changed: run it with the "
                    "versions below, or hold the record against a register"
                )
        elif changed:
            reasons.append(
                "with other rows a re-run cannot tell what was altered in the record from what these rows did: restore them, run its "
                "evidence pack, or hold the record against a register"
            )
    if other:
        reasons.append(
            "software: "
            + "; ".join(
                f"the kit's own code {str(one.then)[:12]} then, {str(one.now)[:12]} now"
                if one.field == "code"
                else f"{one.field.removeprefix('software.')} {one.then} then, {one.now} now"
                for one in other
            )
        )
    if then.record >= _JOINT and (unsaid := [name for name in _LATELY if name not in contents]):
        reasons.append(
            f"the record does not say {', '.join(unsaid)}, which records of its form may lack: nothing was held against these"
        )
    if then.record < SCHEMA:
        reasons.append(
            f"the record is of form {then.record}, which says less than one of today: only what it says was held against the answer"
        )
    if then.record < _JOINT and differing:
        reasons.append(
            f"the record is of form {then.record}: its own measure and its own certainties were used, but what is shown and how "
            "it is worked out has changed since (form 3: the median of joint draws in place of the best estimate)"
        )
    return Rerun(
        tuple(name for name in VERDICTS if name in verdicts) or ("reproduced",),
        (*reasons, *notes),
        then,
        now,
        known_now,
        today,
        checks,
        changed,
        pd.DataFrame() if rows_since is None else rows_since,
        row_changes,
    )


def _not_of_its_form(then: DecisionRecord) -> str:
    """Say where a record is of a form that the version which it names never wrote: an old form says less, and less is held against it."""
    version = then.software.get("skin-findings-kit", "")
    wrote = _WRITTEN_BY.get(then.record, version)
    if version == wrote:
        return ""
    return (
        f"the record says that it is of form {then.record} and that version {version or '(none)'} of the kit made it, "
        f"but only version {wrote} wrote that form"
    )


def _at_odds(checks: tuple[FieldCheck, ...], changed: tuple[str, ...]) -> str:
    """Say where the record contradicts itself: its digests of tables, its root of rows and the values that it used."""
    data = [one.field for one in checks if one.state == DATA]
    of_rows = set(changed) - {ALL, "pods"}  # the register of PODs has no rows in the side file
    if any(name.startswith("rows.") for name in data) and not of_rows:
        return "the record's root or count of rows is not that of its tables, whose digests all agree"
    if (
        of_rows
        and "rows.root" in {one.field for one in checks}
        and not any(name.startswith("rows.") for name in data)
    ):
        return "the record's digests of tables are not those of its rows, which all agree"
    if any(name.startswith("reference.") for name in data) and not changed:
        return "the record names a limit, POD, package or planned usage that its own rows do not say"
    return ""


def _longer_than_its_rules(then: DecisionRecord) -> str:
    """Say where a record recommends more than one of its own rules allows, which no version of the kit ever did."""
    said = then.recommendation
    for what, value, rules in (
        ("an initial inspection at", said.threshold, [one for one in then.rules if one.rule == "threshold"]),
        ("a repeat of", said.repeat, [one for one in then.rules if one.governs and one.rule != "threshold"]),
    ):
        for one in rules:
            if value is not None and one.interval is not None and value > one.interval * (1 + TOLERANCE):
                return f"the record recommends {what} {value:,.0f}, longer than its own rule {one.rule} allows ({one.interval:,.0f})"
    return ""


def _pods_in_words(checks: tuple[FieldCheck, ...], then: DecisionRecord) -> str:
    """Name the entry of the register of PODs that is no longer as it was, from the values that the record holds."""
    used = next((str(row["name"]) for row in then.reference.get("pods", ())), "")
    if not used:
        return "PODs: the register is not as it was; the question states its own POD"
    other = [one for one in checks if one.field.startswith("reference.pods.") and one.state == DATA]
    if not other:
        return f"PODs: {used}, which was used, is as it was; other entries of the register are not"
    if any(one.field.count(".") == 2 for one in other):  # the whole entry
        return f"PODs: {used}, which was used, is no longer in the register as known then"
    cells = ", ".join(f"{one.field.split('.')[-1]} {one.then!r} to {one.now!r}" for one in other[:_NAMED])
    return f"PODs: {used}, which was used, was altered ({cells})"


def _rows_in_words(changes: pd.DataFrame) -> str:
    """Name the rows that are no longer as they were, the first of each sort."""
    parts = []
    for what, some in changes.groupby("what", sort=True):
        lines = [
            f"{one.table} {one.id}"
            + (f" {one.column} {one.then!r} to {one.now!r}" if what == "altered" else "")
            for one in some.head(_NAMED).itertuples(index=False)
        ]
        n_rows = len(some.drop_duplicates(["table", "id"]))
        parts.append(f"{n_rows} {what} ({'; '.join(lines)}{'; ...' if len(some) > _NAMED else ''})")
    return ", ".join(parts)


def _changed_tables(then: dict[str, str], now: dict[str, str]) -> tuple[str, ...]:
    """Tables whose digests differ; that over all counts over the tables that the record knows."""
    known = now | {ALL: digest_over_all(now)}
    return tuple(sorted(name for name in set(then) | set(known) if then.get(name) != known.get(name)))
