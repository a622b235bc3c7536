"""How many hits prove a POD at one size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtr, betaincinv, ndtri

from kit.detection.curve import DetectionCurve
from kit.numerics.confidence import check_level
from kit.numerics.renamed import renamed
from kit.numerics.typing import Floats
from kit.numerics.words import percent

METHODS = ("clopper_pearson", "wilson")
"""Bounds of a chance from counts."""

_MOST = 10_000_000  # trials; a plan that needs more is none


@dataclass(frozen=True, kw_only=True)
class DemonstrationPlan:
    """A trial of damage of one size that proves a POD if few enough are missed.

    Parameters
    ----------
    pod : float
        POD to be proved [-].
    level : float
        With what confidence [-].
    misses : int
        Most misses with which it is proved.
    n_trials : int
        Damages to be tapped, each once and independently.
    chance_if_just_met : float
        Chance to pass though the POD is no better than `pod` [-].
    """

    pod: float
    level: float
    misses: int
    n_trials: int
    chance_if_just_met: float

    @property
    def confidence(self) -> float:
        """The `level` by its earlier name, for one release [-]."""
        return self.level

    @property
    def hits(self) -> int:
        """Fewest hits with which the POD is proved."""
        return self.n_trials - self.misses

    def words(self) -> str:
        """Say in a sentence what the trial shows, and how often it would show it wrongly.

        Returns
        -------
        str
            Markdown.
        """
        return (
            f"{self.hits} finds of {self.n_trials} at one size show a POD of {self.pod:g} there with {percent(self.level)} confidence: "
            f"no better than that, {percent(self.chance_if_just_met)} of such trials would pass."
        )

    def chance_to_pass(self, true_pod: ArrayLike) -> Floats:
        """Chance that the trial proves the POD.

        Parameters
        ----------
        true_pod : array_like of float
            True POD of the damage in the trial [-].

        Returns
        -------
        ndarray of float
            Chances [-].
        """
        return bdtr(self.misses, self.n_trials, 1 - np.asarray(true_pod, np.float64))

    def curve(self) -> DetectionCurve:
        """Return the proved POD as one chance for damage of the trial's size and above.

        Returns
        -------
        DetectionCurve
            Constant; it says nothing of smaller damage.
        """
        return DetectionCurve(a50=0.0, plateau=self.pod, basis="trial")


@renamed(confidence="level")
def demonstration_plan(pod: float = 0.9, level: float = 0.95, misses: int = 0) -> DemonstrationPlan:
    r"""Plan the smallest trial that proves a POD at one size.

    Parameters
    ----------
    pod : float
        POD to be proved [-].
    level : float
        With what confidence [-].
    misses : int
        Misses that are allowed.

    Returns
    -------
    DemonstrationPlan
        With 0.9, 0.95 and no miss the 29 of 29.

    Raises
    ------
    ValueError
        If an argument is out of range, or the trial would need more than ten million damages.

    Notes
    -----
    The smallest n with :math:`P(\text{misses} \le m \mid n, \mathrm{POD}) \le 1 - \text{level}`. Allowing
    misses must be decided before the trial; going on tapping until it passes proves nothing.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the
       case of the binomial," *Biometrika* 26, 1934, 404-413.

    Examples
    --------
    >>> [demonstration_plan(misses=m).n_trials for m in range(6)]
    [29, 46, 61, 76, 89, 103]
    """
    for name, value in (("pod", pod), ("level", level)):
        if not 0 < value < 1:
            raise ValueError(f"`{name}` must be above 0 and below 1. Got {value!r}.")
    if misses != int(misses) or misses < 0:
        raise ValueError(f"`misses` must be a whole number of at least 0. Got {misses!r}.")
    misses = int(misses)

    def passes(n: int) -> float:
        return float(bdtr(misses, n, 1 - pod))

    low, high = misses, misses + 1
    while passes(high) > 1 - level:
        low, high = high, 2 * high
        if high > _MOST:
            raise ValueError(f"`pod` {pod:g} needs more than {_MOST:,} damages. Ask for a lower POD.")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if passes(middle) > 1 - level else (low, middle)
    return DemonstrationPlan(
        pod=float(pod), level=float(level), misses=misses, n_trials=high, chance_if_just_met=passes(high)
    )


def pod_bounds(
    hits: ArrayLike,
    trials: ArrayLike,
    level: float = 0.95,
    method: str = "clopper_pearson",
    *,
    one_sided: bool = False,
) -> tuple[Floats, Floats]:
    """Return bounds of a POD from hits and trials on damage of about one size.

    Parameters
    ----------
    hits, trials : array_like of int
        Counts, broadcast against each other.
    level : float
        Confidence [-].
    method : str
        ``clopper_pearson``: never less than the level; ``wilson``: about the level.
    one_sided : bool
        Whether each bound by itself has that confidence; the lower one is then what is proved.

    Returns
    -------
    lower, upper : ndarray of float
        Chances [-].

    Raises
    ------
    ValueError
        If counts are not whole numbers with 0 <= hits <= trials and trials at least 1, or another
        argument is out of range.

    References
    ----------
    .. [1] E. B. Wilson, "Probable inference, the law of succession, and statistical inference," *Journal
       of the American Statistical Association* 22, 1927, 209-212.

    Examples
    --------
    >>> lower, _ = pod_bounds(29, 29, one_sided=True)
    >>> round(float(lower), 4)
    0.9019
    """
    if method not in METHODS:
        raise ValueError(f"`method` must be one of {', '.join(METHODS)}. Got {method!r}.")
    check_level(level)
    x, n = np.broadcast_arrays(np.asarray(hits, np.float64), np.asarray(trials, np.float64))
    good = (n >= 1) & (x >= 0) & (x <= n) & (x == np.rint(x)) & (n == np.rint(n)) & np.isfinite(n)
    if not good.all():
        first = np.flatnonzero(~good.ravel())[0]
        raise ValueError(
            f"`hits` must be whole numbers from 0 to `trials`, and `trials` at least 1. {(~good).sum()} of {good.size} are "
            f"not, first {x.flat[first]:g} of {n.flat[first]:g}."
        )
    tail = 1 - level if one_sided else (1 - level) / 2
    if method == "clopper_pearson":
        lower = np.where(x > 0, betaincinv(np.maximum(x, 1), n - x + 1, tail), 0.0)
        upper = np.where(x < n, betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail), 1.0)
        return lower, upper
    z = float(ndtri(1 - tail))
    share = x / n
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    reach = z / (1 + z * z / n) * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return np.where(x > 0, centre - reach, 0.0), np.where(x < n, centre + reach, 1.0)
