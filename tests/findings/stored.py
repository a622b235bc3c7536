"""The same dataset put into every kind of source, for tests of the sources."""

from __future__ import annotations

import datetime as dt
import io
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import shapely

from kit.findings import TABLES


def read_text(folder: Path) -> tuple[str, dict[str, pd.DataFrame]]:
    """Return dataset.toml and the tables of a CSV folder as text."""
    toml = (folder / "dataset.toml").read_text(encoding="utf-8")
    files = tomllib.loads(toml)["tables"]
    tables = {
        name: pd.read_csv(folder / file, dtype="str", keep_default_na=False) for name, file in files.items()
    }
    grids = tables["findings"].get("tap_grid", pd.Series(dtype="str"))
    if "taps" not in tables and grids.str.endswith(".csv").any():
        tables["taps"] = taps_of_files(folder, tables["findings"])
        toml = toml.replace("[tables]\n", '[tables]\ntaps = "taps.csv"\n')
    return toml, tables


def taps_of_files(folder: Path, findings: pd.DataFrame) -> pd.DataFrame:
    """Return the taps of the files that findings name as the table that they become at loading."""
    parts = []
    for grid, rows in findings[findings["tap_grid"] != ""].groupby("tap_grid"):
        taps = pd.read_csv(folder / grid, dtype="str", keep_default_na=False)
        names = [f"{grid}:{row}" for row in range(2, len(taps) + 2)]
        parts.append(taps.assign(tap=names, grid=grid, recorded_on=min(rows["recorded_on"]), replaces=""))
    return pd.concat(parts, ignore_index=True)


def named(toml: str, ending: str) -> str:
    """Return dataset.toml with the names of tables in place of those of CSV files."""
    return toml.replace('.csv"', f'{ending}"')


def typed(name: str, table: pd.DataFrame, *, wkb: bool = True) -> pd.DataFrame:
    """Return a table with days, numbers, flags and polygons of their own types, where each cell of a column can be read."""
    out = table.copy()
    for column in TABLES[name].all_columns:
        if column.name not in out:
            continue
        cells = out[column.name]
        given = cells.where(cells != "", None)
        if column.type == "date":
            values = pd.to_datetime(given, format="%Y-%m-%d", errors="coerce")
        elif column.type in ("number", "length"):
            values = pd.to_numeric(given, errors="coerce").astype("float64")
        elif column.type == "flag":
            values = cells == "yes"
        elif column.type in ("polygon", "lines") and wkb:
            texts = np.array([cell or None for cell in cells], dtype=object)
            values = pd.Series(shapely.to_wkb(shapely.from_wkt(texts, on_invalid="ignore")), dtype=object)
        else:
            continue
        if column.type == "flag" or (values.notna() == (cells != "")).all():
            out[column.name] = values
    return out


def to_parquet(folder: Path, target: Path, *, as_text: bool = False) -> Path:
    target.mkdir()
    toml, tables = read_text(folder)
    for name, table in tables.items():
        (table if as_text else typed(name, table)).to_parquet(target / f"{name}.parquet", index=False)
    (target / "dataset.toml").write_text(named(toml, ".parquet"), encoding="utf-8")
    return target


def cells_of(table: pd.DataFrame) -> list[list[object]]:
    """Return the rows of a typed table as plain Python values, None where blank."""
    rows = []
    for row in table.astype(object).to_numpy():
        cells = []
        for cell in row:
            missing = pd.isna(cell) or cell == ""
            cells.append(None if missing else cell.to_pydatetime() if isinstance(cell, dt.datetime) else cell)
        rows.append(cells)
    return rows


def to_workbook(folder: Path, target: Path, *, with_sheet: bool = True) -> Path:
    import openpyxl

    toml, tables = read_text(folder)
    book = openpyxl.Workbook()
    book.active.title = "notes"
    for name, table in tables.items():
        sheet = book.create_sheet(name)
        sheet.append(list(table))
        for row in cells_of(typed(name, table, wkb=False)):
            sheet.append(row)
    if with_sheet:
        sheet = book.create_sheet("dataset")
        for row in (("key", "value"), ("toml", named(toml, ""))):
            sheet.append(row)
    else:
        (target.parent / "dataset.toml").write_text(named(toml, ""), encoding="utf-8")
    book.save(target)
    return target


def to_database(folder: Path, url: str, *, as_text: bool = False) -> str:
    import sqlalchemy as sa

    toml, tables = read_text(folder)
    engine = sa.create_engine(url)
    kinds = {"M": sa.Date(), "f": sa.Float(), "b": sa.Boolean()}
    store = sa.MetaData()
    made = {"dataset": sa.Table("dataset", store, sa.Column("key", sa.Text), sa.Column("value", sa.Text))}
    kept = {name: table if as_text else typed(name, table, wkb=False) for name, table in tables.items()}
    for name, table in kept.items():
        columns = [
            sa.Column(heading, kinds.get(getattr(table[heading].dtype, "kind", "O"), sa.Text()))
            for heading in table
        ]
        made[name] = sa.Table(name, store, *columns)
    with engine.begin() as connection:
        store.drop_all(connection)
        store.create_all(connection)
        connection.execute(made["dataset"].insert(), [{"key": "toml", "value": named(toml, "")}])
        for name, table in kept.items():
            rows = [dict(zip(table, cells, strict=True)) for cells in cells_of(table)]
            if rows:
                connection.execute(made[name].insert(), rows)
    engine.dispose()
    return url


def read_by_pandas(folder: Path) -> tuple[str, dict[str, pd.DataFrame]]:
    """Return dataset.toml and the tables as pandas reads them with its days: timestamps, and numbers with gaps as floats."""
    toml, texts = read_text(folder)
    tables = {}
    for name, text in texts.items():
        days = [c.name for c in TABLES[name].all_columns if c.type == "date" and c.name in text]
        tables[name] = pd.read_csv(io.StringIO(text.to_csv(index=False)), parse_dates=days)
    return toml, tables


def copied_by_pandas(folder: Path, connection: object) -> None:
    """Copy a dataset into a database by `DataFrame.to_sql`, without a word about any column."""
    toml, tables = read_by_pandas(folder)
    tables["dataset"] = pd.DataFrame({"key": ["toml"], "value": [named(toml, "")]})
    for name, table in tables.items():
        table.to_sql(name, connection, index=False, if_exists="replace")
