"""Which table, column, unit, order of dates and word of the kit may stand behind what an extract holds."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field

import pandas as pd

from kit.drafts.extract import ExtractTable
from kit.drafts.words import CODES, HEADINGS, TABLE_WORDS, plain_letters, words_of
from kit.findings import SIZES, TABLES, Column, Table

FEWEST_OF_TYPE = 0.8
"""Share of the cells that must fit the type of a column [-]."""

LIKE = 0.55
"""How like a heading must be to the words of a column to be taken for it [-]."""

LIKE_TABLE = 0.3
"""How well a file must fit a table to be taken for it [-]."""

GEOMETRIES = ("polygon", "lines")
"""Types of columns with shapes."""

BY_HEADING = "by the heading"
"""Why a unit is taken where the heading names it."""

SAMPLE = 500
"""Rows that are looked at."""

CAREFUL = {
    ("zones", "side"): "centre",
    ("zones", "structure_class"): "critical",
    ("zones", "group"): "{zone}",
    ("panels", "state"): "unknown",
    ("limits", "revision"): "not stated",
}
"""What stands in every row where an extract says nothing: the choice that asks most of an answer."""

_ENDS = {"removed_on", "valid_to", "closed_on"}
_ISO = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[ T]00:00:00)?")
_YEAR_FIRST = re.compile(r"([0-9]{4})[/. ]([0-9]{1,2})[/. ]([0-9]{1,2})")
_YEAR_LAST = re.compile(r"([0-9]{1,2})[/.\- ]([0-9]{1,2})[/.\- ]([0-9]{4})")
_MONTH_IN_LETTERS = re.compile(r"[0-9]{1,2}[/.\- ]?[A-Za-z]{3}[/.\- ]?[0-9]{4}")
_UNIT_WORDS = {"inch": "in", "mm": "mm", "cm": "cm"}
_QUARTERS = (0.25, 0.5, 0.75, 0.125, 0.375, 0.625, 0.875)
_PANEL_IN_INCHES = 400.0
_SKIN_IN_MM = 0.2


@dataclass(frozen=True)
class DraftTable:
    """One table of the kit, and what is guessed of it.

    Parameters
    ----------
    name : str
        Table of the kit.
    extract : ExtractTable or None
        What stands for it; None where the extract has none.
    columns : dict of str to str
        Heading by column.
    date_order, units : dict of str to str
        As in the column map.
    codes : dict of str to dict of str to str
        As in the column map.
    made : dict of str to str
        As in the column map.
    notes : dict of str to str
        By entry of the map, such as ``columns.found_on``: why it is guessed.
    unknown_codes : dict of str to list of str
        By column: codes for which no word was guessed.
    missing : list of str
        Columns that must be there and of which nothing was guessed.
    unread : tuple of str
        Headings that are taken for no column.
    """

    name: str
    extract: ExtractTable | None
    columns: dict[str, str] = field(default_factory=dict)
    date_order: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    made: dict[str, str] = field(default_factory=dict)
    notes: dict[str, str] = field(default_factory=dict)
    unknown_codes: dict[str, list[str]] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    unread: tuple[str, ...] = ()


@dataclass(frozen=True)
class Draft:
    """What is guessed of a whole extract.

    Parameters
    ----------
    tables : tuple of DraftTable
        Every table that a dataset needs, and those that the extract has beside them.
    spare : tuple of ExtractTable
        Tables of the extract that are taken for none.
    length_unit : str
        Unit of most lengths.
    """

    tables: tuple[DraftTable, ...]
    spare: tuple[ExtractTable, ...]
    length_unit: str


def draft_dataset(found: list[ExtractTable]) -> Draft:
    """Guess what an extract holds.

    Parameters
    ----------
    found : list of ExtractTable
        As `read_extract` returns it.

    Returns
    -------
    Draft
        Nothing of it is sure: names, types of cells and usual words are all that is looked at.
    """
    fits = [
        (_table_fit(table, one), table.name, k) for k, one in enumerate(found) for table in TABLES.values()
    ]
    taken: dict[str, int] = {}
    for fit, name, k in sorted(fits, key=lambda one: -one[0]):
        if fit >= LIKE_TABLE and name not in taken and k not in taken.values():
            taken[name] = k
    tables = [
        _draft_table(table, found[taken[name]]) if name in taken else DraftTable(name, None)
        for name, table in TABLES.items()
        if name in taken or not table.optional
    ]
    by_name = {table.name: table for table in tables}
    _centres_as_outlines(by_name)
    _zones_of_every_subtype(by_name)
    units = [unit for table in tables for unit in table.units.values()]
    length_unit = max(dict.fromkeys(units), key=units.count) if units else "mm"
    spare = tuple(one for k, one in enumerate(found) if k not in taken.values())
    return Draft(tuple(tables), spare, length_unit)


def _centres_as_outlines(tables: dict[str, DraftTable]) -> None:
    """Give centres whose heading says no unit that of the outlines that they lie in: numbers alone do not tell it."""
    outline = tables["zones"].units.get("outline")
    found = tables["findings"]
    for name in ("centre_x", "centre_y"):
        if outline and name in found.units and found.notes[f"units.{name}"] != BY_HEADING:
            found.units[name] = outline
            found.notes[f"units.{name}"] = "as the outlines of zones"


def _zones_of_every_subtype(tables: dict[str, DraftTable]) -> None:
    """Take zones for those of every subtype where nothing says which has them: a zone too many is never tapped, and has no looks."""
    zones, aircraft = tables["zones"], tables["aircraft"]
    if zones.extract is None or "subtypes" not in zones.missing or "subtype" not in aircraft.columns:
        return
    every = sorted(set(aircraft.extract.cells[aircraft.columns["subtype"]]) - {""})
    if every and not any(mark in one for one in every for mark in "{}"):
        zones.made["subtypes"] = ";".join(every)
        zones.notes["made.subtypes"] = "nothing says which subtypes have a zone: all of them"
        zones.missing.remove("subtypes")


def _table_fit(table: Table, one: ExtractTable) -> float:
    """Return how well a file fits a table: its name, and the columns that the table must have."""
    name = " ".join(words_of(one.name))
    named = max(_alike(name, " ".join(words_of(words))) for words in TABLE_WORDS[table.name])
    columns = _columns(table, one.cells.head(SAMPLE))
    must = [column.name for column in table.columns[1:] if column.required]
    have = sum(name in columns for name in must) / max(len(must), 1)
    read = len(set(columns.values())) / max(len(one.cells.columns), 1)
    return (1.2 * named if named >= 0.75 else 0.0) + 0.6 * have + 0.4 * read if have >= 0.3 else 0.0


def _alike(first: str, second: str) -> float:
    """Return how like two phrases are: 1 the same, by their words and by their letters."""
    if first == second:
        return 1.0
    left, right = set(first.split()), set(second.split())
    if not left or not right:
        return 0.0
    shared = len(left & right) / len(left | right)
    return max(
        0.95 * shared, 0.8 * difflib.SequenceMatcher(None, first, second).ratio() if shared == 0 else 0.0
    )


def _likeness(column: Column, heading: str) -> float:
    """Return how like a heading is to the words of a column; units in it count for nothing."""
    words = [word for word in words_of(heading) if word not in _UNIT_WORDS]
    ways = (column.name.replace("_", " "), *HEADINGS.get(column.name, ()))
    own = [" ".join(word for word in words_of(way) if word not in _UNIT_WORDS) for way in ways]
    # The earlier of two headings that fit alike is the kit's own word.
    return max(_alike(" ".join(words), way) - 0.001 * k for k, way in enumerate(own))


def _columns(table: Table, cells: pd.DataFrame) -> dict[str, str]:
    """Return the heading of each column that one is like, each heading once."""
    scores = []
    for column in table.all_columns:
        if column.name == "replaces":
            continue
        for heading in cells.columns:
            like = _likeness(column, heading)
            if like >= LIKE:
                like *= _type_fit(column, cells[heading])
            if like >= LIKE:
                scores.append((like + 0.05 * column.required, column.name, heading))
    out: dict[str, str] = {}
    for _, name, heading in sorted(scores, key=lambda one: -one[0]):
        if name not in out and heading not in out.values():
            out[name] = heading
    return {column.name: out[column.name] for column in table.all_columns if column.name in out}


def _type_fit(column: Column, cells: pd.Series) -> float:
    """Return 1 where the cells suit the type of a column, less where they do not."""
    given = cells[cells != ""]
    if not len(given):
        return 0.9
    if column.type == "date":
        fits = given.map(_is_date).mean()
    elif column.type in ("number", "length"):
        fits = pd.to_numeric(given, errors="coerce").notna().mean()
    elif column.type in ("polygon", "lines"):
        fits = given.str.upper().str.match(r"\s*(POLYGON|LINESTRING|MULTILINESTRING)").mean()
    elif column.type in ("choice", "flag"):
        fits = (given.map(lambda cell: _word(cell, _choices(column))) != "").mean()
        return 1.0 if fits >= 0.5 else 0.5
    elif column.type in ("id", "ref", "refs"):
        return 0.5 if given.map(_is_date).mean() > 0.5 else 1.0
    else:
        return 0.7 if given.map(_is_date).mean() > 0.5 else 1.0
    return 1.0 if fits >= FEWEST_OF_TYPE else 0.0


def _is_date(cell: str) -> bool:
    return any(form.fullmatch(cell) for form in (_ISO, _YEAR_FIRST, _YEAR_LAST, _MONTH_IN_LETTERS))


def _choices(column: Column) -> tuple[str, ...]:
    return ("yes",) if column.type == "flag" else column.choices


def _word(cell: str, choices: tuple[str, ...]) -> str:
    """Return the word of the kit for a code; "" where none is like it."""
    plain = re.sub(r"[^a-z0-9\"]+", " ", plain_letters(cell)).strip()
    for word in choices:
        if plain in (word.replace("_", " "), *CODES.get(word, ())):
            return word
    near = [
        word
        for word in choices
        if len(plain) >= 4 and (plain in word.replace("_", " ") or word.replace("_", " ") in plain)
    ]
    return near[0] if len(near) == 1 else ""


def _draft_table(table: Table, one: ExtractTable) -> DraftTable:
    """Return what is guessed of one table."""
    cells = one.cells
    columns = _columns(table, cells.head(SAMPLE))
    notes = {
        f"columns.{name}": "the same name" if name == heading else "by its name and what stands under it"
        for name, heading in columns.items()
    }
    made: dict[str, str] = {}
    if "recorded_on" not in columns and table.event_date in columns:
        columns["recorded_on"] = columns[table.event_date]
        notes["columns.recorded_on"] = "nothing says when a row became known: taken as the day of its event"
    key = table.id_column
    if key not in columns:
        made[key] = _made_id(table, columns, cells)
        notes[f"made.{key}"] = (
            "rows have no name of their own; a row keeps this one while the cells it is made of stay"
        )
    sides = _rectangle(cells) if table.name == "zones" and "outline" not in columns else ()
    if sides:
        long, wide = (f"{{{heading}}}" for heading in sides)
        made["outline"] = f"POLYGON ((0 0, {long} 0, {long} {wide}, 0 {wide}, 0 0))"
        notes["made.outline"] = (
            "a rectangle of length (forward) and width: give another where a panel is none"
        )
    for (name, column), value in CAREFUL.items():
        if name == table.name and column not in columns:
            made[column] = (
                value.format(zone="{" + columns["zone"] + "}")
                if "{" in value and "zone" in columns
                else value
            )
            notes[f"made.{column}"] = "the extract says nothing: the choice that asks most of an answer"
    if "recorded_on" not in columns and not table.event_date:
        made["recorded_on"] = "1990-01-01"
        notes["made.recorded_on"] = "nothing says when a row became known: taken as known from the first"
    declared = {column.name: column for column in table.all_columns}
    order, units, codes, unknown = {}, {}, {}, {}
    for name, heading in columns.items():
        column = declared[name]
        given = cells.loc[cells[heading] != "", heading]
        if column.type == "date" and (way := _order(given, notes, f"date_order.{name}")):
            order[name] = way
        is_length = column.type in ("length", *GEOMETRIES) or (table.name == "findings" and name in SIZES)
        if is_length and (way := _unit(heading, given, column, notes, f"units.{name}")):
            units[name] = way
        if column.type in ("choice", "flag"):
            words = {code: _word(code, _choices(column)) for code in sorted(given.unique())}
            if column.type == "flag":
                words |= {code: "" for code in words if not words[code]}
            no_word = [code for code, word in words.items() if not word and column.type == "choice"]
            spelt = {code: word for code, word in words.items() if word != code and code not in no_word}
            if spelt:
                codes[name] = spelt
                notes[f"codes.{name}"] = "usual short forms"
            if no_word:
                unknown[name] = no_word
    if sides and (way := _unit(sides[0], cells[sides[0]], declared["outline"], notes, "units.outline")):
        units["outline"] = way
    if table.name == "findings":
        sized = [name for name in SIZES if name in units]
        if "size_unit" in columns:  # which stands beside each size
            for name in sized:
                del units[name]
        else:
            units |= dict.fromkeys(sized, units[sized[0]] if sized else "mm")
    used = {*columns.values(), *(one for text in made.values() for one in re.findall(r"\{([^{}]+)\}", text))}
    missing = [
        c.name for c in table.all_columns if c.required and c.name not in columns and c.name not in made
    ]
    return DraftTable(
        name=table.name,
        extract=one,
        columns=columns,
        date_order=order,
        units=units,
        codes=codes,
        made=made,
        notes={name: words for name, words in notes.items() if words != "the same name"},
        unknown_codes=unknown,
        missing=missing,
        unread=tuple(heading for heading in cells.columns if heading not in used),
    )


def _rectangle(cells: pd.DataFrame) -> tuple[str, ...]:
    """Return the headings of length and width, where every row has both as numbers; none otherwise."""
    found = []
    for word in ("length", "width"):
        like = [
            heading
            for heading in cells.columns
            if [one for one in words_of(heading) if one not in _UNIT_WORDS] in ([word], ["panel", word])
            and pd.to_numeric(cells[heading], errors="coerce").notna().all()
        ]
        found += like[:1]
    return tuple(found) if len(found) == 2 else ()


def _made_id(table: Table, columns: dict[str, str], cells: pd.DataFrame) -> str:
    """Return out of which cells the name of a row may be made: the first that tell all rows apart, else its number."""
    parts = [columns[name] for name in ("aircraft", "zone", "group", table.event_date) if name in columns]
    for n in range(1, len(parts) + 1):
        if not cells.duplicated(parts[:n]).any():
            return "-".join("{" + part + "}" for part in parts[:n])
    return f"{table.name}-{{row}}"


def _order(given: pd.Series, notes: dict[str, str], key: str) -> str:
    """Return the order in which days are written; "" where it is year, month, day with hyphens."""
    if not len(given) or given.map(lambda cell: bool(_ISO.fullmatch(cell))).all():
        return ""
    parts = given.str.extract(_YEAR_LAST.pattern).dropna().astype("int64")
    if not len(parts):
        first = given.str.fullmatch(_YEAR_FIRST.pattern).mean() > 0.5
        notes[key] = "the year stands first" if first else "months in letters"
        return "year-month-day" if first else "day-month-year"
    if (parts[0] > 12).any() or not (parts[1] > 12).any():
        sure = (parts[0] > 12).any()
        notes[key] = (
            "a first number above 12"
            if sure
            else "not told by the days: day and month may be the other way round"
        )
        return "day-month-year"
    notes[key] = "a second number above 12"
    return "month-day-year"


def _unit(heading: str, given: pd.Series, column: Column, notes: dict[str, str], key: str) -> str:
    """Return the unit of lengths: of the heading, else as the numbers look."""
    for word in words_of(heading):
        if word in _UNIT_WORDS:
            notes[key] = BY_HEADING
            return _UNIT_WORDS[word]
    if column.type in GEOMETRIES:
        numbers = pd.to_numeric(given.str.findall(r"-?[0-9.]+").explode(), errors="coerce").abs()
        notes[key] = "by how large the numbers are"
        return "in" if len(numbers) and numbers.max() < _PANEL_IN_INCHES else "mm"
    numbers = pd.to_numeric(given, errors="coerce").dropna()
    if not len(numbers):
        return ""
    if column.name.endswith("thickness") and numbers.max() < _SKIN_IN_MM:
        notes[key] = "no skin or core is so thin in mm"
        return "in"
    quarters = (numbers % 1).round(4).isin(_QUARTERS).mean()
    notes[key] = "by quarters among the numbers, and how large they are"
    return (
        "in"
        if quarters > 0.1 or (numbers.median() < 8 and column.name in ("length", "width", "size"))
        else "mm"
    )


def last_days(draft: Draft) -> list[pd.Timestamp]:
    """Return the last day of the events of each table that have happened.

    Parameters
    ----------
    draft : Draft
        The guesses.

    Returns
    -------
    list of Timestamp
        Of tables with a day of an event that is not planned.
    """
    out = []
    for one in draft.tables:
        table = TABLES[one.name]
        for name in (table.event_date, "removed_on"):
            if one.extract is None or table.is_plan or one.name == "basing" or name not in one.columns:
                continue
            cells = one.extract.cells[one.columns[name]]
            first = one.date_order.get(name, "") == "day-month-year"
            days = pd.to_datetime(
                cells[cells != ""], format="mixed", dayfirst=first, errors="coerce"
            ).dropna()
            if len(days):
                out.append(days.max())
    return out
