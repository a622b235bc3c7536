"""Decisions kept, and run again."""

from kit.decisions.compare import FieldCheck, compare
from kit.decisions.reading import readable, rows_of_group
from kit.decisions.record import (
    DecisionRecord,
    RecordError,
    SignOff,
    as_record,
    decision_record,
    digest_of,
    file_digest,
    read_contents,
    read_decision,
    record_digest,
    write_decision,
)
from kit.decisions.rerun import VERDICTS, Rerun, judge, rerun

__all__ = [
    "VERDICTS",
    "DecisionRecord",
    "FieldCheck",
    "RecordError",
    "Rerun",
    "SignOff",
    "as_record",
    "compare",
    "decision_record",
    "digest_of",
    "file_digest",
    "judge",
    "read_contents",
    "read_decision",
    "readable",
    "record_digest",
    "rerun",
    "rows_of_group",
    "write_decision",
]
