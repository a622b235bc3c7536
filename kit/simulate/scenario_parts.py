"""What an invented scenario is made of: zones and panels, damage, water, bases, types, methods, repairs, errors."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

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
