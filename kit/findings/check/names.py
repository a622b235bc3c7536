"""Are names what they seem: twins that look alike, marks that nobody sees."""

from __future__ import annotations

import re
import unicodedata

import numpy as np
import pandas as pd

from kit.findings.check.context import CheckContext
from kit.findings.tables import TABLES
from kit.findings.text_bytes import text_bytes

NAMES = ("panel", "subtype", "group", "base", "inspector", "build_lot", "grid")
"""Columns of free text that name things, beside the ids."""

_ALIKE = {
    **dict(zip("авекмнорстухіѕјԁһԛԝ", "abekmhopctyxisjdhqw", strict=True)),
    **dict(zip("αβεικμνοορτυχ", "abeikuvoopтux".replace("т", "t"), strict=True)),
    "o": "0", "i": "1", "l": "1", "|": "1",
}  # fmt: skip
_LOOKS = str.maketrans(
    {**_ALIKE, **{k: {"o": "0", "i": "1", "l": "1"}[v] for k, v in _ALIKE.items() if v in "oil"}}
)
_HIDDEN = ("Cf", "Zl", "Zp", "Mn")
_BLANKS = re.compile(r"\s+")


def looks_of(names: pd.Series) -> pd.Series:
    """Return what names look like: without blanks and marks of no width, letters of one shape as one.

    Parameters
    ----------
    names : Series of str
        Names.

    Returns
    -------
    Series of str
        Names that a reader would take for one another are the same.

    Examples
    --------
    >>> looks_of(pd.Series(["FL10", "fl 1O", "FL" + chr(0x200B) + "10"])).nunique()
    1
    """
    joined = "\n".join(names.to_numpy(dtype=object))
    if joined.isascii() and joined.count("\n") == len(names) - 1:  # all in one go: there may be millions
        looks = joined.lower().translate(_LOOKS).replace(" ", "").split("\n")
    else:
        looks = [_looks(name) for name in names]
    return pd.Series(looks, index=names.index, dtype="str")


def _numbered(names: pd.Series) -> bool:
    """Return whether names are one word with digits behind it, as ids mostly are: then no two of them look the same.

    There may be millions of them.
    """
    if not isinstance(names.dtype, pd.StringDtype) or not len(names):
        return False
    word = names.iloc[0].rstrip("0123456789")
    held = text_bytes(names)
    if held is not None:
        return held.numbered(word)
    return bool(names.str.fullmatch(re.escape(word) + "[0-9]*").all())


def _looks(name: str) -> str:
    """Return what one name looks like."""
    plain = unicodedata.normalize("NFKC", name)
    plain = "".join(mark for mark in plain if unicodedata.category(mark) not in _HIDDEN)
    return _BLANKS.sub("", plain).lower().translate(_LOOKS)


def check_names(context: CheckContext, name: str, rows: pd.DataFrame) -> None:
    """Report names that differ from another one of their column by nothing that a reader sees.

    Parameters
    ----------
    context : CheckContext
        What the checks work on.
    name : str
        The table.
    rows : DataFrame
        Typed rows of it, references as they were written.
    """
    for column in TABLES[name].columns:
        if column.type != "id" and column.name not in NAMES:
            continue
        if _numbered(rows[column.name]):
            continue
        kinds = pd.Series(rows[column.name].unique(), dtype="str")
        kinds = kinds[kinds != ""]
        if len(kinds) < 2:
            continue
        looks = looks_of(kinds)
        twins = looks.duplicated(keep=False)
        if not twins.any():
            continue
        by_looks = kinds[twins].groupby(looks[twins]).agg(list)
        others = {
            own: [other for other in by_looks[look] if other != own]
            for own, look in zip(kinds[twins], looks[twins], strict=True)
        }
        marked = rows[column.name].isin(list(others)).to_numpy()
        context.report(
            name,
            rows,
            marked,
            column.name,
            reason=f"{column.name} looks like another one and is not the same",
            expected=[
                f"names that differ to the eye; also there: {_shown(others[cell])}"
                for cell in rows.loc[np.asarray(marked), column.name]
            ],
            mend="write both the same if one thing is meant: look for capitals, blanks, O and 0, I and 1, letters of another script "
            "and marks without width",
            warn=True,
        )


def _shown(names: list[str]) -> str:
    """Return names with what nobody sees written out."""
    return ", ".join(ascii(one) if not one.isascii() else repr(one) for one in names[:3])
