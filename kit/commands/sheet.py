"""The command that makes tap-test sheets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from kit.cautions import CAUTIONS
from kit.commands.shell import (
    AsJson,
    Source,
    Strict,
    bad_input,
    load_aside,
    notice,
    print_json,
    say,
    steps,
    writable_file,
)

if TYPE_CHECKING:
    import pandas as pd

    from kit.intervals import Evidence


def sheet(
    source: Source,
    out: Annotated[Path, typer.Option(help="The PDF file.")],
    panel: Annotated[
        list[str] | None, typer.Option("--panel", "-p", help="Serial of a fitted panel; repeat it for more.")
    ] = None,
    aircraft: Annotated[str | None, typer.Option("--aircraft", "-t", help="Aircraft; with --check.")] = None,
    check: Annotated[
        str | None, typer.Option(help="Package of the dataset, or task, such as 'base check'.")
    ] = None,
    question: Annotated[
        list[Path] | None,
        typer.Option(
            "--question",
            "-q",
            help="Question of a group: its panels go by present risk, not by due date; repeat it for more.",
        ),
    ] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter.")] = "a4",
    size: Annotated[
        float | None,
        typer.Option(
            help="Diameter of damage that the grid must meet, in mm; default the smallest allowable."
        ),
    ] = None,
    aspect: Annotated[float, typer.Option(help="Its length over width.")] = 2.0,
    chance: Annotated[float, typer.Option(help="Chance that a tap lands on it.")] = 0.9,
    draws: Annotated[int, typer.Option(min=50, max=2000, help="Joint draws, with --question.")] = 200,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Make tap-test sheets to scale: outline, grid, earlier damage, limits, boxes for readings, method and cautions."""
    with bad_input():
        from kit.intervals import Evidence, QuestionError
        from kit.tap_sheets import PAPERS, check_sheets, panel_sheets, write_sheets

        if paper not in PAPERS:
            raise QuestionError(f"--paper {paper!r}: must be {' or '.join(PAPERS)}.")
        if bool(panel) == bool(aircraft) or bool(aircraft) != bool(check):
            raise QuestionError("Give either --panel, or --aircraft with --check.")
        if question and panel:
            raise QuestionError(
                "--question orders the panels of a check: give it with --aircraft and --check."
            )
        writable_file(out, "--out")
        evidence = Evidence(load_aside(source, strict=strict))
        grid = {"size_mm": size, "aspect": aspect, "chance": chance}
        left_out: tuple[str, ...] = ()
        with steps("sheet", quiet=as_json) as tell:
            if panel:
                title = "panels as asked"
                made = panel_sheets(evidence, panel, **grid)
            else:
                title = f"{aircraft}, {check}"
                present = _present(evidence, question or (), draws=draws, say=tell)
                made, left_out = check_sheets(evidence, aircraft, check, present=present, **grid)
            n_pages = write_sheets(made, out, paper=paper, title=title, say=tell)
    rows = [
        {
            "sheet": k + 1,
            "panel": one.panel,
            "zone": one.zone,
            "order": one.order,
            "pitch_mm": one.pitch_mm,
            "wanted_mm": one.size_mm,
            "taps": len(one.taps),
            "earlier_damage": len(one.damage),
            "repairs": len(one.repairs),
        }
        for k, one in enumerate(made)
    ]
    own = tuple(dict.fromkeys(line for one in made for line in one.cautions if line not in CAUTIONS))
    if as_json:
        print_json(
            {
                "dataset": evidence.fleet.name,
                "notice": evidence.fleet.notice,
                "file": str(out),
                "pages": n_pages,
                "sheets": rows,
                "left_out": left_out,
                "cautions": [*own, *CAUTIONS],
            }
        )
        return
    for row in rows:
        say(
            f"{row['sheet']:>3}  {row['panel']} ({row['zone']}): {row['order']}; {row['taps']:,} taps at {row['pitch_mm']:g} mm "
            f"for {row['wanted_mm']:g} mm; earlier damage {row['earlier_damage']}, repairs {row['repairs']}"
        )
    for line in left_out:
        say(f"left out: {line}")
    say(notice(evidence.fleet))
    for line in (*own, *CAUTIONS):
        say(f"- {line}")
    say(
        f"{len(made)} {'sheet' if len(made) == 1 else 'sheets'}, {n_pages} pages: {out}. Print at 100 % and check the bar of 100 mm."
    )


def _present(
    evidence: Evidence, questions: Sequence[Path], *, draws: int, say: Callable[[str], None]
) -> list[pd.DataFrame]:
    """Judge the panels of each question, on all cores.

    The first is judged by itself: what it works out of the whole fleet, such as growth, the others find done.
    """
    from kit.numerics.forked import forked_map
    from kit.programmes import present_state

    first = [present_state(evidence, path, draws=draws, say=say).to_frame() for path in questions[:1]]
    rest = forked_map(lambda path: present_state(evidence, path, draws=draws).to_frame(), questions[1:])
    return [*first, *rest]
