"""The same looks made again at lives drawn anew: what bootstraps and checks of a fit rest on."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kit.life.likelihood.imperfect import Detection, as_detection, pod_of_looks
from kit.life.lives.censored import Histories, looks_with_entries
from kit.numerics.typing import Floats

if TYPE_CHECKING:
    from kit.life.fits.fit import LifeFit

_MOST_LOOKS = 400  # of a life; a gap too short for this is stretched
_MOST_ROUNDS = 500


@dataclass(frozen=True, eq=False)
class LookSchedule:
    """The looks that each life had, and would have had if nothing had been found.

    Parameters
    ----------
    histories : Histories
        What was seen.
    age : ndarray, shape (n_looks,)
        Ages of all looks, life by life, rising [clock units].
    life : ndarray of int, shape (n_looks,)
        Row of the life of each.
    method : ndarray of object, shape (n_looks,) or None
        Method of each; of looks after a find, that of the find.
    end : ndarray, shape (n_lives,)
        Age up to which each life was watched; for lives with a find only known to be beyond it.
    end_ages, end_left : ndarray
        Ages at which watches ended, and the share of watches that go on beyond each.
    """

    histories: Histories
    age: Floats
    life: NDArray[np.int64]
    method: NDArray[np.object_] | None
    end: Floats
    end_ages: Floats
    end_left: Floats

    @classmethod
    def of(cls, histories: Histories) -> LookSchedule:
        """Work out the schedule of histories.

        Parameters
        ----------
        histories : Histories
            With the ages of their looks.

        Returns
        -------
        LookSchedule
            Looks after a find go on at the life's own median gap (of all lives, where it had one look
            only), up to the oldest age at which a watch ended.

        Raises
        ------
        ValueError
            If the histories have no looks.
        """
        n, start = len(histories), histories.look_start
        if not histories.look_age.size:
            raise ValueError(
                "`histories` must hold the ages of their looks. Got none; build them with `Histories.from_looks`."
            )
        owner = np.repeat(np.arange(n), np.diff(start))
        ages = histories.look_age
        found = np.isfinite(histories.upper)
        same = np.r_[False, owner[1:] == owner[:-1]]
        step = np.r_[0.0, np.diff(ages)]
        usual = (
            float(np.median(step[same & (step > 0)])) if (same & (step > 0)).any() else float(np.median(ages))
        )
        order = np.flatnonzero(same & (step > 0))
        by = order[np.lexsort((step[order], owner[order]))]
        first = np.searchsorted(owner[by], np.arange(n))
        number = np.searchsorted(owner[by], np.arange(n), side="right") - first
        gap = np.full(n, usual)
        gap[number > 0] = step[by[(first + number // 2)[number > 0]]]
        end_ages, end_left = _watch_ends(histories)
        oldest = float(max(end_ages.max(initial=0.0), histories.upper[found].max(initial=0.0)))
        last = np.where(found, histories.upper, histories.lower)
        room = np.where(found, np.maximum(oldest - last, 0.0), 0.0)
        gap = np.maximum(gap, room / _MOST_LOOKS)
        more = np.floor(room / np.where(gap > 0, gap, 1.0) + 1e-9).astype(np.int64)
        extra_life = np.repeat(np.arange(n), more)
        nth = np.arange(extra_life.size) - np.repeat(np.cumsum(more) - more, more) + 1
        extra = last[extra_life] + nth * gap[extra_life]
        age, life, method, _ = looks_with_entries(histories)
        age, life = np.r_[age, extra], np.r_[life, extra_life]
        by = np.lexsort((age, life))
        if method is not None:
            method = np.r_[method, histories.look_method[np.maximum(start[1:][extra_life] - 1, 0)]][by]
        return cls(
            histories,
            age[by],
            life[by],
            method,
            np.where(found, histories.upper, histories.lower),
            end_ages,
            end_left,
        )

    def draw(self, fit: LifeFit, rng: np.random.Generator) -> Histories:
        """Draw onsets from a fit and make the same looks again.

        Parameters
        ----------
        fit : LifeFit
            The life, and the detection that it was fitted with.
        rng : numpy.random.Generator
            Source of the random numbers.

        Returns
        -------
        Histories
            One row for each life that had a row; those who would not have come under watch are drawn
            again.
        """
        histories, n = self.histories, len(self.histories)
        found = np.isfinite(histories.upper)
        end = self.end.copy()
        end[found] = self._ends_beyond(histories.upper[found], rng)
        before = self.age <= histories.entry[self.life]
        model = as_detection(fit.detection)
        if fit.looks_find_all:
            # Clean at the entry for certain, so the onset can be drawn from beyond it.
            hazard = -np.log(rng.random(n)) + fit.cumulative_hazard(histories.entry)
            onset = fit.scale * np.exp(fit.family.inverse_cumulative_hazard(hazard) / fit.shape)
            hit = self.age >= onset[self.life]
        else:
            onset, again = np.empty(n), np.arange(n)
            hit = np.zeros(self.age.size, bool)
            for _ in range(_MOST_ROUNDS):
                onset[again] = fit.quantile(rng.random(again.size))
                hit = self._seen(onset, model, rng, again, hit)
                again = np.unique(self.life[hit & before])
                if not again.size:
                    break
        watched = (self.age <= end[self.life]) & ~before
        position = np.arange(self.age.size)
        first = np.full(n, self.age.size)
        np.minimum.at(first, self.life[hit & watched], position[hit & watched])
        is_found = first < self.age.size
        upper = np.where(is_found, self.age[np.minimum(first, self.age.size - 1)], np.inf)
        use = (watched | before) & (position <= first[self.life])
        clean = np.where(use & (position < first[self.life]), self.age, 0.0)
        lower = histories.entry.copy()
        np.maximum.at(lower, self.life, clean)
        lower = np.minimum(lower, upper)
        lengths = np.bincount(self.life[use], minlength=n)
        return dataclasses.replace(
            histories,
            lower=lower,
            upper=upper,
            look_age=self.age[use],
            look_start=np.r_[0, np.cumsum(lengths)].astype(np.int64),
            look_method=None if self.method is None else self.method[use],
        )

    def _ends_beyond(self, age: Floats, rng: np.random.Generator) -> Floats:
        """Draw at what age the watch of lives with a find would have ended."""
        left = np.r_[1.0, self.end_left]
        after = np.searchsorted(self.end_ages, age, side="right")
        aim = rng.random(age.size) * left[after]
        at = np.searchsorted(-self.end_left, -aim, side="left")
        drawn = self.end_ages[np.minimum(at, max(self.end_ages.size - 1, 0))] if self.end_ages.size else age
        return np.maximum(np.where(left[after] > 0, drawn, age), age)

    def _seen(
        self,
        onset: Floats,
        model: Detection,
        rng: np.random.Generator,
        again: NDArray[np.int64],
        hit: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Which looks at the lives `again` would find what is there; the others stay as they were."""
        hit = hit.copy()
        new = np.zeros(onset.size, bool)
        new[again] = True
        looks = np.flatnonzero(new[self.life])
        hit[looks] = False
        delay = self.age[looks] - onset[self.life[looks]]
        there = looks[delay >= 0]
        pod = pod_of_looks(model, delay[delay >= 0], None if self.method is None else self.method[there])
        weights = np.asarray(model.weights) / np.sum(model.weights)
        sort = np.searchsorted(np.cumsum(weights)[:-1], rng.random(onset.size), side="right")
        chance = pod[np.arange(there.size), sort[self.life[there]]]
        hit[there] = rng.random(there.size) < chance
        return hit


def _watch_ends(histories: Histories) -> tuple[Floats, Floats]:
    """Product limit of the ages at which watches ended; a find hides the end of its life's watch."""
    found = np.isfinite(histories.upper)
    last = np.where(found, histories.upper, histories.lower)
    ages = np.unique(histories.lower[~found])
    if not ages.size:
        return np.empty(0), np.empty(0)
    ended = np.bincount(np.searchsorted(ages, histories.lower[~found]), histories.count[~found], ages.size)
    order = np.argsort(last)
    total = np.r_[0.0, np.cumsum(histories.count[order])]
    gone = total[np.searchsorted(last[order], ages, side="left")]
    early = np.argsort(histories.entry)
    come = np.r_[0.0, np.cumsum(histories.count[early])][
        np.searchsorted(histories.entry[early], ages, side="left")
    ]
    at_risk = come - gone
    return ages, np.cumprod(1.0 - ended / np.maximum(at_risk, ended))
