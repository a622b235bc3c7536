"""What sizes at first find tell of the POD, and what they do not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.detection.demonstration import pod_bounds


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class FoundSizes:
    """What can be said of a POD from sizes at first find.

    Parameters
    ----------
    n_finds : int
        Sizes at first find.
    median_mm : float
        Their median [mm].
    median_if_in_proportion_mm : float
        Median of the damage standing at looks if the chance to be found grew in proportion to size: an
        illustration of how far the found sizes may be off [mm].
    bands : DataFrame
        By band of size: size_from, size_to [mm], finds, known_misses, upper_pod and its one-sided
        95 % bound upper_pod_95; without known misses the bound is 1.
    text : str
        In words.
    """

    n_finds: int
    median_mm: float
    median_if_in_proportion_mm: float
    bands: pd.DataFrame
    text: str

    def __repr__(self) -> str:
        """Return the words."""
        return f"FoundSizes({self.text})"

    def words(self) -> str:
        """Say what the sizes tell and what they do not.

        Returns
        -------
        str
            Markdown.
        """
        return self.text

    def to_frame(self) -> pd.DataFrame:
        """Return the bands.

        Returns
        -------
        DataFrame
            As in `bands`.
        """
        return self.bands.copy()


def what_sizes_at_find_tell(
    size: ArrayLike, *, size_at_missed_look: ArrayLike | None = None, bands: int = 4
) -> FoundSizes:
    """Say what sizes at first find tell of the POD.

    Parameters
    ----------
    size : array_like of float, shape (n,)
        Equivalent diameters at first find [mm].
    size_at_missed_look : array_like of float, optional
        Sizes that damage found later had at earlier looks that missed it, from growth [mm].
    bands : int
        Number of bands with about equal finds.

    Returns
    -------
    FoundSizes
        Counts by band, upper bounds of the POD where misses are known, and words.

    Raises
    ------
    ValueError
        If no size is given, or one is not positive.

    Notes
    -----
    Large damage stands longer and is found more often, so sizes at find are the sizes there are, weighted by
    how long they stand and by the POD: the two are indistinguishable, and any POD curve fits them with some
    sizes at onset. With earlier looks that are known to have missed, hits over hits and known misses is too high
    at every size, since damage never found counts nowhere: an upper bound, and no estimate. A lower bound
    above 0 cannot be had without a trial.

    Examples
    --------
    >>> result = what_sizes_at_find_tell([12, 18, 25, 40], size_at_missed_look=[10, 11, 17, 24], bands=2)
    >>> result.to_frame()[["finds", "known_misses", "upper_pod"]].round(3).values.tolist()
    [[2.0, 3.0, 0.4], [2.0, 1.0, 0.667]]
    """
    a = np.atleast_1d(np.asarray(size, np.float64))
    missed = np.atleast_1d(np.asarray([] if size_at_missed_look is None else size_at_missed_look, np.float64))
    if a.size == 0:
        raise ValueError("`size` must hold at least one find. Got none.")
    for name, values in (("size", a), ("size_at_missed_look", missed)):
        good = np.isfinite(values) & (values > 0)
        if not good.all():
            raise ValueError(f"`{name}` must be positive and finite [mm]. Got {values[~good][0]:g}.")
    if bands != int(bands) or bands < 1:
        raise ValueError(f"`bands` must be a whole number of at least 1. Got {bands!r}.")
    inner = np.unique(np.quantile(a, np.arange(1, int(bands)) / int(bands)))
    ends = np.r_[min(a.min(), missed.min(initial=np.inf)), inner, max(a.max(), missed.max(initial=0.0))]
    finds = np.bincount(np.searchsorted(inner, a, side="right"), minlength=inner.size + 1)
    misses = np.bincount(np.searchsorted(inner, missed, side="right"), minlength=inner.size + 1)
    total = np.maximum(finds + misses, 1)
    upper = np.where(misses > 0, finds / total, 1.0)
    # Without known misses nothing bounds the POD from above.
    upper_95 = np.where(misses > 0, pod_bounds(finds, total, 0.95, one_sided=True)[1], 1.0)
    order = np.argsort(a)
    weight = np.cumsum(1 / a[order])
    unbiased = float(a[order][np.searchsorted(weight, weight[-1] / 2)])
    median = float(np.median(a))
    text = (
        f"{a.size} sizes at first find, median {median:.3g} mm. Large damage stands longer and is found more often, so these "
        "sizes are larger than those of the damage that is there (if the chance grew in proportion to size, its median would "
        f"be {unbiased:.3g} mm), and no POD can be fitted to them: what was missed is not among them. "
    )
    text += (
        f"{missed.size} earlier looks are known to have missed: they bound the POD from above, since damage never found "
        "counts nowhere. For a lower bound, a trial on known damage is needed, or two looks at the same damage."
        if missed.size
        else "With sizes at earlier looks that missed, an upper bound can be had; for a lower bound, a trial on known damage or "
        "two looks at the same damage."
    )
    frame = pd.DataFrame(
        {
            "size_from": ends[:-1],
            "size_to": ends[1:],
            "finds": finds,
            "known_misses": misses,
            "upper_pod": upper,
            "upper_pod_95": upper_95,
        }
    )
    return FoundSizes(
        n_finds=int(a.size), median_mm=median, median_if_in_proportion_mm=unbiased, bands=frame, text=text
    )
