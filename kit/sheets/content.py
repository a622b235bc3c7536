"""What stands in the sheet and in the dossier of a decision."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from kit.cautions import CAUTIONS
from kit.decisions import (
    CANNOT_PROVE,
    INTERACTION,
    Causes,
    DecisionRecord,
    Rerun,
    Verification,
    readable,
    set_aside_by_group,
)
from kit.findings import Fleet
from kit.life import SecondOpinion
from kit.numerics.words import in_words, interval_in_words, number
from kit.programmes import Tornado
from kit.sheets.parts import Boxes, Curve, Grid, Heading, Items, Part, Words

KINDS = ("sheet", "dossier")
"""One page for those who sign; all there is for those who file and check."""

BOXES = (
    "Reliability engineer: name, day, signature",
    "Licensed or authorised person: name, day, signature",
    "Authority, where needed: name, day, signature",
)
"""Who signs by hand (common practice, no source)."""

_LEVELS = (0.5, 0.8, 0.9, 0.95)  # shares of draws that others might have asked
_OTHERS = 0.02  # values that move the interval by less are named without their numbers [-]
_NO_VALUE = "–"


@dataclass(frozen=True)
class Document:
    """A document before it is drawn.

    Parameters
    ----------
    name, kind : str
        Name of the decision, and one of `KINDS`.
    title : str
        Its first line.
    parts : tuple of Part
        What stands in it, in order.
    foot : str
        What stands at the foot of every page.
    """

    name: str
    kind: str
    title: str
    parts: tuple[Part, ...]
    foot: str

    def __repr__(self) -> str:
        """Return one line."""
        return f"Document({self.kind} of {self.name}: {len(self.parts)} parts)"


def decision_document(
    record: DecisionRecord,
    fleet: Fleet,
    *,
    kind: str = "sheet",
    result: Rerun | None = None,
    register: Verification | None = None,
    causes: Causes | None = None,
    sensitivity: Tornado | None = None,
    named: tuple[tuple[str, frozenset[str]], ...] | None = None,
    opinions: Mapping[str, SecondOpinion | str] | None = None,
) -> Document:
    """Put a decision down on paper.

    Parameters
    ----------
    record : DecisionRecord
        The record as it stands in its file.
    fleet : Fleet
        The dataset as known on the day of the record.
    kind : {"sheet", "dossier"}
        The sheet is what a person signs; the dossier has all besides: every value of the question, what is assumed,
        every row set aside, digests, and what the re-run found.
    result : Rerun, optional
        The re-run of the record; numbers, words and cautions are then those of the fresh run, not of the file. Leave it
        out only where the record was made just now.
    register : Verification, optional
        The register, for sign-offs and its head.
    causes : Causes, optional
        What moved the answer since, for the dossier.
    sensitivity : Tornado, optional
        How far each stated or assumed value moves the interval.
    named : tuple, optional
        Rows that were set aside, as `kit.decisions.set_aside_with_groups` gave them for the dataset.
    opinions : mapping of str to SecondOpinion or str, optional
        What general libraries make of the same lives, by kind of damage, for the dossier.

    Returns
    -------
    Document
        To be drawn with `html_page` or `pdf_bytes`.

    Raises
    ------
    ValueError
        If `kind` is none of the two.
    """
    if kind not in KINDS:
        raise ValueError(f"`kind` must be one of {', '.join(KINDS)}. Got {kind!r}.")
    shown = record if result is None else result.now
    writer = _Writer(
        record, shown, fleet, kind == "dossier", result, register, causes, sensitivity, named, opinions or {}
    )
    return Document(
        record.name,
        kind,
        f"Decision {record.name}: {shown.question.title}",
        tuple(writer.parts()),
        f"{record.name}, {kind}; known on {record.known_on}; digest {record.digest[:16]}",
    )


@dataclass(frozen=True)
class _Writer:
    """Puts the parts of a document together."""

    record: DecisionRecord
    shown: DecisionRecord
    fleet: Fleet
    full: bool
    result: Rerun | None
    register: Verification | None
    causes: Causes | None
    sensitivity: Tornado | None
    named: tuple[tuple[str, frozenset[str]], ...] | None
    opinions: Mapping[str, SecondOpinion | str]

    @property
    def unit(self) -> str:
        return self.shown.question.clock.replace("_", " ")

    def parts(self) -> Iterator[Part]:
        """Give the parts in their order."""
        own = tuple(caution for caution in self.shown.cautions if caution not in CAUTIONS)
        yield from self._head()
        yield Heading("What speaks against it")
        yield Items(own or ("Nothing beyond the standing cautions below.",))
        yield Heading("Evidence")
        yield from self._evidence()
        yield Heading("What each rule allows, and what governs")
        yield Grid(
            ("rule", f"longest interval [{self.unit}]", "governs", "why"),
            tuple(
                (in_words(r.rule), _number(r.interval), "governs" if r.governs else "", r.reason)
                for r in self.shown.rules
            ),
        )
        yield from self._as_flown()
        yield Heading("What would have changed it")
        yield from self._changes()
        yield from self._set_aside()
        if self.full:
            yield from self._all_values()
        yield Heading("Standing cautions")
        yield Items(tuple(one for one in self.shown.cautions if one in CAUTIONS), run_on=not self.full)
        yield Heading("Signed")
        yield from self._signed()
        yield Heading("How to check it")
        yield from self._check()

    def _head(self) -> Iterator[Part]:
        """Give what is asked and what is recommended; first of all, whether it came out again."""
        ask, answer, record = self.shown.question, self.shown.recommendation, self.record
        yield Words(f"{self.shown.dataset.name}. {self.shown.dataset.notice}", "small")
        if self.result is not None and not self.result.reproduced:
            found = "; ".join(self.result.verdicts).upper()
            yield Words(
                f"NOT REPRODUCED: {found}. What stands here is the fresh run, not the record.", "strong"
            )
            yield Items(self.result.reasons)
        first = interval_in_words(answer.threshold, self.unit, answer.threshold_in_words)
        words = f"Initial inspection at {first}; "
        if answer.repeat is None:
            words += "NO repeat interval is recommended."
        else:
            words += f"then every {interval_in_words(answer.repeat, self.unit, answer.repeat_in_words)}."
        yield Words(f"{words} Governed by: {in_words(answer.governed_by)}.", "strong")
        share = (
            "" if self.shown.share_meeting is None else f"; {self.shown.share_meeting:.0%} do at this answer"
        )
        pod = ask.detection.pod
        yield Words(
            f"Asked for {ask.group.replace('_', ' ')} by {self.unit}, over {_number(ask.horizon)}; {', '.join(m.kind.replace('_', ' ') for m in self.shown.modes)}. "
            f"Target: {ask.target.words}; {ask.target.share_of_draws:.0%} of draws must meet it{share}. Limit {answer.limit_mm:g} mm; "
            f"POD {pod or 'stated in the question'}; present repeat {_number(answer.current_repeat)}. "
            f"Known on {record.known_on}, events to {self.shown.dataset.cut_off}; made on {record.made_on or 'a day that is not stated'}."
        )
        risk = answer.risk.get(ask.target.column)
        if risk is not None:
            more = (
                " The target counts damage on the far side as though it were tapped, which is more than this."
                if ask.target.measure == "preventable_exceedances"
                else ""
            )
            yield Words(
                f"Risk at this answer: {ask.target.measure.replace('_', ' ')} {risk[0]:.3g} per 10,000 panel flight hours, 5 % to 95 % of "
                f"draws {risk[1]:.3g} to {risk[2]:.3g}.{more}"
            )

    def _evidence(self) -> Iterator[Part]:
        names = (
            "damage type [clock]",
            "finds / lives",
            "characteristic life, 95 % of draws",
            "slope (shape), 95 % of draws",
            "how the life came about",
        )
        yield Grid(
            names,
            tuple(
                (
                    f"{m.kind.replace('_', ' ')} [{m.clock.replace('_', ' ')}]",
                    f"{m.finds:g} / {m.lives:g}",
                    _span(m.scale, m.scale_bounds),
                    _span(m.shape, m.shape_bounds),
                    m.life_basis,
                )
                for m in self.shown.modes
            ),
        )
        if self.full:
            yield Grid(
                (
                    "damage type",
                    "size at onset [mm]",
                    "growth per unit of the clock",
                    "stands still",
                    "how growth came about",
                    "lives left out",
                ),
                tuple(
                    (
                        m.kind.replace("_", " "),
                        f"{m.onset_median_mm:.3g}",
                        f"{m.rate_median:.3g} ({m.growth_form})",
                        f"{m.no_growth_share:.0%}",
                        m.growth_basis,
                        "; ".join(f"{n:,} {why}" for why, n in m.excluded.items()) or "none",
                    )
                    for m in self.shown.modes
                ),
            )
        if self.full and self.opinions:
            yield from self._opinions()

    def _opinions(self) -> Iterator[Part]:
        """Give what general libraries give, refuse or cannot do with the same lives."""
        yield Heading("A second opinion on the lives")
        yield Words(
            "The same rows by general libraries, each in a process of its own, with looks taken to find all. No library knows looks that miss."
        )
        rows = []
        for kind, one in self.opinions.items():
            words = in_words(kind)
            if isinstance(one, str):
                rows.append((words, _NO_VALUE, _NO_VALUE, _NO_VALUE, one))
                continue
            for name, row in one.to_frame().drop(index="this kit, as fitted").iterrows():
                told = (
                    f"refuses: {row['refused']}"
                    if row["refused"]
                    else f"cannot: {row['cannot']}"
                    if row["cannot"]
                    else ""
                )
                rows.append(
                    (f"{words}: {name}", *(_finite(row[part]) for part in ("scale", "shape", "age")), told)
                )
        yield Grid(
            (
                "damage type: by",
                "characteristic life",
                "slope (shape)",
                "age at 10 %",
                "what it cannot take into account",
            ),
            tuple(rows),
        )

    def _as_flown(self) -> Iterator[Part]:
        """Parts of the fleet side by side, and intervals as flown against nominal ones."""
        if self.shown.parts:
            yield Heading("Parts of the fleet side by side")
            yield Grid(
                (
                    "part",
                    "panels",
                    f"alone: initial inspection [{self.unit}]",
                    f"alone: repeat [{self.unit}]",
                    "governed by",
                    "draws that meet the target under the schedule of all",
                ),
                tuple(
                    (
                        one.name,
                        f"{one.share:.0%}",
                        _number(one.first),
                        _NO_VALUE if one.repeat is None else f"{_number(one.repeat)} ({one.repeat_words})",
                        in_words(one.governed_by),
                        f"{one.share_meeting:.0%}",
                    )
                    for one in self.shown.parts
                ),
            )
        flown = self.shown.slack
        if flown is not None:
            yield Heading("Intervals as flown, over what the tasks name")
            yield Grid(
                (
                    "gaps between looks",
                    "not closed yet",
                    "middle",
                    "nine of ten up to",
                    "longest",
                    "over by 2 % or more",
                ),
                (
                    (
                        f"{flown.gaps:,}",
                        f"{flown.still_open:,}",
                        f"{flown.middle:.2f}",
                        f"{flown.nine_of_ten:.2f}",
                        f"{flown.longest:.2f}",
                        f"{flown.share_over:.0%}",
                    ),
                ),
            )

    def _changes(self) -> Iterator[Part]:
        """Other shares, other intervals, other values, and what became known since."""
        ask, answer = self.shown.question, self.shown.recommendation
        cap = min(
            (rule.interval for rule in self.shown.rules if rule.rule == "cap" and rule.interval),
            default=float("inf"),
        )
        points = [
            (row["repeat"], row["share_meeting"])
            for row in self.shown.curve
            # What lies beyond the not-to-exceed limit is never allowed, whatever share of draws meets the target.
            if {"repeat", "share_meeting"} <= set(row) and row["repeat"] <= cap * (1 + 1e-9)
        ]
        lines = []
        if points:
            asked = sorted({ask.target.share_of_draws, *_LEVELS})
            told = "; ".join(f"{level:.0%}: {_longest(points, level)}" for level in asked)
            lines.append(
                f"Longest repeat [{self.unit}] up to which this share of draws meets the target, had it been asked: {told}."
            )
        for words, one in (("present", self.shown.present), ("proposed", self.shown.proposal)):
            if one is not None:
                verdict = "meets" if one.meets else "does NOT meet"
                lines.append(
                    f"The {words} repeat of {_number(one.repeat)} {verdict} the target ({one.share_meeting:.0%} of draws)."
                )
        if self.sensitivity is not None:
            moved = self.sensitivity.frame
            lines += [
                f"{row.name}: {number(row.low)} in place of {number(row.base)} gives {_number(row.interval_low)}, {number(row.high)} gives {_number(row.interval_high)} ({row.basis})."
                for row in moved.head(len(moved) if self.full else 3).itertuples()
                if row.moves > _OTHERS * max(self.sensitivity.base, 1.0)
            ]
        if self.result is not None:
            for words, one in (
                ("is known now of that time", self.result.known_now),
                ("is known to date", self.result.today),
            ):
                lines.append(
                    f"With what {words}: {_answer_in_words(one, self.unit)}; nobody could know it on {self.record.known_on}."
                )
        yield Items(tuple(lines))
        if self.full and points:
            repeats, shares = zip(*points, strict=True)
            yield Curve(repeats, shares, ask.target.share_of_draws, answer.repeat, self.unit)
        if self.full and self.causes is not None:
            frame = self.causes.to_frame()
            yield Words(f"What moved the answer since, one cause on top of the other; {INTERACTION}.")
            yield Grid(
                ("cause", "rows", "repeat", "change", "risk rule allows", "change"),
                tuple(
                    (
                        row["cause"],
                        f"{row['rows']:,}",
                        *(
                            _number(row[k])
                            for k in ("repeat", "repeat_change", "rule risk", "rule risk_change")
                        ),
                    )
                    for row in frame.to_dict("records")
                ),
            )

    def _set_aside(self) -> Iterator[Part]:
        own, other = set_aside_by_group(self.fleet, self.shown.question.group, self.named)
        yield Heading(f"Rows set aside that bear on it, or of which that cannot be told ({len(own)})")
        yield Items(own or ("None.",))
        if self.full:
            yield Heading(f"Rows set aside of other groups ({len(other)})")
            yield Items(other or ("None.",))
        elif other:
            yield Words(f"{len(other)} more name zones of other groups only; the dossier has them.")

    def _all_values(self) -> Iterator[Part]:
        """Give what only the dossier has."""
        yield Heading("Assumed, not from data")
        yield Items(self.shown.assumptions)
        yield Heading("Risk of the answer per 10,000 panel flight hours")
        yield Grid(
            ("measure", "median", "5 % of draws", "95 % of draws"),
            tuple(
                (name.replace("_", " "), *(_number(x) for x in three))
                for name, three in self.shown.recommendation.risk.items()
            ),
        )
        yield Heading("Limit, POD, packages and planned usage that were used")
        yield Items(
            tuple(
                f"{in_words(name)}: "
                + ", ".join(
                    f"{in_words(key)} {_exact(value)}"
                    for key, value in row.items()
                    if value not in (None, "")
                )
                for name, rows in self.shown.reference.items()
                for row in rows
            )
            or ("Not in a record of this form.",)
        )
        yield Heading("The question, value by value")
        values = list(_leaves(self.record.question.model_dump(mode="json")))
        yield Grid(
            ("value", "as asked"), tuple((name, _exact(value)) for name, value in values if value is not None)
        )
        unsaid = [name for name, value in values if value is None]
        yield Words(f"Not stated: {'; '.join(unsaid) or 'nothing'}.")
        if self.result is not None:
            yield Heading("What the re-run found")
            state = readable(self.result.to_frame()[["quantity", "then", "now", "known_now", "today"]])
            yield Grid(
                ("quantity", "in the record", "afresh", "known now", "to date"),
                tuple((in_words(name), *map(str, row)) for name, *row in state.itertuples(index=False)),
            )
            same = sum(one.state == "same" for one in self.result.checks)
            yield Words(
                f"Verdict: {'; '.join(self.result.verdicts)}. {same} fields come out again, {len(self.result.differing)} do not; {len(self.result.stated)} are "
                "stated by people and were not checked."
            )
            yield Items(
                (
                    *self.result.reasons,
                    *(
                        f"{one.field}: {one.then} in the record, {one.now} afresh"
                        for one in self.result.differing
                    ),
                )
                or ("No reason to doubt it.",)
            )
        yield Heading("Digests of the tables as known then")
        yield Grid(("table", "SHA-256"), tuple(self.record.dataset.fingerprint.items()))

    def _signed(self) -> Iterator[Part]:
        """Those who signed, in the record and in the register, and boxes for those who sign by hand."""
        rows = [(s.role, f"{s.on}", s.note, "in the record, stated") for s in self.record.sign_offs]
        entries = () if self.register is None else self.register.entries
        signed = [one for one in entries if one.what == "sign-off" and one.digest == self.record.digest]
        rows += [
            (one.role, f"{one.entered_on}", one.note, f"{one.code}{' (signature)' if one.signature else ''}")
            for one in signed
        ]
        yield (
            Grid(("role", "day", "note", "entry of the register"), tuple(rows))
            if rows
            else Words("Nobody has signed by now.")
        )
        others = sum(one.what == "sign-off" and one.name == self.record.name for one in entries) - len(signed)
        if others > 0:
            yield Words(
                f"{others} sign-offs of the register are of ANOTHER record of this name and do not count here.",
                "strong",
            )
        yield Boxes(BOXES)

    def _check(self) -> Iterator[Part]:
        register = self.register
        if register is None:
            yield Words("Not held against a register.", "small")
        else:
            entered = any(one.digest == self.record.digest for one in register.entries)
            if register.problems:
                yield Words(f"THE REGISTER IS BROKEN: {'; '.join(register.problems)}.", "strong")
            yield Words(
                f"Head of the register {register.head or 'none'} ({len(register.entries)} entries); this record is {'in it' if entered else 'NOT in it'}. {CANNOT_PROVE}",
                "small",
            )
        rows = "none" if self.record.rows is None else self.record.rows.root
        versions = "; ".join(f"{name} {version}" for name, version in self.record.software.items())
        yield Words(
            f"Digest of the record {self.record.digest}; root of the rows used {rows}; fingerprint of the data {self.record.dataset.fingerprint.get('all', 'none')}. "
            f"Made with {versions}. Check it with: python -m kit rerun {self.record.name}.json DATASET",
            "small",
        )


def _number(value: float | None) -> str:
    if value is None or value != value:
        return _NO_VALUE
    return f"{value:,.0f}" if abs(value) >= 1000 or value == 0 else f"{value:,.4g}"


def _span(value: float, bounds: tuple[float | None, float | None]) -> str:
    if bounds[0] is None and bounds[1] is None:
        return _number(value)
    return f"{_number(value)} ({_number(bounds[0])} to {_number(bounds[1])})"


def _longest(points: list[tuple[float, float]], level: float) -> str:
    """Return the longest repeat up to which every point reaches a share; never read between points."""
    met = ""
    for repeat, share in sorted(points):
        if share < level:
            return met or f"none from {_number(repeat)} on"
        met = _number(repeat)
    return f"{met} or more"


def _answer_in_words(record: DecisionRecord | None, unit: str) -> str:
    if record is None:
        return "the question cannot be answered"
    answer = record.recommendation
    repeat = "NO repeat interval" if answer.repeat is None else f"every {_number(answer.repeat)} {unit}"
    return f"{repeat}, initial inspection at {_number(answer.threshold)}, governed by {in_words(answer.governed_by)}"


def _leaves(value: object, name: str = "") -> Iterator[tuple[str, object]]:
    """Give every value of a part with its place in words; a list of plain values is one."""
    if isinstance(value, list) and not any(isinstance(part, dict | list) for part in value):
        yield name, ", ".join(map(_exact, value)) or None
    elif isinstance(value, dict | list) and value:
        for key, part in value.items() if isinstance(value, dict) else enumerate(value, 1):
            yield from _leaves(part, f"{name}, {in_words(str(key))}" if name else in_words(str(key)))
    else:
        yield name, None if value in ({}, "") else value


def _exact(value: object) -> str:
    """Return a value as it was given, whole numbers without a point."""
    return f"{value:.15g}" if isinstance(value, float) else str(value)


def _finite(value: float) -> str:
    """Return a number, or a dash where there is none."""
    return number(value) if value == value else _NO_VALUE
