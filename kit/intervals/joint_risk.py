"""Risk of schedules under joint draws, where life, growth and detection all differ from draw to draw."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from kit.intervals.damage_samples import Particles, sample_damage, sample_points
from kit.intervals.schedule_sums import SUMMED, ScheduleRisk, running_sums, schedule_risk
from kit.intervals.windows import PER_FLIGHT_HOURS, per_flight_hours
from kit.numerics.typing import Floats
from kit.posterior import KindDraws

_KEPT_BYTES = 600_000_000  # of schedules that were summed

MEASURES = ("exposure", "exceedances", "preventable", "not_preventable", "preventable_exposure")
"""Per 10,000 panel flight hours: hours beyond the limit and unfound; regions that pass the limit unfound or
arise beyond it; the part that started within the limit on the tapped side; the rest; its exposure."""


@dataclass(frozen=True, kw_only=True)
class Usage:
    """How a part of the fleet uses its panels.

    Parameters
    ----------
    name : str
        Subtype, or another part.
    share : float
        Share of the panels [-].
    clock_per_unit : dict of str to float
        Units of each clock per unit of the schedule's clock [-].
    """

    name: str
    share: float
    clock_per_unit: dict[str, float]

    @property
    def hours(self) -> float:
        """Flight hours per unit of the schedule's clock."""
        return self.clock_per_unit["flight_hours"]


@dataclass(frozen=True, eq=False, kw_only=True)
class JointRisk:
    """Risk of any schedule for one group of zones, under joint draws of all its kinds of damage.

    Parameters
    ----------
    usages : tuple of Usage
        Parts of the fleet, each on its own clocks.
    particles : dict of tuple to Particles
        Sampled damage by kind and part of the fleet.
    horizon : float
        Age up to which damage counts [units of the schedule's clock].
    limit : float
        Largest size that may stay; damage beyond it counts as found no more surely than at it, so that larger
        damage or faster growth never allows a longer interval [mm].
    window_hours : float
        Length of the window of age in which the worst mean is sought [flight hours].
    is_capped : bool
        Whether the POD stays beyond the limit as it is at it; not for records of form 1, which did not know that.
    """

    usages: tuple[Usage, ...]
    particles: dict[tuple[str, str], Particles]
    horizon: float
    limit: float
    window_hours: float = PER_FLIGHT_HOURS
    is_capped: bool = True
    _kept: dict[tuple, ScheduleRisk] = field(default_factory=dict, repr=False)

    @classmethod
    def prepare(
        cls,
        kinds: Sequence[KindDraws],
        *,
        usages: Sequence[Usage],
        clock: str,
        limit: float,
        horizon: float,
        seed: int,
        window_hours: float = PER_FLIGHT_HOURS,
        samples: int = 96,
        is_capped: bool = True,
    ) -> JointRisk:
        """Sample the damage that every schedule is to meet.

        Parameters
        ----------
        kinds : sequence of KindDraws
            Draws by kind, each on its own clock.
        usages : sequence of Usage
            Parts of the fleet; their shares sum to 1.
        clock : str
            Clock of the schedule.
        limit : float
            Largest size that may stay [mm].
        horizon : float
            Age up to which damage counts [units of the schedule's clock].
        seed : int
            Of the samples.
        window_hours : float
            Length of the window for the worst mean [flight hours].
        samples : int
            Samples for each draw and kind, over all parts of the fleet.
        is_capped : bool
            Whether the POD stays beyond the limit as it is at it.

        Returns
        -------
        JointRisk
            Ready to be asked.
        """
        n = max(samples // len(usages), 48)
        particles = {}
        for i, draws in enumerate(kinds):
            for j, usage in enumerate(usages):
                on_schedule = draws.on_clock(usage.clock_per_unit[draws.clock], clock)
                at = sample_points(on_schedule, horizon=horizon, n=n, seed=seed + 1000 * i + j)
                particles[draws.kind, usage.name] = sample_damage(on_schedule, at, limit=limit)
        return cls(
            usages=tuple(usages),
            particles=particles,
            horizon=float(horizon),
            limit=float(limit),
            window_hours=window_hours,
            is_capped=is_capped,
        )

    @property
    def is_large(self) -> bool:
        """Whether so much is sampled that what is quickly sampled again is not kept."""
        return any(one.is_large for one in self.particles.values())

    def with_smaller_onset(self, times: float) -> JointRisk:
        """Return the risk of damage that begins smaller and is the same in all else, on the same points.

        Parameters
        ----------
        times : float
            How many times smaller [-].

        Returns
        -------
        JointRisk
            Nothing is kept of the schedules worked out before.
        """
        particles = {key: one.with_smaller_onset(times) for key, one in self.particles.items()}
        return replace(self, particles=particles, _kept={})

    def of_part(self, name: str) -> JointRisk:
        """Return the risk for one part of the fleet alone, on the same sampled damage.

        Parameters
        ----------
        name : str
            Part of the fleet.

        Returns
        -------
        JointRisk
            Schedules that were worked out for all parts need not be for this one.
        """
        usages = tuple(replace(one, share=1.0) for one in self.usages if one.name == name)
        particles = {key: one for key, one in self.particles.items() if key[1] == name}
        part = replace(self, usages=usages, particles=particles, _kept={})
        # Sums are taken at steps of flight hours: what is kept serves both only where an hour is as long.
        is_alike = np.isclose(part.hours_per_unit(), self.hours_per_unit(), rtol=1e-12)
        return replace(part, _kept=self._kept) if is_alike else part

    def _schedule(
        self, key: tuple[str, str], first: float, repeat: float, names: Sequence[str]
    ) -> ScheduleRisk:
        at = (*key, first, repeat)
        if at not in self._kept or not set(names) <= set(self._kept[at].gathers):
            made = schedule_risk(
                self.particles[key],
                first=first,
                repeat=repeat,
                step=self.window_hours / self.hours_per_unit() / 4,
                is_capped=self.is_capped,
                names=SUMMED if at in self._kept else names,
            )
            self._kept.pop(at, None)
            self._kept[at] = made
            # What was summed first goes first, but for what one schedule needs of all kinds and parts.
            fit = _KEPT_BYTES // max(sum(values.nbytes for values in made.gathers.values()), 1)
            too_many = len(self._kept) - max(fit, 2 * len(self.particles))
            for oldest in list(self._kept)[: max(too_many, 0)]:
                del self._kept[oldest]
        return self._kept[at]

    def gathered(
        self,
        *,
        first: float,
        repeat: float,
        part: str | None = None,
        multipliers: dict[str, Floats] | None = None,
        names: Sequence[str] = (*SUMMED, "not_preventable"),
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum what a schedule lets through by age, over kinds of damage and parts of the fleet.

        Parameters
        ----------
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        part : str, optional
            One part of the fleet. Default: all, weighted by their panels and, for exposure, by what they fly.
        multipliers : dict of str to ndarray, optional
            By kind: hazard of a zone over that of the group, one for each draw [-].
        names : sequence of str
            Measures that are wanted.

        Returns
        -------
        ages : ndarray, shape (n_knots,)
            From 0 to the horizon [units of the schedule's clock].
        sums : dict of str to ndarray, shape (n_draws, n_knots)
            Exceedances, preventable, not_preventable [per panel], exposure, preventable_exposure [units of the
            schedule's clock per panel]; the central value first.
        """
        sums: dict[str, Floats] = {}
        ages = np.zeros(0)
        if len(names) > 1:  # at once what else would be worked out measure by measure
            for key in self.particles:
                self._schedule(key, first, repeat, SUMMED)
        for name in names:
            ages, by_kind = self._gathers_by_kind(name, first, repeat, part)
            sums[name] = running_sums(
                sum(
                    values if multipliers is None else multipliers[kind] * values
                    for kind, values in by_kind.items()
                )
            )
        return ages, sums

    def gathered_by_kind(
        self, name: str, *, first: float, repeat: float, part: str | None = None
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum one measure of a schedule by age, kind by kind, over parts of the fleet.

        Parameters
        ----------
        name : str
            One of `MEASURES`.
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        part : str, optional
            One part of the fleet. Default: all.

        Returns
        -------
        ages : ndarray, shape (n_knots,)
            From 0 to the horizon [units of the schedule's clock].
        sums : dict of str to ndarray, shape (n_draws, n_knots)
            By kind, as `gathered` sums them.
        """
        ages, by_kind = self._gathers_by_kind(name, first, repeat, part)
        return ages, {kind: running_sums(values) for kind, values in by_kind.items()}

    def _gathers_by_kind(
        self, name: str, first: float, repeat: float, part: str | None
    ) -> tuple[Floats, dict[str, Floats]]:
        """Sum what comes of one measure in each gap, kind by kind, over parts of the fleet."""
        if name == "not_preventable":
            ages, every = self._gathers_by_kind("exceedances", first, repeat, part)
            _, some = self._gathers_by_kind("preventable", first, repeat, part)
            return ages, {kind: values - some[kind] for kind, values in every.items()}
        some = [usage for usage in self.usages if part in (None, usage.name)]
        panels = sum(usage.share for usage in some)
        hours = sum(usage.share * usage.hours for usage in some)
        sums: dict[str, Floats] = {}
        ages = np.zeros(0)
        for usage in some:
            weight = usage.share * usage.hours / hours if "exposure" in name else usage.share / panels
            for kind, owner in self.particles:
                if owner == usage.name:
                    risk = self._schedule((kind, owner), first, repeat, (name,))
                    ages = risk.ages
                    sums[kind] = sums.get(kind, 0.0) + weight * risk.gathers[name]
        return ages, sums

    def hours_per_unit(self, part: str | None = None) -> float:
        """Flight hours per unit of the schedule's clock, over the panels of a part of the fleet or of all.

        Parameters
        ----------
        part : str, optional
            The part.

        Returns
        -------
        float
            Hours [flight hours per unit].
        """
        some = [usage for usage in self.usages if part in (None, usage.name)]
        return sum(u.share * u.hours for u in some) / sum(u.share for u in some)

    def values(
        self,
        name: str,
        *,
        first: float,
        repeat: float,
        worst: bool = True,
        part: str | None = None,
        multipliers: dict[str, Floats] | None = None,
    ) -> Floats:
        """Return a measure of a schedule under each draw, per 10,000 panel flight hours.

        Parameters
        ----------
        name : str
            One of `MEASURES`.
        first, repeat : float
            First look and spacing after it [units of the schedule's clock].
        worst : bool
            In the worst window of age, or as the mean over the horizon.
        part : str, optional
            One part of the fleet. Default: all.
        multipliers : dict of str to ndarray, optional
            By kind: hazard of a zone over that of the group, one for each draw [-].

        Returns
        -------
        ndarray, shape (n_draws,)
            The central value first.
        """
        ages, sums = self.gathered(
            first=first, repeat=repeat, part=part, multipliers=multipliers, names=(name,)
        )
        hours, horizon = self.hours_per_unit(part), float(ages[-1])
        return per_flight_hours(
            name,
            ages[1:],
            sums[name][:, 1:],
            hours_per_unit=hours,
            window=self.window_hours / hours if worst else horizon,
            horizon=horizon,
        ).max(axis=-1)
