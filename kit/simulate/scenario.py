"""What the invented demo scenario is: fleet, zones, true lives, looks, repairs and blemishes.

Everything here is invented. The damage is deliberately richer than a healthy fleet would
show, so that examples have events to work with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from datetime import date

from kit.findings import TAP_METHODS

NOTICE = (
    "Invented data: operator, aircraft type, zones, limits, lives and findings are made up by a "
    "simulation and stand for no real fleet. Deliberately richer in damage than a healthy fleet should "
    "be. Advisory demonstration only: approved maintenance data, not-to-exceed limits and the airworthiness authority "
    "govern."
)
"""The notice that every output of the demo carries."""


CONTROL_SURFACES = ("rudder", "elevator", "aileron")
"""Groups whose panels move about a hinge line, so that water and patches bear on their balance."""


@dataclass(frozen=True)
class Zone:
    """A position on every aircraft.

    Parameters
    ----------
    label : str
        Present label.
    side : str
        ``left``, ``right`` or ``centre``.
    mirror : str
        Label of the same zone on the other side, blank on the centre line.
    former_label : str
        Label before the renumbering; blank: the same.
    is_low : bool
        Whether water that enters gathers there: the low end, where the drains are.
    """

    label: str
    side: str
    mirror: str = ""
    former_label: str = ""
    is_low: bool = False


@dataclass(frozen=True)
class Family:
    """Zones of one build, with their true lives.

    Parameters
    ----------
    group : str
        Name of the zone group.
    prefix : str
        Letters that begin the serials.
    zones : tuple of Zone
        The zones.
    length, height : float
        Extent forward and up; both are the diameter where `is_round` [mm].
    skin_material, core_material : str
        Materials; both skins are of the same one.
    outer_thickness, inner_thickness, core_thickness : float
        Thicknesses [mm].
    cell_size : float
        Cell size of the core [mm].
    core_density : float
        Density of the core [kg/m³].
    faces_reachable : int
        Faces that can be reached. Looks of this scenario tap the outer face only.
    removable : bool
        Whether panels change aircraft.
    structure_class : str
        Class of structure.
    limit, repairable : float
        Largest size that may stay, and that may be repaired, as equivalent diameters [mm].
    moisture_scale : float
        Weibull scale of mode M, the bond broken by moisture, in the reference climate [years].
    cycles_scale : float
        Weibull scale of mode G at severity 1 [flight cycles].
    impact_rate : float
        Impacts of one panel [per 10,000 flight cycles].
    is_round : bool
        Whether the outline is a 64-gon on a circle.
    low_point_factor : float
        Factor on the moisture scale of low zones; the others of the family have its inverse, so that the family's scale is
        the geometric mean of the two [-].
    """

    group: str
    prefix: str
    zones: tuple[Zone, ...]
    length: float
    height: float
    skin_material: str
    outer_thickness: float
    inner_thickness: float
    core_material: str
    core_thickness: float
    cell_size: float
    core_density: float
    faces_reachable: int
    removable: bool
    structure_class: str
    limit: float
    repairable: float
    moisture_scale: float
    cycles_scale: float
    impact_rate: float
    is_round: bool = False
    low_point_factor: float = 1.0

    def moisture_factor(self, zone: Zone) -> float:
        """Return the factor on the moisture scale of a zone, by whether it is a low point.

        Parameters
        ----------
        zone : Zone
            A zone of the family.

        Returns
        -------
        float
            1 in a family whose zones lie alike [-].
        """
        return self.low_point_factor if zone.is_low else 1 / self.low_point_factor

    @property
    def is_control_surface(self) -> bool:
        """Whether it moves about a hinge line: its upper edge; the long side then lies along the span."""
        return self.group in CONTROL_SURFACES

    @property
    def skin_class(self) -> str:
        """Class of the outer skin in the POD table: ``thin``, ``mid`` or ``thick``."""
        if self.outer_thickness <= 0.9:
            return "thin"
        return "mid" if self.outer_thickness < 1.3 else "thick"

    @property
    def fastener_rows(self) -> tuple[float, ...]:
        """Where rows of fasteners run from bottom to top, at a third and two thirds of the length [mm]."""
        return () if self.is_round else (round(self.length / 3, 1), round(2 * self.length / 3, 1))

    @property
    def outline(self) -> tuple[tuple[float, float], ...]:
        """Corners of the outline, x forward, y up, origin at the lower aft corner [mm]."""
        if not self.is_round:
            return ((0.0, 0.0), (self.length, 0.0), (self.length, self.height), (0.0, self.height))
        radius = self.length / 2
        turns = [2 * math.pi * i / 64 for i in range(64)]
        return tuple(
            (round(radius + radius * math.cos(t), 2), round(radius + radius * math.sin(t), 2)) for t in turns
        )


@dataclass(frozen=True)
class Mode:
    """A way for damage to begin and grow.

    Parameters
    ----------
    name : str
        ``M`` moisture breaks the bond, ``G`` ground-air-ground, ``I`` impact.
    kind : str
        Kind that a finding of it names.
    clock : str
        Clock of the onset.
    shape : float
        Weibull shape of the onset, given the panel [-].
    size_median, size_log_sd : float
        Log-normal equivalent diameter at onset [mm], [-].
    growth_median, growth_log_sd : float
        Log-normal growth [mm per `growth_per` units of `growth_clock`], [-].
    growth_clock : str
        Clock of the growth.
    growth_per : float
        Clock units that `growth_median` is stated for.
    no_growth_share : float
        Share that never grows [-].
    far_side_share : float
        Share at the far bond, hidden from a tap on the outer face [-].
    """

    name: str
    kind: str
    clock: str
    shape: float
    size_median: float
    size_log_sd: float
    growth_median: float
    growth_log_sd: float
    growth_clock: str
    growth_per: float
    no_growth_share: float = 0.0
    far_side_share: float = 0.0


@dataclass(frozen=True)
class Ingress:
    """How water enters a core before it breaks the bond.

    Parameters
    ----------
    share_from, share_to : float
        Water is in the core when so large a share of the way to the bond's breaking age (mode M) is behind the
        panel, evenly drawn between the two [-].
    size_median, size_log_sd : float
        Log-normal equivalent diameter of the wet core at first [mm], [-].
    growth_median, growth_log_sd : float
        Log-normal growth of it [mm a year], [-].
    again_from, again_to : float
        Time after which a core that was drained and sealed is wet again, evenly drawn [years].
    """

    share_from: float = 0.4
    share_to: float = 0.8
    size_median: float = 30.0
    size_log_sd: float = 0.35
    growth_median: float = 7.0
    growth_log_sd: float = 0.6
    again_from: float = 2.0
    again_to: float = 7.0


@dataclass(frozen=True)
class WaterTask:
    """Which base checks look for water in the core, and how.

    Parameters
    ----------
    groups : tuple of str
        Zone groups.
    method : str
        Method; a moisture meter tells nothing through carbon or metal.
    every : int
        At every so-many-th base check.
    valid_from : date
        First day of the task.
    """

    groups: tuple[str, ...]
    method: str
    every: int
    valid_from: date


@dataclass(frozen=True)
class Base:
    """A home base and its climate.

    Parameters
    ----------
    name, climate : str
        Names.
    share : float
        Share of the aircraft that start there [-].
    factor : float
        Factor on the moisture scale; below 1, moisture comes earlier [-].
    """

    name: str
    climate: str
    share: float
    factor: float


@dataclass(frozen=True)
class Subtype:
    """A subtype of the aircraft.

    Parameters
    ----------
    name : str
        Name.
    share : float
        Share of the fleet [-].
    cycles_per_year, cycles_per_year_sd : float
        Mean and spread between aircraft [flight cycles a year].
    hours_per_cycle : float
        Mean flight [flight hours].
    severity : float
        Factor on the cycles that mode G feels [-].
    entry_from, entry_to : date
        Span of entry into service.
    second_hand_share : float
        Share that joined used and without records [-].
    second_hand_entry_from, second_hand_entry_to : date
        Span of their first entry into service.
    """

    name: str
    share: float
    cycles_per_year: float
    cycles_per_year_sd: float
    hours_per_cycle: float
    severity: float
    entry_from: date
    entry_to: date
    second_hand_share: float = 0.0
    second_hand_entry_from: date = date(2006, 1, 1)
    second_hand_entry_to: date = date(2009, 12, 31)


@dataclass(frozen=True)
class Pod:
    """Chance of detection: ``plateau / (1 + exp(-(log(size) - log(a50)) / spread))``.

    Parameters
    ----------
    method, skin_class : str
        What it holds for.
    a50 : float
        Size found half as often as the plateau [mm].
    spread : float
        Log scale [-].
    plateau : float
        Chance for a very large near-side damage [-].
    far_plateau : float
        The same at the far bond [-].
    look_chance : float
        Chance that the place is looked at at all [-].
    """

    method: str
    skin_class: str
    a50: float
    spread: float
    plateau: float
    far_plateau: float
    look_chance: float = 1.0


@dataclass(frozen=True)
class RepairMethod:
    """A way to repair.

    Parameters
    ----------
    name, repair_class : str
        As written in the repairs table.
    restoration_factor : float
        q: virtual age becomes q times the age [-].
    below_ratio : float
        Used for measured size over limit below this [-].
    """

    name: str
    repair_class: str
    restoration_factor: float
    below_ratio: float


SEALED = RepairMethod("drained, dried and sealed", "interim", 1.0, math.inf)
"""What is done about water above the limit: it takes the water out and does not renew the bond."""


@dataclass(frozen=True)
class TapRule:
    """Which base checks carry the tap task.

    Parameters
    ----------
    group : str
        Zone group, or ``*`` for all.
    every : int
        Tapped at every so-many-th base check.
    valid_from : date
        First day of the rule; the latest rule in force counts, a group's own before ``*``.
    """

    group: str
    every: int
    valid_from: date


@dataclass(frozen=True)
class BlemishRates:
    """Shares of the rows that get each blemish in the operator's tables [-].

    Parameters
    ----------
    late_30, late_180 : float
        Recorded more than 30, and of these more than 180 days after the event.
    unit_mix : float
        Size written in one unit under the name of the other.
    duplicate, left_right, date_order, missing_width, cause_blank, no_photo : float
        As named, of the findings.
    old_label : float
        Old label on flap rows in the months after the renumbering.
    old_label_months : int
        Length of that time [months].
    serial_missing, serial_wrong : float
        Serial left out on removable panels; earlier panel's serial after a change.
    recorded_singly, card_lost : float
        Of the clean tap looks, and of the tap cards.
    not_confirmed_left : float
        False calls that stand as findings, of the findings.
    cycles_understated : float
        Share of cycles missing on `n_cycles_understated` second-hand aircraft.
    n_cycles_understated, n_edited : int
        Counts of aircraft and of corrections after the decision.
    n_decision_late : int
        Findings of the decision's group recorded only after it.
    """

    late_30: float = 0.08
    late_180: float = 0.015
    unit_mix: float = 0.025
    duplicate: float = 0.03
    left_right: float = 0.01
    date_order: float = 0.01
    missing_width: float = 0.06
    cause_blank: float = 0.35
    no_photo: float = 0.30
    old_label: float = 0.12
    old_label_months: int = 18
    serial_missing: float = 0.15
    serial_wrong: float = 0.04
    recorded_singly: float = 0.07
    card_lost: float = 0.08
    not_confirmed_left: float = 0.02
    cycles_understated: float = 0.04
    n_cycles_understated: int = 4
    n_edited: int = 20
    n_decision_late: int = 6


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
        See the classes of this module.
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
    ingress: Ingress = Ingress()
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
    blemishes: BlemishRates = BlemishRates()
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


def _pair(left: str, right: str) -> tuple[Zone, Zone]:
    return Zone(left, "left", right), Zone(right, "right", left)


def _four(
    left: tuple[str, str], right: tuple[str, str], former: bool = False, low: bool = False
) -> tuple[Zone, ...]:
    """Return two zones a side; `low` makes the second of each side the low one."""
    old = [f"{z}{letter}" if former else "" for z in (left[0], right[0]) for letter in "AB"]
    return (
        Zone(left[0], "left", right[0], old[0]),
        Zone(left[1], "left", right[1], old[1], low),
        Zone(right[0], "right", left[0], old[2]),
        Zone(right[1], "right", left[1], old[3], low),
    )


def _families() -> tuple[Family, ...]:
    aramid, metal = ("aramid", 3.2, 48.0), ("aluminium", 4.8, 50.0)

    def build(group, prefix, zones, size, skins, core, depth, rest, limits, lives, is_round=False, low=1.0):
        return Family(
            group,
            prefix,
            zones,
            *size,
            *skins,
            core[0],
            depth,
            core[1],
            core[2],
            *rest,
            *limits,
            *lives,
            is_round,
            low,
        )

    radome = (Zone("111", "centre"),)
    return (
        build("radome", "RD", radome, (1150.0, 1150.0), ("GFRP", 0.9, 0.9), aramid, 12.0, (2, True, "secondary"), (30.0, 150.0), (34.0, 120e3, 0.45), True),
        build("fairing", "FG", _pair("197", "198"), (1500.0, 800.0), ("GFRP", 0.75, 0.5), aramid, 20.0, (1, True, "tertiary"), (50.0, 200.0), (46.0, 150e3, 0.30)),
        build("rudder", "RU", _pair("325", "326"), (2600.0, 800.0), ("CFRP", 1.0, 0.8), aramid, 18.0, (1, False, "critical"), (25.0, 75.0), (52.0, 62e3, 0.05)),
        build("elevator", "EL", _pair("334", "344"), (2100.0, 520.0), ("CFRP", 0.8, 0.8), aramid, 14.0, (1, False, "critical"), (25.0, 75.0), (44.0, 72e3, 0.05)),
        build("trailing_edge", "TE", _pair("551", "651"), (1400.0, 420.0), ("CFRP", 0.6, 0.6), aramid, 12.0, (1, True, "secondary"), (40.0, 120.0), (36.0, 78e3, 0.07)),
        build("aileron", "AI", _pair("571", "671"), (1700.0, 360.0), ("GFRP", 0.75, 0.75), aramid, 10.0, (2, True, "primary"), (25.0, 75.0), (40.0, 85e3, 0.07)),
        build("flap", "FL", _four(("575", "576"), ("675", "676"), True, True), (1800.0, 520.0), ("aluminium", 0.5, 0.5), metal, 16.0, (1, True, "secondary"), (40.0, 120.0), (24.0, 58e3, 0.22), low=0.8),
        build("spoiler", "SP", _four(("585", "586"), ("685", "686")), (950.0, 430.0), ("CFRP", 0.9, 0.6), metal, 20.0, (2, True, "secondary"), (40.0, 120.0), (28.0, 72e3, 0.10)),
        build("cowl_door", "CD", _four(("415", "416"), ("425", "426"), low=True), (1300.0, 900.0), ("aluminium", 0.6, 0.5), metal, 15.0, (2, True, "secondary"), (50.0, 150.0), (30.0, 48e3, 0.20), low=0.8),
        build("gear_door", "GD", _pair("732", "742"), (1350.0, 650.0), ("CFRP", 1.6, 0.8), metal, 22.0, (2, True, "secondary"), (40.0, 150.0), (27.0, 62e3, 0.40)),
    )  # fmt: skip


def default_scenario(*, n_aircraft: int = 36) -> Scenario:
    """Return the invented scenario of the demo fleet.

    Parameters
    ----------
    n_aircraft : int
        Number of aircraft; two thirds are of the first subtype, and of these a third is
        second-hand.

    Returns
    -------
    Scenario
        The scenario.

    Raises
    ------
    ValueError
        If `n_aircraft` is below 1.

    Examples
    --------
    >>> scenario = default_scenario()
    >>> sum(len(f.zones) for f in scenario.families) * scenario.n_aircraft
    900
    """
    far = dict(zip(TAP_METHODS, (0.10, 0.10), strict=True))
    tap = {
        "tap_manual": {"thin": (20.0, 0.25, 0.97), "mid": (25.0, 0.27, 0.96), "thick": (36.0, 0.30, 0.92)},
        "tap_instrumented": {
            "thin": (14.0, 0.25, 0.985),
            "mid": (17.0, 0.27, 0.98),
            "thick": (25.0, 0.30, 0.96),
        },
    }
    visual = {"thin": (70.0, 0.3, 0.60), "mid": (90.0, 0.3, 0.55), "thick": (110.0, 0.3, 0.50)}
    pods = [Pod(m, c, *values, far[m]) for m, rows in tap.items() for c, values in rows.items()]
    pods += [Pod("visual", c, *values, 0.0, 0.15) for c, values in visual.items()]
    # Methods that see water in the core, from whichever side; the skin in front of it hardly matters.
    water = {
        "moisture_meter": (28.0, 0.30, 0.95),
        "thermography": (24.0, 0.30, 0.94),
        "x_ray": (12.0, 0.25, 0.99),
        "ultrasonic": (12.0, 0.25, 0.98),
    }
    pods += [Pod(m, c, *values, values[2]) for m, values in water.items() for c in visual]
    blunt_share = 0.5  # of impacts; 30 % of the blunt ones part the far bond
    return Scenario(
        n_aircraft=n_aircraft,
        families=_families(),
        modes=(
            Mode("M", "moisture_disbond", "calendar_days", 2.2, 18.0, 0.40, 6.0, 0.70, "calendar_days", 365.25, 0.0, 0.15),
            Mode("G", "disbond", "flight_cycles", 3.0, 18.0, 0.40, 2.6, 0.60, "flight_cycles", 1000.0, 0.0, 0.0),
            Mode("I", "core_damage", "flight_cycles", 1.0, 28.0, 0.50, 6.0, 0.70, "calendar_days", 365.25, 0.6, 0.3 * blunt_share),
        ),
        bases=(
            Base("Saltmere", "hot humid coast", 0.40, 0.70),
            Base("Frosthale", "cold freeze-thaw", 0.33, 0.82),
            Base("Drywold", "dry temperate", 0.27, 1.0),
        ),
        subtypes=(
            Subtype("QV-44-100", 2 / 3, 2350.0, 150.0, 1.05, 1.0, date(2008, 1, 8), date(2013, 1, 31), 1 / 3),
            Subtype("QV-44-300", 1 / 3, 1050.0, 80.0, 2.6, 1.15, date(2010, 1, 11), date(2017, 3, 31)),
        ),
        pods=tuple(pods),
        repairs=(
            RepairMethod("speed tape", "temporary", 1.0, math.inf),
            RepairMethod("potted fill", "interim", 0.9, 1.0),
            RepairMethod("bonded patch", "permanent", 0.5, 2.0),
            RepairMethod("core plug and patch", "permanent", 0.25, 3.5),
            RepairMethod("new panel", "replacement", 0.0, math.inf),
            RepairMethod("pool panel", "replacement", math.nan, math.inf),
            SEALED,
        ),
        programme=(TapRule("*", 1, date(2006, 1, 1)), TapRule("trailing_edge", 2, date(2019, 7, 1))),
        water_tasks=(
            WaterTask(("radome", "fairing", "aileron"), "moisture_meter", 1, date(2010, 1, 1)),
            WaterTask(
                ("rudder", "elevator", "trailing_edge", "flap", "spoiler", "cowl_door", "gear_door"),
                "thermography", 2, date(2012, 1, 1),
            ),
        ),
    )  # fmt: skip
