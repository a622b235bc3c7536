"""The marginal likelihood of lives with a shared frailty: its highest point, and each group's multiplier given it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kit.life.groups.shared_likelihood import GroupTerms
from kit.numerics.maximum import Maximum, maximise
from kit.numerics.typing import Floats

ENDLESS = 6.0
"""A spread at which groups differ by factors of hundreds has no end."""


@dataclass(frozen=True, eq=False)
class FrailtyModel:
    """The marginal likelihood with what is not free held."""

    terms: GroupTerms
    log_shape: float | None

    def highest(self, begin: Floats, held: tuple[int, float, float] | None = None) -> Maximum:
        """Highest point of log scale, log shape and spread; (j, a, _) holds parameter j at a."""
        full, free = begin.copy(), np.ones(3, bool)
        if self.log_shape is not None:
            full[1], free[1] = self.log_shape, False
        if held is not None:
            full[held[0]], free[held[0]] = held[1], False
        if free[2]:
            full[2] = max(abs(full[2]), 0.1)  # at 0 the slope is always 0, so that no search may begin there

        def whole(part: Floats) -> Floats:
            point = full.copy()
            point[free] = part
            return point

        def surface(part: Floats) -> tuple[float, Floats, Floats]:
            value, g, h = self.terms.surface(whole(part))
            return value, g[free], h[np.ix_(free, free)]

        def unit(part: Floats) -> Floats:
            point = whole(part)
            return np.array([np.exp(np.clip(point[1], -12, 12)), 1.0, 1.0])[free]

        top = maximise(surface, full[free], unit, lambda part: abs(whole(part)[2]) > ENDLESS)
        point = whole(top.point)
        point[2] = abs(point[2])
        return top._replace(point=point)

    def pooled(self, point: Floats, level: float = 0.95) -> tuple[Floats, Floats, Floats, Floats]:
        """Multiplier of each group: most likely, mean, and the ends that leave out an equal share each.

        Parameters
        ----------
        point : ndarray, shape (3,)
            Log scale, log shape and spread.
        level : float
            Share between the ends [-].

        Returns
        -------
        tuple of ndarray, each of shape (n_groups,)
            Most likely, mean, lower and upper end [-].
        """
        terms, s = self.terms, float(point[2])
        sums = terms.sums(*point[:2])
        middle, width = terms.place(terms.given, sums, s)
        # Fine steps around the middle, and coarse ones as far as the prior alone would reach.
        z = np.concatenate(
            [middle[:, None] + width[:, None] * np.linspace(-8, 8, 321), middle[:, None] + np.linspace(-8, 8, 81)],
            axis=1,
        )  # fmt: skip
        z.sort(axis=1)
        with np.errstate(over="ignore"):
            log_density = terms.given(sums, s * z)[0] - z * z / 2
        density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
        gap = np.diff(z, axis=1)
        share = np.cumsum((density[:, 1:] + density[:, :-1]) / 2 * gap, axis=1)
        total = share[:, -1:]
        share = np.concatenate([np.zeros_like(total), share / total], axis=1)
        weighted = density * np.exp(s * z)
        mean = ((weighted[:, 1:] + weighted[:, :-1]) / 2 * gap).sum(axis=1) / total[:, 0]
        tail = (1 - level) / 2
        low, high = (
            np.array([np.interp(p, share[i], z[i]) for i in range(terms.n_groups)]) for p in (tail, 1 - tail)
        )
        return np.exp(s * middle), mean, np.exp(s * low), np.exp(s * high)

    def raw(self, point: Floats, finds: Floats) -> tuple[Floats, Floats]:
        """Multiplier that each group's own lives ask for, and finds expected with multiplier 1.

        Parameters
        ----------
        point : ndarray, shape (3,)
            Log scale, log shape and spread.
        finds : ndarray, shape (n_groups,)
            Of each group [-].

        Returns
        -------
        tuple of ndarray, each of shape (n_groups,)
            Multipliers, 0 without finds and inf where none is great enough; finds expected [-].
        """
        terms = self.terms
        sums = terms.sums(*point[:2])
        zero = np.zeros((terms.n_groups, 1))
        expected = finds - terms.alone(sums, zero)[1][:, 0]
        u = np.zeros(terms.n_groups)
        with np.errstate(all="ignore"):
            for _ in range(200):
                part = terms.alone(sums, u[:, None])[:, :, 0]
                step = np.where(part[3] < 0, part[1] / -part[3], np.sign(part[1]))
                step = np.clip(np.nan_to_num(step), -1.0, 1.0)
                u = u + np.where(finds > 0, step, 0.0)
                if np.abs(step[finds > 0]).max(initial=0.0) < 1e-10:
                    break
            raw = np.where(finds > 0, np.exp(u), 0.0)
        return np.where(u > 100, np.inf, raw), expected
