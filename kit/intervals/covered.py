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
    less : tuple of (float, float, float)
        For each smaller share of draws that was asked: it, and the least share of fleets that met their target, in worlds of both kinds [-].
    """

    own_fleets: int
    broken_fleets: int
    own: tuple[float, float]
    broken: tuple[float, float]
    less: tuple[tuple[float, float, float], ...]

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

    def less_words(self) -> str:
        """Return what was measured where fewer draws had to meet the target.

        Returns
        -------
        str
            Without its full stop.
        """
        (asked, own, broken), *more = self.less
        rest = "".join(f", at {asked:.0%} {own:.0%} ({broken:.0%})" for asked, own, broken in more)
        return (
            "where less is asked, fewer can meet it than is said if the truth is outside the model: in the worst world that the model "
            f"can hold (and the worst outside it), at {asked:.0%} of the draws {own:.0%} ({broken:.0%}){rest}"
        )


_MEASURED_AT = 0.95  # share of the draws that `own` and `broken` are of

MEASURED = Study(
    own_fleets=200,
    broken_fleets=100,
    own=(0.96, 1.00),
    broken=(0.96, 1.00),
    less=((0.8, 0.82, 0.62), (0.9, 0.93, 0.84)),
)
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
    less = "" if share_of_draws >= _MEASURED_AT else f"; {MEASURED.less_words()}"
    return (
        f"the confidence of {share_of_draws:.0%} covers what the evidence leaves open of life, size at onset, growth, POD and "
        f"size factor, as stated or fitted, and no truth outside the model: {MEASURED.words()}{less}"
    )
