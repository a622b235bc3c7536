"""Decisions kept, and run again."""

from kit.decisions.record import (
    DecisionRecord,
    RecordError,
    SignOff,
    decision_record,
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
    "read_decision",
    "record_digest",
    "rerun",
    "write_decision",
]
