"""The text of the drafts: dataset.toml with every guess marked, and a question."""

from __future__ import annotations

import json
import math

import pandas as pd

from kit.drafts.guess import Draft, DraftTable
from kit.findings import CLOCKS, Fleet, is_damage

_UNITS = {"flight_hours": "flight hours", "flight_cycles": "flight cycles", "calendar_days": "days"}
_HALF_A_YEAR = 180
_PARTS = ("columns", "date_order", "units", "made")


def dataset_toml(
    draft: Draft, *, name: str, cut_off: str, files: dict[str, str], usage: pd.DataFrame | None = None
) -> str:
    """Write dataset.toml for what was guessed.

    Parameters
    ----------
    draft : Draft
        The guesses.
    name : str
        Name of the dataset.
    cut_off : str
        Last day of the extract, YYYY-MM-DD.
    files : dict of str to str
        File of each table in the folder.
    usage : DataFrame, optional
        As `flown_last_year` returns it, once the dataset can be loaded.

    Returns
    -------
    str
        TOML; each guess has its reason beside it and stands in `guessed`.
    """
    guessed = ["length_unit", "cut_off"]
    maps: list[str] = []
    for table in draft.tables:
        lines, names = _map_of(table)
        maps += lines
        guessed += names
    if usage is not None:
        for subtype, flown in usage.iterrows():
            guessed.append(f"planned_usage.{subtype}")
            maps += [
                "",
                f"[planned_usage.{_text(str(subtype))}]   # guess: as flown in the last year, a year and aircraft",
                *(f"{clock} = {flown[clock]:.0f}" for clock in ("flight_hours", "flight_cycles")),
                f"aircraft = {flown['aircraft']:.0f}",
            ]
    return "\n".join(
        [
            "# A draft: every line of `guessed` is a guess. Look at the entry, correct it where it is wrong, and take its line out of",
            "# `guessed`; until it is empty, each check and each answer says so. What each key means: docs/dataset.md.",
            f"name = {_text(name)}",
            f'length_unit = "{draft.length_unit}"   # guess: unit of most lengths of the extract',
            f"cut_off = {cut_off}   # guess: last day that stands in the extract; it must hold all events up to it",
            f"clocks = {json.dumps(list(CLOCKS))}",
            "guessed = [",
            *(f"  {_text(one)}," for one in guessed),
            "]",
            "",
            "[tables]",
            *(f"{table.name} = {_text(files[table.name])}" for table in draft.tables),
            "",
            "# Scheduled checks that an inspection can ride on, smallest first; take out the marks and write your own.",
            "# [[packages]]",
            '# name = "base check"',
            "# flight_hours = 5000",
            "# days = 730",
            *maps,
            "",
        ]
    )


def _map_of(table: DraftTable) -> tuple[list[str], list[str]]:
    """Return the lines of the map of a table, and the names of the guesses in it."""
    lines: list[str] = []
    guessed: list[str] = []
    if table.extract is None:
        return [
            "",
            f"# {table.name}: nothing in the extract is taken for it; {table.name}.csv has its heading, to be filled.",
        ], []
    for part in _PARTS:
        entries = getattr(table, part)
        shown = {name: value for name, value in entries.items() if part != "columns" or name != value}
        if shown:
            lines += ["", f"[map.{table.name}.{part}]"]
        for name, value in shown.items():
            lines.append(f"{name} = {_text(value)}   # guess: {table.notes.get(f'{part}.{name}', '')}")
        if shown:
            guessed.append(f"map.{table.name}.{part}")
    for name, codes in table.codes.items():
        lines += ["", f"[map.{table.name}.codes.{name}]   # guess: {table.notes.get(f'codes.{name}', '')}"]
        lines += [f"{_text(code)} = {_text(word)}" for code, word in codes.items()]
        guessed.append(f"map.{table.name}.codes.{name}")
    for name, codes in table.unknown_codes.items():
        lines.append(
            f"# {table.name}.{name}: no word of the kit is like {', '.join(codes)}; write it under map.{table.name}.codes.{name}."
        )
    for name in table.missing:
        lines.append(
            f"# {table.name}.{name} is needed and no heading is like it: give it under columns, or under made."
        )
    if table.unread:
        lines.append(f"# {table.name}: not read: {', '.join(table.unread)}")
    return lines, guessed


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def flown_last_year(fleet: Fleet) -> pd.DataFrame:
    """Return what each subtype flew in the year before the cut-off, as the meters say.

    Parameters
    ----------
    fleet : Fleet
        The dataset.

    Returns
    -------
    DataFrame
        By subtype: flight_hours, flight_cycles [a year and aircraft], aircraft, how many there are. Subtypes without
        readings from a whole year are left out.
    """
    meters = fleet.tables["usage"].sort_values(["aircraft", "read_on"])
    meters = meters[meters["read_on"] >= fleet.cut_off - pd.Timedelta(400, "D")]
    names = ["flight_hours", "flight_cycles"]
    steps = meters.groupby("aircraft")[names].diff().clip(lower=0)  # a new meter begins anew
    days = meters.groupby("aircraft")["read_on"].agg(lambda days: (days.max() - days.min()).days)
    flown = steps.groupby(meters["aircraft"]).sum().div(days, axis=0)[days >= _HALF_A_YEAR] * 365.25
    subtype = fleet.tables["aircraft"].set_index("aircraft")["subtype"]
    out = flown.groupby(subtype.reindex(flown.index)).mean()
    out = out[(out > 0).all(axis=1)]
    return out.assign(aircraft=subtype.value_counts().reindex(out.index))


def draft_question(fleet: Fleet) -> dict[str, object]:
    """Choose what the first question may be about: the group with most damages, and its kinds.

    Parameters
    ----------
    fleet : Fleet
        The dataset, as far as it loads.

    Returns
    -------
    dict
        group, groups, kinds, clock, horizon, has_limit.
    """
    found, zones = fleet.tables["findings"], fleet.tables["zones"].set_index("zone")["group"]
    found = found[is_damage(found).to_numpy(dtype=bool)]
    groups = found["zone"].map(zones)
    counts = groups.value_counts()
    group = str(counts.index[0]) if len(counts) else str(zones.iloc[0])
    kinds = found.loc[groups == group, "kind"].value_counts()
    kinds = [
        str(kind) for kind in kinds.index if kind not in ("moisture", "dent", "puncture", "delamination")
    ][:3]
    meters = fleet.tables["usage"]
    oldest = float(meters["flight_hours"].max()) if len(meters) else 20_000.0
    limits = fleet.tables["limits"]
    return {
        "group": group,
        "groups": [str(one) for one in counts.index],
        "kinds": kinds or ["disbond"],
        "clock": "flight_hours",
        "horizon": _two_digits(oldest),
        "has_limit": bool((limits["group"] == group).any()),
    }


def _two_digits(value: float) -> float:
    """Return a number rounded up to two digits."""
    if not value > 0 or pd.isna(value):
        return 20_000.0
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / step) * step


def question_toml(about: dict[str, object]) -> str:
    """Write a first question.

    Parameters
    ----------
    about : dict
        As `draft_question` returns it.

    Returns
    -------
    str
        TOML in which whatever is not told by the extract is marked.
    """
    mark = "DRAFT: state your own"
    title = f"When must the zones of {about['group']} be tapped first, and how often after that?"
    lines = [
        "# A draft of a question: what is marked with DRAFT is for a person to state. Fields: docs/questions.md.",
        f'name = "first"   # {mark}',
        f"title = {_text(title)}",
        f"group = {_text(str(about['group']))}   # DRAFT: the group with most damages",
        f"clock = {_text(str(about['clock']))}",
        f"horizon = {about['horizon']:.0f}   # DRAFT: the oldest aircraft of the extract, rounded up [{_UNITS[str(about['clock'])]}]",
        f"growth_groups = {json.dumps(about['groups'], ensure_ascii=False)}   # pooled for growth and size at onset: yours may not be alike",
        "seed = 1",
    ]
    if not about["has_limit"]:
        lines.append(
            f"limit_mm = 25   # {mark}: the allowable damage limit; the extract has none for the group [mm]"
        )
    lines += [
        "",
        "[target]   # DRAFT: who answers for the structure states it",
        'measure = "preventable_exceedances"',
        "per_10000_flight_hours = 0.05",
        "share_of_draws = 0.95",
        "",
        "[threshold]   # DRAFT: the same",
        "allowed_share = 0.1",
        "confidence = 0.95",
        "",
        "[detection]   # DRAFT: published for tapping by hand; a trial of your own on your skins is worth more (docs/pods.md)",
        'pod = "published-manual"',
    ]
    for kind in about["kinds"]:
        clock = "calendar_days" if kind == "moisture_disbond" else "flight_cycles"
        lines += ["", "[[modes]]", f"kind = {_text(kind)}", f'clock = "{clock}"   # DRAFT: what drives it']
    return "\n".join([*lines, ""])
