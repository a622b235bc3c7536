"""Which traps do a dataset's records hold, T1 to T20: detectors, and what the kit does about each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from kit.findings.traps import days, meters, places, programme, records, repeats, sizes
from kit.findings.traps.context import TrapContext

if TYPE_CHECKING:
    from kit.findings.fleet import Fleet

TRAP_COLUMNS = (
    "trap",
    "table",
    "id",
    "file",
    "row",
    "column",
    "value",
    "found",
    "policy",
    "suggestion",
    "confidence",
)
"""Columns of a table of traps."""


@dataclass(frozen=True)
class Trap:
    """A trap that records carry, how it is found and what is done about it.

    Parameters
    ----------
    name : str
        T1 to T20.
    title : str
        What goes wrong.
    detector : callable
        Takes a `TrapContext`, returns a table of what was found.
    policy : str
        What the kit does with it.
    unseen : str
        What cannot be detected from the data, and why.
    """

    name: str
    title: str
    detector: Callable[[TrapContext], pd.DataFrame]
    policy: str
    unseen: str


TRAPS = (
    Trap(
        "T1",
        "entered late, or corrected later",
        days.find_late,
        "carried as a column: recorded_on; as_known_on leaves the row out until then",
        "rows that are still to come",
    ),
    Trap(
        "T2",
        "inch and mm mixed up",
        sizes.find_unit_mix_ups,
        "rejected where the size exceeds the panel, else warned; a correction is proposed",
        "a size that is plausible in both units, without an outline, a step of rounding or a second mapping",
    ),
    Trap(
        "T3",
        "one damage written down twice",
        repeats.find_duplicates,
        "warned; the disposition duplicate is proposed",
        "copies that name two looks: they are what a second mapping of the damage looks like too",
    ),
    Trap(
        "T4",
        "damages that grew together, or one that was split",
        repeats.find_merged,
        "left to the analysis: regions are tracked, the later one counts as the growth of the earlier ones",
        "mergers on panels where centres only are written, if the damages are far from round",
    ),
    Trap(
        "T5",
        "old zone label, left and right exchanged",
        places.find_sides_and_labels,
        "old labels are mapped to the present ones; exchanged sides are rejected or warned, and a correction is proposed",
        "a look and its finding at the wrong side, both without the serial: nothing contradicts them",
    ),
    Trap(
        "T6",
        "meter replaced or reset",
        meters.find_meter_jumps,
        "a marked change is carried on; falls without a mark are rejected",
        "a correction of the meter smaller than a few days of flying",
    ),
    Trap(
        "T7",
        "landings counted as cycles",
        meters.find_landings,
        "left to the analysis: fit on hours or days where the cycles of an aircraft are odd",
        "an offset within the spread between aircraft of a subtype, or common to all of them",
    ),
    Trap(
        "T8",
        "day and month exchanged",
        days.find_day_orders,
        "rejected where there is no such day or it is after its record, else warned; a correction is proposed",
        "a day that contradicts neither look, card nor record; local against UTC day",
    ),
    Trap(
        "T9",
        "panels that change aircraft, serials left out",
        places.find_serials,
        "mapped: the panel is the one that the fittings name; a serial that differs is warned",
        "a swap that the fittings do not hold",
    ),
    Trap(
        "T10",
        "sister panels looked at because of a find",
        programme.find_sisters,
        "left to the analysis: such looks are not independent",
        "a sister look within the same card as the find: the card would have held it anyway",
    ),
    Trap(
        "T11",
        "early years without records",
        records.find_late_records,
        "carried as a column: records_from; histories are entered late (left truncation)",
        "aircraft whose records_from was left blank though early years are missing",
    ),
    Trap(
        "T12",
        "panels of unknown age",
        records.find_unknown_ages,
        "left to the analysis: the age is nan until an assumption is stated",
        "panels called new that were not",
    ),
    Trap(
        "T13",
        "false call left as a finding",
        records.find_false_calls,
        "warned by this table only: a clean look may also be a miss; a person decides",
        "false calls that nobody followed up and whose remarks say nothing",
    ),
    Trap(
        "T14",
        "clean looks missing at busy checks",
        programme.find_busy_checks,
        "left to the analysis: no look is implied where a card is missing or says not done",
        "checks of which all cards are lost, and tasks that ride on their own",
    ),
    Trap(
        "T15",
        "limit revised in time",
        records.find_other_limits,
        "mapped: each finding is judged by the limit in force on its day; a day without one is warned",
        "which revision the inspector used: findings do not name it",
    ),
    Trap(
        "T16",
        "change of method",
        programme.find_method_changes,
        "carried as a column: method of each look; detection curves are per method",
        "a change of skill, hammer or training under the name of one method",
    ),
    Trap(
        "T17",
        "campaign",
        programme.find_campaigns,
        "left to the analysis: looks of a campaign count as looks, their finds are old damage",
        "campaigns written as early routine checks",
    ),
    Trap(
        "T18",
        "cause blank or unknown",
        records.find_blank_causes,
        "carried as a column: the damage type is used, never the cause",
        "causes that are written and wrong",
    ),
    Trap(
        "T19",
        "panel in store",
        places.find_in_store,
        "mapped: days run on in store, hours and cycles do not",
        "fittings without a day of removal",
    ),
    Trap(
        "T20",
        "parked aircraft",
        meters.find_parked,
        "mapped: days run on, hours and cycles stand still between readings",
        "times shorter than the distance of readings",
    ),
)
"""Every trap with its detector and policy."""


def find_traps(fleet: Fleet, *, traps: Sequence[str] | None = None) -> pd.DataFrame:
    """Return what in a dataset looks like one of the traps T1 to T20.

    A detection is a reason to look, not a verdict. Rejected rows are looked at too.

    Parameters
    ----------
    fleet : Fleet
        The dataset.
    traps : sequence of str, optional
        Names of the traps asked for; all where left out.

    Returns
    -------
    DataFrame
        Columns trap, table, id, file, row, column, value (as written), found, policy (what the
        kit does), suggestion (what to write instead; blank where the data do not say) and
        confidence (sure, likely, possible). `id` is blank and `row` 0 where it is about no
        single row.

    Raises
    ------
    ValueError
        If a name is none of T1 to T20.

    See Also
    --------
    propose_corrections : Those with a suggestion, as a list for a person to decide.
    """
    names = [trap.name for trap in TRAPS]
    wanted = names if traps is None else traps
    unknown = [name for name in wanted if name not in names]
    if isinstance(wanted, str) or unknown:
        raise ValueError(f"`traps` must be a list of T1 to T20. Got {traps!r}; correct the names.")
    context = TrapContext(fleet)
    parts = []
    for trap in TRAPS:
        if trap.name in wanted:
            found = trap.detector(context)
            if len(found):
                parts.append(found.assign(trap=trap.name, policy=trap.policy))
    text = dict.fromkeys(set(TRAP_COLUMNS) - {"row"}, "str") | {"row": "int64"}
    if not parts:
        return pd.DataFrame(columns=list(TRAP_COLUMNS)).astype(text)
    return pd.concat(parts, ignore_index=True)[list(TRAP_COLUMNS)].astype(text)
