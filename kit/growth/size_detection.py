"""The chance that a look finds damage by the time since its onset, from POD by size and growth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.detection import DetectionCurve
from kit.growth.models import Growth
from kit.numerics.typing import Floats


@dataclass(frozen=True)
class SizeDetection:
    """Chance of detection by the delay since onset: POD by size, and growth, put together.

    It is what `kit.fit_weibull` takes as `detection`.

    Parameters
    ----------
    curve : DetectionCurve
        POD by size.
    growth : Growth
        Growth on the clock of the histories, in any form.
    """

    curve: DetectionCurve
    growth: Growth

    @property
    def finds_all(self) -> bool:
        """Whether looks find all that is there, whatever its size and side."""
        return self.curve.finds_all

    @property
    def weights(self) -> Floats:
        """Weight of each class of damage: side, size at onset, rate [-]."""
        weight = self.growth.mixture()[0]
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
        _, start, rate, largest = self.growth.mixture()
        relative = self.curve.relative(np.minimum(self.growth.grown(start, rate, delay[:, None]), largest))
        return np.concatenate([plateau * relative for _, plateau in self.curve.sides], axis=1)
