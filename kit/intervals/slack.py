"""How far apart looks were really made, against the interval that the programme names: what packages and planning add."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kit.findings import Meters, clean_methods, names_in
from kit.intervals.evidence import Evidence
from kit.intervals.named_pod import kind_asked
from kit.intervals.question import Question
from kit.numerics.typing import Floats

TOLERATED = 1.02
"""Ratio of a gap to its nominal interval up to which it counts as kept (assumed, no source) [-]."""
UPPER = 0.9
"""Share of the gaps that the larger figure holds for [-]."""

_CLOCKS = {"flight_hours": "flight_hours", "flight_cycles": "flight_cycles", "calendar_days": "days"}


@dataclass(frozen=True, kw_only=True)
class Slack:
    """Gaps between looks of tasks as flown, over what the tasks name.

    Parameters
    ----------
    ratios : ndarray, shape (n_gaps,)
        Actual over nominal by the clock that ran out first, rising; one a gap between two looks of closed cards at one
        panel [-].
    n_open : int
        Of these gaps that are not closed yet and are longer than nominal already.
    """

    ratios: Floats
    n_open: int

    @property
    def middle(self) -> float:
        """Median of the ratios [-]."""
        return float(np.median(self.ratios))

    @property
    def upper(self) -> float:
        """Ratio that nine of ten gaps do not exceed [-]."""
        return float(np.quantile(self.ratios, UPPER, method="higher"))

    @property
    def longest(self) -> float:
        """Largest ratio [-]."""
        return float(self.ratios[-1])

    @property
    def share_over(self) -> float:
        """Share of the gaps that are longer than nominal by more than is tolerated [-]."""
        return float(np.mean(self.ratios > TOLERATED))

    @property
    def matters(self) -> bool:
        """Whether more than one gap in ten is longer than nominal."""
        return self.upper > TOLERATED

    @property
    def words(self) -> str:
        """What was flown, in words."""
        still = f", {self.n_open} of them not closed yet" if self.n_open else ""
        return (
            f"looks of the tasks in force came {self.middle:.2f} times their interval apart in the middle, {self.upper:.2f} times or less in "
            f"nine of ten, {self.longest:.2f} at most ({self.ratios.size} gaps between looks of closed cards at one panel; {self.share_over:.0%} longer than "
            f"the interval by more than {TOLERATED - 1:.0%}{still})"
        )


def package_slack(evidence: Evidence, ask: Question) -> Slack | None:
    """Measure nominal against actual intervals of the tasks that look for a question's damage, from looks and meters.

    Parameters
    ----------
    evidence : Evidence
        The fleet as known on the question's day.
    ask : Question
        The question: its group, and its first kind of damage.

    Returns
    -------
    Slack or None
        None where no panel was looked at twice under a task with an interval, or no meter tells the time between.

    Notes
    -----
    Looks of closed cards count, whether written down or implied; looks made for another reason do not. A task of several clocks
    is due at the first of them, so that the largest of their ratios counts. A card that left a zone out is no look at
    it. A gap that is still open counts once it is longer than nominal, since it can only grow.
    """
    fleet, kind = evidence.fleet, kind_asked(ask, ask.modes[0])
    zones = evidence.zones_of((ask.group,))
    looks = evidence.all_looks(kind, ("recorded", "implied"))
    looks = looks.loc[
        looks["zone"].isin(zones) & (looks["card"] != ""), ["panel", "zone", "aircraft", "looked_on"]
    ]
    looks = looks.drop_duplicates().sort_values(["panel", "zone", "aircraft", "looked_on"], kind="stable")
    by = looks.groupby(["panel", "zone", "aircraft"], sort=False)["looked_on"]
    until, is_open = by.shift(-1), by.cumcount(ascending=False).eq(0).to_numpy()
    panels = fleet.tables["panels"]
    fitted = panels.loc[panels["removed_on"].isna(), ["panel", "zone", "aircraft"]].drop_duplicates()
    is_there = looks.merge(fitted, how="left", indicator=True)["_merge"].eq("both").to_numpy()
    begin, end = looks["looked_on"], until.fillna(fleet.cut_off)
    nominal = _nominal(evidence, looks, kind)
    meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
    aircraft, ratios = looks["aircraft"].to_numpy(object), np.full(len(looks), np.nan)
    for clock in _CLOCKS:
        if clock == "calendar_days":
            flown = (end - begin).dt.days.to_numpy(np.float64)
        else:
            flown = meters.at(aircraft, end.to_numpy(), clock) - meters.at(aircraft, begin.to_numpy(), clock)
        ratios = np.fmax(ratios, flown / nominal[clock])
    told = (ratios > 0) & (~is_open | (is_there & (ratios > TOLERATED)))
    if not (told & ~is_open).any():
        return None
    return Slack(ratios=np.sort(ratios[told]), n_open=int((told & is_open).sum()))


def _nominal(evidence: Evidence, looks: pd.DataFrame, kind: str) -> dict[str, Floats]:
    """Return the interval in force at each look by clock, the shortest of several tasks; nan where there is none."""
    tasks = evidence.fleet.tables["tasks"]
    tasks = tasks.loc[tasks["method"].isin(clean_methods(kind))]
    out = {clock: np.full(len(looks), np.nan) for clock in _CLOCKS}
    zone, day = looks["zone"], looks["looked_on"]
    for task in tasks.to_dict("records"):
        named = zone.isin(names_in(task["zones"])) & (day >= task["valid_from"])
        named &= pd.isna(task["valid_to"]) | (day <= task["valid_to"])
        for clock, unit in _CLOCKS.items():
            out[clock][named] = np.fmin(out[clock][named], float(task[f"repeat_{unit}"]))
    return out


def slack_words(slack: Slack, repeat: float, share: float, asked: float, unit: str) -> str:
    """Say what it does to a repeat if it is flown as those before it.

    Parameters
    ----------
    slack : Slack
        Gaps as flown.
    repeat : float
        The repeat, flown as long as nine of ten gaps were over nominal [clock units].
    share : float
        Share of the draws that meet the target with that repeat [-].
    asked : float
        Share that must [-].
    unit : str
        Name of the clock's unit.

    Returns
    -------
    str
        One sentence, without its full stop.
    """
    verdict = (
        f"meets the target in {share:.0%} of draws, {asked:.0%} must"
        if share < asked - 1e-9
        else f"still meets the target ({share:.0%} of draws)"
    )
    return f"{slack.words}: a repeat stretched as in nine of ten is {repeat:,.0f} {unit} and {verdict}"
