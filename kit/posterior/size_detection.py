"""Chance of detection by the delay since onset, for growth of any form."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtri

from kit.detection import DetectionCurve
from kit.growth import as_form
from kit.numerics.quadrature import unit_nodes
from kit.numerics.typing import Floats

_STARTS, _RATES = 4, 3


@dataclass(frozen=True, eq=False, kw_only=True)
class GrowthDetection:
    """POD by size and growth put together: what a life fit takes as `detection`.

    Parameters
    ----------
    curve : DetectionCurve
        POD by size.
    form : str
        Form of growth.
    onset_median, onset_log_sd : float
        Size at onset, log-normal [mm], [-].
    rate_median, rate_log_sd : float
        Rate of damage that grows, log-normal [unit of the form], [-].
    no_growth_share : float
        Share of damage that stands still [-].
    """

    curve: DetectionCurve
    form: str
    onset_median: float
    onset_log_sd: float
    rate_median: float
    rate_log_sd: float
    no_growth_share: float

    @cached_property
    def _classes(self) -> tuple[Floats, Floats, Floats]:
        """Return weight, size at onset and rate of each class of damage."""
        x, w = unit_nodes(_STARTS)
        y, v = unit_nodes(_RATES)
        start = self.onset_median * np.exp(self.onset_log_sd * ndtri(x))
        rate = np.r_[0.0, self.rate_median * np.exp(self.rate_log_sd * ndtri(y))]
        share = np.r_[self.no_growth_share, (1 - self.no_growth_share) * v]
        return np.outer(w, share).ravel(), np.repeat(start, rate.size), np.tile(rate, start.size)

    @property
    def weights(self) -> Floats:
        """Weight of each class of damage: side, size at onset, rate [-]."""
        weight = self._classes[0]
        return np.concatenate([share * weight for share, _ in self.curve.sides])

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection at each delay.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to the look [clock units].

        Returns
        -------
        ndarray, shape (n, n_classes)
            Chances [-].
        """
        # Single precision is exact to 1e-6 here, and several times as fast.
        _, start, rate = (part.astype(np.float32) for part in self._classes)
        time = np.maximum(delay, 0.0).astype(np.float32)[:, None]
        with np.errstate(over="ignore", divide="ignore"):
            if self.form == "linear":
                log_size = np.log(start + rate * time)
            else:
                law = as_form(self.form)
                log_size = np.log(law.size_at(law.position(start) + rate * time)).astype(np.float32)
            relative = np.exp(self.curve.slope * (np.float32(np.log(self.curve.a50)) - log_size))
        relative = 1.0 / (1.0 + relative)
        sides = [plateau * relative for _, plateau in self.curve.sides]
        return sides[0] if len(sides) == 1 else np.concatenate(sides, axis=1)
