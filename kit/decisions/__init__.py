"""Decisions kept, and run again."""

from kit.decisions.causes import INTERACTION, Causes, causes_of, influence
from kit.decisions.compare import FieldCheck, compare
from kit.decisions.folders import DecisionFolders, decision_folders, register_path
from kit.decisions.form import DecisionRecord, SignOff, digest_of, record_digest
from kit.decisions.pack import open_pack, pack_decision
from kit.decisions.reading import readable, rows_of_group, set_aside_by_group, set_aside_with_groups
from kit.decisions.record import code_digest, decision_record, rows_used
from kit.decisions.record_file import (
    as_record,
    file_digest,
    read_contents,
    read_decision,
    rows_path,
    write_decision,
)
from kit.decisions.register import (
    CANNOT_PROVE,
    Entry,
    Verification,
    register_add,
    sign_off,
    sign_offs_of,
    verify_register,
)
from kit.decisions.rerun import question_path, rerun
from kit.decisions.rows import UsedRows, merkle_root, read_rows, rows_changed
from kit.decisions.strict_json import RecordError
from kit.decisions.verdicts import VERDICTS, Rerun, judge

__all__ = [
    "CANNOT_PROVE",
    "INTERACTION",
    "VERDICTS",
    "Causes",
    "DecisionFolders",
    "DecisionRecord",
    "Entry",
    "FieldCheck",
    "RecordError",
    "Rerun",
    "SignOff",
    "UsedRows",
    "Verification",
    "as_record",
    "causes_of",
    "code_digest",
    "compare",
    "decision_folders",
    "decision_record",
    "digest_of",
    "file_digest",
    "influence",
    "judge",
    "merkle_root",
    "open_pack",
    "pack_decision",
    "question_path",
    "read_contents",
    "read_decision",
    "read_rows",
    "readable",
    "record_digest",
    "register_add",
    "register_path",
    "rerun",
    "rows_changed",
    "rows_of_group",
    "rows_path",
    "rows_used",
    "set_aside_by_group",
    "set_aside_with_groups",
    "sign_off",
    "sign_offs_of",
    "verify_register",
    "write_decision",
]
