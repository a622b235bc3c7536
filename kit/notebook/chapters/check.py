"""Notebook 01: can an extract be trusted, and as of when."""

from __future__ import annotations

import pandas as pd

from kit.findings import (
    Fleet,
    ReportingDelay,
    RightEdge,
    coverage_table,
    lineage,
    panel_history,
    right_edge,
)
from kit.notebook.tell import NoAnswer
from kit.numerics.words import in_words, percent

_AGES = (5, 10, 30, 90, 180, 360)  # days after an event
_MONTHS = 6  # newest months that hindsight looks at


def set_aside_table(rejected: pd.DataFrame) -> pd.DataFrame:
    """Count the rows set aside, by table and reason.

    Parameters
    ----------
    rejected : DataFrame
        Problems of rows that were set aside, as a fleet lists them.

    Returns
    -------
    DataFrame
        Columns rows, first_row, mend.
    """
    once = rejected.drop_duplicates(["table", "row"])
    return once.groupby(["table", "reason"]).agg(
        rows=("row", "size"), first_row=("row", "first"), mend=("mend", "first")
    )


def warned_table(fleet: Fleet, *, most: int = 8) -> pd.DataFrame:
    """Count the warnings, by table and reason, the commonest first.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    most : int
        Lines.

    Returns
    -------
    DataFrame
        Column rows.
    """
    once = fleet.warnings.drop_duplicates(["table", "row", "reason"])
    return (
        once.groupby(["table", "reason"])
        .size()
        .sort_values(ascending=False)
        .rename("rows")
        .to_frame()
        .head(most)
    )


def shares_set_aside(fleet: Fleet, rejected: pd.DataFrame) -> pd.DataFrame:
    """Count rows accepted, set aside and warned of, by table, the worst first.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    rejected : DataFrame
        Problems of rows that were set aside.

    Returns
    -------
    DataFrame
        Columns accepted, set_aside, warned, share_set_aside.
    """
    table = pd.DataFrame({"accepted": {name: len(rows) for name, rows in fleet.tables.items()}})
    for name, problems in (("set_aside", rejected), ("warned", fleet.warnings)):
        table[name] = problems.drop_duplicates(["table", "row"])["table"].value_counts()
    table = table.fillna(0).astype(int)
    of = (table["accepted"] + table["set_aside"]).clip(lower=1)
    table["share_set_aside"] = (table["set_aside"] / of).round(5)
    return table.sort_values("share_set_aside", ascending=False, kind="stable")


def worst_words(shares: pd.DataFrame) -> str:
    """Say which table is worst, and how many rows are set aside of all.

    Parameters
    ----------
    shares : DataFrame
        What `shares_set_aside` gave.

    Returns
    -------
    str
        Sentences.
    """
    aside, of = shares["set_aside"].sum(), shares[["accepted", "set_aside"]].sum().sum()
    if not aside:
        return f"None of {of:,} current rows is set aside."
    name, row = shares.index[0], shares.iloc[0]
    return (
        f"Worst is {in_words(name)}: {row['set_aside']:.0f} of {row['accepted'] + row['set_aside']:,.0f} current rows are set aside. Of all "
        f"tables, {aside} of {of:,} are."
    )


def changes_words(fleet: Fleet, since: str) -> str:
    """Say how many rows became known after a day, and how many of them bear on the time before it.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    since : str
        The day.

    Returns
    -------
    str
        Sentences.
    """
    changes = fleet.changes(since)
    counts = changes["what"].value_counts().reindex(["added late", "corrected", "withdrawn"], fill_value=0)
    late = changes.loc[changes["what"] == "added late", "lag_days"]
    longest = "" if late.empty else f" The longest lag of a late one is {late.max():,.0f} days."
    return (
        f"{len(changes):,} rows became known after {since}: {counts['added late']} late, {counts['corrected']} corrected, "
        f"{counts['withdrawn']} withdrawn.{longest} {len(fleet.rows_since(since))} of the rows bear on what was known up to {since}: an "
        "analysis made that day did not have them."
    )


def shares_recorded(delay: ReportingDelay, newest: ReportingDelay, newest_from: str) -> pd.DataFrame:
    """Return the share of events recorded by some days after them, for all and for the newest, beside the naive share.

    Parameters
    ----------
    delay, newest : ReportingDelay
        Of all events and of the newest.
    newest_from : str
        First day of the newest.

    Returns
    -------
    DataFrame
        A row an age [days].
    """
    ages = pd.Index(_AGES, name="days after the event")
    return pd.DataFrame(
        {
            "share recorded": delay.share_reported(ages),
            "naive": delay.naive_share_reported(ages),
            f"events from {newest_from}": newest.share_reported(ages),
            "naive for these": newest.naive_share_reported(ages),
        },
        index=ages,
    )


def naive_words(delay: ReportingDelay, newest: ReportingDelay, newest_from: str, *, level: float) -> str:
    """Say how far the naive share is off.

    Parameters
    ----------
    delay, newest : ReportingDelay
        Of all events and of the newest.
    newest_from : str
        First day of the newest.
    level : float
        Share from which a month counts as complete [-].

    Returns
    -------
    str
        Sentences.
    """
    gap, whole = ((one.naive_share - one.share).max() for one in (newest, delay))
    naive = delay.delay_days[delay.naive_share >= level][0]
    return (
        f"The dotted line is the wrong way: it takes the rows known for all that will be. It is up to {gap:.3f} too high for events from "
        f"{newest_from} on and {whole:.3f} for all, where most events are old enough to be complete. {percent(level)} of all are recorded "
        f"within {delay.quantile(level):,.0f} days, the dotted line says {naive:,.0f}."
    )


def short_words(edge: RightEdge) -> str:
    """Say how many of the newest months are not complete and how many rows are still to come.

    Parameters
    ----------
    edge : RightEdge
        What `kit.findings.right_edge` gave.

    Returns
    -------
    str
        Sentences.
    """
    short = edge.to_frame().query("share_known < @edge.level")
    more = (short["rows_expected"] - short["rows"]).sum()
    return (
        f"{len(short)} months are below {percent(edge.level)}. They show {short['rows'].sum()} {edge.table}; about {more:.0f} more are "
        "expected."
    )


def coverage_of(fleet: Fleet, group: str) -> pd.DataFrame:
    """Return what was tapped when on the panels of a group.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    group : str
        Zone group.

    Returns
    -------
    DataFrame
        As `kit.findings.coverage_table` gives it, by position.
    """
    zones = fleet.tables["zones"]
    return coverage_table(fleet, zones=zones.loc[zones["group"] == group, "zone"].tolist(), by="position")


def coverage_words(coverage: pd.DataFrame, group: str) -> str:
    """Say how many looks were recorded and how many are only implied.

    Parameters
    ----------
    coverage : DataFrame
        What `coverage_of` gave.
    group : str
        Zone group.

    Returns
    -------
    str
        Sentences.
    """
    totals = coverage[["recorded", "implied"]].sum()
    if not totals.sum():
        return f"{in_words(group).capitalize()}: no look at all."
    full = coverage.loc[coverage["fitted_days"] >= 365, "without_look"]
    without = f" Of the years fitted throughout, {percent(full.mean())} have no look." if len(full) else ""
    return (
        f"{in_words(group).capitalize()}: {totals['recorded']} recorded looks and {totals['implied']} implied ones, which is "
        f"{percent(totals['implied'] / totals.sum())} of all.{without}"
    )


def panel_shown(fleet: Fleet) -> str:
    """Choose the panel repaired most often, of those that flew on more than one aircraft where there are any.

    Parameters
    ----------
    fleet : Fleet
        As loaded.

    Returns
    -------
    str
        Serial of the panel.

    Raises
    ------
    NoAnswer
        If no panel has a serial.
    """
    family = lineage(fleet)
    if family.empty:
        raise NoAnswer("no panel has a serial, so that none can be followed.")
    moved = family[family["n_aircraft"] > 1]
    some = moved if len(moved) else family
    return str(some.sort_values(["n_repairs", "n_finds", "panel"])["panel"].iloc[-1])


def panel_words(fleet: Fleet, panel: str) -> tuple[str, ...]:
    """Say where a panel flew, what was found on it, and how old it is.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    panel : str
        Its serial.

    Returns
    -------
    tuple of str
        Sentences, the last on all panels.
    """
    family, last = lineage(fleet), panel_history(fleet, panel).iloc[-1]
    one = family.set_index("panel").loc[panel]
    moved, unknown = (family["n_aircraft"] > 1).sum(), family["calendar_days"].isna().sum()
    return (
        f"{panel} was fitted {one['n_fittings']} times, on {one['aircraft'].replace(';', ', then ')}, has {one['n_finds']} findings of damage "
        f"and {one['n_repairs']} repairs. At its last event it had {last['flight_hours']:,.0f} flight hours, and a virtual age of "
        f"{last['virtual_flight_hours']:,.0f} by the restoration factors of its repairs.",
        f"Of {len(family)} panels, {moved} flew on more than one aircraft, and of {unknown} the age is unknown.",
    )


def counted_words(fleet: Fleet, rejected: pd.DataFrame) -> str:
    """Count findings from the rows as they were read, beside those that the kit accepts.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    rejected : DataFrame
        Problems of rows that were set aside.

    Returns
    -------
    str
        Sentences.
    """
    written = fleet.as_read["findings"].text
    replaced = (
        written["finding"].isin(written["replaces"]) & ~written["replaces"].eq(written["finding"])
    ).sum()
    aside = rejected.loc[rejected["table"] == "findings", "row"].nunique()
    left, accepted = len(written) - replaced - aside, len(fleet.tables["findings"])
    return (
        f"Findings: {len(written):,} rows, {replaced} replaced, {aside} set aside, {left:,} left. The kit accepts {accepted:,}: "
        f"{'the same' if left == accepted else '**NOT the same**'}."
    )


def hindsight(fleet: Fleet, day: str, *, level: float) -> pd.DataFrame:
    """Set what would have been said of the newest months on an earlier day beside what is known of them today.

    Parameters
    ----------
    fleet : Fleet
        As known today.
    day : str
        The earlier day.
    level : float
        Share from which a month counts as complete [-].

    Returns
    -------
    DataFrame
        By month: rows known then, share_known and rows_expected as said then, known_today.
    """
    then = right_edge(fleet.as_known_on(day), level).to_frame().tail(_MONTHS).set_index("month")
    written = fleet.as_read["findings"].text
    first = written.loc[written["replaces"] == "", "found_on"]
    months = pd.to_datetime(first, format="%Y-%m-%d", errors="coerce").dt.to_period("M").dt.start_time
    then["known_today"] = months.value_counts().reindex(then.index, fill_value=0)
    return then


def hindsight_words(table: pd.DataFrame, day: str) -> str:
    """Say how far the estimate of then, and the plain count of then, are from what is known today.

    Parameters
    ----------
    table : DataFrame
        What `hindsight` gave.
    day : str
        The earlier day.

    Returns
    -------
    str
        Sentences.
    """
    rows, expected, today = table[["rows", "rows_expected", "known_today"]].sum()
    return (
        f"On {day}, {rows:.0f} findings of these months were known and {expected:.1f} were expected in the end. Today {today:.0f} are in the "
        f"file: the estimate is off by {expected - today:+.1f}, the plain count by {rows - today:+.0f}. Chance alone moves the number still "
        f"to come by about {max(expected - rows, 0.0) ** 0.5:.0f}."
    )


def heap_words(fleet: Fleet) -> str:
    """Say whether rows heap on the last day known, as an extract stamped on the day it was drawn shows.

    Parameters
    ----------
    fleet : Fleet
        As loaded.

    Returns
    -------
    str
        One sentence.
    """
    cards = fleet.tables["cards"]["recorded_on"].value_counts()
    usual = f"{cards.median():.0f}" if len(cards) else "none"
    return f"Cards recorded on the last day known: {cards.get(fleet.known_on, 0)}; on a usual day with any, {usual}."


def answer_words(
    fleet: Fleet, rejected: pd.DataFrame, delay: ReportingDelay, edge: RightEdge
) -> tuple[str, ...]:
    """Say the notebook's answer.

    Parameters
    ----------
    fleet : Fleet
        As loaded.
    rejected : DataFrame
        Problems of rows that were set aside.
    delay : ReportingDelay
        Of all findings.
    edge : RightEdge
        Of the findings.

    Returns
    -------
    tuple of str
        Sentences.
    """
    shares = shares_set_aside(fleet, rejected)
    share = shares["set_aside"].sum() / shares[["accepted", "set_aside"]].sum().sum()
    warned = len(fleet.warnings.drop_duplicates(["table", "row", "reason"]))
    end = edge.incomplete_from - pd.Timedelta(days=1) if edge.is_short else fleet.cut_off
    then = (
        "End an analysis there, or say that later months will rise."
        if edge.is_short
        else "No month needs to be left out."
    )
    return (
        f"As known on {fleet.known_on:%Y-%m-%d}, **{percent(share)}** of the current rows are set aside with a reason, and there are "
        f"{warned} warnings on rows that are used.",
        f"Findings can be taken as complete to {percent(edge.level)} up to **{end:%Y-%m-%d}**; half of them are recorded within "
        f"{delay.quantile(0.5):.0f} days and {percent(edge.level)} within {delay.quantile(edge.level):.0f}. {then}",
    )
