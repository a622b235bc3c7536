"""Decisions kept, and run again."""

from kit.decisions.reading import readable, rows_of_group
from kit.decisions.record import (
    DecisionRecord,
    RecordError,
    SignOff,
    decision_record,
    file_digest,
    read_decision,
    record_digest,
    write_decision,
)
from kit.decisions.rerun import VERDICTS, Rerun, rerun

__all__ = [
    "VERDICTS",
    "DecisionRecord",
    "RecordError",
    "Rerun",
    "SignOff",
    "decision_record",
    "file_digest",
    "read_decision",
    "readable",
    "record_digest",
    "rerun",
    "rows_of_group",
    "write_decision",
]
