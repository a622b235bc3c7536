"""What tells two states of a dataset apart: a digest of each table's rows."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import pandas as pd
import shapely

from kit.findings.methods import METHODS, blind_to
from kit.findings.read.lazy_text import given_cells
from kit.findings.tables import TABLES, Table

ALL = "all"
"""Key of the digest over all tables."""

_NOT_CONTENT = ("file", "row")


def fingerprint(tables: dict[str, pd.DataFrame]) -> dict[str, str]:
    """Return a digest of each table, and one over all.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Accepted current rows by table.

    Returns
    -------
    dict of str to str
        SHA-256 in hex by table; the one over all under "all".

    Notes
    -----
    Rows go in the order of their ids and columns in the order of their names, so that neither
    the order of rows nor the lay-out of files matters. Polygons are normalised WKB, numbers
    the shortest digits that give the same float, days YYYY-MM-DD. File and row number are
    left out. Moisture found by a method that is blind to water is read as the bond that it broke; written either
    way it has the same digest.

    So that declaring a new column does not change the digests of datasets that were written,
    and of decisions that were recorded, before it: a column declared as `later` is left out
    while it is blank throughout, and a table declared as `later` while it has no rows. The columns that
    were there from the start stay in, blank or not, as in the digests already recorded.
    """
    digests = {
        name: _digest(tables[name], TABLES[name])
        for name in sorted(tables)
        if len(tables[name]) or not TABLES[name].later
    }
    return digests | {ALL: digest_over_all(digests)}


def digest_over_all(digests: dict[str, str]) -> str:
    """Return the digest over those of several tables.

    Parameters
    ----------
    digests : dict of str to str
        By table.

    Returns
    -------
    str
        SHA-256 in hex; one that is there for all tables together is left out.
    """
    each = {name: digest for name, digest in digests.items() if name != ALL}
    return hashlib.sha256(json.dumps(each, sort_keys=True).encode()).hexdigest()


def digest_of_rows(rows: pd.DataFrame) -> str:
    """Return the digest of rows that stand in no table of `TABLES`, such as packages.

    Parameters
    ----------
    rows : DataFrame
        The rows; neither their order nor that of the columns matters.

    Returns
    -------
    str
        SHA-256 in hex.
    """
    texts = sorted(text for _, text in row_texts("", rows, rows.columns[0]))
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def row_texts(name: str, rows: pd.DataFrame, key: str) -> list[tuple[str, str]]:
    """Return the canonical form of each row.

    Parameters
    ----------
    name : str
        Name of the table.
    rows : DataFrame
        Accepted current rows.
    key : str
        Column of the id.

    Returns
    -------
    list of (str, str)
        Id, and a JSON list of table, id and the cells that are not blank by column, in the order of the ids. It depends
        neither on the kind of source nor on the order of rows, nor on columns that are blank.
    """
    if name == "findings":
        rows = rows.assign(kind=_kind_as_ever(rows))
    names = sorted(set(rows.columns) - set(_NOT_CONTENT))
    columns = [_canonical(rows[column]) for column in names]
    ids = [str(one) for one in rows[key]]
    out = []
    for one, cells in zip(ids, zip(*columns, strict=True), strict=True):
        given = {
            column: str(cell) for column, cell in zip(names, cells, strict=True) if cell not in (None, "")
        }
        out.append((one, json.dumps([name, one, given], ensure_ascii=False, separators=(",", ":"))))
    return sorted(out)


def _digest(frame: pd.DataFrame, table: Table) -> str:
    """Return the digest of one table."""
    rows = frame.sort_values(table.id_column, kind="stable")
    if table.name == "findings":
        rows = rows.assign(kind=_kind_as_ever(rows))
    digest = hashlib.sha256()
    blank = {c.name for c in table.columns if c.later and not given_cells(rows[c.name]).any()}
    for name in sorted(set(rows.columns) - blank - set(_NOT_CONTENT)):
        digest.update(json.dumps([name, _canonical(rows[name])], ensure_ascii=False).encode())
    return digest.hexdigest()


def _kind_as_ever(findings: pd.DataFrame) -> pd.Series:
    """Return the kinds as they were written when there was one word for water and for the bond that it broke.

    Found by a method that is blind to water, both words are read as the same damage, and so have one digest.
    """
    blind = [method for method in METHODS if "moisture" in blind_to(method)]
    same = (findings["kind"] == "moisture_disbond") & findings["method"].isin(blind)
    return findings["kind"].mask(same, "moisture")


def _canonical(cells: pd.Series) -> list[str | None]:
    """Return the cells of a column as texts that do not depend on how they were written."""
    if cells.dtype.kind == "M":
        return cells.dt.strftime("%Y-%m-%d").astype("object").where(cells.notna(), None).tolist()
    if cells.dtype.kind == "f":
        values = cells.to_numpy() + 0.0  # a negative zero becomes zero
        return [None if np.isnan(value) else repr(value) for value in values.tolist()]
    if cells.dtype.kind in "iu":
        return [str(cell) for cell in cells]
    if cells.dtype.kind == "b":
        return ["yes" if cell else "" for cell in cells]
    if cells.dtype == object:
        shapes = cells.to_numpy(dtype=object)
        return list(shapely.to_wkb(shapely.normalize(shapes), hex=True, output_dimension=2, byte_order=1))
    return cells.tolist()
