"""What a re-run tells of a past decision: verdicts, their reasons, every field then and now."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import pandas as pd

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
from kit.decisions.form import SCHEMA, DecisionRecord, digest_of
from kit.findings import digest_over_all
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

ALL = "all"
"""Key of the digest over all tables."""

NAMED = 8  # fields named in a reason; `fields_frame` has all

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
WITH_LATER = 4  # the first form whose fingerprint holds the tables below
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
    if then.record < WITH_LATER:
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
    tells = then.record >= WITH_LATER  # which rows were set aside
    if tells and not of_data and differing and all(one.field.startswith(_IN_NO_DIGEST) for one in differing):
        verdicts.add("data changed in place")
        reasons.append(
            "what differs is in no digest of a table: either rows that are set aside, or the name or notice of the dataset, were "
            "changed since, or the record was; a register that holds the record tells which"
        )
    if differing:
        more = f" and {len(differing) - NAMED} more" if len(differing) > NAMED else ""
        names = ", ".join(one.field for one in differing[:NAMED]) + more
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
    cells = ", ".join(f"{one.field.split('.')[-1]} {one.then!r} to {one.now!r}" for one in other[:NAMED])
    return f"PODs: {used}, which was used, was altered ({cells})"


def _rows_in_words(changes: pd.DataFrame) -> str:
    """Name the rows that are no longer as they were, the first of each sort."""
    parts = []
    for what, some in changes.groupby("what", sort=True):
        lines = [
            f"{one.table} {one.id}"
            + (f" {one.column} {one.then!r} to {one.now!r}" if what == "altered" else "")
            for one in some.head(NAMED).itertuples(index=False)
        ]
        n_rows = len(some.drop_duplicates(["table", "id"]))
        parts.append(f"{n_rows} {what} ({'; '.join(lines)}{'; ...' if len(some) > NAMED else ''})")
    return ", ".join(parts)


def _changed_tables(then: dict[str, str], now: dict[str, str]) -> tuple[str, ...]:
    """Tables whose digests differ; that over all counts over the tables that the record knows."""
    known = now | {ALL: digest_over_all(now)}
    return tuple(sorted(name for name in set(then) | set(known) if then.get(name) != known.get(name)))
