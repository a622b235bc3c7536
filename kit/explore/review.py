"""Proposed corrections, decided one by one, and the corrections file that holds what was decided."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from kit.explore.writing import write_new
from kit.findings import (
    DECISION_COLUMNS,
    PROPOSAL_COLUMNS,
    Fleet,
    TableError,
    apply_corrections,
    proposals_text,
    propose_corrections,
    read_proposals,
)

_SAME = ["table", "id", "column", "old", "new"]


@dataclass(eq=False, kw_only=True)
class CorrectionsReview:
    """The proposals of a dataset and what is decided of them.

    Parameters
    ----------
    fleet : Fleet
        The dataset as loaded.
    path : Path
        The corrections file.
    frame : DataFrame
        Proposals and decisions, as text.
    told : str
        What was there at the start, in one line.
    """

    fleet: Fleet
    path: Path
    frame: pd.DataFrame
    told: str
    _known: str | None = field(default=None, repr=False)

    def __len__(self) -> int:
        """Return how many proposals there are."""
        return len(self.frame)

    def line(self, number: int) -> str:
        """Say a proposal in one line, with what was decided of it.

        Parameters
        ----------
        number : int
            Its place in the table.

        Returns
        -------
        str
            Words for a list.
        """
        row = self.frame.iloc[number]
        decided = {"yes": "accepted", "no": "left", "": "open"}.get(row["accept"].lower(), "unclear")
        return f"{row['proposal'] or 'own row'} ({decided}): {row['table']} {row['id']}, {row['column']}"

    def words(self, number: int) -> tuple[str, ...]:
        """Say a proposal whole.

        Parameters
        ----------
        number : int
            Its place in the table.

        Returns
        -------
        tuple of str
            What would change, why, how sure, and what was decided.
        """
        row = self.frame.iloc[number]
        decided = {"yes": f"Accepted by {row['by_role']} on {row['on']}.", "no": "Left as it is."}
        return (
            f"{row['table']} {row['id']}, {row['column']}: from {row['old'] or 'blank'} to {row['new'] or 'blank'}",
            f"Why: {row['why']} (trap {row['trap']}, {row['confidence']})",
            decided.get(row["accept"].lower(), "Not decided yet.")
            + (f" Note: {row['note']}" if row["note"] else ""),
        )

    def decide(
        self, number: int, accept: bool | None, *, role: str = "", on: str = "", note: str = ""
    ) -> str:
        """Accept a proposal, leave it, or open it again.

        Parameters
        ----------
        number : int
            Its place in the table.
        accept : bool or None
            None opens it again.
        role, on, note : str
            Role (not name) and day of who accepts, as YYYY-MM-DD; anything else to be said.

        Returns
        -------
        str
            What was done, or why nothing was, in one line.
        """
        role, on, note = (one.strip() for one in (role, on, note))
        if accept:
            if not role:
                return "Not accepted: say the role of who accepts, not a name."
            try:
                if len(on) != len("YYYY-MM-DD"):
                    raise ValueError
                dt.date.fromisoformat(on)
            except ValueError:
                return f"Not accepted: the day must be written as YYYY-MM-DD. Got {on!r}."
        cells = {True: ("yes", role, on, note), False: ("no", "", "", note), None: ("", "", "", "")}[accept]
        self.frame.loc[self.frame.index[number], list(DECISION_COLUMNS)] = list(cells)
        return {True: "Accepted", False: "Left as it is", None: "Open again"}[accept] + "; not written yet."

    @property
    def counts(self) -> str:
        """How many are decided, in words."""
        said = self.frame["accept"].str.lower()
        return f"{len(self.frame)} proposals: {(said == 'yes').sum()} accepted, {(said == 'no').sum()} left, {(said == '').sum()} open"

    def summary(self, *, most: int = 5) -> tuple[str, ...]:
        """Say how many proposals are decided, and the first of them whole.

        Parameters
        ----------
        most : int
            Proposals said whole.

        Returns
        -------
        tuple of str
            Sentences, the last a list.
        """
        lines = [f"- {'; '.join(self.words(number))}" for number in range(min(most, len(self)))]
        return (f"{self.counts}.", "\n".join(lines))

    def write(self) -> str:
        """Write the corrections file, and try whether what was accepted fits together.

        Returns
        -------
        str
            What became of it, in one line.
        """
        if not len(self.frame):
            return "Nothing is written: there is no proposal."
        content = proposals_text(self.frame)
        told = write_new(self.path, content, self.counts, known=self._known)
        if not told.startswith("Written"):
            return told
        self._known = content
        try:
            apply_corrections(self.fleet, self.path)
        except TableError as error:
            first = error.problems.iloc[0]
            return f"{told} It does NOT apply yet: {first['column']}, {first['reason']} (row {first['row']}); {first['mend']}."
        except ValueError as error:
            return f"{told} It does NOT apply yet: {' '.join(str(error).split())}"
        return f"{told} What was accepted fits together; kit.findings.apply_corrections takes it."


def corrections_review(fleet: Fleet, path: str | Path) -> CorrectionsReview:
    """Make the proposals of a dataset ready to be decided; what a file holds already is taken over.

    Parameters
    ----------
    fleet : Fleet
        The dataset as loaded.
    path : str or Path
        The corrections file, there or not.

    Returns
    -------
    CorrectionsReview
        Proposals of today with the decisions of the file. Rows of the file that are proposed no more stay in it. A file
        that cannot be read is never written over.
    """
    path = Path(path)
    frame = (
        propose_corrections(fleet)
        .reindex(columns=[*PROPOSAL_COLUMNS, *DECISION_COLUMNS], fill_value="")
        .astype("str")
    )
    told, known = f"{len(frame)} proposals; {path.name} is not there yet.", None
    if path.exists():
        try:
            # The bytes and not the cells are held against the file before it is written again.
            known = path.read_bytes().decode("utf-8")
            before = read_proposals(path)
        except (TableError, OSError, UnicodeDecodeError) as error:
            line = error.problems.iloc[0]["reason"] if isinstance(error, TableError) else str(error)
            told = f"{path.name} is there and cannot be read ({line}): nothing will be written to it."
            return CorrectionsReview(fleet=fleet, path=path, frame=frame, told=told, _known=None)
        frame = _taken_over(frame, before)
        decided = int((before["accept"] != "").sum())
        told = f"{path.name} is there already: {decided} decisions in it are taken over."
    elif not len(frame):
        told = "Nothing is proposed: no correction is suggested by these data."
    return CorrectionsReview(
        fleet=fleet, path=path, frame=frame.reset_index(drop=True), told=told, _known=known
    )


def _taken_over(frame: pd.DataFrame, before: pd.DataFrame) -> pd.DataFrame:
    """Return proposals with the decisions of an earlier file, and the rows of it that are proposed no more."""
    keys = pd.MultiIndex.from_frame(before[_SAME])
    first = before[~keys.duplicated()].set_index(_SAME)
    own = pd.MultiIndex.from_frame(frame[_SAME])
    out = frame.copy()
    shared = own.isin(first.index)
    out.loc[shared, list(DECISION_COLUMNS)] = first.reindex(own[shared])[list(DECISION_COLUMNS)].to_numpy()
    rest = before[~keys.isin(own)]
    return pd.concat([out, rest], ignore_index=True).astype("str")
