"""What the answers about programmes have in common."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from kit.programmes.group import Group


class Tabled:
    """An answer whose table is its `frame`; what a row is stands with the frame."""

    frame: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return the table of the answer.

        Returns
        -------
        DataFrame
            As `frame` says.
        """
        return self.frame


class OfGroup(Tabled):
    """An answer that assumes of a group what the group itself does, and nothing more."""

    group: Group

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What does not come from data."""
        return self.group.assumptions
