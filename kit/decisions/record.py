"""A decision, kept so that an auditor can check and re-run it years later: an answer put down as a record."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import importlib.metadata
import json
import platform
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from kit.decisions.form import (
    DecisionRecord,
    DueRecord,
    ModeRecord,
    Number,
    PartRecord,
    Recommendation,
    RowsRecord,
    RuleRecord,
    SignOff,
    SlackRecord,
    record_digest,
)
from kit.decisions.rows import UsedRows
from kit.findings import TABLES, Fleet
from kit.intervals import Answer, ModeAnswer

_ANSWERING = (
    "numerics",
    "findings",
    "regions",
    "life",
    "detection",
    "growth",
    "posterior",
    "ranking",
    "intervals",
    "decisions",
)
"""Packages of the kit in which an answer is worked out and put down; figures, sheets and commands only read it."""

_PACKAGES = ("skin-findings-kit", "numpy", "pandas", "scipy", "shapely", "pydantic")


def _finite(value: float) -> Number:
    return float(value) if np.isfinite(value) else None


def _mode_record(mode: ModeAnswer) -> ModeRecord:
    growth = mode.growth
    return ModeRecord(
        kind=mode.kind,
        clock=mode.clock,
        lives=mode.histories.n_lives,
        finds=mode.histories.n_finds,
        excluded={str(k): int(v) for k, v in mode.histories.excluded_by_reason.items()},
        life_basis=mode.life_basis,
        scale=mode.scale,
        shape=mode.shape,
        scale_bounds=tuple(_finite(x) for x in mode.scale_bounds),
        shape_bounds=tuple(_finite(x) for x in mode.shape_bounds),
        log_likelihood=None if mode.fit is None else mode.fit.log_likelihood,
        onset_median_mm=growth.onset_median,
        onset_log_sd=growth.onset_log_sd,
        rate_median=growth.rate_median,
        rate_log_sd=growth.rate_log_sd,
        no_growth_share=growth.no_growth_share,
        growth_basis=growth.basis,
        growth_form=growth.form.name,
    )


def _due(answer: Answer) -> tuple[DueRecord, ...]:
    """Sum the next looks up by aircraft."""
    if answer.due is None:
        return ()
    by = answer.due.assign(unknown=answer.due["age"].isna()).groupby("aircraft", sort=True)
    some = by.agg(
        panels=("panel", "size"),
        late=("is_late", "sum"),
        unknown=("unknown", "sum"),
        due_on=("due_on", "min"),
    )
    some = some.reset_index().sort_values(["due_on", "aircraft"], kind="stable", na_position="last")
    return tuple(
        DueRecord(
            aircraft=str(row.aircraft),
            panels=int(row.panels),
            late=int(row.late),
            unknown=int(row.unknown),
            due_on=None if pd.isna(row.due_on) else row.due_on.date(),
        )
        for row in some.itertuples()
    )


def _slack(answer: Answer) -> SlackRecord | None:
    slack = answer.slack
    if slack is None:
        return None
    return SlackRecord(
        gaps=slack.ratios.size,
        still_open=slack.n_open,
        middle=slack.middle,
        nine_of_ten=slack.upper,
        longest=slack.longest,
        share_over=slack.share_over,
    )


def software_versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that a result depends on.

    Returns
    -------
    dict of str to str
        By name.
    """
    return {"python": platform.python_version()} | {
        name: importlib.metadata.version(name) for name in _PACKAGES
    }


@cache
def code_digest() -> str:
    """Return the digest of the kit's own code that an answer hangs on.

    Returns
    -------
    str
        SHA-256 in hex of every source file of the packages in which an answer is worked out, in the order of their names;
        ends of lines do not count. A change of an answer without a new version of the kit is told by it.
    """
    root, digest = Path(__file__).resolve().parent.parent, hashlib.sha256()
    files = [root / "cautions.py", *(one for name in _ANSWERING for one in (root / name).rglob("*.py"))]
    for path in sorted(files, key=lambda one: one.relative_to(root).as_posix()):
        digest.update(json.dumps(path.relative_to(root).as_posix()).encode("utf-8"))
        digest.update(hashlib.sha256(path.read_bytes().replace(b"\r\n", b"\n")).digest())
    return digest.hexdigest()


def decision_record(
    answer: Answer,
    *,
    sign_offs: tuple[SignOff, ...] = (),
    rows: UsedRows | None = None,
    with_curve: bool = True,
) -> DecisionRecord:
    """Turn an answer into a record.

    Parameters
    ----------
    answer : Answer
        What `kit.recommend` gave.
    sign_offs : tuple of SignOff
        Who agreed, by role.
    rows : UsedRows, optional
        The rows that it used, as `rows_used` gives them; without them the record does not say which they were.
    with_curve : bool
        Whether the risk against the repeat is worked out; not where only the numbers of the answer are compared.

    Returns
    -------
    DecisionRecord
        With its digest.
    """
    proposal = answer.proposal
    dataset = {name: value for name, value in answer.dataset.items() if name != "reference"}
    record = DecisionRecord(
        name=answer.question.name,
        known_on=dt.date.fromisoformat(str(answer.dataset["known_on"])),
        made_on=dt.date.today(),
        question=answer.question,
        dataset=dataset,
        reference=answer.dataset.get("reference", {}),
        rows=None if rows is None else RowsRecord(root=rows.root, counts=rows.counts()),
        set_aside=() if answer.fleet is None else set_aside(answer.fleet),
        software=software_versions(),
        code=code_digest(),
        modes=tuple(_mode_record(mode) for mode in answer.modes),
        rules=tuple(
            RuleRecord(rule=r.rule, interval=r.interval, governs=r.governs, reason=r.reason)
            for r in answer.rules
        ),
        recommendation=Recommendation(
            threshold=answer.threshold,
            repeat=answer.repeat,
            threshold_in_words=answer.threshold_in_packages,
            repeat_in_words=answer.repeat_in_packages,
            governed_by=answer.governed_by,
            limit_mm=answer.limit_mm,
            risk=answer.risk,
            current_repeat=answer.current_repeat,
        ),
        curve=answer.curve.astype(float).to_dict("records") if with_curve else [],
        proposal=proposal,
        present=answer.present,
        share_meeting=_finite(answer.share_meeting),
        due=_due(answer),
        parts=tuple(PartRecord(**dataclasses.asdict(one)) for one in answer.parts),
        slack=_slack(answer),
        assumptions=answer.assumptions,
        cautions=answer.cautions,
        sign_offs=sign_offs,
    )
    return record.model_copy(update={"digest": record_digest(record)})


def set_aside(fleet: Fleet) -> tuple[str, ...]:
    """Name the rows of a dataset that were set aside.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known then.

    Returns
    -------
    tuple of str
        One for each problem: table, id, column, value and reason, whatever kind of source they stand in.
    """
    ids = {}
    for name in fleet.rejected["table"].unique():
        if name in fleet.as_read:
            rows = fleet.as_read[name].typed
            some = rows.loc[rows["row"].isin(fleet.rejected.loc[fleet.rejected["table"] == name, "row"])]
            ids[name] = some.set_index(["file", "row"])[TABLES[name].id_column].to_dict()
    return tuple(
        f"{one.table} {ids.get(one.table, {}).get((one.file, one.row), '')}, {one.column} = {one.value!r}: {one.reason}"
        for one in fleet.rejected.itertuples(index=False)
    )


def rows_used(fleet: Fleet) -> UsedRows:
    """Return the rows that a decision about a fleet uses: all that analyses see.

    Parameters
    ----------
    fleet : Fleet
        The dataset as known on the day of the question.

    Returns
    -------
    UsedRows
        The same for every question of that day, so that it need be made once only.
    """
    return UsedRows(fleet.row_texts())
