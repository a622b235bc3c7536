"""What looks that may miss say of the age at onset."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.likelihood import SumTerms
from kit.life.lives.censored import Histories, looks_with_entries
from kit.numerics.quadrature import unit_nodes
from kit.numerics.refusals import described
from kit.numerics.typing import Floats


class Detection(Protocol):
    """What a fit needs to know of imperfect looks: see `kit.detection`."""

    weights: Floats

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection at a delay after onset, one column for each class of damage."""


DetectionInput = float | Mapping[str, "float | Detection"] | Detection
"""What a fit takes as its detection: a chance, one for each method, or a model of it."""


def as_detection(detection: DetectionInput, *, name: str = "detection") -> Detection:
    """Make what a fit was given as detection into a model of it: the one place where that is done.

    Parameters
    ----------
    detection : float, mapping of str to float or Detection, or Detection
        A chance that holds for every look, of any kind of number; one by method of the look; or anything with
        `weights` and `pod_at_delay`, such as a curve, a fitted POD or `SizeDetection` (`kit.detection`).
    name : str
        Name of the argument, for messages.

    Returns
    -------
    Detection
        The model.

    Raises
    ------
    TypeError
        If it is none of these.
    ValueError
        If a chance is not above 0 and at most 1.
    """
    if isinstance(detection, Mapping):
        return MethodDetection(detection)
    if (
        hasattr(detection, "pod_at_delay")
        and hasattr(detection, "weights")
        and not isinstance(detection, type)
    ):
        return detection
    number = (
        detection.item()
        if isinstance(detection, np.ndarray | np.generic) and np.ndim(detection) == 0
        else detection
    )
    if isinstance(number, int | float) and not isinstance(number, bool):
        return ConstantDetection(float(number))
    raise TypeError(
        f"`{name}` must be a chance above 0 and at most 1, a mapping of method to chance, or a model of it such as "
        f"`DetectionCurve`, `SizeDetection` or a fitted POD. Got {described(detection)}. For looks that find what is there "
        "leave it out."
    )


def finds_all(detection: DetectionInput) -> bool:
    """Return whether looks find all that is there, so that what they showed needs no model of what they missed.

    Parameters
    ----------
    detection : float, mapping or Detection
        As `as_detection` takes it.

    Returns
    -------
    bool
        True for a chance of 1 for every look and every damage.
    """
    return bool(getattr(as_detection(detection), "finds_all", False))


def pod_of_looks(model: Detection, delay: Floats, method: NDArray[np.object_] | None) -> Floats:
    """Chance of detection at looks, by their method where the model distinguishes methods.

    Parameters
    ----------
    model : Detection
        Chance of detection.
    delay : ndarray, shape (n,)
        Time from onset to each look [clock units].
    method : ndarray of object, shape (n,) or None
        Method of each look.

    Returns
    -------
    ndarray, shape (n, n_classes)
        Chances [-].
    """
    if isinstance(model, MethodDetection):
        if method is None:
            raise ValueError(
                "`detection` by method needs the method of each look. Got histories without; give `from_looks` a column method."
            )
        return model.pod_by_method(delay, method)
    return model.pod_at_delay(delay)


@dataclass(frozen=True)
class MethodDetection:
    """Looks whose chance to find damage depends on their method.

    Parameters
    ----------
    pods : mapping of str to Detection or float
        By method: a chance, or a model of it. All models have the same classes of damage.
    hidden_share : float
        Share of damage that no look can find, where all of `pods` are chances [-].

    Raises
    ------
    ValueError
        If `pods` is empty, or its models have different classes of damage.
    """

    pods: Mapping[str, Detection | float]
    hidden_share: float = 0.0

    def __post_init__(self) -> None:
        """Check that the methods go together."""
        if not self.pods:
            raise ValueError("`pods` must name at least one method. Got none.")
        weights = [np.asarray(model.weights) for model in self._models.values()]
        if any(w.shape != weights[0].shape or not np.allclose(w, weights[0]) for w in weights):
            raise ValueError("`pods` must be models with the same classes of damage. Their weights differ.")

    @property
    def _models(self) -> dict[str, Detection]:
        models = {name: as_detection(pod, name=f"detection[{name!r}]") for name, pod in self.pods.items()}
        return {
            name: ConstantDetection(model.pod, self.hidden_share)
            if isinstance(model, ConstantDetection)
            else model
            for name, model in models.items()
        }

    @property
    def finds_all(self) -> bool:
        """Whether looks by any of the methods find all that is there."""
        return all(getattr(model, "finds_all", False) for model in self._models.values())

    @property
    def weights(self) -> Floats:
        """Shares of the classes of damage."""
        return np.asarray(next(iter(self._models.values())).weights)

    def pod_by_method(self, delay: Floats, method: NDArray[np.object_]) -> Floats:
        """Chance of detection at looks.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to each look [clock units].
        method : ndarray of object, shape (n,)
            Method of each look; blank counts as the worst of them.

        Returns
        -------
        ndarray, shape (n, n_classes)
            Chances [-].

        Raises
        ------
        ValueError
            If a method has no chance.
        """
        unknown = sorted(set(method[method != ""]) - set(self.pods))
        if unknown:
            raise ValueError(
                f"`detection` must have a chance for every method. Got none for {', '.join(map(str, unknown))}; known are "
                f"{', '.join(self.pods)}."
            )
        # Each model is asked for the looks of its own method alone.
        out = np.empty((*delay.shape, self.weights.size))
        blank = method == ""
        if blank.any():
            out[blank] = np.min([model.pod_at_delay(delay[blank]) for model in self._models.values()], axis=0)
        for name, model in self._models.items():
            mine = method == name
            if mine.any():
                out[mine] = model.pod_at_delay(delay[mine])
        return out

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection by the worst of the methods.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to the look [clock units].

        Returns
        -------
        ndarray, shape (n, n_classes)
            Chances [-].
        """
        return self.pod_by_method(delay, np.full(delay.shape, "", dtype=object))


@dataclass(frozen=True)
class ConstantDetection:
    """Looks that find damage with one chance, however long it has been there.

    Parameters
    ----------
    pod : float
        Chance that a look finds damage that is there [-].
    hidden_share : float
        Share of damage that no look can find, such as on the far side [-].

    Raises
    ------
    ValueError
        If `pod` is not in (0, 1] or `hidden_share` not in [0, 1).
    """

    pod: float
    hidden_share: float = 0.0

    def __post_init__(self) -> None:
        """Check the two chances."""
        if not 0 < self.pod <= 1:
            raise ValueError(f"`detection` must be a chance above 0 and at most 1. Got {self.pod!r}.")
        if not 0 <= self.hidden_share < 1:
            raise ValueError(f"`hidden_share` must be at least 0 and below 1. Got {self.hidden_share!r}.")

    @property
    def finds_all(self) -> bool:
        """Whether looks find all that is there."""
        return self.pod == 1 and self.hidden_share == 0

    @property
    def weights(self) -> Floats:
        """Shares of the damage that looks can find and that they cannot."""
        return np.array([1.0 - self.hidden_share, self.hidden_share])

    def pod_at_delay(self, delay: Floats) -> Floats:
        """Chance of detection at each delay.

        Parameters
        ----------
        delay : ndarray, shape (n,)
            Time from onset to the look [clock units].

        Returns
        -------
        ndarray, shape (n, 2)
            For damage that looks can find, and that they cannot [-].
        """
        return np.broadcast_to(np.array([self.pod, 0.0]), (*delay.shape, 2))


def gaps_before_looks(
    age: Floats, first: NDArray[np.int64], last: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Return the gaps in which onset may lie: before each look, back to the one before it or to age 0.

    Parameters
    ----------
    age : ndarray, shape (n_looks,)
        Ages of the looks, life by life, rising [clock units].
    first, last : ndarray of int, shape (n_rows,)
        The looks first..last-1 belong to a row.

    Returns
    -------
    row, gap : ndarray of int, shape (n_gaps,)
        The row of each gap, and which of the row's looks ends it, from 0.
    low, high : ndarray of float, shape (n_gaps,)
        Where each gap begins and ends; looks at one age have an empty gap between them [clock units].
    """
    m = last - first
    row = np.repeat(np.arange(m.size), m)
    gap = np.arange(row.size) - np.repeat(np.cumsum(m) - m, m)
    look = first[row] + gap
    return row, gap, np.where(gap > 0, age[np.maximum(look - 1, 0)], 0.0), age[look]


class _Pairs(NamedTuple):
    """Each gap in which onset may lie, with each look at or after its end.

    Parameters
    ----------
    row : ndarray of int, shape (n_gaps,)
        The row of each gap.
    low, high : ndarray, shape (n_gaps,)
        Where it begins and ends [clock units].
    order : ndarray of int, shape (n_gaps,)
        The gaps, those with most looks first.
    having : tuple of int
        How many gaps have a first look, a second one and so on; pairs stand look by look, in the order of the gaps.
    gap : ndarray of int, shape (n_pairs,)
        The gap of each pair.
    age : ndarray, shape (n_pairs,)
        Age at the look [clock units].
    method : ndarray of object, shape (n_pairs,) or None
        Method of the look.
    finds : ndarray of bool, shape (n_pairs,)
        Whether the look found the damage.
    survivors : ndarray of int
        Rows without a find.
    last : ndarray, shape (n_survivors,)
        Age at their last look [clock units].
    """

    row: NDArray[np.int64]
    low: Floats
    high: Floats
    order: NDArray[np.int64]
    having: tuple[int, ...]
    gap: NDArray[np.int64]
    age: Floats
    method: NDArray[np.object_] | None
    finds: NDArray[np.bool_]
    survivors: NDArray[np.int64]
    last: Floats

    def chances(self, model: Detection, nodes: int) -> Floats:
        """Chance of what the looks showed for onset in each gap, then of survivors' onset after the last look."""
        chance = np.zeros(self.row.size)
        for x, weight in zip(*unit_nodes(nodes), strict=True):
            onset = self.low + x * (self.high - self.low)
            pod = pod_of_looks(model, self.age - onset[self.gap], self.method)
            # Of the looks after onset all miss, but for the last one of a life with a find.
            shown = 1.0 - pod
            shown[self.finds] = pod[self.finds]
            if self.row.size:
                at = self.row.size
                product = shown[:at]
                for number in self.having[1:]:
                    product[:number] *= shown[at : at + number]
                    at += number
                chance[self.order] += weight * (product @ model.weights)
        return np.r_[chance, np.ones(self.survivors.size)]


@dataclass(frozen=True, eq=False, kw_only=True)
class LookLayout:
    """Which gaps and looks of histories go together, worked out once for any number of chances of detection.

    Parameters
    ----------
    lives, entries : _Pairs
        Of the lives, and of those that entered late up to their entry.
    log_low, log_high : ndarray, shape (n_terms,)
        Ends of the intervals of the terms.
    order : ndarray of int, shape (n_terms,)
        Which of all chances each term has.
    row : ndarray of int, shape (n_terms,)
        Row of each term.
    weight : ndarray, shape (n_rows,)
        Weight of each row.
    life_of_row : ndarray of int, shape (n_rows,)
        Life of each row.
    """

    lives: _Pairs
    entries: _Pairs
    log_low: Floats
    log_high: Floats
    order: NDArray[np.int64]
    row: NDArray[np.int64]
    weight: Floats
    life_of_row: NDArray[np.int64]

    @classmethod
    def of(cls, histories: Histories) -> LookLayout:
        """Lay out histories.

        Parameters
        ----------
        histories : Histories
            With the ages of all looks.

        Returns
        -------
        LookLayout
            One row for each life, and one of weight -count for each life that entered late.
        """
        n = len(histories)
        ages, owner, method, begin = looks_with_entries(histories)
        start, end = begin[:-1], begin[1:]
        found = np.isfinite(histories.upper)
        n_before = np.bincount(owner[ages <= histories.entry[owner]], minlength=n) * (histories.entry > 0)
        late = np.flatnonzero(histories.entry > 0)
        lives = _pairs(ages, method, start, end, found)
        entries = _pairs(ages, method, start[late], start[late] + n_before[late], np.zeros(late.size, bool))
        low, high, row = (
            np.concatenate(columns)
            for columns in (
                (lives.low, lives.last, entries.low, entries.last),
                (
                    lives.high,
                    np.full(lives.survivors.size, np.inf),
                    entries.high,
                    np.full(entries.survivors.size, np.inf),
                ),
                (lives.row, lives.survivors, entries.row + n, entries.survivors + n),
            )
        )
        keep = np.flatnonzero(high > low)
        order = keep[np.argsort(row[keep], kind="stable")]
        with np.errstate(divide="ignore"):
            return cls(
                lives=lives,
                entries=entries,
                log_low=np.log(low[order]),
                log_high=np.log(high[order]),
                order=order,
                row=row[order],
                weight=np.r_[histories.count, -histories.count[late]],
                life_of_row=np.r_[np.arange(n), late],
            )

    def chances(self, model: Detection, *, nodes: int = 3) -> Floats:
        """Chance of what the looks showed, for onset in the interval of each term.

        Parameters
        ----------
        model : Detection
            Chance of detection by the delay since onset, by class of damage.
        nodes : int
            Gauss points of the onset's age within a gap.

        Returns
        -------
        ndarray, shape (n_terms,)
            Chances [-].
        """
        both = np.r_[self.lives.chances(model, nodes), self.entries.chances(model, nodes)]
        return both[self.order]


def _pairs(
    ages: Floats,
    method: NDArray[np.object_] | None,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    is_found: NDArray[np.bool_],
) -> _Pairs:
    """Pairs of rows with the looks first..last-1, the last of them a find where `is_found`."""
    m = last - first
    row, gap, low, high = gaps_before_looks(ages, first, last)
    n_after = m[row] - gap  # looks at or after the gap's end
    # Look by look, those gaps first that have most: the looks of all gaps are then multiplied at once.
    order = np.argsort(-n_after, kind="stable")
    most = int(n_after.max(initial=0))
    having = tuple(int((n_after > j).sum()) for j in range(most))
    owner = np.concatenate([order[:number] for number in having]) if having else order
    offset = np.repeat(np.arange(most), having)
    look = first[row[owner]] + gap[owner] + offset
    survivors = np.flatnonzero(~is_found)
    last_age = np.where(m > 0, ages[np.maximum(last - 1, 0)] if ages.size else 0.0, 0.0)
    return _Pairs(
        row=row,
        low=low,
        high=high,
        order=order,
        having=having,
        gap=owner,
        age=ages[look],
        method=None if method is None else method[look],
        finds=(offset == n_after[owner] - 1) & is_found[row[owner]],
        survivors=survivors,
        last=last_age[survivors],
    )


def detection_terms(histories: Histories, model: Detection) -> SumTerms:
    """Work out the chances of what imperfect looks showed, as sums of interval chances.

    Parameters
    ----------
    histories : Histories
        With the ages of all looks.
    model : Detection
        Chance of detection by the delay since onset, by class of damage.

    Returns
    -------
    SumTerms
        One row for each life, and one of weight -count for each life that entered late.

    Notes
    -----
    For onset between two looks the chance of detection at each later look is averaged over three
    Gauss points of the onset's age within the gap; it is exact where detection does not depend on the
    delay.
    """
    layout = LookLayout.of(histories)
    chance = layout.chances(model)
    keep = chance > 0
    return SumTerms(
        layout.log_low[keep],
        layout.log_high[keep],
        chance[keep],
        layout.row[keep],
        layout.weight,
        layout.life_of_row,
    )
