"""Which columns of a table a regression rests on, and how text becomes numbers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.numerics.typing import Floats

NOT_KNOWN = "not known"
"""Level of a covariate that is blank."""

AGE_COLUMNS = ("lower", "upper", "entry", "count")
"""Columns of a row's history, which cannot be covariates as well."""

_AS_LEVELS = re.compile(r"C\(\s*(.+?)\s*\)")


@dataclass(frozen=True)
class Term:
    """One covariate of a regression.

    Parameters
    ----------
    name : str
        The column.
    levels : tuple of str
        Its levels, the reference first; empty for a number.
    """

    name: str
    levels: tuple[str, ...] = ()

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of its coefficients."""
        return tuple(f"{self.name}[{level}]" for level in self.levels[1:]) if self.levels else (self.name,)

    def values(self, frame: pd.DataFrame) -> Floats:
        """Return its columns of the design for the rows of a table.

        Parameters
        ----------
        frame : DataFrame
            With the column.

        Returns
        -------
        ndarray, shape (n_rows, n_columns)
            The number, or 0 and 1 for each level but the reference.

        Raises
        ------
        ValueError
            If the column is missing, a number is missing or not finite, or a level is not known.
        """
        if self.name not in frame.columns:
            raise ValueError(
                f"The rows must have the column {self.name!r}. Got {', '.join(map(str, frame.columns))}. "
                "Add it, or leave it out of the regression."
            )
        if not self.levels:
            return _numbers(frame[self.name])[:, None]
        text = as_levels(frame[self.name])
        known = np.isin(text, self.levels)
        if not known.all():
            raise ValueError(
                f"{self.name!r} must be one of {', '.join(self.levels)}. Got {text[~known][0]!r}, of which the fit "
                "knows nothing. Choose one of these, or fit again with rows of that level."
            )
        return (text[:, None] == np.array(self.levels[1:], dtype=object)).astype(np.float64)


def as_levels(column: pd.Series) -> np.ndarray:
    """Text of each row of a column; blank is a level of its own.

    Parameters
    ----------
    column : Series
        Any values.

    Returns
    -------
    ndarray of object
        The levels.
    """
    text = column.astype(object).where(column.notna(), "").astype(str).str.strip()
    return text.mask(text == "", NOT_KNOWN).to_numpy(object)


def _numbers(column: pd.Series) -> Floats:
    try:
        values = column.to_numpy(np.float64, na_value=np.nan)
    except (TypeError, ValueError):
        raise ValueError(
            f"{column.name!r} must be a number, as it was in the fit. Got {column.iloc[0]!r}. Correct the rows."
        ) from None
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        raise ValueError(
            f"{column.name!r} must be a finite number in every row: {bad.size} of {values.size} rows are not, first "
            f"row {bad[0]} ({values[bad[0]]:g}). Leave these rows out, or give the column as text with a level for them."
        )
    return values


def wanted_columns(formula_or_columns: str | Sequence[str]) -> list[tuple[str, bool]]:
    """Return the names of the covariates, and whether their values are to be taken as levels.

    Parameters
    ----------
    formula_or_columns : str or sequence of str
        ``"climate + C(faces)"``, or a list of the same parts; ``"1"``, an empty text or an empty list
        for none.

    Returns
    -------
    list of (str, bool)
        Name and whether it stood in C().

    Raises
    ------
    ValueError
        If a part is blank or named twice, or signs other than + are used.
    """
    if isinstance(formula_or_columns, str):
        parts = [part.strip() for part in formula_or_columns.split("+")]
        if parts in ([""], ["1"]):
            return []
        odd = next((sign for sign in "~*:" if sign in formula_or_columns), None)
        if odd is not None or "" in parts:
            raise ValueError(
                f"`formula_or_columns` must be names of columns with + between them, such as 'climate + C(faces)'. "
                f"Got {formula_or_columns!r}. Make a column of a product in the table, and name that."
            )
    else:
        parts = [str(part).strip() for part in formula_or_columns]
    wanted = []
    for part in parts:
        as_level = _AS_LEVELS.fullmatch(part)
        wanted.append((as_level[1], True) if as_level else (part, False))
    names = [name for name, _ in wanted]
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"`formula_or_columns` must name each column once. Got {name!r} twice.")
        if name in AGE_COLUMNS:
            raise ValueError(
                f"`formula_or_columns` must name covariates. Got {name!r}, which says when the life was watched. "
                "Leave it out: a covariate must not depend on what was found."
            )
    return wanted


def make_terms(
    frame: pd.DataFrame,
    wanted: list[tuple[str, bool]],
    count: Floats,
    reference: Mapping[str, str] | None,
) -> tuple[Term, ...]:
    """Decide which covariates are numbers, and the levels of the others.

    Parameters
    ----------
    frame : DataFrame
        The rows.
    wanted : list of (str, bool)
        As `wanted_columns` returns.
    count : ndarray, shape (n_rows,)
        Lives that each row stands for.
    reference : mapping of str to str or None
        Level that the others are compared with, by column; by default the one with most lives.

    Returns
    -------
    tuple of Term
        In the order wanted.

    Raises
    ------
    ValueError
        If a column is missing, has one value only, or a reference is not a level of its column.
    """
    reference = dict(reference or {})
    missing = [name for name, _ in wanted if name not in frame.columns]
    if missing:
        raise ValueError(
            f"`formula_or_columns` must name columns of the rows. Got {', '.join(missing)}. "
            f"There are {', '.join(map(str, frame.columns))}."
        )
    terms = []
    for name, as_level in wanted:
        column = frame[name]
        numeric = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if numeric and not as_level:
            values = _numbers(column)
            if values.size and (values == values[0]).all():
                raise ValueError(
                    f"{name!r} must differ between rows. Got {values[0]:g} in all of them, which cannot be told from "
                    "the intercept. Leave it out."
                )
            terms.append(Term(name))
            continue
        lives = pd.Series(count, dtype=np.float64).groupby(as_levels(column)).sum()
        if len(lives) < 2:
            raise ValueError(
                f"{name!r} must differ between rows. Got {lives.index[0]!r} in all of them, which cannot be told from "
                "the intercept. Leave it out."
            )
        first = str(reference.pop(name, lives.idxmax()))
        if first not in lives.index:
            raise ValueError(
                f"`reference` of {name!r} must be one of its levels: {', '.join(lives.index)}. Got {first!r}."
            )
        terms.append(Term(name, (first, *(level for level in lives.index if level != first))))
    if reference:
        raise ValueError(
            f"`reference` must name text columns of the regression. Got {', '.join(map(str, reference))}. Those are "
            f"{', '.join(term.name for term in terms if term.levels) or 'none'}."
        )
    return tuple(terms)
