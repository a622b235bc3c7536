"""Draft from an extract, as it was handed over, what the kit must be told about it: each guess marked, to be confirmed."""

from kit.drafts.extract import ExtractError, ExtractTable, read_extract
from kit.drafts.guess import Draft, DraftTable, draft_dataset, last_days
from kit.drafts.text import dataset_toml, draft_question, flown_last_year, question_toml

__all__ = [
    "Draft",
    "DraftTable",
    "ExtractError",
    "ExtractTable",
    "dataset_toml",
    "draft_dataset",
    "draft_question",
    "flown_last_year",
    "last_days",
    "question_toml",
    "read_extract",
]
