"""What a fleet in parts says to a question: looks, lives and regions are worked out over the parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from kit.cluster.histories import TABLES_OF_LOOKS
from kit.cluster.parts import Parts
from kit.cluster.regions import joined_regions, own_regions
from kit.cluster.work import over_parts
from kit.findings import TABLES, build_looks, clean_methods
from kit.intervals import Evidence, Question, kind_asked, read_question, with_numbers
from kit.life import RestorationFit
from kit.posterior import KindDraws
from kit.programmes import PanelLives, PresentChances, PresentState, group_of, present_chances
from kit.programmes import present_state as present_in_memory

if TYPE_CHECKING:
    from distributed import Client

TOGETHER = 2000
"""Panels whose chances are worked out in one go."""


@dataclass(eq=False)
class PartsEvidence(Evidence):
    """Evidence of a fleet whose looks stay with its parts; what a question asks of them is gathered.

    Parameters
    ----------
    fleet : Fleet
        The fleet without its looks.
    parts : Parts
        The fleet in parts.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    groups : tuple of str
        Groups of zones whose looks are gathered; empty: all.
    """

    parts: Parts | None = None
    client: Any = None
    groups: tuple[str, ...] = ()

    def as_known_on(self, date: object) -> Evidence:
        """Return the evidence as it stood on a day, which must be that of the parts.

        Parameters
        ----------
        date : date, str or None
            The day; None for all that is known.

        Returns
        -------
        Evidence
            This one.

        Raises
        ------
        ValueError
            If the parts hold more than was known on that day.
        """
        if date is not None and pd.Timestamp(date) < self.fleet.known_on:
            raise ValueError(
                f"`date` must be {self.fleet.known_on:%Y-%m-%d} or later, the day of these parts. Got {date}. Write parts of "
                "that day: write_parts(fleet.as_known_on(day), ...)."
            )
        return self

    def up_to(self, date: object) -> Evidence:
        """Refuse a day before the cut-off, as `as_known_on` does.

        Parameters
        ----------
        date : date or str
            The day.

        Returns
        -------
        Evidence
            This one.

        Raises
        ------
        ValueError
            If the parts hold events after that day.
        """
        if pd.Timestamp(date) < self.fleet.cut_off:
            raise ValueError(
                f"`date` must be {self.fleet.cut_off:%Y-%m-%d} or later, the cut-off of these parts. Got {date}. Write parts of "
                "the events up to that day."
            )
        return self

    @property
    def fingerprint(self) -> dict[str, str]:
        """Digest of every table as the parts were written."""
        return dict(self.parts.head["fingerprint"])

    @property
    def traps(self) -> pd.DataFrame:
        """Records that look like a trap which moves an answer, found when the parts were written."""
        return self.parts.traps()

    @property
    def regions(self) -> pd.DataFrame:
        """Regions of the findings with life and track, sizes as mapped."""
        return self._of_parts([("regions",)])[0]

    def all_looks(self, kind: str, basis: Sequence[str]) -> pd.DataFrame:
        """Return the looks at the groups that bear on a kind, whatever they found.

        Parameters
        ----------
        kind : str
            Kind of damage; only methods that can see it count.
        basis : sequence of str
            Which looks count.

        Returns
        -------
        DataFrame
            As `kit.findings.build_looks` gives it.
        """
        return self._of_parts([self._all_looks_key(kind, basis)])[0]

    def looks(
        self, groups: Sequence[str], kind: str, clock: str, basis: Sequence[str], prevalent: str = "left_out"
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return the looks and finds of the panels of some groups that bear on a kind, with ages.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage; only methods that can see it count.
        clock : str
            Clock of the ages.
        basis : sequence of str
            Which looks count.
        prevalent : str
            As for `kit.build_histories`.

        Returns
        -------
        looks, excluded : DataFrame
            As `kit.life.panel_looks` gives them.
        """
        return self._of_parts([self._looks_key(groups, kind, clock, basis, prevalent)])[0]

    def restoration(self, groups: Sequence[str], kind: str, clock: str) -> RestorationFit:
        """Refuse: what repairs leave of the age is not fitted over parts.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.

        Raises
        ------
        ValueError
            Always.
        """
        raise ValueError("it is not fitted over the parts of a fleet.")

    def gather(self, ask: Question) -> PartsEvidence:
        """Read each part once for all that a question asks of it.

        Parameters
        ----------
        ask : Question
            The question, with the numbers of its POD.

        Returns
        -------
        PartsEvidence
            This one.
        """
        keys: list[tuple] = [("regions",)]
        for mode in ask.modes:
            seen, sizes = kind_asked(ask, mode), ask.growth_groups or (ask.group,)
            keys.append(self._all_looks_key(seen, ask.basis))
            for name in (ask.group, *ask.life_groups):
                keys.append(self._looks_key((name,), seen, mode.clock, ask.basis, ask.prevalent))
            if mode.onset == "fit":
                keys.append(self._looks_key(sizes, seen, mode.clock, ask.basis, "left_out"))
        self._of_parts(list(dict.fromkeys(keys)))
        return self

    def _all_looks_key(self, kind: str, basis: Sequence[str]) -> tuple:
        zones = tuple(self.zones_of(self.groups)) if self.groups else None
        return ("looks", clean_methods(kind), tuple(basis), zones)

    def _looks_key(
        self, groups: Sequence[str], kind: str, clock: str, basis: Sequence[str], prevalent: str
    ) -> tuple:
        return ("panel looks", tuple(sorted(groups)), kind, clock, tuple(basis), prevalent)

    def _of_parts(self, keys: list[tuple]) -> list[Any]:
        missing = [key for key in keys if key not in self._kept]
        if missing:
            work = partial(read_of_part, self.parts, missing)
            found = over_parts(work, range(len(self.parts)), client=self.client)
            for i, key in enumerate(missing):
                self._kept[key] = _together(key[0], [one[i] for one in found])
        return [self._kept[key] for key in keys]


def read_of_part(parts: Parts, keys: Sequence[tuple], part: int) -> list[Any]:
    """Work out what evidence asks of the panels of one part.

    Parameters
    ----------
    parts : Parts
        The fleet.
    keys : sequence of tuple
        What is asked: regions, looks, or looks of panels with their ages.
    part : int
        Number of the part.

    Returns
    -------
    list
        One table, or pair of tables, a key.
    """
    outlines = any(key[0] == "regions" for key in keys)
    tables = tuple(TABLES) if outlines else TABLES_OF_LOOKS
    fleet = parts.fleet(part, tables, outlines=outlines)
    evidence, out = Evidence(fleet), []
    for what, *asked in keys:
        if what == "regions":
            out.append(own_regions(parts, part, fleet, evidence.regions))
        elif what == "looks":
            methods, basis, zones = asked
            looks = build_looks(fleet, methods=methods, basis=basis)
            here = np.ones(len(looks), bool) if zones is None else looks["zone"].isin(zones).to_numpy()
            out.append(looks[here & parts.own(looks["panel"], part)])
        else:
            looks, excluded = evidence.looks(*asked)
            out.append((looks[parts.own(looks["life"], part)], excluded[parts.own(excluded["life"], part)]))
    return out


def _together(what: str, found: list[Any]) -> Any:
    """Put what the parts gave together in the order that it has in memory."""
    if what == "regions":
        return joined_regions(found)
    if what == "looks":
        keys = ["panel", "looked_on", "method", "look"]
        return pd.concat(found, ignore_index=True).sort_values(keys, kind="stable", ignore_index=True)
    looks, excluded = (pd.concat([one[i] for one in found], ignore_index=True) for i in (0, 1))
    by_life = {"by": "life", "kind": "stable", "ignore_index": True}
    return looks.sort_values(**by_life), excluded.sort_values(**by_life)


def evidence_of(
    parts: Parts, question: Question | str | Path | None = None, *, client: Client | None = None
) -> PartsEvidence:
    """Return what a fleet in parts says to a question, ready for every call that takes evidence.

    Parameters
    ----------
    parts : Parts
        The fleet.
    question : Question, str or Path, optional
        What is asked: looks at its groups alone are gathered. Without one, all are.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here, one after the other.

    Returns
    -------
    PartsEvidence
        Looks, lives, regions, growth and sizes equal those of the whole fleet in memory.
    """
    fleet = parts.without_looks()
    if question is None:
        return PartsEvidence(fleet, parts=parts, client=client)
    ask = with_numbers(read_question(question), fleet)
    groups = tuple(sorted({ask.group, *ask.life_groups, *ask.growth_groups}))
    return PartsEvidence(fleet, parts=parts, client=client, groups=groups).gather(ask)


def present_state(
    parts: Parts, question: Question | str | Path, *, client: Client | None = None, **asked: Any
) -> PresentState:
    """Work out what stands on each living panel of a group today, as `kit.programmes.present_state` does in memory.

    Parameters
    ----------
    parts : Parts
        The fleet.
    question : Question, str or Path
        The question.
    client : Client, optional
        A connected Dask client; without one the parts are worked on here.
    **asked : object
        As `kit.programmes.group_of` takes it: draws and so on.

    Returns
    -------
    PresentState
        The same chances.

    Raises
    ------
    QuestionError
        If the question is wrong or the data cannot answer it as it stands.
    """
    group = group_of(evidence_of(parts, question, client=client), question, **asked)
    return present_in_memory(group, chances=partial(_chances, client))


def _chances(client: Client | None, lives: PanelLives, draws: KindDraws, **asked: Any) -> PresentChances:
    """Work out chances of some panels at a time, each from the point at which it stands among all."""
    multiplier = asked.pop("multiplier", None)
    starts = list(range(0, len(lives), TOGETHER))
    pieces = [
        (start, lives.take(np.arange(start, min(start + TOGETHER, len(lives)))), None if multiplier is None else multiplier[:, start : start + TOGETHER])
        for start in starts
    ]  # fmt: skip
    found = over_parts(partial(_piece, draws, asked), pieces, client=client)
    if len(found) == 1:
        return found[0]
    names = ("damage", "beyond", "found", "found_beyond")
    return PresentChances(
        **{name: np.concatenate([getattr(one, name) for one in found], axis=1) for name in names}
    )


def _piece(draws: KindDraws, asked: dict[str, Any], piece: tuple[int, PanelLives, Any]) -> PresentChances:
    start, lives, multiplier = piece
    return present_chances(lives, draws, multiplier=multiplier, first=start, **asked)
