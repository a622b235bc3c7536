"""The command that ranks zones."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from kit.cautions import CAUTIONS
from kit.commands.shell import (
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
)

if TYPE_CHECKING:
    import pandas as pd

    from kit.findings import Fleet
    from kit.ranking import RankingSettings, Selection


def rank(
    source: Source,
    by: Annotated[str, typer.Option(help="group or zone.")] = "group",
    kind: Annotated[str, typer.Option(help="Damage type, or all.")] = "all",
    worst: Annotated[int, typer.Option(help="Number k of the chance to be among the worst k.")] = 3,
    since: Annotated[str | None, typer.Option(help="First day that counts (YYYY-MM-DD).")] = None,
    until: Annotated[str | None, typer.Option(help="Last day that counts (YYYY-MM-DD).")] = None,
    method: Annotated[
        list[str] | None, typer.Option(help="Methods that count; give it once for each.")
    ] = None,
    subtype: Annotated[list[str] | None, typer.Option(help="Subtypes that count; once for each.")] = None,
    climate: Annotated[list[str] | None, typer.Option(help="Climates that count; once for each.")] = None,
    aircraft: Annotated[list[str] | None, typer.Option(help="Aircraft that count; once for each.")] = None,
    task: Annotated[
        list[str] | None, typer.Option(help="Tasks whose looks count, with --rates-only; once for each.")
    ] = None,
    purpose: Annotated[
        list[str] | None,
        typer.Option(
            help="routine, reinspection, campaign or 'not planned', with --rates-only; once for each."
        ),
    ] = None,
    cause: Annotated[
        list[str] | None, typer.Option(help="Causes that count, with --rates-only; once for each.")
    ] = None,
    settings: Annotated[
        Path | None,
        typer.Option(
            help="PODs by skin, false calls and clocks (TOML). Default: ranking.toml of the source."
        ),
    ] = None,
    rates_only: Annotated[
        bool, typer.Option("--rates-only", help="Rates of finds alone, nothing corrected.")
    ] = False,
    strict: Strict = False,
    as_json: AsJson = False,
) -> None:
    """Rank zones by the damage that arises there, beside what was found: who leads, how sure, how bad."""
    with bad_input():
        from kit.findings import KINDS
        from kit.intervals import QuestionError
        from kit.ranking import (
            DISBOND_KINDS,
            RankingSettings,
            Selection,
            SettingsError,
            rank_by_damage,
            rank_zones,
            severity_table,
            trend_table,
        )

        if by not in ("group", "zone") or kind not in ("all", *KINDS) or worst < 1:
            raise QuestionError(
                f"--by must be group or zone, --kind all or one of {', '.join(KINDS)} and --worst at least 1. "
                f"Got --by {by} --kind {kind} --worst {worst}."
            )
        fleet = load_aside(source, strict=strict)
        selection = Selection(
            since=since,
            until=until,
            methods=method or None,
            subtypes=subtype or None,
            climates=climate or None,
            aircraft=aircraft or None,
            tasks=task or None,
            purposes=purpose or None,
            causes=cause or None,
        )
        kinds = list(DISBOND_KINDS) if kind == "all" else [kind]
        seen = [name for name in kinds if name in set(fleet.damage["kind"])]
        try:
            ask = RankingSettings.of_source(source) if settings is None else RankingSettings.read(settings)
            rates = rank_zones(fleet, by=by, kinds=seen, selection=selection, worst=worst)
            made = None
            if not rates_only:
                made = rank_by_damage(fleet, settings=ask, by=by, kinds=seen or kinds, selection=selection)
                severity = severity_table(fleet, by=by, kinds=kinds, selection=selection)
                trend = trend_table(fleet, by=by, kinds=kinds, selection=selection)
        except (SettingsError, ValueError) as problem:
            raise QuestionError(str(problem)) from None
    shown = rates.loc[rates["kind"] == kind]
    if made is None:
        if as_json:
            print_json(_of_ranking(fleet, selection, rates=shown))
            return
        show(_rates_table(shown, by, kind))
        say(notice(fleet))
        say("Finds, not damage: what looks missed is not counted.")
    else:
        one = made.kinds.get(kind) or next(iter(made.kinds.values()))
        table = one.to_frame(k=worst)
        if as_json:
            print_json(
                _of_ranking(fleet, selection, rates=shown)
                | {
                    "damage": plain(made.to_frame(k=worst)),
                    "may_be_worst": list(one.ranks.may_be_worst()),
                    "not_told_apart": [list(names) for names in one.ranks.sets()],
                    "severity": plain(severity.reset_index()),
                    "trend": plain(trend.reset_index()),
                    "assumptions": list(one.assumptions),
                }
            )
            return
        show(_damage_table(table, severity, trend, by, kind, worst))
        say(notice(fleet))
        say(f"What counts: {selection.words()}.")
        say(f"The worst is one of {', '.join(one.ranks.may_be_worst())} (95 %).")
        for names in one.ranks.sets():
            if len(names) > 1:
                say(f"Indistinguishable: {', '.join(names)}.")
        for name, row in table.loc[table["why"] != ""].iterrows():
            say(f"{name}: rank {row['raw_rank']} by finds, {row['rank']} by damage: {row['why']}.")
        for words in one.assumptions:
            say(f"Assumed: {words}.")
        if not _is_by_skin(ask):
            say(
                "Warning: skins are not distinguished, so that a thick skin still looks better than it is. Give --settings."
            )
    for caution in CAUTIONS:
        say(f"- {caution}")


def _is_by_skin(ask: RankingSettings) -> bool:
    return len(ask.skin_classes) > 1


def _of_ranking(fleet: Fleet, selection: Selection, *, rates: pd.DataFrame) -> dict[str, object]:
    return {
        "dataset": fleet.name,
        "notice": fleet.notice,
        "selection": selection.words(),
        "ranking": plain(rates),
        "cautions": list(CAUTIONS),
    }


def _rates_table(frame: pd.DataFrame, by: str, kind: str) -> Table:
    table = Table(title=f"{kind}: finds by {by}, with exact 95 % Poisson bounds")
    for name in (
        by,
        "finds",
        "panel FH",
        "looks",
        "per 1,000 panel FH",
        "per routine look",
        "per m² of skin",
        "rank by count",
        "by rate",
        "chance to lead",
    ):
        table.add_column(name, justify="left" if name == by else "right")
    for row in frame.to_dict("records"):
        table.add_row(
            cell(row[by]),
            str(row["finds"]),
            f"{row['panel_flight_hours']:,.0f}",
            f"{row['looks']:,}",
            *(
                f"{row[r]:.3g} ({row[f'{r}_lower']:.3g} to {row[f'{r}_upper']:.3g})"
                for r in ("per_1000_fh", "per_routine_look", "per_m2")
            ),
            str(row["rank_by_count"]),
            str(row["rank_by_rate"]),
            f"{row['p_worst']:.2f}",
        )
    return table


def _damage_table(
    frame: pd.DataFrame, severity: pd.DataFrame, trend: pd.DataFrame, by: str, kind: str, worst: int
) -> Table:
    k = min(worst, len(frame))
    table = Table(title=f"{kind}: damage that arises per 1,000 panel flight hours by {by}, worst first")
    for name in (
        by,
        "rank",
        "by finds",
        "found",
        "expected",
        "false calls",
        "share found",
        "rate (90 %)",
        "ranks (90 %)",
        "chance to be worst",
        f"among worst {k}",
        "beyond limit",
        "trend",
    ):
        table.add_column(name, justify="left" if name == by else "right")
    for name, row in frame.iterrows():
        table.add_row(
            cell(name),
            str(row["rank"]),
            str(row["raw_rank"]),
            f"{row['found']:.0f}",
            f"{row['expected']:.1f}",
            f"{row['false_calls']:.1f}",
            cell(f"{min(row['detected'], 1.0):.0%}"),
            f"{row['rate']:.3g} ({row['rate_lower']:.2g} to {row['rate_upper']:.2g})",
            f"{row['rank_lower']} to {row['rank_upper']}",
            f"{row['p_worst']:.2f}",
            f"{row[f'p_among_worst_{k}']:.2f}",
            str(severity["beyond"].get(name, 0)),
            str(trend["direction"].get(name, "")),
        )
    return table
