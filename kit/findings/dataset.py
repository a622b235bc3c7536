"""What does dataset.toml say: name, unit, cut-off, files, packages, planned usage."""

from __future__ import annotations

import datetime as dt
import itertools
import tomllib
from pathlib import Path
from typing import Annotated, Literal

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from kit.findings.problems import TableError, one_problem, sorted_problems, table_error
from kit.findings.tables import TABLES

FILE_NAME = "dataset.toml"
"""Name of the file that describes a dataset."""

LARGEST_FILE = 2 * 1024**3
"""Largest table file that is read [bytes]."""

_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
_STRICT = ConfigDict(extra="forbid", strict=True, frozen=True)


class Package(BaseModel):
    """A scheduled check that an inspection can ride on."""

    model_config = _STRICT
    name: Annotated[str, Field(min_length=1)]
    flight_hours: _Positive | None = None
    flight_cycles: _Positive | None = None
    days: _Positive | None = None

    @model_validator(mode="after")
    def _has_interval(self) -> Package:
        if self.flight_hours is None and self.flight_cycles is None and self.days is None:
            raise ValueError(f"package {self.name!r} needs one of flight_hours, flight_cycles, days")
        return self


class PlannedUsage(BaseModel):
    """What one subtype is planned to fly in a year."""

    model_config = _STRICT
    flight_hours: _Positive
    flight_cycles: _Positive
    aircraft: Annotated[int, Field(gt=0)]


class Dataset(BaseModel):
    """The contents of dataset.toml."""

    model_config = _STRICT
    name: Annotated[str, Field(min_length=1)]
    notice: str = ""
    length_unit: Literal["mm", "cm", "in"]
    cut_off: dt.date
    clocks: Annotated[list[Literal["flight_hours", "flight_cycles", "calendar_days"]], Field(min_length=1)]
    tables: dict[str, str]
    packages: list[Package] = []
    planned_usage: dict[str, PlannedUsage] = {}

    @field_validator("clocks")
    @classmethod
    def _clocks_once(cls, clocks: list[str]) -> list[str]:
        if len(set(clocks)) < len(clocks):
            raise ValueError("each clock may be named once")
        return clocks

    @field_validator("packages")
    @classmethod
    def _smallest_first(cls, packages: list[Package]) -> list[Package]:
        for small, large in itertools.pairwise(packages):
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

    def packages_frame(self) -> pd.DataFrame:
        """Return the packages as a table, smallest first.

        Returns
        -------
        DataFrame
            Columns name, flight_hours, flight_cycles, days; nan where a package has no such
            interval [as named].
        """
        rows = [package.model_dump() for package in self.packages]
        frame = pd.DataFrame(rows, columns=["name", "flight_hours", "flight_cycles", "days"])
        numbers = dict.fromkeys(("flight_hours", "flight_cycles", "days"), "float64")
        return frame.astype({"name": "str"} | numbers)

    def usage_frame(self) -> pd.DataFrame:
        """Return the planned usage as a table.

        Returns
        -------
        DataFrame
            A row for each subtype (the index): flight_hours, flight_cycles [per year], and
            aircraft, how many there are.
        """
        rows = {subtype: usage.model_dump() for subtype, usage in self.planned_usage.items()}
        frame = pd.DataFrame.from_dict(
            rows, orient="index", columns=["flight_hours", "flight_cycles", "aircraft"]
        )
        frame.index = pd.Index(frame.index.astype("str"), name="subtype")
        return frame.astype({"flight_hours": "float64", "flight_cycles": "float64", "aircraft": "int64"})


def read_dataset(folder: Path) -> tuple[Dataset, dict[str, Path]]:
    """Read and check dataset.toml, and find the table files.

    Parameters
    ----------
    folder : Path
        Folder of the dataset.

    Returns
    -------
    dataset : Dataset
        What the file says.
    files : dict of str to Path
        File of each table that the dataset has.

    Raises
    ------
    TableError
        If the file is missing, is not TOML, has an unknown key or a value of the wrong kind,
        or if a table file is missing, too large or outside the folder.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        there = "the folder is empty" if not any(folder.iterdir()) else "the folder has no such file"
        raise _toml_error(
            folder,
            f"there is no {FILE_NAME} ({there})",
            f"a file {FILE_NAME} that names the tables",
            f"give the folder that holds {FILE_NAME}, or write one",
        )
    try:
        contents = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise _toml_error(
            folder, f"not TOML in UTF-8: {error}", "TOML in UTF-8", "mend the place named"
        ) from None
    try:
        dataset = Dataset.model_validate(contents)
    except ValidationError as error:
        problems = [_field_problem(item) for item in error.errors(include_url=False)]
        raise table_error(sorted_problems(problems), name=folder.name) from None
    return dataset, _table_files(folder, dataset)


def _toml_error(folder: Path, reason: str, expected: str, mend: str) -> TableError:
    """Return the error about dataset.toml as a whole."""
    return table_error(
        one_problem("dataset", FILE_NAME, reason=reason, expected=expected, mend=mend), name=folder.name
    )


def _field_problem(item: dict) -> pd.DataFrame:
    """Return what pydantic found about one field as a problem."""
    field = ".".join(str(part) for part in item["loc"])
    message = item["msg"].removeprefix("Value error, ")
    value, mend = str(item["input"]), f"correct `{field}` in {FILE_NAME}"
    if item["type"] == "extra_forbidden":
        reason, expected, mend = (
            "unknown key",
            "only keys that are declared",
            f"take out `{field}` or mend its spelling",
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


def _table_files(folder: Path, dataset: Dataset) -> dict[str, Path]:
    """Return the file of each table, refusing what is missing, too large or elsewhere."""
    home, files, problems = folder.resolve(), {}, []
    for table, name in dataset.tables.items():
        path = (folder / name).resolve()
        reason = expected = mend = ""
        if not path.is_relative_to(home):
            reason, expected = "the path leaves the folder of the dataset", "a file inside the folder"
            mend = "move the file into the folder and write its name alone"
        elif not path.is_file():
            reason, expected, mend = (
                "the file is missing",
                f"the file of table {table}",
                "add the file or mend its name",
            )
        elif path.suffix.lower() != ".csv":
            reason, expected, mend = "not a CSV file", "a file that ends in .csv", "save the table as CSV"
        elif path.stat().st_size > LARGEST_FILE:
            reason = f"the file is too large ({path.stat().st_size:,} bytes)"
            expected, mend = f"at most {LARGEST_FILE:,} bytes", "split the dataset"
        if reason:
            problems.append(
                one_problem(
                    table,
                    FILE_NAME,
                    column=f"tables.{table}",
                    value=name,
                    reason=reason,
                    expected=expected,
                    mend=mend,
                )
            )
        else:
            files[table] = path
    if problems:
        raise table_error(sorted_problems(problems), name=folder.name)
    return {table: files[table] for table in TABLES if table in files}
