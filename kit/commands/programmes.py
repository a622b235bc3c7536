"""The commands about programmes: panels, compare, forecast, sensitivity."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol

import typer
from rich.table import Table

from kit.cautions import CAUTIONS
from kit.commands.shell import (
    NO,
    AsJson,
    Source,
    Strict,
    bad_input,
    cell,
    load_aside,
    notice,
    plain,
    print_json,
    say,
    show,
    steps,
    writable_file,
)
from kit.numerics.forked import forked_map
from kit.numerics.words import number, signed

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    import pandas as pd
    from matplotlib.axes import Axes

    from kit.findings import Fleet

Asked = Annotated[
    Path, typer.Option("--question", "-q", help="The question's TOML file: group, damage types, POD.")
]
Figure = Annotated[Path | None, typer.Option(help="Write the figure, too: a PNG, SVG or PDF file.")]
_PICTURES = (".png", ".svg", ".pdf")
Draws = Annotated[int, typer.Option(min=50, max=2000, help="Joint draws.")]
CostFile = Annotated[Path | None, typer.Option("--costs", help="TOML file with the tables cost and hours.")]
UsageFile = Annotated[
    Path | None,
    typer.Option(
        "--usage",
        help="TOML file with until and the tables parked and rate: what departs from planned usage.",
    ),
]


class Result(Protocol):
    """What every answer of this module has."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences."""

    def to_frame(self) -> pd.DataFrame:
        """Return the answer as a table."""


def _show(
    fleet: Fleet,
    results: list[Result],
    tables: list[Table],
    *,
    as_json: bool,
    figure: Path | None,
    plot: Callable[[ModuleType], Axes],
    more: dict[str, object] | None = None,
) -> None:
    """Print answers as tables, sentences, assumptions and cautions, or as one JSON document."""
    if figure is not None:
        from kit import figures  # slow to load

        axes: Axes = plot(figures)
        figures.as_written(axes.figure)
        axes.figure.savefig(figure, dpi=120)
    own = [line for one in results for line in one.cautions if line not in CAUTIONS]
    cautions = (*dict.fromkeys(own), *CAUTIONS)
    assumptions = tuple(dict.fromkeys(line for one in results for line in one.assumptions))
    words = [line for one in results for line in one.words()]
    if as_json:
        print_json(
            {
                "dataset": fleet.name,
                "notice": fleet.notice,
                "known_on": f"{fleet.known_on:%Y-%m-%d}",
                "answer": plain(results[0].to_frame()),
                **(more or {}),
                "words": words,
                "assumptions": assumptions,
                "cautions": cautions,
            }
        )
        return
    for table in tables:
        show(table)
    for line in words:
        say(line)
    say(notice(fleet))
    for line in assumptions:
        say(f"  assumed: {line}")
    for line in cautions:
        say(f"- {line}")
    if figure is not None:
        say(f"Figure: {figure}")


def _table(title: str, columns: list[tuple[str, str]], rows: list[list[str]]) -> Table:
    table = Table(title=title)
    for name, side in columns:
        table.add_column(name, justify=side)
    for row in rows:
        table.add_row(*(cell(text) for text in row))
    return table


def _bounds(value: float, low: float, high: float, form: str) -> str:
    return f"{format(value, form)} ({format(low, form)} to {format(high, form)})"


def panels(
    source: Source,
    question: Asked,
    top: Annotated[int, typer.Option(min=1, help="Panels that the table shows; JSON has all.")] = 20,
    draws: Draws = 200,
    figure: Figure = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """List which panels to tap first: chance of unfound damage today, and what a look takes away."""
    with bad_input():
        from kit.programmes import present_state

        writable_file(figure, "--figure", *_PICTURES)
        fleet = load_aside(source, strict=strict)
        with steps("panels", quiet=as_json) as tell:
            state = present_state(fleet, question, draws=draws, run=forked_map, say=tell)
        rows = [
            [
                row.panel,
                row.aircraft,
                row.zone,
                "never" if row.last_look != row.last_look else f"{row.last_look:%Y-%m-%d}",
                "unknown" if not row.is_age_known else f"{row.age_hours:,.0f}",
                _bounds(row.damage, row.damage_lower, row.damage_upper, ".1%"),
                _bounds(row.beyond, row.beyond_lower, row.beyond_upper, ".1%"),
                f"{row.removed:.1%}",
                ""
                if row.known_mm != row.known_mm
                else f"{row.known_mm:.0f} mm, beyond {row.known_beyond:.0%}",
            ]
            for row in state.frame.head(top).itertuples()
        ]
        columns = [
            ("panel", "left"),
            ("aircraft", "left"),
            ("zone", "left"),
            ("last look", "left"),
            ("age [FH]", "right"),
        ]
        columns += [
            ("unfound damage", "right"),
            ("beyond the limit", "right"),
            ("a look takes away", "right"),
            ("known damage", "left"),
        ]
        table = _table(
            f"{state.group.ask.group}: panels to tap first, with 5 % and 95 % of the draws", columns, rows
        )
        _show(
            fleet,
            [state],
            [table],
            as_json=as_json,
            figure=figure,
            plot=lambda figures: figures.plot_panels(state),
        )


def compare(
    source: Source,
    question: Asked,
    repeat: Annotated[float, typer.Option(help="Proposed repeat, on the question's clock.")],
    first: Annotated[
        float | None,
        typer.Option(
            help="Proposed initial inspection (threshold), on the question's clock; default the repeat."
        ),
    ] = None,
    days: Annotated[
        float | None, typer.Option(help="Proposed repeat in days, where that comes first.")
    ] = None,
    starts_on: Annotated[
        str | None, typer.Option(help="Day from which it holds (YYYY-MM-DD); default today's.")
    ] = None,
    phase_in_days: Annotated[
        float, typer.Option(help="Time over which looks that it makes late are spread, in days.")
    ] = 0.0,
    zone: Annotated[
        list[str] | None, typer.Option(help="Zones that it looks at; default all of the group.")
    ] = None,
    aircraft: Annotated[
        list[str] | None, typer.Option(help="Aircraft that it holds for; default all.")
    ] = None,
    pod: Annotated[str | None, typer.Option(help="POD of its looks, by name in the register.")] = None,
    years: Annotated[int, typer.Option(help="Horizon in years.")] = 5,
    costs: CostFile = None,
    usage: UsageFile = None,
    draws: Draws = 200,
    figure: Figure = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Hold a proposed programme against the one in force, on the same damage, and say what an extension needs."""
    with bad_input():
        from kit.intervals import Evidence, read_question
        from kit.programmes import (
            Costs,
            Programme,
            UsagePlan,
            as_day,
            compare_programmes,
            extension_evidence,
        )

        writable_file(figure, "--figure", *_PICTURES)
        fleet = load_aside(source, strict=strict)
        ask = read_question(question)
        evidence = Evidence(fleet).as_known_on(ask.known_on)
        proposed = Programme.every(  # what cannot be done is refused before anything is worked out
            evidence,
            ask,
            repeat,
            first=first,
            days=days,
            starts_on=None if starts_on is None else as_day("--starts-on", "the day", starts_on),
            phase_in_days=phase_in_days,
            zones=zone,
            aircraft=aircraft,
            pod=pod,
        )
        plan = None if usage is None else UsagePlan.read(usage)
        paid = None if costs is None else Costs.read(costs)
        with steps("compare", quiet=as_json) as tell:
            change = compare_programmes(
                evidence,
                ask,
                proposed=proposed,
                years=years,
                costs=paid,
                usage=plan,
                draws=draws,
                run=forked_map,
                say=tell,
            )
            group = change.group
            extension = extension_evidence(group, repeat, usage=plan, years=min(years, 5), say=tell)
        names = [name.removesuffix("_difference") for name in change.frame if name.endswith("_difference")]
        columns = [("year", "left"), *((name.replace("_", " "), "right") for name in names)]
        rows = [
            [
                row["year"],
                *(
                    f"{number(row[f'{n}_present'])} → {number(row[f'{n}_proposed'])}"
                    + (
                        ""
                        if n == "looks"
                        else f"\n({signed(row[f'{n}_lower'])} to {signed(row[f'{n}_upper'])})"
                    )
                    for n in names
                ),
            ]
            for row in change.frame.to_dict("records")
        ]
        title = (
            f"{group.ask.group}: in force → proposed; bounds of the difference, 5 % to 95 %, luck included"
        )
        more = {
            "extension": plain(extension.to_frame()),
            "clean_looks_needed": extension.needed,
            "ready_on": None if extension.ready_on is None else f"{extension.ready_on:%Y-%m-%d}",
            "monitoring": vars(extension.rule),
        }
        _show(
            fleet,
            [change, extension],
            [_table(title, columns, rows)],
            as_json=as_json,
            figure=figure,
            plot=lambda figures: figures.plot_change(change),
            more=more,
        )
        if change.exceeds_cap:
            raise typer.Exit(NO)


def forecast(
    source: Source,
    question: Asked,
    quarters: Annotated[int, typer.Option(help="Quarters ahead.")] = 8,
    back_test: Annotated[
        int, typer.Option("--back-test", min=0, help="Past year-ends at which it is tried; 0 for none.")
    ] = 0,
    costs: CostFile = None,
    usage: UsageFile = None,
    draws: Draws = 200,
    figure: Figure = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Forecast finds, repairs and hours by quarter, and say how past forecasts did."""
    with bad_input():
        from kit.intervals import Evidence
        from kit.programmes import Costs, UsagePlan, forecast_finds
        from kit.programmes import back_test as try_back

        writable_file(figure, "--figure", *_PICTURES)
        fleet = load_aside(source, strict=strict)
        evidence = Evidence(fleet)
        with steps("forecast", quiet=as_json) as tell:
            made = forecast_finds(
                evidence,
                question,
                quarters=quarters,
                usage=None if usage is None else UsagePlan.read(usage),
                costs=None if costs is None else Costs.read(costs),
                draws=draws,
                run=forked_map,
                say=tell,
            )
            tried = (
                None
                if not back_test
                else try_back(evidence, question, years=back_test, run=forked_map, say=tell)
            )
        names = [name for name in ("finds", "repairs", "hours") if name in made.frame]
        rows = [
            [
                row["quarter"],
                f"{row['ends']:%Y-%m-%d}",
                f"{row['looks']:,.0f}",
                *(
                    _bounds(row[n], row[f"{n}_lower"], row[f"{n}_upper"], ",.1f" if n != "hours" else ",.0f")
                    for n in names
                ),
            ]
            for row in made.frame.to_dict("records")
        ]
        columns = [
            ("quarter", "left"),
            ("to", "left"),
            ("looks", "right"),
            *((name, "right") for name in names),
        ]
        tables = [
            _table(f"{made.group.ask.group}: what will be found, with {made.level:.0%} limits", columns, rows)
        ]
        if tried is not None:
            past = [
                [
                    f"{row['known_on']:%Y-%m-%d}",
                    _bounds(row["finds"], row["finds_lower"], row["finds_upper"], ".1f"),
                    f"{row['came']:.0f}",
                    "yes" if row["inside"] else "NO",
                    f"{row['looks']:.0f} / {row['looks_made']:.0f}",
                ]
                for row in tried.frame.to_dict("records")
            ]
            heads = [
                ("as known on", "left"),
                ("finds of the year after", "right"),
                ("came", "right"),
                ("inside", "left"),
                ("looks planned / made", "right"),
            ]
            tables.append(_table("Past forecasts", heads, past))
        _show(
            fleet,
            [made] if tried is None else [made, tried],
            tables,
            as_json=as_json,
            figure=figure,
            plot=lambda figures: (
                figures.plot_forecast(made) if tried is None else figures.plot_back_test(tried)
            ),
            more=None
            if tried is None
            else {
                "back_test": plain(tried.to_frame()),
                "by_damage_type": plain(tried.by_kind),
                "coverage": tried.coverage,
            },
        )


def sensitivity(
    source: Source,
    question: Asked,
    worth: Annotated[bool, typer.Option(help="Work out what more evidence is worth, too.")] = True,
    draws: Draws = 96,
    figure: Figure = None,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Re-run a question with each stated or assumed value low and high: what moves the interval, and how far."""
    with bad_input():
        from kit.programmes import tornado

        writable_file(figure, "--figure", *_PICTURES)
        fleet = load_aside(source, strict=strict)
        with steps("sensitivity", quiet=as_json) as tell:
            result = tornado(fleet, question, draws=draws, worth=worth, run=forked_map, say=tell)
        rows = [
            [
                row.name,
                number(row.base) if row.unit == "-" else f"{number(row.base)} {row.unit}",
                number(row.low),
                f"{row.interval_low:,.0f}",
                number(row.high),
                f"{row.interval_high:,.0f}",
                f"{row.moves:,.0f}",
                row.basis,
            ]
            for row in result.frame.itertuples()
        ]
        columns = [
            ("value", "left"),
            ("stated", "right"),
            ("low", "right"),
            ("interval at low", "right"),
            ("high", "right"),
            ("interval at high", "right"),
            ("moves it by", "right"),
            ("range", "left"),
        ]
        title = f"{result.ask.name}: {result.base:,.0f} {result.ask.clock.replace('_', ' ')} by the risk rule as stated"
        _show(
            fleet,
            [result],
            [_table(title, columns, rows)],
            as_json=as_json,
            figure=figure,
            plot=lambda figures: figures.plot_tornado(result),
            more={"interval": result.base, "worth": plain(result.worth)},
        )
        if not result.base:
            raise typer.Exit(NO)


COMMANDS = (panels, compare, forecast, sensitivity)
"""In the order in which help lists them."""
