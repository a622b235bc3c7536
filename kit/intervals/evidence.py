"""What a fleet says to a question: looks, histories, growth and sizes, each worked out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from kit.findings import TAP_METHODS, Fleet, Meters, PanelAges, build_looks, clean_methods, events_up_to
from kit.intervals.class_target import class_of_group
from kit.intervals.joint_risk import Usage
from kit.intervals.open_traps import traps_by_group
from kit.life import (
    AFTER_REPAIR,
    Histories,
    RestorationFit,
    fit_restoration,
    histories_of_kind,
    panel_looks,
    repairs_that_end_lives,
)
from kit.numerics.confidence import tolerance_factor
from kit.numerics.forked import Mapped
from kit.posterior import DrawsKey, FoundSizes, MappedTwice, TrackGrowth, growths
from kit.regions import bounded_size, tracked_regions

DAYS_PER_YEAR = 365.25
_FEWEST_OUTLINES = 10  # from which the ratio of extent to diameter is told
_ASSUMED_RATIO = 1.5  # longest extent over equivalent diameter where there are fewer (assumed, no source)
_USAGE_DAYS = 1096  # over which usage is read from the meters
ONSET_SPREAD = (0.45, 0.35)
"""Weak prior of the log spread of sizes at onset, likewise (assumed, no source)."""

Groups = tuple[str, ...]


@dataclass(eq=False)
class Evidence:
    """A fleet, with the results that several questions share kept.

    Parameters
    ----------
    fleet : Fleet
        The findings as loaded.
    """

    fleet: Fleet
    _kept: dict[tuple, object] = field(default_factory=dict, repr=False)

    def _once(self, key: tuple, make):
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    def as_known_on(self, date) -> Evidence:
        """Return the evidence as it stood on a day.

        Parameters
        ----------
        date : date, str or None
            The day; None for all that is known.

        Returns
        -------
        Evidence
            Kept for the next question of that day.
        """
        if date is None:
            return self
        day = pd.Timestamp(date)
        key = ("known", day)

        def known() -> Evidence:
            then = Evidence(self.fleet.as_known_on(day))
            then._kept[key] = then  # asked for the same day again, it is that already
            return then

        return self._once(key, known)

    def up_to(self, date) -> Evidence:
        """Return the evidence of the events up to a day, with all that is known of them by now.

        Parameters
        ----------
        date : date or str
            The day; it becomes the cut-off.

        Returns
        -------
        Evidence
            Kept for the next question of that day.
        """
        day = pd.Timestamp(date)
        return self._once(("up to", day), lambda: Evidence(events_up_to(self.fleet, day)))

    @property
    def fingerprint(self) -> dict[str, str]:
        """Digest of every table as known then, as `Fleet.fingerprint` gives it."""
        return self._once(("fingerprint",), self.fleet.fingerprint)

    @property
    def traps(self) -> pd.DataFrame:
        """Records that look like a trap which moves an answer, as `traps_by_group` gives them."""
        return self._once(("traps",), lambda: traps_by_group(self.fleet))

    def zones_of(self, groups: Sequence[str]) -> list[str]:
        """Return the labels of the zones of some groups.

        Parameters
        ----------
        groups : sequence of str
            Groups of the zones table.

        Returns
        -------
        list of str
            The zones, sorted.

        Raises
        ------
        ValueError
            If the dataset lacks a group.
        """
        zones = self.fleet.tables["zones"]
        unknown = sorted(set(groups) - set(zones["group"]))
        if unknown:
            raise ValueError(
                f"`group` must be a group of the zones table. Got {', '.join(unknown)}. "
                + (
                    f"Known are {', '.join(sorted(zones['group'].unique()))}."
                    if len(zones)
                    else f"No zone was known on {self.fleet.cut_off:%Y-%m-%d}: check the day of the question (`known_on`)."
                )
            )
        return sorted(zones.loc[zones["group"].isin(list(groups)), "zone"])

    @property
    def regions(self) -> pd.DataFrame:
        """Regions of the findings with life and track, sizes as mapped."""
        return self._once(("regions",), lambda: tracked_regions(self.fleet))

    def extent_ratio(self, groups: Sequence[str]) -> tuple[float, str]:
        """Longest extent over equivalent diameter that nine of ten damages do not exceed.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones whose outlines count; where they have fewer than 10, those of the whole fleet.

        Returns
        -------
        ratio : float
            Upper 95 % confidence limit of the 0.9 quantile of the log-normal ratio, by `tolerance_factor` [-].
        basis : str
            What it rests on.
        """

        def make() -> tuple[float, str]:
            regions = self.regions
            shaped = regions.loc[
                regions["method"].isin(TAP_METHODS) & ~regions["width_assumed"] & (regions["diameter_mm"] > 0)
            ]
            own = shaped.loc[shaped["zone"].isin(self.zones_of(groups))]
            some = own if len(own) >= _FEWEST_OUTLINES else shaped
            if len(some) < _FEWEST_OUTLINES:
                return _ASSUMED_RATIO, "assumed, no source: too few outlines"
            extent = bounded_size(some["geometry"].to_numpy(object), "longest_extent")
            logs = np.log(extent / some["diameter_mm"].to_numpy(np.float64))
            n, where = logs.size, "of its groups" if len(own) >= _FEWEST_OUTLINES else "of the fleet"
            ratio = float(np.exp(logs.mean() + tolerance_factor(n) * max(float(logs.std(ddof=1)), 0.01)))
            return max(
                ratio, 1.0
            ), f"with 95 % confidence, from {n} outlines {where}, middle {np.exp(np.median(logs)):.2f}"

        return self._once(("extent ratio", tuple(sorted(groups))), make)

    def sizes(self, measured_to_true: float) -> pd.DataFrame:
        """Return the sizes that tell of growth and of the size at onset.

        Parameters
        ----------
        measured_to_true : float
            True size over size as mapped; this is the one place where it is applied [-].

        Returns
        -------
        DataFrame
            The regions that were mapped by tapping and whose unit is not in doubt, with diameter_mm and
            rounding_mm of the true size.
        """

        def make() -> pd.DataFrame:
            regions = self.regions
            some = regions.loc[regions["method"].isin(TAP_METHODS) & ~regions["unit_suspect"]]
            return some.assign(
                diameter_mm=some["diameter_mm"] * measured_to_true,
                rounding_mm=some["rounding_mm"] * measured_to_true,
            )

        return self._once(("sizes", measured_to_true), make)

    def ages(self, clock: str) -> PanelAges:
        """Return the ages of the fleet's panels on a clock.

        Parameters
        ----------
        clock : str
            The clock.

        Returns
        -------
        PanelAges
            Kept for the next call.
        """
        return self._once(("ages", clock), lambda: PanelAges(self.fleet, clock))

    def all_looks(self, kind: str, basis: Sequence[str]) -> pd.DataFrame:
        """Return every look of the fleet that bears on a kind, whatever it found.

        Parameters
        ----------
        kind : str
            Kind of damage; only methods that can see it count.
        basis : sequence of str
            Which looks count.

        Returns
        -------
        DataFrame
            As `kit.findings.build_looks` gives it.
        """
        methods = clean_methods(kind)
        return self._once(
            ("looks", tuple(basis), methods), lambda: build_looks(self.fleet, methods=methods, basis=basis)
        )

    def looks(
        self, groups: Sequence[str], kind: str, clock: str, basis: Sequence[str], prevalent: str = "left_out"
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Return the looks and finds of the panels of some groups that bear on a kind, with ages.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage; only methods that can see it count.
        clock : str
            Clock of the ages.
        basis : sequence of str
            Which looks count.
        prevalent : str
            As for `kit.build_histories`.

        Returns
        -------
        looks, excluded : DataFrame
            As `kit.life.panel_looks` gives them.
        """
        methods, every = clean_methods(kind), self.all_looks(kind, basis)
        zones = self.zones_of(groups)
        return self._once(
            ("panel looks", tuple(zones), kind == "moisture", methods, clock, tuple(basis), prevalent),
            lambda: panel_looks(
                self.fleet,
                zones=zones,
                clock=clock,
                kind=kind,
                basis=basis,
                prevalent=prevalent,
                all_looks=every,
                ages=self.ages(clock),
                ends=self._once(("ends",), lambda: repairs_that_end_lives(self.fleet)),
            ),
        )

    def histories(
        self, groups: Sequence[str], kind: str, clock: str, basis: Sequence[str], prevalent: str = "left_out"
    ) -> Histories:
        """Build the histories of one kind of damage in some groups.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.
        basis : sequence of str
            Which looks count.
        prevalent : str
            As for `kit.build_histories`.

        Returns
        -------
        Histories
            One row a life.
        """
        looks, excluded = self.looks(groups, kind, clock, basis, prevalent)
        return histories_of_kind(looks, excluded, kind=kind, clock=clock)

    def tracks(
        self, groups: Sequence[str], kind: str, clock: str, measured_to_true: float = 1.0
    ) -> pd.DataFrame:
        """Repeat mappings of the same damage.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.

        measured_to_true : float
            True size over size as mapped [-].

        Returns
        -------
        DataFrame
            Columns track, panel, zone, found_on, age [clock units], diameter_mm and rounding_mm (of the true
            size), width_assumed.
        """
        sizes = self.sizes(measured_to_true)
        some = sizes.loc[(sizes["kind"] == kind) & sizes["zone"].isin(self.zones_of(groups))]
        age = self.ages(clock).at(some["panel"].to_numpy(object), some["found_on"].to_numpy())
        names = ["track", "panel", "zone", "found_on", "diameter_mm", "rounding_mm", "width_assumed"]
        frame = some[names].assign(age=age)
        return frame.loc[np.isfinite(frame["age"]) & (frame["diameter_mm"] > 0)]

    def track_growth(self, groups: Sequence[str], kind: str, clock: str, forms: Sequence[str]) -> TrackGrowth:
        """Return growth of each form from the repeat mappings of some groups, as mapped.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.
        forms : sequence of str
            Forms that may hold.

        Returns
        -------
        TrackGrowth
            Ready to be drawn from.
        """
        return self._once(
            _growth_key(groups, kind, clock, forms),
            lambda: TrackGrowth.from_tracks(self.tracks(groups, kind, clock, 1.0), clock=clock, forms=forms),
        )

    def keep_growths(
        self, wanted: Mapping[tuple[Groups, str, str, Groups], Sequence[DrawsKey]], *, run: Mapped = map
    ) -> None:
        """Fit growth of several kinds and draw from it, so that `track_growth` has it at hand.

        Parameters
        ----------
        wanted : mapping of tuple to sequence of tuple of int
            By groups, kind, clock and forms, as `track_growth` takes them: the draws that will be asked for.
        run : callable
            `map`, or `kit.numerics.forked.forked_map` for all cores; the answer does not depend on it.
        """
        left = {one: draws for one, draws in wanted.items() if _growth_key(*one) not in self._kept}
        asked = [
            MappedTwice(
                tracks=self.tracks(groups, kind, clock, 1.0), clock=clock, forms=forms, wanted=tuple(draws)
            )
            for (groups, kind, clock, forms), draws in left.items()
        ]
        for one, made in zip(left, growths(asked, run=run), strict=True):
            if isinstance(made, TrackGrowth):  # else the question itself will say so
                self._kept[_growth_key(*one)] = made

    def found_sizes(self, groups: Sequence[str], kind: str, clock: str, basis: Sequence[str]) -> FoundSizes:
        """Return the sizes at first find of some groups, as mapped by tap test.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.
        basis : sequence of str
            Which looks count.

        Returns
        -------
        FoundSizes
            With their histories.
        """

        def make() -> FoundSizes:
            histories = self.histories(groups, kind, clock, basis)
            looks, _ = self.looks(groups, kind, clock, basis)
            finds = (
                looks.loc[looks["kind"] == kind]
                .sort_values("age", kind="stable")
                .groupby("life")["finding"]
                .first()
            )
            by_tap = self.sizes(1.0).set_index("finding")["diameter_mm"]
            first = finds.reindex(pd.Index(histories.life))
            sizes = by_tap.reindex(first.to_numpy()).to_numpy(np.float64)
            return FoundSizes(
                histories=histories,
                diameter_mm=np.where(np.isfinite(histories.upper), sizes, np.nan),
                spread_prior=ONSET_SPREAD,
            )

        return self._once(("found sizes", tuple(sorted(groups)), kind, clock, tuple(basis)), make)

    def restoration(self, groups: Sequence[str], kind: str, clock: str) -> RestorationFit:
        """Fit what repairs in some groups leave of the age, together with the life.

        Parameters
        ----------
        groups : sequence of str
            Groups of zones.
        kind : str
            Kind of damage.
        clock : str
            Clock of the ages.

        Returns
        -------
        RestorationFit
            One factor for all repairs.

        Raises
        ------
        ValueError
            If no life followed a repair, or the life has no finite maximum.
        """
        zones = self.zones_of(groups)
        return self._once(
            ("restoration", tuple(zones), kind, clock),
            lambda: fit_restoration(self.fleet, kind=kind, clock=clock, zones=zones),
        )

    def zones_of_lives(self, histories: Histories) -> NDArray[np.object_]:
        """Return the zone in which each life was looked at last.

        Parameters
        ----------
        histories : Histories
            Lives of this fleet.

        Returns
        -------
        ndarray of object, shape (n_lives,)
            Labels; a panel that moved counts where it was last.
        """
        panel = pd.Series(histories.life, dtype=object).astype(str).str.split(AFTER_REPAIR, n=1).str[0]
        panels = self.fleet.tables["panels"].sort_values("fitted_on", kind="stable")
        return panel.map(panels.groupby("panel")["zone"].last()).fillna("").to_numpy(object)

    def aircraft_of(self, group: str) -> pd.DataFrame:
        """Aircraft that have a group of zones.

        Parameters
        ----------
        group : str
            Group of the zones table.

        Returns
        -------
        DataFrame
            Rows of the aircraft table.
        """
        have = self._once(("zone subtypes",), lambda: self.fleet.zone_subtypes)
        aircraft = self.fleet.tables["aircraft"]
        return aircraft.loc[aircraft["subtype"].isin(have.loc[have["group"] == group, "subtype"])]

    def structure_class(self, group: str) -> str:
        """Class of structure of a group.

        Parameters
        ----------
        group : str
            Group of the zones table.

        Returns
        -------
        str
            The strictest class of its zones.
        """
        return class_of_group(self.fleet, group)

    def units_per_day(self, group: str) -> dict[str, float]:
        """Planned usage of the aircraft that have a group: units of each clock per calendar day.

        Parameters
        ----------
        group : str
            Group of the zones table.

        Returns
        -------
        dict of str to float
            By clock, averaged over the aircraft of each subtype.

        Raises
        ------
        ValueError
            If the dataset lacks the group, or no usage is planned for its subtypes.
        """
        self.zones_of((group,))
        planned = self.fleet.planned_usage
        numbers = self.aircraft_of(group)["subtype"].value_counts()
        missing = sorted(set(numbers.index) - set(planned.index))
        if missing or numbers.sum() == 0:
            raise ValueError(
                f"`planned_usage` in dataset.toml must give a year's hours and cycles of each subtype. Got none for "
                f'{", ".join(missing) or "any aircraft of " + group}. Add a [planned_usage."..."] table.'
            )
        weight = numbers / numbers.sum()
        out = {"calendar_days": 1.0}
        for clock in ("flight_hours", "flight_cycles"):
            out[clock] = float((planned[clock].reindex(weight.index) * weight).sum()) / DAYS_PER_YEAR
        return out

    def flown_per_day(self, group: str) -> pd.DataFrame:
        """Usage of each aircraft that has a group, by its meters over the last three years.

        Parameters
        ----------
        group : str
            Group of the zones table.

        Returns
        -------
        DataFrame
            A row an aircraft, columns flight_hours, flight_cycles [per calendar day]; nan where the meters do not
            reach back so far.
        """

        def make() -> pd.DataFrame:
            fleet, aircraft = self.fleet, self.aircraft_of(group)["aircraft"].to_numpy(object)
            meters = Meters(fleet.tables["usage"], fleet.tables["aircraft"], cut_off=fleet.cut_off)
            end = np.full(aircraft.size, np.datetime64(fleet.cut_off))
            out = {}
            for clock in ("flight_hours", "flight_cycles"):
                before, after = (
                    meters.at(aircraft, end - np.timedelta64(days, "D"), clock) for days in (_USAGE_DAYS, 0)
                )
                out[clock] = (after - before) / _USAGE_DAYS
            return pd.DataFrame(out, index=aircraft)

        return self._once(("flown", group), make)

    def busiest(self, group: str, clock: str) -> dict[str, float] | None:
        """Usage of the aircraft of a group that used a clock most over the last three years.

        Parameters
        ----------
        group : str
            Group of the zones table.
        clock : str
            The clock; on the calendar the flight hours decide.

        Returns
        -------
        dict of str to float or None
            By clock [per calendar day]; None where no meter reaches back so far.
        """
        flown = self.flown_per_day(group).dropna()
        if not len(flown):
            return None
        most = flown.loc[flown[clock if clock in flown.columns else "flight_hours"].idxmax()]
        return {"calendar_days": 1.0} | {name: float(value) for name, value in most.items()}

    def usages(self, group: str, clock: str) -> tuple[Usage, ...]:
        """Planned usage of the subtypes that have a group, against the clock of a schedule.

        Parameters
        ----------
        group : str
            Group of the zones table.
        clock : str
            Clock of the schedule.

        Returns
        -------
        tuple of Usage
            One for each subtype, with its share of the aircraft.

        Raises
        ------
        ValueError
            If the dataset lacks the group, or no usage is planned for its subtypes.
        """
        self.units_per_day(group)
        numbers = self.aircraft_of(group)["subtype"].value_counts().sort_index()
        planned = self.fleet.planned_usage
        out = []
        for subtype, number in numbers.items():
            per_day = {"calendar_days": 1.0}
            for name in ("flight_hours", "flight_cycles"):
                per_day[name] = float(planned[name][subtype]) / DAYS_PER_YEAR
            out.append(
                Usage(
                    name=str(subtype),
                    share=float(number / numbers.sum()),
                    clock_per_unit={name: value / per_day[clock] for name, value in per_day.items()},
                )
            )
        return tuple(out)


def _growth_key(groups: Sequence[str], kind: str, clock: str, forms: Sequence[str]) -> tuple:
    """Under which growth is kept."""
    return "track growth", tuple(sorted(groups)), kind, clock, tuple(forms)
