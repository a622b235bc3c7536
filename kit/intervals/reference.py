"""Which limit, POD, packages, planned usage and target of a class did an answer rest on, with their days."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from kit.detection import PodEntry, PodError, PodRegister
from kit.findings import (
    BOUNDED,
    KEYS,
    PACKAGES,
    TARGETS,
    USAGE,
    Fleet,
    digest_of_rows,
    digest_over_all,
    in_force,
)
from kit.intervals.evidence import Evidence
from kit.intervals.question import Question

PODS = "pods"
"""Name of the register of PODs in a fingerprint."""

Row = dict[str, float | str | None]


def with_pods(fingerprint: dict[str, str], fleet: Fleet) -> dict[str, str]:
    """Add the digest of the PODs of a dataset, as known then, to its fingerprint.

    Parameters
    ----------
    fingerprint : dict of str to str
        Digest by table.
    fleet : Fleet
        The dataset as known then.

    Returns
    -------
    dict of str to str
        As it was where the dataset has no register of its own.
    """
    known_on = fleet.known_on.date()
    entries = [one for one in _entries(fleet) if (one.recorded_on or dt.date.min) <= known_on]
    if not entries:
        return fingerprint
    rows = pd.DataFrame(
        [{name: _plain(value) for name, value in one.model_dump().items()} for one in entries]
    )
    digests = fingerprint | {PODS: digest_of_rows(rows.astype(object).fillna("").astype("str"))}
    return digests | {"all": digest_over_all(digests)}


def reference_used(ask: Question, evidence: Evidence, limit: pd.Series | None) -> dict[str, list[Row]]:
    """Return the rows that say what is allowed or planned and that an answer rests on.

    Parameters
    ----------
    ask : Question
        The question, with the numbers of its POD.
    evidence : Evidence
        The fleet as known on the question's day.
    limit : Series or None
        Row of the limits table; None where the question states the limit.

    Returns
    -------
    dict of str to list of dict
        By ``limits``, ``pods``, ``packages`` and ``planned_usage``, and ``targets`` where the target of the structure class
        was taken: name or id, values and days; an empty list where the question states its own, or where a POD is no
        longer in the register.
    """
    fleet = evidence.fleet
    days = {"known_on": fleet.known_on, "cut_off": fleet.cut_off}
    subtypes = set(evidence.aircraft_of(ask.group)["subtype"])
    stated = {}
    for name, frame, wanted in (
        (PACKAGES, fleet.packages, set(ask.packages)),
        (USAGE, fleet.planned_usage.reset_index(), subtypes),
        *([(TARGETS, fleet.targets, {ask.target.structure_class})] if ask.target.structure_class else []),
    ):
        key = KEYS[name]
        rows = frame.loc[frame[key].isin(wanted)]
        if name in fleet.stated:
            rows = rows.merge(
                in_force(fleet.stated[name], key, **days)[[key, "valid_from", "recorded_on"]],
                on=key,
                how="left",
            )
        stated[name] = [_row(row) for row in rows.to_dict("records")]
    columns = ["limit", "group", "revision", "valid_from", "size", "recorded_on"]
    columns += ["bounds", "place", "kind", "repairable_size"]
    tier = {"tier": "allowable damage limit (ADL); repairable_size: repairable damage limit (RDL)"}
    # Blank means the longest extent, and a record says so.
    limits = (
        []
        if limit is None
        else [tier | _row(limit[columns].to_dict() | {"bounds": limit["bounds"] or BOUNDED[0]})]
    )
    return {"limits": limits, PODS: _pod(ask, fleet)} | stated


def _pod(ask: Question, fleet: Fleet) -> list[Row]:
    if ask.detection.pod is None:
        return []
    try:
        register = PodRegister.of_dataset(fleet.source)
        entry = register.get(ask.detection.pod, known_on=fleet.known_on.date(), on=fleet.cut_off.date())
    except PodError:
        return []
    names = (
        "name",
        "method",
        "slope",
        "plateau",
        "far_side_plateau",
        "basis",
        "source",
        "valid_from",
        "recorded_on",
    )
    return [_row({"a50_mm": entry.a50} | {name: getattr(entry, name) for name in names})]


def _entries(fleet: Fleet) -> tuple[PodEntry, ...]:
    """Entries of the dataset's own register; one that cannot be read has none, and the question that names one says why."""
    try:
        register = PodRegister.of_dataset(fleet.source)
    except PodError:
        return ()
    built_in = PodRegister().entries
    return tuple(one for one in register.entries if one not in built_in)


def _row(cells: dict[str, object]) -> Row:
    return {name: _plain(value) for name, value in cells.items()}


def _plain(value: object) -> float | str | None:
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    if value is None or value is pd.NaT or value != value:
        return None
    if isinstance(value, dt.date | pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return value if isinstance(value, str) else float(value)
