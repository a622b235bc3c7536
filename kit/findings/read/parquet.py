"""What stands in a Parquet file, column by column and of its own type."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from kit.findings.check.problems import one_problem, sorted_problems, table_error
from kit.findings.packages import missing_package
from kit.findings.read import size_limits
from kit.findings.read.source_table import SourceTable


def read_parquet(table: str, path: Path, file: str) -> tuple[SourceTable | None, pd.DataFrame]:
    """Open a Parquet file, whose columns are read when they are asked for.

    Parameters
    ----------
    table : str
        Name of the table.
    path : Path
        The file.
    file : str
        What to call it in problems.

    Returns
    -------
    given : SourceTable or None
        Columns of their own types; rows are numbered from 1 in the order of the file. None
        where the file cannot be used.
    fatal : DataFrame
        Problems of the file as a whole.

    Raises
    ------
    MissingPackage
        If pyarrow is not installed.

    Notes
    -----
    How much there is in the file is looked up in its footer before anything is unpacked.
    """
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise missing_package("pyarrow", extra="parquet", what="Reading Parquet") from error
    try:
        with pq.ParquetFile(path) as opened:
            schema, about = opened.schema_arrow, opened.metadata
        heading, largest = list(schema.names), _unpacked(about)
    except Exception as error:  # a broken footer ends in errors of many kinds: no Arrow, no number, no text
        return None, _unreadable(table, file, error)
    words = size_limits.too_large(
        about.num_rows, size_limits.MOST_ROWS, what="the table", unit="rows", mend="split the dataset"
    ) or size_limits.too_large(
        largest,
        size_limits.LARGEST_UNPACKED,
        what="a column of the file, unpacked,",
        unit="bytes",
        mend="split the dataset",
    )
    if words:
        return None, one_problem(table, file, **words)
    nested = [field.name for field in schema if pa.types.is_nested(field.type)]
    if nested:
        kind = schema.field(nested[0]).type
        problem = one_problem(
            table,
            file,
            column=nested[0],
            reason=f"the column holds values with parts ({kind})"[: size_limits.LONGEST_VALUE],
            expected="columns of text, days, numbers, flags or WKB",
            mend="write polygons as WKB or WKT, and take out the other columns",
        )
        return None, problem
    given = SourceTable(file, heading, about.num_rows, lambda names: _columns(table, path, file, names))
    return given, sorted_problems([])


def _unreadable(table: str, file: str, error: Exception) -> pd.DataFrame:
    """Return the problem of a file that is not Parquet."""
    why = str(error).splitlines()[0] if str(error) else type(error).__name__
    return one_problem(
        table,
        file,
        reason=f"the file is not Parquet that can be read: {size_limits.shortened(why)}",
        expected="a Parquet file",
        mend="write the file again",
    )


def _unpacked(about: Any) -> int:
    """Return the size of the largest column of a file once unpacked, by its footer."""
    sizes = [0] * about.num_columns
    for group in range(about.num_row_groups):
        row_group = about.row_group(group)
        for k in range(about.num_columns):
            sizes[k] += row_group.column(k).total_uncompressed_size
    return max(sizes, default=0)


_FEW_BYTES = 4
"""Bytes of a cell in the file up to which a column of text is one of few texts, as codes."""


def _few_texts(opened: Any) -> list[str]:
    """Return the columns of text that the file holds as codes of few texts: decoded by code they take half the time."""
    import pyarrow as pa

    about = opened.metadata
    found = []
    for k, field in enumerate(opened.schema_arrow):
        if not (pa.types.is_string(field.type) or pa.types.is_large_string(field.type)):
            continue
        size = sum(about.row_group(g).column(k).total_uncompressed_size for g in range(about.num_row_groups))
        if size < _FEW_BYTES * about.num_rows and about.schema.names.count(field.name) == 1:
            found.append(field.name)
    return found


def _columns(table: str, path: Path, file: str, names: list[str]) -> pd.DataFrame:
    """Return columns of a file, of their own types."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as opened:
            schema, few = opened.schema_arrow, _few_texts(opened)
        with pq.ParquetFile(path, read_dictionary=few) as opened:
            contents = opened.read(columns=names).combine_chunks()
        for name in set(few) & set(names):
            k = contents.schema.get_field_index(name)
            contents = contents.set_column(k, name, contents.column(k).cast(schema.field(name).type))
        contents.validate(full=True)  # text that is not UTF-8 would else come to light much later
        for k, field in enumerate(contents.schema):
            if pa.types.is_date(field.type):
                days = contents.column(k).cast(pa.timestamp("us"))
                contents = contents.set_column(k, field.name, days)
        # What pandas wrote about the table is not needed, and may be broken where the columns are not.
        return contents.replace_schema_metadata(None).to_pandas(
            date_as_object=False, integer_object_nulls=True, ignore_metadata=True, split_blocks=True
        )
    except Exception as error:  # the same
        raise table_error(_unreadable(table, file, error), name=file) from None
