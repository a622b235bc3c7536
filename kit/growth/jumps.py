"""Did mapped damage jump between two mappings by more than its growth and the error of a size allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from kit.growth.track_likelihood import JUMP_LIMITS, TrackLikelihood

_FACTOR = {"median": 2.5, "log_sd": 0.5}
"""By how much damage jumps, if it does (assumed, no source) [-]."""
_SOME = 0.03  # share of the steps with a jump at which it is first asked whether any tells of one
_WORTH = 0.3  # loss of log-likelihood there, over that share, for each step, beyond which none does
_MOST, _MOST_NAMED = 400, 5
TOLD = 2.0
"""Twice the gain of log-likelihood by jumps from which on they are told."""


@dataclass(frozen=True, kw_only=True)
class Jumps:
    """Steps between two mappings of one damage, and in how many of them it jumped.

    Parameters
    ----------
    n_steps, n_jumped : int
        Steps between mappings at different ages; those in which a jump is likelier than none.
    share : float
        Share of the steps with a jump at the maximum of the likelihood [-].
    statistic : float
        Twice the gain of log-likelihood by that share [-].
    damages : tuple of int
        Which damages jumped, in the order of their names, the surest first.
    panels : tuple of str
        Their panels, where they are known.
    """

    n_steps: int
    n_jumped: int = 0
    share: float = 0.0
    statistic: float = 0.0
    damages: tuple[int, ...] = ()
    panels: tuple[str, ...] = ()

    @property
    def is_told(self) -> bool:
        """Whether jumps are told."""
        return self.statistic > TOLD and self.n_jumped > 0

    def words(self, kind: str) -> str:
        """Say what was found, and what it does to an interval.

        Parameters
        ----------
        kind : str
            Kind of damage.

        Returns
        -------
        str
            One sentence.
        """
        named = ", ".join(self.panels[:_MOST_NAMED]) + (", ..." if len(self.panels) > _MOST_NAMED else "")
        where = f" (panels {named})" if named else ""
        return (
            f"the mapped damages of {kind} jumped in {self.n_jumped} of {self.n_steps} steps between two mappings that were looked at{where}, by more than fitted "
            "growth and the error of a size allow (about one fleet in a hundred without jumps looks so): growth in jumps is not in "
            "the draws, and the interval may be too long; look at whether these mappings are of one damage and their sizes right, "
            "what came between, and whether growth in proportion to size is among the question's growth_forms"
        )


def find_jumps(likelihood: TrackLikelihood) -> Jumps:
    """Ask of repeat mappings whether damage jumped in more steps than fitted growth allows.

    Parameters
    ----------
    likelihood : TrackLikelihood
        Of growth without jumps, about its highest point.

    Returns
    -------
    Jumps
        Of at most 400 damages, evenly chosen.

    Notes
    -----
    The likelihood is maximised once more with a share of the steps in which the damage becomes a factor larger at once
    (median 2.5, log standard deviation .5), all other parameters and their priors beside it: jumps that widened the
    spread of rates and the error of a size are so told all the same. A jump in a damage mapped twice counts as far as the
    others leave no rate that fast likely. Growth of another form than the fitted one can look like jumps: damage that grows in
    proportion to its size, fitted straight, does so in four of ten fleets.

    Of 465 simulated fleets whose damage does not jump (sizes rounded to 5 or 10 mm, spreads drawn from their priors, growth in
    proportion, growth that stops) 5 tell of jumps (1.1 %), by the likeliest of straight and proportional growth. Where a tenth
    of the damage becomes three times as large, mostly when it is not under watch, 23 % of fleets with some 35 steps do; where
    three tenths do, half of them.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from kit.growth import fit_tracks
    >>> rng = np.random.default_rng(3)
    >>> size = 30 * np.exp(0.3 * rng.standard_normal((30, 1)) + 0.1 * rng.standard_normal((30, 3)))
    >>> size[:4, 2] *= 3.0
    >>> ages = np.tile([0.0, 2000.0, 4000.0], 30)
    >>> frame = pd.DataFrame({"track": np.repeat(np.arange(30), 3), "age": ages, "diameter_mm": size.ravel()})
    >>> find_jumps(fit_tracks(frame, may_stand_still=False).likelihood).is_told
    True
    """
    asked = likelihood.with_jumps(**_FACTOR, most=_MOST)
    at = asked.names.index("jump_share")
    begin = asked.estimate
    if (
        likelihood.n_tracks + likelihood.n_once > _MOST
    ):  # of some damages another point is the highest without jumps
        begin, _ = asked.highest({"jump_share": JUMP_LIMITS[0]})
    none = float(asked.log_posterior(begin)[0])
    begin = begin.copy()
    begin[at] = logit(_SOME)
    some = float(asked.log_posterior(begin)[0])
    n_steps = asked.jump_chances(begin)[0].size
    if not some - none > -_WORTH * _SOME * n_steps:
        return Jumps(n_steps=n_steps)
    best, top = asked.highest(begin=begin)
    if not best[at] > JUMP_LIMITS[0] + 1:
        return Jumps(n_steps=n_steps)
    chance, damage = asked.jump_chances(best)
    surest = np.argsort(-chance, kind="stable")[: int((chance > 0.5).sum())]
    every = -(-(likelihood.n_tracks + likelihood.n_once) // _MOST)
    return Jumps(
        n_steps=n_steps,
        n_jumped=surest.size,
        share=float(expit(best[at])),
        statistic=float(2 * (top - none)),
        damages=tuple((every * damage[surest]).tolist()),
    )
