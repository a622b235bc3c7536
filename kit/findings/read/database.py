"""What stands in the tables of an SQL database."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from kit.findings.check.problems import TableError, one_problem, sorted_problems
from kit.findings.packages import missing_package
from kit.findings.read import size_limits
from kit.findings.read.lazy_text import cell_text
from kit.findings.read.secrets import HIDDEN, secrets_of, without_secrets
from kit.findings.read.source_table import SourceTable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sqlalchemy import Connection


class Database:
    """The tables of a database, all read in one transaction that cannot write.

    Parameters
    ----------
    url : str
        Address as SQLAlchemy takes it, such as ``sqlite:///fleet.db``.

    Raises
    ------
    MissingPackage
        If SQLAlchemy, or the driver that the address names, is not installed.
    TableError
        If the address is none, or the database cannot be reached.
    """

    def __init__(self, url: str) -> None:
        try:
            import sqlalchemy
        except ImportError as error:
            raise missing_package("SQLAlchemy", extra="sql", what="Reading a database") from error
        self.name, self._secrets = without_secrets(url), secrets_of(url)
        try:
            address = sqlalchemy.make_url(url)
        except (sqlalchemy.exc.ArgumentError, ValueError):  # the second: a port that is no number, brackets
            raise self._refused(
                "the address of the database cannot be read",
                "such as sqlite:///fleet.db or postgresql+psycopg://user@host/fleet",
                "correct the address",
            ) from None
        self._connection, self._engine = self._opened(address)
        try:
            with self._told("the database"):
                self._inspector = sqlalchemy.inspect(self._connection)
                self.tables = [*self._inspector.get_table_names(), *self._inspector.get_view_names()]
        except TableError:
            self.close()
            raise

    def close(self) -> None:
        """End the transaction and the connection."""
        self._connection.rollback()
        self._connection.close()
        self._engine.dispose()

    def given(self, table: str, stored: str, order_by: str) -> tuple[SourceTable | None, pd.DataFrame]:
        """Return a table of the database.

        Parameters
        ----------
        table : str
            Name of the table in the kit.
        stored : str
            Its name in the database.
        order_by : str
            Heading of its id. Rows are numbered from 1 in the order of the ids as text.

        Returns
        -------
        given : SourceTable or None
            Its columns; None where there are too many rows.
        fatal : DataFrame
            Problems of the table as a whole.
        """
        import sqlalchemy as sa

        file = f"table {stored}"
        with self._told(stored):
            columns = self._inspector.get_columns(stored)
        heading = [column["name"] for column in columns]
        flags = [column["name"] for column in columns if isinstance(column["type"], sa.Boolean)]
        source = sa.table(stored, *(sa.column(name) for name in heading))
        with self._told(stored):
            n_rows = self._connection.execute(sa.select(sa.func.count()).select_from(source)).scalar_one()
        words = size_limits.too_large(
            n_rows, size_limits.MOST_ROWS, what="the table", unit="rows", mend="split the dataset"
        )
        if words:
            return None, one_problem(table, file, **words)

        def read(names: list[str]) -> pd.DataFrame:
            with self._told(stored):
                rows = self._connection.execute(sa.select(*(source.c[name] for name in names))).all()
            columns = list(zip(*rows, strict=True)) if rows else [()] * len(names)
            frame = pd.DataFrame(
                {
                    name: pd.Series(list(cells), dtype=object)
                    for name, cells in zip(names, columns, strict=True)
                }
            )
            for name in set(names).intersection(flags):  # SQLite keeps a truth value as 0 or 1
                frame[name] = pd.Series([_truth(cell) for cell in frame[name]], dtype=object)
            if order_by not in names:
                return frame
            keys = pd.Series([cell_text(cell) for cell in frame[order_by]], dtype="str")
            return frame.iloc[np.argsort(keys.to_numpy(dtype=object), kind="stable")].reset_index(drop=True)

        return SourceTable(file, heading, n_rows, read, kind="table"), sorted_problems([])

    def key_values(self, stored: str) -> list[tuple[str, str]]:
        """Return the columns key and value of a table, row by row.

        Parameters
        ----------
        stored : str
            Name of the table.

        Returns
        -------
        list of (str, str)
            Both as text.

        Raises
        ------
        TableError
            If the table has no such columns.
        """
        import sqlalchemy as sa

        names = {column["name"].lower(): column["name"] for column in self._inspector.get_columns(stored)}
        if not {"key", "value"} <= set(names):
            raise self._refused(
                f"the table {stored} has no columns key and value",
                "a row for each entry of dataset.toml",
                f"make the table {stored} with the columns key and value",
            )
        source = sa.table(stored, *(sa.column(names[name]) for name in ("key", "value")))
        with self._told(stored):
            rows = self._connection.execute(sa.select(source.c[names["key"]], source.c[names["value"]])).all()
        return [(cell_text(key), cell_text(value)) for key, value in rows if cell_text(key)]

    def _opened(self, address: Any) -> tuple[Connection, Any]:
        """Return a connection with a transaction that cannot write."""
        import sqlalchemy as sa

        options: dict[str, Any] = {}
        if address.get_backend_name() == "sqlite":
            path = self._sqlite_file(address)
            uri = f"{path.resolve().as_uri()}?mode=ro"
            options["creator"] = lambda: sqlite3.connect(uri, uri=True, isolation_level=None)
        try:
            engine = sa.create_engine(address, **options)
        except ImportError as error:
            # A driver may be there and lack its library: psycopg without libpq.
            package = {"psycopg": "psycopg[binary]"}.get(error.name or "", error.name or "")
            package = package or (
                "psycopg[binary]" if "postgres" in address.drivername else address.drivername
            )
            extra = "sql" if package.startswith("psycopg") else ""
            what = f"Reading the database {self.name}"
            raise missing_package(package, extra=extra, what=what) from None
        except (sa.exc.ArgumentError, TypeError, ValueError) as error:
            raise self._refused(
                f"the address names no kind of database that is known: {self._quiet(error)}",
                "sqlite or postgresql+psycopg",
                "correct the address",
            ) from None
        with self._told("the database"):
            connection = engine.connect()
            if engine.dialect.name == "postgresql":
                connection = connection.execution_options(
                    isolation_level="REPEATABLE READ", postgresql_readonly=True
                )
            elif engine.dialect.name == "sqlite":
                connection.exec_driver_sql("BEGIN")
        return connection, engine

    def _sqlite_file(self, address: Any) -> Path:
        """Return the file of an SQLite database, which must be there: opening it would make it."""
        if not address.database or address.database == ":memory:" or address.database.startswith("file:"):
            raise self._refused(
                "the address names no file", "such as sqlite:///fleet.db", "write the path of the file"
            )
        path = Path(address.database)
        if not path.is_file():
            raise FileNotFoundError(
                f"`source` names the database file {address.database!r}, which is not there. Correct the path; "
                "sqlite:/// comes before a path from here, sqlite://// before one from the root."
            )
        return path

    @contextmanager
    def _told(self, what: str) -> Iterator[None]:
        """Turn an error of the database into one that says what was read."""
        try:
            yield
        except (FileNotFoundError, TableError):
            raise
        except (
            Exception
        ) as error:  # a driver has errors of its own for hosts, parameters and NUL that SQLAlchemy lets by
            raise self._refused(
                f"{what} cannot be read: {self._quiet(error)}",
                "a database that answers, and tables that may be read",
                "correct the address, or ask for the right to read",
            ) from None

    def _quiet(self, error: Exception) -> str:
        """Return the first line of an error, without what the address must not show."""
        lines = str(getattr(error, "orig", None) or error).splitlines()
        first = without_secrets(lines[0] if lines else type(error).__name__)
        for secret in self._secrets:
            first = first.replace(secret, HIDDEN)
        return size_limits.shortened(first)

    def _refused(self, reason: str, expected: str, mend: str) -> TableError:
        """Return the error about the database as a whole, in one line."""
        problem = one_problem("dataset", self.name, reason=reason, expected=expected, mend=mend)
        return TableError(f"{self.name}: {reason}. Expected: {expected}. To correct: {mend}.", problem)


def _truth(cell: Any) -> Any:
    """Return 0 and 1 as truth values, anything else as it is."""
    return bool(cell) if isinstance(cell, int) and cell in (0, 1) else cell
