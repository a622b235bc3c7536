"""Competing risks, which damage comes first: causes on clocks of their own, and the cumulative incidence of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kit.findings import Fleet, need_fleet
from kit.life.fits.fit import LifeFit
from kit.life.fits.weibull import fit_weibull
from kit.life.likelihood.families import WEIBULL
from kit.life.likelihood.imperfect import Detection
from kit.life.lives.censored import Histories
from kit.life.lives.histories import build_histories
from kit.numerics.confidence import check_level
from kit.numerics.refusals import NoFiniteMaximum
from kit.numerics.typing import Floats

_NODES = 400


@dataclass(frozen=True, eq=False)
class CompetingLives:
    """Lives that end with the first damage of any kind, one fit for each kind on its own clock.

    Parameters
    ----------
    fits : dict of str to LifeFit
        By kind of damage.
    refused : dict of str to str
        Kinds without a fit, and why.
    histories : dict of str to Histories
        By kind: a find of another kind ends the watch.
    """

    fits: dict[str, LifeFit]
    refused: dict[str, str]
    histories: dict[str, Histories] = field(repr=False)

    def __repr__(self) -> str:
        """Return one line with the kinds and their finds."""
        return f"CompetingLives({', '.join(f'{kind}: {fit.n_finds:g} finds on {fit.clock}' for kind, fit in self.fits.items())})"

    @property
    def cautions(self) -> tuple[str, ...]:
        """What the reader of the numbers must know."""
        notes = [
            "causes are taken as independent of each other given the age; looks cannot show whether they are",
            *(
                f"{kind.replace('_', ' ')} has no fit and is left out of the shares: {why}"
                for kind, why in self.refused.items()
            ),
        ]
        return tuple(notes)

    def to_frame(self) -> pd.DataFrame:
        """Return the fits as a table.

        Returns
        -------
        DataFrame
            Index kind; clock, lives, finds, scale with its profile bounds, shape with its profile bounds.
        """
        rows = []
        for kind, fit in self.fits.items():
            scale, shape = (fit.bounds(name, method="profile") for name in ("scale", "shape"))
            rows.append(
                {
                    "kind": kind, "clock": fit.clock, "lives": fit.n_lives, "finds": fit.n_finds, "scale": fit.scale,
                    "scale_lower": scale[0], "scale_upper": scale[1], "shape": fit.shape, "shape_lower": shape[0],
                    "shape_upper": shape[1],
                }
            )  # fmt: skip
        return pd.DataFrame(rows).set_index("kind")

    def cumulative_incidence(
        self,
        age: ArrayLike,
        *,
        clock: str,
        usage: Mapping[str, float] | None = None,
        level: float = 0.95,
        n: int = 400,
        seed: int = 1,
    ) -> pd.DataFrame:
        r"""Share of panels whose first damage is of each kind, by age.

        Parameters
        ----------
        age : array_like of float, shape (n_ages,)
            Ages, rising from above 0 [units of `clock`].
        clock : str
            Clock of the ages.
        usage : mapping of str to float, optional
            For each clock of the fits that is not `clock`: its units for one unit of `clock`, such as
            flight cycles for one flight hour at the planned usage.
        level : float
            Confidence of the bounds [-].
        n : int
            Draws of the parameters for the bounds; 0 for none.
        seed : int
            Seed of the draws.

        Returns
        -------
        DataFrame
            Columns age, kind, share, lower, upper [-]; kind ``none`` is the share without damage.

        Raises
        ------
        ValueError
            If a clock has no usage, an age is not positive, or they do not rise.

        Notes
        -----
        :math:`I_k(t) = \int_0^t h_k(u) \prod_j S_j(u)\,du`, each cause with the age that a panel at the given
        usage has on its clock. The shares of all kinds and of none add up to 1. Bounds hold the uncertainty of
        scale and shape, normal on the log scale.

        References
        ----------
        .. [1] J. D. Kalbfleisch and R. L. Prentice, *The Statistical Analysis of Failure Time Data*, 2nd ed. New
           York: Wiley, 2002, ch. 8.
        """
        ages = np.atleast_1d(np.asarray(age, np.float64))
        if not ((ages > 0).all() and (np.diff(ages) > 0).all()):
            raise ValueError(f"`age` must be above 0 and rise. Got {ages.tolist()!r}.")
        check_level(level)
        per_unit = {clock: 1.0} | dict(usage or {})
        for kind, fit in self.fits.items():
            if not per_unit.get(fit.clock, 0.0) > 0:
                raise ValueError(
                    f"`usage` must say how many units of {fit.clock} go with one of {clock}, since {kind} keeps that clock. "
                    f"Got {dict(usage or {})!r}."
                )
        rates = np.array([per_unit[fit.clock] for fit in self.fits.values()])
        # Middles of steps that are finer at young ages, where a small shape puts much of the hazard.
        edges = ages[-1] * np.linspace(0.0, 1.0, _NODES + 1) ** 3
        edges = np.unique(np.concatenate([edges, ages]))

        def shares(parameters: Floats) -> Floats:
            """Shares by kind and of none at each age, shape (n_kinds + 1, n_ages)."""
            hazard = np.stack(
                [
                    WEIBULL.hazard_at(edges * rate, scale, shape)
                    for rate, (scale, shape) in zip(rates, parameters, strict=True)
                ]
            )
            step, total = np.diff(hazard, axis=1), hazard.sum(axis=0)
            whole = np.diff(total)
            # Within a step the causes share what is lost in proportion to their hazards.
            lost = np.exp(-total[:-1]) * -np.expm1(-whole)
            part = np.divide(step, whole, out=np.zeros_like(step), where=whole > 0) * lost
            sums = np.concatenate([np.zeros((len(step), 1)), np.cumsum(part, axis=1)], axis=1)
            at = np.searchsorted(edges, ages)
            return np.concatenate([sums[:, at], np.exp(-total[at])[None]])

        best = shares(np.array([[fit.scale, fit.shape] for fit in self.fits.values()]))
        low = high = np.full_like(best, np.nan)
        if n:
            seeds = np.random.SeedSequence(seed).spawn(len(self.fits))
            drawn = [
                fit.draws(n, seed=int(one.generate_state(1)[0]))
                for fit, one in zip(self.fits.values(), seeds, strict=True)
            ]
            many = np.stack([shares(np.stack([d[i] for d in drawn])) for i in range(n)])
            low, high = np.quantile(many, [(1 - level) / 2, (1 + level) / 2], axis=0)
        names = [*self.fits, "none"]
        return pd.DataFrame(
            {
                "age": np.tile(ages, len(names)),
                "kind": np.repeat(names, ages.size),
                "share": best.ravel(),
                "lower": low.ravel(),
                "upper": high.ravel(),
            }
        )


def fit_competing(
    fleet: Fleet,
    clocks: Mapping[str, str],
    *,
    zones: Sequence[str] | None = None,
    basis: Sequence[str] = ("recorded", "implied"),
    methods: Sequence[str] | None = None,
    detection: Mapping[str, float | Detection] | None = None,
) -> CompetingLives:
    """Fit competing risks: each kind of damage on its own clock, lives ending with the first of any kind.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    clocks : mapping of str to str
        Kind of damage to its clock, such as moisture to calendar_days.
    zones : sequence of str, optional
        Labels of the zones; default all.
    basis : sequence of str
        Basis of the looks: ``recorded``, ``implied``, ``assumed``.
    methods : sequence of str
        Methods whose clean looks count.
    detection : mapping of str to float or Detection, optional
        Kind of damage to the detection of its looks. Default: looks find what is there.

    Returns
    -------
    CompetingLives
        The fits, and why any kind has none.

    Raises
    ------
    NoFiniteMaximum
        If no kind has a fit.
    ValueError
        If `clocks` is empty, or a kind or clock unknown.

    Notes
    -----
    A find of another kind ends the watch of a life at the last look before it that was clean. Given
    independent causes the likelihood is then the product over causes, so that each is fitted by itself.
    """
    if not clocks:
        raise ValueError("`clocks` must name at least one damage type and its clock. Got none.")
    need_fleet(fleet)
    fits, refused, built = {}, {}, {}
    for kind, clock in clocks.items():
        built[kind] = build_histories(
            fleet, kind=kind, clock=clock, zones=zones, basis=basis, methods=methods
        )
        try:
            fits[kind] = fit_weibull(built[kind], detection=(detection or {}).get(kind, 1.0))
        except NoFiniteMaximum as reason:
            refused[kind] = str(reason)
    if not fits:
        raise NoFiniteMaximum(next(iter(refused.values())))
    return CompetingLives(fits, refused, built)
