"""Files of decision records: written once, read whole, and earlier forms read as they were meant."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from kit.decisions.compare import DATA, DIFFERS, PLAINER_WORDS, compare
from kit.decisions.form import SCHEMA, DecisionRecord, SignOff, digest_of
from kit.decisions.record import decision_record, rows_used
from kit.decisions.rows import ENDING, UsedRows, write_rows
from kit.decisions.strict_json import RecordError, file_bytes, json_object
from kit.findings import replace_text
from kit.intervals import Answer

_FIXED_SHAPE, _FREE_SHAPE = (
    0.01,
    1.0,
)  # log standard deviations of a prior that leaves nothing, or all, to the finds

MOST_BYTES = 32_000_000
"""A record has some 50,000 bytes; what is longer than this is none and is not read [bytes]."""


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
