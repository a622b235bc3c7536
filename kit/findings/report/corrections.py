"""Which corrections do the data suggest, and what becomes of those that a person accepts."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from kit.findings.check.check import check_tables
from kit.findings.check.problems import ProblemLog, TableError, one_problem, sorted_problems, table_error
from kit.findings.known import rows_known
from kit.findings.read.columns import RawTable, type_table
from kit.findings.report.report import write_whole
from kit.findings.tables import GEOMETRIES, TABLES
from kit.findings.traps import find_traps

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

PROPOSAL_COLUMNS = ("proposal", "table", "id", "column", "old", "new", "why", "trap", "confidence")
"""Columns of a table of proposed corrections."""

DECISION_COLUMNS = ("accept", "by_role", "on", "note")
"""Columns that a person fills in: yes or blank, role, day, and what else is to be said."""

PROPOSED_FOR = ("T2", "T3", "T5", "T8")
"""Traps for which a correction is proposed."""

LARGEST_FILE = 64 * 1024**2
"""Largest corrections file that is read [bytes]."""

_FORMULA = re.compile(r"'*[=+\-@\t\r]")
_NOT_CORRECTED = ("recorded_on", "replaces")
_SIZES = ("length", "width", "rounding")


def propose_corrections(fleet: Fleet) -> pd.DataFrame:
    """Return the corrections that the data suggest, for a person to decide.

    Parameters
    ----------
    fleet : Fleet
        The dataset.

    Returns
    -------
    DataFrame
        Columns proposal, table, id, column, old (as written), new, why, trap and confidence
        (sure, likely, possible): a unit mix-up, sides exchanged, an old label, a duplicate, day
        and month exchanged. A cell has one proposal at most; nothing is changed by it.

    See Also
    --------
    write_proposals : Write them to a file in which a person accepts.
    apply_corrections : Apply what was accepted.
    """
    found = find_traps(fleet, traps=PROPOSED_FOR)
    found = found[(found["suggestion"] != "") & (found["suggestion"] != found["value"]) & (found["id"] != "")]
    found = found[~found.duplicated(["table", "id", "column"])].reset_index(drop=True)
    numbers = pd.Series([f"Q{k + 1:04d}" for k in range(len(found))], dtype="str")
    named = found.assign(proposal=numbers, old=found["value"], new=found["suggestion"], why=found["found"])
    return named[list(PROPOSAL_COLUMNS)].astype("str")


def write_proposals(fleet: Fleet, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the proposed corrections to a CSV file in which a person accepts them.

    To accept one: write yes in `accept`, the role (not the name) in `by_role` and the day as
    YYYY-MM-DD in `on`. A row of a person's own with table, id, column, old, new and why counts
    as well.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    path : str or Path
        File to write.
    overwrite : bool
        Whether a file that is there, with what was accepted in it, is written over.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    FileExistsError
        If there is such a file and `overwrite` is not set.
    OSError
        If the file cannot be written.

    Notes
    -----
    A cell that a spreadsheet would take for a formula begins with an apostrophe, which is
    taken off again at reading.
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise FileExistsError(
            f"`path` must be a file that is not there yet, for decisions may stand in it. Got {str(path)!r}; "
            "give another path, or overwrite=True."
        )
    write_whole(path, proposals_text(propose_corrections(fleet)))
    return path


def proposals_text(frame: pd.DataFrame) -> str:
    """Return proposals, with what was decided of them, as the text of a corrections file.

    Parameters
    ----------
    frame : DataFrame
        `PROPOSAL_COLUMNS`, and `DECISION_COLUMNS` where something was decided.

    Returns
    -------
    str
        CSV, as `apply_corrections` reads it.
    """
    contents = io.StringIO()
    writer = csv.writer(contents, lineterminator="\n")
    names = [*PROPOSAL_COLUMNS, *DECISION_COLUMNS]
    writer.writerow(names)
    rows = frame.reindex(columns=names, fill_value="")
    writer.writerows([*map(as_text_cell, row)] for row in rows.itertuples(index=False, name=None))
    return contents.getvalue()


def read_proposals(path: str | Path) -> pd.DataFrame:
    """Read a corrections file as it stands, decided or not; nothing in it is checked against the data.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    DataFrame
        `PROPOSAL_COLUMNS` and `DECISION_COLUMNS` as text.

    Raises
    ------
    TableError
        If it is not a corrections file.
    """
    return _read_file(Path(path))[[*PROPOSAL_COLUMNS, *DECISION_COLUMNS]].reset_index(drop=True)


def as_text_cell(cell: str) -> str:
    """Return a cell that a spreadsheet takes for text.

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    str
        The cell, with an apostrophe before it where it would be a formula.

    Examples
    --------
    >>> as_text_cell("=1+1"), as_text_cell("2.5")
    ("'=1+1", '2.5')
    """
    return f"'{cell}" if _FORMULA.match(cell) else cell


def _from_text_cell(cell: str) -> str:
    """Return a cell without the apostrophe that `as_text_cell` put before it."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def apply_corrections(fleet: Fleet, path: str | Path) -> Fleet:
    """Return a fleet in which the corrections that a person accepted are further rows.

    Each accepted correction becomes a copy of its row with the corrected cell, an id of its
    own, `replaces` naming the row that it corrects, and `recorded_on` the day of acceptance, so
    that `as_known_on` an earlier day shows what stood then. The files of the dataset stay as
    they are.

    Parameters
    ----------
    fleet : Fleet
        The dataset as loaded.
    path : str or Path
        A file made by `write_proposals`, with decisions in it.

    Returns
    -------
    Fleet
        The same dataset with the corrections; `file` and `row` of a new row are those of the
        corrections file, and remarks say what was corrected, why and by which role.

    Raises
    ------
    TableError
        If an accepted row lacks role, day or reason, names a row or column that is not there,
        or an old value that does not stand (any more), or if a corrected row, or another because
        of it, would be rejected. Nothing is applied then.
    ValueError
        If `fleet` is an earlier state of knowledge, not the dataset as loaded.
    FileNotFoundError
        If there is no such file.

    Notes
    -----
    Several corrections of one row accepted on one day become one row; those of different days
    follow one another.
    """
    path = Path(path)
    later = [name for name, raw in fleet.as_read.items() if (raw.typed["recorded_on"] > fleet.known_on).any()]
    if later:
        raise ValueError(
            f"`fleet` must be the dataset as loaded. Got it as known on {fleet.known_on:%Y-%m-%d}, with later rows in "
            f"{', '.join(later)}; apply the corrections first, then ask as_known_on."
        )
    accepted = _read_accepted(fleet, path)
    if not len(accepted):
        return fleet
    raw = dict(fleet.as_read)
    for name in [name for name in TABLES if name in set(accepted["table"])]:
        raw[name] = _with_rows(raw[name], name, accepted[accepted["table"] == name], path.name)
    known_on = max(fleet.known_on, accepted["day"].max())
    checked = check_tables(raw, cut_off=fleet.cut_off, known_on=known_on)
    ragged, columns = fleet.file_problems or (pd.DataFrame(), pd.DataFrame())
    rejected = sorted_problems([ragged, checked.rejected])
    fresh = _not_in(rejected, fleet.rejected)
    if len(fresh):
        error = table_error(fresh, name=f"{fleet.name} with the corrections of {path.name}")
        raise TableError(
            f"{error}\nThe corrections do not fit together; accept those of a look and its finding together, or not at all.",
            fresh,
        )
    return replace(
        fleet,
        tables=checked.tables,
        rejected=rejected,
        warnings=sorted_problems([columns, checked.warnings]),
        known_on=known_on,
        as_read=raw,
        unusable=checked.unusable,
    )


def _read_accepted(fleet: Fleet, path: Path) -> pd.DataFrame:
    """Return the accepted rows of a corrections file, each sound and still standing."""
    if not path.is_file():
        raise FileNotFoundError(
            f"`path` must be a corrections file. There is no {str(path)!r}; correct the path."
        )
    frame = _read_file(path)
    wrong = []

    def refuse(mask: Iterable[bool], column: str, reason: str, expected: object, mend: str) -> None:
        rows = frame[np.asarray(mask, dtype=bool)]
        for label, row in rows.iterrows():
            told = expected[label] if isinstance(expected, pd.Series) else expected
            cells = {"row": row["row"], "column": column, "value": row[column]}
            wrong.append(
                one_problem("corrections", path.name, reason=reason, expected=told, mend=mend, **cells)
            )

    said = frame["accept"].str.lower()
    refuse(
        ~said.isin(["yes", "no", ""]),
        "accept",
        "accept is neither yes nor blank",
        "yes, or a blank cell",
        "write yes or leave it blank",
    )
    frame = frame[said == "yes"]
    for column, what in (
        ("by_role", "the role of the person who accepted, not a name"),
        ("on", "the day of acceptance, as YYYY-MM-DD"),
        ("why", "why it is corrected"),
    ):
        refuse(
            frame[column] == "",
            column,
            f"accepted, but {column} is blank",
            what,
            f"write {column}, or leave accept blank",
        )
    day = pd.to_datetime(frame["on"], format="%Y-%m-%d", errors="coerce")
    shaped = frame["on"].str.fullmatch(r"\d{4}-\d\d-\d\d")
    refuse(
        (day.isna() | ~shaped) & (frame["on"] != ""),
        "on",
        "on is not a day",
        "a day that exists, as YYYY-MM-DD",
        "write it so",
    )
    refuse(
        ~frame["table"].isin(list(TABLES)),
        "table",
        "no such table",
        f"one of {', '.join(TABLES)}",
        "correct the name",
    )
    for name, part in frame[frame["table"].isin(list(TABLES))].groupby("table"):
        _check_part(fleet, name, part, day, refuse, frame)
    cells = frame.duplicated(["table", "id", "column", "on"], keep=False)
    refuse(
        cells,
        "column",
        "one cell is corrected twice on one day",
        "one correction of each cell a day",
        "leave accept of the others blank",
    )
    if wrong:
        problems = sorted_problems(wrong)
        raise table_error(problems, name=path.name)
    return frame.assign(day=day)


def _check_part(
    fleet: Fleet, name: str, part: pd.DataFrame, day: pd.Series, refuse: object, frame: pd.DataFrame
) -> None:
    """Refuse corrections of rows and columns that are not there, and of values that do not stand."""
    table = TABLES[name]
    raw = fleet.as_read.get(name)
    every = {column.name: column for column in table.columns}
    locked = {table.id_column, *_NOT_CORRECTED}
    can = [column for column in every if column not in locked]

    def mark(labels: pd.Index) -> np.ndarray:
        return frame.index.isin(labels)

    wrong_column = ~part["column"].isin(can)
    refuse(
        mark(part.index[wrong_column]),
        "column",
        f"no column of {name} that can be corrected",
        f"one of {', '.join(can)}",
        "correct the name",
    )
    if raw is None:
        return
    current = rows_known(table, raw, fleet.known_on, ProblemLog()).current
    current = current[~current[table.id_column].duplicated(keep=False)]
    known = part["id"].isin(current[table.id_column])
    ids = set(raw.typed[table.id_column])
    gone = ~known & part["id"].isin(ids)
    refuse(
        mark(part.index[gone]), "id", f"the row of {name} does not stand any more, or its id stands twice",
        "the id of a row that no other corrects", "write new proposals",
    )  # fmt: skip
    refuse(
        mark(part.index[~known & ~gone]),
        "id",
        f"no such row in {name}",
        f"the id of a row of {name}",
        "correct the id, or write new proposals",
    )
    part = part[known & ~wrong_column]
    partly = (part["column"] == "coverage") & ~part["new"].str.lower().isin(["full", ""])
    refuse(
        mark(part.index[partly]), "new", "a part looked at cannot be corrected here", "full, or a blank cell",
        "correct the coverage in the dataset",
    )  # fmt: skip
    rows = current.loc[pd.Series(current.index, index=current[table.id_column]).loc[part["id"]]]
    later = part.sort_values("on", kind="stable").duplicated(["id", "column"]).reindex(part.index)
    text = raw.text.loc[rows.index]
    written = pd.Series(
        [text[column].iloc[k] for k, column in enumerate(part["column"])], index=part.index, dtype="str"
    )
    stale = (written != part["old"]) & ~later
    refuse(
        mark(part.index[stale]), "old", "the old value does not stand", written.map(lambda cell: f"{cell!r}, which the row says now"),
        "write new proposals",
    )  # fmt: skip
    same = part["new"] == part["old"]
    refuse(
        mark(part.index[same]),
        "new",
        "the new value is the old one",
        "another value",
        "write the new value, or leave accept blank",
    )
    recorded = pd.Series(rows["recorded_on"].to_numpy(), index=part.index)
    early = recorded > day.reindex(part.index)
    refuse(
        mark(part.index[early]), "on", "accepted before the row was recorded",
        recorded.map(lambda at: f"a day from {at:%Y-%m-%d} on, when the row was recorded" if pd.notna(at) else ""), "correct the day",
    )  # fmt: skip
    refuse(
        mark(part.index[recorded.isna()]), "id", f"recorded_on of the row of {name} cannot be read", "a row with a day of record",
        "correct recorded_on in the dataset",
    )  # fmt: skip


def _read_file(path: Path) -> pd.DataFrame:
    """Return a corrections file as text, with the line of each row."""
    problem = None
    size = path.stat().st_size
    if size > LARGEST_FILE:
        problem = (f"the file has {size:,} bytes", f"at most {LARGEST_FILE:,} bytes", "split it")
    else:
        try:
            text = path.read_bytes().decode("utf-8-sig")
            reader = csv.reader(io.StringIO(text, newline=""), strict=True)
            records, lines, start = [], [], 1
            for record in reader:
                if any(cell.strip() for cell in record):
                    records.append([cell.strip() for cell in record])
                    lines.append(start)
                start = reader.line_num + 1
        except (UnicodeDecodeError, csv.Error) as error:
            problem = (f"the file is not CSV in UTF-8: {error}", "CSV in UTF-8", "save it again as CSV UTF-8")
    if problem is None:
        heading = records[0] if records else []
        needed = [*PROPOSAL_COLUMNS, *DECISION_COLUMNS]
        lacking = [name for name in needed if heading.count(name) != 1]
        if lacking:
            problem = (
                f"columns missing or twice: {', '.join(lacking)}", f"the columns {', '.join(needed)}",
                "write new proposals, or correct the heading",
            )  # fmt: skip
    if problem is None:
        widths = [line for line, record in zip(lines, records, strict=True) if len(record) != len(heading)]
        if widths:
            problem = (
                f"too many or too few cells on line {widths[0]}", f"{len(heading)} cells, as in the heading",
                "put a cell that holds a comma between double quotes",
            )  # fmt: skip
    if problem is not None:
        reason, expected, mend = problem
        one = one_problem("corrections", path.name, reason=reason, expected=expected, mend=mend)
        raise table_error(one, name=path.name)
    frame = pd.DataFrame(records[1:], columns=heading, dtype="str")
    frame = frame[needed].map(_from_text_cell).astype("str")
    return frame.assign(row=np.asarray(lines[1:], dtype=np.int64))


def _new_id(old: str, used: set[str]) -> str:
    """Return an id for the correction of a row, and note that it is used."""
    base = re.sub(r"-c\d+$", "", old)
    number = 1
    while f"{base}-c{number}" in used:
        number += 1
    used.add(f"{base}-c{number}")
    return f"{base}-c{number}"


@dataclass
class _NewRow:
    """A row that corrects another one.

    Parameters
    ----------
    text : dict
        Its cells as written.
    label : int
        Label of the row of the table as loaded that it goes back to.
    changed : set of str
        Columns in which it differs from that row.
    """

    text: dict[str, object]
    label: int
    changed: set[str]


def _with_rows(raw: RawTable, name: str, accepted: pd.DataFrame, file: str) -> RawTable:
    """Return a table with a further row for each row and day of acceptance.

    What is not corrected is taken over as it was read, whatever the unit or the order of dates
    in the source; a corrected cell is read in the kit's own form.
    """
    key = TABLES[name].id_column
    written = raw.text if isinstance(raw.text, pd.DataFrame) else raw.text.frame()
    rows = _new_rows(written, raw.typed[key], name, accepted, file)
    start = int(raw.typed.index.max()) + 1
    text = pd.DataFrame([row.text for row in rows], index=range(start, start + len(rows)))[
        list(written.columns)
    ]
    text = text.astype(written.dtypes.to_dict())
    own = type_table(TABLES[name], text, length_unit="mm")
    before = [row.label for row in rows]
    typed = raw.typed.loc[before].set_axis(text.index)
    always = [key, "replaces", "recorded_on", "file", "row", *(["remarks"] if "remarks" in typed else [])]
    typed[always] = own.typed[always]
    for column in TABLES[name].columns:
        labels = text.index[[column.name in row.changed for row in rows]]
        if len(labels):
            cells = own.typed[column.name].loc[labels]
            if column.type in ("length", *GEOMETRIES):
                cells = _scaled(cells, _factor(raw, written, column.name))
            typed.loc[labels, column.name] = cells
    if name == "findings":
        typed[list(_SIZES)] = own.typed[list(_SIZES)]  # in the unit that stands beside them now
    rejected = [raw.rejected] if len(raw.rejected) else []
    for row, label in zip(rows, text.index, strict=True):
        for problems, of, is_new in ((own.rejected, label, True), (raw.rejected, row.label, False)):
            if len(problems):
                mine = problems[(problems.index == of) & (problems["column"].isin(row.changed) == is_new)]
                rejected.append(mine.set_axis([label] * len(mine)).assign(file=file, row=row.text["row"]))
    rejected = [part for part in rejected if len(part)]
    return replace(
        raw,
        text=pd.concat([written, text]),
        typed=pd.concat([raw.typed, typed.astype(raw.typed.dtypes.to_dict())]),
        rejected=pd.concat(rejected) if rejected else raw.rejected,
    )


def _new_rows(
    written: pd.DataFrame, ids: pd.Series, name: str, accepted: pd.DataFrame, file: str
) -> list[_NewRow]:
    """Return copies of rows with corrected cells, one for each row and day of acceptance."""
    key = TABLES[name].id_column
    used = set(ids)
    standing = written[ids.isin(accepted["id"]).to_numpy()]
    latest = {
        cells[key]: _NewRow(cells, label, set())
        for label, cells in zip(standing.index, standing.to_dict("records"), strict=True)
    }
    made = []
    for (on, row_id), labels in accepted.groupby(["on", "id"], sort=True).groups.items():
        part, before = accepted.loc[labels], latest[row_id]
        cells = before.text | dict(zip(part["column"], part["new"], strict=True))
        cells |= {key: _new_id(row_id, used), "replaces": before.text[key], "recorded_on": on}
        cells |= {"file": file, "row": int(part["row"].iloc[0])}
        if "remarks" in cells and "remarks" not in set(part["column"]):
            told = [
                f"{row.column} corrected from {row.old or 'blank'} to {row.new or 'blank'}: {row.why} "
                f"({row.by_role}, {row.on}{', ' + row.note if row.note else ''})"
                for row in part.itertuples(index=False)
            ]
            cells["remarks"] = "; ".join(filter(None, [before.text["remarks"], *told]))
        latest[row_id] = _NewRow(cells, before.label, before.changed | set(part["column"]))
        made.append(latest[row_id])
    return made


def _factor(raw: RawTable, written: pd.DataFrame, column: str) -> float:
    """Return by what a column was converted to mm when it was read."""
    have = raw.typed[column].notna() if raw.typed[column].dtype == object else raw.typed[column] > 0
    if not have.any():
        return 1.0  # nothing to go by: a column blank throughout is corrected in mm
    label = raw.typed.index[have][0]
    value, cell = raw.typed.at[label, column], written.at[label, column]
    if isinstance(value, float):
        return value / float(cell)
    box, own = (np.abs(shapely.total_bounds(shape)).max() for shape in (value, shapely.from_wkt(cell)))
    return float(box / own)


def _scaled(cells: pd.Series, factor: float) -> pd.Series:
    """Return lengths or polygons times a factor."""
    if abs(factor - 1) < 1e-6:
        return cells
    if cells.dtype != object:
        return cells * factor
    shapes = shapely.transform(cells.to_numpy(dtype=object), lambda points: points * factor)
    return pd.Series(shapes, index=cells.index, dtype="object")


def _not_in(problems: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Return the problems of rows that had none before."""
    keys = ["table", "file", "row"]
    old = pd.MultiIndex.from_frame(before[keys])
    return problems[~pd.MultiIndex.from_frame(problems[keys]).isin(old)].reset_index(drop=True)
