"""What the confidence of an answer covers, in words, with what was measured of it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Study:
    """What the study of stated against delivered confidence measured, for 95 % of the draws.

    Parameters
    ----------
    own_fleets, broken_fleets : int
        Fewest simulated fleets of a world that the model can hold, and of a world that breaks it.
    own, broken : tuple of float
        Least and largest share of fleets whose answer met its target in truth, over these worlds and both measures [-].
    """

    own_fleets: int
    broken_fleets: int
    own: tuple[float, float]
    broken: tuple[float, float]

    def words(self) -> str:
        """Return the figures in one sentence.

        Returns
        -------
        str
            Without its full stop.
        """
        own, broken = (
            f"{low:.0%} to {high:.0%}" if low < high else f"{low:.0%}"
            for low, high in (self.own, self.broken)
        )
        return (
            f"of simulated fleets, {own} of the answers that hold in 95 % of draws met their target in truth where the "
            f"model can hold the truth ({self.own_fleets} fleets a world or more), {broken} where the truth is outside it in one way "
            f"({self.broken_fleets} fleets a world or more)"
        )


MEASURED = Study(own_fleets=40, broken_fleets=20, own=(0.95, 1.00), broken=(1.00, 1.00))
"""Figures of docs/confidence.md; a test holds the two equal."""


def covered_words(share_of_draws: float) -> str:
    """Say what it covers that a target is met in a share of the draws, and what it does not.

    Parameters
    ----------
    share_of_draws : float
        The share that was asked for [-].

    Returns
    -------
    str
        One statement, without its full stop.
    """
    return (
        f"the confidence of {share_of_draws:.0%} covers what the evidence leaves open of life, size at onset, growth, POD and "
        f"size factor, as stated or fitted, and no truth outside the model: {MEASURED.words()}"
    )
