"""A past decision run again, on what was known then and on today's data."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from kit.decisions.record import (
    SCHEMA,
    DecisionRecord,
    RecordError,
    decision_record,
    file_digest,
    read_decision,
)
from kit.findings import Fleet, need_fleet
from kit.intervals import Evidence, QuestionError, recommend

TOLERANCE = 1e-6
"""Largest relative difference of a number that counts as reproduced [-]."""

VERDICTS = ("reproduced", "data changed", "software changed", "record altered")
"""What a re-run can find."""


@dataclass(frozen=True, eq=False)
class Rerun:
    """A decision re-run from its record.

    Parameters
    ----------
    verdict : str
        ``reproduced``; ``data changed``: the rows known then are no longer the same; ``software
        changed``: same rows, other numbers; ``record altered``: the record does not match its digest.
    reasons : tuple of str
        Why, in words.
    then, now : DecisionRecord
        The record, and the same question on the data as known then.
    known_now, today : DecisionRecord or None
        The same question on the same events with all that is known of them now, and on everything to
        date; None where those data cannot answer it.
    changed_tables : tuple of str
        Tables whose rows as known then differ from the record's fingerprint.
    rows_since : DataFrame
        Rows recorded since that bear on that time, as `Fleet.rows_since` gives them.
    """

    verdict: str
    reasons: tuple[str, ...]
    then: DecisionRecord
    now: DecisionRecord
    known_now: DecisionRecord | None
    today: DecisionRecord | None
    changed_tables: tuple[str, ...]
    rows_since: pd.DataFrame

    @property
    def reproduced(self) -> bool:
        """Whether the decision came out again."""
        return self.verdict == "reproduced"

    def __repr__(self) -> str:
        """Return one line."""
        return f"Rerun({self.then.name}: {self.verdict}; {len(self.rows_since)} rows since)"

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
            gap = _difference(a, b) if numbers else float("nan")
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


def _difference(a: float, b: float) -> float:
    """Relative difference; 0 for two equal numbers, infinite where only one is a number."""
    if a == b or (np.isnan(a) and np.isnan(b)):
        return 0.0
    size = max(abs(a), abs(b))
    return abs(a - b) / size if np.isfinite(size) and size > 0 else float("inf")


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
        out["proposal: meets the target"] = "yes" if record.proposal["meets"] else "no"
        out["proposal: share of draws meeting"] = float(record.proposal["share_meeting"])
    return out


def rerun(path: str | Path, fleet: Fleet | Evidence) -> Rerun:
    """Re-run a past decision from its record.

    Parameters
    ----------
    path : str or Path
        The record.
    fleet : Fleet or Evidence
        The dataset as it is today.

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
    then = read_decision(path)
    altered = then.digest != file_digest(path)
    evidence = fleet if isinstance(fleet, Evidence) else Evidence(fleet)
    try:
        return _run_again(then, evidence, altered)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        if not altered:
            raise
        raise RecordError(
            f"{path}: the record does not match its own digest: it was altered after it was written, and what it "
            f"says now cannot be run again ({error}). Restore the file from its source."
        ) from None


def _run_again(then: DecisionRecord, evidence: Evidence, altered: bool) -> Rerun:
    """Answer the question of a record again, three times, and compare."""
    question = then.question.model_copy(update={"known_on": then.known_on})
    as_then = evidence.as_known_on(then.known_on)
    now = decision_record(recommend(evidence, question))
    open_question = question.model_copy(update={"known_on": None})
    later: list[DecisionRecord | None] = []
    unanswered: list[str] = []
    for words, body in (
        ("known now of that time", evidence.up_to(then.known_on)),
        ("known to date", evidence),
    ):
        try:
            later.append(decision_record(recommend(body, open_question)))
        except QuestionError as problem:
            later.append(None)
            unanswered.append(f"what is {words} cannot answer the question: {problem}")
    known_now, today = later
    kept = then.dataset.get("fingerprint", {})
    changed = tuple(
        sorted(
            name
            for name in set(kept) | set(as_then.fingerprint)
            if kept.get(name) != as_then.fingerprint.get(name)
        )
    )
    since = evidence.fleet.rows_since(pd.Timestamp(then.known_on))
    reasons = unanswered.copy()
    if altered:
        reasons.append("the record does not match its own digest: it was altered after it was written")
    if changed:
        reasons.append(
            f"rows as known on {then.known_on} differ from the record in: {', '.join(changed)} "
            "(altered in place, or back-dated)"
        )
    result = Rerun("reproduced", (), then, now, known_now, today, changed, since)
    differing = result.to_frame().loc[lambda frame: ~frame["same"].astype(bool), "quantity"]
    if len(differing):
        reasons.append(f"{len(differing)} numbers differ, first {differing.iloc[0]}")
    other = [
        f"{name} {then.software.get(name)} then, {version} now"
        for name, version in now.software.items()
        if then.software.get(name) != version
    ]
    if other:
        reasons.append("software: " + "; ".join(other))
    if then.record < SCHEMA and len(differing):
        reasons.append(
            f"the record is of form {then.record}: its own measure and its own certainties were used, but each answer is the "
            "median of joint draws since, at the usage of each part of the fleet, no longer the best estimate at the mean usage"
        )
    if altered:
        verdict = "record altered"
    elif changed:
        verdict = "data changed"
    elif len(differing):
        verdict = "software changed"
    else:
        verdict = "reproduced"
    return Rerun(verdict, tuple(reasons), then, now, known_now, today, changed, since)
