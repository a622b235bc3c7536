"""A decision, kept so that an auditor can check and re-run it years later."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import importlib.metadata
import json
import platform
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from kit.decisions.compare import DATA, DIFFERS, PLAINER_WORDS, compare
from kit.decisions.rows import ENDING, UsedRows, write_rows
from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.findings import TABLES, Fleet, replace_text
from kit.intervals import Answer, ModeAnswer, Question

SCHEMA = 5
"""Version of the form in which records are written. Form 4 named neither the tier of its limit nor what it bounds, and had other
words for the same. Form 3 said neither when it was made nor which rows, packages,
planned usage and POD it used. Form 1 knew the mean risk over the horizon alone; forms 1 and 2
took growth and POD as sure, a panel's first onset only, and gave the risk at the best estimate."""

_FIXED_SHAPE, _FREE_SHAPE = (
    0.01,
    1.0,
)  # log standard deviations of a prior that leaves nothing, or all, to the finds

MOST_BYTES = 32_000_000
"""A record has some 50,000 bytes; what is longer than this is none and is not read [bytes]."""

_ANSWERING = (
    "numerics",
    "findings",
    "regions",
    "life",
    "detection",
    "growth",
    "posterior",
    "ranking",
    "intervals",
    "decisions",
)
"""Packages of the kit in which an answer is worked out and put down; figures, sheets and commands only read it."""

_PACKAGES = ("skin-findings-kit", "numpy", "pandas", "scipy", "shapely", "pydantic")
Number = float | None
Value = float | str | None


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModeRecord(_Part):
    """Evidence and fit of one kind of damage."""

    kind: str
    clock: str
    lives: Annotated[float, Field(description="lives in the fit")]
    finds: Annotated[float, Field(description="lives with a find")]
    excluded: Annotated[dict[str, int], Field(description="lives left out, by reason")]
    life_basis: Annotated[str, Field(description="how the life came about")]
    scale: Annotated[float, Field(description="Weibull scale [units of the clock]")]
    shape: Annotated[float, Field(description="Weibull shape [-]")]
    scale_bounds: Annotated[
        tuple[Number, Number],
        Field(
            description="95 % of the draws lie between them; before form 3 profile bounds, null where unbounded"
        ),
    ]
    shape_bounds: Annotated[
        tuple[Number, Number],
        Field(
            description="95 % of the draws lie between them; before form 3 profile bounds, null where unbounded"
        ),
    ]
    log_likelihood: Annotated[Number, Field(description="log-likelihood of the fit [-]")]
    onset_median_mm: Annotated[float, Field(description="median size at onset [mm]")]
    onset_log_sd: Annotated[float, Field(description="standard deviation of its log [-]")]
    rate_median: Annotated[
        float,
        Field(
            description="median growth rate [mm per unit of the clock; 1 per unit of the clock where growth is proportional]"
        ),
    ]
    rate_log_sd: Annotated[float, Field(description="standard deviation of its log [-]")]
    no_growth_share: Annotated[float, Field(description="share that does not grow [-]")]
    growth_basis: Annotated[str, Field(description="fitted, or where the stated numbers come from")]
    growth_form: Annotated[str, Field(description="form of growth of the central value")] = "linear"


class RuleRecord(_Part):
    """What one rule says."""

    rule: str
    interval: Annotated[
        Number, Field(description="longest interval it allows [units of the schedule's clock]")
    ]
    governs: bool
    reason: str


class Recommendation(_Part):
    """The answer."""

    threshold: Annotated[
        Number,
        Field(
            description="first look, also where no repeat is recommended; null in old records [units of the schedule's clock]"
        ),
    ]
    repeat: Annotated[
        Number, Field(description="spacing of the looks after it [units of the schedule's clock]")
    ]
    threshold_in_words: str
    repeat_in_words: str
    governed_by: str
    limit_mm: Annotated[float, Field(description="largest equivalent diameter that may stay [mm]")]
    risk: Annotated[
        dict[str, tuple[float, float, float]],
        Field(
            description="per 10,000 panel flight hours: median, 5 % and 95 % of the draws; before form 3 the best estimate in "
            "place of the median"
        ),
    ]
    current_repeat: Annotated[Number, Field(description="interval of the programme then")]


class Judgement(_Part):
    """An interval that was not recommended, held against the target."""

    repeat: Annotated[float, Field(description="spacing of the looks [units of the schedule's clock]")]
    first: Annotated[float, Field(description="first look [units of the schedule's clock]")]
    share_meeting: Annotated[float, Field(description="share of the draws that meet the target [-]")]
    meets: Annotated[bool, Field(description="whether enough of them do")]
    risk: Annotated[
        dict[str, tuple[float, float, float]],
        Field(description="per 10,000 panel flight hours: median, 5 % and 95 % of the draws"),
    ]


class DueRecord(_Part):
    """When the panels of one aircraft are due under the recommendation."""

    aircraft: Annotated[str, Field(description="tail")]
    panels: Annotated[int, Field(description="panels of the group")]
    late: Annotated[int, Field(description="of these past their next look at the cut-off")]
    unknown: Annotated[int, Field(description="of these of unknown age")]
    due_on: Annotated[dt.date | None, Field(description="first day on which one is due, by planned usage")]


class PartRecord(_Part):
    """What a part of the fleet, such as a subtype, would be recommended alone."""

    name: Annotated[str, Field(description="the part")]
    share: Annotated[float, Field(description="share of the panels [-]")]
    first: Annotated[float, Field(description="its own first look [units of the schedule's clock]")]
    repeat: Annotated[Number, Field(description="its own repeat; null where no interval will do [same]")]
    repeat_words: Annotated[str, Field(description="the repeat in packages")]
    governed_by: Annotated[str, Field(description="rule that set it")]
    share_meeting: Annotated[
        float,
        Field(description="share of the draws in which it meets the target under the schedule of all [-]"),
    ]


class SlackRecord(_Part):
    """Gaps between looks as flown, over the interval that their task names."""

    gaps: Annotated[int, Field(description="gaps between two looks of closed cards at one panel")]
    still_open: Annotated[int, Field(description="of these not closed yet and longer than nominal already")]
    middle: Annotated[float, Field(description="median of actual over nominal [-]")]
    nine_of_ten: Annotated[float, Field(description="ratio that nine of ten do not exceed [-]")]
    longest: Annotated[float, Field(description="largest ratio [-]")]
    share_over: Annotated[float, Field(description="share longer than nominal by more than 2 % [-]")]


class DatasetRecord(_Part):
    """What was known, and in which state."""

    name: str
    notice: str
    known_on: Annotated[dt.date, Field(description="last day of which rows were known")]
    cut_off: Annotated[dt.date, Field(description="last day of which events count")]
    rejected_rows: Annotated[int, Field(description="problems of rows set aside")]
    warned_rows: Annotated[int, Field(description="problems of rows accepted with a warning")]
    fingerprint: Annotated[dict[str, str], Field(description="SHA-256 of each table as known then")]


class RowsRecord(_Part):
    """The rows that were used, one by one."""

    root: Annotated[
        str, Field(description="root of the tree of SHA-256 digests of the rows in the side file")
    ]
    counts: Annotated[dict[str, int], Field(description="how many rows by table")]


class SignOff(_Part):
    """Who agreed, by role."""

    role: str
    on: dt.date
    note: str = ""


class DecisionRecord(_Part):
    """A decision on one question, with what it rests on."""

    record: Annotated[Literal[1, 2, 3, 4, 5], Field(description="version of this form")] = SCHEMA
    name: str
    known_on: Annotated[dt.date, Field(description="day whose knowledge was used")]
    made_on: Annotated[
        dt.date | None, Field(description="day on which it was made, by the clock of that machine")
    ] = None
    question: Question
    dataset: Annotated[DatasetRecord, Field(description="the data as known then")]
    reference: Annotated[
        dict[str, tuple[dict[str, Value], ...]],
        Field(description="limit, POD, packages and planned usage that it rests on, with values and days"),
    ] = {}
    rows: Annotated[RowsRecord | None, Field(description="the rows that were used")] = None
    set_aside: Annotated[
        tuple[str, ...],
        Field(description="rows as known then that were set aside, by table, id or row, and reason"),
    ] = ()
    software: Annotated[dict[str, str], Field(description="versions that made it")]
    code: Annotated[
        str,
        Field(description="SHA-256 of the kit's own code that made it; blank in records before it was told"),
    ] = ""
    modes: tuple[ModeRecord, ...]
    rules: tuple[RuleRecord, ...]
    recommendation: Recommendation
    curve: Annotated[list[dict[str, float]], Field(description="risk against repeat interval")]
    proposal: Annotated[Judgement | None, Field(description="judgement of a proposed interval")] = None
    present: Annotated[
        Judgement | None, Field(description="judgement of the interval of the programme then")
    ] = None
    share_meeting: Annotated[
        Number, Field(description="share of the draws that meet the target where the risk is given [-]")
    ] = None
    due: Annotated[
        tuple[DueRecord, ...], Field(description="next looks by aircraft, the earliest first")
    ] = ()
    parts: Annotated[
        tuple[PartRecord, ...],
        Field(
            description="parts of the fleet side by side; none where there is one, or in records before it was told"
        ),
    ] = ()
    slack: Annotated[
        SlackRecord | None,
        Field(
            description="intervals as flown against nominal ones; null where no cards tell them, or before it was told"
        ),
    ] = None
    assumptions: Annotated[tuple[str, ...], Field(description="what does not come from data")]
    cautions: tuple[str, ...]
    sign_offs: tuple[SignOff, ...] = ()
    digest: Annotated[str, Field(description="SHA-256 of all of the above in canonical JSON")] = ""


def _finite(value: float) -> Number:
    return float(value) if np.isfinite(value) else None


def _mode_record(mode: ModeAnswer) -> ModeRecord:
    growth = mode.growth
    return ModeRecord(
        kind=mode.kind,
        clock=mode.clock,
        lives=mode.histories.n_lives,
        finds=mode.histories.n_finds,
        excluded={str(k): int(v) for k, v in mode.histories.excluded_by_reason.items()},
        life_basis=mode.life_basis,
        scale=mode.scale,
        shape=mode.shape,
        scale_bounds=tuple(_finite(x) for x in mode.scale_bounds),
        shape_bounds=tuple(_finite(x) for x in mode.shape_bounds),
        log_likelihood=None if mode.fit is None else mode.fit.log_likelihood,
        onset_median_mm=growth.onset_median,
        onset_log_sd=growth.onset_log_sd,
        rate_median=growth.rate_median,
        rate_log_sd=growth.rate_log_sd,
        no_growth_share=growth.no_growth_share,
        growth_basis=growth.basis,
        growth_form=growth.form.name,
    )


def _due(answer: Answer) -> tuple[DueRecord, ...]:
    """Sum the next looks up by aircraft."""
    if answer.due is None:
        return ()
    by = answer.due.assign(unknown=answer.due["age"].isna()).groupby("aircraft", sort=True)
    some = by.agg(
        panels=("panel", "size"),
        late=("is_late", "sum"),
        unknown=("unknown", "sum"),
        due_on=("due_on", "min"),
    )
    some = some.reset_index().sort_values(["due_on", "aircraft"], kind="stable", na_position="last")
    return tuple(
        DueRecord(
            aircraft=str(row.aircraft),
            panels=int(row.panels),
            late=int(row.late),
            unknown=int(row.unknown),
            due_on=None if pd.isna(row.due_on) else row.due_on.date(),
        )
        for row in some.itertuples()
    )


def _slack(answer: Answer) -> SlackRecord | None:
    slack = answer.slack
    if slack is None:
        return None
    return SlackRecord(
        gaps=slack.ratios.size,
        still_open=slack.n_open,
        middle=slack.middle,
        nine_of_ten=slack.upper,
        longest=slack.longest,
        share_over=slack.share_over,
    )


def software_versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that a result depends on.

    Returns
    -------
    dict of str to str
        By name.
    """
    return {"python": platform.python_version()} | {
        name: importlib.metadata.version(name) for name in _PACKAGES
    }


@cache
def code_digest() -> str:
    """Return the digest of the kit's own code that an answer hangs on.

    Returns
    -------
    str
        SHA-256 in hex of every source file of the packages in which an answer is worked out, in the order of their names;
        ends of lines do not count. A change of an answer without a new version of the kit is told by it.
    """
    root, digest = Path(__file__).resolve().parent.parent, hashlib.sha256()
    files = [root / "cautions.py", *(one for name in _ANSWERING for one in (root / name).rglob("*.py"))]
    for path in sorted(files, key=lambda one: one.relative_to(root).as_posix()):
        digest.update(json.dumps(path.relative_to(root).as_posix()).encode("utf-8"))
        digest.update(hashlib.sha256(path.read_bytes().replace(b"\r\n", b"\n")).digest())
    return digest.hexdigest()


def decision_record(
    answer: Answer,
    *,
    sign_offs: tuple[SignOff, ...] = (),
    rows: UsedRows | None = None,
    with_curve: bool = True,
) -> DecisionRecord:
    """Turn an answer into a record.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    sign_offs : tuple of SignOff
        Who agreed, by role.
    rows : UsedRows, optional
        The rows that it used, as `rows_used` gives them; without them the record does not say which they were.
    with_curve : bool
        Whether the risk against the repeat is worked out; not where only the numbers of the answer are compared.

    Returns
    -------
    DecisionRecord
        With its digest.
    """
    proposal = answer.proposal
    dataset = {name: value for name, value in answer.dataset.items() if name != "reference"}
    record = DecisionRecord(
        name=answer.question.name,
        known_on=dt.date.fromisoformat(str(answer.dataset["known_on"])),
        made_on=dt.date.today(),
        question=answer.question,
        dataset=dataset,
        reference=answer.dataset.get("reference", {}),
        rows=None if rows is None else RowsRecord(root=rows.root, counts=rows.counts()),
        set_aside=() if answer.fleet is None else set_aside(answer.fleet),
        software=software_versions(),
        code=code_digest(),
        modes=tuple(_mode_record(mode) for mode in answer.modes),
        rules=tuple(
            RuleRecord(rule=r.rule, interval=r.interval, governs=r.governs, reason=r.reason)
            for r in answer.rules
        ),
        recommendation=Recommendation(
            threshold=answer.threshold,
            repeat=answer.repeat,
            threshold_in_words=answer.threshold_in_packages,
            repeat_in_words=answer.repeat_in_packages,
            governed_by=answer.governed_by,
            limit_mm=answer.limit_mm,
            risk=answer.risk,
            current_repeat=answer.current_repeat,
        ),
        curve=answer.curve.astype(float).to_dict("records") if with_curve else [],
        proposal=proposal,
        present=answer.present,
        share_meeting=_finite(answer.share_meeting),
        due=_due(answer),
        parts=tuple(PartRecord(**dataclasses.asdict(one)) for one in answer.parts),
        slack=_slack(answer),
        assumptions=answer.assumptions,
        cautions=answer.cautions,
        sign_offs=sign_offs,
    )
    return record.model_copy(update={"digest": record_digest(record)})


def set_aside(fleet: Fleet) -> tuple[str, ...]:
    """Name the rows of a dataset that were set aside.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known then.

    Returns
    -------
    tuple of str
        One for each problem: table, id, column, value and reason, whatever kind of source they stand in.
    """
    ids = {}
    for name in fleet.rejected["table"].unique():
        if name in fleet.as_read:
            rows = fleet.as_read[name].typed
            some = rows.loc[rows["row"].isin(fleet.rejected.loc[fleet.rejected["table"] == name, "row"])]
            ids[name] = some.set_index(["file", "row"])[TABLES[name].id_column].to_dict()
    return tuple(
        f"{one.table} {ids.get(one.table, {}).get((one.file, one.row), '')}, {one.column} = {one.value!r}: {one.reason}"
        for one in fleet.rejected.itertuples(index=False)
    )


def record_digest(record: DecisionRecord) -> str:
    """Return the SHA-256 of a record as it is written, without its digest.

    Parameters
    ----------
    record : DecisionRecord
        The record.

    Returns
    -------
    str
        64 hexadecimal digits, independent of the order of keys and of white space.
    """
    return digest_of(record.model_dump(mode="json"))


def file_digest(path: str | Path) -> str:
    """Return the SHA-256 of a record as it stands in its file, without its digest.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    str
        64 hexadecimal digits, independent of the order of keys and of white space. What software of today would
        add to the record, such as a field that it did not have then, is not in it.

    Raises
    ------
    RecordError
        If the file cannot be read or is no JSON object.
    """
    return digest_of(read_contents(path))


def digest_of(data: dict[str, Any]) -> str:
    """Return the SHA-256 of the contents of a record, without its digest.

    Parameters
    ----------
    data : dict
        The contents as JSON values.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    rest = {key: value for key, value in data.items() if key != "digest"}
    text = json.dumps(rest, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def rows_used(fleet: Fleet) -> UsedRows:
    """Return the rows that a decision about a fleet uses: all that analyses see.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known on the day of the question.

    Returns
    -------
    UsedRows
        The same for every question of that day, so that it need be made once only.
    """
    return UsedRows(fleet.row_texts())


def write_decision(
    answer: Answer,
    folder: str | Path,
    *,
    sign_offs: tuple[SignOff, ...] = (),
    rows: UsedRows | None = None,
) -> Path:
    """Write the record of an answer.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    folder : str or Path
        Where to write; made if it is not there.
    sign_offs : tuple of SignOff
        Who agreed, by role.
    rows : UsedRows, optional
        The rows of the answer's fleet, where `rows_used` gave them already.

    Returns
    -------
    Path
        The file, ``<name>.json``; the rows used stand beside it in ``<name>.rows.gz``. A record of that name that
        says the same, made on another day or another machine, stays as it is.

    Raises
    ------
    RecordError
        If the folder cannot be written to, or holds another decision of that name; nothing is
        overwritten.
    """
    if rows is None and answer.fleet is not None:
        rows = rows_used(answer.fleet)
    record = decision_record(answer, sign_offs=sign_offs, rows=rows)
    path = Path(folder) / f"{record.name}.json"
    text = record.model_dump_json(indent=1) + "\n"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            if _is_same(record, path):
                return path
            raise RecordError(
                f"{path}: another decision of this name is there, and records are never overwritten. "
                "Give another folder, or another name in the question."
            )
        if rows is not None:
            write_rows(rows, rows_path(path))
        replace_text(path, text)
    except OSError as error:
        raise RecordError(
            f"{path}: cannot be written ({error.strerror}). Give a folder that can be written to."
        ) from None
    return path


def rows_path(path: str | Path) -> Path:
    """Return the side file of a record, with the rows that it used.

    Parameters
    ----------
    path : str or Path
        The record.

    Returns
    -------
    Path
        Beside it; it may be missing.
    """
    return Path(path).with_suffix(ENDING)


def _is_same(record: DecisionRecord, path: Path) -> bool:
    """Return whether a file holds the same decision, made on whichever day and machine."""
    try:
        there = read_contents(path)
    except RecordError:
        return False
    if there.get("digest") != digest_of(there):
        return False
    new = record.model_dump(mode="json")
    names = ("question", "sign_offs")
    return all(there.get(name) == new[name] for name in names) and not any(
        one.state in (DIFFERS, DATA) for one in compare(there, new, words=PLAINER_WORDS)
    )


def read_decision(path: str | Path) -> DecisionRecord:
    """Read a record, whatever its digest says.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    DecisionRecord
        The record; compare its digest with `record_digest`.

    Raises
    ------
    RecordError
        If the file cannot be read or is not a decision record; the message names the fields.
    """
    return as_record(read_contents(path), path)


def as_record(data: dict[str, Any], path: str | Path) -> DecisionRecord:
    """Return the contents of a file as a record.

    Parameters
    ----------
    data : dict
        What `read_contents` gave.
    path : str or Path
        The file, for the error.

    Returns
    -------
    DecisionRecord
        With what an earlier form left unsaid.

    Raises
    ------
    RecordError
        If it is not a decision record; the message names the fields on one line.
    """
    try:
        record = DecisionRecord.model_validate_json(json.dumps(_as_today(data)))
        if type(data.get("record")) is int:  # what is no whole number would be of whichever form suits
            return record
        words = "record: must say the form as a whole number"
    except ValidationError as error:
        items = error.errors(include_url=False)
        lines = [
            f"{'.'.join(str(part) for part in item['loc'])[:80] or 'record'}: {item['msg']}"
            for item in items[:10]
        ]
        more = f"; and {len(items) - 10} more" if len(items) > 10 else ""
        words = "; ".join(lines) + more
    except RecursionError:
        words = "nested too deeply"
    raise RecordError(
        f"{path}: not a decision record of form {SCHEMA} or earlier: {words}. Restore the file from its source."
    ) from None


def read_contents(path: str | Path) -> dict[str, Any]:
    """Return the JSON object in the file of a record.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    dict
        In which every name stands once, every number is one, and every text can be written.

    Raises
    ------
    RecordError
        If the file cannot be read, is too large, or two readers could read it otherwise; in one line.
    """
    return json_object(file_bytes(path, MOST_BYTES), path)


def _as_today(data: dict[str, Any]) -> dict[str, Any]:
    """Say what a record of an earlier form left unsaid, as it was meant.

    The target of form 1 was on the mean over the horizon alone. Forms 1 and 2 took growth, POD and size as mapped as
    sure, growth as straight, a panel's first onset only, and a shape as assumed or as fitted, nothing between. No form
    before 4 knew structure classes, or limits of anything but the diameter.
    """
    question = data.get("question")
    if data.get("record") not in (1, 2, 3) or not isinstance(question, dict):
        return data
    question = _filled(question, limit_counts="as_diameter", govern=["risk"], held_against="mean")
    if data["record"] == 3:
        return data | {"question": question}
    question = _filled(question, log_measured_to_true_sd=0.0, growth_forms=["linear"])
    question["detection"] = _filled(
        question.get("detection"),
        log_a50_sd=0.0,
        log_slope_sd=0.0,
        logit_plateau_sd=0.0,
        logit_far_share_sd=0.0,
    )
    if data["record"] == 1:
        question["target"] = _filled(question.get("target"), window_flight_hours=None)
    if isinstance(question.get("modes"), list):
        question["modes"] = [_mode_as_meant(mode, data.get("modes")) for mode in question["modes"]]
    return data | {"question": question}


def _filled(part: object, **unsaid: object) -> Any:
    """Add what a part of a record does not say; what is no part is left for the check of its fields."""
    return unsaid | part if isinstance(part, dict) else part


def _mode_as_meant(mode: object, found: object) -> object:
    """Fill the beliefs of one kind of damage; a shape that was assumed had no bounds."""
    if not isinstance(mode, dict):
        return mode
    bounds = [
        one.get("shape_bounds")
        for one in (found if isinstance(found, list) else [])
        if isinstance(one, dict) and one.get("kind") == mode.get("kind")
    ]
    fixed = bounds == [[None, None]]
    prior = (
        {} if mode.get("assumed_shape") is None else {"shape_log_sd": _FIXED_SHAPE if fixed else _FREE_SHAPE}
    )
    mode = _filled(mode, restoration=None, **prior)
    stated = {
        "growth": _filled(mode.get("growth"), log_rate_sd=0.0),
        "onset": _filled(mode.get("onset"), log_median_sd=0.0),
    }
    return mode | {name: part for name, part in stated.items() if name in mode}
