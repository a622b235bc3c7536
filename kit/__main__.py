"""The kit from the command line: check, rank, decide, rerun, demo; panels, compare, forecast, sensitivity; notebook.

Exit status: 0 fine, 1 the answer is no (rejected rows, no interval meets the target, not
reproduced), 2 bad input.
"""

from __future__ import annotations

import gc
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer
from rich.progress import track as progress
from rich.table import Table

from kit.cautions import CAUTIONS
from kit.commands import (
    BAD_INPUT,
    COMMANDS,
    NO,
    NOTEBOOKS,
    SHORT,
    AsJson,
    Source,
    Strict,
    answer_block,
    bad_input,
    cell,
    console,
    document,
    guard_output,
    load,
    new,
    notice,
    opened,
    pack,
    plain,
    print_json,
    rank,
    register_app,
    say,
    sheet,
    short_row,
    show,
    sign_off,
    writable_folder,
)
from kit.numerics.forked import forked_map
from kit.numerics.words import signed

if TYPE_CHECKING:
    import pandas as pd

    from kit.decisions import Rerun
    from kit.findings import Fleet
    from kit.intervals import Evidence, Question

_SUMMARY, _REJECTED = "summary.json", "rejected_rows.csv"
_FIELDS_SHOWN, _VALUE_SHOWN = 20, 60

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="From a fleet's tap-test findings to inspection intervals that can be defended. Advisory analysis only.",
)


@app.command()
def check(
    source: Source,
    since: Annotated[
        str | None, typer.Option(help="List what became known after this day (YYYY-MM-DD).")
    ] = None,
    until: Annotated[
        str | None, typer.Option(help="Last day of what --since lists; default: all that is known.")
    ] = None,
    html: Annotated[Path | None, typer.Option(help="Write the problems as an HTML report, too.")] = None,
    proposals: Annotated[
        Path | None,
        typer.Option(help="Write proposed corrections for a person to accept, as a new CSV file."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Check every row of a dataset, say what is wrong and how to correct it, and which months are complete."""
    with bad_input():
        from kit.findings import (
            DELAY_TABLES,
            TableError,
            changes_text,
            find_traps,
            load_fleet,
            problems_text,
            reporting_delay,
            right_edge,
        )

        for option, path in (("--html", html), ("--proposals", proposals)):
            if path is not None:  # their folders are made
                writable_folder(path.parent, f"{option} {path}")
        with tempfile.TemporaryDirectory() as folder:
            try:
                fleet = load_fleet(source, set_aside=Path(folder) / "rejected_rows.csv")
            except TableError as error:
                if as_json:
                    print_json({"usable": False, "problems": plain(error.problems)})
                    raise typer.Exit(BAD_INPUT) from None
                raise
        changes = _changes(fleet, since, until)
        delays = {table: reporting_delay(fleet, table=table) for table in DELAY_TABLES}
        edges = {table: right_edge(fleet, table=table, delay=delays[table]) for table in DELAY_TABLES}
        if html is not None:
            from kit.findings import write_report

            write_report(fleet, html)
        if proposals is not None:
            from kit.findings import write_proposals

            write_proposals(fleet, proposals)
        if as_json:
            data = {
                "usable": True,
                "dataset": fleet.name,
                "notice": fleet.notice,
                "known_on": f"{fleet.known_on:%Y-%m-%d}",
                "cut_off": f"{fleet.cut_off:%Y-%m-%d}",
                "rows": {name: len(table) for name, table in fleet.tables.items()},
                "rejected": plain(fleet.rejected),
                "warnings": plain(fleet.warnings),
                "reporting_delay": {name: plain(delay.to_frame()) for name, delay in delays.items()},
                "right_edge": {
                    name: {
                        "incomplete_from": str(edge.incomplete_from)[:10] if edge.is_short else None,
                        "level": edge.level,
                        "text": edge.words(),
                        "months": plain(edge.to_frame()),
                    }
                    for name, edge in edges.items()
                },
            }
            print_json(data if changes is None else data | {"changes": plain(changes)})
        else:
            say(repr(fleet))
            if fleet.notice:
                say(fleet.notice)
            traps = find_traps(fleet).groupby("trap", sort=False).size()
            for title, problems in (
                ("Rejected", fleet.rejected),
                ("Accepted with a warning", fleet.warnings),
            ):
                say(f"\n{title}: {len(problems)}")
                if len(problems):
                    say(problems_text(problems))
            say("\nTraps: rows to look at, by the numbers of docs/traps.md")
            say(", ".join(f"{name} {n}" for name, n in sorted(traps.items(), key=_trap_number)) or "none")
            say("\nReporting delay")
            for name in DELAY_TABLES:
                say(f"{delays[name]!r}\n{edges[name].words()}")
            if changes is not None:
                end = f" to {until}" if until else ""
                say(f"\nBecame known after {since}{end}: {len(changes):,} rows\n{changes_text(changes)}")
            if html is not None:
                say(f"\nReport: {html}")
            if proposals is not None:
                say(f"\nProposed corrections: {proposals}. Accept them there by role, day and reason.")
            say("\nCautions")
            for caution in CAUTIONS:
                say(f"- {caution}")
        if len(fleet.rejected):
            raise typer.Exit(NO)


def _trap_number(item: tuple[str, int]) -> int:
    return int(item[0].removeprefix("T"))


def _changes(fleet: Fleet, since: str | None, until: str | None) -> pd.DataFrame | None:
    """Rows that became known between two days as given on the command line."""
    from kit.intervals import QuestionError

    if since is None:
        if until is not None:
            raise QuestionError(f"--until {until} needs --since: the day after which changes are listed.")
        return None
    try:
        return fleet.changes(since, until)
    except ValueError as error:
        raise QuestionError(f"--since, --until: {error}") from error


app.command()(rank)


@app.command()
def decide(
    source: Source,
    out: Annotated[Path, typer.Option(help="Folder that holds one folder for each decision.")] = Path(
        "answers"
    ),
    question: Annotated[
        list[Path] | None,
        typer.Option(
            help="A question's TOML file; default: all in the folder questions of SOURCE, or beside it where it is a file."
        ),
    ] = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Recommend threshold and repeat interval for each question; write a folder with record, figure and sheet for each."""
    with bad_input():
        from kit.decisions import decision_folders, question_path
        from kit.intervals import Evidence, QuestionError, read_question

        folder = (Path(source).parent if Path(source).is_file() else Path(source)) / "questions"
        paths = question or sorted(folder.glob("*.toml"))
        if not paths:
            if not Path(source).is_dir():
                load(source, strict=True)  # says what is wrong with the source itself
            raise QuestionError(f"{folder}: no question there. Give --question, or put TOML files there.")
        asked = [read_question(path) for path in paths]
        names = [q.name for q in asked]
        asked_in = dict(zip(names, paths, strict=True))
        for name in names:
            if names.count(name) > 1:
                raise QuestionError(
                    f"questions: the name {name!r} is used twice. Give each question its own."
                )
        with decision_folders(out) as folders, tempfile.TemporaryDirectory() as aside:
            for words in folders.leftovers:
                say(f"{out}: {words}", err=True)
            rejected = Path(aside) / _REJECTED
            fleet = load(source, strict=strict, rejected=rejected)
            stages = [folders.stage(name) for name in names]
            made = _decided(Evidence(fleet), asked, stages)
            if not as_json and sys.stderr.isatty():
                made = progress(
                    made, "Questions", total=len(asked), console=console(stderr=True), transient=True
                )
            answers = list(made)
            summary = _summary(fleet, answers)
            for answer, stage in zip(answers, stages, strict=True):
                shutil.copyfile(asked_in[answer.name], question_path(stage / f"{answer.name}.json"))
                text = json.dumps(_summary(fleet, [answer]), indent=1, ensure_ascii=False) + "\n"
                (stage / _SUMMARY).write_text(text, encoding="utf-8")
                (stage / _REJECTED).unlink(missing_ok=True)  # of an earlier run
                if rejected.is_file():
                    shutil.copyfile(rejected, stage / _REJECTED)
            folders.exchange()
    if as_json:
        print_json(summary)
    else:
        say(notice(fleet))
        shared = [line for line in answers[0].assumptions if all(line in one.assumptions for one in answers)]
        for answer in answers:
            for line in answer.lines:
                say(line)
            for line in answer.assumptions:
                if answer.assumptions == tuple(shared) or line not in shared:
                    say(f"  assumed: {line}")
            say(
                "  a50 is the size found half as often as the plateau, not that with POD 0.50 where the plateau is below 1"
            )
        if len(answers) > 1:
            say("\nAssumed in every answer:")
            for line in shared:
                say(f"- {line}")
            say("")
            show(_short_table(answers))
            say(
                "now: the repeat in force; draws: share that meets the target (and is asked). What each rests on, and its cautions (!), stand above."
            )
        say("")
        for caution in CAUTIONS:
            say(f"- {caution}")
        say(f"Records, figures and sheets, in a folder for each decision: {out}")
    if not all(answer.is_recommended for answer in answers):
        raise typer.Exit(NO)


def _short_table(answers: list[_Decided]) -> Table:
    """One row a question."""
    table = Table(title="In short")
    for name in SHORT:
        table.add_column(name, justify="left" if name in ("question", "governed by") else "right")
    for answer in answers:
        table.add_row(*(cell(value) for value in answer.short))
    return table


def _summary(fleet: Fleet, answers: list[_Decided]) -> dict[str, object]:
    """Return what a program reads of some answers."""
    return {
        "dataset": fleet.name,
        "notice": fleet.notice,
        "answers": [row for answer in answers for row in answer.rows],
        "special": {answer.name: answer.special for answer in answers},
        "cautions": CAUTIONS,
    }


class _Decided(NamedTuple):
    """What the command prints of one answer, in plain values that go from process to process.

    Parameters
    ----------
    name : str
        Of the question.
    is_recommended : bool
        Whether it has a repeat.
    rows, special : list of dict, dict
        For the summary.
    lines, assumptions : tuple of str
        What a signature under it stands for.
    short : tuple of str
        Its row in the table of all answers.
    """

    name: str
    is_recommended: bool
    rows: list[dict[str, object]]
    special: dict[str, object]
    lines: tuple[str, ...]
    assumptions: tuple[str, ...]
    short: tuple[str, ...]


def _decided(evidence: Evidence, asked: list[Question], stages: list[Path]) -> Iterator[_Decided]:
    """Answer questions, in their order, on all cores; write the record, figure and sheet of each."""
    from kit.decisions import read_decision, rows_used, set_aside_with_groups, write_decision
    from kit.figures import save_answer
    from kit.intervals import parts_frame, recommend, share_evidence
    from kit.sheets import decision_document, html_page

    # What several questions share is worked out before the processes part.
    days = [question.known_on for question in asked]
    by_day: dict[object, dict[str, Any]] = {}
    for day in {day for day in days if days.count(day) > 1}:
        then = evidence.as_known_on(day)
        rows = rows_used(then.fleet)
        _ = rows.packed, rows.root, rows.counts()
        by_day[day] = {"rows": rows, "named": set_aside_with_groups(then.fleet)}
        share_evidence(then, [one for one in asked if one.known_on == day], run=forked_map)

    def one(given: tuple[Question, Path]) -> _Decided:
        question, stage = given
        answer = recommend(evidence, question, run=forked_map if len(asked) == 1 else map)
        known = by_day.get(question.known_on, {})
        # The record that is there already, where it says the same.
        record = read_decision(write_decision(answer, stage, rows=known.get("rows")))
        page = html_page(decision_document(record, answer.fleet, named=known.get("named")))
        (stage / f"{question.name}.sheet.html").write_text(page, encoding="utf-8")
        save_answer(answer, stage / f"{question.name}.png")
        return _Decided(
            name=question.name,
            is_recommended=answer.repeat is not None,
            rows=plain(answer.to_frame()),
            special={
                "draws_meeting": answer.share_meeting,
                "target": answer.question.target.words,
                "confidence": answer.confidence_words,
                "parts": plain(parts_frame(answer.parts)),
                "as_flown": "" if answer.slack is None else answer.slack.words,
                "cautions": answer.special_cautions,
                "assumptions": answer.assumptions,
            },
            lines=answer_block(answer),
            assumptions=answer.assumptions,
            short=short_row(answer),
        )

    return forked_map(one, zip(asked, stages, strict=True))


@app.command()
def rerun(
    record: Annotated[Path, typer.Argument(help="The decision record, or its evidence pack.")],
    source: Annotated[
        str | None, typer.Argument(help="Dataset as load_fleet takes it; none for an evidence pack.")
    ] = None,
    question: Annotated[
        Path | None, typer.Option(help="The question that was meant, to be held against the record.")
    ] = None,
    causes: Annotated[bool, typer.Option("--causes", help="Say what each cause did to the answer.")] = False,
    rows: Annotated[
        int, typer.Option(min=0, help="Rank so many panels by what their later rows did to the answer.")
    ] = 0,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Re-run a past decision on the data as known then, and on all that is known today."""
    with bad_input():
        from kit.decisions import INTERACTION, causes_of, influence
        from kit.decisions import rerun as run_again

        with opened(record, source, strict=strict) as (path, fleet):
            result = run_again(path, fleet, question=question, run=forked_map, with_curves=False)
        frame = result.to_frame()
        steps = causes_of(result, fleet, run=forked_map).to_frame() if causes else None
        ranked, unranked = influence(result, fleet, most=rows, run=forked_map) if rows else (None, "")
    if as_json:
        print_json(
            {
                "name": result.now.name,
                "verdict": result.verdict,
                "verdicts": result.verdicts,
                "reasons": result.reasons,
                "numbers": plain(frame),
                "differing": plain(
                    result.fields_frame().query("state != 'same' and state != 'stated, not checked'")
                ),
                "stated_not_checked": {one.field: one.then for one in result.stated},
                "rows_since": plain(result.rows_since),
                "row_changes": None if result.row_changes is None else plain(result.row_changes),
            }
            | ({} if steps is None else {"causes": plain(steps), "interaction": INTERACTION})
            | ({} if ranked is None else {"influence": plain(ranked), "not_ranked": unranked})
        )
    else:
        table = Table(title=f"{cell(result.now.name)}, decided on what was known on {result.now.known_on}")
        for name in ("quantity", "then", "now, same data", "difference", "same", "known now", "to date"):
            table.add_column(name, justify="left" if name == "quantity" else "right")
        for row in frame.to_dict("records"):
            table.add_row(
                cell(row["quantity"]),
                _number(row["then"]),
                _number(row["now"]),
                _difference(row["difference"]),
                "yes" if row["same"] else "NO",
                _number(row["known_now"]),
                _number(row["today"]),
            )
        show(table)
        say(f"Verdict: {'; '.join(result.verdicts)}")
        for reason in result.reasons:
            say(f"- {reason}")
        for one in result.differing[:_FIELDS_SHOWN]:
            say(f"  {one.field}: {_short(one.then)} in the record, {_short(one.now)} afresh")
        if len(result.differing) > _FIELDS_SHOWN:
            say(f"  and {len(result.differing) - _FIELDS_SHOWN} more fields, which --json lists")
        same = sum(one.state == "same" for one in result.checks)
        say(
            f"Fields: {same} come out again, {len(result.differing)} do not, {len(result.stated)} are stated, not checked: "
            f"{_stated_in_words(result)}"
        )
        counts = result.rows_since["what"].value_counts().to_dict() if len(result.rows_since) else {}
        since = ", ".join(f"{n} {what}" for what, n in sorted(counts.items())) or "none"
        say(f"Rows recorded since that bear on that time: {since}")
        if steps is not None:
            show(_causes_table(steps))
            say(f"Read so: {INTERACTION}.")
        if ranked is not None:
            say(
                "What the later rows of one panel did to the longest interval of the risk rule, all others being there:"
            )
            for one in ranked.to_dict("records"):
                moved = -one["risk_rule_change"]
                share = -100 * one["share_change"]
                say(
                    f"  {one['panel']}: {moved:+,.0f} of {one['risk_rule']:,.0f}, {share:+.0f} points of the draws that meet the "
                    f"target ({one['rows']})"
                )
            say(f"  {unranked}")
        for caution in result.now.cautions:
            say(f"- {caution}")
    if not result.reproduced:
        raise typer.Exit(NO)


def _difference(value: float) -> str:
    """Write a difference with two digits; blank where there is none to give."""
    if value != value:
        return ""
    return f"{value:.1e}" if value else "0"


def _causes_table(steps: pd.DataFrame) -> Table:
    """One row a cause, with what it added to each quantity."""
    table = Table(title="What moved the answer, one cause on top of the other")
    names = [name.removesuffix("_change") for name in steps.columns if name.endswith("_change")]
    for name in ("cause", "rows", *names):
        table.add_column(name, justify="left" if name == "cause" else "right")
    for one in steps.to_dict("records"):
        cells = [f"{_number(one[name])} ({signed(one[f'{name}_change'])})" for name in names]
        words = one["cause"] if one["answered"] else f"{one['cause']}: no answer"
        table.add_row(cell(words), f"{one['rows']:,}", *cells)
    return table


def _stated_in_words(result: Rerun) -> str:
    """Name what only people can know by its part of the record; bases and remarks one by one."""
    parts: dict[str, int] = {}
    for one in result.stated:
        names = one.field.split(".")
        part = one.field if names[-1] in ("basis", "title") else names[0]
        parts[part] = parts.get(part, 0) + 1
    return ", ".join(f"{part} ({n} fields)" if n > 1 else part for part, n in parts.items())


def _short(value: object) -> str:
    """Return a value of a field, no longer than fits on a line."""
    text = _number(value) if isinstance(value, float) else str(value)
    return text if len(text) <= _VALUE_SHOWN else text[: _VALUE_SHOWN - 3] + "..."


def _number(value: object) -> str:
    if isinstance(value, float):
        return "–" if value != value else f"{value:,.6g}"
    return "–" if value is None else cell(value)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="New folder for the invented demo fleet.")],
    seed: Annotated[
        int | None, typer.Option(min=0, help="Seed; default: that of the demo fleet in the repository.")
    ] = None,
    as_extract: Annotated[
        str | None,
        typer.Option(
            help="Hand its tables over as a records office would, to try `new` on: inch or mm, the unit of its lengths."
        ),
    ] = None,
) -> None:
    """Make the invented demo fleet anew: an operator's tables, its questions, and the truth beside them."""
    with bad_input():
        from kit.decisions import RecordError
        from kit.notebook import demo_files
        from kit.simulate import EXTRACT_UNITS, make_demo, make_extract

        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise RecordError(f"{folder}: is there already and not empty. Give a new folder.")
        if as_extract is not None and as_extract not in EXTRACT_UNITS:
            raise RecordError(f"--as-extract {as_extract}: must be {' or '.join(EXTRACT_UNITS)}.")
        writable_folder(folder, str(folder))
        more = {} if seed is None else {"seed": seed}
        if as_extract is None:
            path = make_demo(folder, **more)
            for file in demo_files():
                place = path / file.parent.name if file.parent.name == "questions" else path
                place.mkdir(exist_ok=True)
                shutil.copyfile(file, place / file.name)
        else:
            path = make_extract(folder, unit=as_extract, **more)
    say(f"Invented demo fleet: {path}")


app.add_typer(register_app, name="register")
app.command("sign-off")(sign_off)
for _command in (new, pack, document, sheet, *COMMANDS, *NOTEBOOKS):
    app.command()(_command)


def main() -> None:
    """Run the command line."""
    guard_output()
    # Tables and imports make many objects and few rings: a look for rings at each 700 of them takes a tenth of a command's time.
    gc.set_threshold(50_000, 20, 20)
    # Questions are spread over the cores; threads of linear algebra beside them would get in their way.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        app()
    finally:
        sys.stdout.flush()  # what is held back may not find room


if __name__ == "__main__":
    main()
