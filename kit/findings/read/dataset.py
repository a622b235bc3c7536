"""What does dataset.toml say: name, unit, cut-off, files, packages, planned usage."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import tomllib
from pathlib import Path
from typing import Annotated, Literal

import pandas as pd
from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    field_validator,
    model_validator,
)

from kit.findings.check.problems import TableError, one_problem, sorted_problems, table_error
from kit.findings.read import size_limits
from kit.findings.read.column_map import TableMap, check_map
from kit.findings.stated import DATES
from kit.findings.tables import TABLES
from kit.numerics.toml_text import toml_contents

FILE_NAME = "dataset.toml"
"""Name of the file that describes a dataset."""

TABLE_ENDINGS = (".csv", ".parquet")
"""Endings of the files that hold a table."""

REGION_ENDINGS = (".geojson", ".json", ".parquet", ".geoparquet")
"""Endings of the files that hold regions."""

_AS_THEY_STAND = ("name", "notice")
_WHOLE = "toml"

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_STRICT = ConfigDict(extra="forbid", strict=True, frozen=True)


class Package(BaseModel):
    """A scheduled check that an inspection can ride on."""

    model_config = _STRICT
    name: Annotated[str, Field(min_length=1, description="name of the check, as questions write it")]
    flight_hours: _Positive | None = Field(None, description="interval of the check [flight hours]")
    flight_cycles: _Positive | None = Field(None, description="interval of the check [flight cycles]")
    days: _Positive | None = Field(None, description="interval of the check [days]")
    valid_from: dt.date | None = Field(None, description="first day in force; none: always")
    recorded_on: dt.date | None = Field(None, description="day on which it became known; none: always")

    @model_validator(mode="after")
    def _has_interval(self) -> Package:
        if self.flight_hours is None and self.flight_cycles is None and self.days is None:
            raise ValueError(f"package {self.name!r} needs one of flight_hours, flight_cycles, days")
        return self


class PlannedUsage(BaseModel):
    """What one subtype is planned to fly in a year."""

    model_config = _STRICT
    flight_hours: Annotated[_Positive, Field(le=8784, description="of one aircraft [flight hours a year]")]
    flight_cycles: Annotated[
        _Positive, Field(le=17_568, description="of one aircraft, at most 48 a day [flight cycles a year]")
    ]
    aircraft: Annotated[int, Field(gt=0, description="how many aircraft of the subtype there are")]
    valid_from: dt.date | None = Field(None, description="first day in force; none: always")
    recorded_on: dt.date | None = Field(None, description="day on which it became known; none: always")


class ClassTarget(BaseModel):
    """Risk that intervals of one class of structure must meet where a question does not say."""

    model_config = _STRICT
    measure: Annotated[
        Literal["exposure", "exceedances", "preventable_exceedances"],
        Field(description="which risk is bounded, as in a question"),
    ] = "exposure"
    per_10000_flight_hours: Annotated[
        _Positive,
        Field(description="largest value [exceedances or beyond-limit hours per 10,000 panel flight hours]"),
    ]
    share_of_draws: Annotated[
        float, Field(gt=0, lt=1, description="share of parameter draws that must meet it [-]")
    ] = 0.95
    window_flight_hours: Annotated[
        _Positive, Field(description="window of age in which it holds, wherever that is worst [flight hours]")
    ] = 10_000.0
    basis: Annotated[str, Field(min_length=1, description="where the target comes from")]
    valid_from: dt.date | None = Field(None, description="first day in force; none: always")
    recorded_on: dt.date | None = Field(None, description="day on which it became known; none: always")


_TIMES = ("once", "dated")


def _how_often(value: object) -> str:
    """Tell what is stated once for all time from a list of rows with days."""
    return "dated" if isinstance(value, list) else "once"


class RegionFile(BaseModel):
    """A file with outlines of findings, joined by the id of the finding."""

    model_config = _STRICT
    file: Annotated[
        str, Field(min_length=1, description="GeoJSON or GeoParquet in the folder of the dataset")
    ]
    unit: Literal["mm", "cm", "in"] | None = Field(
        None, description="unit of its outlines; default length_unit"
    )


class Dataset(BaseModel):
    """The contents of dataset.toml."""

    model_config = _STRICT
    name: Annotated[str, Field(min_length=1, description="name of the dataset, on every sheet and record")]
    notice: str = Field("", description="what must be said wherever the dataset is used")
    length_unit: Annotated[
        Literal["mm", "cm", "in"],
        Field(
            description="unit of lengths and polygons, and of sizes that have no column for theirs; the map may name others"
        ),
    ]
    cut_off: dt.date = Field(
        description="last day of which events count; the extract holds all of them up to it"
    )
    clocks: Annotated[
        list[Literal["flight_hours", "flight_cycles", "calendar_days"]],
        Field(min_length=1, description="clocks that the meters keep"),
    ]
    tables: dict[str, str] = Field(
        description="by table: its file in the folder, sheet or SQL table; docs/tables.md"
    )
    packages: list[Package] = Field(
        [], description="scheduled checks that an inspection can ride on, smallest first"
    )
    planned_usage: dict[
        str,
        Annotated[
            Annotated[PlannedUsage, Tag("once")] | Annotated[list[PlannedUsage], Tag("dated")],
            Discriminator(_how_often),
        ],
    ] = Field({}, description="by subtype: usage planned for a year, once or by the days on which it changed")
    targets: dict[
        Literal["critical", "primary", "secondary", "tertiary"],
        Annotated[
            Annotated[ClassTarget, Tag("once")] | Annotated[list[ClassTarget], Tag("dated")],
            Discriminator(_how_often),
        ],
    ] = Field(
        {},
        description="by structure class: target of questions that state none, once or by the days on which it changed",
    )
    regions: RegionFile | None = Field(None, description="outlines of findings in a file of their own")
    map: dict[str, TableMap] = Field({}, description="by table: how the extract differs; docs/column_map.md")
    guessed: list[str] = Field(
        [],
        description="entries that a draft guessed and nobody has confirmed yet: each load warns of them, and each answer; "
        "whoever has looked at an entry takes its line out",
    )

    @field_validator("clocks")
    @classmethod
    def _clocks_once(cls, clocks: list[str]) -> list[str]:
        if len(set(clocks)) < len(clocks):
            raise ValueError("each clock may be named once")
        return clocks

    @field_validator("packages")
    @classmethod
    def _smallest_first(cls, packages: list[Package]) -> list[Package]:
        days = [(package.name, package.valid_from, package.recorded_on) for package in packages]
        if twice := [name for k, (name, *_) in enumerate(days) if days[k] in days[:k]]:
            raise ValueError(f"{twice[0]!r} stands twice with the same valid_from and recorded_on")
        last = {package.name: package for package in packages}
        for small, large in itertools.pairwise(last.values()):
            for unit in ("flight_hours", "flight_cycles", "days"):
                first, second = getattr(small, unit), getattr(large, unit)
                if first is not None and second is not None and first > second:
                    raise ValueError(
                        f"packages go from the smallest to the largest, but {small.name!r} ({first:g} {unit}) "
                        f"stands before {large.name!r} ({second:g} {unit})"
                    )
        return packages

    @field_validator("tables")
    @classmethod
    def _tables_known(cls, tables: dict[str, str]) -> dict[str, str]:
        unknown = sorted(set(tables) - set(TABLES))
        if unknown:
            raise ValueError(f"no table is called {', '.join(unknown)}; tables are {', '.join(TABLES)}")
        missing = [name for name, table in TABLES.items() if name not in tables and not table.optional]
        if missing:
            raise ValueError(f"tables without a file: {', '.join(missing)}")
        twice = sorted({file for file in tables.values() if list(tables.values()).count(file) > 1})
        if twice:
            raise ValueError(f"one file cannot hold two tables: {', '.join(twice)}")
        return tables

    @field_validator("map")
    @classmethod
    def _map_declared(cls, entries: dict[str, TableMap]) -> dict[str, TableMap]:
        for table, entry in entries.items():
            if wrong := check_map(table, entry):
                raise ValueError(wrong)
        return entries

    def map_of(self, table: str) -> TableMap:
        """Return what the column map says of a table.

        Parameters
        ----------
        table : str
            Name of the table.

        Returns
        -------
        TableMap
            Without entries where it says nothing.
        """
        return self.map.get(table, TableMap())

    def packages_frame(self) -> pd.DataFrame:
        """Return the packages as a table, smallest first.

        Returns
        -------
        DataFrame
            Columns name, flight_hours, flight_cycles, days; nan where a package has no such
            interval [as named]; valid_from, recorded_on, NaT where always. A package that changed has
            several rows.
        """
        rows = [package.model_dump() for package in self.packages]
        frame = pd.DataFrame(rows, columns=["name", "flight_hours", "flight_cycles", "days", *DATES])
        numbers = dict.fromkeys(("flight_hours", "flight_cycles", "days"), "float64")
        return frame.astype({"name": "str"} | numbers | dict.fromkeys(DATES, "datetime64[us]"))

    def usage_frame(self) -> pd.DataFrame:
        """Return the planned usage as a table.

        Returns
        -------
        DataFrame
            Columns subtype, flight_hours, flight_cycles [per year], aircraft, how many there are, valid_from,
            recorded_on, NaT where always. What changed has several rows.
        """
        rows = [
            {"subtype": subtype} | usage.model_dump()
            for subtype, stated in self.planned_usage.items()
            for usage in (stated if isinstance(stated, list) else [stated])
        ]
        frame = pd.DataFrame(rows, columns=["subtype", "flight_hours", "flight_cycles", "aircraft", *DATES])
        types = {"subtype": "str", "flight_hours": "float64", "flight_cycles": "float64", "aircraft": "int64"}
        return frame.astype(types | dict.fromkeys(DATES, "datetime64[us]"))

    def targets_frame(self) -> pd.DataFrame:
        """Return the targets by structure class as a table.

        Returns
        -------
        DataFrame
            Columns structure_class, measure, per_10000_flight_hours [exceedances or beyond-limit hours],
            share_of_draws [-], window_flight_hours [flight hours], basis, valid_from, recorded_on, NaT where always.
            What changed has several rows.
        """
        rows = [
            {"structure_class": name} | target.model_dump()
            for name, stated in self.targets.items()
            for target in (stated if isinstance(stated, list) else [stated])
        ]
        frame = pd.DataFrame(rows, columns=["structure_class", *ClassTarget.model_fields])
        numbers = ("per_10000_flight_hours", "share_of_draws", "window_flight_hours")
        types = dict.fromkeys(("structure_class", "measure", "basis"), "str") | dict.fromkeys(
            numbers, "float64"
        )
        return frame.astype(types | dict.fromkeys(DATES, "datetime64[us]"))


def read_description(path: Path, *, name: str, tables: dict[str, str] | None = None) -> Dataset:
    """Read and check dataset.toml.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        What to call the dataset in an error.
    tables : dict of str to str, optional
        Tables where the file does not name them.

    Returns
    -------
    Dataset
        What the file says.

    Raises
    ------
    TableError
        If the file is missing, is not TOML, or has an unknown key or a value of the wrong kind.
    """
    if not path.is_file():
        empty = not any(path.parent.iterdir())
        there = "the folder is empty" if empty else "the folder has no such file"
        raise _toml_error(
            name,
            f"there is no {FILE_NAME} ({there})",
            f"a file {FILE_NAME} that names the tables",
            f"give the folder that holds {FILE_NAME}, or write one",
        )
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _not_toml(name, error) from None
    return described(text, name=name, tables=tables)


def described(text: str, *, name: str, tables: dict[str, str] | None = None) -> Dataset:
    """Return a checked description from the text of dataset.toml.

    Parameters
    ----------
    text : str
        The text.
    name : str
        What to call the dataset in an error.
    tables : dict of str to str, optional
        Tables where the text does not name them.

    Returns
    -------
    Dataset
        What the text says.

    Raises
    ------
    TableError
        If it is not TOML, or has an unknown key or a value of the wrong kind.
    """
    try:
        contents = toml_contents(text)
    except tomllib.TOMLDecodeError as error:
        raise _not_toml(name, error) from None
    if tables is not None:
        contents.setdefault("tables", tables)
    try:
        return Dataset.model_validate(contents)
    except ValidationError as error:
        problems = [_field_problem(item) for item in error.errors(include_url=False)]
        raise table_error(sorted_problems(problems), name=name) from None


def toml_text(rows: list[tuple[str, str]]) -> str:
    """Return the text of dataset.toml from keys and values of a sheet or a table.

    Parameters
    ----------
    rows : list of (str, str)
        Keys and values. A row with the key ``toml`` holds the whole text. Otherwise a key is
        as in TOML, with points between its parts, and a value is a TOML value or plain words;
        a row that has the words key and value is a heading.

    Returns
    -------
    str
        The text.

    Examples
    --------
    >>> print(toml_text([("name", "Tiny"), ("cut_off", "2020-12-31"), ("clocks", '["flight_hours"]')]))
    name = "Tiny"
    cut_off = 2020-12-31
    clocks = ["flight_hours"]
    """
    whole = [value for key, value in rows if key == _WHOLE]
    if whole:
        return "\n".join(whole)
    lines = []
    for key, value in rows:
        if (key.lower(), value.lower()) == ("key", "value"):
            continue
        words = key in _AS_THEY_STAND or not _is_toml(value)
        lines.append(f"{key} = {json.dumps(value, ensure_ascii=False) if words else value}")
    return "\n".join(lines)


def _is_toml(value: str) -> bool:
    """Return whether a text is one value of TOML."""
    try:
        return len(toml_contents(f"value = {value}")) == 1
    except tomllib.TOMLDecodeError:
        return False


def _not_toml(name: str, error: Exception) -> TableError:
    """Return the error about a text that is not TOML."""
    return _toml_error(name, f"not TOML in UTF-8: {error}", "TOML in UTF-8", "correct the place named")


def _toml_error(name: str, reason: str, expected: str, mend: str) -> TableError:
    """Return the error about dataset.toml as a whole."""
    return table_error(
        one_problem("dataset", FILE_NAME, reason=reason, expected=expected, mend=mend), name=name
    )


def _field_problem(item: dict) -> pd.DataFrame:
    """Return what pydantic found about one field as a problem."""
    field = ".".join(str(part) for part in item["loc"] if part not in _TIMES)
    message = item["msg"].removeprefix("Value error, ")
    value, mend = str(item["input"]), f"correct `{field}` in {FILE_NAME}"
    if item["type"] == "extra_forbidden":
        reason, expected, mend = (
            "unknown key",
            "only keys that are declared",
            f"take out `{field}` or correct its spelling",
        )
    elif item["type"] == "missing":
        reason, expected, value, mend = (
            "missing key",
            f"a value for `{field}`",
            "",
            f"add `{field}` to {FILE_NAME}",
        )
    else:
        reason, expected = "value not allowed", message
    return one_problem(
        "dataset", FILE_NAME, column=field, value=value, reason=reason, expected=expected, mend=mend
    )


def table_files(folder: Path, dataset: Dataset) -> dict[str, Path]:
    """Return the file of each table, refusing what is missing, too large or elsewhere.

    Parameters
    ----------
    folder : Path
        Folder of the dataset.
    dataset : Dataset
        What dataset.toml says.

    Returns
    -------
    dict of str to Path
        File of each table that the dataset has, in the order of `TABLES`.

    Raises
    ------
    TableError
        If a file is missing, too large, of another kind, or outside the folder.
    """
    files, problems = {}, []
    for table, name in dataset.tables.items():
        path, words = _inside(folder, name, f"the file of table {table}", TABLE_ENDINGS, "a table")
        if path is not None:
            files[table] = path
        else:
            problem = one_problem(table, FILE_NAME, column=f"tables.{table}", value=name, **words)
            problems.append(problem)
    if problems:
        raise table_error(sorted_problems(problems), name=folder.name)
    return {table: files[table] for table in TABLES if table in files}


def region_file(folder: Path | None, dataset: Dataset) -> Path | None:
    """Return the file with outlines of findings.

    Parameters
    ----------
    folder : Path or None
        Folder that holds the dataset; None where there is none.
    dataset : Dataset
        What dataset.toml says.

    Returns
    -------
    Path or None
        None where the dataset names no such file.

    Raises
    ------
    TableError
        If the file is missing, too large, of another kind, or outside the folder.
    """
    if dataset.regions is None:
        return None
    name = dataset.regions.file
    if folder is None:
        path, words = (
            None,
            {
                "reason": "a database has no folder in which the file could be",
                "expected": "outlines in the table findings",
                "mend": "write the outlines to findings, and take out [regions]",
            },
        )
    else:
        path, words = _inside(folder, name, "the file with the regions", REGION_ENDINGS, "a region")
    if path is None:
        problem = one_problem("findings", FILE_NAME, column="regions.file", value=name, **words)
        raise table_error(problem, name=dataset.name)
    return path


_FORMATS = {"a table": "CSV or Parquet", "a region": "GeoJSON or GeoParquet", "a tap grid": "CSV"}


def tap_file(folder: Path, name: str) -> tuple[Path | None, dict[str, str]]:
    """Return the file with the tap marks of a finding, or why it is not read.

    Parameters
    ----------
    folder : Path
        Folder that holds the dataset.
    name : str
        Path of the file from there on.

    Returns
    -------
    path : Path or None
        None where the file is missing, too large, of another kind, or outside the folder.
    words : dict of str to str
        Reason, expected and mend; empty where there is a path.
    """
    return _inside(folder, name, "the file with the tap marks", (".csv",), "a tap grid")


def _inside(
    folder: Path, name: str, what: str, endings: tuple[str, ...], kind: str
) -> tuple[Path | None, dict[str, str]]:
    """Return a file that dataset.toml names, or why it is not read."""
    try:
        path = (folder / name).resolve()
        is_inside, is_file = path.is_relative_to(folder.resolve()), path.is_file()
    except (OSError, ValueError, RuntimeError):  # a name with a null, too long, or a link to itself
        return None, {"reason": "the name is no path", "expected": what, "mend": "correct the name"}
    if not is_inside:
        mend = "move the file into the folder and write its name alone"
        reason, expected = "the path leaves the folder of the dataset", "a file inside the folder"
        return None, {"reason": reason, "expected": expected, "mend": mend}
    if not is_file:
        reason, mend = "the file is missing", "add the file or correct its name"
        return None, {"reason": reason, "expected": what, "mend": mend}
    if path.suffix.lower() not in endings:
        ways = " or ".join(endings)
        reason = f"not a {_FORMATS[kind]} file"
        return None, {
            "reason": reason,
            "expected": f"a file that ends in {ways}",
            "mend": f"save {kind[2:]}s as {ways}",
        }
    size = path.stat().st_size
    words = size_limits.too_large(
        size, size_limits.LARGEST_FILE, what="the file", unit="bytes", mend="split the dataset"
    )
    return (None, words) if words else (path, {})
