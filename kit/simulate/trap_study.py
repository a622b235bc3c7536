"""How many of the errors put into a demo fleet are found, trap by trap, and how many alarms are false.

Run as ``python -m kit.simulate.trap_study demo_fleet docs/traps.md``. Only possible on invented
data, where the injected errors are known; the detectors never read them.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from kit.cautions import caution_section
from kit.findings import TABLES, TRAPS, Fleet, find_traps, load_fleet, replace_text

_FACTS = {
    "T4": "none was put in; what is found is damage that grew into its neighbours",
    "T10": "no row of the truth says why a look was made",
    "T15": "none was put in",
    "T16": "a fact of the invented history: half the stations tap with an instrument from 2020 on",
    "T17": "a fact of the invented history: one campaign on the spoilers in autumn 2021",
    "T19": "none was put in: panels change places within a day",
    "T20": "a fact of the invented history: six aircraft stood in 2020 and 2021",
}
_REASONS = {
    "T1": "looks and repairs of a late finding are late with it, and a day turned round looks late",
    "T2": "the one that is missed was corrected within the dataset before the cut-off",
    "T7": "4 % of the cycles are missing on four aircraft, the others differ by about 2 % as it is: only the farthest stands out",
    "T13": "a false call is seen only where the panel was tapped clean afterwards and nothing was found on it again: the missed "
    "ones were not tapped again, or other damage was found there",
    "T14": "the missed cards are of tasks that ride with no other: the trailing edge at every second check, the cowl at every fourth "
    "A check, the campaign. The false alarms are no lost cards, but there was no look either: where no zone of a task could be "
    "done, its card was not closed",
    "T9": "a find whose day was turned round falls into the time of another panel at that place",
    "T18": "the one that is missed got its cause when the row was corrected",
    "T8": "the false alarms are cards entered late whose day turned round happens to lie just before the entry",
}

_EXPLAINS = {"T1": ("T8", "T2"), "T9": ("T8",)}
"""Injected errors of another kind that make a row look like a case of a trap."""


def trap_table(source: str | Path) -> pd.DataFrame:
    """Return what was found of the injected errors, a row for each trap.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet with its truth.

    Returns
    -------
    DataFrame
        Columns trap, title, injected (rows), found (of these), detections (rows), follow
        (detections on other rows of the same event, or on rows that another injected error
        makes look so),
        false (detections that no injected error explains) and facts (whether the trap is a
        fact of the history and not an error, so that its detections cannot be counted).
    """
    folder = Path(source)
    with tempfile.TemporaryDirectory() as elsewhere:
        fleet = load_fleet(folder, set_aside=elsewhere)
    truth = pd.read_csv(folder / "truth" / "blemishes.csv", dtype="str", keep_default_na=False)
    return _compare(fleet, find_traps(fleet), truth)


def _compare(fleet: Fleet, found: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Return the counts by trap."""
    stands = _stands_for(fleet)
    truth = truth.assign(
        now=[stands.get(key, key[1]) for key in zip(truth["table"], truth["row"], strict=True)]
    )
    related = _related(fleet)
    blemished = {}
    for name, kinds in _EXPLAINS.items():
        part = truth[truth["trap"].isin(kinds)]
        blemished[name] = {
            (table, key)
            for column in ("row", "now")
            for table, key in zip(part["table"], part[column], strict=True)
        }
    rows = []
    for trap in TRAPS:
        part, own = found[found["trap"] == trap.name], truth[truth["trap"] == trap.name]
        if trap.name == "T14":
            n_found, n_follow, n_false = _lost_cards(fleet, part, own)
        else:
            named = set(zip(part["table"], part["id"], strict=True))
            keys = set(zip(own["table"], own["row"], strict=True)) | set(
                zip(own["table"], own["now"], strict=True)
            )
            hit = [
                (table, row) in named or (table, now) in named
                for table, row, now in zip(own["table"], own["row"], own["now"], strict=True)
            ]
            n_found = int(np.sum(hit))
            others = named - keys
            events = keys | blemished.get(trap.name, set())
            near = {key for key in others if key in events or related.get(key, set()) & events}
            n_follow, n_false = len(near), len(others - near)
        rows.append(
            {
                "trap": trap.name, "title": trap.title, "injected": len(own), "found": n_found,
                "detections": len(part), "follow": n_follow, "false": n_false, "facts": trap.name in _FACTS,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _stands_for(fleet: Fleet) -> dict[tuple[str, str], str]:
    """Return the id of the row that stands for each corrected one."""
    stands = {}
    for name, table in TABLES.items():
        rows = fleet.tables[name]
        for new, old in rows.loc[rows["replaces"] != "", [table.id_column, "replaces"]].itertuples(
            index=False, name=None
        ):
            stands[name, old] = new
    return stands


def _related(fleet: Fleet) -> dict[tuple[str, str], set[tuple[str, str]]]:
    """Return for looks and repairs the findings and cards that they belong to."""
    related: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for name, own, column, other in (
        ("findings", "inspections", "inspection", "findings"),
        ("repairs", "repairs", "repair", "findings"),
        ("inspections", "inspections", "inspection", "cards"),
    ):
        rows = fleet.tables[name]
        for key, to in rows[[column, TABLES[other].id_column]].itertuples(index=False, name=None):
            related.setdefault((own, key), set()).add((other, to))
    return related


def _lost_cards(fleet: Fleet, found: pd.DataFrame, truth: pd.DataFrame) -> tuple[int, int, int]:
    """Return how many lost cards are named, how many detections are cards that say so, and how many are wrong.

    Cards are numbered by day, aircraft and task, so that a number that is missing lies between
    two others; a detection is right where its day, aircraft and task lie there too.
    """
    cards = fleet.tables["cards"].sort_values("card")
    days = cards["closed_on"].dt.strftime("%Y-%m-%d")
    order = pd.Index(days + " " + cards["aircraft"] + " " + cards["task"])
    numbers = cards["card"].str[1:].astype("int64").to_numpy()
    gone = truth["row"].str[1:].astype("int64").to_numpy()
    gap, n_lost = np.unique(np.searchsorted(numbers, gone), return_counts=True)
    room = dict(zip(gap.tolist(), n_lost.tolist(), strict=True))
    named = found.loc[found["id"] == "", "value"].str.split(" ", expand=True)
    n_found = 0
    for plane, task, day in named.itertuples(index=False, name=None) if len(named) else ():
        at = int(np.searchsorted(order, f"{day} {plane} {task}"))
        if room.get(at, 0):
            room[at] -= 1
            n_found += 1
    return n_found, int((found["id"] != "").sum()), len(named) - n_found


def traps_page(source: str | Path) -> str:
    """Return docs/traps.md: traps, policies, and how well they are found.

    Parameters
    ----------
    source : str or Path
        Folder of a demo fleet with its truth.

    Returns
    -------
    str
        The page.
    """
    table = trap_table(source)
    lines = [
        "# Traps in maintenance records, T1 to T20",
        "",
        "Made by `python -m kit.simulate.trap_study demo_fleet docs/traps.md`; do not edit by hand. The demo fleet is "
        "invented, and its file `truth/blemishes.csv` says which errors were put in. `kit.findings.find_traps` never reads it. "
        "A detection is a reason to look, not a verdict.",
        "",
        "## Found and false alarms",
        "",
        "`injected` are rows with that error. `follow` are detections on other rows of the same event (the look and the repair "
        "of a finding), on rows that another injected error makes look so (T1: a day turned round), or (T14) on cards that say themselves what was not done. `false` are detections that no injected error "
        "explains. Where the trap is a fact of the history and no error, detections cannot be counted as right or wrong.",
        "",
        "| trap | what | injected | found | share | detections | follow | false | why missed, or why false |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for row in table.to_dict("records"):
        share = f"{row['found'] / row['injected']:.0%}" if row["injected"] else "–"
        counts = ("–", "–") if row["facts"] else (row["follow"], row["false"])
        why = _FACTS.get(row["trap"], _REASONS.get(row["trap"], ""))
        injected, found = ("–", "–") if row["facts"] else (row["injected"], row["found"])
        lines.append(
            f"| {row['trap']} | {row['title']} | {injected} | {found} | {share} | {row['detections']} | "
            f"{counts[0]} | {counts[1]} | {why} |"
        )
    lines += [
        "",
        "The rates are those of one invented fleet with errors of known kinds. Detectors and errors were made by the same people, "
        "so expect less on records that nobody made up.",
        "",
        "## Policies, and what cannot be seen",
        "",
        "| trap | what | what the kit does | what cannot be detected from the data |",
        "| --- | --- | --- | --- |",
    ]
    lines += [f"| {trap.name} | {trap.title} | {trap.policy} | {trap.unseen} |" for trap in TRAPS]
    return "\n".join([*lines, "", *caution_section()])


if __name__ == "__main__":
    replace_text(Path(sys.argv[2]), traps_page(sys.argv[1]))
