"""Which panels, and how many, a sample must hold, and what a clean one then supports."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import gammaln

from kit.intervals import QuestionError
from kit.numerics.confidence import check_level
from kit.programmes.group import Group, band
from kit.programmes.present import PresentState, present_state
from kit.programmes.result import OfGroup

_CONFIDENCE = 0.95  # of what a sample shows (common practice, no source)
_FEW_DRAWS = 30


def chance_none_found(panels: int, damaged: int, sample: int, *, pod: float = 1.0) -> float:
    r"""Chance that a sample drawn at random finds nothing although some panels are damaged.

    Parameters
    ----------
    panels, damaged, sample : int
        Panels of the fleet, those that are damaged, and those that are looked at.
    pod : float
        Chance that a look finds damage that is there [-].

    Returns
    -------
    float
        Chance [-].

    Raises
    ------
    QuestionError
        If a number is impossible.

    Notes
    -----
    The number of damaged ones in the sample is hypergeometric, and each is missed with chance 1 - POD:
    :math:`\sum_k \binom{D}{k}\binom{N-D}{n-k}/\binom{N}{n}\,(1-\mathrm{POD})^k`.

    Examples
    --------
    >>> round(chance_none_found(100, 5, 45), 4)
    0.0462
    """
    for name, value, most in (
        ("panels", panels, None),
        ("damaged", damaged, panels),
        ("sample", sample, panels),
    ):
        if isinstance(value, bool) or int(value) != value or value < 0 or (most is not None and value > most):
            raise QuestionError(
                f"sample: `{name}` must be a whole number of at least 0{'' if most is None else f' and at most {most}'}. Got {value!r}."
            )
    if not 0 < pod <= 1:
        raise QuestionError(f"sample: `pod` must be above 0 and at most 1. Got {pod!r}.")
    k = np.arange(max(0, sample - (panels - damaged)), min(sample, damaged) + 1)

    def choose(n: object, r: object) -> np.ndarray:
        return gammaln(np.add(n, 1)) - gammaln(np.add(r, 1)) - gammaln(np.subtract(n, r) + 1)

    log_share = choose(damaged, k) + choose(panels - damaged, sample - k) - choose(panels, sample)
    return float(np.minimum((np.exp(log_share) * (1 - pod) ** k).sum(), 1.0))


@dataclass(frozen=True, kw_only=True)
class SamplePlan:
    """A sample of a fleet drawn at random, and what it supports if nothing is found.

    Parameters
    ----------
    panels, sample : int
        Panels of the fleet, and how many are to be looked at; a sample of more than the fleet means that no sample is
        enough.
    allowed : int
        Damaged panels that are still allowed.
    confidence : float
        Confidence with which a clean sample shows that there are no more [-].
    pod : float
        Chance that a look finds damage that is there [-].
    """

    panels: int
    sample: int
    allowed: int
    confidence: float
    pod: float

    @property
    def is_enough(self) -> bool:
        """Whether some sample is enough at all."""
        return self.sample <= self.panels

    def to_frame(self) -> pd.DataFrame:
        """Return one row.

        Returns
        -------
        DataFrame
            Columns panels, sample, allowed, confidence, pod.
        """
        return pd.DataFrame([vars(self)])

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            One sentence.
        """
        if not self.is_enough:
            return (
                f"No sample of {self.panels} panels is enough: looks with POD {self.pod:g} miss more than {1 - self.confidence:.0%} allows.",
            )
        return (
            f"{self.sample} of {self.panels} panels, drawn at random and all clean by looks with POD {self.pod:g}, show with "
            f"{self.confidence:.0%} confidence that at most {self.allowed} are damaged. A sample that is not drawn at random shows less.",
        )


def sample_plan(panels: int, *, allowed: int, confidence: float = 0.95, pod: float = 1.0) -> SamplePlan:
    """Find the smallest random sample that, if clean, shows that no more panels than allowed are damaged.

    Parameters
    ----------
    panels : int
        Panels of the fleet.
    allowed : int
        Damaged ones that are still allowed.
    confidence : float
        Confidence wanted [-].
    pod : float
        Chance that a look finds damage that is there [-].

    Returns
    -------
    SamplePlan
        With a sample of one more than the fleet where even all panels are not enough.

    Raises
    ------
    QuestionError
        If a number is impossible.
    """
    check_level(confidence)
    chance_none_found(panels, min(allowed + 1, panels), 0, pod=pod)  # refuses what is impossible
    if allowed + 1 > panels:
        raise QuestionError(f"sample: `allowed` must be below the {panels} panels. Got {allowed!r}.")
    low, high = 0, panels + 1
    for _ in range(64):  # the chance falls as the sample grows
        if high - low <= 1:
            break
        middle = (low + high) // 2
        if chance_none_found(panels, allowed + 1, middle, pod=pod) <= 1 - confidence:
            high = middle
        else:
            low = middle
    return SamplePlan(panels=panels, sample=high, allowed=allowed, confidence=confidence, pod=pod)


@dataclass(frozen=True, eq=False, kw_only=True)
class FleetLeaders(OfGroup):
    """The panels that a sample of leaders holds, and what the rest is like if it is clean.

    Parameters
    ----------
    group : Group
        The group.
    frame : DataFrame
        The leaders: panel, aircraft, zone, age_hours, hours_since_look, damage, beyond, found.
    chance_clean : float
        Chance that all of them are clean [-].
    before, after : tuple of float
        Expected panels with unfound damage beyond the limit among the others, before and after a clean sample: middle,
        lower, upper.
    effective : float
        Joint draws that a clean sample would leave to count [-].
    random_plan : SamplePlan
        What as many panels, drawn at random, would show.
    """

    group: Group
    frame: pd.DataFrame
    chance_clean: float
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    effective: float
    random_plan: SamplePlan

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader must know."""
        own = "leaders speak for the others only as far as life and growth are shared: another lot, base or repair may not be"
        few = (
            (
                f"a clean sample would leave {self.effective:.0f} joint draws to count: what it shows is not told sharply",
            )
            if self.effective < _FEW_DRAWS
            else ()
        )
        return (own, *few, *self.group.cautions)

    def __repr__(self) -> str:
        """Return one line."""
        return f"FleetLeaders({self.group.ask.group}: {len(self.frame)} panels, all clean with {self.chance_clean:.1%})"

    def words(self) -> tuple[str, ...]:
        """Say the answer in sentences.

        Returns
        -------
        tuple of str
            Which, how likely they are clean, and what that shows.
        """
        rest = len(self.group.living) - len(self.frame)
        return (
            f"The {len(self.frame)} leaders of {self.group.ask.group} are all clean with {self.chance_clean:.1%} chance.",
            "If they are, the other {} panels are to be expected with {:.2f} damages beyond the limit unfound ({:.2f} to {:.2f}); now it is "
            "{:.2f} ({:.2f} to {:.2f}).".format(rest, *self.after, *self.before),
            *self.random_plan.words(),
        )  # fmt: skip


def fleet_leaders(group: Group, *, sample: int, state: PresentState | None = None) -> FleetLeaders:
    """Choose the panels most likely to be found damaged, and say what they show of the others if they are clean.

    Parameters
    ----------
    group : Group
        The group.
    sample : int
        How many are looked at.
    state : PresentState, optional
        What stands on the panels today, so that it is not worked out again.

    Returns
    -------
    FleetLeaders
        Draws under which the leaders would have shown damage count for less once they are clean.

    Raises
    ------
    QuestionError
        If the sample is not between 1 and the panels of the group less one.
    """
    n = len(group.living)
    if isinstance(sample, bool) or int(sample) != sample or not 1 <= sample < n:
        raise QuestionError(f"sample: `sample` must be a whole number from 1 to {n - 1}. Got {sample!r}.")
    now = present_state(group) if state is None else state
    order = np.argsort(-now.frame["found"].to_numpy(), kind="stable")
    leaders, rest = order[:sample], order[sample:]
    clean = np.exp(np.log1p(-np.minimum(now.found[:, leaders], 1 - 1e-9)).sum(axis=1))
    weight = clean / clean.sum()
    others = now.beyond[:, rest].sum(axis=1)
    middle, low, high = band(others)
    spread = np.argsort(others)
    cumulative = np.cumsum(weight[spread])
    bounds = others[spread][np.minimum(np.searchsorted(cumulative, [0.5, 0.05, 0.95]), others.size - 1)]
    pod = float(np.clip(now.found.sum() / max(now.damage.sum(), 1e-12), 1e-3, 1.0))
    plan = SamplePlan(
        panels=n, sample=sample, allowed=_shown(n, sample, pod), confidence=_CONFIDENCE, pod=pod
    )
    names = ["panel", "aircraft", "zone", "age_hours", "hours_since_look", "damage", "beyond", "found"]
    return FleetLeaders(
        group=group,
        frame=now.frame.iloc[leaders][names].reset_index(drop=True),
        chance_clean=float(clean.mean()),
        before=(float(middle), float(low), float(high)),
        after=tuple(float(x) for x in bounds),
        effective=float(1 / (weight**2).sum()),
        random_plan=plan,
    )


def _shown(panels: int, sample: int, pod: float, confidence: float = _CONFIDENCE) -> int:
    """Fewest damaged panels that a clean random sample rules out, less one."""
    low, high = 0, panels - 1
    for _ in range(64):
        if high - low <= 0:
            break
        middle = (low + high) // 2
        if chance_none_found(panels, middle + 1, sample, pod=max(pod, 1e-3)) <= 1 - confidence:
            high = middle
        else:
            low = middle + 1
    return low
