"""The command that lays out a folder for a fleet from an extract as it was handed over."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from kit.commands.shell import BAD_INPUT, bad_input, say

if TYPE_CHECKING:
    from kit.drafts import Draft, ExtractTable


def new(
    folder: Annotated[Path, typer.Argument(help="New folder for the fleet.")],
    extract: Annotated[
        Path,
        typer.Option(
            "--from", help="The extract: a folder of CSV files, one CSV file, or a workbook (.xlsx)."
        ),
    ],
    name: Annotated[str | None, typer.Option(help="Name of the fleet; default: that of the folder.")] = None,
    cut_off: Annotated[
        str | None, typer.Option(help="Last day of the extract (YYYY-MM-DD); default: the last day in it.")
    ] = None,
) -> None:
    """Lay out a folder for a fleet: copies of an extract, a draft of its dataset.toml and of a question, the notebooks."""
    from kit.decisions import RecordError
    from kit.drafts import ExtractError, draft_dataset, read_extract

    with bad_input():
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise RecordError(f"{folder}: is there already and not empty. Give a new folder.")
        try:
            draft = draft_dataset(read_extract(extract))
        except ExtractError as error:
            say(f"error: {error}", err=True)
            raise typer.Exit(BAD_INPUT) from None
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".new-", dir=folder.parent) as place:
            made = Path(place) / "fleet"
            made.mkdir()
            files = _write_tables(draft, made)
            day = cut_off or _last_day(draft)
            trouble = _drafts(draft, made, name=name or folder.name, cut_off=day, files=files)
            books = _notebooks(made)
            if folder.is_dir():
                folder.rmdir()
            shutil.move(made, folder)
    _tell(folder, draft, trouble, books)


def _write_tables(draft: Draft, folder: Path) -> dict[str, str]:
    """Write a copy of each table as CSV, and a heading for each that the extract has not; return their files."""
    from kit.findings import TABLES

    files = {}
    for table in draft.tables:
        stem = table.name if table.extract is None else table.extract.name
        files[table.name] = f"{stem}.csv"
        heading = ",".join(column.name for column in TABLES[table.name].all_columns) + "\n"
        text = heading if table.extract is None else table.extract.csv_text()
        (folder / files[table.name]).write_text(text, encoding="utf-8", newline="\n")
    return files


def _last_day(draft: Draft) -> str:
    """Return the last day of events that have happened, as the guesses read them."""
    import pandas as pd

    from kit.drafts import last_days

    days = last_days(draft)
    return f"{max(days):%Y-%m-%d}" if days else f"{pd.Timestamp.today():%Y-%m-%d}"


def _drafts(draft: Draft, folder: Path, **said: object) -> str:
    """Write dataset.toml, and where it loads what was flown and a question; return why it does not, else ""."""
    from kit.drafts import dataset_toml, draft_question, flown_last_year, question_toml
    from kit.findings import TableError, load_fleet

    (folder / "questions").mkdir()
    description = folder / "dataset.toml"
    description.write_text(dataset_toml(draft, **said), encoding="utf-8")
    try:
        with tempfile.TemporaryDirectory() as aside:
            fleet = load_fleet(folder, set_aside=aside)
        description.write_text(dataset_toml(draft, usage=flown_last_year(fleet), **said), encoding="utf-8")
        text, trouble = question_toml(draft_question(fleet)), ""
    except TableError as error:
        blank = {
            "group": "GROUP",
            "groups": [],
            "kinds": ["disbond"],
            "clock": "flight_hours",
            "horizon": 20_000.0,
        }
        text, trouble = question_toml(blank | {"has_limit": True}), str(error)
    (folder / "questions" / "first.toml").write_text(text, encoding="utf-8")
    return trouble


def _notebooks(folder: Path) -> int:
    """Copy the notebooks, without outputs, so that they read the fleet beside them; return how many."""
    import nbformat

    from kit.notebook import notebook_paths

    (folder / "notebooks").mkdir()
    paths = notebook_paths()
    for path in paths:
        book = nbformat.read(path, as_version=4)
        for cell in book.cells:
            if cell.cell_type == "code":
                cell.outputs, cell.execution_count = [], None
                if "parameters" in cell.metadata.get("tags", []):
                    cell.source = cell.source.replace('"../demo_fleet', '"..')
        nbformat.write(book, folder / "notebooks" / path.name)
    return len(paths)


def _tell(folder: Path, draft: Draft, trouble: str, books: int) -> None:
    """Say what was guessed, what is missing and what to do next."""
    say(
        f"{folder}: {sum(table.extract is not None for table in draft.tables)} tables of the extract, {books} notebooks"
    )
    for table in draft.tables:
        if table.extract is None:
            say(f"  {table.name}: not in the extract; {table.name}.csv has its heading, to be filled")
            continue
        read = f"{len(table.columns)} columns, {len(table.made)} made"
        how = f"; {table.extract.how}" if table.extract.how else ""
        say(f"  {table.name}: {table.extract.name}, {len(table.extract.cells):,} rows, {read}{how}")
        for column in table.missing:
            say(f"    needed, and no heading is like it: {column}")
        for column, codes in table.unknown_codes.items():
            say(f"    {column}: no word of the kit is like {', '.join(codes)}")
        if table.unread:
            say(f"    not read: {', '.join(table.unread)}")
    _spare(draft.spare)
    say(
        f"\nEvery guess stands in {folder}/dataset.toml with its reason, and in its list `guessed`: confirm each."
    )
    if trouble:
        say(f"\nIt does not load yet:\n{trouble}")
    say(
        f"\nNext: python -m kit check {folder}; state what {folder}/questions/first.toml marks with DRAFT; python -m kit decide {folder}"
    )


def _spare(spare: tuple[ExtractTable, ...]) -> None:
    for one in spare:
        say(f"  {one.name}: taken for no table of the kit, and not copied")
