"""Does a card stand where cards of its task do: beside those of its check, and as long after the last one as usual."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kit.findings.check.across import warn_accepted
from kit.findings.check.context import CheckContext
from kit.findings.check.lone import FEWEST_ROWS, SHARE_LONE, most_lone
from kit.findings.dates import day_numbers, swapped_days
from kit.findings.fittings import SPAN

CHECK_DAYS = 3
"""Days within which cards of one aircraft belong to one check [days]."""

EARLY = 0.5
"""Share of the usual time between two cards of a task on an aircraft below which one comes far too early [-]."""

HOLE, IN_HOLE = 1.6, 0.25
"""Times the usual time between two cards from which one is missing between them, and the share of that time by which one that
fits may be off the middle (common practice, no source) [-]."""

FEWEST_OF_SERIES = 4
"""Cards of a task on an aircraft from which it has a usual time between them."""

MOST_NAMED = 3
"""Tasks that may be named as missing at one check; more of them say nothing of this card."""

MOST_FITTING = 50
"""Cards for which it is looked up what would fit; the others are named without it, so that a dataset full of them loads as fast."""


def check_cadence(context: CheckContext) -> None:
    """Warn of cards that nearly no other card of their task is like: alone, or far too early.

    Parameters
    ----------
    context : CheckContext
        What the checks work on, once every table is checked.

    Notes
    -----
    A card that names a wrong aircraft, task or day is a clean look at panels that nobody looked at. It is told by what
    all cards of a task have in common, and only where at most 1 % of them lack it: they are closed together with other
    cards of the aircraft, and a usual time after the last one. Which other aircraft, task or day would fit is said
    where there is just one at whose check the task is missing.
    """
    cards = context.tables["cards"]
    if len(cards) < FEWEST_ROWS:
        return
    series = _Series(context, cards)
    alone, early = series.alone(), series.early()
    stray = series.in_holes()
    odd = np.flatnonzero(alone | early | (stray >= 0))
    if not len(odd):
        return
    columns, words = {}, {}
    for k, at in enumerate(odd.tolist()):
        column, fits = series.fitting(at, stray[at]) if k < MOST_FITTING else ("closed_on", "")
        columns[at], words[at] = column, fits
    where = dict(zip(cards["card"].array.take(odd), odd.tolist(), strict=True))
    for reason, mask, usual in (
        ("a card of the task far too early beside another one on the aircraft", early, series.beside),
        ("a card alone, where the task is closed together with others", alone & ~early, series.together),
        (
            "the only card of the task on the aircraft, on a day on which another task misses one",
            (stray >= 0) & ~early & ~alone,
            series.missed,
        ),
    ):
        for column in ("aircraft", "task", "closed_on"):
            own = np.zeros(len(cards), dtype=bool)
            own[[at for at in odd.tolist() if mask[at] and columns[at] == column]] = True
            warn_accepted(
                context,
                "cards",
                cards,
                own,
                column,
                reason=reason,
                expected=lambda named, usual=usual: [
                    f"{words[where[card]]}{usual(where[card])}" for card in named["card"]
                ],
                mend="correct the aircraft, the task or closed_on of this card or of the one beside it; if it was done so, nothing",
            )


class _Series:
    """Cards as numbers, by aircraft, task and day."""

    def __init__(self, context: CheckContext, cards: pd.DataFrame) -> None:
        tasks = context.tables["tasks"].drop_duplicates("task", keep="last").set_index("task")
        self.cards = cards
        self.card = cards["card"].array
        self.plane, self.planes = pd.factorize(cards["aircraft"])
        self.task, self.tasks = pd.factorize(cards["task"])
        self.day = day_numbers(cards["closed_on"])
        repeats = tasks[["repeat_flight_hours", "repeat_flight_cycles", "repeat_days"]].notna().any(axis=1)
        self.repeats = repeats.reindex(self.tasks, fill_value=False).to_numpy(dtype=bool)
        # Walk-rounds are closed at every call of the line: beside one no card belongs to a check.
        walks = (tasks["method"] == "visual").reindex(self.tasks, fill_value=False).to_numpy(dtype=bool)
        self.routine = self.repeats & ~walks
        self.rides = self.routine[self.task]
        self.n = np.bincount(self.task, minlength=len(self.tasks))
        self.key = self.plane * len(self.tasks) + self.task
        self.order = np.argsort(self.key * SPAN + self.day, kind="stable")
        sorted_key = self.key[self.order]
        follows = np.diff(sorted_key) == 0
        self.first, self.second = self.order[:-1][follows], self.order[1:][follows]
        """Cards of one task on one aircraft that follow each other."""
        self.gap = self.day[self.second] - self.day[self.first]
        gaps = pd.Series(self.gap).groupby(self.task[self.first]).median()
        self.usual = gaps.reindex(range(len(self.tasks))).to_numpy(dtype=float)
        starts = np.flatnonzero(np.r_[True, ~follows])
        self.size = np.empty(len(self.day), dtype=np.int64)
        self.size[self.order] = np.repeat(lengths := np.diff(np.r_[starts, len(self.day)]), lengths)
        """Cards of the same task on the same aircraft."""
        rides = np.flatnonzero(self.rides)
        self.riding = rides[np.argsort(self.plane[rides] * SPAN + self.day[rides], kind="stable")]
        self._sorted_key, self._sorted_plane = sorted_key, self.plane[self.riding]

    def alone(self) -> np.ndarray:
        """Return the cards that have no other beside them, where nearly all of their task have one."""
        out = np.zeros(len(self.day), dtype=bool)
        rows = self.riding
        if len(rows) < 2:
            return out
        near = (np.diff(self.plane[rows]) == 0) & (np.diff(self.day[rows]) <= CHECK_DAYS)
        out[rows] = ~(np.r_[False, near] | np.r_[near, False])
        return out & self._lone(out)

    def early(self) -> np.ndarray:
        """Return both cards of pairs that are far closer than nearly all pairs of their task are."""
        task = self.task[self.first]
        short = self.gap < EARLY * self.usual[task]
        n, n_short = (np.bincount(task[which], minlength=len(self.tasks)) for which in (slice(None), short))
        # One card that went astray stands between two others, and may be too early for both.
        rare = (n_short <= np.maximum(2, SHARE_LONE * n)) & (n >= FEWEST_ROWS)
        short &= (rare & self.routine)[task]
        out = np.zeros(len(self.day), dtype=bool)
        out[self.first[short]] = out[self.second[short]] = True
        return out

    def in_holes(self) -> np.ndarray:
        """Return the task that misses a card there, for the only cards of tasks that do not repeat; -1 for others."""
        out = np.full(len(self.day), -1)
        # A campaign looks once at each aircraft: its cards have no series that one could belong to.
        single = np.bincount(self.task[self.size == 1], minlength=len(self.tasks)) > self.n / 2
        once = (~self.repeats & ~single)[self.task]
        many = once[self.first] & (self.size[self.first] >= FEWEST_OF_SERIES)
        lone = np.flatnonzero(once & (self.size == 1))
        if not len(lone) or not many.any():
            return out
        first, gap = self.first[many], self.gap[many]
        own = pd.Series(gap).groupby(self.key[first]).transform("median").to_numpy()
        hole = (gap >= HOLE * own) & (gap <= (HOLE + 1) * own)
        first, gap, own = first[hole], gap[hole], own[hole]
        middle = self.day[first] + gap / 2
        for at in lone.tolist():
            fits = (self.plane[first] == self.plane[at]) & (np.abs(middle - self.day[at]) <= IN_HOLE * own)
            if fits.sum() == 1:
                out[at] = self.task[first[fits][0]]
        return out

    def _lone(self, odd: np.ndarray) -> np.ndarray:
        """Return which cards are of tasks of which nearly no card is odd."""
        few = np.bincount(self.task[odd], minlength=len(self.tasks))
        return ((few <= most_lone(self.n)) & (self.n >= FEWEST_ROWS))[self.task]

    def _of(self, plane: int, task: int, but: int) -> np.ndarray:
        """Return the days of the cards of a task on an aircraft, all but one card, in order."""
        key = plane * len(self.tasks) + task
        begin, end = np.searchsorted(self._sorted_key, [key, key + 1])
        cards = self.order[begin:end]
        return self.day[cards[cards != but]]

    def _check(self, plane: int, day: int, but: int) -> np.ndarray:
        """Return the tasks of one check of an aircraft, all but those of one card."""
        begin, end = np.searchsorted(self._sorted_plane, [plane, plane + 1])
        cards = self.riding[begin:end]
        cards = cards[(np.abs(self.day[cards] - day) <= CHECK_DAYS) & (cards != but)]
        return np.unique(self.task[cards])

    def _lacks(self, plane: int, task: int, day: int, but: int) -> bool:
        """Whether an aircraft has a check around a day at which a task is missing that it has at others."""
        tasks, own = self._check(plane, day, but), self._of(plane, task, but)
        if len(tasks) < 2 or task in tasks or not len(own):
            return False
        return bool(np.abs(own - day).min() >= EARLY * self.usual[task])

    def fitting(self, at: int, stray: int) -> tuple[str, str]:
        """Return the column that may be wrong at a card and the words of what would fit; blank words where nothing does."""
        plane, task, day = int(self.plane[at]), int(self.task[at]), int(self.day[at])
        if stray >= 0:
            return "task", f"{self.tasks[stray]}, "
        others = [
            other
            for other in np.unique(self.plane[self.rides & (np.abs(self.day - day) <= CHECK_DAYS)]).tolist()
            if other != plane and self._lacks(other, task, day, at)
        ]
        if len(others) == 1:
            return "aircraft", f"{self.planes[others[0]]}, whose check of that day lacks the task, or "
        turned = swapped_days(self.cards["closed_on"].iloc[[at]])
        if turned.notna().all() and self._lacks(plane, task, int(day_numbers(turned)[0]), at):
            return (
                "closed_on",
                f"{turned.iloc[0]:%Y-%m-%d}, day and month exchanged: the check of that day lacks the task, or ",
            )
        begin, end = np.searchsorted(self._sorted_plane, [plane, plane + 1])
        missing = [
            k
            for k in np.unique(self.task[self.riding[begin:end]]).tolist()
            if self._lacks(plane, k, day, at) and self._in_hole(plane, k, day)
        ]
        if 0 < len(missing) <= MOST_NAMED:
            return (
                "task",
                f"{', '.join(self.tasks[missing])}, which the check of that day lacks, or ",
            )
        return "closed_on", ""

    def _in_hole(self, plane: int, task: int, day: int) -> bool:
        """Whether a task misses a card on an aircraft around a day: the cards beside it are farther apart than usual."""
        own = self._of(plane, task, -1)
        k = int(np.searchsorted(own, day))
        return 0 < k < len(own) and own[k] - own[k - 1] >= HOLE * self.usual[task]

    def beside(self, at: int) -> str:
        """Return what is usual between cards of the task, and how far the nearest one is."""
        same = np.flatnonzero(self.key == self.key[at])
        same = same[same != at]
        near = same[np.abs(self.day[same] - self.day[at]).argmin()]
        days = abs(int(self.day[near] - self.day[at]))
        return f"about {self.usual[self.task[at]]:,.0f} days between two cards of the task on an aircraft ({self.card[near]} is {days} days off)"

    def together(self, at: int) -> str:
        """Return what is usual of the cards of the task."""
        return f"other cards of the aircraft within {CHECK_DAYS} days, as the {self.n[self.task[at]] - 1:,} others of the task have"

    def missed(self, at: int) -> str:
        """Return what is missing where a card fits in."""
        return (
            "of which the cards before and after are twice as far apart as usual, with this day in the middle"
        )
