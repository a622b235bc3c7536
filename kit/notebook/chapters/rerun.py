"""Notebook 06: a past decision run again."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pandas as pd

from kit.decisions import INTERACTION, Causes, DecisionRecord, Rerun
from kit.findings import Fleet
from kit.numerics.words import in_words

_OF_THE_GROUP = ("findings", "repairs", "inspections", "tasks", "limits")


def decided_words(then: DecisionRecord) -> tuple[str, ...]:
    """Say what was asked and decided.

    Parameters
    ----------
    then : DecisionRecord
        The record.

    Returns
    -------
    tuple of str
        Sentences.
    """
    asked, answer = then.question, then.recommendation
    first = (
        "no first look"
        if answer.threshold is None
        else f"initial inspection at {answer.threshold:,.0f} {in_words(asked.clock)}"
    )
    return (
        f"**{then.name}**, decided on what was known on {then.known_on}: {asked.title}",
        f"Decided: {first}; then {answer.repeat_in_words}.",
        f"Group {in_words(asked.group)}. Target: {asked.target.words}. Seed {asked.seed}.",
    )


def verdict_words(result: Rerun) -> tuple[str, ...]:
    """Say the verdict and what speaks against the record, the versions of the software aside.

    Parameters
    ----------
    result : Rerun
        What `kit.rerun` gave.

    Returns
    -------
    tuple of str
        Sentences.
    """
    numbers = result.to_frame()
    against = [f"- {reason}" for reason in result.reasons if not reason.startswith("software")]
    return (
        f"Verdict: **{'; '.join(result.verdicts)}**. {int(numbers['same'].sum())} of {len(numbers)} quantities come out again.",
        "\n".join(against) or "No other reason to doubt it.",
    )


def software(result: Rerun) -> pd.DataFrame:
    """Set the versions of then beside those of today.

    Parameters
    ----------
    result : Rerun
        What `kit.rerun` gave.

    Returns
    -------
    DataFrame
        Columns then and now.
    """
    return pd.DataFrame({"then": result.then.software, "now": result.now.software})


def sentence(words: str) -> str:
    """Return words that begin small and have no full stop as a sentence.

    Parameters
    ----------
    words : str
        Such as a list of reasons.

    Returns
    -------
    str
        With a capital and a full stop.
    """
    return f"{words[:1].upper()}{words[1:].rstrip('.')}."


def causes_words(causes: Causes) -> tuple[str, ...]:
    """Say how causes are counted, and what each did.

    Parameters
    ----------
    causes : Causes
        What `kit.decisions.causes_of` gave.

    Returns
    -------
    tuple of str
        Sentences.
    """
    return (sentence(INTERACTION), *causes.words())


def rows_since_table(result: Rerun) -> pd.DataFrame:
    """Count the rows that became known since, by table and by what they are.

    Parameters
    ----------
    result : Rerun
        What `kit.rerun` gave.

    Returns
    -------
    DataFrame
        A row a table; empty where none became known.
    """
    return result.rows_since.groupby(["table", "what"]).size().unstack(fill_value=0)


def rows_of_the_question(rows: pd.DataFrame, *, most: int) -> pd.DataFrame:
    """Keep the rows that people enter, in the order in which they were recorded.

    Parameters
    ----------
    rows : DataFrame
        What `kit.decisions.rows_of_group` gave.
    most : int
        Rows.

    Returns
    -------
    DataFrame
        Rows of findings, repairs, inspections, tasks and limits.
    """
    kept = rows.loc[rows["table"].isin(_OF_THE_GROUP)]
    return kept.sort_values(["table", "recorded_on", "id"]).head(most).reset_index(drop=True)


def rows_since_words(result: Rerun, own: pd.DataFrame) -> tuple[str, ...]:
    """Say how many rows became known since, and what they did to the finds.

    Parameters
    ----------
    result : Rerun
        What `kit.rerun` gave.
    own : DataFrame
        Those of its rows that concern the group, as `kit.decisions.rows_of_group` gives them.

    Returns
    -------
    tuple of str
        Sentences.
    """
    every, group = result.rows_since, in_words(result.then.question.group)
    if every.empty:
        return ("No row that bears on that time was recorded since.",)
    finds = own.loc[own["table"] == "findings"]
    counts = finds["what"].value_counts().reindex(["late", "corrected", "withdrawn"], fill_value=0)
    wait = (finds["recorded_on"] - finds["event_date"]).dt.days
    middle = "" if finds.empty else f", recorded {wait.median():,.0f} days after the find in the middle case"
    in_fits = {
        "then": result.then,
        "known now": result.known_now,
        "to date": result.today,
    }
    lives = ", ".join(
        f"{name} {sum(mode.finds for mode in record.modes):.0f}"
        for name, record in in_fits.items()
        if record is not None
    )
    return (
        f"{len(every):,} rows recorded later bear on that time; {len(own)} of them name the {group}. {len(finds)} of those are findings "
        f"({counts['late']} late, {counts['corrected']} corrected, {counts['withdrawn']} withdrawn){middle}.",
        f"Lives with a find in the fits: {lives}.",
    )


def unseen_findings(fleet: Fleet, own: pd.DataFrame, ranked: pd.DataFrame) -> pd.DataFrame:
    """List the later findings of the panels that moved the answer.

    Parameters
    ----------
    fleet : Fleet
        As it is today.
    own : DataFrame
        Later rows of the group.
    ranked : DataFrame
        What `kit.decisions.influence` gave.

    Returns
    -------
    DataFrame
        A row a finding, with the days that it was late.
    """
    matter = ranked.loc[ranked["risk_rule_change"] != 0, "panel"]
    findings = fleet.tables["findings"]
    unseen = findings.loc[findings["panel"].isin(matter) & findings["finding"].isin(own["id"])]
    late = (unseen["recorded_on"] - unseen["found_on"]).dt.days
    columns = ["finding", "panel", "found_on", "recorded_on", "days_late", "kind", "length", "width"]
    return unseen.assign(days_late=late)[columns].sort_values("recorded_on").reset_index(drop=True)


def digest_words(record: str | Path) -> str:
    """Work out the digest of a record from its file alone, with the standard library.

    Parameters
    ----------
    record : str or Path
        The decision record.

    Returns
    -------
    str
        One sentence.
    """
    document = json.loads(Path(record).read_text(encoding="utf-8"))
    stated = document.pop("digest")
    text = json.dumps(document, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    agrees = hashlib.sha256(text.encode("utf-8")).hexdigest() == stated
    return f"Digest of the file, worked out with the standard library: {'agrees with the one stated' if agrees else '**DOES NOT AGREE**'}."


def rows_counted_words(source: str | Path, fleet: Fleet, then: DecisionRecord) -> str:
    """Count the findings known on the day straight from the file, beside those that the kit counts.

    Parameters
    ----------
    source : str or Path
        Folder of the dataset.
    fleet : Fleet
        As it is today.
    then : DecisionRecord
        The record.

    Returns
    -------
    str
        One sentence; that there is no such file, where the dataset is kept otherwise.
    """
    path = Path(source, "findings.csv")
    if not path.is_file():
        return "The dataset has no `findings.csv`, so that its rows cannot be counted without the kit."
    written = pd.read_csv(path, dtype=str, keep_default_na=False)
    written = written.loc[written["recorded_on"] <= f"{then.known_on}"]
    replaced = written["finding"].isin(written["replaces"]).sum()
    day = fleet.as_known_on(f"{then.known_on}")
    refused = day.rejected.loc[day.rejected["table"] == "findings", "row"].nunique()
    return (
        f"{len(written)} finding rows recorded by {then.known_on}, {replaced} of them replaced by then, {refused} set aside: "
        f"{len(written) - replaced - refused} expected, {len(day.tables['findings'])} in the data as known then."
    )
