"""An invented scenario as a whole: every number that a simulated fleet is made with."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

from kit.simulate.scenario_parts import (
    Base,
    BlemishRates,
    Family,
    Ingress,
    Mode,
    Pod,
    RepairMethod,
    Subtype,
    TapRule,
    WaterTask,
)


@dataclass(frozen=True)
class Scenario:
    """The invented scenario, all of it.

    Parameters
    ----------
    n_aircraft : int
        Number of aircraft; the subtypes keep their shares.
    name : str
        Operator and type.
    window_from, cut_off : date
        First and last day of the operator's records.
    families, modes, bases, subtypes, pods, repairs, programme : tuple
        See the classes of `kit.simulate.scenario_parts`.
    ingress : Ingress
        How water enters the core.
    water_tasks : tuple of WaterTask
        Looks for it.
    panel_pool : dict
        Share, ages and papers of exchange panels.
    blemishes : BlemishRates
        Rates of the blemishes.
    growth_law : str
        ``straight``, or ``proportional`` (growth in proportion to size) to test what a straight-line
        analysis makes of it.
    frailty_variance : float
        Variance of the gamma frailty that M and G of a panel share; its mean is 1 [-].
    lot, lot_group : str
        Build lot with a short moisture life, and its group.
    lot_factor, lot_share : float
        Factor on its moisture scale and share of the units [-].
    arrest_share, arrest_ratio : float
        Share of damage that stops, and at what multiple of its first size [-].
    jump_share, jump_factor : float
        Share of damage on critical and flap panels that jumps once, and by what factor [-].
    jump_days : tuple of float
        Shortest and longest delay of the jump after onset [days].
    potted_hazard : float
        Factor on the moisture hazard after a potted repair [-].
    measure_log_mean, measure_log_sd : float
        Log-normal error of a measured size [-].
    monitor_chance, tape_chance : float
        Chance that a find below the limit is monitored, and that one above it at the line is
        first taped [-].
    exchange_chance : float
        Chance that a removable panel with a find above its limit is exchanged, whatever the size [-].
    false_manual, false_instrumented : float
        False calls per look [-].
    inspector_log_sd : float
        Spread of log a50 between inspectors [-].
    n_inspectors : int
        Number of inspectors.
    noise_chance, noise_factor : float
        Chance of a noisy place for a tap away from the hangar, and its factor on a50 [-].
    no_access_chance : float
        Chance that a zone is not looked at though its card was closed [-].
    swap_chance : float
        Chance at a base check that a removable panel changes aircraft [-].
    opportunities_per_year : float
        Walk-rounds outside the programme that look at skins [per aircraft and year].
    base_change_share : float
        Share of aircraft that change base once [-].
    n_parked : int
        Aircraft parked in 2020 and 2021, of a fleet of 36.
    check_hours, check_days : float
        Base check, whichever first [flight hours], [days].
    a_check_hours : float
        A check [flight hours].
    limit_revision_on : date
        Day of revision B, for critical panels.
    critical_limit_before : float
        Limit of critical panels before it [mm].
    edge_band : float
        Width of the edge band of every panel [mm].
    edge_share : float
        Limit in the edge band and at fastener rows, as a share of that elsewhere [-].
    edge_distance, edge_distance_critical : float
        Smallest distance to the edge that damage may have and stay, and the same on critical panels [mm].
    fastener_band : float
        How near to a row of fasteners a damage counts as in it [mm].
    tape_cycles : float
        Cycles that a temporary repair may be flown [flight cycles].
    reinspect_days : float
        Days after which damage that was left must have been looked at again [days].
    ultrasonic_log_sd : float
        Log-normal error of a size measured by ultrasonics [-].
    most_damages : int
        Most damages that may stay on a panel [-].
    renumbered_on : date
        First day of the present flap labels.
    decision_on : date
        Day of decision D-07.
    decision_group : str
        Group that it changed.
    instrumented_from : date
        First day of the instrumented tap, at `instrumented_stations`.
    stations, instrumented_stations : tuple of str
        Hangars, and those with the instrument.
    inch_station : str
        Hangar that writes sizes in inches.
    campaign_from, campaign_to : date
        Span of the campaign.
    campaign_group, a_check_tap_group : str
        Group of the campaign, and the group tapped at every `a_check_tap_every`-th A check.
    a_check_tap_from : date
        First day of that task.
    a_check_tap_every : int
        See above.
    meter_changes : tuple of (str, date)
        Aircraft and day of a new hours meter.
    """

    n_aircraft: int = 36
    name: str = "Corvenmoor Regional, QV-44"
    window_from: date = date(2008, 1, 1)
    cut_off: date = date(2025, 12, 31)
    families: tuple[Family, ...] = ()
    modes: tuple[Mode, ...] = ()
    bases: tuple[Base, ...] = ()
    subtypes: tuple[Subtype, ...] = ()
    pods: tuple[Pod, ...] = ()
    repairs: tuple[RepairMethod, ...] = ()
    programme: tuple[TapRule, ...] = ()
    ingress: Ingress = field(default_factory=Ingress)
    water_tasks: tuple[WaterTask, ...] = ()
    panel_pool: dict[str, float] = field(
        default_factory=lambda: {
            "share": 0.6,
            "years_from": 4.0,
            "years_to": 16.0,
            "no_papers": 0.3,
            "use": 0.8,
        }
    )
    blemishes: BlemishRates = field(default_factory=BlemishRates)
    growth_law: str = "straight"
    frailty_variance: float = 0.3
    lot: str = "Q"
    lot_group: str = "spoiler"
    lot_factor: float = 0.57
    lot_share: float = 0.35
    arrest_share: float = 0.20
    arrest_ratio: float = 2.2
    jump_share: float = 0.015
    jump_factor: float = 3.0
    jump_days: tuple[float, float] = (180.0, 1080.0)
    potted_hazard: float = 1.2
    measure_log_mean: float = -0.15
    measure_log_sd: float = 0.2
    monitor_chance: float = 0.6
    tape_chance: float = 0.3
    exchange_chance: float = 0.25
    false_manual: float = 0.004
    false_instrumented: float = 0.0015
    inspector_log_sd: float = 0.15
    n_inspectors: int = 18
    noise_chance: float = 0.5
    noise_factor: float = 1.25
    no_access_chance: float = 0.01
    swap_chance: float = 0.03
    opportunities_per_year: float = 2.0
    base_change_share: float = 0.2
    n_parked: int = 6
    check_hours: float = 5000.0
    check_days: float = 730.0
    a_check_hours: float = 500.0
    limit_revision_on: date = date(2014, 4, 1)
    critical_limit_before: float = 30.0
    edge_band: float = 60.0
    edge_share: float = 0.8
    edge_distance: float = 15.0
    edge_distance_critical: float = 25.0
    fastener_band: float = 25.0
    tape_cycles: float = 300.0
    reinspect_days: float = 430.0
    ultrasonic_log_sd: float = 0.05
    most_damages: int = 4
    renumbered_on: date = date(2016, 1, 1)
    decision_on: date = date(2019, 6, 30)
    decision_group: str = "trailing_edge"
    instrumented_from: date = date(2020, 1, 1)
    stations: tuple[str, ...] = ("Hangar 1", "Hangar 2", "Hangar 3", "Hangar 4")
    instrumented_stations: tuple[str, ...] = ("Hangar 1", "Hangar 3")
    inch_station: str = "Hangar 4"
    campaign_from: date = date(2021, 9, 1)
    campaign_to: date = date(2021, 9, 30)
    campaign_group: str = "spoiler"
    a_check_tap_group: str = "cowl_door"
    a_check_tap_from: date = date(2023, 1, 1)
    a_check_tap_every: int = 4
    meter_changes: tuple[tuple[str, date], ...] = (("T05", date(2013, 5, 14)), ("T22", date(2018, 9, 20)))

    def __post_init__(self) -> None:
        """Refuse an empty fleet and an unknown growth law."""
        if self.n_aircraft < 1:
            raise ValueError(
                f"`n_aircraft` must be at least 1. Got {self.n_aircraft!r} instead. Give a larger fleet."
            )
        if self.growth_law not in ("straight", "proportional"):
            raise ValueError(
                f"`growth_law` must be 'straight' or 'proportional'. Got {self.growth_law!r} instead. Use one of the two."
            )

    def mode(self, name: str) -> Mode:
        """Return the mode of that name.

        Parameters
        ----------
        name : str
            ``M``, ``G`` or ``I``.

        Returns
        -------
        Mode
            How that damage arises.
        """
        return next(m for m in self.modes if m.name == name)

    def family(self, group: str) -> Family:
        """Return the family of that group.

        Parameters
        ----------
        group : str
            Zone group.

        Returns
        -------
        Family
            Its panels.
        """
        return next(f for f in self.families if f.group == group)

    def pod(self, method: str, skin_class: str) -> Pod:
        """Return the POD row of a method and skin class.

        Parameters
        ----------
        method : str
            Inspection method.
        skin_class : str
            Class of the outer skin: ``thin``, ``mid`` or ``thick``.

        Returns
        -------
        Pod
            The true chance of detection.
        """
        return next(p for p in self.pods if (p.method, p.skin_class) == (method, skin_class))

    def water_task(self, group: str) -> WaterTask | None:
        """Return the task that looks for water in the zones of a group.

        Parameters
        ----------
        group : str
            Zone group.

        Returns
        -------
        WaterTask or None
            None: nobody looks for water there.
        """
        return next((task for task in self.water_tasks if group in task.groups), None)

    def limit_on(self, family: Family, day: date) -> float:
        """Return the limit in force for a family on a day.

        Parameters
        ----------
        family : Family
            The panels.
        day : date
            The day.

        Returns
        -------
        float
            Equivalent diameter [mm].
        """
        if family.structure_class == "critical" and day < self.limit_revision_on:
            return self.critical_limit_before
        return family.limit

    def without_extras(self) -> Scenario:
        """Return the scenario of the design targets: near side only, no jumps, swaps or false calls.

        Also without inspector and noise effects, opportunities and missing access; base checks,
        A checks, the campaign and the limits stay.

        Returns
        -------
        Scenario
            A copy of this one.
        """
        return replace(
            self,
            modes=tuple(replace(m, far_side_share=0.0) for m in self.modes),
            jump_share=0.0,
            inspector_log_sd=0.0,
            noise_chance=0.0,
            no_access_chance=0.0,
            swap_chance=0.0,
            false_manual=0.0,
            false_instrumented=0.0,
            opportunities_per_year=0.0,
            exchange_chance=0.0,
            base_change_share=0.0,
        )
