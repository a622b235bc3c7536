"""Joint draws of everything that damage does: life, size at onset, growth, detection, size as mapped."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kit.detection import DetectionCurve
from kit.growth import Growth
from kit.numerics.typing import Floats
from kit.posterior.size_detection import GrowthDetection

_DRAWN = (
    "scale", "shape", "onset_median", "onset_log_sd", "rate_median", "rate_log_sd", "no_growth_share", "form"
)  # fmt: skip


@dataclass(frozen=True, eq=False, kw_only=True)
class PodDraws:
    """Draws of a POD by size; the first entry is the central value.

    Parameters
    ----------
    a50, slope, plateau : ndarray, shape (n,)
        As for `DetectionCurve` [mm], [-], [-].
    far_side_share, far_side_plateau : ndarray, shape (n,)
        Share of damage on the side that is not tapped, and its plateau [-].
    """

    a50: Floats
    slope: Floats
    plateau: Floats
    far_side_share: Floats
    far_side_plateau: Floats

    def curve(self, i: int) -> DetectionCurve:
        """Return one of the draws as a curve.

        Parameters
        ----------
        i : int
            Which.

        Returns
        -------
        DetectionCurve
            Its POD by size.
        """
        return DetectionCurve(
            float(self.a50[i]),
            float(self.slope[i]),
            float(self.plateau[i]),
            float(self.far_side_share[i]),
            float(self.far_side_plateau[i]),
        )


@dataclass(frozen=True, eq=False, kw_only=True)
class KindDraws:
    """Draws of one kind of damage; the first entry of every array is the central value.

    Parameters
    ----------
    kind, clock : str
        Kind of damage, and the clock of life and growth.
    scale, shape : ndarray, shape (n,)
        Weibull life to the onset [clock units], [-].
    onset_median, onset_log_sd : ndarray, shape (n,)
        Size at onset, log-normal [mm], [-].
    rate_median, rate_log_sd : ndarray, shape (n,)
        Rate of damage that grows, log-normal [unit of the form], [-].
    no_growth_share : ndarray, shape (n,)
        Share of damage that stands still [-].
    form : ndarray of str, shape (n,)
        Form of growth.
    pod : PodDraws
        POD of the looks to come.
    restoration : ndarray, shape (n,) or None
        What a repair leaves of the age; None counts the first onset only [-].
    diagnostics : dict
        How the draws were made and how well: names to numbers or words.
    past_pod : PodDraws, optional
        POD of the looks that were made, where those to come are made otherwise. Default: the same.
    """

    kind: str
    clock: str
    scale: Floats
    shape: Floats
    onset_median: Floats
    onset_log_sd: Floats
    rate_median: Floats
    rate_log_sd: Floats
    no_growth_share: Floats
    form: np.ndarray
    pod: PodDraws
    restoration: Floats | None
    diagnostics: dict[str, object]
    past_pod: PodDraws | None = None

    @property
    def looked_with(self) -> PodDraws:
        """POD of the looks that were made."""
        return self.pod if self.past_pod is None else self.past_pod

    @property
    def n(self) -> int:
        """Draws, the central value included."""
        return self.scale.size

    def on_clock(self, factor: float, clock: str) -> KindDraws:
        """Return the same draws on another clock.

        Parameters
        ----------
        factor : float
            Units of this clock per unit of the other one [-].
        clock : str
            The other clock.

        Returns
        -------
        KindDraws
            With life and rates converted.
        """
        return replace(self, scale=self.scale / factor, rate_median=self.rate_median * factor, clock=clock)

    def growth(self, i: int) -> Growth:
        """Return size at onset and growth of one draw.

        Parameters
        ----------
        i : int
            Which draw; 0 is the central value.

        Returns
        -------
        Growth
            On this clock.
        """
        return Growth(
            float(self.onset_median[i]),
            float(self.onset_log_sd[i]),
            float(self.rate_median[i]),
            float(self.rate_log_sd[i]),
            float(self.no_growth_share[i]),
            clock=self.clock,
            form=str(self.form[i]),
            basis="drawn",
        )

    def detection(self, i: int) -> GrowthDetection:
        """Return the chance that a look that was made detects, by the delay since onset, of one draw.

        Parameters
        ----------
        i : int
            Which draw; 0 is the central value.

        Returns
        -------
        GrowthDetection
            On this clock, as a life fit takes it.
        """
        return GrowthDetection(
            curve=self.looked_with.curve(i),
            form=str(self.form[i]),
            onset_median=float(self.onset_median[i]),
            onset_log_sd=float(self.onset_log_sd[i]),
            rate_median=float(self.rate_median[i]),
            rate_log_sd=float(self.rate_log_sd[i]),
            no_growth_share=float(self.no_growth_share[i]),
        )

    def taken(self, rows: np.ndarray) -> KindDraws:
        """Return some of the draws.

        Parameters
        ----------
        rows : ndarray of int
            Which; one may be taken more than once.

        Returns
        -------
        KindDraws
            These.
        """

        def of_pod(pod: PodDraws) -> PodDraws:
            return PodDraws(**{name: values[rows] for name, values in vars(pod).items()})

        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in _DRAWN},
            pod=of_pod(self.pod),
            past_pod=None if self.past_pod is None else of_pod(self.past_pod),
            restoration=None
            if self.restoration is None
            else np.broadcast_to(self.restoration, self.scale.shape)[rows],
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row a draw.

        Returns
        -------
        DataFrame
            Index draw, 0 for the central value; the parameters as columns.
        """
        frame = pd.DataFrame({name: getattr(self, name) for name in _DRAWN})
        for name, value in vars(self.pod).items():
            frame[name] = value
        return frame.rename_axis("draw")

    def __repr__(self) -> str:
        """Return one line."""
        return f"KindDraws({self.kind}, {self.n - 1} draws on {self.clock})"
