"""Decisions kept, and run again."""

from kit.decisions.compare import FieldCheck, compare
from kit.decisions.reading import readable, rows_of_group
from kit.decisions.record import (
    DecisionRecord,
    SignOff,
    as_record,
    decision_record,
    digest_of,
    file_digest,
    read_contents,
    read_decision,
    record_digest,
    rows_path,
    write_decision,
)
from kit.decisions.rerun import VERDICTS, Rerun, judge, rerun
from kit.decisions.rows import UsedRows, merkle_root, read_rows, rows_changed
from kit.decisions.strict_json import RecordError

__all__ = [
    "VERDICTS",
    "DecisionRecord",
    "FieldCheck",
    "RecordError",
    "Rerun",
    "SignOff",
    "UsedRows",
    "as_record",
    "compare",
    "decision_record",
    "digest_of",
    "file_digest",
    "judge",
    "merkle_root",
    "read_contents",
    "read_decision",
    "read_rows",
    "readable",
    "record_digest",
    "rerun",
    "rows_changed",
    "rows_of_group",
    "rows_path",
    "write_decision",
]
