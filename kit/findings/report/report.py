"""What is wrong with the tables, in words that fit a terminal, and as a page to hand on."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from kit.cautions import CAUTIONS
from kit.findings.files import replace_text
from kit.numerics.plain_text import plain_text

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

OF_CHECKS = (
    "The checks find what contradicts itself. A row without a problem may still be wrong.",
    "Rejected rows are missing from every result until they are corrected; rows with a warning are used as they stand.",
)
"""What a report on a dataset must say beside the standing cautions."""

NOT_READ = "unknown column, not read"
"""Reason of a column that the source has and the kit does not know."""

_LONGEST_CELL = 300
_SHORT_CELL = 40
_STYLE = (
    "body{font-family:sans-serif;margin:2em auto;max-width:75em;padding:0 1em;color:#111}"
    "table{border-collapse:collapse;margin:1em 0;width:100%}th,td{border:1px solid #999;padding:.3em .5em;"
    "text-align:left;vertical-align:top;overflow-wrap:anywhere}th{background:#eee;white-space:nowrap}"
    "td.short{white-space:nowrap;overflow-wrap:normal}td.n{text-align:right}td.value{min-width:7em}"
    ".notice{border-left:.4em solid #999;padding:.2em .8em}nav li{margin:.2em 0}tr:target{outline:.2em solid #111}"
    "thead{display:table-header-group}tr{break-inside:avoid}h2,h3{break-after:avoid}"
    "@page{size:A4 landscape;margin:12mm}"
    "@media print{body{margin:0;max-width:none;padding:0;font-size:8pt}a{color:inherit;text-decoration:none}"
    "h2{break-before:page}h2.first{break-before:auto}table{font-size:7.5pt}th,td{padding:1mm}td.short{white-space:normal}}"
)

WHO_CORRECTS = {
    "aircraft": "technical records",
    "basing": "technical records",
    "panels": "technical records",
    "usage": "technical records",
    "zones": "engineering",
    "limits": "engineering",
    "tasks": "maintenance programme",
    "cards": "maintenance control",
    "inspections": "the inspector who looked, through maintenance control",
    "taps": "the inspector who tapped, through maintenance control",
    "findings": "the inspector who found it, through maintenance control",
    "repairs": "the repair shop, through technical records",
    "deferrals": "maintenance control",
    "dataset": "whoever keeps dataset.toml",
}
"""Who can correct a row of each table at its source (common practice, no source)."""


def problems_text(problems: pd.DataFrame, limit: int = 20) -> str:
    """Return a plain-text summary of problems.

    First how many rows are concerned, then the count of each reason, then the first
    problems one by one: where, what was read, what was expected, how to correct it. Columns that were
    not read stand before all else: what they hold is in no answer.

    Parameters
    ----------
    problems : DataFrame
        Columns table, file, row, column, value, reason, expected, mend.
    limit : int
        How many problems to list one by one.

    Returns
    -------
    str
        Lines of text; "No problems." where there are none.

    Examples
    --------
    >>> import pandas as pd
    >>> cells = ["usage", "usage.csv", 7, "read_on", "2015-25-03", "not a date", "a date", "write 2015-03-25"]
    >>> columns = ["table", "file", "row", "column", "value", "reason", "expected", "mend"]
    >>> print(problems_text(pd.DataFrame([cells], columns=columns)))
    1 problem in 1 row of 1 table.
        1  usage: not a date
    usage.csv row 7, read_on = '2015-25-03': not a date. Expected: a date. To correct: write 2015-03-25.
    """
    if not len(problems):
        return "No problems."
    problems = problems.sort_values("reason", key=lambda reasons: reasons != NOT_READ, kind="stable")
    n_rows = len(problems[["table", "file", "row"]].drop_duplicates())
    n_tables = problems["table"].nunique()
    lines = [f"{_count(len(problems), 'problem')} in {_count(n_rows, 'row')} of {_count(n_tables, 'table')}."]
    counts = (
        problems.groupby(["table", "reason"], sort=False).size().sort_values(ascending=False, kind="stable")
    )
    lines += [f"{n:>5}  {table}: {reason}" for (table, reason), n in counts.head(limit).items()]
    if len(counts) > limit:
        lines.append(f"       and {_count(len(counts) - limit, 'more reason')}")
    lines += [_line(problem) for problem in problems.head(limit).itertuples(index=False)]
    if len(problems) > limit:
        lines.append(f"and {_count(len(problems) - limit, 'more problem')}.")
    return "\n".join(lines)


def _count(number: int, word: str) -> str:
    """Return a number and its word, in the plural where it must be."""
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _line(problem: tuple) -> str:
    """Return one problem as one line."""
    where = problem.file + (f" row {problem.row}" if problem.row else "")
    if problem.column:
        value = problem.value if len(problem.value) <= 60 else problem.value[:57] + "..."
        where += f", {problem.column} = {value!r}"
    return f"{where}: {problem.reason}. Expected: {problem.expected}. To correct: {problem.mend}."


def problems_html(source: Fleet | pd.DataFrame, *, limit: int | None = None) -> str:
    """Return a page about the problems of a dataset that stands by itself.

    Parameters
    ----------
    source : Fleet or DataFrame
        A dataset, or a table of problems such as `TableError.problems`.
    limit : int, optional
        How many problems of each kind to list one by one; default: all.

    Returns
    -------
    str
        HTML without scripts and without links to elsewhere: contents, counts by file and by reason with what to do and who can,
        every row with an anchor of its own, the cautions; laid out for paper too. Whatever stood in a cell is shown as text.

    See Also
    --------
    write_report : Write it to a file.
    problems_text : The same for a terminal.
    """
    if isinstance(source, pd.DataFrame):
        title, about = "Problems of the tables", []
        parts = [("problems", "Problems", source, "")]
    else:
        title = f"{source.name}: what is wrong with the tables"
        n_rows = sum(len(table) for table in source.tables.values())
        about = [
            source.notice,
            f"{n_rows:,} rows are accepted as known on {source.known_on:%Y-%m-%d}; "
            f"cut-off {source.cut_off:%Y-%m-%d}; read from {source.source}.",
        ]
        parts = [
            (
                "rejected",
                "Rejected rows",
                source.rejected,
                "These rows are not used until they are corrected.",
            ),
            ("warnings", "Warnings", source.warnings, "These rows are used by a stated rule."),
        ]
    body = [f"<h1>{_escaped(title)}</h1>"]
    body += [f'<p class="notice">{_escaped(line)}</p>' for line in about if line]
    body += _contents(parts) + _counts_by_file(parts)
    for key, heading, problems, note in parts:
        body += _problems_part(key, heading, problems, note, len(problems) if limit is None else limit)
    body += [
        '<h2 id="cautions">Cautions</h2>',
        "<ul>",
        *(f"<li>{html.escape(line)}</li>" for line in (*OF_CHECKS, *CAUTIONS)),
        "</ul>",
    ]
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        f"<title>{_escaped(title)}</title>",
        f"<style>{_STYLE}</style>",
        "</head>",
        "<body>",
        *body,
        "</body>",
        "</html>",
        "",
    ]
    return "\n".join(lines)


_Parts = list[tuple[str, str, pd.DataFrame, str]]


def _contents(parts: _Parts) -> list[str]:
    """Return the contents of the page: its parts, and the tables in each."""
    lines = ['<nav aria-label="Contents">', "<ul>", '<li><a href="#files">Counts by file</a></li>']
    for key, heading, problems, _ in parts:
        tables = problems.groupby("table", sort=False).size()
        inner = ", ".join(
            f'<a href="#{key}-{_anchor(table)}">{_escaped(table)}</a> {n:,}' for table, n in tables.items()
        )
        lines.append(
            f'<li><a href="#{key}">{_escaped(heading)}</a>: {len(problems):,}{" (" + inner + ")" if inner else ""}</li>'
        )
    return [*lines, '<li><a href="#cautions">Cautions</a></li>', "</ul>", "</nav>"]


def _anchor(text: object) -> str:
    """Return text as the name of a place on the page: letters, digits and hyphens."""
    return re.sub(r"[^A-Za-z0-9]+", "-", plain_text(str(text)))[:_SHORT_CELL].strip("-")


def _counts_by_file(parts: _Parts) -> list[str]:
    """Return how many rows of each file have problems of each kind, and who can correct them."""
    lines = ['<h2 id="files" class="first">Counts by file</h2>']
    every = pd.concat([problems.assign(kind=heading) for _, heading, problems, _ in parts])
    if not len(every):
        return [*lines, "<p>None.</p>"]
    headings = [heading for _, heading, _, _ in parts]
    counts = every.groupby(["table", "file", "kind"], sort=False).size().unstack("kind", fill_value=0)
    counts = counts.reindex(columns=headings, fill_value=0).reset_index()
    rows = every.drop_duplicates(["table", "file", "row"]).groupby(["table", "file"]).size()
    counts.insert(
        2,
        "rows",
        [int(rows[table, file]) for table, file in zip(counts["table"], counts["file"], strict=True)],
    )
    counts["who"] = counts["table"].map(WHO_CORRECTS).fillna("")
    named = [
        "table",
        "file",
        "rows concerned",
        *(heading.lower() for heading in headings),
        "who can correct them",
    ]
    return lines + _table_lines(named, counts)


def _problems_part(key: str, heading: str, problems: pd.DataFrame, note: str, limit: int) -> list[str]:
    """Return the lines about one kind of problems."""
    lines = [f'<h2 id="{key}">{_escaped(heading)}</h2>']
    if not len(problems):
        return [*lines, "<p>None.</p>"]
    n_rows = len(problems[["table", "file", "row"]].drop_duplicates())
    lines.append(f"<p>{_count(len(problems), 'problem')} in {_count(n_rows, 'row')}. {_escaped(note)}</p>")
    groups = problems.groupby(["table", "reason"], sort=False)
    counts = groups.agg(n=("row", "size"), mend=("mend", "first")).reset_index()
    counts = counts.sort_values("n", ascending=False, kind="stable").assign(
        who=lambda one: one["table"].map(WHO_CORRECTS)
    )
    lines += _table_lines(
        ["table", "reason", "problems", "what to do, for the first", "who can"],
        counts[["table", "reason", "n", "mend", "who"]].fillna(""),
    )
    shown = problems.head(limit)
    if len(shown) < len(problems):
        lines.append(f"<p>The first {len(shown):,} of {len(problems):,}</p>")
    for table, rows in shown.groupby("table", sort=False):
        lines.append(
            f'<h3 id="{key}-{_anchor(table)}">{_escaped(heading)}: {_escaped(table)}, {len(rows):,}</h3>'
        )
        cells = rows[["file", "row", "column", "value", "reason", "expected", "mend"]]
        again = rows.duplicated(["file", "row"])
        names = [
            "" if twice else f"{key}-{_anchor(file)}-{row}"
            for file, row, twice in zip(rows["file"], rows["row"], again, strict=True)
        ]
        lines += _table_lines(
            ["file", "row", "column", "value", "reason", "expected", "what to do"], cells, names=names
        )
    return lines


def _table_lines(heading: list[str], rows: pd.DataFrame, *, names: list[str] | None = None) -> list[str]:
    """Return a table, every cell as text; a row with a name can be linked to."""
    head = "".join(f'<th scope="col">{_escaped(name)}</th>' for name in heading)
    lines = ["<table>", f"<thead><tr>{head}</tr></thead>", "<tbody>"]
    for k, row in enumerate(rows.itertuples(index=False, name=None)):
        cells = [
            f'<td class="{_looks(name, cell)}">{_escaped(cell)}</td>'
            for name, cell in zip(heading, row, strict=True)
        ]
        place = f' id="{names[k]}"' if names and names[k] else ""
        lines.append(f"<tr{place}>" + "".join(cells) + "</tr>")
    return [*lines, "</tbody>", "</table>"]


def _looks(name: str, cell: object) -> str:
    """Return the style of a cell: names and numbers stay on one line."""
    if isinstance(cell, int):
        return "short n"
    if name == "value":
        return "value"
    return "short" if name in ("table", "file", "column") and len(str(cell)) <= _SHORT_CELL else ""


def _escaped(cell: object) -> str:
    """Return text that a browser shows as it is: no mark-up, no control characters, not endless."""
    text = str(cell)
    text = text if len(text) <= _LONGEST_CELL else text[: _LONGEST_CELL - 3] + "..."
    return html.escape(plain_text(text), quote=True)


def write_report(fleet: Fleet, path: str | Path, *, limit: int | None = None) -> Path:
    """Write the page about the problems of a dataset, as a whole or not at all.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    path : str or Path
        File to write; one that is there is written over.
    limit : int, optional
        How many problems of each kind to list one by one; default: all.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    OSError
        If it cannot be written; says to give another path.
    """
    path = Path(path)
    write_whole(path, problems_html(fleet, limit=limit))
    return path


def write_whole(path: Path, contents: str) -> None:
    """Write a text file as a whole or not at all.

    Parameters
    ----------
    path : Path
        The file; its folder is made where it is not there.
    contents : str
        What to write.

    Raises
    ------
    OSError
        If it cannot be written; says to give another path.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_text(path, contents)
    except OSError as error:
        raise type(error)(
            f"Nothing can be written to {path} ({error.strerror or error}). Give a path where you may write."
        ) from error
