"""What every dataset, table, question and record holds, written from the declarations themselves.

Run as ``python -m kit.dictionary docs`` to write dataset.md, tables.md, questions.md and the JSON Schemas.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from kit.decisions import DecisionRecord
from kit.findings import TABLES, Column, Dataset, replace_text
from kit.intervals import Question


def _column_row(column: Column) -> str:
    kind = column.type
    if column.refers_to:
        kind += f" to {column.refers_to}"
    if column.choices:
        kind += ": " + ", ".join(column.choices)
    limits = [
        f"{word} {value:g}"
        for word, value in (("from", column.minimum), ("to", column.maximum))
        if value is not None
    ]
    return (
        f"| `{column.name}` | {kind} | {column.unit} | {'yes' if column.required else ''} | {column.meaning}"
        f"{' (' + ', '.join(limits) + ')' if limits else ''} |"
    )


def tables_page() -> str:
    """Return the table dictionary in Markdown.

    Returns
    -------
    str
        One section a table.
    """
    lines = [
        "# Tables of a dataset",
        "",
        "Made by `python -m kit.dictionary docs` from `kit/findings/tables.py`; do not edit by hand.",
        "",
        "A dataset is a folder with `dataset.toml` and one CSV or Parquet file for each table, an Excel workbook with a sheet "
        "for each, or a SQL database named by its SQLAlchemy URL. CSV is UTF-8 with commas and a heading, days as YYYY-MM-DD. "
        "Extracts with other headings, units, date orders or codes are mapped in `dataset.toml`: "
        "[column_map.md](column_map.md). Lengths and polygons are in the dataset's `length_unit` and become mm when loaded. Every table has "
        "`recorded_on`, the day on which the row became known, and may correct an earlier row with `replaces`.",
        "",
    ]
    for table in TABLES.values():
        lines += [
            f"## {table.name}",
            "",
            f"A row is {table.row_is}.{' The table may be left out.' if table.optional else ''}",
            "",
            "| column | type | unit when loaded | required | meaning |",
            "| --- | --- | --- | --- | --- |",
            *(_column_row(column) for column in table.all_columns),
            "",
        ]
    return "\n".join(lines)


def _models(annotation: object) -> list[type[BaseModel]]:
    """Return the models that a type is made of, however deep."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [one for part in get_args(annotation) for one in _models(part)]


def _fields(model: type[BaseModel], prefix: str = "") -> list[tuple[str, FieldInfo]]:
    """Return the fields of a model and of the models in it, with dotted names."""
    out = []
    for name, field in model.model_fields.items():
        inner = _models(field.annotation)
        out.append((prefix + name, field))
        for part in inner:
            out += _fields(part, f"{prefix}{name}.")
    return out


def questions_page() -> str:
    """Return the fields of a question in Markdown.

    Returns
    -------
    str
        One row a field.
    """
    return _fields_page(
        Question,
        "a question",
        "kit/intervals/question.py",
        "A question is a TOML file; those of the demo are in `demo_fleet/questions/`. `[[modes]]` stands once for each "
        "damage type. Whatever is stated and not fitted needs a `basis` that says where it comes from; it is listed as an "
        "assumption with every answer.",
    )


def dataset_page() -> str:
    """Return the fields of dataset.toml in Markdown.

    Returns
    -------
    str
        One row a field.
    """
    return _fields_page(
        Dataset,
        "dataset.toml",
        "kit/findings/read/dataset.py",
        "`dataset.toml` stands in the folder of the tables, or beside a workbook, and says what they are: `python -m kit new FOLDER --from "
        "EXTRACT` drafts it. `[[packages]]` stands once for each scheduled check, `[planned_usage.SUBTYPE]` for each subtype, `[map.TABLE.PART]` "
        "for each table that differs ([column_map.md](column_map.md)). The same as a JSON Schema: `docs/dataset.schema.json`.",
    )


def _fields_page(model: type[BaseModel], what: str, module: str, about: str) -> str:
    """Return the page of a model: what it is, and a row of a table for each of its fields."""
    made = f"Made by `python -m kit.dictionary docs` from `{module}`; do not edit by hand."
    head = ["| field | meaning | default |", "| --- | --- | --- |"]
    return "\n".join([f"# Fields of {what}", "", made, "", about, "", *head, *_field_rows(model), ""])


def _field_rows(model: type[BaseModel]) -> list[str]:
    """Return a row of a table in Markdown for each field of a model."""
    fields: dict[str, FieldInfo] = {}
    for name, field in _fields(model):
        fields.setdefault(name, field)  # forms of one part share fields; the first to name one describes it
    lines = []
    for name, field in fields.items():
        default = "required" if field.is_required() else f"`{field.default!r}`"
        text = field.description or (
            next(iter((field.annotation.__doc__ or "").splitlines()), "") if field.is_required() else ""
        )
        lines.append(f"| `{name}` | {text} | {default} |")
    return lines


def pages() -> dict[str, str]:
    """Return every page by its file name.

    Returns
    -------
    dict of str to str
        dataset.md, tables.md, questions.md and the JSON Schemas of a dataset, a question and a decision record.
    """
    schemas = {
        "dataset.schema.json": Dataset.model_json_schema(),
        "question.schema.json": Question.model_json_schema(),
        "decision_record.schema.json": DecisionRecord.model_json_schema(),
    }
    made = {"dataset.md": dataset_page(), "tables.md": tables_page(), "questions.md": questions_page()}
    return made | {
        name: json.dumps(schema, indent=1, ensure_ascii=False) + "\n" for name, schema in schemas.items()
    }


def main(folder: str) -> None:
    """Write the pages.

    Parameters
    ----------
    folder : str
        Where to.
    """
    for name, text in pages().items():
        replace_text(Path(folder) / name, text)


if __name__ == "__main__":
    main(*sys.argv[1:])
